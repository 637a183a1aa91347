"""Nothing that was pressed is lost or doubled, whatever the network and the bench do meanwhile.

In a real browser, as :mod:`test_page_browser`.
"""

from __future__ import annotations

import contextlib
import random
import time
from typing import Any

import pytest

from bench_cli import BenchJob
from benchodds.keep.store import Store
from browsing import MARKS, Site, away, phone, record, visit, waits

pytestmark = MARKS


def at_test(browser: Any, site: Site, test: str = "rexc") -> Any:
    """A phone that shows the form of a test."""
    page = phone(browser)
    page.goto(f"{site.address}/job/{site.job.id}?test={test}")
    return page


def test_the_bench_ends_and_is_started_anew(browser: Any, site: Site) -> None:
    """What was pressed meanwhile waits, and arrives with the new program's tokens, once."""
    page = at_test(browser, site)
    site.stop()
    record(page, "15")
    waits(page, "No connection")
    site.start()
    page.get_by_text("R1 rexc").wait_for()
    assert site.readings() == [("rexc", ["15 ohm"])]


def test_a_form_from_before_the_restart(browser: Any, site: Site) -> None:
    """Shown by the program before, pressed when the next one runs: recorded, not refused."""
    page = at_test(browser, site)
    site.stop()
    site.start()
    record(page, "15")
    page.get_by_text("R1 rexc").wait_for()
    assert site.readings() == [("rexc", ["15 ohm"])]


def test_after_a_restart_with_pairing_it_waits_for_the_pairing(browser: Any, site: Site) -> None:
    """The device is a stranger to the new program: the page says so, and sends once it is not."""
    site.stop()
    site.start(lan=True)
    page = phone(browser)
    page.goto(site.address)
    page.get_by_label("Code from the terminal").fill(site.codes["work"])
    page.get_by_role("button", name="Pair").tap()
    page.get_by_text("A new job").wait_for()
    page.goto(f"{site.address}/job/{site.job.id}?test=rexc")
    site.stop()
    site.start(lan=True)
    record(page, "15")
    waits(page, "Pair this device")
    assert site.readings() == []
    page.locator("#waiting").get_by_role("link", name="Pair this device").tap()
    page.get_by_label("Code from the terminal").fill(site.codes["work"])
    page.get_by_role("button", name="Pair").tap()
    page.get_by_text("1 reading", exact=False).first.wait_for()
    assert site.readings() == [("rexc", ["15 ohm"])]


NOT_RECORDED: dict[str, dict[str, Any]] = {
    "303": {"status": 303, "headers": {"location": "/pair"}},
    "401": {"status": 401, "body": "who are you"},
    "403": {"status": 403, "body": "no"},
    "404": {"status": 404, "body": "no such page"},
    "503": {"status": 503, "body": "too many"},
    "a page of something else": {"status": 200, "body": "<h1>Welcome to the network</h1>"},
    "another answer": {"status": 200, "json": {"schema": 1, "uid": "other", "said": "R9"}},
}


@pytest.mark.parametrize("name", NOT_RECORDED)
def test_only_an_answer_that_names_it_takes_it_off(browser: Any, site: Site, name: str) -> None:
    """Whatever else is answered, it waits, says so, and is sent again."""
    page = at_test(browser, site)
    page.route("**/reading", lambda route: route.fulfill(**NOT_RECORDED[name]))
    record(page, "15")
    waits(page)
    for _ in range(3):  # and is tried again
        page.evaluate("dispatchEvent(new Event('online'))")
        time.sleep(0.2)
    assert "rexc 15" in waits(page).inner_text()
    assert site.readings() == []
    page.unroute("**/reading")
    page.get_by_text("R1 rexc").wait_for()
    assert site.readings() == [("rexc", ["15 ohm"])]


def deaf(page: Any) -> None:
    """The bench hears, and its answers are lost."""

    def heard(route: Any) -> None:
        route.fetch(max_redirects=0)
        route.abort()

    page.route("**/reading", heard)


def test_an_answer_that_was_lost(browser: Any, site: Site) -> None:
    """Recorded though nobody heard of it: sent again, it is the same reading."""
    page = at_test(browser, site)
    deaf(page)
    record(page, "15")
    waits(page, "No connection")
    assert site.readings() == [("rexc", ["15 ohm"])]
    page.unroute("**/reading")
    page.get_by_text("R1 rexc").wait_for()
    assert site.readings() == [("rexc", ["15 ohm"])]


