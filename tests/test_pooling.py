"""The pooled fit and its draws against closed forms, general libraries and recovery."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.sparse import csr_matrix
from scipy.stats import beta

from benchodds.learn.cases import Case, Told
from benchodds.learn.gibbs import draw
from benchodds.learn.pooling import Level, Problem, fit, intensities, normalised
from benchodds.learn.tuned import sample
from benchodds.learn.tuning import prepare
from past_jobs import knowledge, tally_of
from recovery import study
from test_dirichlet import RATS


def problem(
    counts: np.ndarray, base: np.ndarray, strength: float, *levels: Level, like: float = 0.0
) -> Problem:
    """Cells with known faults (``like`` = chance of any other), all from one base row."""
    cells, faults = counts.shape
    cell, fault = np.nonzero(counts)
    certain = np.full((faults, faults), like) + (1 - like) * np.eye(faults)
    return Problem(
        faults=tuple(f"f{i}" for i in range(faults)),
        base_names=(("s", "c"),),
        base=base[None],
        strength=np.array([strength]),
        base_of=np.zeros(cells, dtype=np.intp),
        mask=np.ones(counts.shape),
        levels=levels,
        cell=cell,
        count=counts[cell, fault].astype(float),
        worth=np.ones(len(cell)),
        likelihood=certain[fault],
    )


def groups(name: str, member: np.ndarray, faults: int, typical: float = 50.0) -> Level:
    """A level whose groups are the rows of a 0-1 matrix."""
    names = tuple((f"g{i}",) for i in range(len(member)))
    centre = np.ones((len(member), faults))
    return Level(name, names, csr_matrix(member.astype(float)), centre, typical, 3.0)


def test_rat_tumours_through_the_fit() -> None:
    """71 groups as shops, strength and mean by the moments of BDA3 5.1 (from memory): the 71st
    has mean (1.356 + 4) / (9.971 + 14) = .2234."""
    mean = np.array([0.13601, 1 - 0.13601])
    p = problem(RATS, mean, 1e9, groups("shop", np.eye(71), 2))
    found = fit(p, {"shop": 1.356 + 8.615})
    shares = normalised(intensities(p, found.base, found.multipliers))
    assert shares[70, 0] == pytest.approx(0.2234, abs=1e-4)
    expected = (9.971 * mean + RATS) / (9.971 + RATS.sum(axis=1, keepdims=True))
    assert shares == pytest.approx(expected, abs=1e-4)


def test_shrinkage_against_a_general_library() -> None:
    """statsmodels' Bayesian mixed model (logit-normal, variational Bayes) on the rat tumours:
    another family, so group rates agree to about a hundredth, and both shrink."""
    p = problem(RATS, np.array([0.14, 0.86]), 5.0, groups("shop", np.eye(71), 2))

    def keep(base: np.ndarray, multipliers: dict[str, np.ndarray]) -> np.ndarray:
        return normalised(base[0] * multipliers["shop"])[:, 0]

    drawn, strengths = draw(p, fit(p), keep, np.random.default_rng(3), 1500)
    ours = drawn.mean(axis=0)
    assert 10 < np.median(strengths["shop"]) < 30  # BDA3 5.3: E(a) + E(b) = 16.7
    n = RATS.sum(axis=1).astype(int)
    y = np.concatenate([np.r_[np.ones(int(a)), np.zeros(int(b))] for a, b in RATS])
    group = np.repeat(np.arange(71), n)
    exog_vc = csr_matrix((np.ones(len(y)), (np.arange(len(y)), group)), shape=(len(y), 71))
    model = sm.BinomialBayesMixedGLM(
        y, np.ones((len(y), 1)), exog_vc, np.zeros(71, dtype=int), vcp_p=1.0, fe_p=3.0
    )
    result = model.fit_vb()
    theirs = 1 / (1 + np.exp(-(result.fe_mean[0] + result.vc_mean)))
    assert np.abs(ours - theirs).mean() < 0.012
    assert np.corrcoef(ours, theirs)[0, 1] > 0.98
    raw = RATS[:, 0] / n
    assert 0.3 < ours.std() / raw.std() < 0.9


def test_contexts_against_a_multinomial_logit() -> None:
    """With next to no prior the fit is the multinomial logit of statsmodels: contexts that
    cross, shares of every cell alike."""
    rng = np.random.default_rng(3)
    told = np.array([[0, 0], [1, 0], [0, 1], [1, 1]])
    truth = normalised(np.exp(rng.normal(size=(1, 4)) + told @ rng.normal(size=(2, 4))))
    counts = np.array([rng.multinomial(900, t) for t in truth]).astype(float)
    p = problem(counts, np.full(4, 0.25), 1e-6, groups("context", told.T, 4))
    found = fit(p, {"context": 1e-6}, most=20_000)
    ours = normalised(intensities(p, found.base, found.multipliers))
    rows = np.repeat(told, 900, axis=0)
    y = np.concatenate([np.repeat(np.arange(4), c.astype(int)) for c in counts])
    result = sm.MNLogit(y, sm.add_constant(rows)).fit(disp=0)
    theirs = result.predict(sm.add_constant(told, has_constant="add"))
    assert ours == pytest.approx(np.asarray(theirs), abs=2e-3)


def test_draws_of_one_cell_are_a_dirichlet() -> None:
    """Known faults, no groups: means and 90 % intervals are those of the beta law."""
    counts = np.array([[3.0, 5.0, 2.0]])
    p = problem(counts, np.full(3, 1 / 3), 3.0)
    drawn, _ = draw(p, fit(p), lambda b, m: b[0], np.random.default_rng(1), 4000)
    a = np.array([4.0, 6.0, 3.0])
    assert drawn.mean(axis=0) == pytest.approx(a / 13, abs=0.005)
    for q in (0.05, 0.95):
        assert np.quantile(drawn, q, axis=0) == pytest.approx(beta.ppf(q, a, 13 - a), abs=0.012)


def test_draws_of_a_group_are_a_dirichlet() -> None:
    """A group under a fixed base: A q + n, as in BDA3 5.3 at fixed hyperparameters."""
    counts = np.array([[4.0, 10.0]])
    level = groups("shop", np.ones((1, 1)), 2, typical=10.0)
    level = Level(level.name, level.groups, level.member, level.centre, 10.0, 1.0001)
    p = problem(counts, np.array([0.14, 0.86]), 1e7, level)

    def keep(base: np.ndarray, multipliers: dict[str, np.ndarray]) -> np.ndarray:
        return normalised(base[0] * multipliers["shop"][0])

    drawn, _ = draw(p, fit(p), keep, np.random.default_rng(2), 3000)
    a, b = 1.4 + 4, 8.6 + 10
    assert drawn[:, 0].mean() == pytest.approx(a / (a + b), abs=0.006)
    assert drawn[:, 0].std() == pytest.approx(beta.std(a, b), rel=0.08)


def test_mislabelled_counts_are_told_apart_as_by_hand() -> None:
    """Closings right in 3 of 4 cases, two faults, no prior to speak of: the largest likelihood
    is where 3/4 s + 1/4 (1 - s) equals the share named."""
    counts = np.array([[600.0, 400.0]])
    p = problem(counts, np.full(2, 0.5), 1e-6, like=1 / 3)
    found = fit(p, most=20_000)
    assert found.base[0, 0] == pytest.approx((0.6 - 0.25) / 0.5, abs=1e-3)
    assert all(b >= a - 1e-9 for a, b in zip(found.trace, found.trace[1:], strict=False))


@pytest.mark.slow
def test_recovery_in_small() -> None:
    """A few shops of 60 and of 600 jobs: coverage near 90 %, error falls, odds improve.

    The full study, to 5,000 jobs, is ``python tests/recovery.py``. A shop's coverage has a
    standard deviation of about 4 %, so the bounds are those of 85 to 95 %, two errors wider.
    """
    few, many = study(60, 8, 120, 7), study(600, 5, 120, 7, slipped=0.03)
    assert 0.82 < few.covered < 0.97
    assert 0.80 < many.covered < 0.97
    assert many.error < 0.75 * few.error < 0.75 * few.error_before
    assert few.gain.mean() > 0 and many.gain.min() > 0


def test_levels_do_not_drag_each_other_to_nothing() -> None:
    """Thirty jobs over two complaints and two variants, fleet and variant pooled at once: a
    fault that is never seen falls by about the jobs over the prior's strength, not to zero."""
    known = knowledge("mag-cdi")
    seen = ["plug.fouled", "stop.switch", "con.highR", "gnd.highR", "sec.breakdown"]
    cases = [
        Case(
            str(i),
            "2024-01-01",
            "mag-cdi",
            ("early", "late")[i % 2],
            ("no-spark", "weak-spark")[i // 2 % 2],
            (),
            (Told((seen[i % 5],), "bench-bad"),),
        )
        for i in range(30)
    ]
    problem_ = prepare(tally_of(cases), known).problem
    drawn = sample(problem_, fit(problem_), np.random.default_rng(4), 600)
    for complaint in ("no-spark", "weak-spark"):
        shares = drawn.shares["mag-cdi", complaint]
        before = problem_.base[problem_.base_names.index(("mag-cdi", complaint))]
        rare = (before >= 0.02) & ~np.isin(problem_.faults, seen)
        left = shares.mean(axis=0)[rare].sum() / before[rare].sum()
        assert 0.5 < left < 0.95  # 40 / 55 by one Dirichlet
        assert (np.quantile(shares[300:], 0.95, axis=0)[rare] > before[rare] / 4).all()
