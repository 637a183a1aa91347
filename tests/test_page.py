"""The page: forms, devices, tokens, hosts; what is typed is kept, and nothing is doubled."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from bench_cli import BenchJob
from benchodds.keep.session import Session
from benchodds.screens.gate import COOKIE
from benchodds.screens.guard import MOST_ADDRESSES, MOST_DEVICES, PAUSE_S, TRIES, Guard
from benchodds.screens.page import create_app

HOST = "bench.test:8517"


@pytest.fixture
def job(tmp_path: Path) -> BenchJob:
    """A fresh job."""
    return BenchJob(tmp_path / "jobs.sqlite")


def client(job: BenchJob, guard: Guard | None = None, address: str = "10.0.0.5") -> TestClient:
    """A device's browser on the page of a job's store."""
    app = create_app(Session(job.store), guard or Guard(False), frozenset({HOST}))
    return TestClient(
        app,
        base_url=f"http://{HOST}",
        raise_server_exceptions=False,
        client=(address, 50_000),
    )


def fields(html: str, action: str) -> dict[str, str]:
    """The hidden fields of the form that goes to an address."""
    form = html[html.index(f'action="{action}"') :]
    form = form[: form.index("</form>")]
    return dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form))


def test_a_reading_is_recorded_and_leads_back(job: BenchJob) -> None:
    """Form, redirect, page: the number takes the unit beside it."""
    device = client(job)
    page = device.get(f"/job/{job.id}?test=rexc").text
    data = fields(page, f"/job/{job.id}/reading")
    answer = device.post(
        f"/job/{job.id}/reading",
        data={**data, "value": "14", "unit": "ohm", "leads": "nulled"},
        follow_redirects=False,
    )
    assert (answer.status_code, answer.headers["location"]) == (303, f"/job/{job.id}")
    (reading,) = job.json("show", job.id)["readings"]
    assert reading["values"] == ["14 ohm"]
    assert reading["technique"] == {"leads": "nulled"}
    assert "14 ohm" in device.get(f"/job/{job.id}").text


def test_a_form_sent_twice_is_one_reading(job: BenchJob) -> None:
    """Double tap, reload and resent forms: the same token is one event, also at once."""
    device = client(job)
    page = device.get(f"/job/{job.id}?test=gap").text
    data = {**fields(page, f"/job/{job.id}/reading"), "hits": "0", "tries": "10"}
    with ThreadPoolExecutor(4) as pool:
        sent = [pool.submit(device.post, f"/job/{job.id}/reading", data=data) for _ in range(6)]
        assert {f.result().status_code for f in sent} == {200}
    assert len(job.json("show", job.id)["readings"]) == 1


def test_mistakes_stand_beside_the_field_and_typing_is_kept(job: BenchJob) -> None:
    """The form comes back with what is wrong and with what was typed; nothing is recorded."""
    device = client(job)
    page = device.get(f"/job/{job.id}?test=rexc").text
    data = fields(page, f"/job/{job.id}/reading")
    answer = device.post(f"/job/{job.id}/reading", data={**data, "value": "<b>lots", "note": "n"})
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert 'aria-invalid="true"' in answer.text
    assert 'value="&lt;b&gt;lots"' in answer.text
    assert "<b>lots" not in answer.text
    assert job.json("show", job.id)["readings"] == []


@pytest.mark.parametrize(
    ("data", "said"),
    [({}, "nothing was filled in"), ({"hits": "3"}, "out of how many"), ({"value": "-5"}, "rexc")],
)
def test_empty_and_half_filled_forms_are_told(
    job: BenchJob, data: dict[str, str], said: str
) -> None:
    """One sentence, nothing recorded."""
    device = client(job)
    page = device.get(f"/job/{job.id}?test=rexc").text
    hidden = fields(page, f"/job/{job.id}/reading")
    answer = device.post(f"/job/{job.id}/reading", data={**hidden, **data})
    assert answer.status_code == 422
    assert said in answer.text


def test_two_devices_see_each_others_readings(job: BenchJob) -> None:
    """What one records the other is told of, and shows."""
    one, two = client(job), client(job)
    before = two.get(f"/job/{job.id}/state").json()["events"]
    page = one.get(f"/job/{job.id}?test=stop-r").text
    one.post(
        f"/job/{job.id}/reading", data={**fields(page, f"/job/{job.id}/reading"), "mark": "OL"}
    )
    assert two.get(f"/job/{job.id}/state").json()["events"] == before + 1
    assert "R1 stop-r" in two.get(f"/job/{job.id}").text


def test_strike_setup_repair_odds_and_why(job: BenchJob) -> None:
    """The rest of what can be done and seen."""
    job.record("stop-r", "1.2k")
    device = client(job)
    page = device.get(f"/job/{job.id}").text
    for action, extra in (
        ("setup", {"setup": "A", "state": "open"}),
        ("gear", {"meter": "10M", "operator": "owner"}),
        ("done", {"repair": "stop-dry"}),
        ("strike", {"reason": "wrong pin"}),
    ):
        data = fields(page, f"/job/{job.id}/{action}")
        answer = device.post(f"/job/{job.id}/{action}", data={**data, **extra})
        assert answer.status_code == 200, answer.text
    record = job.json("show", job.id)
    assert record["readings"][0]["struck"] == "wrong pin"
    assert record["actions"][0]["repair"] == "stop-dry"
    assert record["gear"] == {"meter": "10M", "operator": "owner"}
    assert "What leads" in device.get(f"/job/{job.id}/odds").text
    job.record("rexc", "14")
    assert "R2 rexc" in device.get(f"/job/{job.id}/why/R2").text


def test_the_page_offers_volts_for_a_drop_and_a_beep(job: BenchJob) -> None:
    """A drop at one ampere in volts first; a continuity tester's word for ohms."""
    device = client(job)
    drop = device.get(f"/job/{job.id}?test=gnd-vd&sure=1").text
    assert drop.index("<option>V</option>") < drop.index("<option>ohm</option>")
    ohms = device.get(f"/job/{job.id}?test=stop-r&sure=1").text
    assert 'value="beep"' in ohms and 'value="no-beep"' in ohms


