"""The job: an append-only record of events, and its state as a fold over them.

Pure: no disk, no clock, no randomness; times and tokens come in with the events.
What an event holds is said in one table, `_SHAPES`, and what may follow what in one place,
`_step`. The builders (`reading_event`, ...) ask them before they hand out an event, `fold`
asks them for every event of a stored history, so the two cannot disagree.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from typing import Any, Self

from benchodds.basics.errors import (
    BenchoddsError,
    ClosedJobError,
    JobError,
    UnknownNameError,
    nearest,
)
from benchodds.basics.language import N_, _
from benchodds.basics.text import all_written
from benchodds.model.events import _OPENED_WITH, DERIVED, Event, EventKind, check_form, plain
from benchodds.model.technique import Technique as Technique

MOST_MINUTES = 100_000
"""Most minutes of labour that a job may have."""
_LISTS = ("readings", "setup_log", "gear_changes", "actions", "notes", "events")
_NAME = re.compile(r"[^\W_][\w-]{0,63}")
_NAMES = N_("1 to 64 letters, digits, - and _, a letter or digit first, not a bare number")
CHANGED = "changed"
"""Key of a gear event under which what was mended or replaced stands."""

CHANGEABLE = ("adapter", "meter", "leads")


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading as written down. A struck one stays on record and keeps its number."""

    id: str  # "R1", "R2", ... in order of recording
    seq: int  # of its event
    test: str
    values: tuple[str, ...]  # as written; several = several kicks or tries in one hook-up
    technique: Technique
    at: str
    struck: str | None = None  # reason, when withdrawn
    note: str | None = None


@dataclass(frozen=True, slots=True)
class SetupMark:
    """An explicit statement that a set-up is open or closed; later readings may override it."""

    seq: int
    setup: str
    open: bool


@dataclass(frozen=True, slots=True)
class Action:
    """A repair that was done, or undone: ``back`` puts the old part in again."""

    id: str  # "D1", "D2", ... in order of doing
    seq: int
    at: str
    repair: str
    note: str | None = None
    back: bool = False
    struck: str | None = None  # reason, when withdrawn
    odds: Mapping[str, Any] | None = None  # as they were shown, see `odds_shown`


@dataclass(frozen=True, slots=True)
class Note:
    """A free remark; it carries no likelihood."""

    seq: int
    at: str
    text: str


