"""Odds on many nodes, choosing on few: the two have to agree, and speeds have to be their law's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from benchodds.basics.distributions import parse_distribution
from benchodds.basics.formula import parse_expression
from benchodds.infer.assess import Assessment, assess
from benchodds.infer.machine import FoldedNetwork
from benchodds.keep.session import load_machine
from benchodds.measure.instrument import SPEED_STEP, turns
from benchodds.model.jobs import Technique
from benchodds.model.system import Grid
from made_jobs import job_of


def assessed(*readings: tuple[str, str]) -> Assessment:
    """A job on the battery-fed machine, as a command would have it."""
    machine = load_machine("dc-cdi", None, "dc-cdi")
    job = job_of(machine, [(test, [value], Technique()) for test, value in readings], "no-spark")
    return assess(machine, job)


def test_states_on_fewer_nodes_are_weighted_as_the_odds_say() -> None:
    """Against the same whole states on all nodes: nearer than the fewer nodes alone would be."""
    found = assessed(("supply-crank", "6.43"))
    assert found.coarse is not found
    assert found.coarse.machine.variables["engine_volts"].size < 60
    exact = FoldedNetwork(found.network, found.folded.states)
    p = np.exp(exact.log_weights - found.posterior.log_evidence)

    assert np.abs(found.state_p - p).max() < 0.005
    assert np.abs(found.state_p - p).sum() < 0.5 * np.abs(found.coarse.state_p - p).sum()


def test_thinned_grids_keep_their_ends() -> None:
    """Cells are joined; ends, knee and atoms stay."""
    grid = Grid(low="1 V", knee="4 V", below=9, high="12 V", cells=10, atoms=("0 V",), thin=4)
    few = grid.thinned()
    assert (few.below, few.cells, few.thin) == (3, 3, 1)
    assert (few.low, few.knee, few.high, few.atoms) == ("1 V", "4 V", "12 V", ("0 V",))


@pytest.mark.parametrize("operator", [0.7, 1.0, 1.4])
def test_turns_have_the_speeds_of_their_law(operator: float) -> None:
    """Lognormal: mean m exp(s^2/2), and the share of turns above a threshold (scipy.stats)."""
    laws = [parse_distribution("LN(220 rpm, 0.20)"), parse_distribution("LN(550 rpm, 0.08)")]
    rpm, share = turns(laws, np.array([operator]))
    assert np.diff(np.log(rpm)) == pytest.approx(np.log(rpm[1] / rpm[0]))
    for (median, s), p in zip(((220, 0.20), (550, 0.08)), share[:, 0], strict=True):
        assert p @ rpm == pytest.approx(operator * median * np.exp(s**2 / 2), rel=1e-3)
        for threshold in (180.0, 300.0, 500.0):
            above = stats.lognorm(s, scale=operator * median)
            low, high = above.sf(threshold * np.exp([SPEED_STEP, -SPEED_STEP]))
            assert low - 1e-12 <= p[rpm > threshold].sum() <= high + 1e-12


def test_what_decides_a_step_is_known() -> None:
    """Names in the test of a step or a choice, and no others."""
    assert parse_expression("min(a * b, c) * step(b - d)").jumps == {"b", "d"}
    assert parse_expression("where(e, a * f, 1) + g").jumps == {"e"}
    assert parse_expression("a + b").jumps == frozenset()
