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
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any, Self

from benchodds.basics.errors import (
    BenchoddsError,
    JobError,
    ReadingError,
    UnknownNameError,
    nearest,
)
from benchodds.basics.language import N_, _
from benchodds.basics.text import all_written
from benchodds.model.events import _OPENED_WITH, Event, EventKind, check_form, plain

MOST_MINUTES = 100_000
"""Most minutes of labour that a job may have."""
_NAME = re.compile(r"[^\W_][\w-]{0,63}")
_NAMES = N_("1 to 64 letters, digits, - and _, a letter or digit first, not a bare number")
# Asked when a technique is recorded; of a stored one only the types, so that these may widen.
_TYPES = {"range_top": float, "temp_c": float, "kicks": int, "unplugged": bool, "same_hookup": bool}
_SENSIBLE: tuple[tuple[str, Callable[[Any], bool], str], ...] = (
    ("kicks", lambda v: v >= 1, N_("1 or more")),
    ("range_top", lambda v: 0 < v < math.inf, N_("above 0")),
    ("temp_c", lambda v: -60 <= v <= 400, N_("from -60 to 400 °C")),
    ("leads", lambda v: v in ("nulled", "raw"), N_("'nulled' or 'raw'")),
    ("light", lambda v: v in ("dark", "shade", "daylight"), N_("'dark', 'shade' or 'daylight'")),
)


@dataclass(frozen=True, slots=True)
class Technique:
    """How a reading was taken. None = not said: integrated over, never assumed perfect."""

    how: str | None = None  # cranking method id
    meter: str | None = None  # "10M", "20k/V" or an instrument id, as written
    range_top: float | None = None  # base unit
    accuracy: str | None = None  # "0.8%+3"
    kicks: int | None = None  # number of kicks when only the best is written
    leads: str | None = None  # "nulled" | "raw"
    temp_c: float | None = None
    unplugged: bool | None = None
    light: str | None = None  # "dark" | "shade" | "daylight"
    adapter: str | None = None  # instrument id of the peak adapter
    operator: str | None = None
    same_hookup: bool | None = None  # probes not moved since the reading before
    card: str | None = None  # the instrument's card, when not the job's own

    def as_data(self) -> dict[str, Any]:
        """Return what was said, as JSON-able data; what was not said is left out."""
        return {f.name: v for f in fields(self) if (v := getattr(self, f.name)) is not None}

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Self:
        """Read back what `as_data` wrote. Raises ReadingError when a value is of another type."""
        known = {f.name: data[f.name] for f in fields(cls) if data.get(f.name) is not None}
        for key, value in known.items():
            kind = _TYPES.get(key, str)
            if kind is float and type(value) is int:
                known[key] = float(value) if abs(value) < 2**63 else math.inf
            elif not isinstance(value, kind) or (isinstance(value, bool) != (kind is bool)):
                want = {str: _("a text"), bool: _("true or false"), int: _("a whole number")}
                raise ReadingError(
                    _("{key} is {value!r}; it should be {kind}").format(
                        key=key, value=value, kind=want.get(kind, _("a number"))
                    )
                )
        return cls(**known)


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
    """A repair that was done."""

    seq: int
    at: str
    repair: str
    note: str | None = None


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
    readings: tuple[Reading, ...] = ()  # all, struck ones included
    setup_log: tuple[SetupMark, ...] = ()
    gear: Mapping[str, Any] = field(default_factory=dict)  # declared; the latest word wins
    actions: tuple[Action, ...] = ()
    notes: tuple[Note, ...] = ()
    events: tuple[Event, ...] = ()

    @property
    def live_readings(self) -> tuple[Reading, ...]:
        """The readings that have not been struck."""
        return tuple(r for r in self.readings if r.struck is None)

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
    job: Job | None = None
    seen: dict[str, Event] = {}
    for n, event in enumerate(events, start=1):
        try:
            if not _is_repeat(seen.get(event.uid), event):
                job = _step(job_id, job, event)
                seen |= {event.uid: job.events[-1]} if event.uid else {}
        except BenchoddsError as error:
            raise JobError(
                _("job '{job_id}', event {n} ({kind}): {error}").format(
                    job_id=job_id, n=n, kind=event.kind, error=error
                )
            ) from error
    if job is None:
        raise JobError(
            _("job '{job_id}' has no events; the first should be 'opened'").format(job_id=job_id)
        )
    return job


def amend(job: Job, event: Event) -> Job:
    """Return the job with one more event; the same job when that very event is in it already.
    Raises JobError (UnknownNameError, ReadingError) when the event may not follow."""
    return job if _is_repeat(_known(job, event.uid), event) else _step(job.id, job, event)


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
) -> Event:
    """Return the event that opens a job. Raises JobError when a part is missing or malformed."""
    values = (system, variant, complaint, model_version, prior_set, prior_version)
    data: dict[str, Any] = dict(zip(_OPENED_WITH, values, strict=True))
    data |= {"contexts": contexts, "name": None if name is None else check_name(name)}
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
    """Return the event that records a reading. Raises JobError; ReadingError on its technique."""
    said = Technique.from_data(technique.as_data())
    for key, fits, want in _SENSIBLE:
        if (value := getattr(said, key)) is not None and not fits(value):
            raise ReadingError(
                _("{key} is {value!r}; it should be {want}").format(
                    key=key, value=value, want=_(want)
                )
            )
    data = {"test": test, "values": values, "technique": said.as_data(), "note": note}
    return _built(job, "reading", at, uid, data)


