"""The guided loop at the bench: what next and why, the reading as typed, what it moved.

It never forces its order: any test can be recorded at any time, skipped, refused or marked
not possible. Every line is recorded at once, so leaving loses nothing. A line that begins with
a command's name is that command, never a reading.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field

from benchodds.basics.errors import BenchoddsError, JobError
from benchodds.basics.language import N_, _
from benchodds.choose.planning import Plan
from benchodds.infer.assess import Assessment, Machine
from benchodds.keep.session import Session
from benchodds.keep.shopfile import load_shop
from benchodds.model import jobs
from benchodds.screens import glance
from benchodds.screens.advising import advise
from benchodds.screens.commands import (
    GEAR,
    change_gear,
    close_job,
    declare_gear,
    did_repair,
    explain,
    how_to_close,
    mark_setup,
    write_report,
)
from benchodds.screens.glance import Part, fitted
from benchodds.screens.readings import parse_sheet_line, record_reading
from benchodds.screens.standing import approximate
from benchodds.screens.step import test_step

# Translators: the words on the left are typed and stay as they are.
HELP = N_("""\
VALUE ...            what the proposed test showed; several values are kicks
TEST VALUE ...       what any other test showed; add '; how=firm-kick'
TEST                 how a test is done; values then typed are of it
skip                 propose the next best test instead; nothing is recorded
refused | impossible mark the proposed test as unsafe, or not possible here
undo [REASON]        strike the last reading or repair; it stays on record
next | odds          what to do next, or what leads
why [R2]             what a reading is worth
done REPAIR          a repair that was done
back REPAIR          its old part is in again
gear meter=10M ...   the instruments of this job
changed METER        another meter (adapter, leads) from here on
open A | closed A    a set-up that is open, or closed again
close FAULT GRADE    end the job: what it was, and how sure that is
report               write the page for the customer
jobs                 the jobs that are open
quit                 leave; the job stays as it is""")


@dataclass
class Bench:
    """One job at the bench: lines in, text out; ``outside`` are commands it leaves to others."""

    session: Session
    job_id: str
    outside: Collection[str] = ()
    skipped: list[str] = field(default_factory=list)
    picked: str | None = None
    over: bool = False

    def greet(self) -> str:
        """What is proposed, in a few lines."""
        if self.session.store.job(self.job_id).is_closed:
            return _("Job {job_id} is closed: 'report' writes its page, 'quit' leaves.").format(
                job_id=self.job_id
            )
        return "\n".join(fitted(self._proposed_parts()))

    def proposed(self) -> str | None:
        """The test that a bare value is recorded for."""
        return self.picked or self._test(advise(self._assess(), greedy=True)[0])

    def words(self) -> list[str]:
        """All that can be completed: commands, tests, repairs, set-ups."""
        model = self._machine().model
        return [*self.commands, *model.tests, *model.repairs, *model.setups]

    def handle(self, line: str) -> str:
        """Do what a line says and return what to show; mistakes are told, nothing is lost."""
        try:
            return self._handle(line.strip())
        except BenchoddsError as error:
            return f"! {error}"
        except ValueError as error:
            return "! " + _("{line!r} cannot be read ({error}); close the quotes").format(
                line=line.strip(), error=error
            )

    def _handle(self, line: str) -> str:
        line = line.removeprefix("benchodds ").strip()
        first, _space, rest = line.partition(" ")
        name, model = first.lower(), self._machine().model
        if not line:
            return self.greet()
        if name == "open" and rest.lower().startswith(("circuit", "@")):
            return self._record(line)
        if name in self.commands:
            return self.commands[name](rest.strip())
        if name in self.outside and name not in model.tests:
            raise JobError(
                _("'{name}' is not done from here; leave with quit, then: benchodds {name}").format(
                    name=name
                )
            )
        test = name.replace("_", "-")
        if test in model.tests and not rest:
            self.picked = test
            return self.greet()
        return self._record(line)

    @property
    def commands(self) -> Mapping[str, Callable[[str], str]]:
        """What can be typed besides readings, by its first word."""
        told, job = self._then, self.job_id
        return {
            "help": lambda _rest: _(HELP),
            "?": lambda _rest: _(HELP),
            "quit": self._quit,
            "exit": self._quit,
            "next": self._next,
            "odds": lambda _rest: "\n".join(glance.odds(self._assess())),
            "why": lambda rest: explain(self.session, job, rest or None)[0],
            "skip": self._skip,
            "undo": self._undo,
            "done": lambda rest: told(did_repair(self.session, job, rest, None)),
            "back": lambda rest: told(did_repair(self.session, job, rest, None, back=True)),
            "gear": lambda rest: told(declare_gear(self.session, job, _pairs(rest))),
            "changed": lambda rest: told(change_gear(self.session, job, rest.split())),
            "open": lambda rest: told(mark_setup(self.session, job, rest, True)),
            "closed": lambda rest: told(mark_setup(self.session, job, rest, False)),
            "close": self._close,
            "report": lambda _rest: write_report(self.session, job),
            "jobs": self._jobs,
            "record": self._record,
        }

    def _then(self, text: str) -> str:
        """What was done, and what is next."""
        return f"{text}\n\n{self.greet()}"

    def _next(self, _rest: str) -> str:
        self.picked = None
        return self.greet()

    def _quit(self, _rest: str) -> str:
        self.over = True
        return _("Job {job_id} stays as it is: benchodds bench {job_id}").format(job_id=self.job_id)

    def _skip(self, _rest: str) -> str:
        if test := self.proposed():
            self.skipped.append(test)
        self.picked = None
        return self.greet()

    def _jobs(self, _rest: str) -> str:
        found = self.session.store.snapshot()
        rows = [r.told() for r in found.lines(open_only=True)]
        rows += [_("Left out: {reason}").format(reason=error) for error in found.damaged]
        return "\n".join(rows)

    def _close(self, rest: str) -> str:
        words = shlex.split(rest)
        if len(words) < 2:
            return "\n".join(how_to_close(self._assess(), "close"))
        return close_job(self.session, self.job_id, words[:-1], words[-1], None, None)[0]

    def _record(self, line: str) -> str:
        """A reading of the named test, or of the proposed one."""
        machine = self._machine()
        first = line.split(None, 1)[:1]
        if not (first and first[0].lower().replace("_", "-") in machine.model.tests):
            test = self.proposed()
            if test is None:
                raise JobError(_("no test is proposed now; write the test's name before its value"))
            line = f"{test} {line}"
        row = parse_sheet_line(machine, line)
        found = record_reading(self.session, self.job_id, row.test, row.values, row.said(), None)
        self.skipped, self.picked = [], None
        return "\n".join(fitted([*found.parts(), *self._proposed_parts(False)]))

    def _undo(self, reason: str) -> str:
        job, reason = self.session.store.job(self.job_id), reason or _("mistyped")
        done = [(x.seq, x.id) for x in job.live_readings]
        done += [(x.seq, x.id) for x in job.live_actions]
        if not done:
            raise JobError(_("there is no reading to strike"))
        last = max(done)[1]
        self.session.append(
            self.job_id,
            lambda j, at, uid: jobs.strike_event(j, last, at=at, uid=uid, reason=reason),
        )
        said = _("Struck {reading} ({reason}); it stays on record.")
        return self._then(said.format(reading=last, reason=reason))

    def _machine(self) -> Machine:
        return self.session.machine(self.session.store.job(self.job_id))

    def _assess(self) -> Assessment:
        return self.session.assess(self.session.store.job(self.job_id))

    def _test(self, step: Plan) -> str | None:
        if step.test and step.test not in self.skipped:
            return step.test
        return next((r.test for r in step.ranking if r.test not in self.skipped), None)

    def _proposed_parts(self, leads: bool = True) -> list[Part]:
        assessment = self._assess()
        return self._parts(assessment, advise(assessment, greedy=True)[0], leads)

    def _parts(self, assessment: Assessment, step: Plan, leads: bool = True) -> list[Part]:
        """The proposal, or the test that was asked for; below a repair the test beside it."""
        shop, test = load_shop(), self.picked or self._test(step)
        parts = [Part(glance.leads(assessment)), Part(approximate(assessment))] if leads else []
        word = _("DO: ")
        if self.picked is None:
            if step.do in ("close", "change-gear") or test is None:
                return [*parts, *glance.step_parts(assessment, step, shop)]
            if step.do == "repair":
                parts += glance.step_parts(assessment, step, shop)
                word = _("or test: ")
        return [*parts, *glance.test_parts(test_step(assessment, step, str(test)), word)]


def _pairs(text: str) -> dict[str, str]:
    """'meter=10M adapter=none' as a mapping. Raises JobError, saying what would do."""
    words = [word.partition("=") for word in shlex.split(text)]
    wrong = next((w for w, _equals, v in words if w not in GEAR or not v), None)
    if wrong is not None or not words:
        raise JobError(
            _("say it as {known}, such as: gear meter=10M adapter=none").format(
                known=", ".join(f"{g}=..." for g in GEAR)
            )
        )
    return {key: value for key, _equals, value in words}
