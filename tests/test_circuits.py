"""The circuits of the shipped systems against nodal analysis, written here for this test.

A circuit is a list of branches between nodes; node 0 is ground. Kirchhoff's current law at each
node gives linear equations for the node volts (any textbook on circuits). Phasors are complex
volts. Formulas come from the model files as they are written there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchodds.basics.formula import parse_expression
from benchodds.keep.files import load_system
from benchodds.model.system import SystemModel

Branch = tuple[int, int, complex, float]
"""From node, to node, source volts in it (to above from), series resistance in ohm."""
OPEN = 1e15
METER = 1e7


def nodal(n: int, branches: Sequence[Branch]) -> np.ndarray[Any, np.dtype[np.complex128]]:
    """Node volts: sum over branches of (V_to - V_from - E) / R is zero at every node but ground."""
    a = np.zeros((n, n), dtype=complex)
    b = np.zeros(n, dtype=complex)
    for start, end, volts, ohm in branches:
        y = 1 / ohm
        for node, other, sign in ((end, start, 1), (start, end, -1)):
            a[node, node] += y
            a[node, other] -= y
            b[node] += sign * y * volts
    a[0], b[0] = 0, 0
    a[0, 0] = 1
    return np.linalg.solve(a, b)


@cache
def model(system: str) -> SystemModel:
    return load_system(system)


def formula(system: str, quantity: str, **values: float) -> float:
    """A quantity of a shipped model by its own formula."""
    return float(parse_expression(model(system).quantities[quantity].formula)(values))


def signal(system: str, test: str, **values: float) -> float:
    """What a test of a shipped model shows, by its own formula."""
    return float(parse_expression(model(system).tests[test].signal)(values))


# ---- three legs in star -------------------------------------------------------------------------


def star(legs: Sequence[float], grounded: int | None = None) -> tuple[float, float, float]:
    """Volts of the pairs ab, bc, ca of an unplugged star, by phasors; a leg of 0 is open.

    Star point node 1, pins 2, 3, 4; a voltmeter of 10 Mohm on each pair in turn; the star floats
    but for a leak, or one pin touches ground.
    """
    turn = np.exp(-2j * math.pi / 3)
    out = []
    for p, q in ((2, 3), (3, 4), (4, 2)):
        branches: list[Branch] = [
            (1, 2 + k, leg * turn**k, 0.2 if leg else OPEN) for k, leg in enumerate(legs)
        ]
        branches += [(p, q, 0, METER), (0, 1, 0, 1e12)]
        if grounded is not None:
            branches.append((0, 2 + grounded, 0, 0.5))
        v = nodal(5, branches)
        out.append(abs(v[p] - v[q]))
    return out[0], out[1], out[2]


@settings(deadline=None, max_examples=60)
@given(st.floats(0.3, 1), st.sampled_from([1, 2, 3]))
def test_one_weak_leg_by_phasors(leg: float, sick: int) -> None:
    """The two pairs with the weak leg fall alike, the third stays: charging's pair_ab, bc, ca."""
    legs = [leg if k + 1 == sick else 1.0 for k in range(3)]
    weak = formula("charging", "weak", leg=leg)
    for name, volts in zip(("pair_ab", "pair_bc", "pair_ca"), star(legs), strict=True):
        said = formula("charging", name, sick_leg=float(sick), weak=weak)
        assert volts / math.sqrt(3) == pytest.approx(said, rel=1e-6)


def test_an_open_leg_gives_two_zeros() -> None:
    """An open leg leaves no path for the meter in two pairs."""
    ab, bc, ca = star([0.0, 1.0, 1.0])
    assert ab < 1e-6 and ca < 1e-6
    assert bc == pytest.approx(math.sqrt(3), rel=1e-6)
    assert formula("charging", "weak", leg=0.0) == 0.0


@pytest.mark.parametrize("pin", [0, 1, 2])
def test_a_leg_on_ground_reads_right_while_unplugged(pin: int) -> None:
    """An ungrounded star with one pin on the core shows the same three pairs."""
    assert star([1, 1, 1], grounded=pin) == pytest.approx([math.sqrt(3)] * 3, rel=1e-6)


# ---- the starter's loop -----------------------------------------------------------------------

ohms = st.floats(2e-4, 0.3)