def test_the_page_takes_what_else_is_told(job: BenchJob) -> None:
    """What perhaps went before, what was replaced before, a second complaint."""
    device = client(job)
    data = fields(device.get("/").text, "/open")
    data |= {"what": "mag-cdi/no-spark", "context": "washed=0.5"}
    data |= {"replaced": "new-plug", "also": "weak-spark"}
    where = device.post("/open", data=data, follow_redirects=False).headers["location"]
    shown = job.json("show", where.rpartition("/")[2])
    assert shown["complaint"] == "no-spark+weak-spark"
    assert (shown["contexts"], shown["perhaps"]) == ([], {"washed": 0.5})
    assert shown["replaced"] == ["new-plug"]
    page = " ".join(device.get(where).text.split())
    assert "perhaps (50 %): just washed" in page and "before it came in: fit a new" in page


def test_a_job_is_opened_from_the_page(job: BenchJob) -> None:
    """Complaint and what went before; the same form twice is one job."""
    device = client(job)
    data = fields(device.get("/").text, "/open")
    data |= {"what": "mag-cdi/weak-spark", "variant": "late", "context": "washed"}
    first = device.post("/open", data=data, follow_redirects=False).headers["location"]
    again = device.post("/open", data=data, follow_redirects=False).headers["location"]
    assert first == again == "/job/2"
    shown = job.json("show", "2")
    assert (shown["complaint"], shown["variant"], shown["contexts"]) == (
        "weak-spark",
        "late",
        ["washed"],
    )


def test_skipping_offers_another_test(job: BenchJob) -> None:
    """'Another test' leads to the next best and records nothing."""
    device = client(job)
    page = device.get(f"/job/{job.id}").text
    first = fields(page, f"/job/{job.id}/reading")["test"]
    link = re.findall(r'class="button" href="([^"]+)"', page)[0].replace("&amp;", "&")
    second = fields(device.get(link).text, f"/job/{job.id}/reading")["test"]
    assert second != first


