"""The language of quantities: what the parser refuses, and every building block and
distribution against a computation that shares no code with it."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from benchodds.basics.distributions import base_unit, parse_distribution
from benchodds.basics.errors import ModelError
from benchodds.basics.formula import FUNCTIONS, MAX_LENGTH, MAX_NODES, parse_expression

OPEN = math.inf
positive = st.floats(1e-3, 1e4)


def work(text: str, **values: object) -> NDArray[np.float64]:
    """An expression's value for the given names."""
    return parse_expression(text)(values)


# ---- the parser ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "x.real",
        "x.__class__",
        "().__class__.__bases__",
        "x[0]",
        "[x, y]",
        "{x}",
        "x ** 2",
        "x % 2",
        "x // 2",
        "x @ y",
        "x | y",
        "x & 1",
        "x < 2",
        "not x",
        "+x",
        "~x",
        "x and y",
        "x if y else 1",
        "lambda x: x",
        "lambda: 0",
        "[i for i in x]",
        "(y := 2)",
        "'text'",
        "b'x'",
        "f'{x}'",
        "None",
        "...",
        "1j",
        "1e999",
        "True",
        "min(*x)",
        "min(x, key=y)",
        "min()",
        "min(x)(y)",
        "x.min(y)",
        "await x",
    ],
)
def test_only_arithmetic_and_known_calls_are_read(text: str) -> None:
    """Attributes, subscripts, comparisons, text, keywords and the rest are refused."""
    with pytest.raises(ModelError):
        parse_expression(text)


@pytest.mark.parametrize(
    "name", ["eval", "exec", "open", "__import__", "getattr", "sum", "Min", "exp"]
)
def test_calls_of_unknown_functions_are_refused(name: str) -> None:
    """The message names the function and lists those that are known."""
    with pytest.raises(ModelError, match=f"calls '{name}'; known functions: .*parallel"):
        parse_expression(f"{name}(x)")


@pytest.mark.parametrize("text", ["", " ", "x +", "x y", "(x", "x = 1", "import os", "x; y", "x\0"])
def test_what_is_no_expression_is_refused(text: str) -> None:
    """Broken text is a ModelError, never a SyntaxError."""
    with pytest.raises(ModelError):
        parse_expression(text)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("clip(r)", "gives clip 1 values; it takes x, low, high"),
        ("where(r, b)", "gives where 2 values; it takes test, yes, no"),
        ("sqrt(r, r)", "gives sqrt 2 values; it takes x"),
        ("1/0", "divides by zero"),
        ("r/0.0", "divides by zero"),
        (f"r*{'9' * 380}", "something other"),
        ("1e301", "something other"),
        ("4k", "not an expression"),
    ],
)
def test_calls_and_numbers_that_cannot_be_worked_out(text: str, words: str) -> None:
    """They are refused when they are read, not when they are worked out."""
    with pytest.raises(ModelError, match=words):
        parse_expression(text)


def test_what_is_read_can_be_worked_out() -> None:
    """Numbers alone too: beyond all bounds is open, as everywhere."""
    assert work("1e300 * 1e300") == math.inf
    assert work("1 / (2 - 2)") == math.inf
    assert work("min(x)", x=2.0) == 2.0


