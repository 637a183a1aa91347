"""A job as it stands: what may be done on it now, and in words why the rest may not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from benchodds.basics.language import N_, _
from benchodds.basics.quantities import Value
from benchodds.basics.words import percent
from benchodds.choose.rules import (
    Gate,
    Group,
    Rule,
    Seen,
    by_odds,
    chain,
    cleared,
    reopened,
    rule_of,
)
from benchodds.infer.assess import SILENT, Assessment, Machine
from benchodds.model.jobs import Job, Reading
from benchodds.model.system import Repair, SystemModel, Test

LOOKED = N_("already looked")
"""Why a look is not proposed again: it goes without saying."""


def marks(machine: Machine, job: Job) -> Seen:
    """What the live readings of a job have shown, as far as gates and orders ask for it."""
    last: dict[str, tuple[int, bool]] = {}
    for reading, values in _read(machine, job):
        if told := [v for v in values if v.kind not in SILENT]:
            tool = machine.instrument(reading.test)
            last[reading.test] = (reading.seq, all(tool.sign(v) > 0 for v in told))
    since = _reopened_at(machine.model, job)
    passed = [t for t, (seq, good) in last.items() if good and seq > since.get(t, 0)]
    return Seen.of(last, passed, [t for t, (_seq, good) in last.items() if not good])


def never_again(machine: Machine, job: Job) -> dict[str, str]:
    """Tests that will not be done on this job, whatever else is, with the reason.

    A look is not repeated, but where a gate waits for it and what it is about was mended.
    """
    since = _reopened_at(machine.model, job)
    looked: dict[str, int] = {}
    out: dict[str, str] = {}
    for reading, values in _read(machine, job):
        kinds, name = {v.kind for v in values}, reading.test
        if machine.model.tests[name].kind == "look" and not kinds <= set(SILENT):
            looked[name] = reading.seq
        out.pop(name, None)
        if "refused" in kinds:
            out[name] = _("refused as unsafe")
        elif "impossible" in kinds:
            out[name] = _("not possible here")
        elif looked.get(name, 0) > since.get(name, 0):
            out[name] = _(LOOKED)
    return out


def _read(machine: Machine, job: Job) -> Iterator[tuple[Reading, tuple[Value, ...]]]:
    """The live readings of a job as understood, in order."""
    for reading in job.live_readings:
        yield reading, machine.instrument(reading.test).parse(reading.values)


def _reopened_at(model: SystemModel, job: Job) -> dict[str, int]:
    """When tests that gates wait for were last made void by a repair, as numbers of events."""
    return {
        test: action.seq
        for action in job.actions
        if action.repair in model.repairs
        for test in reopened(model, model.repairs[action.repair])
    }


def mended_faults(model: SystemModel, job: Job) -> frozenset[tuple[str, str]]:
    """Faults that repairs done on a job have cleared, as far as is said."""
    repairs = (model.repairs[a.repair] for a in job.actions if a.repair in model.repairs)
    return frozenset(f for repair in repairs for f in cleared(repair, model))


@dataclass(frozen=True)
class Permit:
    """Whether a step may be done now; if not, why, and the tests that it waits for."""

    reasons: tuple[str, ...] = ()
    waits: tuple[str, ...] = ()

    @property
    def allowed(self) -> bool:
        """Whether it may be done."""
        return not self.reasons

    @property
    def reason(self) -> str:
        """Why not, in words; empty when it may."""
        return "; ".join(self.reasons)


@dataclass(frozen=True, eq=False)
class Permits:
    """What may be done on a job as it stands."""

    assessment: Assessment

    @cached_property
    def seen(self) -> Seen:
        """What the readings have shown."""
        return marks(self.assessment.machine, self.assessment.job)

    @cached_property
    def gone(self) -> Mapping[str, str]:
        """Tests that will not be done any more, with the reason."""
        return never_again(self.assessment.machine, self.assessment.job)

    @cached_property
    def rules(self) -> dict[str, Rule]:
        """The rules of all tests."""
        return {name: self.rule(test) for name, test in self.assessment.machine.model.tests.items()}

    def rule(self, step: Test | Repair) -> Rule:
        """The rule of a test or repair on this job."""
        model, job = self.assessment.machine.model, self.assessment.job
        states = self.assessment.folded.states if step.gate else ()
        return rule_of(model, step, states, mended_faults(model, job))

    def test(self, name: str) -> Permit:
        """Whether a test may be done now."""
        if name in self.gone:
            return Permit((self.gone[name],))
        return self._permit(self.rules[name])

    def repair(self, name: str) -> Permit:
        """Whether a repair may be done now, however likely it is to be needed."""
        return self._permit(self.rule(self.assessment.machine.model.repairs[name]))

    def _permit(self, rule: Rule) -> Permit:
        reasons, waits = [], []
        for group in rule.first:
            if self.seen.had(group) or (rule.waived and not self._can_be_had(group)):
                continue
            waits.append(either(group))
            reasons.append(_("first {tests}").format(tests=waits[-1]))
        gate = rule.gate
        for group in gate.passed if gate else ():
            failed = [name for name in sorted(group) if self.seen.failed.get(name)]
            if failed:
                waits.append(_(" and ").join(failed))
                reasons.append(
                    _(
                        "only after {tests} has passed, else it would risk harm: it failed; mend "
                        "what is wrong or see what was misread, and take it again"
                    ).format(tests=waits[-1])
                )
            elif not self.seen.cleared(group):
                waits.append(either(group))
                reasons.append(
                    _("only after {tests} has passed, else it would risk harm").format(
                        tests=waits[-1]
                    )
                )
        if gate is not None and not reasons:
            reasons += self._odds(gate)
        return Permit(tuple(reasons), tuple(waits))

    def _can_be_had(self, group: Group) -> bool:
        return chain(self.rules, Rule((group,)), self.seen, self.gone) is not None

    def _odds(self, gate: Gate) -> list[str]:
        """Why a gate whose tests have passed is closed all the same."""
        p = self.assessment.state_p / self.assessment.state_p.sum()
        risk = float(gate.harm(p))
        if by_odds(Rule(gate=gate), p):
            return []
        worst = max(
            (
                (float(p[i]), state)
                for i, state in enumerate(self.assessment.folded.states)
                if gate.harmed[i]
            ),
            key=lambda row: row[0],
        )[1]
        return [
            _(
                "would risk harm: {risk} that what would do it is still there ({faults} most of "
                "all), where less than {under} is allowed"
            ).format(
                risk=percent(risk),
                faults=_(" with ").join(".".join(f) for f in worst),
                under=percent(gate.under),
            )
        ]


def either(group: Group) -> str:
    """Tests of which one is enough, in words."""
    return _(" or ").join(sorted(group))
