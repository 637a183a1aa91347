"""Simulated jobs: machines drawn from the model, or from a perturbed one, put through policies.

Every policy meets the same machine, and a test shows every policy the same (its luck is drawn
beforehand, for each test and each time it is done). A job's draws come from its own seed and
number alone, so neither the number of jobs nor that of processes changes them.

Costs are the shop's: labour with set-ups, parts, days of waiting, donor parts ruined on the
average, come-backs, and machines handed back unsolved. Gear that fails its proof is changed, and
what was read through it may be read again. A repair may fail, spoil something or fit a dud
(:mod:`works`); it is followed by its check. A machine that fails it, or comes back within the
week, is worked on until it is cured for good or given up.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from benchodds.basics.errors import ModelError
from benchodds.basics.language import _
from benchodds.basics.quantities import to_base
from benchodds.choose.decision import CHANGE, Step
from benchodds.choose.rules import cleared
from benchodds.choose.shop import Shop
from benchodds.infer.assess import Machine
from benchodds.infer.epochs import change_of
from benchodds.trials.draws import Nature, Truth, shown
from benchodds.trials.places import TAKES, Place, World, nature_of
from benchodds.trials.policies import Policy
from benchodds.trials.works import outcomes

MOST_STEPS = 500
"""Steps after which a policy is said to run in a circle."""

MACHINE, LUCK, WORK, ORDER, CHECK = range(5)
"""Streams of random numbers of a job."""


PAIRS = ("stated", "parts", "cured", "comes_back")
"""Fields of a row that pair stated chances with the truth."""


@dataclass(frozen=True)
class Row:
    """How one policy fared on one job.

    ``correct``: in the end the machine had no fault, by repair or by nature, when it left.
    ``cured`` pairs, for every repair, the chance stated before its check that it has cured with the
    truth, ``comes_back``, for every time that the machine went out, that of its coming back.
    ``minutes`` are all at the bench, ``search`` those before the repair that cured, or the end,
    began (tests, set-ups, vain repairs); ``cost`` is all money with labour. ``wrong_parts`` are
    parts paid for, not to be returned, that were not wanted. ``stated`` pairs the stated chance of
    the leading verdict with whether it was right, at every step before the first repair;
    ``parts`` pairs the stated chance of a fault with the truth, for each component, before the
    first repair or the end.
    """

    job: int
    policy: str
    truth: str
    correct: bool
    minutes: float
    search: float
    cost: float
    tests: int
    repairs: int
    wrong_parts: int
    come_backs: int
    ended: str
    stated: tuple[tuple[float, int], ...]
    parts: tuple[tuple[float, int], ...]
    cured: tuple[tuple[float, int], ...]
    comes_back: tuple[tuple[float, int], ...]

    def to_dict(self) -> dict[str, Any]:
        """As plain data."""
        return asdict(self)


def row_from(data: Mapping[str, Any]) -> Row:
    """A row from what :meth:`Row.to_dict` wrote."""
    pairs = {k: tuple((float(p), int(y)) for p, y in data[k]) for k in PAIRS}
    return Row(**{**data, **pairs})


@dataclass
class Drawn:
    """One job as nature has it, the same for every policy."""

    nature: Nature
    world: Machine
    tests: Sequence[str]
    seed: int
    job: int
    truth: Truth = field(init=False)

    def __post_init__(self) -> None:
        self.truth = self.nature.machine(self._rng(MACHINE))
        self._luck = self._rng(LUCK).random((len(self.tests), TAKES))

    def _rng(self, *stream: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, self.job, *stream])

    def outcome(self, truth: Truth, test: str, time: int, technique: Any) -> int:
        """Number of the outcome that a test shows on this machine, the n-th time it is done."""
        luck = self._luck[self.tests.index(test), min(time, TAKES - 1)]
        return shown(self.world, test, technique).reading(truth, float(luck))

    def worked_on(self, truth: Truth, repair: str, time: int) -> Truth:
        """The machine after a repair, the n-th time it is done."""
        model = self.world.model
        after = outcomes(self.world, self.nature.network.tables, repair, time > 0)
        renewed = change_of(model.repairs[repair], model).renewed
        rng = self._rng(WORK, sorted(model.repairs).index(repair), time)
        return self.nature.worked_on(truth, after, renewed, rng)

    def check(self, time: int) -> tuple[float, float]:
        """Luck of the check after the n-th repair, and of the week after it."""
        missed, week = self._rng(CHECK, time).random(2).tolist()
        return missed, week

    def renewed(self, truth: Truth, gear: str) -> Truth:
        """The machine with new gear of a kind."""
        return self.nature.with_sound(truth, gear)

    @property
    def order(self) -> int:
        """Seed for a policy that needs luck of its own."""
        return int(self._rng(ORDER).integers(2**31))


@dataclass
class Course:
    """A policy at work on one drawn job."""

    drawn: Drawn
    world: World
    policy: Policy

    def __post_init__(self) -> None:
        self.shop: Shop = self.world.shop
        self.model = self.world.machine.model
        self.truth = self.drawn.truth
        self.minutes = self.search = self.money = 0.0
        self.out = False
        self.tests = self.repairs = self.wrong = self.backs = 0
        self.stated: list[tuple[float, int]] = []
        self.parts: list[tuple[float, int]] = []
        self.cured: list[tuple[float, int]] = []
        self.backs_stated: list[tuple[float, int]] = []
        self.times, self.done = Counter[str](), Counter[str]()

    def run(self) -> Row:
        """The whole job."""
        place = self.world.start()
        for _step in range(MOST_STEPS):
            act = self.policy.choose(place, self.drawn.order)
            self.search = self.minutes
            self.state(place, act)
            if act.kind == "end":
                if self.truth.state:
                    self.money += self.shop.unsolved.cost
                return self.row(act.name)
            if act.kind == "test":
                place = self.test(place, act.name)
                continue
            if act.kind == CHANGE:
                place = self.change(place, act.name)
                continue
            place = self.mend(place, act.name)
            if self.out:
                return self.row("mended")
        raise ModelError(_("the policy '{policy}' comes to no end").format(policy=self.policy.name))

    def state(self, place: Place, act: Step) -> None:
        """Note the odds that are stated before the first repair, and what is true."""
        if self.repairs:
            return
        belief = place.belief
        best, p = belief.leading()
        repairs = self.model.repairs
        if best == "none":
            right = not self.truth.state
        else:
            right = self.truth.has(cleared(repairs[best], self.model))
        self.stated.append((round(p, 6), int(right)))
        if act.kind != "test":
            sick = {c for c, _ in self.truth.state}
            self.parts = [
                (round(q, 6), int(c in sick))
                for c, q in zip(self.model.components, belief.parts, strict=True)
            ]

    def test(self, place: Place, name: str) -> Place:
        """Do a test."""
        flags = place.flags
        how = place.how
        self.minutes += flags.minutes_of(flags.check(name))
        self.money += self.shop.harm(self.model, name, self.truth.state)
        time = self.times[name]
        self.times[name] += 1
        self.tests += 1
        seen = self.drawn.outcome(self.truth, name, time, self.world.technique(how))
        after = place.seen(name, self.world.coarse(name, how).place[seen])
        if gear := self.world.renewed(after.events[-1]):
            self.change(place, gear)
        return after

    def change(self, place: Place, gear: str) -> Place:
        """Change gear of a kind."""
        self.minutes += to_base(self.shop.gear.renew, "min")
        self.truth = self.drawn.renewed(self.truth, gear)
        return place.changed(gear)

    def mend(self, place: Place, name: str) -> Place:
        """Do a repair and its check."""
        repair = self.model.repairs[name]
        faults = cleared(repair, self.model)
        wanted = self.truth.has(faults)
        price = self.shop.price(self.model.id, name, repair)
        if wanted or not repair.returnable:
            self.money += price
        else:
            self.money += price * self.shop.parts.restocking
        self.money += self.shop.wait(repair)
        self.wrong += int(not wanted and price > 0 and not repair.returnable)
        self.minutes += to_base(repair.minutes, "min") + self.shop.proof_minutes(sorted(faults))
        hope, before = place.hope(name), self.truth
        times = self.done[name]
        self.done[name] += 1
        self.truth = self.drawn.worked_on(before, name, times)
        missed, week = self.drawn.check(self.repairs)
        self.repairs += 1
        mended = bool(before.state) and not self.truth.state
        self.cured.append((round(hope.cured, 6), int(mended)))
        left = self.truth.state, self.drawn.nature.unsteady(self.truth)
        if not mended and missed >= self.shop.missed(*left):
            return place.in_vain(name)
        back = not mended or week < self.drawn.world.bench.work.returns
        self.backs_stated.append((round(hope.comes_back, 6), int(back)))
        if not back:
            self.out = True
            return place
        self.money += self.shop.come_back.cost
        self.backs += 1
        if mended:  # and did not last
            self.truth = before
        return place.came_back(name)

    def row(self, ended: str) -> Row:
        """What became of it."""
        names = "+".join(f"{c}.{m}" for c, m in self.drawn.truth.state) or "none.elec"
        cost = self.shop.labour.per_minute * self.minutes + self.money
        return Row(
            self.drawn.job,
            self.policy.name,
            names,
            not self.truth.state,
            round(self.minutes, 3),
            round(self.search, 3),
            round(cost, 3),
            self.tests,
            self.repairs,
            self.wrong,
            self.backs,
            ended,
            tuple(self.stated),
            tuple(self.parts),
            tuple(self.cured),
            tuple(self.backs_stated),
        )


def natures(machine: Machine, world: World) -> Nature:
    """What draws machines with the complaint of a world, as ``machine`` has them."""
    return nature_of(machine, world.job)


def run_job(
    seed: int, job: int, machine: Machine, nature: Nature, world: World, policies: Sequence[Policy]
) -> list[Row]:
    """One drawn job under each policy. ``machine`` is nature's, ``world`` the policies'."""
    drawn = Drawn(nature, machine, sorted(world.machine.model.tests), seed, job)
    return [Course(drawn, world, policy).run() for policy in policies]