def test_unknown_things_are_told(job: BenchJob) -> None:
    """Unknown job, test, reading or file: a page that says so, no inside shown."""
    device = client(job)
    for path in (
        "/job/77",
        f"/job/{job.id}?test=vexk",
        f"/job/{job.id}/why/R9",
        "/static/x",
        "/no",
    ):
        answer = device.get(path)
        assert answer.status_code == 404
        assert "Traceback" not in answer.text


# ---- who may come in -----------------------------------------------------------------------------


def test_other_hosts_and_origins_are_refused(job: BenchJob) -> None:
    """Names of other hosts (rebinding) and forms from other pages are not served."""
    device = client(job)
    assert device.get("/", headers={"host": "evil.test"}).status_code == 421
    page = device.get(f"/job/{job.id}?test=rexc").text
    data = {**fields(page, f"/job/{job.id}/reading"), "value": "14"}
    for headers in (
        {"origin": "http://evil.test"},
        {"sec-fetch-site": "cross-site"},
        {"origin": "null"},
    ):
        answer = device.post(f"/job/{job.id}/reading", data=data, headers=headers)
        assert answer.status_code == 403
    assert job.json("show", job.id)["readings"] == []


def test_forms_without_the_devices_token_are_refused(job: BenchJob) -> None:
    """A guessed or another device's token is nothing (forged requests)."""
    one, two = client(job), client(job)
    data = fields(one.get(f"/job/{job.id}?test=rexc").text, f"/job/{job.id}/reading")
    two.get("/")
    for token in (data["token"], "", "0" * 64):
        answer = two.post(f"/job/{job.id}/reading", data={**data, "token": token, "value": "14"})
        assert answer.status_code == 403
    assert job.json("show", job.id)["readings"] == []


def test_large_bodies_and_odd_methods_are_refused(job: BenchJob) -> None:
    """Bounds on what is read, said or hidden."""
    device = client(job)
    device.get("/")
    assert device.post("/open", data={"x": "y" * 100_000}).status_code == 413
    assert device.request("PUT", "/").status_code == 405

    def endless():  # type: ignore[no-untyped-def]
        for _ in range(100):
            yield b"x" * 4096

    answer = device.post(
        "/open", content=endless(), headers={"content-type": "application/x-www-form-urlencoded"}
    )
    assert answer.status_code >= 400


def test_every_answer_has_the_headers(job: BenchJob) -> None:
    """Good and bad answers alike: no framing, no sniffing, own resources only, not stored."""
    device = client(job)
    for path in ("/", f"/job/{job.id}", "/job/77", "/static/bench.css"):
        headers = device.get(path).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
    cookie = device.get("/").request.headers["cookie"]
    assert COOKIE in cookie


class Terminal:
    """What the terminal printed last, by role, and how often."""

    def __init__(self) -> None:
        self.codes: dict[str, str] = {}
        self.told = 0

    def __call__(self, role: str, code: str) -> None:
        """Print a code."""
        self.codes[role] = code
        self.told += 1


def test_devices_pair_with_the_code(job: BenchJob) -> None:
    """On the shop's network nothing is shown before the code; one code, one device."""
    terminal = Terminal()
    guard = Guard(True, terminal)
    device, other = client(job, guard), client(job, guard)
    for path in ("/", f"/job/{job.id}", f"/job/{job.id}/state", f"/job/{job.id}/odds"):
        answer = device.get(path, follow_redirects=False)
        assert (answer.status_code, answer.headers["location"]) == (303, "/pair")
    code = terminal.codes["work"]
    assert device.post("/pair", data={"code": f"{code[:4]} {code[4:]}"}).status_code == 200
    assert "A new job" in device.get("/").text
    assert other.post("/pair", data={"code": code}).status_code == 403, "used codes are dead"
    assert other.get("/", follow_redirects=False).status_code == 303


