"""Conformity, standard uncertainty and weight of evidence against the standards' own examples.

Where a published figure was not read but quoted, its row says "from memory"; the tolerance is
then half a unit of its last printed digit. Three outside libraries agree with the functions:
GTC 1.5 (run here), suncal 1.7.1 (its answers are written down here), SciPy (gamma prior).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from benchodds.reasons import conformance as c


@pytest.mark.parametrize(
    ("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_one_sided_factors(p: float, z: float) -> None:
    """JCGM 106:2012, 7.3, table 1 (from memory)."""
    assert c.conformance_factor(p) == pytest.approx(z, abs=0.0051)


@pytest.mark.parametrize(
    ("y", "u", "lower", "upper", "printed", "suncal"),
    [
        (-5.47, 0.05, None, -5.40, 0.92, 0.9192433407662273),  # 7.3.3 example 1, Zener diode
        (509.7, 8.6, 490.0, None, 0.99, 0.9890095473848222),  # 7.3.3 example 2, burst pressure
        (13.6, 1.8, 12.5, 16.3, 0.66, 0.6626297864953079),  # 7.4, oil viscosity
    ],
)
def test_conformance_probability(
    y: float, u: float, lower: float | None, upper: float | None, printed: float, suncal: float
) -> None:
    """JCGM 106:2012, 7.3.3 and 7.4: printed from memory, last column run in suncal 1.7.1."""
    p = c.conformance_probability(y, u, lower, upper)
    assert p == pytest.approx(printed, abs=0.005)
    assert p == pytest.approx(suncal, abs=1e-9)


def test_grid_agrees_with_the_normal_law() -> None:
    """A fine grid of a normal law gives the closed form, cells cut by a limit included."""
    x = stats.norm.ppf((np.arange(4000) + 0.5) / 4000) * 1.8 + 13.6
    p = np.full(1000, 1e-3)
    grid = c.grid_conformance(p, x.reshape(1000, 4), 12.5, 16.3)
    assert grid == pytest.approx(c.conformance_probability(13.6, 1.8, 12.5, 16.3), abs=5e-4)


def test_uncertainty_must_be_positive() -> None:
    """A standard uncertainty of zero is refused, with what would be right."""
    with pytest.raises(ValueError, match="above zero"):
        c.conformance_probability(1.0, 0.0, 0.0)


def test_guarded_rejection_of_speed() -> None:
    """JCGM 106, 8.3.3.2 example 1: 2 % of reading, 100 km/h, 99.9 %: about 107 (from memory)."""
    limit = c.guarded_limit(100.0, 0.02, 0.999, "upper", reject=True, relative=True)
    assert limit == pytest.approx(106.588, abs=0.001)
    assert round(limit) == 107


@pytest.mark.parametrize(("side", "reject", "sign"), [("lower", False, 1), ("upper", False, -1)])
def test_guarded_limit_gives_its_probability(side: c.Side, reject: bool, sign: int) -> None:
    """At a guarded acceptance limit the conformance probability is the one asked for."""
    limit = c.guarded_limit(100.0, 4.0, 0.95, side, reject=reject)
    assert limit == pytest.approx(100 + sign * 1.6449 * 4, abs=0.001)
    ends = {"lower": 100.0} if side == "lower" else {"upper": 100.0}
    assert c.conformance_probability(limit, 4.0, **ends) == pytest.approx(0.95, abs=1e-12)


@pytest.mark.parametrize(
    ("guard", "consumer", "producer"),
    [
        (0.0, 0.018942206717008785, 0.037207800178036925),
        (0.04, 0.004334072221846697, 0.11465657840810911),
        (0.06, 0.0015753532011642877, 0.17437627594800853),
        (0.08, 0.0004686335988881847, 0.2476696402007564),
        (-0.08, 0.069404610011991, 0.0006806009739763253),
    ],
)
def test_risks_of_precision_resistors(guard: float, consumer: float, producer: float) -> None:
    """JCGM 106, 9.5 set-up (inputs from memory): 1500 ohm; the risks were run in suncal 1.7.1."""
    ends = (1499.8 + guard, 1500.2 - guard)
    risks = c.global_risks_normal(1500.0, 0.12, 0.04, (1499.8, 1500.2), ends)
    assert risks.consumer == pytest.approx(consumer, abs=2e-6)
    assert risks.producer == pytest.approx(producer, abs=2e-6)
    assert risks.conforming == pytest.approx(0.904419, abs=1e-6)


def test_risk_trades_with_the_guard_band() -> None:
    """A wider guard band lowers the consumer's risk and raises the producer's, always."""
    found = [
        c.global_risks_normal(1500.0, 0.12, 0.04, (1499.8, 1500.2), (1499.8 + w, 1500.2 - w))
        for w in np.linspace(-0.1, 0.15, 26)
    ]
    assert np.all(np.diff([r.consumer for r in found]) < 0)
    assert np.all(np.diff([r.producer for r in found]) > 0)


@pytest.mark.parametrize(
    ("limit", "sd", "u", "accept", "consumer", "producer"),
    [(2.0, 1.0, 0.25, 2.0, 0.008, 0.015), (2.0, 1.0, 0.5, 1.82, 0.008, 0.066)],
)
def test_risks_of_symmetric_limits(
    limit: float, sd: float, u: float, accept: float, consumer: float, producer: float
) -> None:
    """Deaver, "How to maintain confidence", as quoted with page numbers in suncal's own tests."""
    risks = c.global_risks_normal(0.0, sd, u, (-limit, limit), (-accept, accept))
    assert risks.consumer == pytest.approx(consumer, abs=5e-4)
    assert risks.producer == pytest.approx(producer, abs=1e-3)


