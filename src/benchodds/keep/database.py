"""The database below the store: where it is, how it is opened, its tables and their history.

Why SQLite's rollback journal and not WAL: at a few events a minute WAL's speed buys nothing,
and it needs side files that a copied or read-only store lacks, and shared memory that network
folders lack. synchronous=EXTRA also syncs the folder once the journal is removed; with FULL a
committed event's journal could come back after a power cut and roll the event off.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import Connection
from sqlalchemy.exc import SQLAlchemyError

from benchodds.basics.errors import StoreError

META = sa.table("meta", sa.column("key"), sa.column("value"))
JOBS = sa.table("jobs", *map(sa.column, ("key", "id", "folded", "number")))
EVENTS = sa.table("events", *map(sa.column, ("job", "seq", "at", "kind", "uid", "data")))

RESCUE = "keep it apart for rescue and restore a backup, or name another store with --store"
IN_USE = "is in use by another program that did not let go in time; nothing was changed, try again"
NO_WRITE = "can only be read: opened so, or its file or disk is protected; nothing was changed"
_CRASHED = "was left half-written by a crash and mends itself once opened without write protection"
# By SQLite's result code (the extended one first) or SQLSTATE.
TROUBLE = dict.fromkeys((sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, "55P03"), IN_USE) | {
    sqlite3.SQLITE_READONLY: NO_WRITE,
    sqlite3.SQLITE_READONLY_ROLLBACK: _CRASHED,
    sqlite3.SQLITE_CANTOPEN: "cannot be opened: see that it and its folder may be read and written",
    sqlite3.SQLITE_FULL: "has no room to grow, the disk is full; nothing was changed",
    sqlite3.SQLITE_CORRUPT: f"is damaged; {RESCUE}",
    sqlite3.SQLITE_NOTADB: f"is not a job store, or its beginning is damaged; {RESCUE}",
}


def parsed_url(where: str | Path) -> sa.URL | None:
    """Return the URL of a database; None for a path."""
    if isinstance(where, Path) or "://" not in where:
        return None
    try:
        url = sa.make_url(where)
    except (SQLAlchemyError, ValueError) as error:
        raise StoreError("the store's URL cannot be read; write postgresql://host/name") from error
    if url.get_backend_name() not in ("sqlite", "postgresql"):
        raise StoreError(f"a store is an SQLite file or on PostgreSQL, not '{url.drivername}'")
    return url


def engine_for_file(path: Path, mode: str, wait_s: float) -> sa.Engine:
    """Return an engine that opens the file anew for each transaction: no handle outlives it."""

    def connect() -> sqlite3.Connection:
        uri = f"{path.as_uri()}?mode={mode}"
        return sqlite3.connect(uri, uri=True, timeout=wait_s, isolation_level=None)

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
        raise StoreError(f"{label}: needs the driver; pip install 'psycopg[binary]'") from error


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
