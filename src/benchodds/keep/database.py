"""The database below the store: where it is, how it is opened, its tables and their history.

Why SQLite's rollback journal and not WAL: at a few events a minute WAL's speed buys nothing,
and it needs side files that a copied or read-only store lacks, and shared memory that network
folders lack. synchronous=EXTRA also syncs the folder once the journal is removed; with FULL a
committed event's journal could come back after a power cut and roll the event off.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path, PurePath
from typing import Any, NamedTuple, TypeVar
from urllib.parse import SplitResult, quote_from_bytes, urlsplit

from benchodds.basics.errors import StoreError
from benchodds.basics.language import N_, _
from benchodds.keep.archive import MAX_LINE
from benchodds.model import chain
from benchodds.model.chain import Head
from benchodds.model.events import Event

_T = TypeVar("_T")
PRIVATE = 0o600
"""Mode of a store and of its copies: customers' machines are nobody else's business."""


class EventRow(NamedTuple):
    """A row of the table of events, its columns in their order."""

    job: Any
    seq: Any
    at: Any
    kind: Any
    uid: Any
    data: Any
    hash: Any = None


RESCUE = N_(
    "'benchodds rescue NEW --store FILE' brings out what is whole; restore a backup to that, or "
    "name another store with --store"
)
IN_USE = N_(
    "is in use by another program that did not let go in time; nothing was changed, try again"
)
NO_WRITE = N_("can only be read: opened so, or its file or disk is protected; nothing was changed")
_CRASHED = N_(
    "was left half-written by a crash and mends itself once opened without write protection"
)
# By SQLite's result code (the extended one first) or SQLSTATE.
TROUBLE = dict.fromkeys((sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, "55P03"), IN_USE) | {
    sqlite3.SQLITE_READONLY: NO_WRITE,
    sqlite3.SQLITE_READONLY_ROLLBACK: _CRASHED,
    sqlite3.SQLITE_CANTOPEN: N_(
        "cannot be opened: see that it and its folder may be read and written"
    ),
    sqlite3.SQLITE_FULL: N_("has no room to grow, the disk is full; nothing was changed"),
    sqlite3.SQLITE_CORRUPT: N_("is damaged; {rescue}"),
    sqlite3.SQLITE_NOTADB: N_("is not a job store, or its beginning is damaged; {rescue}"),
}


def parsed_url(where: str | Path) -> SplitResult | None:
    """Return the parts of a database's URL; None for a path."""
    if isinstance(where, Path) or "://" not in where:
        return None
    try:
        url = urlsplit(where, allow_fragments=False)
        whole = bool(url.scheme) and url.port != 0
    except ValueError:
        whole = False
    if not whole:
        raise StoreError(_("the store's URL cannot be read; write postgresql://host/name"))
    if (kind := url.scheme.partition("+")[0]) not in ("sqlite", "postgresql"):
        raise StoreError(
            _("a store is an SQLite file or on PostgreSQL, not '{drivername}'").format(
                drivername=kind
            )
        )
    return url._replace(scheme=kind)


@dataclass(frozen=True)
class Connection:
    """One transaction at a database, by its own driver; statements have ? where values go."""

    raw: Any
    on_server: bool

    def run(self, statement: str, *values: Any) -> Any:
        """Run a statement, and return its cursor."""
        if self.on_server:
            return self.raw.execute(statement.replace("?", "%s"), values or None)
        return self.raw.execute(statement, values)

    def run_each(self, statement: str, rows: Iterable[Sequence[Any]]) -> None:
        """Run a statement with each of these rows of values."""
        statement = statement.replace("?", "%s") if self.on_server else statement
        self.raw.cursor().executemany(statement, rows)

    def value(self, statement: str, *values: Any) -> Any:
        """Return the first value that a query finds, or None."""
        row = self.run(statement, *values).fetchone()
        return row[0] if row else None