@dataclass(frozen=True, slots=True)
class Job:
    """A job as its events so far say it is."""

    id: str
    system: str
    variant: str
    complaint: str
    contexts: tuple[str, ...]
    model_version: str  # with the two below: what the job was opened with
    prior_set: str
    prior_version: str
    opened_at: str
    name: str | None = None
    closed: Mapping[str, Any] | None = None  # verdict of the last close, maybe {}; None = open
    closed_at: str | None = None
    closed_odds: Mapping[str, Any] | None = None  # as they were shown then
    files: Mapping[str, Any] = field(default_factory=dict)  # what it was opened with
    perhaps: Mapping[str, float] = field(default_factory=dict)  # contexts with their chance
    replaced: tuple[str, ...] = ()  # repairs that somebody did before it came
    readings: tuple[Reading, ...] = ()  # all, struck ones included
    setup_log: tuple[SetupMark, ...] = ()
    gear: Mapping[str, Any] = field(default_factory=dict)  # declared; the latest word wins
    gear_changes: tuple[tuple[int, str], ...] = ()  # event and item that was mended or replaced
    actions: tuple[Action, ...] = ()
    notes: tuple[Note, ...] = ()
    events: tuple[Event, ...] = ()

    @property
    def told(self) -> Mapping[str, float]:
        """What went before, with the chance that it did."""
        return {**dict.fromkeys(self.contexts, 1.0), **self.perhaps}

    @property
    def said(self) -> tuple[str, ...]:
        """Complaints, and what more likely than not went before."""
        return (*self.complaint.split("+"), *(c for c, p in self.told.items() if p >= 0.5))

    @property
    def live_readings(self) -> tuple[Reading, ...]:
        """The readings that have not been struck."""
        return tuple(r for r in self.readings if r.struck is None)

    @property
    def live_actions(self) -> tuple[Action, ...]:
        """What was done and has not been struck; each begins an epoch of the machine."""
        return tuple(a for a in self.actions if a.struck is None)

    def epoch(self, seq: int) -> int:
        """The epoch in which an event stands: how often the machine was changed before it."""
        return sum(a.seq < seq for a in self.live_actions)

    def until(self, epoch: int) -> Job:
        """The job as it stood at the end of an epoch: what was read and done later left out."""
        done = self.live_actions
        end = done[epoch].seq if epoch < len(done) else math.inf
        return replace(
            self,
            readings=tuple(r for r in self.readings if r.seq < end),
            actions=tuple(a for a in self.actions if a.seq < end),
            gear_changes=tuple(c for c in self.gear_changes if c[0] < end),
        )

    def gear_before(self, seq: float) -> dict[str, int]:
        """How often each item of gear had been changed before an event."""
        return Counter(item for at, item in self.gear_changes if at < seq)

    def put_back(self, action: Action) -> Action | None:
        """What an action puts back: the last of its repair that was not put back before."""
        return _last_done(self.live_actions, action.repair, action.seq)

    @property
    def is_closed(self) -> bool:
        """Whether the job is closed; an empty verdict closes it too."""
        return self.closed is not None

    @property
    def setups(self) -> dict[str, bool]:
        """The last explicit word on each set-up: is it open?"""
        return {mark.setup: mark.open for mark in self.setup_log}


def check_name(name: str) -> str:
    """Return a job's name in its one written form (Unicode NFC). Raises JobError if unfit."""
    text = unicodedata.normalize("NFC", name)
    if not _NAME.fullmatch(text) or text.isnumeric():
        raise JobError(
            _("'{name}' cannot name a job; use {names}").format(name=name, names=_(_NAMES))
        )
    return text


def fold(job_id: str, events: Iterable[Event]) -> Job:
    """Return the job that a history adds up to; an event repeated with its token counts once.
    Raises JobError, naming the event, when the history is not a legal one."""
    job, error = fold_far(job_id, events)
    if error is not None:
        raise error
    assert job is not None
    return job


def fold_far(job_id: str, events: Iterable[Event]) -> tuple[Job | None, JobError | None]:
    """Return the job that a history adds up to as far as it is legal, and what ends it there."""
    draft = _Draft({"id": job_id})
    seen: dict[str, Event] = {}
    for n, event in enumerate(events, start=1):
        try:
            if not _is_repeat(seen.get(event.uid), event):
                _step(draft, event)
                seen |= {event.uid: draft.events[-1]} if event.uid else {}
        except BenchoddsError as error:
            said = _("job '{job_id}', event {n} ({kind}): {error}")
            words = said.format(job_id=job_id, n=n, kind=event.kind, error=error)
            return (draft.job() if draft.events else None), JobError(words)
    if not draft.events:
        said = _("job '{job_id}' has no events; the first should be 'opened'")
        return None, JobError(said.format(job_id=job_id))
    return draft.job(), None


def amend(job: Job, event: Event) -> Job:
    """Return the job with one more event; the same job when that very event is in it already.
    Raises JobError (UnknownNameError, ReadingError) when the event may not follow."""
    if _is_repeat(_known(job, event.uid), event):
        return job
    draft = _Draft.of(job)
    _step(draft, event)
    return draft.job()


