"""Ways to choose the next step, to be compared on the same machines.

``bits-per-minute`` and ``look-ahead`` are the policies of the advice itself
(:mod:`benchodds.choose.policies`). Fixed orders and ``random`` mend when the advice would and do
no test that can tell nothing; when no test is left, repairs follow in the order of chance over
cost. Apart stands ``by-limits``, which knows no odds: a test beyond its limit condemns the part
that its step names (common practice; the steps are data).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from benchodds.choose.decision import END, REPAIR, TEST, Step
from benchodds.choose.lookahead import Depth
from benchodds.choose.policies import acting, ahead, in_order, usual
from benchodds.trials.places import Place
from benchodds.trials.trial import Routine


class Policy(Protocol):
    """A way to choose."""

    @property
    def name(self) -> str:
        """What it is called."""

    def choose(self, place: Place, luck: int) -> Step:
        """The next step; ``luck`` is a seed of this job's own."""


@dataclass(frozen=True)
class BitsPerMinute:
    """The usual step of the advice: ripe repairs, most bits per minute."""

    name: str = "bits-per-minute"

    def choose(self, place: Place, luck: int) -> Step:
        """The usual step."""
        return place.once(self.name, lambda: usual(place.decision))


@dataclass(frozen=True)
class LookAhead:
    """The advice: the usual step, unless another is foreseen to save more than a margin."""

    depth: Depth | None
    name: str = "look-ahead"

    def choose(self, place: Place, luck: int) -> Step:
        """What is proposed."""
        margin = place.world.shop.foresight.margin
        key = (self.name, self.depth)
        return place.once(key, lambda: ahead(place.decision, margin, self.depth)[0])


@dataclass(frozen=True)
class FixedOrder:
    """Tests in one order for all machines."""

    name: str
    order: tuple[str, ...]

    def choose(self, place: Place, luck: int) -> Step:
        """A ripe repair, else the next test in order that can tell something, else act."""
        return place.once((self.name, self.order), lambda: in_order(place.decision, self.order))


@dataclass(frozen=True)
class AtRandom:
    """Tests in an order drawn for each job."""

    name: str = "random"

    def choose(self, place: Place, luck: int) -> Step:
        """A ripe repair, else the next test in this job's order, else act."""
        tests = sorted(place.world.machine.model.tests)
        mixed = np.random.default_rng(luck).permutation(len(tests))
        return in_order(place.decision, [tests[i] for i in mixed])


@dataclass(frozen=True)
class ChanceOverCost:
    """Repairs in the order of probability over cost, each proved; no tests but those they need.

    Optimal for one fault, independent costs and perfect checks (Kadane and Simon 1977).
    """

    name: str = "p-over-c"

    def choose(self, place: Place, luck: int) -> Step:
        """What acting begins with."""
        return place.once(self.name, lambda: acting(place.decision))


@dataclass(frozen=True)
class ByLimits:
    """A routine without odds: a reading beyond its limit condemns what its step names."""

    routine: Routine
    name: str = "by-limits"

    def choose(self, place: Place, luck: int) -> Step:
        """The first repair condemned and not done, else the next test, else by elimination."""
        decision = place.decision
        mended, new = decision.mended, {c.name for c in decision.checks if decision.is_new(c)}
        for repair in self._condemned(place):
            if repair not in mended:
                return Step(REPAIR, repair)
        for step in self.routine.steps:
            if step.test in new:
                return Step(TEST, step.test)
        for repair in self.routine.elimination:
            if repair not in mended and repair in place.world.machine.model.repairs:
                return Step(REPAIR, repair)
        return Step(END, decision.finals[0].name)

    def _condemned(self, place: Place) -> list[str]:
        steps = {s.test: s for s in self.routine.steps}
        known = place.world.machine.model.repairs
        out: list[str] = []
        for told in place.standing:
            if told.test in steps:
                sign = place.world.coarse(told.test, told.how).signs[told.group]
                step = steps[told.test]
                if (sign < 0) if step.when == "fails" else (sign > 0):
                    out += [r for r in step.condemns if r in known]
        return out


Order = tuple[str, ...]


def grown(cost: Callable[[Order], float], tests: Sequence[str]) -> Order:
    """An order of tests, each time with the test behind it that lowers the cost most."""
    best: Order = ()
    least = cost(best)
    while len(best) < len(tests):
        found = min((cost((*best, t)), (*best, t)) for t in tests if t not in best)
        if found[0] >= least:
            break
        least, best = found
    return best


def improved(
    cost: Callable[[Order], float],
    starts: Sequence[Order],
    tests: Sequence[str],
    rng: np.random.Generator,
    tries: int,
) -> Order:
    """The best of some orders, then better by dropping, inserting, moving and exchanging tests.

    Changes are tried at random and kept while they lower the cost (local search; no proof of
    the optimum).
    """
    known: dict[Order, float] = {}

    def value(order: Order) -> float:
        if order not in known:
            known[order] = cost(order)
        return known[order]

    best = min(starts, key=value)
    for _ in range(tries):
        tried = _changed(best, tests, rng)
        if value(tried) < value(best):
            best = tried
    return best


def _changed(order: Order, tests: Sequence[str], rng: np.random.Generator) -> Order:
    out = list(order)
    kind = int(rng.integers(4))
    left = [t for t in tests if t not in out]
    if kind == 0 and out:
        out.pop(int(rng.integers(len(out))))
    elif kind == 1 and left:
        out.insert(int(rng.integers(len(out) + 1)), left[int(rng.integers(len(left)))])
    elif kind == 2 and len(out) > 1:
        moved = out.pop(int(rng.integers(len(out))))
        out.insert(int(rng.integers(len(out) + 1)), moved)
    elif len(out) > 1:
        i, j = rng.choice(len(out), 2, replace=False)
        out[i], out[j] = out[j], out[i]
    return tuple(out)
