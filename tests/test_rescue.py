"""Damage in a store or a file of jobs: named, no obstacle to the rest, and the rest brought out."""

from __future__ import annotations

import json
import os
import random
import sqlite3
import stat
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import flips
from benchodds.basics.errors import StoreError
from benchodds.cli.main import main
from benchodds.keep import archive
from benchodds.keep.database import MIGRATIONS
from benchodds.keep.store import Store
from benchodds.keep.whole import DamagedJobError
from benchodds.learn.casebook import StoreChunk, read_jobs
from benchodds.learn.tuning_files import load_learning
from benchodds.model.jobs import Job, note_event
from test_jobs import AT, opening

STORES = Path(__file__).parent / "data" / "stores"


@pytest.fixture
def where(tmp_path: Path) -> Path:
    """A store of six jobs: 1, señora-1, 2, 3, señora-4, 4."""
    flips.fill(tmp_path / "jobs.sqlite", random.Random(1))
    return tmp_path / "jobs.sqlite"


def run(*args: object, code: int = 0) -> Result:
    """What a command prints."""
    result = CliRunner().invoke(main, [str(a) for a in args])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def altered(where: Path, *statements: str) -> None:
    """A store changed behind its back, its own guards taken off."""
    with closing(sqlite3.connect(where, isolation_level=None)) as conn:
        rows = conn.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (name,) in rows:
            conn.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            conn.execute(statement)


def jobs_of(where: Path) -> list[Job]:
    """All jobs of a store that has no damaged one."""
    with Store.open(where, create=False) as store:
        snapshot = store.snapshot()
    assert snapshot.damaged == ()
    return list(snapshot.jobs)


DAMAGE = {
    "a value": "UPDATE events SET data = replace(data, '0.13', '1.13') WHERE job = 1",
    "a time": "UPDATE events SET at = '2031-01-01T00:00:01Z' WHERE job = 1 AND seq = 3",
    "a kind": "UPDATE events SET kind = 'note' WHERE job = 1 AND seq = 3",
    "a token": "UPDATE events SET uid = 'another' WHERE job = 1 AND seq = 3",
    "no token": "UPDATE events SET uid = NULL WHERE job = 1 AND seq = 3",
    "an order": "UPDATE events SET seq = 99 WHERE job = 1 AND seq = 3",
    "a hash": "UPDATE events SET hash = 'x' WHERE job = 1 AND seq = 3",
    "no hash": "UPDATE events SET hash = NULL WHERE job = 1",
    "the middle": "DELETE FROM events WHERE job = 1 AND seq = 3",
    "the beginning": "DELETE FROM events WHERE job = 1 AND seq = 1",
    "the end": "DELETE FROM events WHERE job = 1 AND seq = 9",
    "all events": "DELETE FROM events WHERE job = 1",
    "the head": "DELETE FROM heads WHERE job = 1",
    "its length": "UPDATE heads SET events = 8 WHERE job = 1",
    "another job": "UPDATE events SET job = 3, seq = 77 WHERE job = 1 AND seq = 4",
    "its name": "UPDATE jobs SET id = '7', folded = '7', number = 7 WHERE key = 1",
    "its number": "UPDATE jobs SET number = 7 WHERE key = 1",
    "its name folded": "UPDATE jobs SET folded = 'x' WHERE key = 1",
    "two names": "UPDATE jobs SET id = CASE key WHEN 2 THEN 'señora-4' ELSE 'señora-1' END "
    "WHERE key IN (2, 5)",
    "its row": "DELETE FROM jobs WHERE key = 1",
    "text that is none": "UPDATE events SET data = CAST(x'7bff7d' AS TEXT) WHERE seq = 2 "
    "AND job = 1",
}


@pytest.mark.parametrize("what", DAMAGE)
def test_damage_is_named_and_blocks_nothing_else(where: Path, what: str) -> None:
    """Whatever of a job was altered, it is told; the others are read as they were, and written."""
    wanted = {job.id: job for job in jobs_of(where)}
    altered(where, DAMAGE[what])
    with Store.open(where) as store:
        snapshot = store.snapshot()
        assert snapshot.damaged
        assert all(job == wanted[job.id] for job in snapshot.jobs)
        assert len(snapshot.jobs) >= len(wanted) - 2
        spared = {job.id for job in snapshot.jobs}
        for job_id in wanted.keys() - spared:
            with pytest.raises(StoreError, match="damaged"):
                store.job(job_id)
        store.append("4", lambda j: note_event(j, "still writes", at=AT, uid="later"))
        assert store.new_job(opening("anew")).id not in wanted


