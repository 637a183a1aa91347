"""Where a simulated job stands: what has been seen, what that means, what can be done.

Beliefs are those of a crowd of machines drawn from the network (:mod:`crowd`). What follows from
a history is worked out once, whoever comes to it: a :class:`World` keeps it.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter, OrderedDict, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar, cast
from zlib import crc32

import numpy as np

from benchodds.basics.tables import Array, State
from benchodds.choose.benchstate import THRICE, tolerated
from benchodds.choose.choosing import decision_of
from benchodds.choose.coarse import Coarse, Groups, coarse, grouped
from benchodds.choose.decision import CHANGE, REPAIR, Decision, Step
from benchodds.choose.shop import Shop
from benchodds.infer import intermittent
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.infer.epochs import Course, change_of
from benchodds.model.jobs import Job, Technique
from benchodds.trials.crowd import ADAPTER, Cast, Strata, Tests, draw_cast, lay_out
from benchodds.trials.draws import Nature, Numbers, Shown, drawn_from, shown
from benchodds.trials.steps import BACK, Belief, History, Told, done, repairs_of
from benchodds.trials.works import Fault, Hope, Work, coming_and_going, outcomes, work_of

T = TypeVar("T")

AT = "2000-01-01T00:00:00Z"

KEPT = 64
"""Histories whose weights and decisions are kept at hand; of others only what was asked for is."""

STATES = 800
"""Whole states of two and three faults that the crowd has machines of: those left out would make it
too sure of itself, the more the more repairs were in vain."""

CASTS = 4
"""Crowds after a repair, or behind new gear, that are kept at hand."""

TAKES = 8
"""Times that a test is taken at most, again after vain repairs included."""

SEED = 20_000
"""Seed of the crowd: the same whatever is simulated with it."""


@dataclass
class World:
    """Everything that is the same for all jobs of a simulation, and what was worked out.

    ``most`` is how many outcomes of a test are told apart, ``size`` how many machines of each
    whole state the crowd has (a fifth as many with a dead adapter, fewer of rare states).
    """

    machine: Machine
    complaint: str
    contexts: tuple[str, ...]
    shop: Shop
    most: int = 4
    size: int = 400
    bits_lost: dict[str, float] = field(default_factory=dict)
    answers: dict[object, object] = field(default_factory=dict)
    _groups: dict[str, Groups] = field(default_factory=dict)
    _coarse: dict[tuple[str, str], Coarse] = field(default_factory=dict)
    _works: dict[tuple[str, bool], Work] = field(default_factory=dict)
    _casts: OrderedDict[History, Cast] = field(default_factory=OrderedDict)
    _weights: OrderedDict[History, Array] = field(default_factory=OrderedDict)
    _decisions: OrderedDict[History, Decision] = field(default_factory=OrderedDict)

    def start(self) -> Place:
        """The place before any reading."""
        return Place(self, ())

    @cached_property
    def before(self) -> Assessment:
        """The exact odds before any reading."""
        found = assess(self.machine.coarse, self.job)
        return replace(found, listed=likely_states(found.p_mode, STATES))

    @cached_property
    def root(self) -> Decision:
        """The decision before any reading, with outcomes not yet in groups."""
        return decision_of(self.machine, self.job, self.before, self.shop)

    @cached_property
    def nature(self) -> Nature:
        """What draws the crowd."""
        return nature_of(self.machine, self.job)

    @cached_property
    def _stands(self) -> tuple[tuple[State, ...], Numbers, Array]:
        """The states of the crowd, which of those of the root each is, and its share of that one.

        They are those of the root, and once more with a fault that comes and goes.
        """
        folded, place = self.before.folded, {s: i for i, s in enumerate(self.root.states)}
        fault = {s.label: (s.component, s.mode) for s in self.nature.spells}
        weight: defaultdict[State, float] = defaultdict(float)
        of: dict[State, int] = {}
        for history, w in zip(folded.histories, np.exp(folded.history_log_weights), strict=True):
            told = dict(history)
            goes = fault[told.pop(intermittent.NAME)] if intermittent.NAME in told else None
            faults = tuple(told.items())
            state = coming_and_going(faults, goes) if goes else faults
            weight[state] += float(w)
            of[state] = place[faults]
        states = tuple(sorted(of, key=of.__getitem__))
        at = np.array([of[s] for s in states], dtype=np.intp)
        p = np.array([weight[s] for s in states])
        return states, at, p / np.maximum(np.bincount(at, p)[at], 1e-300)

    @property
    def states(self) -> tuple[State, ...]:
        """The whole states of which the crowd has machines."""
        return self._stands[0]

    def by_state(self, p: Array) -> Array:
        """Sums over the states of the root, of what the crowd's have (first axis)."""
        _states, at, _share = self._stands
        return np.asarray(np.add.reduceat(p, np.searchsorted(at, range(at[-1] + 1)), axis=0))

    @cached_property
    def fresh(self) -> Cast:
        """The crowd before any reading."""
        states, at, share = self._stands
        strata = Strata(states, len(self.root.gear), self.size)
        adapter = np.ones((1, 1))
        if strata.n_gear > 1:
            p = self.before.network.tables[ADAPTER].p
            names = self.before.network.variables[ADAPTER].states
            sound = np.array([s.startswith("ok") for s in names])
            adapter = np.stack([sound * p, ~sound * p])
        rng = np.random.default_rng(SEED)
        return draw_cast(self.nature, strata, self.root.p[at] * share[:, None], adapter, rng)

    @cached_property
    def cranking(self) -> str:
        """How engines are cranked where no drill is fitted: the commonest way."""
        bench = self.machine.bench
        return max(bench.cranking, key=lambda name: bench.cranking[name].share)

    def how(self, opened: frozenset[str]) -> str:
        """How the engine is cranked with these set-ups open, as the advice takes it."""
        fitted = [n for n, m in self.machine.bench.cranking.items() if m.setup in opened]
        return fitted[0] if fitted else self.cranking

    def technique(self, how: str) -> Technique:
        """How a reading is taken."""
        return Technique(how=how, unplugged=True)

    def coarse(self, test: str, how: str) -> Coarse:
        """A test as it is told apart."""
        if (test, how) not in self._coarse:
            outcomes, table = self.machine.predictive(test, self.technique(how))
            groups = self._groups.get(test)
            if groups is None:
                check, p_state = self.root.check(test), self.root.p.sum(axis=1)
                p = (self.root.p[:, :, None] * check.p).sum(axis=1)
                p = p / np.maximum(p_state, 1e-300)[:, None]
                groups, lost = grouped(p_state, p, check.signs, self.most)
                self._groups[test], self.bits_lost[test] = groups, lost
            tool = self.machine.instrument(test)
            self._coarse[test, how] = coarse(tool, outcomes, table, groups)
        return self._coarse[test, how]

    def shown(self, test: str, how: str) -> Shown:
        """Chances of what is told apart in a fresh reading of a test."""
        seen, fine = self.coarse(test, how), shown(self.machine, test, self.technique(how))
        met = fine.met
        if met is not None:
            met = replace(met, there=replace(met.there, p=seen.of(met.there.p)))
        return Shown(replace(fine.table, p=seen.table.p), met)

    def tests(self, how: str, history: History = ()) -> Tests:
        """Chances of all tests on the crowd as it is after a history."""
        cast = self.cast(history)
        if how not in cast.tests:
            tests = {t: self.shown(t, how) for t in self.machine.model.tests}
            cast.tests[how] = lay_out(cast.machines, tests)
        return cast.tests[how]

    def cast(self, history: History) -> Cast:
        """The crowd after a history: machines change with work on them, and with new gear."""
        ends = (i for i, e in enumerate(history, 1) if isinstance(e, Step) or self.renewed(e))
        key = history[: max(ends, default=0)]
        if not key:
            return self.fresh
        if key not in self._casts:
            self._casts[key] = self._changed(key[:-1], key[-1])
            if len(self._casts) > CASTS:
                self._casts.popitem(last=False)
        self._casts.move_to_end(key)
        return self._casts[key]

    def _changed(self, earlier: History, last: Told | Step) -> Cast:
        before, weights = self.cast(earlier), self.weights(earlier)
        if isinstance(last, Step) and last.kind != CHANGE:
            work, back = self.work(last.name, done(earlier, last.name)), last.kind == BACK
            rng = np.random.default_rng([SEED, crc32(repr((earlier, last)).encode())])
            return before.worked_on(weights, work, back, self.nature, rng)
        if isinstance(last, Told):
            weights = self._seen(earlier, last)
        return before.renewed(weights, self.renewed(last), self.nature)

    def _seen(self, earlier: History, last: Told) -> Array:
        """Weights of the crowd after one more reading."""
        tests = self.tests(last.how, earlier)
        after = self.weights(earlier) * tests.table[:, tests.columns(last.test).start + last.group]
        return np.asarray(after / after.sum())

    def weights(self, history: History) -> Array:
        """Weights of the crowd after a history."""
        if not history or isinstance(history[-1], Step) or self.renewed(history[-1]):
            return self.cast(history).weights
        if history not in self._weights:
            self._weights[history] = self._seen(history[:-1], history[-1])
            if len(self._weights) > KEPT:
                self._weights.popitem(last=False)
        self._weights.move_to_end(history)
        return self._weights[history]

    def decided(self, place: Place) -> Decision:
        """The decision at a place."""
        if place.key not in self._decisions:
            self._decisions[place.key] = place.decide()
            if len(self._decisions) > KEPT:
                self._decisions.popitem(last=False)
        self._decisions.move_to_end(place.key)
        return self._decisions[place.key]

    def work(self, repair: str, again: bool) -> Work:
        """A repair as it may turn out, done for the first time or ``again``."""
        if (repair, again) not in self._works:
            after = outcomes(self.machine, self.nature.network.tables, repair, again)
            made = work_of(self.machine, self.states, after, repair, self.shop)
            self._works[repair, again] = made
        return self._works[repair, again]

    def renewed(self, event: Told | Step) -> str:
        """The gear that is changed by this, or after this, a proof of it that failed; or none."""
        if isinstance(event, Step):
            return event.name if event.kind == CHANGE else ""
        proves = self.machine.model.tests[event.test].proves
        if not proves or self.coarse(event.test, event.how).signs[event.group] >= 0:
            return ""
        return proves

    def unsound(self, history: History, gear: str) -> float:
        """Chance that gear of a kind is bad after a history."""
        states = self.nature.network.variables[gear].states
        bad = np.array([not s.startswith("ok") for s in states])
        return float(self.weights(history) @ bad[self.cast(history).machines.at[gear]])

    def was_through(self, event: Told | Step, gear: str) -> bool:
        """Whether this was read through gear of a kind, and no proof of it."""
        if isinstance(event, Step) or self.machine.model.tests[event.test].proves == gear:
            return False
        return gear in self.coarse(event.test, event.how).table.scope

    @cached_property
    def about(self) -> Mapping[str, frozenset[str]]:
        """By repair, the tests about what it touches: they may tell something new after it."""
        machine, out = self.machine, {}
        for name, repair in machine.model.repairs.items():
            change = change_of(repair, machine.model)
            moved = set(Course(machine.scopes, machine.constants, [change]).names[0])
            out[name] = frozenset(t for t in machine.model.tests if moved & set(machine.reads(t)))
        return out

    @cached_property
    def job(self) -> Job:
        """The job at the bench before any reading."""
        model, priors = self.machine.model, self.machine.priors
        names = (model.id, model.variant, self.complaint, self.contexts, model.version)
        return Job("drawn", *names, priors.id, priors.version, opened_at=AT)

    @cached_property
    def present(self) -> Array:
        """Whether a component is at fault in a state, shape (n_components, n_states)."""
        return np.array(
            [
                [any(part == c for part, _ in state) for state in self.root.states]
                for c in self.machine.model.components
            ],
            dtype=float,
        )


