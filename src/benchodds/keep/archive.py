"""Jobs as an open file: JSON lines, one job a line, every event as it was recorded.

First line: ``{"format": "benchodds-jobs", "schema": 2, "jobs": how many}``. Each other line is a
job: ``{"job": id, "name": name or null, "events": [{"seq", "at", "kind", "uid", "data", "hash"},
...]}``, events in order, struck readings and unknown keys included. Nothing is left out, so that
what is read back is what was written; reading a file twice changes nothing the second time. The
hashes are those of ``model.chain``. Schema 1 had neither hashes nor the number of jobs, and is
still read.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchodds.basics.errors import BenchoddsError, JobError
from benchodds.basics.language import _
from benchodds.model import chain
from benchodds.model.events import Event
from benchodds.model.jobs import Job, check_name, fold

FORMAT, SCHEMA = "benchodds-jobs", 2
OPEN_FORM = ".jsonl"
"""How the names of such files end."""
MAX_LINE, MAX_FILE = 20_000_000, 500_000_000
"""Most bytes of a line and of a file that are read; a longer file can be split between lines."""

_KEYS = ("seq", "at", "kind", "uid", "data")


class ArchiveError(BenchoddsError):
    """A file of jobs that cannot be read; says which line and what would be right."""


@dataclass(frozen=True, slots=True)
class Record:
    """A job as a file holds it."""

    id: str
    events: tuple[Event, ...]

    @property
    def job(self) -> Job:
        """The job that the events make. Raises JobError when they make none."""
        return fold(self.id, self.events)


def write(jobs: Sequence[Job]) -> Iterator[str]:
    """Lines of a file of jobs, without line ends."""
    yield json.dumps({"format": FORMAT, "schema": SCHEMA, "jobs": len(jobs)})
    for job in jobs:
        made = zip(job.events, chain.hashes(chain.start(job.id), job.events), strict=True)
        events = [{**{k: getattr(e, k) for k in _KEYS}, "hash": hash_} for e, hash_ in made]
        row = {"job": job.id, "name": job.name, "events": events}
        yield json.dumps(row, ensure_ascii=False, allow_nan=False)


def read(lines: Iterable[str]) -> Iterator[Record]:
    """Jobs of a file, each checked to be a job.

    Raises
    ------
    ArchiveError
        With the line's number: no file of jobs, of a newer form, cut off, no job, or one that
        is not as it was written.
    """
    numbered = enumerate(lines, start=1)
    first = next(numbered, None)
    head = _parsed(first[1], 1) if first else {}
    if head.get("format") != FORMAT:
        raise ArchiveError(
            _('line 1: not a file of jobs; it should be {{"format": "{format}", ...}}').format(
                format=FORMAT
            )
        )
    if head.get("schema") not in (1, SCHEMA):
        raise ArchiveError(
            _("line 1: schema {schema!r}; this benchodds reads {ours}; upgrade it").format(
                schema=head.get("schema"), ours=SCHEMA
            )
        )
    hashed = head["schema"] != 1
    number = found = 0
    for number, line in numbered:
        if line.strip():
            yield _record(_parsed(line, number), number, hashed=hashed)
            found += 1
    if hashed and found != head.get("jobs"):
        raise ArchiveError(
            _("line {number}: the last of {found} jobs, of {said}; the file may be cut off").format(
                number=number, found=found, said=head.get("jobs")
            )
        )


def _parsed(line: str, number: int) -> dict[str, Any]:
    try:
        row = json.loads(line)
    except (ValueError, RecursionError):
        raise ArchiveError(
            _("line {number}: not whole JSON; the file may be cut off").format(number=number)
        ) from None
    if not isinstance(row, dict):
        raise ArchiveError(
            _("line {number}: a {kind}; it should be a JSON object").format(
                number=number, kind=type(row).__name__
            )
        )
    return row


def _record(row: dict[str, Any], number: int, *, hashed: bool) -> Record:
    job_id, rows = row.get("job"), row.get("events")
    if not isinstance(job_id, str) or not isinstance(rows, list) or not rows:
        raise ArchiveError(
            _("line {number}: needs 'job', a text, and 'events', a list").format(number=number)
        )
    keys = (*_KEYS, "hash") if hashed else _KEYS
    for event in rows:
        if not isinstance(event, dict) or set(event) != set(keys):
            raise ArchiveError(
                _("line {number}: an event should hold {keys}").format(
                    number=number, keys=", ".join(keys)
                )
            )
        if not isinstance(event["seq"], int) or not isinstance(event["uid"], str):
            raise ArchiveError(
                _("line {number}: 'seq' should be a whole number and 'uid' a text").format(
                    number=number
                )
            )
    record = Record(job_id, tuple(Event(**{k: event[k] for k in _KEYS}) for event in rows))
    try:
        if (name := record.job.name) is not None and check_name(name) != job_id:
            raise JobError(_("its name is '{name}'").format(name=name))
        if hashed:
            chain.check(job_id, record.events, [event["hash"] for event in rows])
    except BenchoddsError as error:
        raise ArchiveError(
            _("line {number}: job '{job_id}': {error}").format(
                number=number, job_id=job_id, error=error
            )
        ) from None
    return record


def as_event(row: Mapping[str, Any]) -> Event | None:
    """The event that a row of a file holds, None where it lacks a part."""
    return Event(**{k: row[k] for k in _KEYS}) if set(row) >= set(_KEYS) else None


def missing(here: Job, there: Record) -> tuple[Event, ...]:
    """Events of a record that the same job here lacks.

    Raises
    ------
    JobError
        Both went on in different ways.
    """
    for a, b in zip(here.events, there.events, strict=False):
        if (a.at, a.kind, a.uid, a.data) != (b.at, b.kind, b.uid, b.data):
            raise JobError(
                _(
                    "job '{job}': its record here and in the file differ from event {seq} on; "
                    "import into another store"
                ).format(job=there.id, seq=a.seq)
            )
    return there.events[len(here.events) :]


def is_same(here: Job, there: Record) -> bool:
    """Whether a job and a record began with the same event."""
    a, b = here.events[0], there.events[0]
    return (a.at, a.uid, a.data) == (b.at, b.uid, b.data)