def strike_event(job: Job, reading_id: str, *, at: str, uid: str, reason: str) -> Event:
    """Return the event that withdraws a reading. Raises UnknownNameError, or JobError if struck."""
    return _built(job, "struck", at, uid, {"reading": reading_id.upper(), "reason": reason})


def setup_event(job: Job, setup: str, is_open: bool, *, at: str, uid: str) -> Event:
    """Return the event that says a set-up is open or closed. Raises JobError on a closed job."""
    return _built(job, "setup", at, uid, {"setup": setup, "open": is_open})


def gear_event(job: Job, items: Mapping[str, Any], *, at: str, uid: str) -> Event:
    """Return the event that declares gear; None takes an item back. Raises JobError when empty."""
    return _built(job, "gear", at, uid, {"items": items})


def action_event(job: Job, repair: str, *, at: str, uid: str, note: str | None = None) -> Event:
    """Return the event that says a repair was done. Raises JobError on a closed job."""
    return _built(job, "action", at, uid, {"repair": repair, "note": note})


def note_event(job: Job, text: str, *, at: str, uid: str) -> Event:
    """Return the event of a free remark, open job or closed. Raises JobError when blank."""
    return _built(job, "note", at, uid, {"text": text})


def close_event(job: Job, *, at: str, uid: str, verdict: Mapping[str, Any]) -> Event:
    """Return the event that closes the job with a verdict. Raises JobError when closed already,
    or when the minutes of labour in it cannot be right."""
    minutes = verdict.get("minutes", 0)
    if not isinstance(minutes, int | float) or not 0 <= minutes <= MOST_MINUTES:
        raise JobError(
            _("minutes is {minutes!r}; it should be a number from 0 to {most:,}").format(
                minutes=minutes, most=MOST_MINUTES
            )
        )
    return _built(job, "closed", at, uid, {"verdict": verdict})


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
    _step(job.id if job else "", job, event)
    return event


def _known(job: Job, uid: str) -> Event | None:
    return next((e for e in job.events if e.uid == uid), None) if uid else None


def _is_repeat(known: Event | None, event: Event) -> bool:
    """Whether `known`, which bears the same token, is this event. JobError when it is another."""
    if known and (known.kind != event.kind or known.data != plain(event.data)):
        other = _("event {seq} ({kind}), which says something else").format(
            seq=known.seq, kind=known.kind
        )
        raise JobError(
            _("the token '{uid}' stands for {other}; give each event its own").format(
                uid=event.uid, other=other
            )
        )
    return known is not None


def _step(job_id: str, job: Job | None, event: Event) -> Job:
    """Return the job after one more event, numbered; the one judge of what may follow."""
    at, kind, data = event.at, event.kind, plain(event.data)
    seq = len(job.events) + 1 if job else 1
    if event.seq not in (0, seq):
        raise JobError(_("numbered {number} where {due} is due").format(number=event.seq, due=seq))
    check_form(event, data)
    if (job is None) != (kind == "opened"):
        raise JobError(_("a job begins with 'opened', and is opened once"))
    if job is None:
        facts = {key: data[key] for key in _OPENED_WITH} | {"contexts": tuple(data["contexts"])}
        job = Job(job_id, **facts, opened_at=at, name=data.get("name"))
    if kind == "reopened" and not job.is_closed:
        raise JobError(
            _("job '{job_id}' is open; only a closed job can be re-opened").format(job_id=job_id)
        )
    if kind not in ("reopened", "note") and job.is_closed:
        raise JobError(_("job '{job_id}' is closed; re-open it first").format(job_id=job_id))
    new: dict[str, Any] = {"events": (*job.events, replace(event, seq=seq, data=data))}
    match kind:
        case "reading":
            name, values = f"R{len(job.readings) + 1}", tuple(data["values"])
            said, note = Technique.from_data(data["technique"]), data.get("note")
            reading = Reading(name, seq, data["test"], values, said, at, note=note)
            new["readings"] = (*job.readings, reading)
        case "struck":
            new["readings"] = _struck(job, data["reading"], data["reason"])
        case "setup":
            new["setup_log"] = (*job.setup_log, SetupMark(seq, data["setup"], data["open"]))
        case "gear":
            items = {**job.gear, **data["items"]}.items()
            new["gear"] = {k: v for k, v in items if v is not None}
        case "action":
            new["actions"] = (*job.actions, Action(seq, at, data["repair"], data.get("note")))
        case "note":
            new["notes"] = (*job.notes, Note(seq, at, data["text"]))
        case "closed":
            new |= {"closed": data["verdict"], "closed_at": at}
        case "reopened":
            new |= {"closed": None, "closed_at": None}
    return replace(job, **new)


def _struck(job: Job, name: str, reason: str) -> tuple[Reading, ...]:
    found = next((r for r in job.readings if r.id == name), None)
    if found is None:
        known = nearest(name, [r.id for r in job.readings])
        raise UnknownNameError(
            _("job '{job}' has no reading '{name}'{known}").format(
                job=job.id, name=name, known=known
            )
        )
    if found.struck is not None:
        raise JobError(
            _("reading {name} is struck already ({struck}); nothing is left to do").format(
                name=name, struck=found.struck
            )
        )
    return tuple(replace(r, struck=reason) if r is found else r for r in job.readings)
