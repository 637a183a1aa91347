"""Which test next: expected information about the machine per minute of labour.

I(machine; outcome | evidence) in bits, gear and technique summed out, over own minutes plus
the minutes of set-ups that are not yet open. Source of the information measure: Cover and
Thomas, Elements of Information Theory, 2.3; of the myopic value-per-cost rule: de Kleer and
Williams, Artificial Intelligence 32 (1987), with the cost added.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchodds.basics.language import _
from benchodds.basics.quantities import to_base
from benchodds.basics.tables import Array
from benchodds.choose.labour import Labour
from benchodds.choose.permits import Permit, Permits
from benchodds.choose.rules import chain, cleared, gating
from benchodds.choose.shop import Shop
from benchodds.infer.assess import Assessment, merge
from benchodds.measure.instrument import Outcome
from benchodds.model.jobs import Job, Technique
from benchodds.model.system import SystemModel

LEAST_BITS = 0.004
"""Below this a test is not worth its walk to the bench."""

EVEN = 0.5
"""More likely than not."""

LOOKED_AT = 8
"""How many of the best tests are weighed against a ripe repair."""

TWICE, THRICE = 2, 3
"""Readings of a test on the machine as it is: the second shows a slip, a third has to pay, and a
fourth is not proposed: what does not change from one to the next is not told by more of them."""


def mutual_information(p_state: Array, p_outcome: Array) -> float:
    """I(state; outcome) in bits; p_state (n,) sums to 1, rows of p_outcome (n, m) sum to 1."""
    joint = p_state[:, None] * p_outcome
    marginal = joint.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = joint * np.log2(p_outcome / marginal)
    return max(0.0, float(np.nansum(np.where(joint > 0, terms, 0.0))))


@dataclass(frozen=True)
class Branch:
    """A group of outcomes that a bare comparison judges alike: chance, and what it would do.

    ``judged`` is +1 for all that lies within the limit and -1 for all outside; 0 where the label
    is an outcome's own.
    """

    label: str
    p: float
    p_mode: Mapping[tuple[str, str], float]
    judged: int = 0


@dataclass(frozen=True)
class Ranked:
    """One test with what it is worth and what it costs."""

    test: str
    bits: float
    minutes: float
    setups: tuple[str, ...]
    branches: tuple[Branch, ...]

    @property
    def bits_per_minute(self) -> float:
        """Expected information per minute of labour."""
        return self.bits / self.minutes


@dataclass(frozen=True)
class LeftOut:
    """A test that is not offered, and why."""

    test: str
    reason: str


@dataclass(frozen=True)
class Act:
    """A repair: how likely it cures, the price of doing it now, and whether it may be done.

    ``ready`` is one that may be done and is likely enough to be needed. One that was done before
    (``again``) is so only when the odds are those at which parts are bought.
    """

    repair: str
    p_cures: float
    p_needed: float
    expected_cost: float
    ready: bool
    permit: Permit
    again: bool = False


@dataclass(frozen=True)
class Plan:
    """The advice and all that stands behind it."""

    do: str  # "test" | "repair" | "prove-gear" | "change-gear" | "close" | "stop"
    test: str | None
    repair: str | None
    ranking: tuple[Ranked, ...]
    left_out: tuple[LeftOut, ...]
    acts: tuple[Act, ...]
    gear: str | None = None


def open_setups(model: SystemModel, job: Job) -> frozenset[str]:
    """Set-ups that are open: those of the readings taken, as corrected by the technician."""
    marks = [
        (r.seq, s, True)
        for r in job.live_readings
        if was_done(r.values) and r.test in model.tests
        for s in model.setups_of(r.test)
    ]
    marks += [(m.seq, m.setup, m.open) for m in job.setup_log]
    state: dict[str, bool] = {}
    for _seq, setup, is_open in sorted(marks, key=lambda m: m[0]):
        state[setup] = is_open
        if not is_open:  # closing what others stand on closes them too
            for name, other in model.setups.items():
                if setup in other.needs:
                    state[name] = False
    return frozenset(s for s, is_open in state.items() if is_open)


def was_done(values: Sequence[str]) -> bool:
    """Whether anything was done for a reading that is written so."""
    words = {v.strip().lower().replace(" ", "-") for v in values}
    return not words <= {"not-taken", "refused", "impossible", "not-possible"}


def next_technique(assessment: Assessment, opened: frozenset[str]) -> Technique:
    """How the next reading would be taken: as the test says, cranked as last time or by drill."""
    bench, job = assessment.machine.bench, assessment.job
    how = next((t.technique.how for t in reversed(assessment.taken) if t.technique.how), None)
    fitted = [name for name, m in bench.cranking.items() if m.setup and m.setup in opened]
    if fitted:
        how = fitted[0]
    default = max(bench.cranking, key=lambda name: bench.cranking[name].share)
    last = next((t.technique.meter for t in reversed(assessment.taken) if t.technique.meter), None)
    declared = merge(Technique(), job).meter
    return Technique(how=how or default, meter=declared or last, unplugged=True)


def rank(assessment: Assessment) -> tuple[tuple[Ranked, ...], tuple[LeftOut, ...]]:
    """All tests by expected information per minute, best first, and those left out."""
    model = assessment.machine.model
    opened, labour = open_setups(model, assessment.job), Labour.of(model)
    technique = next_technique(assessment, opened)
    permits = Permits(assessment)
    left = {t: permit.reason for t in model.tests if not (permit := permits.test(t)).allowed}
    p_state = assessment.state_p / assessment.state_p.sum()
    ranked = []
    for name in model.tests:
        if name in left:
            continue
        outcomes, _table = assessment.predictive(name, technique)
        p = assessment.foreseen(name, technique)
        p = p / p.sum(axis=1, keepdims=True)
        missing = [s for s in model.setups_of(name) if s not in opened]
        ranked.append(
            Ranked(
                name,
                mutual_information(p_state, p),
                labour.minutes([name], opened),
                tuple(missing),
                _branches(assessment, outcomes, p_state, p),
            )
        )
    ranked.sort(key=lambda r: (-r.bits_per_minute, r.test))
    return tuple(ranked), tuple(LeftOut(t, why) for t, why in left.items())


def _branches(
    assessment: Assessment, outcomes: Sequence[Outcome], p_state: Array, p: Array
) -> tuple[Branch, ...]:
    """Outcomes grouped by how a bare comparison judges them, with the odds each would leave."""
    words = {1: _("within limit"), -1: _("outside limit"), 0: _("other")}
    groups: dict[tuple[str, int], list[int]] = {}
    named = len(outcomes) <= 5
    for i, outcome in enumerate(outcomes):
        own = named or outcome.label in ("OL", "unstable")
        key = (outcome.label, 0) if own else (words[outcome.sign], outcome.sign)
        groups.setdefault(key, []).append(i)
    out = []
    for (label, judged), members in groups.items():
        weight = p_state * p[:, members].sum(axis=1)
        chance = float(weight.sum())
        if chance < 0.005:
            continue
        p_mode = assessment.folded.p_mode(weight / chance)
        out.append(Branch(label, chance, p_mode, judged))
    return tuple(sorted(out, key=lambda b: -b.p))


def acts(assessment: Assessment, shop: Shop) -> tuple[Act, ...]:
    """Every repair with its chance to cure and the price of doing it now, cheapest first.

    The price is the part and its fitting, plus the part again where it does not cure and
    cannot go back, in plugs. Sets of faults that are not looked at count as not cured.
    """
    model, labour = assessment.machine.model, shop.plugs_per_minute
    permits = Permits(assessment)
    total = float(assessment.state_p.sum())
    done = {a.repair for a in assessment.job.live_actions if not a.back}
    out = []
    for name, repair in model.repairs.items():
        faults = cleared(repair, model)
        cures = sum(
            p
            for state, p in zip(assessment.folded.states, assessment.state_p, strict=True)
            if state and set(state) <= faults
        )
        needed = sum(
            p
            for state, p in zip(assessment.folded.states, assessment.state_p, strict=True)
            if set(state) & faults
        )
        p_cures, p_needed = float(cures), float(needed) / total
        minutes = to_base(repair.minutes, "min")
        waste = 0.0 if repair.returnable else (1 - p_needed) * repair.cost
        permit, again = permits.repair(name), name in done
        ready = p_needed >= _least(model, name, again, shop) and permit.allowed
        cost = labour * minutes + repair.cost + waste
        out.append(Act(name, p_cures, p_needed, cost, ready, permit, again))
    return tuple(sorted(out, key=lambda a: (-a.p_needed, a.repair)))


def plan(assessment: Assessment, shop: Shop) -> Plan:
    """What to do next: a repair that is ripe, the best test, proving or changing gear, or stop.

    After a repair the complaint itself is looked at before anything else, as soon as a cure is
    more likely than not; a machine that passed, and is cured as surely as the shop asks, goes out.
    A ripe repair waits when one more test is expected to save more, in waste avoided, than
    its own minutes cost (one-step value of sample information; Raiffa 1968). So must a test that
    was read twice on the machine as it is; one that was read three times is not proposed. When
    nothing else tells anything, what the likeliest ripe repair waits for is done.
    """
    ranking, left = rank(assessment)
    repairs = acts(assessment, shop)
    suspect = suspects(assessment)
    if failed := next((item for item in suspect.values() if item in tried(assessment)), None):
        return Plan("change-gear", None, None, ranking, left, repairs, failed)
    proof = next((r for r in ranking if r.test in suspect), None)
    if proof is not None:
        return Plan("prove-gear", proof.test, None, ranking, left, repairs)
    times = Counter(
        t.reading.test
        for t in assessment.taken
        if t.table is not None and not assessment.is_stale(t)
    )
    fresh = [r for r in ranking if times[r.test] < THRICE]
    if assessment.job.live_actions and assessment.p_cured >= EVEN:
        asked = unproved(assessment)
        check = min((r for r in fresh if r.test in asked), key=lambda r: r.minutes, default=None)
        if check is not None:
            return Plan("test", check.test, None, ranking, left, repairs)
        if not asked and assessment.p_cured >= shop.proof.sure:
            return Plan("close", None, None, ranking, left, repairs)
    best = next((r for r in fresh if _tells(assessment, r, times, repairs, shop)), None)
    ripe = next((a for a in repairs if a.ready), None)
    if ripe is not None:
        saving, test = max(
            ((_saving(assessment, ripe, r, shop), r) for r in fresh[:LOOKED_AT]),
            key=lambda pair: pair[0],
            default=(0.0, None),
        )
        if test is None or saving <= 0:
            return Plan("repair", None, ripe.repair, ranking, left, repairs)
        best = test
    if best is None:
        wanted = _waited_for(assessment, repairs, shop)
        if any(a.repair == wanted for a in repairs):
            return Plan("repair", None, wanted, ranking, left, repairs)
        best = next((r for r in fresh if r.test == wanted), None)
    if best is None:
        return Plan("stop", None, None, ranking, left, repairs)
    proves = assessment.machine.model.tests[best.test].proves
    return Plan("prove-gear" if proves else "test", best.test, None, ranking, left, repairs)


def _waited_for(assessment: Assessment, repairs: Sequence[Act], shop: Shop) -> str | None:
    """The first step for the likeliest repair that would be ripe, had it not to wait.

    That is a test, or where a look has failed that a gate asks for, and that is not repeated as
    it is, the likeliest repair of what it is about.
    """
    model, permits = assessment.machine.model, Permits(assessment)
    about = gating(model)
    for act in repairs:
        repair = model.repairs[act.repair]
        if act.permit.allowed or act.p_needed < _least(model, act.repair, act.again, shop):
            continue
        names = chain(permits.rules, permits.rule(repair), permits.seen, permits.gone)
        if names:
            return names[0]
        gate = permits.rule(repair).gate
        stand = [t for group in (gate.passed if gate else ()) for t in group]
        failed = [t for t in stand if permits.seen.failed.get(t) and t in permits.gone]
        for other in repairs:
            faults = cleared(model.repairs[other.repair], model)
            if other.permit.allowed and not other.again and any(faults & about[t] for t in failed):
                return other.repair
    return None


def _least(model: SystemModel, name: str, again: bool, shop: Shop) -> float:
    """Chance of being needed from which a repair is ripe; done before, as if its part were lost."""
    least = shop.act_at(model.id, name, model.repairs[name])
    return max(least, shop.parts.sure) if again else least


def _tells(
    assessment: Assessment,
    test: Ranked,
    times: Mapping[str, int],
    repairs: Sequence[Act],
    shop: Shop,
) -> bool:
    """Whether a test is worth its walk: it tells something, or, read twice already, saves waste."""
    if test.bits < LEAST_BITS:
        return False
    if times[test.test] < TWICE:
        return True
    act = next((a for a in repairs if a.permit.allowed), None)
    return act is not None and _saving(assessment, act, test, shop) > 0


def unproved(assessment: Assessment) -> frozenset[str]:
    """Tests of which one must still pass on the machine of today, for the complaint to be gone."""
    job, machine = assessment.job, assessment.machine
    now = len(job.live_actions)
    passed = {
        t.reading.test
        for t in assessment.taken
        if t.epoch == now and all(machine.instrument(t.reading.test).sign(v) > 0 for v in t.values)
    }
    groups = (frozenset(machine.model.proof.get(c, ())) for c in job.complaint.split("+"))
    return frozenset[str]().union(*(g for g in groups if not g & passed))


def tried(assessment: Assessment) -> frozenset[str]:
    """Gear whose proof was tried since it was last changed: proving it again tells nothing new."""
    tests = assessment.machine.model.tests
    return frozenset(
        item
        for t in assessment.taken
        if t.table is not None
        and (item := tests[t.reading.test].proves)
        and t.names.get(item, item) == item
    )


def suspects(assessment: Assessment) -> dict[str, str]:
    """Tests that prove an instrument which is now likelier bad than the bench file tolerates, with
    what they prove.

    What such a proof is worth lies in the readings after it, which no one-step figure sees.
    """
    bench = assessment.machine.bench
    tolerated = {"adapter": bench.adapter.prove_at, "meter": bench.meter.prove_at}
    bad = {
        item
        for item, state, p in assessment.gear
        if state != "ok" and p >= tolerated.get(item, np.inf)
    }
    tests = assessment.machine.model.tests
    return {name: test.proves for name, test in tests.items() if test.proves in bad}


def _saving(assessment: Assessment, act: Act, test: Ranked, shop: Shop) -> float:
    """Waste that a test before a repair is expected to avoid, less the test's own minutes.

    Waste is the repair's part and labour where it was not needed. After each outcome the
    least wasteful of this repair and of those that have become ripe is done.
    """
    model, labour = assessment.machine.model, shop.plugs_per_minute
    states, p_state = assessment.folded.states, assessment.state_p / assessment.state_p.sum()
    needs = {
        name: np.array([bool(set(state) & cleared(spec, model)) for state in states], dtype=float)
        for name, spec in model.repairs.items()
    }
    price = {
        name: (0.0 if spec.returnable else spec.cost) + labour * to_base(spec.minutes, "min")
        for name, spec in model.repairs.items()
    }
    technique = next_technique(assessment, open_setups(model, assessment.job))
    joint = p_state[:, None] * assessment.foreseen(test.test, technique)
    joint = joint / joint.sum()
    chance = joint.sum(axis=0)
    now = price[act.repair] * (1 - act.p_needed)
    waste = price[act.repair] * (chance - needs[act.repair] @ joint)
    for name, spec in model.repairs.items():
        needed = needs[name] @ joint
        ripe = needed >= shop.act_at(model.id, name, spec) * chance
        waste = np.where(ripe, np.minimum(waste, price[name] * (chance - needed)), waste)
    return now - float(waste.sum()) - labour * test.minutes