@dataclass(frozen=True)
class Database:
    """Where jobs are kept: a driver (PEP 249), and how it connects, anew for each transaction."""

    driver: Any
    connect: Callable[[], Any]
    lasting: bool = False
    """Whether one connection serves all transactions, as it does for what is in memory."""

    @property
    def on_server(self) -> bool:
        """Whether it is PostgreSQL rather than a file."""
        return self.driver is not sqlite3

    @contextmanager
    def transaction(self, begin: str = "BEGIN") -> Iterator[Connection]:
        """Keep all that is done within it, or nothing where that fails."""
        raw = self.connect()
        try:
            settings = ("synchronous = EXTRA", "foreign_keys = ON", "trusted_schema = OFF")
            for setting in () if self.on_server else settings:
                raw.execute(f"PRAGMA {setting}")
            raw.execute(begin)
            try:
                yield Connection(raw, self.on_server)
                raw.execute("COMMIT")
            except BaseException:
                with suppress(self.driver.Error):  # what went wrong may have ended it already
                    raw.execute("ROLLBACK")
                raise
        finally:
            if not self.lasting:
                raw.close()


def file_uri(path: PurePath) -> str:
    """The URI by which SQLite opens a whole path, a Windows drive or share too.

    A share stands in the path, behind an empty authority; SQLite takes no other
    (www.sqlite.org/uri.html, 3.1 and 3.3).
    """
    written = quote_from_bytes(os.fsencode(path.as_posix()), safe="/:")
    return f"file://{'' if written.startswith('/') else '/'}{written}"


def in_file(path: Path, mode: str, wait_s: float) -> Database:
    """Return the database in a file, opened anew for each transaction: no handle outlives it."""
    uri = f"{file_uri(path)}?mode={mode}"

    def connect() -> sqlite3.Connection:
        conn = sqlite3.connect(uri, uri=True, timeout=wait_s, isolation_level=None)
        conn.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, MAX_LINE)  # of a text in a file from elsewhere
        conn.text_factory = _text
        return conn

    return Database(sqlite3, connect)


def in_copy(path: Path, wait_s: float = 5.0) -> Database:
    """Return a copy in memory of a file that may not be written."""
    copy = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    copy.text_factory = _text
    conn = in_file(path, "ro", wait_s).connect()
    try:
        conn.backup(copy)
    finally:
        conn.close()
    return Database(sqlite3, lambda: copy, lasting=True)


def _text(stored: bytes) -> str:
    """A text as stored; damaged bytes do not spoil the rows beside it, their hash tells of them."""
    return stored.decode("utf-8", "surrogateescape")


def on_server(url: SplitResult, label: str, wait_s: float) -> Database:
    """Return the database on a server; StoreError where its driver is missing."""
    try:
        import psycopg
    except ImportError as error:
        raise StoreError(
            f"{label}: " + _("needs the driver; pip install 'psycopg[binary]'")
        ) from error
    waits: dict[str, Any] = {"connect_timeout": 5}
    waits["options"] = f"-c lock_timeout={round(wait_s * 1000)}"
    return Database(psycopg, lambda: psycopg.connect(url.geturl(), autocommit=True, **waits))


def one_at_a_time(conn: Connection) -> None:
    if conn.on_server:  # SQLite's one lock is held already
        conn.run("SELECT pg_advisory_xact_lock(7305)")


_TABLES = """
CREATE TABLE jobs (key INTEGER PRIMARY KEY, id TEXT NOT NULL, folded TEXT NOT NULL, number INTEGER);
CREATE UNIQUE INDEX jobs_folded ON jobs (folded);
CREATE UNIQUE INDEX jobs_number ON jobs (number);
CREATE TABLE events (job INTEGER NOT NULL REFERENCES jobs (key), seq INTEGER NOT NULL,
    at TEXT NOT NULL, kind TEXT NOT NULL, uid TEXT, data TEXT NOT NULL, PRIMARY KEY (job, seq));
CREATE UNIQUE INDEX events_uid ON events (uid)
"""


def _create_tables(conn: Connection) -> None:
    """Make the tables; the database itself refuses to change, drop or replace what they hold."""
    for statement in _TABLES.split(";"):
        conn.run(statement)
    if conn.on_server:
        conn.run(
            "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'the record is append-only'; END $$"
        )
    for table in ("jobs", "events"):
        _refuse(conn, table, "UPDATE", "DELETE")
    _in_order(conn)


