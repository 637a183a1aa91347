"""What a reading says about the true quantity behind its limit (JCGM 106:2012).

The limit of a test is about a measurand, an expression of true quantities. Its conformance
probability is the posterior mass of the quantity grids within the limit; consumer's and
producer's risk come from the joint of true quantity and reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchodds.basics.formula import parse_expression
from benchodds.basics.tables import Array, Network
from benchodds.infer.assess import Assessment, Machine, Taken
from benchodds.infer.machine import FoldedNetwork
from benchodds.measure.instrument import OUTCOME
from benchodds.reasons.conformance import Risks, Side, conforming, from_decibans, global_risks
from benchodds.reasons.evidence import joint, only, without
from benchodds.reasons.sweep import Sweep

LEVEL = 0.95
"""Conformance probability of guarded acceptance and rejection: the 95 % of JCGM 106, 8.3.2."""
FAINT_DB = 1.0
"""Evidence a person just notices (Good 1950, after Turing): a smaller weight counts as none."""
RARE = 0.02
"""Chance under which a fault is not said to slip past a test."""


@dataclass(frozen=True, eq=False)
class Measurand:
    """The true quantity of a limit: the variables in it, and where the limit is met.

    ``meets`` has one axis per variable: the share of each combination of states that meets the
    limit, 0 to 1 (a cell cut by the limit counts by its points).
    """

    expression: str
    names: tuple[str, ...]
    meets: Array
    limits: Mapping[Side, float]


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
    ends: dict[Side, float | None] = {"lower": tool.limit_min, "upper": tool.limit_max}
    limits = {side: end for side, end in ends.items() if end is not None}
    return Measurand(limit.measurand, names, meets.mean(axis=tuple(range(n, 2 * n))), limits)


def p_conforming(network: Network, about: Measurand) -> float:
    """Conformance probability: posterior mass of the quantities that meet the limit (7.2.2)."""
    return float((joint(network, about.names) * about.meets).sum())


@dataclass(frozen=True, eq=False)
class Curve:
    """P(outcome, limit met) and P(outcome, limit not met) of a sweep, (n_outcomes,) each."""

    good: Array
    bad: Array
    limits: Mapping[Side, float]

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
    return Curve(good, np.maximum(p.sum(axis=axes) - good, 0.0), about.limits)


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

    Acceptance: the reading nearest to the tolerance limit, searched from inside the tolerance,
    at which the conformance probability falls to ``level``. Rejection: searched from the limit
    outwards, where the probability of not conforming reaches it. Read off between the bins of
    the sweep, in log odds.
    """
    limit = c.limits[side]
    p = c.conformance[1 : swept.n_numbers - 1]  # the open ends stand for too much
    p = 1.0 - p if reject else p
    x = np.log(swept.centres[1 : swept.n_numbers - 1])
    inward = 1 if (side == "lower") != reject else -1
    inside = [i for i in range(len(x)) if inward * (x[i] - np.log(limit)) > 0][::inward]
    start = next((i for i in inside if p[i] >= level), None)
    if start is None:
        return Guard("no")
    i = start
    while 0 <= i - inward < len(x):
        if not p[i - inward] >= level:
            high, low, here = (_logit(v) for v in (p[i], p[i - inward], level))
            t = (here - low) / (high - low)
            return Guard("at", float(np.exp(x[i - inward] + t * (x[i] - x[i - inward]))))
        i -= inward
    return Guard("every")


def _logit(p: float) -> float:
    p = min(max(p, 1e-6), 1 - 1e-6)
    return float(np.log(p / (1 - p)))