@pytest.mark.parametrize(("accept", "consumer"), [(2.0, 0.008), (1.671828771543956, 0.001)])
def test_risks_of_ball_bearings(accept: float, consumer: float) -> None:
    """JCGM 106, 9.5.4: gamma prior, 0.8 % at the bare limit, 0.1 % at 1.67 um.

    Inputs and answers were read in a worked notebook of suncal ("Risk - Ball Bearing").
    """
    x = stats.gamma(a=4, scale=1 / 4).ppf((np.arange(20000) + 0.5) / 20000)
    accepted = stats.norm.cdf((accept - x) / 0.25)
    good = c.conforming(x, None, 2.0) / len(x)
    bad = 1 / len(x) - good
    risks = c.global_risks(
        np.array([good @ accepted, good @ (1 - accepted)]),
        np.array([bad @ accepted, bad @ (1 - accepted)]),
        np.array([1.0, 0.0]),
    )
    assert 1 - risks.conforming == pytest.approx(0.04238011199168401, abs=1e-4)
    assert risks.consumer == pytest.approx(consumer, abs=5e-5)
    assert risks.bad_among_accepted == pytest.approx(risks.consumer / risks.accepted)
    assert risks.good_among_rejected < 1


# ---- JCGM 100:2008 ------------------------------------------------------------------------------


def test_shapes_of_bounds() -> None:
    """JCGM 100, 4.3.7 and 4.3.9: a/sqrt 3, a/sqrt 6, a/sqrt 2, as GTC has them."""
    gtc = pytest.importorskip("GTC")
    assert c.u_rectangular(1.0) == pytest.approx(gtc.type_b.uniform(1), abs=1e-12)
    assert c.u_triangular(1.0) == pytest.approx(gtc.type_b.triangular(1), abs=1e-12)
    assert c.u_arcsine(1.0) == pytest.approx(gtc.type_b.arcsine(1), abs=1e-12)
    assert [round(f(1.0), 6) for f in (c.u_rectangular, c.u_triangular, c.u_arcsine)] == [
        0.57735,
        0.408248,
        0.707107,
    ]


