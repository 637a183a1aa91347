"""Grids of a quantity: nodes, and how a spread of values is shared out among them.

A state of a quantity is a node: one value at which everything downstream is worked out. The
table of a quantity holds, for each combination of parent nodes, the weights with which
functions of the quantity are interpolated between its nodes: P(node) = E[basis(value)]. So a
posterior is as good as the interpolation of likelihoods. Weights are those of a cubic where
that leaves none negative, else nearer to those of a straight line (flux-corrected transport,
Boris and Book, J. Comput. Phys. 11 (1973) 38; Zalesak, J. Comput. Phys. 31 (1979) 335): mass
and mean are kept always, the spread where a row is smooth over a node or more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.distributions import Distribution, parse_distribution
from benchodds.basics.tables import Array
from benchodds.model.system import Grid

FAR = 1e3
"""Distance, in logarithms, at which an atom below the lowest cell is put."""

SMOOTH = 20
"""Number of points from which evenly spaced ones are better than Gauss-Hermite points."""


@dataclass(frozen=True, eq=False)
class Nodes:
    """Nodes in rising order, an infinite one last.

    ``place`` are the finite nodes on the scale on which functions are taken to be smooth
    (logarithm or value); ``first`` and ``last`` bound the regular ones (``last`` included);
    ``exact`` marks atoms.
    """

    values: Array
    place: Array
    is_log: bool
    first: int
    last: int
    exact: NDArray[np.bool_]

    @property
    def regular(self) -> Array:
        """The nodes at the edges of the grid's cells."""
        return self.values[self.first : self.last + 1]

    @property
    def is_open(self) -> bool:
        """Whether the last node is infinite."""
        return bool(np.isinf(self.values[-1]))


def number(text: str, unit: str) -> float:
    """A single number in the unit, or infinity for 'open'."""
    return parse_distribution(text, unit).args[0]


def make_nodes(grid: Grid, unit: str, refine: int = 1) -> Nodes:
    """Nodes at the edges of the cells of a grid (each cut in ``refine``), and at its atoms."""
    low, high = number(grid.low, unit), number(grid.high, unit)
    is_log = grid.spacing == "log"
    spaced = np.geomspace if is_log else np.linspace
    pieces = [(low, high, grid.cells * refine)]
    if grid.knee:
        knee = number(grid.knee, unit)
        pieces = [(low, knee, grid.below * refine), (knee, high, grid.cells * refine)]
    regular = np.concatenate([spaced(a, b, n + 1)[(i > 0) :] for i, (a, b, n) in enumerate(pieces)])
    atoms = np.array([number(a, unit) for a in grid.atoms])
    apart = [a for a in atoms if not np.isclose(a, regular, rtol=1e-9, atol=0).any()]
    finite = np.array(sorted([*regular, *(a for a in apart if math.isfinite(a))]))
    first = int(np.searchsorted(finite, regular[0]))
    last = int(np.searchsorted(finite, regular[-1]))
    place = finite.copy()
    if is_log:  # below the lowest regular node, values are shared out in proportion
        place[first:] = np.log(finite[first:])
        place[:first] = place[first] - FAR
    values = np.append(finite, math.inf) if np.isinf(atoms).any() else finite
    exact = np.isclose(values[:, None], atoms, rtol=1e-9, atol=0).any(axis=1)
    return Nodes(values, place, is_log, first, last, exact)


def reach(nodes: Nodes, n: int) -> Array:
    """Values of equal weight that stand for the reach of each node, shape (n_nodes, 2 n + 1).

    It goes half-way to the neighbours; the middle column is the node itself. Atoms have none.
    """
    out = np.repeat(nodes.values[:, None], 2 * n + 1, axis=1)
    at = np.log(nodes.regular) if nodes.is_log else nodes.regular
    half = np.diff(at) / 2
    below, above = np.append(0.0, half), np.append(half, 0.0)
    share = 2 * np.arange(-n, n + 1) / (2 * n + 1)
    points = at[:, None] + np.where(share < 0, below[:, None], above[:, None]) * share
    out[nodes.first : nodes.last + 1] = np.exp(points) if nodes.is_log else points
    out[nodes.exact] = nodes.values[nodes.exact, None]
    out[:, n] = nodes.values
    return out


def rule(law: Distribution, n: int) -> tuple[Array, Array]:
    """Points and weights of a law, close enough for cubic interpolation between nodes.

    Evenly spaced points under a normal density sum smooth functions to far below 1e-6
    (trapezoidal rule; Trefethen and Weideman, SIAM Review 56 (2014) 385).
    """
    if law.kind == "mix":
        parts = [(w, *rule(d, n)) for w, d in law.parts]
        return (
            np.concatenate([x for _, x, _ in parts]),
            np.concatenate([w * p for w, _, p in parts]),
        )
    if law.kind not in ("LN", "N", "band"):
        return law.points(n)
    if n < SMOOTH:
        return law.gauss(n)
    z = np.linspace(-4.8, 4.8, n)
    w = np.exp(-z * z / 2)
    a = law.args
    w = w / w.sum()
    if law.kind == "LN":
        return np.asarray(a[0] * np.exp(a[1] * z)), w
    mean, sd = ((a[0] + a[1]) / 2, (a[1] - a[0]) / 4) if law.kind == "band" else a
    return np.asarray(mean + sd * z), w


