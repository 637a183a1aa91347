"""Jobs as an open file: JSON lines, one job a line, every event as it was recorded.

First line: ``{"format": "benchodds-jobs", "schema": 1}``. Each other line is a job:
``{"job": id, "name": name or null, "events": [{"seq", "at", "kind", "uid", "data"}, ...]}``,
events in order, struck readings and unknown keys included. Nothing is left out, so that what is
read back is what was written; reading a file twice changes nothing the second time.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from benchodds.basics.errors import BenchoddsError, JobError
from benchodds.basics.language import _
from benchodds.model.events import Event
from benchodds.model.jobs import Job, check_name, fold

FORMAT, SCHEMA = "benchodds-jobs", 1
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


def write(jobs: Iterable[Job]) -> Iterator[str]:
    """Lines of a file of jobs, without line ends."""
    yield json.dumps({"format": FORMAT, "schema": SCHEMA})
    for job in jobs:
        events = [{k: getattr(e, k) for k in _KEYS} for e in job.events]
        row = {"job": job.id, "name": job.name, "events": events}
        yield json.dumps(row, ensure_ascii=False, allow_nan=False)


def read(lines: Iterable[str]) -> Iterator[Record]:
    """Jobs of a file, each checked to be a job.

    Raises
    ------
    ArchiveError
        With the line's number: no file of jobs, of a newer form, cut off, or no job.
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
    if head.get("schema") != SCHEMA:
        raise ArchiveError(
            _("line 1: schema {schema!r}; this benchodds reads {ours}; upgrade it").format(
                schema=head.get("schema"), ours=SCHEMA
            )
        )
    for number, line in numbered:
        if line.strip():
            yield _record(_parsed(line, number), number)


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


def _record(row: dict[str, Any], number: int) -> Record:
    job_id, rows = row.get("job"), row.get("events")
    if not isinstance(job_id, str) or not isinstance(rows, list) or not rows:
        raise ArchiveError(
            _("line {number}: needs 'job', a text, and 'events', a list").format(number=number)
        )
    events = []
    for event in rows:
        if not isinstance(event, dict) or set(event) != set(_KEYS):
            raise ArchiveError(
                _("line {number}: an event should hold {keys}").format(
                    number=number, keys=", ".join(_KEYS)
                )
            )
        if not isinstance(event["seq"], int) or not isinstance(event["uid"], str):
            raise ArchiveError(
                _("line {number}: 'seq' should be a whole number and 'uid' a text").format(
                    number=number
                )
            )
        events.append(Event(event["seq"], event["at"], event["kind"], event["data"], event["uid"]))
    record = Record(job_id, tuple(events))
    try:
        if (name := record.job.name) is not None and check_name(name) != job_id:
            raise JobError(_("its name is '{name}'").format(name=name))
    except BenchoddsError as error:
        raise ArchiveError(
            _("line {number}: job '{job_id}': {error}").format(
                number=number, job_id=job_id, error=error
            )
        ) from None
    return record


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
