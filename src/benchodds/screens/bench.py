"""The guided loop at the bench: what next and why, the reading as typed, what it moved.

It never forces its order: any test can be recorded at any time, skipped, refused or marked
not possible. Every line is recorded at once, so leaving loses nothing.
"""

from __future__ import annotations

import shlex
from dataclasses import dataclass, field

from benchodds.basics.errors import BenchoddsError, JobError
from benchodds.basics.language import N_, _
from benchodds.basics.words import percent, wrap
from benchodds.choose.planning import Plan
from benchodds.infer.assess import Assessment
from benchodds.keep.session import Session
from benchodds.model import jobs
from benchodds.screens import render
from benchodds.screens.advising import advise
from benchodds.screens.commands import change_gear, did_repair, explain, mark_setup
from benchodds.screens.readings import parse_sheet_line, record_reading

# Translators: the words on the left are typed and stay as they are.
HELP = N_("""\
VALUE ...            what the proposed test showed; several values are kicks
TEST VALUE ...       what any other test showed; add '; how=firm-kick'
skip                 propose the next best test instead; nothing is recorded
refused | impossible mark the proposed test as unsafe, or not possible here
undo [REASON]        strike the last reading; it stays on record
next | odds          what to do next, or all odds
why [R2]             what a reading is worth
done REPAIR          a repair that was done
back REPAIR          its old part is in again
changed METER        another meter (adapter, leads) from here on
open A | closed A    a set-up that is open, or closed again
quit                 leave; the job stays as it is""")

COMMANDS = (
    "skip",
    "refused",
    "impossible",
    "undo",
    "next",
    "odds",
    "why",
    "done",
    "back",
    "changed",
    "open",
    "closed",
    "help",
    "quit",
)


@dataclass
class Bench:
    """One job at the bench: lines in, text out."""

    session: Session
    job_id: str
    skipped: list[str] = field(default_factory=list)
    over: bool = False

    def greet(self) -> str:
        """What is proposed, in a few lines."""
        assessment = self._assess()
        return self._proposal(assessment, advise(assessment, greedy=True)[0])

    def proposed(self) -> str | None:
        """The test that a bare value is recorded for."""
        assessment = self._assess()
        return self._test(advise(assessment, greedy=True)[0])

    def words(self) -> list[str]:
        """All that can be completed: commands, tests, repairs, set-ups."""
        model = self.session.machine(self.session.store.job(self.job_id)).model
        return [*COMMANDS, *model.tests, *model.repairs, *model.setups]

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
        if not line or line == "next":
            return self.greet()
        first, _space, rest = line.partition(" ")
        rest = rest.strip()
        match first.lower():
            case "help" | "?":
                return _(HELP)
            case "quit" | "exit":
                self.over = True
                return _("Job {job_id} stays as it is: benchodds bench {job_id}").format(
                    job_id=self.job_id
                )
            case "odds":
                return render.odds(self._assess())
            case "why":
                return explain(self.session, self.job_id, rest or None)[0]
            case "skip":
                test = self.proposed()
                if test:
                    self.skipped.append(test)
                return self.greet()
            case "undo":
                return self._undo(rest or _("mistyped"))
            case "done" | "back":
                back = first.lower() == "back"
                text = did_repair(self.session, self.job_id, rest, None, back=back)
                return f"{text}\n\n{self.greet()}"
            case "changed":
                text = change_gear(self.session, self.job_id, rest.split())
                return f"{text}\n\n{self.greet()}"
            case "open" | "closed":
                text = mark_setup(self.session, self.job_id, rest, first.lower() == "open")
                return f"{text}\n\n{self.greet()}"
        return self._record(line)

    def _record(self, line: str) -> str:
        """A reading of the named test, or of the proposed one."""
        machine = self.session.machine(self.session.store.job(self.job_id))
        first = shlex.split(line.partition(";")[0])[:1]
        named = bool(first) and first[0].lower().replace("_", "-") in machine.model.tests
        if not named:
            test = self.proposed()
            if test is None:
                raise JobError(_("no test is proposed now; write the test's name before its value"))
            known = machine.instrument(test).expect().words
            spaced = shlex.split(line.partition(";")[0])
            if known and len(spaced) == 2 and "/" in spaced[1]:  # none 0/10 needs no quotes
                line = f"'{' '.join(spaced)}'" + line[len(line.partition(";")[0]) :]
            line = f"{test} {line}"
        row = parse_sheet_line(machine, line)
        text = record_reading(self.session, self.job_id, row.test, row.values, row.said(), None)[0]
        self.skipped = []
        return f"{text}\n\n{self.greet()}"

    def _undo(self, reason: str) -> str:
        job = self.session.store.job(self.job_id)
        if not job.live_readings:
            raise JobError(_("there is no reading to strike"))
        last = job.live_readings[-1].id
        self.session.append(
            self.job_id,
            lambda j, at, uid: jobs.strike_event(j, last, at=at, uid=uid, reason=reason),
        )
        said = _("Struck {reading} ({reason}); it stays on record.")
        return f"{said.format(reading=last, reason=reason)}\n\n{self.greet()}"

    def _assess(self) -> Assessment:
        return self.session.assess(self.session.store.job(self.job_id))

    def _test(self, step: Plan) -> str | None:
        if step.test and step.test not in self.skipped:
            return step.test
        return next((r.test for r in step.ranking if r.test not in self.skipped), None)

    def _proposal(self, assessment: Assessment, step: Plan) -> str:
        model = assessment.machine.model
        top = sorted(assessment.p_mode.items(), key=lambda row: -row[1])[:3]
        lines = wrap(", ".join(f"{c}.{m} {percent(p)}" for (c, m), p in top), _("Leads: "))
        lines += render.approximate(assessment)[1:]
        if end := render.ending(step, assessment):
            return "\n".join([*lines, *end])
        if step.do == "repair" and step.repair:
            lines += render.careful(model, model.repairs[step.repair])
            lines += wrap(f"{step.repair} - {model.repairs[step.repair].title}", _("DO: "))
            lines += wrap(
                _("write 'done {repair}' when it is done").format(repair=step.repair), "    "
            )
        test = self._test(step)
        if test is None:
            return "\n".join([*lines, _("No test left is worth its minutes.")])
        row = next(r for r in step.ranking if r.test == test)
        spec = model.tests[test]
        word = _("DO: ") if step.do != "repair" else _("or test: ")
        minutes = _("{minutes:.0f} min").format(minutes=row.minutes)
        lines += render.careful(model, spec)
        lines += wrap(f"{test} - {spec.title}, {minutes}", word)
        lines += wrap(spec.do, "    ")
        if row.setups:
            names = (f"{s} {model.setups[s].title}" for s in row.setups)
            lines += wrap(_("first {setups}").format(setups=", ".join(names)), "    ")
        for branch in row.branches[:3]:
            lines += wrap(
                f"{branch.label} ({percent(branch.p)}): {render.fault_words(model, branch.p_mode)}",
                "    - ",
            )
        return "\n".join(lines)
