"""Jobs in a database: what is written and read, and that nothing is lost or doubled."""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Self, TypeVar

from platformdirs import user_data_dir

from benchodds.basics.errors import JobError, StoreError, UnknownJobError, nearest
from benchodds.basics.language import _
from benchodds.basics.text import written
from benchodds.keep.archive import Record, is_same, missing
from benchodds.keep.database import (
    IN_USE,
    MIGRATIONS,
    NO_WRITE,
    RESCUE,
    Connection,
    Database,
    holder,
    in_copy,
    in_file,
    insert,
    is_open_to_all,
    new_file,
    next_number,
    on_server,
    one_at_a_time,
    parsed_url,
    seek,
    tighten,
    trouble,
    version,
)
from benchodds.keep.whole import DamagedJobError, Found, JobSummary, Snapshot, kept
from benchodds.model.events import Event
from benchodds.model.jobs import Job, amend, check_name, fold

_T = TypeVar("_T")
_Maker = Callable[[str], Event]
_NUMBER = re.compile(r"[1-9][0-9]{0,8}")
_NEW_JOB = "INSERT INTO jobs (key, id, folded, number) VALUES (?, ?, ?, ?)"
_ATTEMPTS = 20  # of a write that clashed with another writer's


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of a job of a file: its id there and here, and how many events were added."""

    id: str
    here: str
    state: str  # "new", "grown" or "same"; "damaged" where the job here cannot be read
    added: int


def default_path() -> Path:
    """Return where the store is kept when nothing else is said."""
    return Path(user_data_dir("benchodds", appauthor=False)) / "jobs.sqlite"


class Store:
    """All jobs of one shop. May be shared by threads; other processes may use it meanwhile."""

    def __init__(self, database: Database, where: str, *, read_only: bool = False) -> None:
        """Use `Store.open`, which also checks and prepares what it opens."""
        self.where, self.read_only, self._database = where, read_only, database

    @classmethod
    def open(
        cls,
        where: str | Path,
        *,
        create: bool = True,
        read_only: bool = False,
        wait_s: float = 10.0,
    ) -> Self:
        """Open the store at a path or URL (postgresql://host/name), its tables brought up to date.

        `create` makes it, and the folders above, where there is none. `read_only` promises not
        to write; a write-protected store opens without it too. `wait_s`: patience with other
        writers. Raises StoreError when there is none, it cannot be reached, is in use, damaged,
        something else, or of a newer benchodds."""
        url = parsed_url(where)
        if url is not None and url.scheme == "postgresql":
            label = f"postgresql://{re.sub(':.*@', ':***@', url.netloc)}{url.path}"
            store = cls(on_server(url, label, wait_s), label, read_only=read_only)
            store._prepare(create=create)
            return store
        if url is not None:
            read_only = read_only or "mode=ro" in url.query.split("&")
            where = url.path[1:] or ":memory:"
        if str(where) == ":memory:":
            raise StoreError(_("a store in memory would lose its jobs; name a file"))
        if str(where).startswith("\\\\") and os.name != "nt":
            raise StoreError(
                _("{where} is a share as Windows names it; name its folder here").format(
                    where=where
                )
            )
        path = Path(where)
        try:
            path = path.expanduser().absolute()
            if not path.exists():
                if read_only or not create:
                    raise StoreError(
                        f"{path}: " + _("there is no job store; open a job to begin one")
                    )
                cls._create(path, wait_s)
            # Never opened here: closing it would drop SQLite's locks on it in this process.
            if not path.is_file():
                raise StoreError(
                    f"{path}: " + _("is not a file; name the file that holds the jobs")
                )
            if path.stat().st_size == 0:
                raise StoreError(
                    f"{path}: "
                    + _("is empty, which a job store never is; {rescue}").format(rescue=_(RESCUE))
                )
        except (OSError, ValueError, RuntimeError) as error:
            reason = getattr(error, "strerror", None) or error
            raise StoreError(
                f"{path}: " + _("cannot be reached or made ({reason})").format(reason=reason)
            ) from error
        if not read_only:
            tighten(path)
        database = in_file(path, "ro" if read_only else "rw", wait_s)
        store = cls(database, str(path), read_only=read_only)
        store._prepare(create=False)
        return store

    @classmethod
    def _create(cls, path: Path, wait_s: float) -> None:
        """Make a store beside its place and move it there whole, never over another one."""
        path.parent.mkdir(parents=True, exist_ok=True)
        journal = path.with_name(f"{path.name}-journal")  # would be played into the new store
        if journal.exists() and not path.exists():
            raise StoreError(
                f"{journal}: " + _("is left over from a store that is gone; move it away")
            )
        new = path.with_name(f".{path.name}.{secrets.token_hex(4)}.new")
        try:
            new_file(new)
            cls(in_file(new, "rw", wait_s), str(path))._prepare(create=True)
            with suppress(FileExistsError):  # another process was quicker: theirs is used
                os.link(new, path)
        except OSError:  # a file system without links: made in place
            with suppress(FileExistsError):
                new_file(path)
            cls(in_file(path, "rw", wait_s), str(path))._prepare(create=True)
        finally:
            new.unlink(missing_ok=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of what is held; nothing is between transactions but a copy in memory."""
        if self._database.lasting:
            self._database.connect().close()

    def doubt(self) -> str:
        """Who else may read the store's file, where it could not be kept from them; or nothing."""
        if not self._database.on_server and is_open_to_all(Path(self.where)):
            return f"{self.where}: " + _(
                "any user of this computer can read the jobs; see that its owner alone may (0600)"
            )
        return ""

    def new_job(self, make_event: _Maker | Event, *, name: str | None = None) -> Job:
        """Open a job and return it; the job that its token opened before, on a retry.
        The job's id is its name (given here or in the event), or else the next number, which
        a callable is given. Raises JobError for a name that is taken or unfit, StoreError."""
        wanted = None if name is None else check_name(name)

        def work(conn: Connection) -> Job:
            one_at_a_time(conn)
            number = next_number(conn, "number")
            job_id = wanted or str(number)
            event = make_event if isinstance(make_event, Event) else make_event(job_id)
            if isinstance(named := wanted or event.data.get("name"), str):
                job_id = check_name(named)
                event = replace(event, data={**event.data, "name": job_id})
            if (held := holder(conn, event.uid)) is not None:
                return amend(self._load(conn, held[1], lock=True), event)
            if seek(conn, "folded = ?", job_id.casefold()) is not None:
                raise JobError(
                    _("a job named '{job_id}' exists already; choose another name").format(
                        job_id=job_id
                    )
                )
            job = fold(job_id, [event])
            key, folded = next_number(conn, "key"), job_id.casefold()
            conn.run(_NEW_JOB, key, job_id, folded, None if job.name else number)
            insert(conn, key, job_id, job.events)
            return job

        return self._run(work, writes=True)

    def append(self, job_id: str, *builds: Callable[[Job], Event]) -> Job:
        """Add the events that `builds` make of the job as it then is, and return the new job.
        One transaction, all or nothing, done again when another writer came between, so each may
        be called more than once. An event whose token the job holds already changes nothing. Raises
        UnknownJobError, StoreError, what a build and `amend` raise; then nothing is written."""

        def work(conn: Connection) -> Job:
            key = self._find(conn, job_id)
            job = self._load(conn, key, lock=True)
            for build in builds:
                event = build(job)
                if (new := amend(job, event)) is job:
                    continue
                self._unheld(conn, [event])
                insert(conn, key, job.id, [new.events[-1]])
                job = new
            return job

        return self._run(work, writes=True)

    def job(self, job_id: str) -> Job:
        """Return a job as its record says. Raises UnknownJobError, StoreError; DamagedJobError
        where the record is not as it was written."""
        return self._run(lambda conn: self._load(conn, self._find(conn, job_id)), steady=True)

    def jobs(self, *, open_only: bool = False) -> list[JobSummary]:
        """Return a line for every whole job, in the order of opening. Raises StoreError."""
        return self.snapshot().lines(open_only=open_only)

    def snapshot(self) -> Snapshot:
        """Return all jobs as they are at one moment, damaged ones apart. Raises StoreError."""
        jobs, damaged = [], []
        for found in self.found():
            try:
                jobs.append(self._whole(found))
            except DamagedJobError as error:
                damaged.append(error)
        return Snapshot(tuple(jobs), tuple(damaged))

    def found(self) -> list[Found]:
        """Return what the tables hold of every job at one moment, in the order of opening."""
        found = self._run(kept, steady=True)
        return [found[key] for key in sorted(found)]

    def take_in(self, records: Sequence[Record]) -> list[TakenIn]:
        """Add jobs of a file, or what a job here lacks of its record there; all or nothing.

        What is here already stays as it is, so the same file twice changes nothing. A job
        without a name whose number another job has here gets the next one. Raises JobError
        when a job went on in different ways here and there, or its name or a token is taken."""

        def work(conn: Connection) -> list[TakenIn]:
            one_at_a_time(conn)
            return [self._take_in(conn, record) for record in records]

        return self._run(work, writes=True)

    def _take_in(self, conn: Connection, record: Record) -> TakenIn:
        held = holder(conn, record.events[0].uid)
        key = held[1] if held else seek(conn, "id = ?", record.id)
        try:
            here = None if key is None else self._load(conn, key, lock=True)
        except DamagedJobError as error:
            return TakenIn(record.id, error.job, "damaged", 0)
        if key is None or here is None or not is_same(here, record):
            key, job_id = self._new_place(conn, record, taken=here is not None)
            new, state = record.events, "new"
        else:
            new, job_id = missing(here, record), here.id
            state = "grown" if new else "same"
        self._unheld(conn, new)
        if new:
            insert(conn, key, job_id, new)
        return TakenIn(record.id, job_id, state, len(new))

    def _unheld(self, conn: Connection, events: Iterable[Event]) -> None:
        """Raise JobError when a token of new events stands for one in the store already."""
        if (held := holder(conn, *(e.uid for e in events))) is not None:
            uid, key = held
            name = conn.value("SELECT id FROM jobs WHERE key = ?", key)
            raise JobError(
                _("the token '{uid}' stands for an event of job '{job}'").format(uid=uid, job=name)
            )

    def _new_place(self, conn: Connection, record: Record, *, taken: bool) -> tuple[int, str]:
        """Return key and id of a new job: its own id where that is free."""
        name, job_id = record.job.name, record.id
        number = int(job_id) if name is None and _NUMBER.fullmatch(job_id) else None
        if name is not None and (taken or seek(conn, "folded = ?", job_id.casefold())):
            raise JobError(
                _("a job named '{job_id}' exists already, and is another one").format(job_id=job_id)
            )
        if name is None and (taken or number is None):
            number = next_number(conn, "number")
            job_id = str(number)
        key = next_number(conn, "key")
        conn.run(_NEW_JOB, key, job_id, job_id.casefold(), number)
        return key, job_id

    def _find(self, conn: Connection, job_id: str) -> int:
        """The key of a job, by its id as it was written or, if that is damaged, as compared."""
        wanted = written(job_id)
        like = "SELECT key, id, folded FROM jobs WHERE folded = ? OR id = ?"
        places = conn.run(like, wanted.casefold(), wanted).fetchall()
        for key, found, folded in sorted(places, key=lambda place: place[1] != wanted):
            if found == wanted or folded != str(found).casefold():
                return int(key)
        if damaged := [part.name for f in kept(conn).values() if (part := f.read()).damage]:
            raise StoreError(
                f"{self.where}: "
                + _("there is no job '{job_id}'; damaged: {damaged}; {rescue}").format(
                    job_id=job_id, damaged=", ".join(damaged), rescue=_(RESCUE)
                )
            )
        hint = nearest(wanted, (str(name) for (name,) in conn.run("SELECT id FROM jobs")))
        raise UnknownJobError(
            _("there is no job '{job_id}' in {where}{hint}").format(
                job_id=job_id, where=self.where, hint=hint
            )
        )

    def _load(self, conn: Connection, key: int, *, lock: bool = False) -> Job:
        """A job, held against other writers if asked. Raises DamagedJobError."""
        if lock:
            seek(conn, "key = ?", key, lock=True)
        return self._whole(kept(conn, key)[key])

    def _whole(self, found: Found) -> Job:
        """The job that was found. Raises DamagedJobError."""
        part = found.read()
        if part.job is not None and not part.damage:
            return part.job
        words = _("job '{job}' is damaged ({damage}); {rescue}").format(
            job=part.name, damage=part.damage, rescue=_(RESCUE)
        )
        raise DamagedJobError(f"{self.where}: {words}", part.name, part.damage)

    def _prepare(self, *, create: bool) -> None:
        found = self._run(lambda conn: version(conn, self.where, len(MIGRATIONS)))
        if not found and not create:
            raise StoreError(
                f"{self.where}: " + _("is a database but not a job store; name another")
            )
        if found != len(MIGRATIONS) and self.read_only and not self._database.on_server:
            self._database = in_copy(Path(self.where))
            self._run(self._migrate)
        elif found != len(MIGRATIONS):
            self._run(self._migrate, writes=True)

    def _migrate(self, conn: Connection) -> None:
        one_at_a_time(conn)
        if not (done := version(conn, self.where, len(MIGRATIONS))):
            conn.run("CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL)")
        for number, step in enumerate(MIGRATIONS[done:], start=done + 1):
            step(conn)
            what = f"{step.__name__} {datetime.now(UTC).isoformat(timespec='seconds')}"
            conn.run("INSERT INTO meta (key, value) VALUES (?, ?)", f"migration {number}", what)

    def _run(
        self, work: Callable[[Connection], _T], *, writes: bool = False, steady: bool = False
    ) -> _T:
        """Do the work in one transaction, again and again while other writers clash with it.

        A ``steady`` one sees the database as it was at its first look."""
        if writes and self.read_only:
            raise StoreError(f"{self.where}: {_(NO_WRITE)}")
        begin = "BEGIN IMMEDIATE" if writes else "BEGIN"
        if self._database.on_server:
            begin = "BEGIN ISOLATION LEVEL REPEATABLE READ" if steady else "BEGIN"
        driver = self._database.driver
        for _attempt in range(_ATTEMPTS):
            try:
                with self._database.transaction(begin) as conn:
                    return work(conn)
            except UnicodeDecodeError as error:  # in what the database says of the damage
                raise StoreError(
                    f"{self.where}: "
                    + _("is damaged (a text in it); {rescue}").format(rescue=_(RESCUE))
                ) from error
            except driver.Error as error:
                state = getattr(error, "sqlstate", None) or ""
                if isinstance(error, driver.IntegrityError) or state in ("40001", "40P01"):
                    continue
                raise StoreError(f"{self.where}: {trouble(error, state)}") from error
        raise StoreError(f"{self.where}: {_(IN_USE)}")