def share_out(values: Array, weight: Array, nodes: Nodes) -> Array:
    """Weights of the nodes for rows of weighted values, each row summing to 1.

    Parameters
    ----------
    values, weight : (n_rows, n_values) float arrays

    Returns
    -------
    (n_rows, n_nodes) float array, not negative
    """
    rows, n, m = len(values), len(nodes.values), len(nodes.place)
    total = weight.sum(axis=1, keepdims=True)
    is_open, closed = np.isinf(values), weight
    if nodes.is_open:
        closed, values = np.where(is_open, 0.0, weight), np.where(is_open, 0.0, values)
    x = np.clip(values, nodes.values[0], nodes.values[m - 1])
    j = np.clip(np.searchsorted(nodes.values[:m], x, side="right") - 1, 0, m - 2)
    part = (x - nodes.values[j]) / np.diff(nodes.values[:m])[j]
    if nodes.is_log:
        within = (j >= nodes.first) & (j < nodes.last)
        at = np.log(np.maximum(x, 1e-300))
        part = np.where(within, (at - nodes.place[j]) / np.diff(nodes.place)[j], part)
    part[part < 1e-9] = 0.0
    part[part > 1 - 1e-9] = 1.0
    index = (np.arange(rows)[:, None] * n + j).ravel()

    def gathered(below: Array, above: Array) -> Array:
        out = np.bincount(index, (closed * below).ravel(), rows * n)
        out += np.bincount(index + 1, (closed * above).ravel(), rows * n)
        return np.asarray(out.reshape(rows, n), dtype=float)

    line = gathered(1 - part, part)
    if nodes.is_open:
        line[:, -1] += np.where(is_open, weight, 0.0).sum(axis=1)
    if nodes.last - nodes.first < 2:
        return np.asarray(line / total)
    return np.asarray(_sharpened(line, gathered(*_pulls(j, part, nodes)), nodes) / total)


def _pulls(j: NDArray[np.intp], part: Array, nodes: Nodes) -> tuple[Array, Array]:
    """How much a cubic draws from the neighbours to the nodes below and above each value.

    A cubic through four nodes (a quadratic at the ends) is the straight line less second
    differences about the two inner nodes. What does not depend on the value is worked out once
    for each interval.
    """
    place, first, last = nodes.place, nodes.first, nodes.last
    alpha, beta = _parts(nodes)
    i = np.arange(len(place) - 1)
    h = np.diff(place)
    has_low, has_high = (i > first) & (i < last), (i >= first) & (i + 1 < last)
    h0 = np.where(has_low, np.roll(h, 1), 1.0)
    h3 = np.where(has_high, np.roll(h, -1), 1.0)
    wide = h0 + h + h3
    low = np.where(has_low, h**2 / (h0 * (h0 + h) * np.where(has_low, alpha[i], 1.0)), 0.0)
    high = np.where(has_high, h**2 / (h3 * (h + h3) * np.where(has_high, beta[i + 1], 1.0)), 0.0)
    far_low, per_low = np.where(has_high, h3 / wide, 1.0), np.where(has_high, h / wide, 0.0)
    far_high, per_high = np.where(has_low, h0 / wide, 1.0), np.where(has_low, h / wide, 0.0)
    rest = 1 - part
    both = part * rest
    below = both * ((low * far_low)[j] + (low * per_low)[j] * rest)
    above = both * ((high * far_high)[j] + (high * per_high)[j] * part)
    return below, above


def _parts(nodes: Nodes) -> tuple[Array, Array]:
    """Parts of a pull that come from the node below and from the node above."""
    n, first, last = len(nodes.values), nodes.first, nodes.last
    gap = np.diff(nodes.place[first : last + 1])
    alpha, beta = np.zeros(n), np.zeros(n)
    alpha[first + 1 : last] = gap[1:] / (gap[:-1] + gap[1:])
    beta[first + 1 : last] = gap[:-1] / (gap[:-1] + gap[1:])
    return alpha, beta


def _sharpened(line: Array, pull: Array, nodes: Nodes) -> Array:
    """Straight-line weights after the pulls, each cut down until no neighbour is overdrawn."""
    alpha, beta = _parts(nodes)
    loss = np.zeros(line.shape)
    loss[:, :-1] += pull[:, 1:] * alpha[1:]
    loss[:, 1:] += pull[:, :-1] * beta[:-1]
    keep = np.where(loss > 0, np.minimum(1.0, line / np.maximum(loss, 1e-300)), 1.0)
    least = np.ones(line.shape)
    least[:, 1:] = keep[:, :-1]
    least[:, :-1] = np.minimum(least[:, :-1], keep[:, 1:])
    pull = pull * least
    out = line + pull
    out[:, :-1] -= pull[:, 1:] * alpha[1:]
    out[:, 1:] -= pull[:, :-1] * beta[:-1]
    return np.maximum(out, 0.0)