def _refuse(conn: Connection, table: str, *verbs: str) -> None:
    """Let the database itself refuse to do this to a table."""
    for verb in verbs:
        then = "BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END"
        if conn.on_server:
            each = "STATEMENT" if verb == "TRUNCATE" else "ROW"
            then = f"FOR EACH {each} EXECUTE FUNCTION refuse_change()"
        conn.run(f"CREATE TRIGGER {table}_no_{verb} BEFORE {verb} ON {table} {then}")


def _in_order(conn: Connection, besides: str = "FALSE") -> None:
    """Refuse events out of turn: else SQLite's INSERT OR REPLACE would slip past the others."""
    if not conn.on_server:
        conn.run(
            "CREATE TRIGGER events_in_order BEFORE INSERT ON events WHEN NEW.seq <> "
            "(SELECT coalesce(max(seq), 0) + 1 FROM events WHERE job = NEW.job) "
            f"OR EXISTS (SELECT 1 FROM events WHERE uid = NEW.uid) OR {besides} "
            "BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END"
        )


_NEW_HEAD = "INSERT INTO heads (events, hash, job) VALUES (?, ?, ?)"


def _chain_events(conn: Connection) -> None:
    """Give every event its hash and every job its head, and refuse events without."""
    is_server = conn.on_server
    conn.run("ALTER TABLE events ADD COLUMN hash TEXT")
    conn.run(
        "CREATE TABLE heads (job INTEGER PRIMARY KEY REFERENCES jobs (key), "
        "events INTEGER NOT NULL, hash TEXT NOT NULL)"
    )
    conn.run("DROP TRIGGER events_no_UPDATE" + " ON events" * is_server)
    for key, job_id in conn.run("SELECT key, id FROM jobs").fetchall():
        query = "SELECT job, seq, at, kind, uid, data FROM events WHERE job = ? ORDER BY seq"
        said = [(row[1], event_of(EventRow(*row))) for row in conn.run(query, key).fetchall()]
        whole = list(takewhile(lambda pair: pair[1] is not None, said))
        made = chain.hashes(chain.start(job_id), [event for _, event in whole if event])
        made += [""] * (len(said) - len(whole))  # damaged before: it has no hash and stays so
        if said:
            hashed = ((h, key, seq) for (seq, _), h in zip(said, made, strict=True))
            conn.run_each("UPDATE events SET hash = ? WHERE job = ? AND seq = ?", hashed)
            conn.run(_NEW_HEAD, len(made), made[-1], key)
    _refuse(conn, "events", "UPDATE")
    _refuse(conn, "heads", "DELETE")
    if is_server:
        conn.run("ALTER TABLE events ALTER COLUMN hash SET NOT NULL")
        for table in ("jobs", "events", "heads"):
            _refuse(conn, table, "TRUNCATE")
    else:
        conn.run("DROP TRIGGER events_in_order")
        _in_order(conn, "NEW.hash IS NULL")


def event_of(row: EventRow) -> Event | None:
    """The event that a row of the table holds; None where its data are none."""
    with suppress(TypeError, ValueError, RecursionError):
        if isinstance(data := json.loads(row.data), dict):
            return Event(row.seq, row.at, row.kind, data, row.uid or "")
    return None


# A store's version is the number of these that it has seen. Only ever add at the end.
MIGRATIONS: Sequence[Callable[[Connection], None]] = (_create_tables, _chain_events)


def new_file(path: Path) -> None:
    """Make an empty file that is the user's alone, whatever the umask."""
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, PRIVATE))
    path.chmod(PRIVATE)


def tighten(path: Path) -> None:
    """Take a store of the user's own from everybody else, and from a group that may not write it.

    A file that its group may write is shared on purpose, and stays so."""
    with suppress(OSError):  # another's file, or a disk without modes
        mode = path.stat().st_mode & 0o777
        keep = 0o660 if mode & 0o020 else PRIVATE
        if os.name == "posix" and mode & ~keep:
            path.chmod(mode & keep)