@settings(deadline=None, max_examples=80)
@given(
    st.floats(9.5, 12.9), st.floats(0.01, 0.12), ohms, ohms, ohms, ohms, st.floats(0.02, 0.4),
    st.floats(0, 7),
)  # fmt: skip
def test_drops_of_the_starter_by_nodal_analysis(
    e: float,
    r: float,
    plus: float,
    cable: float,
    relay: float,
    ground: float,
    motor: float,
    back: float,
) -> None:
    """Current, volts at the posts and every drop of the shipped starter model; they add up.

    Nodes: 0 minus post, 1 plus post, 2 clamp, 3 relay in, 4 motor stud, 5 motor body.
    """
    branches: list[Branch] = [
        (0, 1, e, r),
        (1, 2, 0, plus),
        (2, 3, 0, cable),
        (3, 4, 0, relay),
        (5, 4, back, motor),
        (5, 0, 0, ground),
    ]
    v = nodal(6, branches).real
    pc = formula("starter", "r_pc", r_plus=plus, r_cable=cable)
    feed = formula("starter", "r_feed", r_pc=pc, r_relay=relay)
    loop = formula("starter", "r_loop", r_feed=feed, r_ground=ground)
    whole = formula("starter", "r_all", r_loop=loop, r=r, m=motor)
    net = formula("starter", "net", e=e, v=back, d=1.0, s=1.0)
    amps = formula("starter", "amps", net=net, r_all=whole)
    lost = formula("starter", "loop_drop", amps=amps, r_loop=loop, across=14.0)
    posts = formula("starter", "v_bat", e=e, amps=amps, r=r)
    still = {"hold": 1.0, "stray": 0.0, "across": 12.4}
    if back >= e:
        assert amps == 0
        return
    assert amps == pytest.approx((v[1] - v[2]) / plus, rel=1e-6)
    assert posts == pytest.approx(v[1], abs=1e-8)
    drops = {
        "drop-post": (signal("starter", "drop-post", amps=amps, r_plus=plus, **still), v[1] - v[2]),
        "drop-cable": (
            signal("starter", "drop-cable", amps=amps, r_cable=cable, **still),
            v[2] - v[3],
        ),
        "drop-sol": (signal("starter", "drop-sol", amps=amps, r_relay=relay, **still), v[3] - v[4]),
        "drop-pos": (signal("starter", "drop-pos", amps=amps, r_feed=feed, **still), v[1] - v[4]),
        "drop-gnd": (
            signal("starter", "drop-gnd", amps=amps, r_ground=ground, **still),
            v[5] - v[0],
        ),
        "vstart": (signal("starter", "vstart", v_bat=posts, loop_drop=lost, hold=0.0), v[4] - v[5]),
    }
    for name, (ours, theirs) in drops.items():
        assert ours == pytest.approx(theirs, abs=1e-7), name
    total = drops["drop-pos"][0] + drops["vstart"][0] + drops["drop-gnd"][0]
    assert total == pytest.approx(posts, abs=1e-7), "drops add up to the battery's volts"


def test_without_current_nothing_drops() -> None:
    """Relay contacts open: the whole battery stands across them, and nothing anywhere else."""
    branches: list[Branch] = [
        (0, 1, 12.6, 0.02),
        (1, 2, 0, 0.3),
        (2, 3, 0, OPEN),
        (3, 4, 0, 0.05),
        (4, 0, 0, 0.3),
    ]
    v = nodal(5, branches).real
    assert v[1] - v[2] == pytest.approx(0, abs=1e-9)
    assert v[2] - v[3] == pytest.approx(12.6, abs=1e-6)
    still = {"hold": 1.0, "stray": 0.0, "across": 12.6, "amps": 0.0}
    assert signal("starter", "drop-gnd", r_ground=0.3, **still) == 0
    assert signal("starter", "drop-sol", r_relay=math.inf, **still) == pytest.approx(12.6)


# ---- supply of an ignition, and the control chain ---------------------------------------------


@settings(deadline=None, max_examples=60)
@given(st.floats(6, 13), st.floats(0.02, 60), st.floats(0.01, 40), st.floats(4, 7))
def test_supply_of_the_module_by_nodal_analysis(
    volts: float, feed: float, ground: float, load: float
) -> None:
    """Feed, module and ground in a row: the share that the battery-fed module gets."""
    v = nodal(3, [(0, 1, volts, feed), (1, 2, 0, load), (2, 0, 0, ground)]).real
    share = formula("dc-cdi", "supply_share", feed_ohm=feed, gnd_ohm=ground, load=load)
    got = formula("dc-cdi", "module_volts", engine_volts=volts, supply_share=share)
    assert got == pytest.approx(v[1] - v[2], abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(st.floats(6, 13), st.floats(0.15, 50))
def test_volts_at_the_relay_coil_by_nodal_analysis(volts: float, chain: float) -> None:
    """Control chain and coil of 4.2 ohm in a row."""
    v = nodal(2, [(0, 1, volts, chain), (1, 0, 0, 4.2)]).real
    assert formula("starter", "coil_volt", e=volts, control_ohm=chain, ohm=4.2) == pytest.approx(
        v[1]
    )


@settings(deadline=None, max_examples=40)
@given(st.floats(0.007, 6), st.floats(13.5, 15), st.floats(0, 1))
def test_volts_that_the_regulator_holds(path: float, held: float, lost: float) -> None:
    """Regulator, charge path and battery (volts behind a resistance) in one loop."""
    v = nodal(3, [(0, 1, held + lost, 1e-9), (1, 2, 0, path), (0, 2, 11.8, 0.24)]).real
    got = formula("charging", "v_top", base=11.8, set=held, sense_err=lost, r_path=path, inner=0.24)
    assert got == pytest.approx(v[2], abs=1e-6)