def open_event(
    *,
    at: str,
    uid: str,
    system: str,
    variant: str,
    complaint: str,
    contexts: Sequence[str],
    model_version: str,
    prior_set: str,
    prior_version: str,
    name: str | None = None,
    files: Mapping[str, Any] | None = None,
    perhaps: Mapping[str, float] | None = None,
    replaced: Sequence[str] = (),
) -> Event:
    """Return the event that opens a job. Raises JobError when a part is missing or malformed."""
    values = (system, variant, complaint, model_version, prior_set, prior_version)
    data: dict[str, Any] = dict(zip(_OPENED_WITH, values, strict=True))
    data |= {"contexts": contexts, "name": None if name is None else check_name(name)}
    data |= {"files": files, "perhaps": perhaps or None, "replaced": replaced or None}
    return _built(None, "opened", at, uid, data)


def reading_event(
    job: Job,
    *,
    at: str,
    uid: str,
    test: str,
    values: Sequence[str],
    technique: Technique,
    note: str | None = None,
) -> Event:
    """Return the event that records a reading. Raises JobError, also where it is dated before the
    last repair, after which it counts; ReadingError on its technique."""
    data = {
        "test": test,
        "values": values,
        "technique": technique.checked().as_data(),
        "note": note,
    }
    event = _built(job, "reading", at, uid, data)
    last = job.live_actions[-1] if job.live_actions and event.seq == 0 else None
    if last is not None and datetime.fromisoformat(at) < datetime.fromisoformat(last.at):
        raise JobError(
            _(
                "the reading is dated {at}, before {name} ({repair}, {done}), after which it would "
                "count; set the clock right, or strike {name} if it was not done"
            ).format(at=at, name=last.id, repair=last.repair, done=last.at)
        )
    return event


def strike_event(job: Job, reading_id: str, *, at: str, uid: str, reason: str) -> Event:
    """Return the event that withdraws a reading (R1) or a repair (D1).
    Raises UnknownNameError; JobError if struck, or when a part put back hangs on it."""
    return _built(job, "struck", at, uid, {"reading": reading_id.upper(), "reason": reason})


def setup_event(job: Job, setup: str, is_open: bool, *, at: str, uid: str) -> Event:
    """Return the event that says a set-up is open or closed. Raises JobError on a closed job."""
    return _built(job, "setup", at, uid, {"setup": setup, "open": is_open})


def gear_event(job: Job, items: Mapping[str, Any], *, at: str, uid: str) -> Event:
    """Return the event that declares gear; None takes an item back. Raises JobError when empty."""
    return _built(job, "gear", at, uid, {"items": items})


def action_event(
    job: Job,
    repair: str,
    *,
    at: str,
    uid: str,
    note: str | None = None,
    back: bool = False,
    odds: Mapping[str, Any] | None = None,
) -> Event:
    """Return the event that says a repair was done, or its old part put ``back``, and the odds it
    was done on, as shown. Raises JobError on a closed job, or with nothing to put back."""
    data = {"repair": repair, "note": note, "back": back or None, "odds": odds}
    return _built(job, "action", at, uid, data)


def changed_gear_event(job: Job, items: Sequence[str], *, at: str, uid: str) -> Event:
    """Return the event that says gear was mended or replaced. Raises JobError when unknown."""
    for item in items:
        if item not in CHANGEABLE:
            raise JobError(
                _("'{item}' cannot be changed; use {known}").format(
                    item=item, known=", ".join(CHANGEABLE)
                )
            )
    return _built(job, "gear", at, uid, {"items": {CHANGED: list(items)}})


def note_event(job: Job, text: str, *, at: str, uid: str) -> Event:
    """Return the event of a free remark, open job or closed. Raises JobError when blank."""
    return _built(job, "note", at, uid, {"text": text})


