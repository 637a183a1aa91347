"""Shares of work, learned from closed jobs: what holds, what is a dud, what comes back.

A closing that can be trusted says which fault it was. Of the repairs that are for it, done one
after another, all but the last have failed and the last has not; so each is a trial of the share
that the bench file or the model states for it: that work on an old part holds, at first or again,
or that a new part is a dud. A repair whose old part was put back was a test and is none. A machine
that was mended is a trial of coming back: it did when its job was opened again and closed with
the same fault (another fault was there all along, and says nothing of this).

Trials are counted by what their closing is worth. Before them stands a beta law with the stated
share as its mean and ``strength`` trials of weight, so that after ``s`` of ``n`` the share has the
law Beta(strength * stated + s, strength * (1 - stated) + n - s) (Gelman et al., Bayesian Data
Analysis, 3rd ed., 2.4).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from benchodds.basics.language import N_, _
from benchodds.choose.rules import cleared
from benchodds.learn.dirichlet import marginals
from benchodds.learn.learning import Learning
from benchodds.learn.tally import Alike, Tally
from benchodds.learn.written import Done
from benchodds.model.gear import Bench
from benchodds.model.laws import stated
from benchodds.model.priors import NONE, Spread
from benchodds.model.system import SystemModel

TITLES = {
    "work.holds": N_("repairs that hold"),
    "work.holds_again": N_("repairs that hold when done again"),
    "work.dud": N_("new parts that are duds"),
    "work.returns": N_("mended machines that come back"),
}

SURE = 0.5
"""Share of rightly named faults from which a grade's closings are counted."""


class Trial(NamedTuple):
    """One trial of a share: under which key it is stated (of the model, else of the bench), and
    whether it came true."""

    of_model: bool
    key: str
    true: bool


@dataclass
class Counted:
    """Trials of one share: how many, and how many came true, by what their closings are worth."""

    n: float = 0.0
    true: float = 0.0


@dataclass(frozen=True)
class Share:
    """A share after its trials: mean and equal-tailed interval of its beta law."""

    name: str
    spread: Spread
    n: float
    true: float
    low: float
    mean: float
    high: float


def trials(kind: Alike, model: SystemModel, learning: Learning) -> Iterator[Trial]:
    """The trials of one kind of job."""
    last = kind.told[-1]
    if learning.grade(last.grade).right < SURE or NONE in last.faults or not last.faults:
        return
    for fault in last.faults:
        yield from _repairs(kind.work, fault, model, kind.replaced)
    handed = [t for t in kind.told if t.grade == "came-back" and set(t.faults) & set(last.faults)]
    yield from (Trial(False, "work.returns", true=True) for _ in handed)
    yield Trial(False, "work.returns", true=False)


def _repairs(
    work: Sequence[Done], fault: str, model: SystemModel, before: Sequence[str]
) -> Iterator[Trial]:
    component, _dot, mode = fault.partition(".")
    able = {n for n, r in model.repairs.items() if (component, mode) in cleared(r, model)}
    tried = [d.repair for d in _kept(work) if d.repair in able]
    for i, name in enumerate(tried):
        repair, held = model.repairs[name], i == len(tried) - 1
        if component in repair.renews:
            own = repair.dud is not None
            yield Trial(own, f"repairs.{name}.dud" if own else "work.dud", true=not held)
        elif name in (*before, *tried[:i]):
            yield Trial(False, "work.holds_again", true=held)
        else:
            own = repair.holds is not None
            yield Trial(own, f"repairs.{name}.holds" if own else "work.holds", true=held)


def _kept(work: Sequence[Done]) -> list[Done]:
    """Repairs that were not taken back: their old part is not in again."""
    out: list[Done] = []
    for done in work:
        if not done.back:
            out.append(done)
            continue
        again = [i for i, d in enumerate(out) if d.repair == done.repair]
        if again:
            del out[again[-1]]
    return out


def learn(
    system: str,
    tally: Tally,
    catalog: Callable[[str, str | None], SystemModel],
    bench: Bench,
    learning: Learning,
    weight: Callable[[Alike], float] = lambda _kind: 1.0,
) -> list[Share]:
    """Every share of work that the jobs of a system tried, in the order of its key.

    ``weight`` is what a job counts for its age.
    """
    found: defaultdict[tuple[bool, str], Counted] = defaultdict(Counted)
    for kind, n in tally.counts.items():
        if kind.system != system:
            continue
        worth = n * weight(kind) * learning.grade(kind.told[-1].grade).right
        for trial in trials(kind, catalog(system, kind.variant), learning):
            here = found[trial.of_model, trial.key]
            here.n += worth
            here.true += worth * trial.true
    model = catalog(system, None)
    return [
        share(system, key, counted, float(stated(model if own else bench, key)), own, learning)
        for (own, key), counted in sorted(found.items())
    ]


def share(
    system: str, key: str, counted: Counted, before: float, own: bool, learning: Learning
) -> Share:
    """A stated share after its trials."""
    strength, level = learning.work.strength, learning.check.level
    a = strength * before + counted.true
    b = strength * (1 - before) + counted.n - counted.true
    law = marginals([a, b], level)
    mean, low, high = (float(x[0]) for x in (law.mean, law.low, law.high))
    name = _(TITLES[key]) if key in TITLES else key
    spread = Spread(
        name=TITLES.get(key, key),
        system=system if own else "",
        key=key,
        law=f"{mean:.5g}",
        was=f"{before:g}",
        jobs=round(counted.n),
        factor=(mean / before, low / before, high / before),
        provenance=(
            f"{counted.true:.3g} of {counted.n:.4g} trials came true, before them {strength:g} at "
            f"{before:g}; {level:.0%} interval {low:.3g} to {high:.3g}"
        ),
    )
    return Share(name, spread, counted.n, counted.true, low, mean, high)