@pytest.mark.parametrize("what", DAMAGE)
def test_rescue_brings_out_what_is_whole(where: Path, tmp_path: Path, what: str) -> None:
    """The other jobs whole, of the damaged one what stands before it; its true name is found."""
    wanted = {job.id: job for job in jobs_of(where)}
    altered(where, DAMAGE[what])
    run("rescue", tmp_path / "new.sqlite", "--store", where)
    found = {job.id: job for job in jobs_of(tmp_path / "new.sqlite")}
    assert found.keys() >= wanted.keys() - {"1"}
    for job_id, job in found.items():
        assert wanted[job_id].events[: len(job.events)] == job.events
    names_only = ("its ", "two names", "the head")
    if what.startswith(names_only):
        assert found == wanted


def test_a_backup_fills_what_rescue_could_not(where: Path, tmp_path: Path) -> None:
    """Rescued, then restored from the last backup: everything is back."""
    wanted = jobs_of(where)
    backup, new = tmp_path / "backup.sqlite", tmp_path / "new.sqlite"
    run("backup", backup, "--store", where)
    altered(where, DAMAGE["the middle"])
    run("rescue", new, "--store", where)
    run("restore", backup, "--store", new)
    assert jobs_of(new) == wanted


SPOILT: dict[str, Callable[[bytearray], None]] = {
    "its beginning": lambda data: data.__setitem__(slice(0, 100), b"\xff" * 100),
    "its first page": lambda data: data.__setitem__(slice(0, 4096), bytes(4096)),
    "its third page": lambda data: data.__setitem__(slice(8192, 12288), b"\xaa" * 4096),
    "its end": lambda data: data.__delitem__(slice(-6000, None)),
    "most of it": lambda data: data.__delitem__(slice(12288, None)),
}


@pytest.mark.parametrize("what", SPOILT)
def test_rescue_of_what_sqlite_calls_damaged(where: Path, tmp_path: Path, what: str) -> None:
    """A file that cannot be opened is read page by page; it stays as it is."""
    wanted = {job.id: job for job in jobs_of(where)}
    data = bytearray(where.read_bytes())
    SPOILT[what](data)
    where.write_bytes(data)
    run("jobs", "--store", where, code=2)
    told = json.loads(run("rescue", tmp_path / "new.sqlite", "--store", where, "--json").output)
    found = {job.id: job for job in jobs_of(tmp_path / "new.sqlite")}
    assert told["jobs"] == len(found) and told["events"] == sum(
        len(j.events) for j in found.values()
    )
    for job_id, job in found.items():
        assert wanted[job_id].events[: len(job.events)] == job.events
    if what in ("its beginning", "its first page"):
        assert found == wanted
    assert where.read_bytes() == data


def test_rescue_of_a_store_of_before_the_hashes(tmp_path: Path) -> None:
    """As far as it makes sense."""
    data = (STORES / "version-1.sqlite").read_bytes()
    old, new = tmp_path / "old.sqlite", tmp_path / "new.sqlite"
    old.write_bytes(bytes(100) + data[100:])
    run("rescue", new, "--store", old)
    lines = (STORES / "version-1.jsonl").read_text(encoding="utf-8").splitlines()
    assert [(j.id, j.events) for j in jobs_of(new)] == [
        (r.id, r.events) for r in archive.read(lines)
    ]


def test_rescue_of_a_file_of_lines(where: Path, tmp_path: Path) -> None:
    """A line that is no job and one that was altered: the others are brought out."""
    wanted = {job.id: job for job in jobs_of(where)}
    file, new = tmp_path / "jobs.jsonl", tmp_path / "new.jsonl"
    run("export", "--to", file, "--store", where)
    lines = file.read_text(encoding="utf-8").splitlines()
    lines[1] = lines[1].replace("0.13", "1.13", 1)
    lines[2] = lines[2][:200]
    file.write_text("\n".join(lines), encoding="utf-8")
    assert "line 2: job '1': event" in run("restore", file, "--store", where, code=2).output
    said = run("rescue", new, "--store", file).output
    assert "job '1': " in said and "brought out (event " in said
    found = {r.id: r for r in archive.read(new.read_text(encoding="utf-8").splitlines())}
    assert found.keys() == wanted.keys() - {"señora-1"}
    assert all(found[i].job == wanted[i] for i in found.keys() - {"1"})