def close_event(
    job: Job,
    *,
    at: str,
    uid: str,
    verdict: Mapping[str, Any],
    odds: Mapping[str, Any] | None = None,
) -> Event:
    """Return the event that closes the job with a verdict, and the odds as they were shown.
    Raises JobError when closed already, or when the minutes of labour cannot be right."""
    minutes = verdict.get("minutes", 0)
    if not isinstance(minutes, int | float) or not 0 <= minutes <= MOST_MINUTES:
        raise JobError(
            _("minutes is {minutes!r}; it should be a number from 0 to {most:,}").format(
                minutes=minutes, most=MOST_MINUTES
            )
        )
    return _built(job, "closed", at, uid, {"verdict": verdict, "odds": odds})


def reopen_event(job: Job, *, at: str, uid: str, reason: str | None = None) -> Event:
    """Return the event that opens a closed job again. Raises JobError when it is open."""
    return _built(job, "reopened", at, uid, {"reason": reason})


def _built(job: Job | None, kind: EventKind, at: str, uid: str, data: Mapping[str, Any]) -> Event:
    """Return the new event if it may follow; on a retry, the event that its token stands for.

    Its texts are judged here (TextError); those of a stored event are taken as they are."""
    said = all_written(plain({k: v for k, v in data.items() if v is not None}))
    event = Event(0, at, kind, said, uid)
    if job is not None and (known := _known(job, uid)) and _is_repeat(known, event):
        return known
    _step(_Draft.of(job) if job else _Draft({"id": ""}), event)
    return event


def _known(job: Job, uid: str) -> Event | None:
    return next((e for e in job.events if e.uid == uid), None) if uid else None


def _is_repeat(known: Event | None, event: Event) -> bool:
    """Whether `known`, which bears the same token, is this event. JobError when it is another."""
    if known and (known.kind != event.kind or _said(known.data) != _said(plain(event.data))):
        other = _("event {seq} ({kind}), which says something else").format(
            seq=known.seq, kind=known.kind
        )
        raise JobError(
            _("the token '{uid}' stands for {other}; give each event its own").format(
                uid=event.uid, other=other
            )
        )
    return known is not None


def _said(data: Mapping[str, Any]) -> dict[str, Any]:
    return {k: v for k, v in data.items() if k not in DERIVED}


@dataclass(slots=True)
class _Draft:
    """A job while events are added: in lists, so that each costs the same on a long record."""

    facts: dict[str, Any]  # what a Job says besides
    gear: dict[str, Any] = field(default_factory=dict)
    readings: list[Reading] = field(default_factory=list)
    setup_log: list[SetupMark] = field(default_factory=list)
    gear_changes: list[tuple[int, str]] = field(default_factory=list)
    actions: list[Action] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    @classmethod
    def of(cls, job: Job) -> Self:
        """Take a job up again."""
        said = {f.name: getattr(job, f.name) for f in fields(job)}
        lists: dict[str, Any] = {name: list(said.pop(name)) for name in _LISTS}
        return cls(gear=dict(said.pop("gear")), **lists, facts=said)

    def job(self) -> Job:
        """The job as it now is."""
        lists: dict[str, Any] = {name: tuple(getattr(self, name)) for name in _LISTS}
        return Job(**self.facts, **lists, gear=dict(self.gear))


