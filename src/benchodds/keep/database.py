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
from collections.abc import Callable, Sequence
from pathlib import Path, PurePath
from typing import Any
from urllib.parse import quote_from_bytes

import sqlalchemy as sa
from sqlalchemy import Connection
from sqlalchemy.exc import SQLAlchemyError

from benchodds.basics.errors import StoreError
from benchodds.basics.language import N_, _
from benchodds.keep.archive import MAX_LINE
from benchodds.model.events import Event

Found = tuple[int, str]
"""Key and id of a job."""
META = sa.table("meta", sa.column("key"), sa.column("value"))
JOBS = sa.table("jobs", *map(sa.column, ("key", "id", "folded", "number")))
EVENTS = sa.table("events", *map(sa.column, ("job", "seq", "at", "kind", "uid", "data")))

RESCUE = N_("keep it apart for rescue and restore a backup, or name another store with --store")
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

    def connect() -> sqlite3.Connection:
        uri = f"{file_uri(path)}?mode={mode}"
        made = sqlite3.connect(uri, uri=True, timeout=wait_s, isolation_level=None)
        made.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, MAX_LINE)  # of a text in a file from elsewhere
        return made

    engine = sa.create_engine("sqlite://", creator=connect, poolclass=sa.NullPool)

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
    then = "BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END"
    if conn.dialect.name == "postgresql":
        conn.exec_driver_sql(
            "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'the record is append-only'; END $$"
        )
        then = "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
    for table, verb in ((t, v) for t in ("jobs", "events") for v in ("UPDATE", "DELETE")):
        conn.exec_driver_sql(f"CREATE TRIGGER {table}_no_{verb} BEFORE {verb} ON {table} {then}")
    if conn.dialect.name == "sqlite":  # else INSERT OR REPLACE would slip past the others
        conn.exec_driver_sql(
            "CREATE TRIGGER events_in_order BEFORE INSERT ON events WHEN NEW.seq <> "
            "(SELECT coalesce(max(seq), 0) + 1 FROM events WHERE job = NEW.job) "
            f"OR EXISTS (SELECT 1 FROM events WHERE uid = NEW.uid) {then}"
        )


# A store's version is the number of these that it has seen. Only ever add at the end.
MIGRATIONS: Sequence[Callable[[Connection], None]] = (_create_tables,)


def trouble(cause: Any, state: str) -> str:
    """What a database says went wrong, in plain words; ``state`` is its SQLSTATE, if it has one."""
    code = getattr(cause, "sqlite_errorcode", None) or 0
    known = TROUBLE.get(code) or TROUBLE.get(code & 0xFF) or TROUBLE.get(state)
    if known is None:
        return _("cannot be used: {cause}").format(cause=str(cause).split("\n", 1)[0])
    return _(known).format(rescue=_(RESCUE))


def seek(conn: Connection, which: sa.ColumnElement[bool], lock: bool = False) -> Found | None:
    """Return key and id of a job, held against other writers if asked (SQLite holds all)."""
    query = sa.select(JOBS.c.key, JOBS.c.id).where(which)
    row = conn.execute(query.with_for_update() if lock else query).first()
    return (row[0], row[1]) if row else None


def holder(conn: Connection, uid: str) -> Found | None:
    """The job that a token's event is in, or None."""
    having = sa.select(EVENTS.c.job).where(EVENTS.c.uid == uid)
    return seek(conn, JOBS.c.key.in_(having)) if uid else None


def next_number(conn: Connection, column: sa.ColumnClause[Any]) -> int:
    """One more than the largest number in a column."""
    return int(conn.scalar(sa.select(sa.func.coalesce(sa.func.max(column), 0) + 1)) or 1)


def insert(conn: Connection, key: int, event: Event) -> None:
    """Write an event of a job."""
    row = (key, event.seq, event.at, event.kind, event.uid or None)
    conn.execute(EVENTS.insert().values((*row, json.dumps(event.data, allow_nan=False))))


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
