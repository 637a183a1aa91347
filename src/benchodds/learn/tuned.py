"""A fitted problem as new prior sets: shares, intervals, how sure, and what moved.

Shares are posterior means; intervals are equal-tailed, from draws (:mod:`benchodds.learn.gibbs`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from benchodds.basics.tables import Array
from benchodds.learn.dirichlet import marginals
from benchodds.learn.gibbs import draw
from benchodds.learn.pooling import Fit, Problem, composed
from benchodds.learn.tuning import Counted, Knowledge
from benchodds.model.priors import Context, PriorSet, Row, Together, Tuned, multiplier

PER = 100.0
"""Shares are written per hundred machines with one fault."""

SMALL = 0.1
"""A share or multiplier that moves by less than this part of itself has not moved."""

TRIFLE = 0.2
"""Nor has a share that moves by less than this, in machines per hundred."""

Name = tuple[str, ...]


@dataclass(frozen=True)
class Move:
    """One share, per hundred, before and after, with its interval and the jobs behind it."""

    system: str
    complaint: str
    fault: str
    before: float
    after: float
    low: float
    high: float
    jobs: float

    @property
    def sure(self) -> bool:
        """Whether the interval leaves the old share out, and the move is not a trifle."""
        if not self.low <= self.after <= self.high:  # too skewed to say anything
            return False
        outside = not self.low <= self.before <= self.high
        return outside and abs(self.after - self.before) > max(SMALL * self.before, TRIFLE)


@dataclass(frozen=True)
class Origin:
    """Where the jobs of a tuned set come from."""

    sources: tuple[str, ...]
    jobs: Mapping[str, int]
    first: str
    until: str
    half_life_days: float | None = None
    shop: str = ""


@dataclass(frozen=True)
class Draws:
    """Posterior draws of everything a prior set says, first axis the draws.

    ``shares`` by (system, complaint) or (system, complaint, variant); ``within`` by (system,
    context): shares where the context is told, and ``without``: the same complaints without it;
    ``strengths`` of the pooling levels.
    """

    shares: Mapping[Name, Array]
    within: Mapping[Name, Array]
    without: Mapping[Name, Array]
    strengths: Mapping[str, Array]


@dataclass(frozen=True)
class Saying:
    """Which shares and multipliers a prior set states, and how to read them off a draw."""

    problem: Problem
    shop: str = ""

    @property
    def names(self) -> list[Name]:
        """(system, complaint) of every base row, then (system, complaint, variant)."""
        rows: list[Name] = list(self.problem.base_names)
        variants = self._groups("variant")
        return rows + [(s, c, v) for s, v in variants for t, c in self.problem.base_names if t == s]

    @property
    def contexts(self) -> list[Name]:
        """(system, context)."""
        return list(self._groups("context"))

    def _groups(self, level: str) -> tuple[Name, ...]:
        found = [lv.groups for lv in self.problem.levels if lv.name == level]
        return found[0] if found else ()

    def __call__(self, base: Array, multipliers: Mapping[str, Array]) -> Array:
        """Rows of all names, then of all contexts with and without, flat."""
        rows = [self._row(base, multipliers, name) for name in self.names]
        for context in self.contexts:
            shares = self._complaints[context]
            for groups in ([("context", context)], []):
                each = [w * self._row(base, multipliers, n, groups) for n, w in shares.items()]
                rows.append(np.sum(each, axis=0))
        return np.concatenate(rows)

    def _row(
        self,
        base: Array,
        multipliers: Mapping[str, Array],
        name: Name,
        groups: Sequence[tuple[str, Name]] = (),
    ) -> Array:
        more = [*groups, *([("variant", (name[0], name[2]))] if name[2:] else [])]
        more += [("shop", (self.shop,))] if self.shop else []
        at = self.problem.base_names.index((name[0], name[1]))
        return composed(self.problem, base, multipliers, at, more)

    @cached_property
    def _complaints(self) -> dict[Name, dict[Name, float]]:
        """Shares of the complaints among the jobs in which a context is told."""
        out: dict[Name, dict[Name, float]] = {}
        for level in self.problem.levels:
            if level.name == "context":
                for g, group in enumerate(level.groups):
                    row = level.member[g]
                    jobs = np.zeros(len(self.problem.base_names))
                    np.add.at(
                        jobs, self.problem.base_of[row.indices], self.problem.jobs[row.indices]
                    )
                    out[group] = {
                        self.problem.base_names[i]: float(jobs[i] / jobs.sum())
                        for i in np.flatnonzero(jobs)
                    }
        return out

    def split(self, drawn: Array, strengths: Mapping[str, Array]) -> Draws:
        """Flat draws by name."""
        blocks = drawn.reshape(len(drawn), -1, len(self.problem.faults))
        n = len(self.names)
        return Draws(
            {name: blocks[:, i] for i, name in enumerate(self.names)},
            {name: blocks[:, n + 2 * i] for i, name in enumerate(self.contexts)},
            {name: blocks[:, n + 2 * i + 1] for i, name in enumerate(self.contexts)},
            strengths,
        )


def sample(
    problem: Problem, fitted: Fit, rng: np.random.Generator, draws: int, shop: str = ""
) -> Draws:
    """Draw what a prior set says; ``shop`` names whose set it is, '' for any shop's."""
    saying = Saying(problem, shop)
    return saying.split(*draw(problem, fitted, saying, rng, draws))


