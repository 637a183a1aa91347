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
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, suppress
from itertools import takewhile
from pathlib import Path, PurePath
from typing import Any, TypeVar
from urllib.parse import quote_from_bytes

import sqlalchemy as sa
from sqlalchemy import Connection
from sqlalchemy.exc import SQLAlchemyError

from benchodds.basics.errors import StoreError
from benchodds.basics.language import N_, _
from benchodds.keep.archive import MAX_LINE
from benchodds.model import chain
from benchodds.model.chain import Head
from benchodds.model.events import Event

_T = TypeVar("_T")
PRIVATE = 0o600
"""Mode of a store and of its copies: customers' machines are nobody else's business."""
META = sa.table("meta", sa.column("key"), sa.column("value"))
JOBS = sa.table("jobs", *map(sa.column, ("key", "id", "folded", "number")))
EVENTS = sa.table("events", *map(sa.column, ("job", "seq", "at", "kind", "uid", "data", "hash")))
HEADS = sa.table("heads", *map(sa.column, ("job", "events", "hash")))

RESCUE = N_(
    "'benchodds rescue NEW' brings out what is whole; restore a backup beside it, or name "
    "another store with --store"
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


def parsed_url(where: str | Path) -> sa.URL | None:
    """Return the URL of a database; None for a path."""
    if isinstance(where, Path) or "://" not in where:
        return None
    try:
        url = sa.make_url(where)
    except (SQLAlchemyError, ValueError) as error:
        raise StoreError(
            _("the store's URL cannot be read; write postgresql://host/name")
        ) from error
    if url.get_backend_name() not in ("sqlite", "postgresql"):
        raise StoreError(
            _("a store is an SQLite file or on PostgreSQL, not '{drivername}'").format(
                drivername=url.drivername
            )
        )
    return url


def file_uri(path: PurePath) -> str:
    """The URI by which SQLite opens a whole path, a Windows drive or share too.

    A share stands in the path, behind an empty authority; SQLite takes no other
    (www.sqlite.org/uri.html, 3.1 and 3.3).
    """
    written = quote_from_bytes(os.fsencode(path.as_posix()), safe="/:")
    return f"file://{'' if written.startswith('/') else '/'}{written}"


def engine_for_file(path: Path, mode: str, wait_s: float) -> sa.Engine:
    """Return an engine that opens the file anew for each transaction: no handle outlives it."""

    return _engine(lambda: _connection(path, mode, wait_s), sa.NullPool)


def engine_for_copy(path: Path, wait_s: float = 5.0) -> sa.Engine:
    """Return an engine for a copy in memory of a file that may not be written."""
    copy = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    copy.text_factory = _text
    with closing(_connection(path, "ro", wait_s)) as conn:
        conn.backup(copy)
    return _engine(lambda: copy, sa.StaticPool)


def _connection(path: Path, mode: str, wait_s: float) -> sqlite3.Connection:
    uri = f"{file_uri(path)}?mode={mode}"
    conn = sqlite3.connect(uri, uri=True, timeout=wait_s, isolation_level=None)
    conn.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, MAX_LINE)  # of a text in a file from elsewhere
    conn.text_factory = _text
    return conn


def _text(stored: bytes) -> str:
    """A text as stored; damaged bytes do not spoil the rows beside it, their hash tells of them."""
    return stored.decode("utf-8", "surrogateescape")


def _engine(connect: Callable[[], sqlite3.Connection], pool: type[sa.Pool]) -> sa.Engine:
    engine = sa.create_engine("sqlite://", creator=connect, poolclass=pool)

    @sa.event.listens_for(engine, "begin")
    def begin(conn: Connection) -> None:
        for setting in ("synchronous = EXTRA", "foreign_keys = ON", "trusted_schema = OFF"):
            conn.exec_driver_sql(f"PRAGMA {setting}")
        conn.exec_driver_sql(conn.get_execution_options().get("begin", "BEGIN"))

    return engine


def engine_for_server(url: sa.URL, label: str, wait_s: float) -> sa.Engine:
    url = url.set(drivername="postgresql+psycopg")
    waits = {"connect_timeout": 5, "options": f"-c lock_timeout={round(wait_s * 1000)}"}
    try:
        return sa.create_engine(url, pool_pre_ping=True, connect_args=waits)
    except ImportError as error:
        raise StoreError(
            f"{label}: " + _("needs the driver; pip install 'psycopg[binary]'")
        ) from error