def test_examples_of_type_b() -> None:
    """JCGM 100, clause 4.3, worked examples (printed figures from memory)."""
    assert c.u_interval(129.0, 0.99) == pytest.approx(50.0, abs=0.5)  # 4.3.4, uohm
    assert c.u_interval(0.04, 0.5) == pytest.approx(0.0593, abs=1e-4)  # 4.3.5, mm: 0.06
    assert c.u_interval(1.0, 0.5) == pytest.approx(1.48, abs=0.005)  # 4.3.5, 1.48 a
    assert c.u_rectangular(0.40e-6) == pytest.approx(0.23e-6, abs=0.005e-6)  # 4.3.7, copper
    assert c.u_asymmetric(16.40e-6, 16.92e-6) == pytest.approx(0.15e-6, abs=0.005e-6)  # 4.3.8


def test_digital_voltmeter() -> None:
    """JCGM 100, 4.3.7 example 2 and 5.1.5: 15 uV, 8.7 uV, 15 uV (from memory)."""
    half = 14e-6 * 0.928571 + 2e-6 * 1.0
    assert half == pytest.approx(15.0e-6, abs=0.05e-6)
    assert c.u_rectangular(half) == pytest.approx(8.7e-6, abs=0.05e-6)
    both = c.combined_uncertainty([12e-6, c.u_rectangular(half)])
    assert both == pytest.approx(15e-6, abs=0.5e-6)
    assert both == pytest.approx(14.80e-6, abs=0.005e-6)


def test_effective_freedom() -> None:
    """JCGM 100, G.4.1 example: 1.03 %, 19.0, 2.2 % (from memory), and GTC."""
    gtc = pytest.importorskip("GTC")
    u, v = [0.25, 0.57, 0.82], [9, 4, 14]
    result = gtc.result(sum(gtc.ureal(0, x, n) for x, n in zip(u, v, strict=True)))
    assert c.combined_uncertainty(u) == pytest.approx(result.u, rel=1e-12)
    assert c.effective_freedom(u, v) == pytest.approx(result.df, rel=1e-9)
    assert round(c.combined_uncertainty(u), 2) == 1.03
    assert round(c.effective_freedom(u, v), 1) == 19.0
    # Just under 19: cut down to 18 degrees of freedom it still rounds to the printed 2.2 %.
    assert c.expanded_uncertainty(1.03, c.effective_freedom(u, v), 0.95) == pytest.approx(
        2.2, abs=0.05
    )


def test_end_gauge() -> None:
    """JCGM 100, H.1: 32 nm and v_eff 16 (SEEN in a notebook of suncal: 32 nm), 93 nm, and GTC."""
    gtc = pytest.importorskip("GTC")
    u, v = [25.0, 9.7, 2.9, 16.6], [18, 25.6, 50, 2]
    result = gtc.result(sum(gtc.ureal(0, x, n) for x, n in zip(u, v, strict=True)))
    assert c.combined_uncertainty(u) == pytest.approx(result.u, rel=1e-12)
    assert c.effective_freedom(u, v) == pytest.approx(result.df, rel=1e-9)
    assert round(c.combined_uncertainty(u)) == 32
    assert c.effective_freedom(u, v) == pytest.approx(16.75, abs=0.02)
    assert c.expanded_uncertainty(32, c.effective_freedom(u, v), 0.99) == pytest.approx(93.5, abs=1)
    assert c.u_rectangular(0.05) * 11.5e-6 * 50.000623e6 == pytest.approx(16.6, abs=0.05)


def test_freedom_of_an_estimate() -> None:
    """JCGM 100, G.4.2: an uncertainty good to 25 % has 8 degrees of freedom (from memory)."""
    assert c.freedom_of_estimate(0.25) == pytest.approx(8.0)
    assert math.isinf(c.effective_freedom([1.0, 2.0], [math.inf, math.inf]))
    assert c.expanded_uncertainty(1.0, math.inf, 0.95) == pytest.approx(1.96, abs=0.001)