def _step(draft: _Draft, event: Event) -> None:
    """Add one more event, numbered; the one judge of what may follow. Changes all or nothing."""
    at, kind, data = event.at, event.kind, plain(event.data)
    seq, job_id = len(draft.events) + 1, draft.facts["id"]
    if event.seq not in (0, seq):
        raise JobError(_("numbered {number} where {due} is due").format(number=event.seq, due=seq))
    check_form(event, data)
    if (seq == 1) != (kind == "opened"):
        raise JobError(_("a job begins with 'opened', and is opened once"))
    is_closed = draft.facts.get("closed") is not None
    if kind == "reopened" and not is_closed:
        raise JobError(
            _("job '{job_id}' is open; only a closed job can be re-opened").format(job_id=job_id)
        )
    if kind not in ("reopened", "note") and is_closed:
        raise ClosedJobError(_("job '{job_id}' is closed; re-open it first").format(job_id=job_id))
    match kind:
        case "opened":
            draft.facts |= {key: data[key] for key in _OPENED_WITH} | {"opened_at": at}
            draft.facts |= {"contexts": tuple(data["contexts"]), "name": data.get("name")}
            draft.facts |= {key: data.get(key) or {} for key in ("files", "perhaps")}
            draft.facts["replaced"] = tuple(data.get("replaced") or ())
        case "reading":
            name, values = f"R{len(draft.readings) + 1}", tuple(data["values"])
            said, note = Technique.from_data(data["technique"]), data.get("note")
            draft.readings.append(Reading(name, seq, data["test"], values, said, at, note=note))
        case "struck":
            _strike(job_id, draft, data["reading"], data["reason"])
        case "setup":
            draft.setup_log.append(SetupMark(seq, data["setup"], data["open"]))
        case "gear":
            items = dict(data["items"])
            draft.gear_changes += [(seq, item) for item in items.pop(CHANGED, None) or ()]
            draft.gear |= items
            for item in [k for k, v in items.items() if v is None]:
                del draft.gear[item]
        case "action":
            draft.actions.append(_done(draft, seq, at, data))
        case "note":
            draft.notes.append(Note(seq, at, data["text"]))
        case "closed":
            draft.facts |= {"closed": data["verdict"], "closed_at": at}
            draft.facts["closed_odds"] = data.get("odds")
        case "reopened":
            draft.facts |= {"closed": None, "closed_at": None, "closed_odds": None}
    draft.events.append(replace(event, seq=seq, data=data))


def _last_done(actions: Sequence[Action], repair: str, before: float) -> Action | None:
    """The last time a repair was done before an event and not put back since."""
    done: list[Action] = []
    for action in actions:
        if action.repair == repair and action.seq < before and action.struck is None:
            if not action.back:
                done.append(action)
            elif done:
                done.pop()
    return done[-1] if done else None


def _done(draft: _Draft, seq: int, at: str, data: Mapping[str, Any]) -> Action:
    name, back = f"D{len(draft.actions) + 1}", bool(data.get("back"))
    if back and _last_done(draft.actions, data["repair"], math.inf) is None:
        raise JobError(
            _("'{repair}' was not done on this job; there is no old part to put back").format(
                repair=data["repair"]
            )
        )
    return Action(name, seq, at, data["repair"], data.get("note"), back, None, data.get("odds"))


def _strike(job_id: str, draft: _Draft, name: str, reason: str) -> None:
    """Withdraw a reading or a repair."""
    kind = name[:1]
    rows: list[Any] = list(draft.actions if kind == "D" else draft.readings)
    n = int(name[1:]) - 1 if re.fullmatch("[RD][1-9][0-9]{0,8}", name) else len(rows)
    if n >= len(rows):
        known = nearest(name, [*(r.id for r in draft.readings), *(a.id for a in draft.actions)])
        said = _("job '{job}' has no reading '{name}'{known}")
        if kind == "D":
            said = _("job '{job}' has no repair '{name}'{known}")
        raise UnknownNameError(said.format(job=job_id, name=name, known=known))
    if (struck := rows[n].struck) is not None:
        raise JobError(
            _("{name} is struck already ({struck}); nothing is left to do").format(
                name=name, struck=struck
            )
        )
    made = replace(rows[n], struck=reason)
    if kind == "D":
        _hangs_on(made, [made if a is rows[n] else a for a in draft.actions])
    (draft.actions if kind == "D" else draft.readings)[n] = made


def _hangs_on(struck: Action, actions: Sequence[Action]) -> None:
    """Raise JobError where a part put back hangs on a repair that is to be struck."""
    for a in actions:
        if a.back and a.struck is None and _last_done(actions, a.repair, a.seq) is None:
            raise JobError(
                _("{later} puts back what {name} fitted; strike {later} first").format(
                    later=a.id, name=struck.id
                )
            )