def test_commands_say_what_they_left_out(where: Path, tmp_path: Path) -> None:
    """jobs, backup, export, tune and restore name the damaged job; others' commands go on."""
    altered(where, DAMAGE["a value"])
    store = ("--store", where)
    words = "job '1' is damaged (event "
    listed = run("jobs", *store)
    assert words in listed.stderr and "señora-4" in listed.stdout
    assert [d["id"] for d in json.loads(run("jobs", "--json", *store).stdout)["damaged"]] == ["1"]
    for file in ("copy.sqlite", "copy.jsonl"):
        done = run("backup", tmp_path / file, *store)
        assert words in done.stderr and "5 jobs" in done.stdout
    assert words in run("export", "--to", tmp_path / "all.jsonl", *store).stderr
    assert words in run("show", "1", *store, code=2).output
    assert "señora-4" in run("show", "señora-4", *store).output
    assert words in run("restore", where, "--store", tmp_path / "b.sqlite", code=2).output
    told = json.loads(run("restore", tmp_path / "copy.jsonl", "--json", *store).output)["jobs"]
    assert {row["state"] for row in told} == {"same"}
    with Store.open(where) as opened:
        learning = load_learning()
        tally = read_jobs([StoreChunk(opened, learning)], learning, skip_bad=True)
    assert any(words in reason for reason in tally.aside)
    assert tally.rows == 4  # three are closed


def test_old_stores_are_read_without_being_written(tmp_path: Path) -> None:
    """A backup of an earlier version is restored as it lies there."""
    for old in sorted(STORES.glob("version-*.sqlite")):
        copy = tmp_path / old.name
        copy.write_bytes(old.read_bytes())
        before = copy.read_bytes()
        run("restore", copy, "--store", tmp_path / f"new-{old.name}")
        assert copy.read_bytes() == before
        lines = old.with_suffix(".jsonl").read_text(encoding="utf-8").splitlines()
        found = jobs_of(tmp_path / f"new-{old.name}")
        assert [(j.id, j.events) for j in found] == [(r.id, r.events) for r in archive.read(lines)]
    assert len(MIGRATIONS) == len(list(STORES.glob("version-*.sqlite")))


def test_damage_of_before_the_hashes_stays_with_its_job(tmp_path: Path) -> None:
    """An old store with a torn event is brought up to date all the same."""
    place = tmp_path / "jobs.sqlite"
    place.write_bytes((STORES / "version-1.sqlite").read_bytes())
    with closing(sqlite3.connect(place, isolation_level=None)) as conn:
        conn.execute("DROP TRIGGER events_no_UPDATE")
        conn.execute("UPDATE events SET data = '{' WHERE job = 1 AND seq = 2")
        conn.execute(
            "CREATE TRIGGER events_no_UPDATE BEFORE UPDATE ON events "
            "BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END"
        )
    with Store.open(place, create=False) as store:
        snapshot = store.snapshot()
        assert [e.damage for e in snapshot.damaged] == ["event 2: it is not as it was written down"]
        assert len(snapshot.jobs) == 1
        with pytest.raises(DamagedJobError):
            store.append(snapshot.damaged[0].job, lambda j: note_event(j, "x", at=AT, uid="n"))


@pytest.mark.skipif(os.name != "posix", reason="files have no modes here")
@pytest.mark.parametrize("umask", [0o000, 0o022, 0o277])
def test_stores_and_copies_are_ones_own(tmp_path: Path, umask: int) -> None:
    """0600 whatever the umask: the store, its journal, backups of both kinds, what is rescued."""
    before = os.umask(umask)
    seen: set[int] = set()
    try:
        store = tmp_path / "jobs.sqlite"
        with Store.open(store) as opened:
            opened.new_job(opening())

            def build(job: Job) -> flips.jobs.Event:
                seen.update(stat.S_IMODE(p.stat().st_mode) for p in tmp_path.iterdir())
                return note_event(job, "x", at=AT, uid="n")

            opened.append("1", build)
        for name in ("copy.sqlite", "copy.jsonl"):
            run("backup", tmp_path / name, "--store", store)
            run("rescue", tmp_path / f"new-{name}", "--store", store)
    finally:
        os.umask(before)
    seen |= {stat.S_IMODE(p.stat().st_mode) for p in tmp_path.iterdir()}
    assert seen == {0o600}


@pytest.mark.skipif(os.name != "posix", reason="files have no modes here")
@pytest.mark.parametrize(
    ("mode", "after"), [(0o644, 0o600), (0o755, 0o600), (0o666, 0o660), (0o660, 0o660)]
)
def test_old_stores_are_taken_from_others(tmp_path: Path, mode: int, after: int) -> None:
    """When they are opened; a group that may write the store shares it on purpose."""
    place = tmp_path / "jobs.sqlite"
    Store.open(place).close()
    place.chmod(mode)
    Store.open(place).close()
    assert stat.S_IMODE(place.stat().st_mode) == after


def test_a_store_open_to_all_is_a_doubt(where: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where it could not be tightened, the list of jobs says so."""
    monkeypatch.setattr(Path, "chmod", lambda *_: None)
    os.chmod(where, 0o644)  # noqa: PTH101
    assert "any user of this computer can read" in run("jobs", "--store", where).stderr
