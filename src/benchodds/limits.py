"""What a reading says about the true quantity behind its limit (JCGM 106:2012).

The limit of a test is about a measurand, an expression of true quantities. Its conformance
probability is the posterior mass of the quantity grids within the limit; consumer's and
producer's risk come from the joint of true quantity and reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchodds.assess import Machine
from benchodds.conformance import Risks, Side, conforming, global_risks
from benchodds.evidence import joint
from benchodds.formula import parse_expression
from benchodds.instrument import OUTCOME
from benchodds.sweep import Sweep
from benchodds.tables import Array, Network

LEVEL = 0.95
"""Conformance probability of guarded acceptance and rejection: the 95 % of JCGM 106, 8.3.2."""


@dataclass(frozen=True, eq=False)
class Measurand:
    """The true quantity of a limit: the variables in it, and where the limit is met.

    ``meets`` has one axis per variable: the share of each combination of states that meets the
    limit, 0 to 1 (a cell cut by the limit counts by its points).
    """

    expression: str
    names: tuple[str, ...]
    meets: Array


def measurand(machine: Machine, test: str) -> Measurand | None:
    """The measurand of a test's limit; None where the limit is about the display alone."""
    tool = machine.instrument(test)
    limit = tool.test.limit
    if limit is None or not limit.measurand:
        return None
    expression = parse_expression(limit.measurand)
    names = tuple(n for n in expression.names if n in machine.variables)
    values, n = {}, len(names)
    for i, name in enumerate(names):
        points = machine.variables[name].points
        assert points is not None
        shape = [1] * (2 * n)
        shape[i], shape[n + i] = points.shape
        values[name] = points.reshape(shape)
    meets = conforming(expression(values), tool.limit_min, tool.limit_max)
    return Measurand(limit.measurand, names, meets.mean(axis=tuple(range(n, 2 * n))))


def p_conforming(network: Network, about: Measurand) -> float:
    """Conformance probability: posterior mass of the quantities that meet the limit (7.2.2)."""
    return float((joint(network, about.names) * about.meets).sum())


@dataclass(frozen=True, eq=False)
class Curve:
    """P(outcome, limit met) and P(outcome, limit not met) of a sweep, (n_outcomes,) each."""

    good: Array
    bad: Array

    @property
    def conformance(self) -> Array:
        """Conformance probability after each outcome; not a number where it cannot come."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(self.good / (self.good + self.bad))


def curve(network: Network, about: Measurand, swept: Sweep) -> Curve:
    """Joint of the limit being met and every outcome, given a network's evidence."""
    p = joint(network, (*about.names, OUTCOME), [swept.table])
    axes = tuple(range(len(about.names)))
    good = (p * about.meets[..., None]).sum(axis=axes)
    return Curve(good, p.sum(axis=axes) - good)


def bare_risks(curve_before: Curve, swept: Sweep) -> Risks:
    """Risks of a bare comparison with the limit, over machines such as this one (9.5)."""
    accepted = np.array([1.0 if o.sign > 0 else 0.0 for o in swept.outcomes])
    return global_risks(curve_before.good, curve_before.bad, accepted)


@dataclass(frozen=True)
class Guard:
    """A guarded limit on the reading: ``at`` a number, or for ``every`` or for ``no`` reading."""

    kind: Literal["at", "every", "no"]
    at: float | None = None


def guarded(c: Curve, swept: Sweep, side: Side, level: float, reject: bool = False) -> Guard:
    """How far acceptance (or rejection) is right with probability ``level`` (JCGM 106, 8.3).

    Acceptance runs from the reading that speaks most for the part down to the limit found
    here (up to it, for an upper limit); rejection runs from it to the end of the span. Read
    off between the bins of the sweep.
    """
    n = swept.n_numbers
    p = c.conformance[:n]
    p = 1.0 - p if reject else p
    x = np.log(swept.centres)
    down = side == "lower"
    start = int(np.argmax(p)) if not reject else (0 if down else n - 1)
    step = -1 if down != reject else 1
    if not p[start] >= level:
        return Guard("no")
    i = start
    while 0 <= i + step < n:
        if not p[i + step] >= level:
            t = (level - p[i + step]) / (p[i] - p[i + step])
            return Guard("at", float(np.exp(x[i + step] + t * (x[i] - x[i + step]))))
        i += step
    return Guard("every")
