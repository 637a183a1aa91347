"""Ways to choose the next step, to be compared on the same machines.

All but one read the odds and mend when a repair is ripe: likely enough by the model file
(``act_at``), its own tests done; when no test is left that tells anything, repairs follow in
the order of chance over cost. They differ in which test comes next. None does a test that can
tell it nothing, or whose labour costs more than knowing all would save. The two ways in which
the tool itself proposes, ``bits-per-minute`` and ``look-ahead``, hold parts that cannot go back
until the shop is sure. Apart stands ``by-limits``, which knows no odds: a test beyond its limit
condemns the part that its step names (common practice; the steps are data).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from benchodds.choose.lookahead import Depth, Step, look_ahead
from benchodds.choose.planning import LEAST_BITS
from benchodds.trials.places import Place
from benchodds.trials.steps import Act
from benchodds.trials.trial import Routine


class Policy(Protocol):
    """A way to choose."""

    @property
    def name(self) -> str:
        """What it is called."""

    def choose(self, place: Place, luck: int) -> Act:
        """The next step; ``luck`` is a seed of this job's own."""


@dataclass(frozen=True)
class BitsPerMinute:
    """The test with the most expected information per minute, set-ups counted.

    Repairs are ripe by the shop's measure: parts that cannot go back wait until it is sure.
    """

    name: str = "bits-per-minute"

    def choose(self, place: Place, luck: int) -> Act:
        """A ripe repair, else the best test, else act."""
        return place.once(self.name, lambda: self._choose(place))

    def _choose(self, place: Place) -> Act:
        ripe = place.ripe(sure=True)
        if ripe is not None:
            return Act("repair", ripe)
        flags = place.flags
        told = [(place.bits[c.name], flags.minutes_of(c), c.name) for c in place.open_tests()]
        worth = [(bits / minutes, name) for bits, minutes, name in told if bits >= LEAST_BITS]
        return Act("test", max(worth)[1]) if worth and pays(place, max(worth)[1]) else place.act()


@dataclass(frozen=True)
class LookAhead:
    """As bits per minute, unless another step is foreseen to save more than a margin.

    The margin is a share of the cost to the end (:mod:`lookahead`); the shop says it.
    """

    depth: Depth
    name: str = "look-ahead"

    def choose(self, place: Place, luck: int) -> Act:
        """The best step."""
        return place.once((self.name, self.depth), lambda: self._choose(place))

    def _choose(self, place: Place) -> Act:
        usual = BitsPerMinute().choose(place, 0)
        seen = look_ahead(place.decision, self.depth, Step(*usual))
        step = seen.pick(place.world.shop.foresight.margin).step
        return Act(step.kind, step.name)


@dataclass(frozen=True)
class FixedOrder:
    """Tests in one order for all machines."""

    name: str
    order: tuple[str, ...]

    def choose(self, place: Place, luck: int) -> Act:
        """A ripe repair, else the next test in order that can tell something, else act."""
        return place.once((self.name, self.order), lambda: in_order(place, self.order))


@dataclass(frozen=True)
class AtRandom:
    """Tests in an order drawn for each job."""

    name: str = "random"

    def choose(self, place: Place, luck: int) -> Act:
        """A ripe repair, else the next test in this job's order, else act."""
        tests = sorted(place.world.machine.model.tests)
        mixed = np.random.default_rng(luck).permutation(len(tests))
        return in_order(place, [tests[i] for i in mixed])


@dataclass(frozen=True)
class ChanceOverCost:
    """Repairs in the order of probability over cost, each proved; no tests but those they need.

    Optimal for one fault, independent costs and perfect checks (Kadane and Simon 1977).
    """

    name: str = "p-over-c"

    def choose(self, place: Place, luck: int) -> Act:
        """What acting begins with."""
        return place.act()


@dataclass(frozen=True)
class ByLimits:
    """A routine without odds: a reading beyond its limit condemns what its step names."""

    routine: Routine
    name: str = "by-limits"

    def choose(self, place: Place, luck: int) -> Act:
        """The first repair condemned and not done, else the next test, else by elimination."""
        mended = place.flags.mended
        for repair in self._condemned(place):
            if repair not in mended:
                return Act("repair", repair)
        for step in self.routine.steps:
            if place.is_open(step.test):
                return Act("test", step.test)
        for repair in self.routine.elimination:
            if repair not in mended and repair in place.world.machine.model.repairs:
                return Act("repair", repair)
        return Act("end", place.flags.finals[0].name)

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


def in_order(place: Place, order: Sequence[str]) -> Act:
    """A ripe repair, else the first test of an order that is open and tells something, else act."""
    ripe = place.ripe()
    if ripe is not None:
        return Act("repair", ripe)
    ready = {c.name for c in place.open_tests()}
    for test in order:
        if test in ready and pays(place, test) and place.bits[test] >= LEAST_BITS:
            return Act("test", test)
    return place.act()


def pays(place: Place, test: str) -> bool:
    """Whether a test may be worth its labour: perfect information is worth more (Raiffa 1968)."""
    flags = place.flags
    return flags.rate * flags.minutes_of(flags.check(test)) < place.perfect()


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
