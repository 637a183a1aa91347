"""What the forms of the page do to a job: each once, however often the network brings it.

A form bears its event's token (``uid``). When a reading is corrected before the page has heard
that it arrived, the same form is sent again with the next ``turn``: the last turn stands,
whichever of them arrived, in whatever order; one before it that did arrive is struck.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from threading import Lock

from benchodds.basics.errors import JobError, UnknownJobError
from benchodds.basics.language import _
from benchodds.keep.session import Session
from benchodds.model import jobs
from benchodds.model.jobs import Job, Reading, Technique
from benchodds.screens.benchview import typed_values
from benchodds.screens.commands import GEAR, change_gear, declare_gear, did_repair, mark_setup
from benchodds.screens.glance import fitted
from benchodds.screens.readings import make_technique, record_reading

Form = Mapping[str, Sequence[str]]
"""The fields of a form and what stands in them."""

TECHNIQUE = ("how", "meter", "leads", "light", "unplugged")


def one(form: Form, name: str) -> str:
    """What stands in a field of which there is one; nothing when there is none."""
    return next(iter(form.get(name, ())), "")


class Posted:
    """Takes what is sent, one form at a time."""

    def __init__(self, session: Session) -> None:
        self.session, self._turn_by_turn = session, Lock()

    def take(self, deed: str, job_id: str, form: Form) -> str:
        """Do what a form says, a key of :data:`DEEDS`; what was done, in words.

        Raises
        ------
        UnknownJobError
            No such job, or another one than the form was made for.
        BenchoddsError
            Saying what is wrong; nothing is recorded then.
        """
        with self._turn_by_turn:
            job = self.session.store.job(job_id)
            if one(form, "of") != job.events[0].uid:
                raise UnknownJobError(
                    _(
                        "this was written for another job '{job_id}' than the one of that name "
                        "in {where}; serve the page from the store that has it"
                    ).format(job_id=job_id, where=self.session.store.where)
                )
            if not one(form, "uid"):
                raise JobError(_("this form has no token of its own; open the job again"))
            return DEEDS[deed](self.session, job, form)


def _reading(session: Session, job: Job, form: Form) -> str:
    text = one(form, "turn")
    turn = int(text) if text.isdecimal() and len(text) < 5 else 0
    turns = _turns(job, one(form, "uid"))
    if any(t > turn for t in turns):
        return _("A later word of the same form is recorded.")
    test, note = one(form, "test"), one(form, "note") or None
    technique = make_technique({k: one(form, k) for k in TECHNIQUE if one(form, k)})
    fields = (one(form, k) for k in ("unit", "hits", "tries", "mark"))
    values = typed_values(form.get("value", ()), *fields)
    if turn in turns and _is_same(turns[turn], test, values, technique, note):
        said = _("{reading} is recorded.").format(reading=turns[turn].id)
    else:
        uid = one(form, "uid") + (f"~{turn}" if turn else "")
        found = record_reading(session, job.id, test, values, technique, note, uid)
        said = "\n".join(fitted(found.parts()))
    for earlier in (r for t, r in turns.items() if t < turn and r.struck is None):
        _strike_it(session, job, earlier.id, _("corrected"), f"{one(form, 'uid')}~{turn}-")
    return said


def _turns(job: Job, uid: str) -> dict[int, Reading]:
    """The readings that came of one form, by turn."""
    found = {}
    for reading in job.readings:
        first, _tilde, turn = job.events[reading.seq - 1].uid.partition("~")
        if first == uid:
            found[int(turn) if turn.isdecimal() else 0] = reading
    return found


def _is_same(
    reading: Reading, test: str, values: Sequence[str], technique: Technique, note: str | None
) -> bool:
    """Whether a recorded reading is this one; its card came from the job."""
    was, now = reading.technique.as_data(), technique.as_data()
    was.pop("card", None)
    return (reading.test, reading.values, reading.note, was) == (test, tuple(values), note, now)


def _strike_it(session: Session, job: Job, reading: str, reason: str, token: str) -> None:
    session.append(
        job.id,
        lambda j, at, uid: jobs.strike_event(j, reading, at=at, uid=uid, reason=reason),
        token,
    )


def _strike(session: Session, job: Job, form: Form) -> str:
    reading, reason = one(form, "reading"), one(form, "reason") or _("mistyped")
    _strike_it(session, job, reading, reason, one(form, "uid"))
    return _("Struck {reading}.").format(reading=reading)


def _setup(session: Session, job: Job, form: Form) -> str:
    is_open = one(form, "state") == "open"
    return mark_setup(session, job.id, one(form, "setup"), is_open, one(form, "uid"))


def _gear(session: Session, job: Job, form: Form) -> str:
    if changed := one(form, "changed"):
        return change_gear(session, job.id, [changed], one(form, "uid"))
    items = {k: one(form, k) for k in GEAR if one(form, k)}
    return declare_gear(session, job.id, items, one(form, "uid"))


def _done(session: Session, job: Job, form: Form) -> str:
    back = bool(one(form, "back"))
    return did_repair(session, job.id, one(form, "repair"), None, one(form, "uid"), back=back)


DEEDS: Mapping[str, Callable[[Session, Job, Form], str]] = {
    "reading": _reading,
    "strike": _strike,
    "setup": _setup,
    "gear": _gear,
    "done": _done,
}
"""What can be done to a job from the page, by the last word of the address."""
