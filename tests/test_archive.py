"""Jobs carried out of a store and into another: nothing lost, nothing doubled, all or nothing."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from benchodds.basics.errors import BenchoddsError, JobError
from benchodds.cli.main import main
from benchodds.keep import archive
from benchodds.keep.archive import ArchiveError, Record
from benchodds.keep.database import MIGRATIONS
from benchodds.keep.store import Store
from benchodds.model.events import Event
from benchodds.model.jobs import Job, fold, note_event
from test_jobs import AT, close, deeds, do, opening, reading, strike

Places = Callable[[], Store]


@pytest.fixture(params=["file", "server"])
def places(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Places]:
    """Makes empty stores: the first in a file or on a server, further ones in files."""
    made: list[Store] = []

    def make() -> Store:
        first = request.param == "server" and not made
        where = request.getfixturevalue("server_url") if first else tmp_path / f"{len(made)}.sqlite"
        made.append(Store.open(where))
        return made[-1]

    yield make
    for store in made:
        store.close()


def filled(store: Store) -> Store:
    """Three jobs, one of them named and closed."""
    store.new_job(opening("a"))
    store.append("1", lambda j: reading(j, "a1", "4k7", kicks=3))
    store.append("1", strike("R1", "s"))
    store.new_job(opening("b"), name="señora")
    store.append("señora", close)
    store.new_job(opening("c"))
    return store


def through_file(jobs: list[Job]) -> list[Record]:
    """Jobs written to lines and read back."""
    return list(archive.read(list(archive.write(jobs))))


def test_what_is_written_is_read_back(places: Places) -> None:
    """Another store, filled from the file, holds the same jobs and writes the same file."""
    first, second = filled(places()), places()
    taken = second.take_in(through_file(first.snapshot().jobs))
    assert [t.state for t in taken] == ["new"] * 3
    assert second.snapshot() == first.snapshot()
    assert list(archive.write(second.snapshot().jobs)) == list(archive.write(first.snapshot().jobs))


@settings(max_examples=10, deadline=None)
@given(history=st.lists(deeds, max_size=8))
def test_any_history_passes_through_a_file(history: list[tuple[Any, ...]]) -> None:
    """Whatever the builders let through is the same job after writing and reading."""
    job = fold("1", [opening("a")])
    for deed in history:
        try:
            event = do(job, deed, "")
        except BenchoddsError:
            continue
        job = fold("1", [*job.events, event])
    (record,) = through_file([job])
    assert record.job == job


def test_the_same_file_twice_changes_nothing(places: Places) -> None:
    """Nor does an older file; a newer one adds what is missing."""
    first, second = filled(places()), places()
    old = through_file(first.snapshot().jobs)
    second.take_in(old)
    before = second.snapshot()
    assert {t.state for t in second.take_in(old)} == {"same"}
    assert second.snapshot() == before
    first.append("2", lambda j: note_event(j, "later", at=AT, uid="n"))
    first.append("2", lambda j: note_event(j, "later still", at=AT, uid="m"))
    taken = second.take_in(through_file(first.snapshot().jobs))
    assert [(t.id, t.state, t.added) for t in taken if t.added] == [("2", "grown", 2)]
    assert second.snapshot() == first.snapshot()
    assert {t.state for t in second.take_in(old)} == {"same"}


def test_jobs_that_went_different_ways_are_refused_whole(places: Places) -> None:
    """One such job, and nothing of the file is taken in."""
    first, second = filled(places()), places()
    second.take_in(through_file(first.snapshot().jobs))
    first.append("2", lambda j: note_event(j, "there", at=AT, uid="n"))
    second.append("2", lambda j: note_event(j, "here", at=AT, uid="m"))
    first.new_job(opening("d"))
    before = second.snapshot()
    with pytest.raises(JobError, match="job '2': its record here and in the file differ from ev"):
        second.take_in(through_file(first.snapshot().jobs))
    assert second.snapshot() == before


def test_numbers_that_are_taken(places: Places) -> None:
    """Another job's number gives way to the next one; another job's name does not."""
    first, second = filled(places()), places()
    second.new_job(opening("z"))
    taken = second.take_in(through_file([first.job("1"), first.job("2")]))
    assert [(t.id, t.here) for t in taken] == [("1", "2"), ("2", "3")]
    assert second.job("2").events == first.job("1").events
    assert [t.here for t in second.take_in(through_file([first.job("1")]))] == ["2"]
    second.new_job(opening("y"), name="SEÑORA")
    with pytest.raises(JobError, match="is another one"):
        second.take_in(through_file([first.job("señora")]))


def test_fifty_clients_at_once(places: Places) -> None:
    """Fifty clients on five jobs: every event once, in one order, none waited for ever."""
    store = places()
    ids = [store.new_job(opening(f"open {i}")).id for i in range(5)]
    failed: list[BaseException] = []

    def client(n: int) -> None:
        try:
            with Store.open(store.where, wait_s=60) as mine:
                for k in range(4):
                    uid = f"{n}-{k}"

                    def build(job: Job, uid: str = uid) -> Event:
                        return note_event(job, uid, at=AT, uid=uid)

                    mine.append(ids[(n + k) % 5], build)
                    if k % 2:  # sent once more, as over a bad connection
                        mine.append(ids[(n + k) % 5], build)
        except BaseException as error:
            failed.append(error)

    clients = [threading.Thread(target=client, args=(n,)) for n in range(50)]
    for thread in clients:
        thread.start()
    for thread in clients:
        thread.join(timeout=120)
    assert not failed
    said = [e.uid for i in ids for e in store.job(i).events[1:]]
    assert sorted(said) == sorted(f"{n}-{k}" for n in range(50) for k in range(4))
    for i in ids:
        assert [e.seq for e in store.job(i).events] == list(range(1, 42))


def test_snapshot_while_others_write(places: Places) -> None:
    """A copy made in the middle holds whole jobs only, each as it was at one moment."""
    store = filled(places())
    stop = threading.Event()

    def writer() -> None:
        n = 0
        while not stop.is_set() and n < 400:
            store.append("1", lambda j, n=n: note_event(j, str(n), at=AT, uid=f"w{n}"))  # type: ignore[misc]
            store.append("2", lambda j, n=n: note_event(j, str(n), at=AT, uid=f"v{n}"))  # type: ignore[misc]
            n += 1

    thread = threading.Thread(target=writer)
    thread.start()
    try:
        for _ in range(10):
            jobs = {j.id: j for j in store.snapshot().jobs}
            # Each round adds to job 1 first: at any one moment it is at most one ahead.
            ahead = (len(jobs["1"].events) - 3) - (len(jobs["2"].events) - 1)
            assert ahead in (0, 1)
    finally:
        stop.set()
        thread.join()


BROKEN: list[tuple[Callable[[list[str]], list[str]], str]] = [
    (lambda x: [], "line 1: not a file of jobs"),
    (lambda x: x[1:], "line 1: not a file of jobs"),
    (lambda x: ["not JSON", *x[1:]], "line 1: not whole JSON"),
    (lambda x: [x[0].replace(": 2,", ": 3,"), *x[1:]], "reads 2; upgrade"),
    (lambda x: x[:-1], "line 3: the last of 2 jobs, of 3; the file may be cut off"),
    (lambda x: [x[0], x[1].replace('"4k7"', '"4k8"')], "line 2: job '1': event 2: it is not as"),
    (lambda x: [x[0], x[1].replace('"job": "1"', '"job": "3"')], "line 2: job '3': event 1: it is"),
    (lambda x: [*x[:-1], x[-1][: len(x[-1]) // 2]], "line 4: not whole JSON; the file may be cut"),
    (lambda x: [x[0], "[]"], "line 2: a list; it should be"),
    (lambda x: [x[0], '{"job": "1"}'], "line 2: needs 'job', a text, and 'events'"),
    (lambda x: [x[0], '{"job": "1", "events": [{}]}'], "line 2: an event should hold seq, at"),
    (lambda x: [x[0], x[1].replace('"opened"', '"begun"')], "line 2: job '1': .*'begun' is not"),
    (lambda x: [x[0], x[1].replace('"seq": 2', '"seq": 7')], "line 2: job '1': .*numbered 7"),
    (lambda x: [x[0], "[" * 100_000], "line 2: not whole JSON"),
]


@pytest.mark.parametrize(("spoil", "words"), BROKEN)
def test_spoilt_files(spoil: Callable[[list[str]], list[str]], words: str, tmp_path: Path) -> None:
    """Each is refused with its line, and nothing is taken in."""
    with Store.open(tmp_path / "a.sqlite") as store:
        lines = list(archive.write(filled(store).snapshot().jobs))
    with pytest.raises(ArchiveError, match=words):
        list(archive.read(spoil(lines)))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(max_size=60), max_size=5), st.booleans())
def test_any_text_is_jobs_or_a_sentence(lines: list[str], headed: bool) -> None:
    """Never another error."""
    head = [json.dumps({"format": archive.FORMAT, "schema": 1})] if headed else []
    try:
        list(archive.read([*head, *lines]))
    except ArchiveError as error:
        assert str(error).startswith("line ")


def test_the_commands(tmp_path: Path) -> None:
    """Backup as a store and as an open file, brought back into new stores."""
    store = str(tmp_path / "jobs.sqlite")
    with Store.open(store) as opened:
        filled(opened)
        wanted = opened.snapshot()

    def run(*args: str, code: int = 0) -> str:
        result = CliRunner().invoke(main, list(args))
        assert result.exit_code == code, result.output
        return result.output

    for name in ("copy.sqlite", "copy.jsonl"):
        copy, back = str(tmp_path / name), str(tmp_path / f"{name}.back")
        assert "3 jobs, 6 events" in run("backup", copy, "--store", store)
        there = "never written over" if name.endswith("sqlite") else "is there already"
        assert there in run("backup", copy, "--store", store, code=2)
        assert "3 jobs read: 3 new" in run("restore", copy, "--store", back)
        assert "3 the same as here" in run("restore", copy, "--store", back)
        assert "3 the same as here" in run("import", copy, "--store", back)
        with Store.open(back) as opened:
            assert opened.snapshot() == wanted
    one = tmp_path / "one.jsonl"
    run("export", "2", "--to", str(one), "--store", store)
    assert [r.id for r in archive.read(one.read_text(encoding="utf-8").splitlines())] == ["2"]
    assert json.loads(run("restore", str(one), "--json", "--store", store))["jobs"][0] == {
        "job": "2",
        "here": "2",
        "state": "same",
        "added": 0,
    }
    broken = tmp_path / "broken.jsonl"
    broken.write_text("?\n", encoding="utf-8")
    assert "broken.jsonl, line 1" in run("restore", str(broken), "--store", store, code=2)


def test_old_verdicts_come_back_bit_for_bit(tmp_path: Path) -> None:
    """The demo's jobs, exported and brought into a new store, give the same odds, bit for bit."""
    first, second, file = (str(tmp_path / n) for n in ("a.sqlite", "b.sqlite", "jobs.jsonl"))

    def run(*args: str) -> str:
        result = CliRunner().invoke(main, list(args))
        assert result.exit_code == 0, result.output
        return result.output

    run("demo", "--store", first)
    run("export", "--to", file, "--store", first)
    run("restore", file, "--store", second)
    jobs = json.loads(run("jobs", "--json", "--store", second))["jobs"]
    assert jobs
    for job in jobs:
        asked = ("odds", job["id"], "--json")
        assert run(*asked, "--store", second) == run(*asked, "--store", first)


