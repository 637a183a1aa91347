"""What the server makes of what the page sends: once, by its token, and said in a status."""

from __future__ import annotations

import contextlib
import re
import sqlite3
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from bench_cli import BenchJob
from benchodds.keep.session import Session
from benchodds.keep.store import Store
from benchodds.model import jobs
from benchodds.screens.guard import Guard
from benchodds.screens.posted import DEEDS
from test_page import Terminal, client, fields

SCRIPT = {"accept": "application/json"}


@pytest.fixture
def job(tmp_path: Path) -> BenchJob:
    """A fresh job."""
    return BenchJob(tmp_path / "jobs.sqlite")


def form(device: TestClient, job: BenchJob, deed: str = "reading") -> dict[str, str]:
    """The hidden fields of a form of a job's page."""
    page = device.get(f"/job/{job.id}?test=rexc").text
    return {**fields(page, f"/job/{job.id}/{deed}"), "unit": "ohm"}


def live(job: BenchJob) -> list[list[str]]:
    """The readings that count."""
    return [r["values"] for r in job.json("show", job.id)["readings"] if not r.get("struck")]


def posting_forms(html: str) -> Iterator[str]:
    """Every form of a page that sends something to be done."""
    yield from re.findall(r'(?s)<form method="post".*?</form>', html)


def test_every_form_bears_a_token_of_its_own_and_is_kept(job: BenchJob) -> None:
    """On every page that has forms, but for the pairing."""
    job.record("gap", "none 0/10")
    device, tokens = client(job), []
    pages = ["/", f"/job/{job.id}"]
    pages += [f"/job/{job.id}?test={test}" for test in ("rexc", "gap", "vexc", "plug-vis")]
    for page in pages:
        for text in posting_forms(device.get(page).text):
            assert 'name="token"' in text
            assert "data-say=" in text, "the page's script keeps it"
            tokens += re.findall(r'name="uid" value="([0-9a-f]{32})"', text)
            assert page == "/" or 'name="of"' in text
            assert 'name="uid"' in text
    assert len(set(tokens)) == len(tokens) > 20


FILLED = {
    "reading": {"value": "14"},
    "strike": {"reading": "R1"},
    "setup": {"state": "open"},
    "gear": {"meter": "10M"},
    "done": {"repair": "new-plug"},
}


@pytest.mark.parametrize("deed", DEEDS)
def test_one_tap_is_one_event(job: BenchJob, deed: str) -> None:
    """Sent six times, four at once: every answer names it, and it is on record once."""
    job.record("gap", "none 0/10")
    device = client(job)
    data = {**form(device, job, deed), **FILLED[deed]}
    before = len(Store.open(job.store).job(job.id).events)
    with ThreadPoolExecutor(4) as pool:
        sent = [
            pool.submit(device.post, f"/job/{job.id}/{deed}", data=data, headers=SCRIPT)
            for _ in range(6)
        ]
        answers = [f.result() for f in sent]
    assert {a.status_code for a in answers} == {200}
    assert {a.json()["uid"] for a in answers} == {data["uid"]}
    events = Store.open(job.store).job(job.id).events
    assert [e.uid for e in events[before:]] == [data["uid"]]


def test_a_resent_form_after_the_job_was_closed(job: BenchJob) -> None:
    """It was recorded, its answer lost, the job closed: it is answered as recorded."""
    device = client(job)
    data = {**form(device, job), "value": "14"}
    device.post(f"/job/{job.id}/reading", data=data)
    job.run("close", job.id, "--grade", "gave-up")
    answer = device.post(f"/job/{job.id}/reading", data=data, headers=SCRIPT)
    assert (answer.status_code, answer.json()["uid"]) == (200, data["uid"])
    assert live(job) == [["14 ohm"]]


def test_a_resent_form_after_a_card_was_declared(job: BenchJob) -> None:
    """What the job has declared since does not make it another reading."""
    device = client(job)
    data = {**form(device, job), "value": "14"}
    device.post(f"/job/{job.id}/reading", data=data)
    declared = {"card": "m1"}
    Session(job.store).append(
        job.id, lambda j, at, uid: jobs.gear_event(j, declared, at=at, uid=uid)
    )
    answer = device.post(f"/job/{job.id}/reading", data=data, headers=SCRIPT)
    assert answer.status_code == 200
    assert live(job) == [["14 ohm"]]


@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.integers(0, 2), min_size=1, max_size=5))
@example([1, 0])
@example([0, 2, 1, 0, 2])
def test_the_last_turn_of_a_form_stands(job: BenchJob, arrivals: list[int]) -> None:
    """In whatever order and however often they come in: what counts is the latest that did."""
    device = client(job)
    data = form(device, job)
    before = len(live(job))
    for n, turn in enumerate(arrivals, start=1):
        sent = {**data, "value": str(10 + turn), "turn": str(turn)}
        answer = device.post(f"/job/{job.id}/reading", data=sent, headers=SCRIPT)
        assert (answer.status_code, answer.json()["uid"]) == (200, data["uid"])
        assert live(job)[before:] == [[f"{10 + max(arrivals[:n])} ohm"]]