@pytest.mark.parametrize(
    ("n", "percent"),
    [(2, 76), (3, 52), (4, 42), (5, 36), (10, 24), (20, 16), (30, 13), (50, 10)],
)
def test_sd_of_sd(n: int, percent: int) -> None:
    """JCGM 100, E.4.3, table E.1 (from memory)."""
    assert round(100 * c.relative_sd_of_sd(n)) == percent


# ---- weight of evidence -------------------------------------------------------------------------


def test_double_headed_penny() -> None:
    """General Report on Tunny: 20 heads, prior 1 in 10^4: 60 - 40 = 20 db, 100 to 1 on (read)."""
    total = 20 * c.decibans(2.0) - c.decibans(1e4)
    assert total == pytest.approx(20.206, abs=0.001)
    assert c.from_decibans(total) == pytest.approx(100, rel=0.05)


@pytest.mark.parametrize(
    ("weight", "odds"), [(13.0, 20.0), (4.0, 5 / 2), (-2.0, 8 / 13), (1.0, 5 / 4)]
)
def test_bletchley_table(weight: float, odds: float) -> None:
    """Codebreaking notes: 13 db is 20 to 1, 4 db 5 to 2, -2 db 8 to 13, 1 db 5 to 4 (read)."""
    assert c.decibans(odds) == pytest.approx(weight, abs=0.15)


def test_units_of_evidence() -> None:
    """A ban is 3.32 bits and 2.30 nats (read); Jeffreys' grades are half bans (from memory)."""
    ban = c.from_decibans(10.0)
    assert math.log2(ban) == pytest.approx(3.3219, abs=1e-4)
    assert math.log(ban) == pytest.approx(2.3026, abs=1e-4)
    assert [c.decibans(10 ** (k / 2)) for k in (1, 2, 3, 4)] == pytest.approx([5, 10, 15, 20])


def test_loaded_die() -> None:
    """A six +3 db, else -1 db (from memory); mean gain 0.357; the factor averages 1 when fair."""
    six, other = (1 / 3) / (1 / 6), (2 / 3) / (5 / 6)
    assert c.decibans(six) == pytest.approx(3.0103, abs=1e-4)
    assert c.decibans(other) == pytest.approx(-0.9691, abs=1e-4)
    gain = c.decibans(six) / 3 + 2 * c.decibans(other) / 3
    assert gain == pytest.approx(0.35737, abs=1e-5)
    assert six / 6 + 5 * other / 6 == pytest.approx(1.0)


def test_normal_weight_of_evidence() -> None:
    """Between two normals a mean weight of M db has sd about 3 sqrt M db (Good, from memory)."""
    x = stats.norm.ppf((np.arange(20000) + 0.5) / 20000)
    shift = 1.5
    w = np.array([c.decibans(math.exp(shift * (v + shift) - shift**2 / 2)) for v in x])
    assert w.std() / math.sqrt(w.mean()) == pytest.approx(2.947, abs=0.01)


def test_sequential_test_and_one_result() -> None:
    """5 % and 5 % errors stop at 12.788 db; one positive test in a rare fault (Kruschke, read)."""
    assert c.decibans(0.95 / 0.05) == pytest.approx(12.788, abs=1e-3)
    prior = c.odds_db(0.01, 0.99)
    assert prior == pytest.approx(-19.956, abs=1e-3)
    after = prior + c.decibans(0.97 / 0.05)
    assert after == pytest.approx(-7.078, abs=1e-3)
    assert c.probability_of(after) == pytest.approx(0.163851, abs=1e-6)


def test_odds_at_the_ends() -> None:
    """Nothing against is endless evidence, nothing at all is none, and no error is raised."""
    assert c.odds_db(1.0, 0.0) == math.inf
    assert c.odds_db(0.0, 1.0) == -math.inf
    assert c.odds_db(0.0, 0.0) == 0.0
    assert c.probability_of(math.inf) == 1.0