def is_open_to_all(path: Path) -> bool:
    """Whether any user of this computer may read a file."""
    with suppress(OSError):
        return os.name == "posix" and bool(path.stat().st_mode & 0o004)
    return False


def trouble(cause: Any, state: str) -> str:
    """What a database says went wrong, in plain words; ``state`` is its SQLSTATE, if it has one."""
    code = getattr(cause, "sqlite_errorcode", None) or 0
    known = TROUBLE.get(code) or TROUBLE.get(code & 0xFF) or TROUBLE.get(state)
    if known is None:
        return _("cannot be used: {cause}").format(cause=str(cause).split("\n", 1)[0])
    return _(known).format(rescue=_(RESCUE))


def seek(conn: Connection, where: str, *values: Any, lock: bool = False) -> int | None:
    """Return the key of a job, held against other writers if asked (SQLite holds all)."""
    held = " FOR UPDATE" if lock and conn.on_server else ""
    key = conn.value(f"SELECT key FROM jobs WHERE {where}{held}", *values)
    return None if key is None else int(key)


def _in_portions(items: Sequence[_T], size: int = 500) -> Iterator[Sequence[_T]]:
    return (items[i : i + size] for i in range(0, len(items), size))


def holder(conn: Connection, *uids: str) -> tuple[str, int] | None:
    """One of these tokens that an event bears, with the key of the job that the event is in."""
    for some in _in_portions([u for u in uids if u]):
        places = ", ".join("?" * len(some))
        query = f"SELECT uid, job FROM events WHERE uid IN ({places})"
        if (row := conn.run(query, *some).fetchone()) is not None:
            return row[0], row[1]
    return None


def next_number(conn: Connection, column: str) -> int:
    """One more than the largest number in a column of the jobs."""
    return int(conn.value(f"SELECT coalesce(max({column}), 0) + 1 FROM jobs"))


def insert(conn: Connection, key: int, job_id: str, events: Sequence[Event]) -> None:
    """Write events at the end of a job's chain, and its new head."""
    row = conn.run("SELECT events, hash FROM heads WHERE job = ?", key).fetchone()
    before = Head(*row) if row else Head(0, chain.start(job_id))
    made = chain.hashes(before.hash, events)
    conn.run_each(
        f"INSERT INTO events ({', '.join(EventRow._fields)}) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            (key, e.seq, e.at, e.kind, e.uid or None, json.dumps(e.data, allow_nan=False), h)
            for e, h in zip(events, made, strict=True)
        ),
    )
    change = "UPDATE heads SET events = ?, hash = ? WHERE job = ?" if row else _NEW_HEAD
    conn.run(change, before.events + len(events), made[-1], key)


_PRETENDERS = """SELECT name FROM sqlite_master WHERE lower(name) IN ('meta', 'jobs', 'events')
AND (type <> 'table' OR sql NOT LIKE 'CREATE TABLE%' OR sql LIKE '%GENERATED%')"""
"""Views and computed columns under the names of a store's tables: they may never end."""


def version(conn: Connection, where: str, newest: int) -> int:
    """Return how many migrations the store has seen; 0 when it is no store (yet)."""
    has_meta = "SELECT to_regclass('meta')"
    if not conn.on_server:
        if (said := conn.value("PRAGMA quick_check(1)")) != "ok":
            raise StoreError(
                f"{where}: "
                + _("is damaged ({said}); {rescue}").format(
                    said=" ".join(said.split()), rescue=_(RESCUE)
                )
            )
        if (other := conn.value(_PRETENDERS)) is not None:
            raise StoreError(
                f"{where}: "
                + _("'{other}' in it is no table, as in a job store; name another").format(
                    other=other
                )
            )
        has_meta = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'meta'"
    if conn.value(has_meta) is None:
        return 0
    seen = int(conn.value("SELECT count(*) FROM meta WHERE key LIKE 'migration %'"))
    if seen > newest:
        raise StoreError(
            f"{where}: "
            + _(
                "this store was written by a newer benchodds (version {version}, this one "
                "knows up to {newest}): upgrade, or name another store with --store"
            ).format(version=seen, newest=newest)
        )
    return seen