def one_at_a_time(conn: Connection) -> None:
    if conn.dialect.name == "postgresql":  # SQLite's one lock is held already
        conn.exec_driver_sql("SELECT pg_advisory_xact_lock(7305)")


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
        conn.exec_driver_sql(statement)
    if conn.dialect.name == "postgresql":
        conn.exec_driver_sql(
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
        if conn.dialect.name == "postgresql":
            each = "STATEMENT" if verb == "TRUNCATE" else "ROW"
            then = f"FOR EACH {each} EXECUTE FUNCTION refuse_change()"
        conn.exec_driver_sql(f"CREATE TRIGGER {table}_no_{verb} BEFORE {verb} ON {table} {then}")


def _in_order(conn: Connection, besides: str = "FALSE") -> None:
    """Refuse events out of turn: else SQLite's INSERT OR REPLACE would slip past the others."""
    if conn.dialect.name == "sqlite":
        conn.exec_driver_sql(
            "CREATE TRIGGER events_in_order BEFORE INSERT ON events WHEN NEW.seq <> "
            "(SELECT coalesce(max(seq), 0) + 1 FROM events WHERE job = NEW.job) "
            f"OR EXISTS (SELECT 1 FROM events WHERE uid = NEW.uid) OR {besides} "
            "BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END"
        )


def _chain_events(conn: Connection) -> None:
    """Give every event its hash and every job its head, and refuse events without."""
    is_server = conn.dialect.name == "postgresql"
    conn.exec_driver_sql("ALTER TABLE events ADD COLUMN hash TEXT")
    conn.exec_driver_sql(
        "CREATE TABLE heads (job INTEGER PRIMARY KEY REFERENCES jobs (key), "
        "events INTEGER NOT NULL, hash TEXT NOT NULL)"
    )
    conn.exec_driver_sql("DROP TRIGGER events_no_UPDATE" + " ON events" * is_server)
    c = EVENTS.c
    this = sa.and_(c.job == sa.bindparam("of"), c.seq == sa.bindparam("number"))
    change = EVENTS.update().where(this).values(hash=sa.bindparam("made"))
    rows = sa.select(c.seq, c.at, c.kind, c.uid, c.data).order_by(c.seq)
    for key, job_id in conn.execute(sa.select(JOBS.c.key, JOBS.c.id)).all():
        said = [(row, event_of(row)) for row in conn.execute(rows.where(c.job == key)).all()]
        whole = list(takewhile(lambda pair: pair[1] is not None, said))
        made = chain.hashes(chain.start(job_id), [event for _, event in whole if event])
        made += [""] * (len(said) - len(whole))  # damaged before: it has no hash and stays so
        pairs = zip(said, made, strict=True)
        updates = [{"of": key, "number": row.seq, "made": h} for (row, _), h in pairs]
        if updates:
            conn.execute(change, updates)
            conn.execute(HEADS.insert().values((key, len(made), made[-1])))
    _refuse(conn, "events", "UPDATE")
    _refuse(conn, "heads", "DELETE")
    if is_server:
        conn.exec_driver_sql("ALTER TABLE events ALTER COLUMN hash SET NOT NULL")
        for table in ("jobs", "events", "heads"):
            _refuse(conn, table, "TRUNCATE")
    else:
        conn.exec_driver_sql("DROP TRIGGER events_in_order")
        _in_order(conn, "NEW.hash IS NULL")


def event_of(row: Any) -> Event | None:
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


def seek(conn: Connection, which: sa.ColumnElement[bool], lock: bool = False) -> int | None:
    """Return the key of a job, held against other writers if asked (SQLite holds all)."""
    query = sa.select(JOBS.c.key).where(which)
    key = conn.scalar(query.with_for_update() if lock else query)
    return None if key is None else int(key)


def _in_portions(items: Sequence[_T], size: int = 500) -> Iterator[Sequence[_T]]:
    return (items[i : i + size] for i in range(0, len(items), size))


def holder(conn: Connection, *uids: str) -> tuple[str, int] | None:
    """One of these tokens that an event bears, with the key of the job that the event is in."""
    for some in _in_portions([u for u in uids if u]):
        query = sa.select(EVENTS.c.uid, EVENTS.c.job).where(EVENTS.c.uid.in_(some))
        if (row := conn.execute(query).first()) is not None:
            return row.uid, row.job
    return None


def next_number(conn: Connection, column: sa.ColumnClause[Any]) -> int:
    """One more than the largest number in a column."""
    return int(conn.scalar(sa.select(sa.func.coalesce(sa.func.max(column), 0) + 1)) or 1)


def insert(conn: Connection, key: int, job_id: str, events: Sequence[Event]) -> None:
    """Write events at the end of a job's chain, and its new head."""
    c = HEADS.c
    row = conn.execute(sa.select(c.events, c.hash).where(c.job == key)).first()
    before = Head(*row) if row else Head(0, chain.start(job_id))
    made = chain.hashes(before.hash, events)
    for some in _in_portions(list(zip(events, made, strict=True))):
        said = [
            (e.seq, e.at, e.kind, e.uid or None, json.dumps(e.data, allow_nan=False), h)
            for e, h in some
        ]
        names = ("job", "seq", "at", "kind", "uid", "data", "hash")
        conn.execute(EVENTS.insert(), [dict(zip(names, (key, *x), strict=True)) for x in said])
    head = (key, before.events + len(events), made[-1])
    change = HEADS.update().where(c.job == key) if row else HEADS.insert()
    conn.execute(change.values(dict(zip(("job", "events", "hash"), head, strict=True))))


_PRETENDERS = """SELECT name FROM sqlite_master WHERE lower(name) IN ('meta', 'jobs', 'events')
AND (type <> 'table' OR sql NOT LIKE 'CREATE TABLE%' OR sql LIKE '%GENERATED%')"""
"""Views and computed columns under the names of a store's tables: they may never end."""


def version(conn: Connection, where: str, newest: int) -> int:
    """Return how many migrations the store has seen; 0 when it is no store (yet)."""
    is_file = conn.dialect.name == "sqlite"
    if is_file and (said := conn.scalar(sa.text("PRAGMA quick_check(1)"))) != "ok":
        raise StoreError(
            f"{where}: "
            + _("is damaged ({said}); {rescue}").format(
                said=" ".join(said.split()), rescue=_(RESCUE)
            )
        )
    if is_file and (other := conn.scalar(sa.text(_PRETENDERS))) is not None:
        raise StoreError(
            f"{where}: "
            + _("'{other}' in it is no table, as in a job store; name another").format(other=other)
        )
    if not sa.inspect(conn).has_table("meta"):
        return 0
    done = sa.select(sa.func.count()).where(META.c.key.startswith("migration "))
    seen = int(conn.scalar(done) or 0)
    if seen > newest:
        raise StoreError(
            f"{where}: "
            + _(
                "this store was written by a newer benchodds (version {version}, this one "
                "knows up to {newest}): upgrade, or name another store with --store"
            ).format(version=seen, newest=newest)
        )
    return seen