def test_too_long_and_too_deep_are_refused() -> None:
    """Length and number of nodes are bounded; the bound itself is still read."""
    with pytest.raises(ModelError, match="characters"):
        parse_expression("x" + " " * MAX_LENGTH)
    with pytest.raises(ModelError, match="too deep"):
        parse_expression("+".join("x" * (MAX_NODES // 2 + 1)))
    with pytest.raises(ModelError):
        parse_expression("(" * 190 + "x" + ")" * 190 + "+" * 200)
    with pytest.raises(ModelError, match="too deep"):
        parse_expression("-" * (MAX_NODES + 1) + "x")
    fits = "+".join("x" * (MAX_NODES // 2))
    assert work(fits, x=1.0) == MAX_NODES // 2


def test_names_stand_once_and_functions_are_no_names() -> None:
    """What an expression needs is each of its names, once."""
    names = parse_expression("min(b * a, c) + a * step(b - 2)").names
    assert sorted(names) == ["a", "b", "c"]


def test_arithmetic_has_the_usual_precedence() -> None:
    """Against the same sums done by hand."""
    x, y = np.array([1.0, 2.5]), np.array([4.0, -3.0])
    assert work("1 + 2 * x - y / 4", x=x, y=y) == pytest.approx(1 + 2 * x - y / 4)
    assert work("-(x - y) * -2", x=x, y=y) == pytest.approx(2 * (x - y))
    assert work("1e-3 * x", x=x) == pytest.approx(x / 1000)


def test_zero_times_open_is_zero() -> None:
    """No current through an open is no drop, not an undefined one."""
    assert work("a * r", a=0.0, r=OPEN) == 0.0
    assert list(work("a * r", a=np.array([0.0, 1.0]), r=np.array([OPEN, 2.0]))) == [0.0, 2.0]


def test_expressions_broadcast() -> None:
    """Arrays of different axes meet as NumPy has them meet."""
    a, b = np.arange(3.0)[:, None], np.arange(4.0)
    assert work("a * 10 + b", a=a, b=b) == pytest.approx(np.add.outer(10 * a.ravel(), b))


# ---- building blocks: an independent circuit solver ------------------------------------------


def solve(
    nodes: int,
    ohms: Mapping[tuple[int, int], float],
    sources: Mapping[tuple[int, int], float],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Modified nodal analysis: node volts (node 0 is ground) and the sources' currents.

    ``ohms`` are resistors between two nodes, ``sources`` ideal voltages (plus, minus). Solved
    as one linear system with NumPy. Source: Ho, Ruehli and Brennan, IEEE Transactions on
    Circuits and Systems 22 (1975).
    """
    m = len(sources)
    a, rhs = np.zeros((nodes + m, nodes + m)), np.zeros(nodes + m)
    for (i, j), r in ohms.items():
        g = 1.0 / r
        a[i, i] += g
        a[j, j] += g
        a[i, j] -= g
        a[j, i] -= g
    for k, ((plus, minus), volt) in enumerate(sources.items()):
        a[plus, nodes + k] += 1
        a[minus, nodes + k] -= 1
        a[nodes + k, plus] += 1
        a[nodes + k, minus] -= 1
        rhs[nodes + k] = volt
    keep = [i for i in range(nodes + m) if i != 0]
    x = np.zeros(nodes + m)
    x[keep] = np.linalg.solve(a[np.ix_(keep, keep)], rhs[keep])
    return x[:nodes], x[nodes:]


@settings(deadline=None)
@given(positive, positive, positive)
def test_parallel_and_series_against_a_nodal_solve(r1: float, r2: float, r3: float) -> None:
    """One volt across the network; its resistance is the volt over the current."""
    _, amps = solve(2, {(1, 0): r1, (0, 1): r2}, {(1, 0): 1.0})
    assert work("parallel(a, b)", a=r1, b=r2) == pytest.approx(-1 / amps[0], rel=1e-9)
    _, amps = solve(4, {(1, 2): r1, (2, 3): r2, (3, 0): r3}, {(1, 0): 1.0})
    assert work("series(a, b, c)", a=r1, b=r2, c=r3) == pytest.approx(-1 / amps[0], rel=1e-6)


def test_opens_in_parallel_and_series() -> None:
    """An open branch does not count; an open link opens the whole."""
    assert work("parallel(a, b)", a=OPEN, b=5.0) == 5.0
    assert work("parallel(a, b)", a=OPEN, b=OPEN) == OPEN
    assert work("parallel(a, b)", a=0.0, b=5.0) == 0.0
    assert work("series(a, b)", a=OPEN, b=5.0) == OPEN


@settings(deadline=None)
@given(st.floats(0, 400), positive, positive)
def test_divider_against_a_nodal_solve(volt: float, above: float, below: float) -> None:
    """Volts at the middle of two resistors."""
    volts, _ = solve(3, {(1, 2): above, (2, 0): below}, {(1, 0): volt})
    assert work("divider(v, a, b)", v=volt, a=above, b=below) == pytest.approx(
        volts[2], rel=1e-6, abs=1e-9
    )


def test_divider_in_its_limits() -> None:
    """Open above: nothing; open below: everything; shorted below: nothing."""
    assert work("divider(v, a, b)", v=12.0, a=OPEN, b=4.0) == 0.0
    assert work("divider(v, a, b)", v=12.0, a=4.0, b=OPEN) == 12.0
    assert work("divider(v, a, b)", v=12.0, a=4.0, b=0.0) == pytest.approx(0.0)


def test_divider_of_meter_loading() -> None:
    """Two 100 kohm across 10 V, read with 100 kohm, 1 Mohm and 10 Mohm (check values, CALC)."""
    for meter, want in ((100e3, 3.333), (1e6, 5 * 0.952381), (10e6, 5 * 0.995025)):
        shown = work("divider(10, a, parallel(a, m))", a=100e3, m=meter)
        assert shown == pytest.approx(want, abs=5e-4)


@settings(deadline=None)
@given(
    st.floats(9, 13.5),
    st.floats(0, 8.5),
    st.lists(st.floats(0.0005, 0.2), min_size=4, max_size=4),
)
def test_starter_loop_against_a_nodal_solve(e: float, back: float, r: list[float]) -> None:
    """Battery with inner resistance, feed, ground, motor with back voltage: current, sag, drops.

    Nodes: 1 inside the battery, 2 its post, 3 motor stud, 4 inside the motor, 5 motor body.
    """
    battery, feed, motor, ground = r
    volts, amps = solve(
        6,
        {(1, 2): battery, (2, 3): feed, (3, 4): motor, (5, 0): ground},
        {(1, 0): e, (4, 5): back},
    )
    given_values = {"e": e, "v0": back, "rb": battery, "rf": feed, "rm": motor, "rg": ground}
    i = work("current(e, v0, series(rb, rf, rm, rg))", **given_values)
    assert i == pytest.approx(-amps[0], rel=1e-6)
    given_values["i"] = float(i)
    post = work("sag(e, i, rb)", **given_values)
    d_feed = work("drop(e, i, rf)", **given_values)
    d_ground = work("drop(e, i, rg)", **given_values)
    assert post == pytest.approx(volts[2], abs=1e-6)
    assert d_feed == pytest.approx(volts[2] - volts[3], abs=1e-6)
    assert d_ground == pytest.approx(volts[5], abs=1e-6)
    starter = work("sag(e, i, series(rb, rf, rg))", **given_values)
    assert starter == pytest.approx(volts[3] - volts[5], abs=1e-6)
    assert d_feed + d_ground + starter == pytest.approx(float(post), abs=1e-9), "drops add up"


@pytest.mark.parametrize("which", ["feed", "ground", "motor"])
def test_an_open_stands_under_the_whole_battery(which: str) -> None:
    """Against a nodal solve with a gigaohm in the place of the open; elsewhere nothing drops."""
    ohm = {"battery": 0.02, "feed": 0.004, "motor": 0.05, "ground": 0.003, which: 1e9}
    volts, _ = solve(
        5,
        {
            (1, 2): ohm["battery"],
            (2, 3): ohm["feed"],
            (3, 4): ohm["motor"],
            (4, 0): ohm["ground"],
        },
        {(1, 0): 12.5},
    )
    ohm[which] = OPEN
    i = float(work("current(e, 0, series(rb, rf, rm, rg))", e=12.5, rb=0.02,
                   rf=ohm["feed"], rm=ohm["motor"], rg=ohm["ground"]))  # fmt: skip
    assert i == 0.0
    for name, want in (
        ("feed", volts[2] - volts[3]),
        ("motor", volts[3] - volts[4]),
        ("ground", volts[4]),
    ):
        got = work("drop(e, i, r)", e=12.5, i=i, r=ohm[name])
        assert got == pytest.approx(want, abs=1e-6), name
    assert work("sag(e, i, r)", e=12.5, i=i, r=0.02) == pytest.approx(volts[2], abs=1e-6)
    assert work("sag(e, i, r)", e=12.5, i=i, r=OPEN) == 0.0


def test_no_current_against_the_motor_and_no_sag_below_zero() -> None:
    """Back voltage above the battery's drives nothing back; a source never goes negative."""
    assert work("current(e, v0, r)", e=10.0, v0=11.0, r=0.1) == 0.0
    assert work("sag(e, i, r)", e=10.0, i=500.0, r=0.1) == 0.0


def test_battery_and_path_at_the_regulator() -> None:
    """Base + divider(set - base, path, inner) is the battery's volts, by a nodal solve."""
    volts, _ = solve(4, {(1, 2): 0.12, (2, 3): 0.24}, {(1, 0): 14.3, (3, 0): 11.8})
    text = "base + divider(set - base, path, inner)"
    got = work(text, base=11.8, set=14.3, path=0.12, inner=0.24)
    assert got == pytest.approx(volts[2], abs=1e-9)


# ---- building blocks: windings, copper, battery, cable -----------------------------------------


@settings(deadline=None)
@given(st.floats(0, 100), st.floats(0, 100))
def test_pair_of_legs_against_a_sampled_sum(ea: float, eb: float) -> None:
    """Two sines 120 degrees apart, sampled, subtracted; amplitude by Fourier's sum."""
    n = 720
    t = 2 * np.pi * np.arange(n) / n
    wave = ea * np.sin(t) - eb * np.sin(t - 2 * np.pi / 3)
    amplitude = 2 / n * abs(np.sum(wave * np.exp(-1j * t)))
    assert work("pair(a, b)", a=ea, b=eb) == pytest.approx(amplitude, abs=1e-9)


def test_one_weak_leg_lowers_two_pairs() -> None:
    """Star of 1, 1, 0.5: the pair without the weak leg stays, the two others fall alike."""
    legs = {"a": 0.5, "b": 1.0, "c": 1.0}
    ab, bc, ca = (work(f"pair({p}, {q}) / pair(1, 1)", **legs) for p, q in ("ab", "bc", "ca"))
    assert bc == pytest.approx(1.0)
    assert ab == ca == pytest.approx(math.sqrt(1.75 / 3))
    assert work("pair(1, 1)") == pytest.approx(math.sqrt(3))


def test_copper_against_iec_60028() -> None:
    """A winding of 200 ohm at 20 C (check values, CALC from 0.00393 per K) and the zero point."""
    for temp, want in ((0, 184.28), (20, 200.0), (40, 215.72), (80, 247.16)):
        assert work("200 * copper(t)", t=float(temp)) == pytest.approx(want, abs=0.02)
    assert work("15 * copper(95)") == pytest.approx(19.4, abs=0.05)
    assert work("copper(-234.5)") == 0.0


AWG_OHM_PER_1000_FT = {
    12: 1.588, 16: 4.016, 18: 6.385, 20: 10.15, 22: 16.14, 24: 25.67, 26: 40.81, 28: 64.90,
    30: 103.2,
}  # fmt: skip
IEC_60228 = {  # mm2: ohm/km at most, 20 C, class 1/2 and class 5/6, plain copper
    0.5: (36.0, 39.0),
    0.75: (24.5, 26.0),
    1.0: (18.1, 19.5),
    1.5: (12.1, 13.3),
    2.5: (7.41, 7.98),
    4.0: (4.61, 4.95),
    6.0: (3.08, 3.30),
    10.0: (1.83, 1.91),
    16.0: (1.15, 1.21),
    25.0: (0.727, 0.780),
    35.0: (0.524, 0.554),
}


@pytest.mark.parametrize("gauge", AWG_OHM_PER_1000_FT)
def test_cable_against_the_wire_gauge_table(gauge: int) -> None:
    """AWG copper table (published, seen in three places): diameter 0.127 x 92^((36-n)/39) mm."""
    area = math.pi / 4 * (0.127 * 92 ** ((36 - gauge) / 39)) ** 2
    got = work("cable(l, a)", l=304_800.0, a=area)
    assert got == pytest.approx(AWG_OHM_PER_1000_FT[gauge], rel=6e-4)


@pytest.mark.parametrize("area", IEC_60228)
def test_cable_against_iec_60228(area: float) -> None:
    """The table's maxima stand 1.04 to 1.07 times (class 1/2), 1.10 to 1.16 (5/6) above copper.

    Rows as printed in tables of cable makers after IEC 60228 (two of them compared).
    """
    solid, flexible = IEC_60228[area]
    km = float(work("cable(l, a)", l=1e6, a=area))
    assert 1.039 < solid / km < 1.076
    assert 1.10 < flexible / km < 1.161


def test_lead_acid_against_the_usual_table() -> None:
    """Rest volts by charge; a rule of thumb of battery shops, found in many places, no standard.

    100 % 12.6 to 12.7, 75 % 12.4, 50 % 12.2, 25 % 12.0 V; at 0 % tables run from 11.6 to 11.9.
    """
    for charge, want in ((1.0, 12.65), (0.75, 12.4), (0.5, 12.2), (0.25, 12.0)):
        assert work("lead_acid(s)", s=charge) == pytest.approx(want, abs=0.06)
    assert 11.6 <= work("lead_acid(0)") <= 11.9
    volts = work("lead_acid(s)", s=np.linspace(-0.5, 1.5, 41))
    assert (np.diff(volts) >= 0).all()
    assert volts[0] == work("lead_acid(0)")
    assert volts[-1] == work("lead_acid(1)")


@settings(deadline=None)
@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(-50, 50))
def test_choices(x: float, y: float, z: float) -> None:
    """min, max, clip, step, where and sqrt against Python's own."""
    low, high = sorted((y, z))
    assert work("min(x, y, z)", x=x, y=y, z=z) == min(x, y, z)
    assert work("max(x, y, z)", x=x, y=y, z=z) == max(x, y, z)
    assert work("clip(x, a, b)", x=x, a=low, b=high) == sorted((low, x, high))[1]
    assert work("step(x)", x=x) == (1.0 if x > 0 else 0.0)
    assert work("where(x, y, z)", x=x, y=y, z=z) == (y if x > 0 else z)
    assert work("sqrt(x)", x=x) == pytest.approx(math.sqrt(max(x, 0.0)))


def test_every_function_says_what_it_is() -> None:
    """Building blocks carry their formula; only the plain ones may do without."""
    plain = {"min", "max", "sqrt"}
    assert all(f.__doc__ for name, f in FUNCTIONS.items() if name not in plain)


# ---- distributions against scipy.stats ---------------------------------------------------------

LAWS = {
    "LN(0.30 V/rpm, 0.20)": stats.lognorm(0.20, scale=0.30),
    "LN(0.7 mA, 0.4)": stats.lognorm(0.4, scale=0.7e-3),
    "N(5 kohm, 0.5 kohm)": stats.norm(5000, 500),
    "N(0 V, 0.05 V)": stats.norm(0, 0.05),
    "U(0.3, 0.8)": stats.uniform(0.3, 0.5),
    "Exp(1.5 V)": stats.expon(scale=1.5),
    "Be(20, 1.5)": stats.beta(20, 1.5),
    "Be(1.2, 2.5)": stats.beta(1.2, 2.5),
    "band(9 ohm, 27 ohm)": stats.norm(18, 4.5),
}


@pytest.mark.parametrize("text", LAWS)
def test_distributions_against_scipy(text: str) -> None:
    """Distribution function, quantiles, mean and standard deviation."""
    law, d = LAWS[text], parse_distribution(text)
    q = np.linspace(0.001, 0.999, 61)
    assert d.quantile(q) == pytest.approx(law.ppf(q), rel=1e-9, abs=1e-12)
    x = law.ppf(np.concatenate([q, [1e-6, 1 - 1e-6]]))
    assert d.cdf(x) == pytest.approx(law.cdf(x), rel=1e-7, abs=1e-12)
    points, weights = d.points(4000)
    mean = float(points @ weights)
    sd = math.sqrt(float((points - mean) ** 2 @ weights))
    assert weights.sum() == pytest.approx(1.0)
    assert mean == pytest.approx(law.mean(), rel=2e-3, abs=2e-3 * law.std())
    assert sd == pytest.approx(law.std(), rel=1e-2)
    assert d.mean() == pytest.approx(law.mean(), rel=1e-2, abs=1e-2 * law.std())


@pytest.mark.parametrize("text", [t for t in LAWS if t.startswith(("LN", "N", "band"))])
def test_gauss_points_keep_the_moments(text: str) -> None:
    """Few Gauss-Hermite points give mean and variance of a smooth law."""
    law, (x, w) = LAWS[text], parse_distribution(text).gauss(7)
    mean = float(x @ w)
    assert mean == pytest.approx(law.mean(), rel=1e-6, abs=1e-9)
    assert float((x - mean) ** 2 @ w) == pytest.approx(law.var(), rel=1e-4)


def test_mixtures_weigh_their_parts() -> None:
    """Distribution function and points of a mixture with an atom."""
    d = parse_distribution("0.4: 1 | 0.6: U(0, 0.5)")
    for x, want in ((-0.1, 0.0), (0.25, 0.3), (0.5, 0.6), (0.99, 0.6), (1.0, 1.0)):
        assert d.cdf(np.array(x)) == pytest.approx(want)
    points, weights = d.points(10)
    assert len(points) == 11
    assert weights.sum() == pytest.approx(1.0)
    assert float(points @ weights) == pytest.approx(0.4 + 0.6 * 0.25)
    with pytest.raises(ModelError):
        d.quantile(np.array(0.5))


def test_open_and_units_of_constants() -> None:
    """'open' is infinite; a mixture takes the unit that one of its parts is written in."""
    assert parse_distribution("open").args == (OPEN,)
    assert parse_distribution("8 kV").args == (8000.0,)
    mixed = parse_distribution("0.5: open | 0.5: LN(4 kohm, 1.0)")
    assert [d.args[0] for _, d in mixed.parts] == [OPEN, 4000.0]
    assert parse_distribution("12 min", "min").args == (12.0,)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "LN(1)",
        "LN(1, 2, 3)",
        "N(1, 0)",
        "N(1, -1)",
        "LN(0, 0.2)",
        "LN(1 V, 900)",
        "LN(-1 V, 0.2)",
        "U(2, 1)",
        "U(1, 1)",
        "band(5 ohm, 5 ohm)",
        "Exp(0 V)",
        "Be(0, 1)",
        "Gamma(1, 2)",
        "ln(1, 2)",
        "N(1 V, 1 ohm)",
        "U(1 ohm, 2 V)",
        "0.5: 1 | 0.4: 2",
        "1.5: 1 | -0.5: 2",
        "0.5 1 | 0.5: 2",
        "1 | 2",
        "nan",
        "inf",
        "N(nan, 1)",
        "five volts",
        "3 glorps",
    ],
)
def test_impossible_distributions_are_refused(text: str) -> None:
    """Wrong kind, count, unit, weight or parameter is a ModelError."""
    with pytest.raises(ModelError):
        parse_distribution(text)


def test_a_wanted_unit_is_asked_for() -> None:
    """Volts where ohms are wanted is an error, millivolts where volts are wanted is not."""
    with pytest.raises(ModelError):
        parse_distribution("N(1 V, 1 V)", "ohm")
    assert parse_distribution("U(100 mV, 200 mV)", "V").args == pytest.approx((0.1, 0.2))


@pytest.mark.parametrize(
    ("unit", "base"),
    [("", ""), ("mV", "V"), ("kohm", "ohm"), ("mA", "A"), ("h", "min"), ("%", ""), ("rpm", "rpm")],
)
def test_base_units(unit: str, base: str) -> None:
    """What a file writes is held in one unit of its kind."""
    assert base_unit(unit) == base


def test_unknown_units_are_refused() -> None:
    """An unknown unit names what is known."""
    with pytest.raises(ModelError, match="not a unit known here"):
        base_unit("furlong-ish")