@dataclass(frozen=True)
class Conformance:
    """Probability that the true quantity meets its limit, and what accepting it risks.

    ``prior`` before any reading, ``alone`` after this reading only, ``others`` after all the
    others, ``job`` after all. ``accept`` and ``reject`` are guarded limits on this reading,
    given the others, at conformance probability ``level``; ``risks`` are those of a bare
    comparison over machines with this complaint, read with this gear.
    """

    measurand: str
    prior: float
    alone: float
    others: float
    job: float
    level: float
    accept: Mapping[Side, Guard]
    reject: Mapping[Side, Guard]
    guard_band: Mapping[Side, float | None]
    risks: Risks

    @property
    def consumers_risk(self) -> float:
        """Specific consumer's risk: of accepting this part now (JCGM 106, 9.3.2)."""
        return 1.0 - self.job

    @property
    def producers_risk(self) -> float:
        """Specific producer's risk: of rejecting this part now (JCGM 106, 9.3.3)."""
        return self.job


def conformance(
    network: Network, reading: str, about: Measurand, before: Curve, swept: Sweep, level: float
) -> Conformance:
    """Conformance of the quantity behind a reading; ``before`` is the curve of the prior."""
    given = curve(without(network, [reading]), about, swept)
    accept = {side: guarded(given, swept, side, level) for side in about.limits}
    reject = {side: guarded(given, swept, side, level, reject=True) for side in about.limits}
    band: dict[Side, float | None] = {}
    for side, limit in about.limits.items():
        at = accept[side].at
        band[side] = None if at is None else (at - limit if side == "lower" else limit - at)
    return Conformance(
        about.expression,
        float(before.good.sum()),
        p_conforming(only(network, reading), about),
        float(given.good.sum()),
        p_conforming(network, about),
        level,
        accept,
        reject,
        band,
        bare_risks(before, swept),
    )


@dataclass(frozen=True)
class OneSided:
    """The rule of peak tests: what stands between source and display can only lower it.

    ``passed`` says whether this reading cleared the minimum, ``cleared_by`` which other one
    did; ``p_sound`` is the chance that a sound machine clears it by this technique. ``unseen``
    are faults of its chain that pass as readily (within :data:`FAINT_DB`), the likeliest now
    first; ``slips_past`` faults that lower the source and may still pass, with their chance.
    """

    passed: bool
    p_sound: float
    cleared_by: str | None
    unseen: tuple[str, ...]
    slips_past: tuple[tuple[str, float], ...]


def one_sided(assessment: Assessment, taken: Taken, swept: Sweep) -> OneSided | None:
    """The one-sided rule for a peak reading with a minimum; None for any other reading."""
    machine = assessment.machine
    tool = machine.instrument(taken.reading.test)
    about = measurand(machine, taken.reading.test)
    if tool.test.kind != "peak" or tool.limit_min is None or about is None:
        return None

    def passes(t: Taken) -> bool:
        return max(tool.sign(v) for v in t.values) > 0

    same = [t for t in assessment.taken if t.reading.test == taken.reading.test and t.table]
    cleared = next((t.reading.id for t in same if t is not taken and passes(t)), None)
    network = only(assessment.network, None)
    upstream = network.ancestors(about.names)
    faults = [(c, m) for c in network.components if c in upstream for m in machine.modes[c]]
    folded = FoldedNetwork(network, ((), *((f,) for f in faults)))
    rows = folded.outcomes(swept.table)
    accepted = np.array([1.0 if o.sign > 0 else 0.0 for o in swept.outcomes])
    p = (rows / rows.sum(axis=1, keepdims=True)) @ accepted
    sound, seen = float(p[0]), dict(zip(faults, p[1:], strict=True))
    blind = sound / from_decibans(FAINT_DB)
    ranked = sorted(faults, key=lambda f: -assessment.p_mode[f])
    unseen = tuple(f"{c}.{m}" for c, m in ranked if seen[c, m] >= blind)
    past = [(f"{c}.{m}", float(seen[c, m])) for c, m in faults if RARE < seen[c, m] < blind]
    return OneSided(passes(taken), sound, cleared, unseen, tuple(sorted(past, key=lambda r: -r[1])))
