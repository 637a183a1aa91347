"""What a reading could have shown instead: its outcomes in bins, taken by the same technique.

A sweep is the predictive table of the reading's own test and technique, on bins that are fine
around the limit and the reading. From it come the readings of good and faulty units, the risks
of a bare comparison, and the reading that would turn the verdict.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchodds.basics.quantities import Value
from benchodds.basics.tables import Array, Table, slim
from benchodds.infer.assess import Machine, Taken
from benchodds.measure.instrument import BEEPS, Instrument, Outcome
from benchodds.model.jobs import Technique

FINE = 14
"""Bins between half the lowest and twice the highest of limits and reading."""
COARSE = 5
"""Bins over the rest of the span on either side."""


@dataclass(frozen=True, eq=False)
class Sweep:
    """Outcomes of a reading and P(outcome | table scope).

    ``edges`` (n + 1,) bound the numbered bins, in the test's unit; outcome 0 is below them,
    outcome n + 1 above; named outcomes (OL, unstable, words) come after. Empty when the test
    shows no numbers.
    """

    outcomes: tuple[Outcome, ...]
    edges: Array
    table: Table
    mine: int
    """Index of the outcome that was read."""

    @property
    def n_numbers(self) -> int:
        """How many outcomes are numbers."""
        return len(self.edges) + 1 if len(self.edges) else 0

    @property
    def centres(self) -> Array:
        """A number that stands for each numbered outcome, (n_numbers,), rising."""
        if not len(self.edges):
            return np.zeros(0)
        inner = np.sqrt(self.edges[:-1] * self.edges[1:])
        return np.concatenate([[self.edges[0] / 2], inner, [self.edges[-1] * 1.1]])


def shown_number(values: Sequence[Value]) -> float | None:
    """The number a reading stands for: the best of several kicks; None without a number."""
    numbers = [v.number for v in values if v.number is not None]
    numbers += [v.high for v in values if v.kind == "unstable" and v.high is not None]
    return max(numbers, default=None)


def sweep(machine: Machine, taken: Taken, shared: bool = False) -> Sweep:
    """Every outcome the reading could have had.

    Parameters
    ----------
    shared
        Whether the placing of the probes is shared with another reading; its hook-up then
        stays a variable of the table.
    """
    tool = machine.instrument(taken.reading.test)
    technique = taken.technique
    numbers = sum(v.kind == "number" for v in taken.values)
    if tool.test.kind == "peak" and numbers > 1:
        technique = replace(technique, kicks=numbers)
    number = shown_number(taken.values)
    edges = np.zeros(0)
    if tool.test.kind in ("peak", "meter"):
        marks = [m for m in (tool.limit_min, tool.limit_max, number) if m]
        edges = _edges(tool.span, marks)
        if tool.test.kind == "meter":
            edges = np.union1d(edges, _around(tool, technique, edges))
    hookup = taken.hookup if shared and tool.test.kind == "peak" else None
    outcomes, table = tool.predictive(technique, edges if len(edges) else None, hookup)
    return Sweep(outcomes, edges, slim(table, keep=1), _mine(outcomes, edges, taken, number))


def _edges(span: tuple[float, float], marks: Sequence[float]) -> Array:
    """Bin edges over the span, log spaced: fine around the marks, which lie on edges."""
    low, high = span
    inside = sorted({m for m in marks if low < m < high})
    if not inside:
        return np.geomspace(low, high, FINE + 2 * COARSE + 1)
    near = [max(low, inside[0] / 2), *inside, min(high, inside[-1] * 2)]
    width = math.log(near[-1] / near[0]) / FINE
    edges: list[float] = [low]
    if near[0] > low:
        edges += list(np.geomspace(low, near[0], COARSE + 1)[1:])
    for a, b in itertools.pairwise(near):
        if b > a:
            n = max(1, round(math.log(b / a) / width))
            edges += list(np.geomspace(a, b, n + 1)[1:])
    if near[-1] < high:
        edges += list(np.geomspace(near[-1], high, COARSE + 1)[1:])
    return np.array(edges)


def _around(tool: Instrument, technique: Technique, edges: Array) -> Array:
    """Further edges a few standard uncertainties to either side of each limit."""
    out: list[float] = []
    for limit in (tool.limit_min, tool.limit_max):
        if limit is not None:
            u, _ = tool.display_uncertainty(Value("number", "", number=limit), technique)
            out += [limit + k * u for k in (-4, -2, -1, 1, 2, 4)]
    return np.array([x for x in out if edges[0] < x < edges[-1]])


def _mine(outcomes: Sequence[Outcome], edges: Array, taken: Taken, number: float | None) -> int:
    """Index of the outcome that the written values fall in."""
    value = taken.values[0]
    names = [o.label for o in outcomes]
    if value.kind in ("word", "sparks"):
        if value.word in BEEPS:  # a beep is a low number, none is as good as OL
            return 0 if value.word == BEEPS[0] else names.index("OL")
        return names.index(value.word or names[0])
    if number is not None:
        return int(np.searchsorted(edges, number, side="right"))
    return names.index("OL" if value.kind == "over-range" else "unstable")