STORES = Path(__file__).parent / "data" / "stores"


@pytest.mark.parametrize("old", sorted(STORES.glob("version-*.sqlite")), ids=lambda p: p.stem)
def test_stores_of_every_version_open(old: Path, tmp_path: Path) -> None:
    """A store that an earlier version wrote holds the same jobs after it was brought up to date.

    A file is added here with every migration; what it held is beside it.
    """
    place = tmp_path / "jobs.sqlite"
    place.write_bytes(old.read_bytes())
    wanted = old.with_suffix(".jsonl").read_text(encoding="utf-8").splitlines()
    with Store.open(place, create=False) as store:
        snapshot = store.snapshot()
        assert snapshot.damaged == ()
        assert [(j.id, j.events) for j in snapshot.jobs] == [
            (record.id, record.events) for record in archive.read(wanted)
        ]
        store.append("1", lambda j: note_event(j, "still writes", at=AT, uid="later"))
        assert store.job("1").notes[-1].text == "still writes"


def test_there_is_a_store_of_each_version() -> None:
    """One for every migration, so that the test above leaves none out."""
    names = [f"version-{n}.sqlite" for n in range(1, len(MIGRATIONS) + 1)]
    assert sorted(p.name for p in STORES.glob("*.sqlite")) == sorted(names)