def test_a_correction_that_is_a_mistake_leaves_what_stands(job: BenchJob) -> None:
    """Until it is put right."""
    device = client(job)
    data = form(device, job)
    for turn, value, status in (("0", "51", 200), ("1", "lots", 422), ("2", "15", 200)):
        sent = {**data, "value": value, "turn": turn}
        answer = device.post(f"/job/{job.id}/reading", data=sent, headers=SCRIPT)
        assert answer.status_code == status
        assert live(job) == [["51 ohm" if turn != "2" else "15 ohm"]]


def test_one_turn_with_two_values_is_told(job: BenchJob) -> None:
    """Two tabs corrected the same reading at once: the second is for the technician to settle."""
    device = client(job)
    data = form(device, job)
    for value, status in (("51", 200), ("15", 422)):
        sent = {**data, "value": value}
        answer = device.post(f"/job/{job.id}/reading", data=sent, headers=SCRIPT)
        assert (answer.status_code, answer.json()["uid"]) == (status, data["uid"])
    assert live(job) == [["51 ohm"]]


def test_without_the_script_a_closed_job_shows_what_it_did_not_take(job: BenchJob) -> None:
    """It has no form that could come back filled in."""
    device = client(job)
    data = {**form(device, job), "value": "14", "note": "as typed"}
    job.run("close", job.id, "--grade", "gave-up")
    answer = device.post(f"/job/{job.id}/reading", data=data)
    assert answer.status_code == 409
    assert "is closed" in answer.text
    assert "Not recorded: rexc 14 ohm as typed" in answer.text


# ---- what the script is told ---------------------------------------------------------------------


def test_a_form_of_the_run_before(job: BenchJob) -> None:
    """Refused, and with the new run's token taken; without the script it comes back filled in."""
    before, now = client(job), client(job)
    data = {**form(before, job), "value": "14", "note": "as typed"}
    now.cookies = before.cookies
    answer = now.post(f"/job/{job.id}/reading", data=data, headers=SCRIPT)
    assert answer.status_code == 403
    assert "uid" not in answer.json()
    page = now.post(f"/job/{job.id}/reading", data=data)
    assert page.status_code == 403
    assert 'value="14"' in page.text
    assert 'value="as typed"' in page.text
    assert live(job) == []
    data["token"] = now.get("/token").json()["token"]
    assert now.post(f"/job/{job.id}/reading", data=data, headers=SCRIPT).status_code == 200
    assert live(job) == [["14 ohm"]]


def test_a_device_that_is_not_paired_is_told_so(job: BenchJob) -> None:
    """The script is never led to another page that could be taken for success."""
    device = client(job, Guard(True))
    for method, path in (("GET", "/token"), ("POST", f"/job/{job.id}/reading"), ("POST", "/open")):
        answer = device.request(method, path, headers=SCRIPT, follow_redirects=False)
        assert answer.status_code == 401
        assert "token" not in answer.json()


def test_a_device_that_looks_on_is_told_so(job: BenchJob) -> None:
    """Before it sends anything."""
    terminal = Terminal()
    device = client(job, Guard(True, terminal))
    device.post("/pair", data={"code": terminal.codes["look"]})
    answer = device.get("/token").json()
    assert answer["writes"] is False
    assert "looks on" in answer["said"]


def test_statuses_of_what_is_not_recorded(job: BenchJob) -> None:
    """404, 409, 422, 503: with a sentence, the token, and nothing on record."""
    device = client(job)
    data = {**form(device, job), "value": "14"}
    where = f"/job/{job.id}/reading"

    def refused(status: int, words: str, path: str = where, **changed: str) -> None:
        answer = device.post(path, data={**data, **changed}, headers=SCRIPT)
        assert (answer.status_code, answer.json()["uid"]) == (status, data["uid"])
        assert words in answer.json()["said"]
        assert live(job) == []

    refused(404, "another job", of="0" * 32)
    refused(404, "no job", path="/job/7/reading")
    refused(422, "lots", value="lots")
    with contextlib.closing(sqlite3.connect(job.store)) as other:
        other.execute("BEGIN EXCLUSIVE")
        answer = device.post(where, data=data, headers=SCRIPT)
    assert answer.status_code == 503
    assert live(job) == []
    job.run("close", job.id, "--grade", "gave-up")
    refused(409, "closed")
    job.run("reopen", job.id)
    assert device.post(where, data=data, headers=SCRIPT).status_code == 200
    assert live(job) == [["14 ohm"]]


def test_opening_is_answered_with_where_to_go(job: BenchJob) -> None:
    """And twice the same is one job."""
    device = client(job)
    data = {**fields(device.get("/").text, "/open"), "what": "mag-cdi/no-spark"}
    for _ in range(2):
        answer = device.post("/open", data=data, headers=SCRIPT)
        assert answer.json()["go"] == "/job/2"
        assert answer.json()["uid"] == data["uid"]
    answer = device.post("/open", data={**data, "what": "mag-cdi/nope"}, headers=SCRIPT)
    assert (answer.status_code, answer.json()["uid"]) == (422, data["uid"])