def at_fit(problem: Problem, fitted: Fit, shop: str = "") -> Draws:
    """The fitted point as the only draw: quick, for trying sets on later jobs."""
    saying = Saying(problem, shop)
    strengths = {k: np.array([v]) for k, v in fitted.strengths.items()}
    return saying.split(saying(fitted.base, fitted.multipliers)[None], strengths)


def build(
    system: str,
    counted: Counted,
    fitted: Fit,
    drawn: Draws,
    knowledge: Knowledge,
    origin: Origin,
    name: str,
    score: Mapping[str, float] | None = None,
) -> tuple[PriorSet, tuple[Move, ...]]:
    """The new prior set of a system, and every share that it changes, most moved first."""
    before = knowledge.priors[system]
    problem, level = counted.problem, knowledge.learning.check.level
    column = {f: i for i, f in enumerate(problem.faults)}
    expected = _jobs_by_fault(system, problem, fitted)
    complaints = [c for s, c in problem.base_names if s == system]
    variants = sorted({n[2] for n in drawn.shares if len(n) == 3 and n[0] == system})
    mean = {n: d.mean(axis=0) * PER for n, d in drawn.shares.items() if n[0] == system}
    bounds = {n: _interval(d * PER, level) for n, d in drawn.shares.items() if n[0] == system}
    rows, moves = [], []
    for row in before.rows:
        i = column[row.fault]
        share = {c: _round(mean[system, c][i]) for c in complaints}
        interval = {c: _pair(bounds[system, c], i) for c in complaints}
        jobs = {c: round(float(expected[c][i]), 2) for c in complaints}
        for c in complaints:
            total = sum(r.share.get(c, 0.0) for r in before.rows)
            was = row.share.get(c, 0.0) / total * PER
            moves.append(Move(system, c, row.fault, was, share[c], *interval[c], jobs[c]))
        rows.append(
            Row(
                fault=row.fault,
                share=share,
                variants={
                    v: {c: _round(mean[system, c, v][i]) for c in complaints} for v in variants
                },
                interval=interval,
                jobs=jobs,
                provenance=f"past jobs until {origin.until}; before them: {_first(row.provenance)}",
            )
        )
    n = origin.jobs.get(system, 0)
    moves.sort(key=lambda m: (-abs(m.after - m.before), m.fault))
    told = tuple(
        f"{m.complaint} {m.fault} {m.before:.3g} -> {m.after:.3g} ({m.low:.3g} to {m.high:.3g})"
        for m in moves
        if m.sure
    )
    pooling = {k: _round(float(np.exp(np.log(v).mean()))) for k, v in drawn.strengths.items()}
    new = PriorSet(
        schema=1,
        id=name,
        version=origin.until,
        system=system,
        notice=f"Learned from {n:,} closed jobs until {origin.until}, starting from {before.id}.",
        strength=before.strength,
        strengths={
            c: _strength(drawn.shares[system, c])
            or before.strengths.get(c, before.strength) + float(expected[c].sum())
            for c in complaints
        },
        tuned=Tuned(
            base=before.id,
            base_version=before.version,
            sources=origin.sources,
            jobs=n,
            first=origin.first,
            until=origin.until,
            shop=origin.shop,
            half_life_days=origin.half_life_days,
            level=level,
            pooling=pooling,
            score=dict(score or {}),
            moved=told,
            notes=_notes(system, counted),
        ),
        together=_together(system, counted, knowledge, origin),
        rows=tuple(rows),
        contexts=_contexts(before, drawn, column, level, origin),
        links=before.links,
    )
    return new, tuple(moves)