def likely_states(p_mode: Mapping[Fault, float], most: int) -> tuple[State, ...]:
    """No fault, every single one, and the likeliest sets of two and three, taken as independent."""
    several = [
        (math.prod(p_mode[f] for f in some), some)
        for n in (2, 3)
        for some in itertools.combinations(p_mode, n)
        if len({c for c, _mode in some}) == n
    ]
    several.sort(key=lambda item: -item[0])
    return ((), *((f,) for f in p_mode), *(some for _p, some in several[:most]))


def nature_of(machine: Machine, job: Job) -> Nature:
    """What draws machines with the complaint of a job, and what went before."""
    return drawn_from(machine, machine.prior(job.complaint, job.told), job.said)


@dataclass(frozen=True)
class Place:
    """A place in a job: readings, and repairs that failed their check or came back, in order."""

    world: World = field(compare=False, hash=False, repr=False)
    events: History

    @cached_property
    def key(self) -> History:
        """What the place depends on: the order of readings does not before a repair or new gear."""
        changes = (isinstance(e, Step) or self.world.renewed(e) for e in self.events)
        first = next((i for i, change in enumerate(changes) if change), None)
        n = len(self.events) if first is None else first
        told = cast(tuple[Told, ...], self.events[:n])
        return (*sorted(told), *self.events[n:])

    @cached_property
    def told(self) -> tuple[Told, ...]:
        """The readings."""
        return tuple(e for e in self.events if isinstance(e, Told))

    @cached_property
    def standing(self) -> tuple[Told, ...]:
        """The readings that still count: not those through gear that was found bad later."""
        return tuple(e for e in self._counted if isinstance(e, Told))

    @cached_property
    def _counted(self) -> History:
        """All that still counts, repairs included."""
        changed = {g: i for i, e in enumerate(self.events) if (g := self.world.renewed(e))}
        return tuple(
            e
            for i, e in enumerate(self.events)
            if not any(i < last and self.world.was_through(e, g) for g, last in changed.items())
        )

    @cached_property
    def flags(self) -> Decision:
        """The root decision with the marks of what was done; its beliefs are of no use here."""
        model = self.world.machine.model
        done = frozenset(t.test for t in self.told)
        spent, passed, failed = self._marks()
        return replace(
            self.world.root,
            done=done,
            spent=spent,
            passed=passed,
            failed=failed,
            opened=frozenset(s for t in done for s in model.setups_of(t)),
            mended=self._in_vain,
            reads=self.reads,
        )

    @cached_property
    def _in_vain(self) -> frozenset[str]:
        """Repairs that were done and are not thought of again: not surely needed once more."""
        done = repairs_of(self.events)
        p = self.mass.sum(axis=1) if done else np.zeros(0)
        sure = self.world.shop.parts.sure
        return frozenset(r for r in done if self.world.root.remedy(r).p_needed(p) < sure)

    @cached_property
    def reads(self) -> Counter[str]:
        """How often each test was read on the machine as it is, as far as it still counts."""
        times = Counter[str]()
        for event in self._counted:
            if isinstance(event, Told):
                times[event.test] += 1
            elif event.kind != CHANGE:
                times = Counter({t: n for t, n in times.items() if t not in self._about(event)})
        return times

    def _about(self, event: Step) -> frozenset[str]:
        return self.world.about[event.name]

    def _marks(self) -> tuple[frozenset[str], frozenset[str], frozenset[str]]:
        """Tests that are spent, that passed last and that failed last, as far as they still count.

        What was worked on may be read again. A look is not repeated, but where steps wait for it
        and it fails; nothing is read more often than the advice would have it.
        """
        world, passed, failed = self.world, set[str](), set[str]()
        for event in self._counted:
            if isinstance(event, Told):
                good = world.coarse(event.test, event.how).signs[event.group] > 0
                (passed if good else failed).add(event.test)
                (failed if good else passed).discard(event.test)
            elif event.kind != CHANGE:
                passed -= world.root.remedy(event.name).reopens
        times = Counter(t.test for t in self.told)
        spent = {t for t, n in times.items() if n >= TAKES}
        for check in world.root.checks:
            n, again = self.reads[check.name], check.gates and check.name in failed
            looked = world.machine.model.tests[check.name].kind == "look" and n > 0
            if n >= THRICE or (looked and not again):
                spent.add(check.name)
        return frozenset(spent), frozenset(passed), frozenset(failed)

    @cached_property
    def _suspect(self) -> Mapping[str, str]:
        """Tests that prove gear which is likelier bad than tolerated, with that gear."""
        world, out = self.world, {}
        most = tolerated(world.machine.bench)
        for name, test in world.machine.model.tests.items():
            gear = test.proves
            through = gear in most and any(world.was_through(e, gear) for e in self._counted)
            if through and world.unsound(self.key, gear) >= most[gear]:
                out[name] = gear
        return out

    @property
    def how(self) -> str:
        """How the next reading is cranked."""
        return self.world.how(self.flags.opened)

    @property
    def mass(self) -> Array:
        """P(whole state, gear)."""
        return self.world.by_state(self.crowd_mass)

    @property
    def crowd_mass(self) -> Array:
        """P(state of the crowd, gear)."""
        return self.world.cast(self.key).mass(self.world.weights(self.key))

    @property
    def joint(self) -> Array:
        """P(whole state, gear, outcome) for all tests, side by side."""
        tests = self.world.tests(self.how, self.key)
        cast, weights = self.world.cast(self.key), self.world.weights(self.key)
        return self.world.by_state(cast.outcomes(weights, tests))

    @property
    def decision(self) -> Decision:
        """The whole decision, outcomes in groups."""
        return self.world.decided(self)

    def decide(self) -> Decision:
        """Work out the decision."""
        world, flags = self.world, self.flags
        tests = world.tests(self.how, self.key)
        joint = self.joint
        checks = []
        for check in flags.checks:
            if check.name in flags.spent and not check.gates:
                continue
            mine = joint[:, :, tests.columns(check.name)]
            total = mine.sum(axis=2, keepdims=True)
            even = 1.0 / mine.shape[2]
            given = np.where(total > 0, mine / np.maximum(total, 1e-300), even)
            signs = world.coarse(check.name, self.how).signs
            checks.append(replace(check, p=given, signs=signs))
        suspect = self._suspect
        unfit = frozenset(gear for test, gear in suspect.items() if self.reads[test])
        return replace(flags, p=self.mass, checks=tuple(checks), suspect=suspect, unfit=unfit)

    def seen(self, test: str, group: int) -> Place:
        """The place after a reading."""
        return Place(self.world, (*self.events, Told(test, self.how, group)))

    def in_vain(self, repair: str) -> Place:
        """The place after a repair that failed its check."""
        return Place(self.world, (*self.events, Step(REPAIR, repair)))

    def changed(self, gear: str) -> Place:
        """The place when gear of a kind has been changed."""
        return Place(self.world, (*self.events, Step(CHANGE, gear)))

    def came_back(self, repair: str) -> Place:
        """The place when the machine is back that went out after a repair."""
        return Place(self.world, (*self.events, Step(BACK, repair)))

    def hope(self, repair: str) -> Hope:
        """What is hoped of a repair that is done here."""
        work = self.world.work(repair, done(self.events, repair))
        return work.hope(self.crowd_mass.sum(axis=1))

    def once(self, name: object, work: Callable[[], T]) -> T:
        """What was worked out for this place under a name, worked out when first asked for."""
        key = (name, self.key)
        if key not in self.world.answers:
            self.world.answers[key] = work()
        return cast(T, self.world.answers[key])

    @property
    def belief(self) -> Belief:
        """What is believed."""
        return self.once("belief", self._belief)

    def _belief(self) -> Belief:
        p = self.mass.sum(axis=1)
        needed = {r.name: r.p_needed(p) for r in self.world.root.remedies}
        parts = tuple((self.world.present @ p).tolist())
        return Belief(needed, parts, float(p[self.world.root.states.index(())]))
