"""The advice laid out for people: the step that a policy takes, and all that stands behind it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchodds.basics.language import _
from benchodds.choose.benchstate import THRICE, next_technique, reads
from benchodds.choose.choosing import decision_of
from benchodds.choose.decision import CHANGE, END, REPAIR, TEST, Check, Decision, Step
from benchodds.choose.permits import Permit, Permits
from benchodds.choose.policies import OUT, by_rate, usual
from benchodds.choose.shop import Shop
from benchodds.infer.assess import Assessment
from benchodds.measure.instrument import Outcome


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


def rank(
    assessment: Assessment, decision: Decision
) -> tuple[tuple[Ranked, ...], tuple[LeftOut, ...]]:
    """All tests by expected information per minute, best first, and those left out."""
    model, permits = assessment.machine.model, Permits(assessment)
    technique = next_technique(assessment, decision.opened)
    left = {t: permit.reason for t in model.tests if not (permit := permits.test(t)).allowed}
    for test, times in reads(assessment).items():
        if times >= THRICE:
            reason = _("read {times} times on the machine as it is").format(times=times)
            left.setdefault(test, reason)
    rows = []
    for check, bits in by_rate(decision, [c for c in decision.checks if c.name not in left]):
        outcomes, _table = assessment.predictive(check.name, technique)
        setups = tuple(s for s in model.setups_of(check.name) if s not in decision.opened)
        branches = _branches(assessment, decision, check, outcomes)
        rows.append(Ranked(check.name, bits, decision.minutes_of(check), setups, branches))
    return tuple(rows), tuple(LeftOut(t, left[t]) for t in model.tests if t in left)


def _branches(
    assessment: Assessment, decision: Decision, check: Check, outcomes: Sequence[Outcome]
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
        weight = (decision.p * check.p[:, :, members].sum(axis=2)).sum(axis=1)
        chance = float(weight.sum())
        if chance < 0.005:
            continue
        p_mode = assessment.folded.p_mode(weight / chance)
        out.append(Branch(label, chance, p_mode, judged))
    return tuple(sorted(out, key=lambda b: -b.p))


def acts(assessment: Assessment, decision: Decision, shop: Shop) -> tuple[Act, ...]:
    """Every repair with its chance to cure and the price of doing it now, likeliest first.

    The price is the part and its fitting, plus the part again where it does not cure and
    cannot go back, in plugs. Sets of faults that are not looked at count as not cured.
    """
    model, permits = assessment.machine.model, Permits(assessment)
    p = decision.p.sum(axis=1)
    done = {a.repair for a in assessment.job.live_actions if not a.back}
    out = []
    for remedy in decision.remedies:
        name, repair = remedy.name, model.repairs[remedy.name]
        p_cures = (1 - decision.missing) * float(p[remedy.cures].sum())
        p_needed = remedy.p_needed(p)
        waste = 0.0 if repair.returnable else (1 - p_needed) * repair.cost
        permit = permits.repair(name)
        ripe = p_needed >= remedy.act_at and name not in decision.mended
        cost = shop.plugs_per_minute * remedy.minutes + repair.cost + waste
        out.append(
            Act(name, p_cures, p_needed, cost, ripe and permit.allowed, permit, name in done)
        )
    return tuple(sorted(out, key=lambda a: (-a.p_needed, a.repair)))


def plan(assessment: Assessment, shop: Shop) -> Plan:
    """The usual step on a job, laid out."""
    decision = decision_of(assessment.machine, assessment.job, assessment, shop)
    return laid_out(assessment, decision, usual(decision), shop)


def laid_out(assessment: Assessment, decision: Decision, step: Step, shop: Shop) -> Plan:
    """A step with all tests and repairs beside it."""
    proves = step.kind == TEST and assessment.machine.model.tests[step.name].proves
    words = {
        TEST: "prove-gear" if proves else "test",
        REPAIR: "repair",
        CHANGE: "change-gear",
        END: "close" if step == OUT else "stop",
    }
    test, repair, gear = (step.name if step.kind == k else None for k in (TEST, REPAIR, CHANGE))
    rows, left = rank(assessment, decision)
    return Plan(words[step.kind], test, repair, rows, left, acts(assessment, decision, shop), gear)
