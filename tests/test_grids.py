"""Nodes and their weights against closed forms.

Normal laws and likelihoods have products and integrals in closed form (any textbook of
probability); what is interpolated between nodes must agree with them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchodds.basics.distributions import parse_distribution
from benchodds.basics.tables import Array, Network, Table
from benchodds.infer.inference import query
from benchodds.infer.network import physics
from benchodds.keep.files import load_bench, load_system
from benchodds.measure.grids import make_nodes, reach, rule, share_out
from benchodds.measure.measurement import instrument
from benchodds.model.jobs import Technique
from benchodds.model.system import Grid

LINE = Grid(low="0", high="20", cells=40, spacing="linear", atoms=("open",))
STEP = 0.5


def normal(x: Array, mean: float, sd: float) -> Array:
    """Normal density."""
    return np.asarray(np.exp(-(((x - mean) / sd) ** 2) / 2) / (sd * math.sqrt(2 * math.pi)))


def test_nodes_are_cell_edges_and_atoms() -> None:
    """Edges of equal ratio on either side of the knee, atoms below and open above."""
    grid = Grid(low="1 V", knee="10 V", below=2, high="1000 V", cells=2, atoms=("0 V", "open"))
    nodes = make_nodes(grid, "V")
    assert nodes.values == pytest.approx([0, 1, math.sqrt(10), 10, 100, 1000, math.inf])
    assert list(nodes.exact) == [True, *[False] * 5, True]
    assert make_nodes(grid, "V", 3).regular == pytest.approx(
        [*np.geomspace(1, 10, 7), *np.geomspace(10, 1000, 7)[1:]]
    )
    points = reach(nodes, 2)
    assert points[:, 2] == pytest.approx(nodes.values)
    assert points[3, 0] > math.sqrt(10 * math.sqrt(10)) and points[3, -1] < math.sqrt(1000)
    assert (points[0] == 0).all() and np.isinf(points[-1]).all()


@pytest.mark.parametrize("text", ["N(9.1, 0.3)", "LN(8, 0.1)", "U(3, 12)", "Exp(4)", "N(7.26, 1)"])
def test_weights_keep_mass_and_mean_and_are_not_negative(text: str) -> None:
    """Linear and cubic interpolation reproduce straight lines, so the mean is kept."""
    x, w = rule(parse_distribution(text), 400)
    x = np.clip(x, 0, 20)
    nodes = make_nodes(LINE, "")
    p = share_out(x[None], w[None], nodes)[0]
    assert p.min() >= 0 and p.sum() == pytest.approx(1.0)
    assert p[-1] == 0  # nothing is open
    assert p[:-1] @ nodes.values[:-1] == pytest.approx(w @ x / w.sum(), rel=1e-9)


def test_a_share_that_is_open_goes_to_the_open_node() -> None:
    """Finite and infinite values in one row."""
    p = share_out(np.array([[4.0, math.inf]]), np.array([[0.25, 0.75]]), make_nodes(LINE, ""))
    assert p[0, 8] == pytest.approx(0.25) and p[0, -1] == pytest.approx(0.75)


@pytest.mark.parametrize("sd", [0.6, 0.8, 1.2, 2.0])
@pytest.mark.parametrize("mean", [8.0, 8.13, 8.25])
def test_spread_of_a_smooth_law_is_kept(sd: float, mean: float) -> None:
    """Variance as written, though the nodes lie 0.4 to 0.8 of it apart: a straight line would
    add up to a quarter of the squared step."""
    x, w = rule(parse_distribution(f"N({mean}, {sd})"), 400)
    nodes = make_nodes(LINE, "")
    p = share_out(x[None], w[None], nodes)[0][:-1]
    spread = p @ (nodes.values[:-1] - mean) ** 2
    assert spread == pytest.approx(sd**2, abs=0.02 * STEP**2)


@pytest.mark.parametrize("width", [0.6, 0.8, 1.5, 3.0])
@pytest.mark.parametrize("at", [6.0, 7.1, 8.37, 9.9])
def test_evidence_of_normal_law_and_likelihood(width: float, at: float) -> None:
    """Integral of N(x; m, s) N(y; x, u) is N(y; m, sqrt(s^2 + u^2)), exactly.

    A cubic through four nodes errs between the inner two by at most the greatest fourth
    derivative over 24, times 9/16 h^4 (remainder of interpolation, any textbook of numerical
    analysis); the fourth derivative of a normal density is at most 3 / u^4 times its height.
    """
    x, w = rule(parse_distribution("N(8.1, 0.8)"), 400)
    nodes = make_nodes(LINE, "")
    p = share_out(x[None], w[None], nodes)[0][:-1]
    found = float(p @ normal(nodes.values[:-1], at, width))
    exact = float(normal(np.array(at), 8.1, math.hypot(0.8, width)))
    height = float(normal(np.zeros(1), 0.0, width)[0])
    assert abs(found - exact) <= 3 / 128 * (STEP / width) ** 4 * 3 * height


def test_identical_grids_pass_values_on_unchanged() -> None:
    """A quantity times one stays on its own node."""
    nodes = make_nodes(LINE, "")
    x = nodes.values[:-1, None]
    assert share_out(x, np.ones(x.shape), nodes)[:, :-1] == pytest.approx(np.eye(41), abs=1e-12)


@pytest.mark.parametrize("shown", ["14.2", "17.9", "22.5"])
def test_a_precise_meter_does_not_fall_between_nodes(shown: str) -> None:
    """P(display) of a good winding on the shipped grid and on one eight times as fine."""
    model, bench = load_system("mag-cdi", "early"), load_bench("bench")
    chain = {"exciter_ohm": model.quantities["exciter_ohm"]}
    model = model.model_copy(update={"quantities": chain})
    found = []
    technique = Technique(leads="nulled", unplugged=True)
    for refine in (1, 8):
        variables, tables = physics(model, bench, refine)
        tool = instrument("rexc", model.tests["rexc"], bench, variables)
        like = tool.likelihood(tool.parse([shown]), technique, "h")
        assert like is not None
        roots = {c: Table((c,), np.eye(variables[c].size)[0]) for c in model.components}
        network = Network(variables, {**tables, **roots}, {}, {"r": like})
        found.append(float(query(network, []).p))
    assert found[0] == pytest.approx(found[1], rel=0.01)
