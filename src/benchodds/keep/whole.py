"""What a store holds of a job: whole, or damaged and where.

A job is whole when every event fits its hash, the head says that these are all, and the row that
names it says what its events say. What is damaged is told in one sentence and is no obstacle to
the other jobs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Self

from benchodds.basics.errors import StoreError
from benchodds.basics.language import _, ngettext
from benchodds.keep.database import Connection, EventRow, event_of
from benchodds.model.chain import Head, follow
from benchodds.model.events import Event
from benchodds.model.jobs import Job, fold_far


class DamagedJobError(StoreError):
    """A job that cannot be read as it was written; ``job`` is its id, ``damage`` what is wrong."""

    def __init__(self, message: str, job: str, damage: str) -> None:
        super().__init__(message)
        self.job, self.damage = job, damage


@dataclass(frozen=True)
class Place:
    """The row that names a job: its id, the id as names are compared, its number if it has one."""

    id: str
    folded: str
    number: int | None

    @classmethod
    def of(cls, job_id: str) -> Self:
        """The row that a job of this id should have."""
        return cls(job_id, job_id.casefold(), int(job_id) if job_id.isdecimal() else None)

    def fits(self, job: Job) -> bool:
        """Whether the row says what the job's own events say."""
        due = (job.name, None) if job.name else (str(self.number), self.number)
        return (self.id, self.number) == due and self.folded == self.id.casefold()


@dataclass(frozen=True, slots=True)
class JobSummary:
    """One line in the list of jobs."""

    id: str
    name: str | None
    system: str
    variant: str
    complaint: str
    opened_at: str
    last_at: str  # time of the last event
    closed: bool
    n_readings: int  # struck ones not counted

    @classmethod
    def of(cls, job: Job) -> Self:
        """The line of a job."""
        about = (job.id, job.name, job.system, job.variant, job.complaint, job.opened_at)
        return cls(*about, job.events[-1].at, job.is_closed, len(job.live_readings))

    def told(self) -> str:
        """It, as a line for people."""
        state = _("closed") if self.closed else _("open")
        counted = ngettext("{n:>3} readings", "{n:>3} readings", self.n_readings)
        read = counted.format(n=self.n_readings)
        return f"{self.id:<12} {state:<7} {read}  {self.system} {self.complaint}"


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All jobs of a store at one moment, in the order of opening; damaged ones by their error."""

    jobs: tuple[Job, ...]
    damaged: tuple[DamagedJobError, ...] = ()

    def lines(self, *, open_only: bool = False) -> list[JobSummary]:
        """A line for every whole job, or for those that are not closed."""
        return [JobSummary.of(job) for job in self.jobs if not (open_only and job.is_closed)]


@dataclass(frozen=True)
class Part:
    """As much of a job as is whole; ``damage`` says what ends it, and is empty for all of it."""

    name: str
    job: Job | None
    damage: str = ""


@dataclass
class Found:
    """All that is kept of one job, as it stands there."""

    places: list[Place] = field(default_factory=list)
    heads: list[Head] = field(default_factory=list)
    events: dict[int, list[tuple[Event, str | None]]] = field(default_factory=dict)
    """What may be each event, with its hash; several only where a damaged file was searched."""

    def add(self, seq: Any, event: Event | None, hash_: str | None) -> None:
        """Take in what stands for an event; None for one that cannot be understood."""
        choices = self.events.setdefault(seq if isinstance(seq, int) else 0, [])
        choices += [] if event is None else [(event, hash_)]

    @property
    def id(self) -> str:
        """The job's id: by the row that names it, or else by its opening."""
        names = [place.id for place in self.places]
        names += [e.data.get("name") or "?" for e, _hash in self.events.get(1, ())]
        return str([*names, "?"][0])

    def read(self, *, hashed: bool = True) -> Part:
        """The job, as far as it is whole."""
        head = self.heads[0] if self.heads else None
        found = follow(self.id, self.events, head, hashed=hashed)
        job, error = fold_far(self.id, found.events)
        damage = ""
        if error is not None and (found.events or not found.broken):
            damage = str(error)
        elif found.broken:
            n = len(found.events) + 1
            damage = _("event {n}: {what}").format(n=n, what=_(found.broken))
        elif hashed and (found.flawed or head != found.head):
            damage = _("how many events it has, or a hash, is not as it was written down")
        elif hashed and job is not None and not any(place.fits(job) for place in self.places):
            damage = _("its name or number is not as it was written down")
        name = self.id if self.id.isprintable() else ascii(self.id)[1:-1]
        return Part(name, job, damage)


def kept(conn: Connection, key: int | None = None) -> dict[int, Found]:
    """What the tables of a store hold of one job, or of all, by key."""
    found: dict[int, Found] = {} if key is None else {key: Found()}

    def rows(query: str, column: str) -> Iterator[tuple[Found, Any]]:
        which = () if key is None else (key,)
        for row in conn.run(f"{query} WHERE {column} = ?" if which else query, *which):
            of = row[0] if isinstance(row[0], int) else -1
            yield found.setdefault(of, Found()), row

    for job, (_key, *place) in rows("SELECT key, id, folded, number FROM jobs", "key"):
        job.places.append(Place(*place))
    for job, (_key, *head) in rows("SELECT job, events, hash FROM heads", "job"):
        job.heads.append(Head(*head))
    for job, row in rows("SELECT job, seq, at, kind, uid, data, hash FROM events", "job"):
        event = EventRow(*row)
        job.add(event.seq, event_of(event), event.hash)
    return found