def test_a_device_that_looks_on_sees_and_writes_nothing(job: BenchJob) -> None:
    """It sees odds and readings of every job, has no form, and what it sends is refused."""
    terminal = Terminal()
    guard = Guard(True, terminal)
    worker, looker = client(job, guard), client(job, guard)
    worker.post("/pair", data={"code": terminal.codes["work"]})
    looker.post("/pair", data={"code": terminal.codes["look"]})
    form = fields(worker.get(f"/job/{job.id}?test=vexc").text, f"/job/{job.id}/reading")
    assert worker.post(f"/job/{job.id}/reading", data={**form, "value": "112"}).status_code == 200
    page = looker.get(f"/job/{job.id}").text
    assert "R1 vexc" in page
    assert "This device looks on" in page
    assert "<form" not in page
    assert "<form" not in looker.get("/").text
    key = str(looker.cookies["bench_device"])
    sent = {**form, "uid": "another", "token": guard.form_token(key), "value": "20"}
    for address in ("reading", "strike", "setup", "gear", "done"):
        assert looker.post(f"/job/{job.id}/{address}", data=sent).status_code == 403
    assert looker.post("/open", data=sent).status_code == 403
    assert [r.id for r in Session(job.store).store.job(job.id).readings] == ["R1"]


def test_wrong_codes_hold_up_nobody_else(job: BenchJob) -> None:
    """Who gives five waits half a minute, even with the right one; codes and others stay."""
    terminal = Terminal()
    now = [0.0]
    guard = Guard(True, terminal, clock=lambda: now[0])
    stranger, device = client(job, guard, "10.0.0.66"), client(job, guard, "10.0.0.7")
    code = terminal.codes["work"]
    for _ in range(TRIES):
        assert stranger.post("/pair", data={"code": "1234"}).status_code == 403
    for guess in ("1234", code):
        assert stranger.post("/pair", data={"code": guess}).status_code == 429
    assert terminal.codes["work"] == code
    assert device.post("/pair", data={"code": code}).status_code == 200
    now[0] += PAUSE_S + 1
    assert stranger.post("/pair", data={"code": code}).status_code == 403, "used by another"
    assert stranger.post("/pair", data={"code": terminal.codes["look"]}).status_code == 200


def test_guesses_from_many_addresses_hold_up_nobody(job: BenchJob) -> None:
    """Nor do they fill the memory, and the newest device has a place."""
    terminal = Terminal()
    guard = Guard(True, terminal)
    for n in range(2 * MOST_ADDRESSES):
        assert guard.pair("000", f"fd00::{n:x}") is None
    assert len(guard._wrong) == MOST_ADDRESSES
    keys = [guard.pair(terminal.codes["work"], "10.0.0.7") for _ in range(MOST_DEVICES + 1)]
    assert [guard.role(k) for k in (keys[0], keys[1], keys[-1])] == [None, "work", "work"]


@pytest.mark.parametrize("length", ["-1", "1e9", "abc", "9" * 30, "\u0661"])
def test_odd_lengths_are_refused(job: BenchJob, length: str) -> None:
    """A length that is no plain number is not believed."""
    sent = {"content-length": length.encode()}
    answer = client(job).get("/", headers=sent)  # type: ignore[arg-type]
    assert answer.status_code == 413


WILD = st.one_of(
    st.text(max_size=30),
    st.sampled_from(["vexc", "R1", "112", "OL@200", "unstable 3..40", "none 0/10", "G", "-1e999"]),
)


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.sampled_from(["reading", "strike", "setup", "gear", "done"]), st.data())
def test_any_form_is_taken_or_told(job: BenchJob, address: str, data: st.DataObject) -> None:
    """Whatever stands in the fields of an honest device's form: done, or said what is wrong."""
    device = client(job)
    page = device.get(f"/job/{job.id}").text
    names = ("test", "value", "unit", "mark", "hits", "tries", "how", "meter", "leads", "light")
    names += ("unplugged", "note", "uid", "reading", "reason", "setup", "state", "repair")
    names += ("turn", "of", "accuracy", "adapter")
    chosen = data.draw(st.lists(st.sampled_from(names), max_size=6))
    form: dict[str, list[str]] = {name: [] for name in chosen}
    for name in chosen:
        form[name].append(data.draw(WILD))
    sent = {**fields(page, f"/job/{job.id}/reading"), **form}
    answer = device.post(f"/job/{job.id}/{address}", data=sent, follow_redirects=False)
    assert answer.status_code in (303, 404, 422)
    assert device.get(f"/job/{job.id}").status_code == 200
