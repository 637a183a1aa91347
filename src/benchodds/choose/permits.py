"""A job as it stands: what may be done on it now, and in words why the rest may not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

from benchodds.basics.language import N_, _, ngettext
from benchodds.basics.quantities import SILENT, Value
from benchodds.basics.words import percent
from benchodds.choose.rules import (
    Gate,
    Group,
    Rule,
    Seen,
    by_odds,
    chain,
    rule_of,
)
from benchodds.infer.assess import Assessment, Machine, course_of
from benchodds.model.jobs import Job, Reading
from benchodds.model.system import Repair, Test

LOOKED = N_("already looked")
"""Why a look is not proposed again: it goes without saying."""


def marks(machine: Machine, job: Job) -> Seen:
    """What the live readings of a job have shown, as far as gates and orders ask for it."""
    last: dict[str, tuple[int, bool]] = {}
    for reading, values in _read(machine, job):
        if told := [v for v in values if v.kind not in SILENT]:
            tool = machine.instrument(reading.test)
            last[reading.test] = (reading.seq, all(tool.sign(v) > 0 for v in told))
    since = _reopened_at(machine, job)
    passed = [t for t, (seq, good) in last.items() if good and seq > since.get(t, 0)]
    return Seen.of(last, passed, [t for t, (_seq, good) in last.items() if not good])


def never_again(machine: Machine, job: Job) -> dict[str, str]:
    """Tests that will not be done on this job, whatever else is, with the reason.

    A look is not repeated, but where what it is about was worked on.
    """
    since = _reopened_at(machine, job)
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


def _reopened_at(machine: Machine, job: Job) -> dict[str, int]:
    """When what tests are about was last worked on, as numbers of events.

    What proves that the complaint is gone is about everything.
    """
    out: dict[str, int] = {}
    proofs = {t for c in job.complaint.split("+") for t in machine.model.proof.get(c, ())}
    if actions := job.live_actions:
        epochs = course_of(machine, job).names
        for action, (before, after) in zip(actions, pairwise(epochs), strict=True):
            moved = {v for v in machine.scopes if before.get(v, v) != after.get(v, v)}
            about = {t for t in machine.model.tests if moved & set(machine.reads(t))}
            out |= dict.fromkeys(about | proofs, action.seq)
    return out


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
        model = self.assessment.machine.model
        states = self.assessment.folded.states if step.gate else ()
        return rule_of(model, step, states)

    def test(self, name: str) -> Permit:
        """Whether a test may be done now."""
        if name in self.gone:
            return Permit((self.gone[name],))
        return self._permit(self.rules[name])

    def repair(self, name: str) -> Permit:
        """Whether a repair may be done now, however likely it is to be needed."""
        return self._permit(self.rule(self.assessment.machine.model.repairs[name]))

    def _permit(self, rule: Rule) -> Permit:
        due = [
            group
            for group in rule.first
            if not (self.seen.had(group) or (rule.waived and not self._can_be_had(group)))
        ]
        first = [either(group) for group in due if not any(less < group for less in due)]
        reasons = [_("first {tests}").format(tests=tests) for tests in first]
        shut = [g for g in (rule.gate.passed if rule.gate else ()) if not self.seen.cleared(g)]
        again = [sorted(name for name in g if self.seen.failed.get(name)) for g in shut]
        failed = [name for names in again for name in names]
        passes = [
            _(" and ").join(names) if names else either(group)
            for group, names in zip(shut, again, strict=True)
        ]
        if passes:
            reasons.append(
                ngettext(
                    "only after {tests} has passed, else it would risk harm",
                    "only after {tests} have passed, else it would risk harm",
                    len(passes),
                ).format(tests=_(", and ").join(passes))
            )
        if failed:
            reasons.append(
                _("{tests} failed: mend it, or see what was misread, and take it again").format(
                    tests=", ".join(failed)
                )
            )
        if rule.gate and not passes:
            reasons += self._odds(rule.gate)
        return Permit(tuple(reasons), (*passes, *first))

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