def test_a_correction_replaces_what_waits(browser: Any, site: Site) -> None:
    """The value before it is never recorded."""
    page = at_test(browser, site)
    with away(page):
        record(page, "51")
        waits(page)
        record(page, "15")
        assert "rexc 15" in waits(page).inner_text()
        assert "51" not in waits(page).inner_text()
    page.get_by_text("R1 rexc").wait_for()
    (reading,) = site.job.json("show", site.job.id)["readings"]
    assert reading["values"] == ["15 ohm"]


def test_a_correction_of_what_had_arrived_after_all(browser: Any, site: Site) -> None:
    """The one before stands struck, as on any job; the odds hear the corrected one alone."""
    page = at_test(browser, site)
    deaf(page)
    record(page, "51")
    waits(page, "No connection")
    page.unroute("**/reading")
    with away(page):
        record(page, "15")
    page.get_by_text("R2 rexc").wait_for()
    assert site.readings() == [("rexc", ["15 ohm"])]
    first, _second = site.job.json("show", site.job.id)["readings"]
    assert first["struck"] == "corrected"


def test_two_tabs_lose_and_double_nothing(browser: Any, site: Site) -> None:
    """Each shows what waits in both; both send; each reading is there once, in order."""
    one = at_test(browser, site)
    two = one.context.new_page()
    two.goto(f"{site.address}/job/{site.job.id}?test=stop-r")
    with away(one):
        record(one, "15")
        waits(one)
        two.get_by_role("button", name="OL").tap()
        for page in (one, two):
            assert "rexc 15" in waits(page, "2 entries wait").inner_text()
    for page in (one, two):
        page.get_by_text("R2 stop-r").wait_for()
    time.sleep(1)
    assert site.readings() == [("rexc", ["15 ohm"]), ("stop-r", ["OL"])]


def test_what_is_being_typed_stays_when_another_tab_sends(browser: Any, site: Site) -> None:
    """A page does not move on under the hand of who types."""
    one = at_test(browser, site)
    two = one.context.new_page()
    two.goto(f"{site.address}/job/{site.job.id}?test=stop-r")
    with away(one):
        record(one, "15")
        waits(two)
        two.locator(".kicks input").first.fill("1.2")
    one.get_by_text("R1 rexc").wait_for()
    two.get_by_text("Something new").wait_for()
    assert two.locator(".kicks input").first.input_value() == "1.2"


def test_reloaded_while_away(browser: Any, site: Site) -> None:
    """What waits outlives the page that it was typed on."""
    page = at_test(browser, site)
    site.stop()
    record(page, "15")
    waits(page)
    with pytest.raises(Exception, match="ERR_CONNECTION_REFUSED"):
        page.reload()
    site.start()
    visit(page, site.address)
    page.get_by_text("1 reading", exact=False).first.wait_for()
    assert site.readings() == [("rexc", ["15 ohm"])]


def test_a_mistake_comes_back_with_its_sentence(browser: Any, site: Site) -> None:
    """Typed while away, sent later from another page: the value is there again to be corrected."""
    page = at_test(browser, site)
    with away(page):
        record(page, "lots")
        assert "rexc lots" in waits(page, "No connection").inner_text()
    page.get_by_role("alert").filter(has_text="lots").wait_for()
    page.goto(site.address)
    waits(page, "rexc lots").get_by_role("link", name="correct").tap()
    page.get_by_role("alert").filter(has_text="lots").wait_for()
    assert page.locator(".kicks input").first.input_value() == "lots"
    record(page, "15")
    page.get_by_text("R1 rexc").wait_for()
    assert site.readings() == [("rexc", ["15 ohm"])]
    assert page.locator("#waiting").is_hidden()


def test_every_button_is_one_event(browser: Any, site: Site) -> None:
    """Set-ups, repairs and strikes wait too, and a tap is one event however often it is sent."""
    site.job.record("rexc", "14")
    page = phone(browser)
    page.goto(f"{site.address}/job/{site.job.id}")
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    with away(page):
        setup = page.locator("form[action$='/setup'] button").first
        for button in (setup, page.locator("form[action$='/done'] button").last):
            button.tap()
            button.tap()
        page.locator("form[action$='/done'] select").select_option(index=1)
        page.locator("form[action$='/done'] button").last.tap()
        page.get_by_role("button", name="Strike R1").tap()
        waits(page, "4 entries wait")
    page.get_by_text("struck: mistyped").wait_for()
    shown = site.job.json("show", site.job.id)
    assert len({a["repair"] for a in shown["actions"]}) == len(shown["actions"]) == 2
    events = Store.open(site.job.store).job(site.job.id).events
    assert [e.kind for e in events[2:]] == ["setup", "action", "action", "struck"]