def _jobs_by_fault(system: str, problem: Problem, fitted: Fit) -> dict[str, Array]:
    """Expected jobs by complaint and fault, closings weighed by what they are worth."""
    return {
        c: fitted.expected[problem.base_of == i].sum(axis=0)
        for i, (s, c) in enumerate(problem.base_names)
        if s == system
    }


def _interval(draws: Array, level: float) -> Array:
    tail = (1 - level) / 2
    return np.asarray(np.quantile(draws, [tail, 1 - tail], axis=0))


def _pair(bounds: Array, i: int) -> tuple[float, float]:
    return _round(float(bounds[0, i])), _round(float(bounds[1, i]))


def _round(x: float) -> float:
    return float(f"{x:.5g}")


def _first(text: str) -> str:
    """What a provenance said before earlier jobs."""
    return text.split("before them: ")[-1]


def _strength(shares: Array) -> float:
    """Strength of the Dirichlet with these means and variances: p (1 - p) / v - 1, weighed by p.

    0 when nothing varies, as in a single draw.
    """
    mean, variance = shares.mean(axis=0), shares.var(axis=0)
    some = variance > 0
    if not some.any():
        return 0.0
    each = mean[some] * (1 - mean[some]) / variance[some] - 1
    return _round(float(np.average(each, weights=mean[some])))


def _together(system: str, counted: Counted, knowledge: Knowledge, origin: Origin) -> Together:
    before = knowledge.priors[system].together
    several, faulty = counted.several.get(system, (0.0, 0.0))
    strength, level = knowledge.learning.together.strength, knowledge.learning.check.level
    a = strength * before.two_or_more + several
    b = strength * (1 - before.two_or_more) + faulty - several
    found = marginals([a, b], level)
    between = f"{found.low[0]:.3g} to {found.high[0]:.3g}"
    said = (
        f"{several:.3g} of {faulty:.4g} faulty machines until {origin.until} were closed with "
        f"several faults ({level:.0%} interval {between}); before them: "
        f"{_first(before.provenance)}"
    )
    return before.model_copy(
        update={"two_or_more": _round(float(found.mean[0])), "provenance": said}
    )


def _contexts(
    before: PriorSet, drawn: Draws, column: Mapping[str, int], level: float, origin: Origin
) -> dict[str, Context]:
    """Contexts seen in the jobs get a multiplier of their own for every fault that moved.

    A multiplier is the mean share with the context over that without it, on a scale that moves
    most of the old ones least: shares are made to sum to one afterwards.
    """
    out = dict(before.contexts)
    for (system, name), within in drawn.within.items():
        if system != before.system:
            continue
        old = before.contexts.get(name) or Context(multiply={}, provenance="not in the prior set")
        where = [column[row.fault] for row in before.rows]
        was = np.array([multiplier(old, row.fault) for row in before.rows])
        without = drawn.without[system, name].mean(axis=0)[where]
        some = (without > 0) & (was > 0)
        ratio = within[:, where] / np.where(some, without, 1.0)
        mean = ratio.mean(axis=0)
        scale = _median(was[some] / mean[some], without[some])
        bounds = _interval(ratio * scale, level)
        multiply, interval = dict(old.multiply), dict(old.interval)
        for i, row in enumerate(before.rows):
            if some[i] and abs(mean[i] * scale / was[i] - 1) >= SMALL:
                multiply[row.fault] = _round(mean[i] * scale)
                interval[row.fault] = _pair(bounds, i)
        said = f"past jobs until {origin.until}; before them: {_first(old.provenance)}"
        out[name] = Context(multiply=multiply, interval=interval, provenance=said)
    return out


def _median(values: Array, weights: Array) -> float:
    order = np.argsort(values, kind="stable")
    at = int(np.searchsorted(np.cumsum(weights[order]), weights.sum() / 2))
    return float(values[order][min(at, len(values) - 1)])


def _notes(system: str, counted: Counted) -> tuple[str, ...]:
    """What closings named although the prior file gave it no share."""
    return tuple(
        f"{n} closings named {fault} for {complaint}, to which {system} gave no share"
        for (s, complaint, fault), n in sorted(counted.unlikely.items())
        if s == system
    )


def table(moves: Sequence[Move], most: int) -> list[Move]:
    """The moves to show: those that are sure first, then the largest."""
    return sorted(moves, key=lambda m: (not m.sure, -abs(m.after - m.before)))[:most]