def test_a_job_opened_while_away(browser: Any, site: Site) -> None:
    """Opened once, as soon as the bench hears of it, and shown."""
    page = phone(browser)
    page.goto(site.address)
    page.get_by_text("Magneto-fed capacitor discharge ignition").click()
    with away(page):
        page.locator("details[open] button.main").tap()
        waits(page)
        page.locator("details[open] button.main").tap()
    page.wait_for_url("**/job/2")
    assert [j.id for j in Store.open(site.job.store).jobs()] == ["1", "2"]


def test_the_job_was_closed_meanwhile(browser: Any, site: Site) -> None:
    """The reading waits and says why; taken up again, the job has it."""
    page = at_test(browser, site)
    site.job.run("close", site.job.id, "--grade", "gave-up")
    record(page, "15")
    assert "rexc 15" in waits(page, "is closed").inner_text()
    page.goto(f"{site.address}/job/{site.job.id}")
    waits(page, "is closed")
    site.job.run("reopen", site.job.id)
    page.get_by_text("R1 rexc").wait_for()
    assert site.readings() == [("rexc", ["15 ohm"])]


def test_a_store_of_other_jobs_at_the_same_address(browser: Any, site: Site, tmp_path: Any) -> None:
    """Job 1 there is another machine: the reading waits for its own."""
    page = at_test(browser, site)
    other = BenchJob(tmp_path / "other.sqlite")
    site.stop()
    site.start(store=other.store)
    record(page, "15")
    waits(page, "another job")
    assert other.json("show", "1")["readings"] == []
    site.stop()
    site.start()
    page.get_by_text("R1 rexc").wait_for()
    assert site.readings() == [("rexc", ["15 ohm"])]


def test_thrown_away_only_by_hand(browser: Any, site: Site) -> None:
    """What waits can be thrown away, after a question."""
    page = at_test(browser, site)
    with away(page):
        record(page, "15")
        asked: list[str] = []
        page.once("dialog", lambda d: (asked.append(d.message), d.dismiss()))
        waits(page).get_by_role("button", name="throw away").tap()
        waits(page)
        page.once("dialog", lambda d: d.accept())
        waits(page).get_by_role("button", name="throw away").tap()
        page.locator("#waiting").wait_for(state="hidden")
    assert "rexc 15" in asked[0]
    time.sleep(1)
    assert site.readings() == []


def test_any_faults_in_any_order(browser: Any, site: Site) -> None:
    """Two tabs, a network that drops, answers of all kinds, restarts: each value is there once."""
    sync_api = pytest.importorskip("playwright.sync_api")
    chance = random.Random(8517)
    one = phone(browser)
    tabs = [one, one.context.new_page()]

    def badly(route: Any) -> None:
        match chance.choice(["lost", "deaf", "answered", "answered", "through", "through"]):
            case "lost":
                route.abort()
            case "deaf":
                route.fetch(max_redirects=0)
                route.abort()
            case "answered":
                route.fulfill(**chance.choice(list(NOT_RECORDED.values())))
            case _:
                route.continue_()

    for n in range(8):
        page = chance.choice(tabs)
        visit(page, f"{site.address}/job/{site.job.id}?test=rexc")
        for route in ("**/reading", "**/token"):
            one.context.route(route, badly)
        record(page, f"{10 + n}.5")
        for _ in range(2):
            with contextlib.suppress(sync_api.Error):  # the page may just be moving on
                chance.choice(tabs).evaluate("dispatchEvent(new Event('online'))")
            time.sleep(0.3)
        if n % 3 == 2:
            site.stop()
            time.sleep(0.3)
            site.start()
        one.context.unroute_all(behavior="ignoreErrors")
    for tab in tabs:
        visit(tab, f"{site.address}/job/{site.job.id}")
        tab.locator("#waiting").wait_for(state="hidden")
    values = [value for _test, (value,) in site.readings()]
    assert sorted(values) == [f"{10 + n}.5 ohm" for n in range(8)]
