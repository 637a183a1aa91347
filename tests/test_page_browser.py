"""The page in a real browser on a phone-sized screen (Debian's Chromium, headless).

Skipped with the reason where Chromium, Playwright or axe-core are not there; the clean run
installs them. AXE_SCRIPT names axe.min.js of the npm package axe-core.
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest

from browsing import MARKS, PHONE, Site, away, phone, record, waits

AXE = os.environ.get("AXE_SCRIPT", "")
pytestmark = MARKS


def test_a_whole_job_on_a_phone(browser: Any, site: Site) -> None:
    """Opened, measured kick by kick, reloaded in the middle, mended: all by touch."""
    job, address = site.job, site.address
    page = phone(browser)
    page.goto(address)
    page.get_by_text("Magneto-fed capacitor discharge ignition").click()
    page.locator("details[open]").get_by_text("just washed").first.click()
    page.locator("details[open] button.main").click()
    page.wait_for_url("**/job/2")
    job.id = "2"
    page.goto(f"{address}/job/2?test=gap")
    page.get_by_role("button", name="none of 10").click()
    page.wait_for_url("**/job/2")
    page.goto(f"{address}/job/2?test=vexc")
    kicks = page.locator(".kicks input")
    for i, volts in enumerate(("22", "112", "47")):
        kicks.nth(i).fill(volts)
    assert "best of 3: 112" in page.locator(".best").inner_text()
    assert kicks.count() == 4, "room for another kick"
    page.get_by_role("button", name="Record").tap()
    page.get_by_text("R2 vexc").wait_for()
    page.reload()
    page.go_back()
    page.go_forward()
    assert site.readings() == [("gap", ["none 0/10"]), ("vexc", ["22 V", "112 V", "47 V"])]
    page.goto(f"{address}/job/2?test=stop-r")
    page.locator(".kicks input").first.fill("1,2")
    page.locator("select[name=unit]").select_option("kohm")
    page.get_by_role("button", name="Record").tap()
    page.get_by_text("R3 stop-r").wait_for()
    assert site.readings()[-1] == ("stop-r", ["1,2 kohm"])
    page.get_by_role("button", name="Strike R1 gap").tap()
    page.get_by_text("struck: mistyped").wait_for()


def test_odds_and_next_step_without_scrolling(browser: Any, site: Site) -> None:
    """On 390 by 844 what leads and the button that records are in view, nothing sticks out."""
    job, address = site.job, site.address
    job.record("gap", "none 0/10")
    page = phone(browser)
    page.goto(f"{address}/job/{job.id}")
    assert page.locator(".leads li").nth(2).bounding_box()["y"] < 300
    box = page.get_by_role("button", name="Record").bounding_box()
    assert box["y"] + box["height"] <= PHONE["height"]
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    small = page.evaluate(
        "[...document.querySelectorAll('button, select, summary, input:not([type=hidden])')]"
        ".filter(e => e.offsetParent && e.getBoundingClientRect().height < 44).length"
    )
    assert small == 0, "every target is 44 px high at least"


def test_two_devices_on_one_job(browser: Any, site: Site) -> None:
    """What one device records the other is told of."""
    job, address = site.job, site.address
    one, two = phone(browser), phone(browser)
    one.goto(f"{address}/job/{job.id}")
    two.goto(f"{address}/job/{job.id}?test=rexc")
    two.locator(".kicks input").first.fill("14")
    two.get_by_role("button", name="Record").tap()
    two.get_by_text("R1 rexc").wait_for()
    one.get_by_text("Something new is on record").tap()
    one.get_by_text("R1 rexc").wait_for()


def test_offline_readings_wait_and_arrive_once(browser: Any, site: Site) -> None:
    """A reading sent without a connection is kept, said to wait, and sent once when it is back."""
    job, address = site.job, site.address
    page = phone(browser)
    page.goto(f"{address}/job/{job.id}?test=rexc")
    with away(page):
        record(page, "15")
        waits(page)
        page.get_by_role("button", name="Record").tap()
        assert site.readings() == []
    page.get_by_text("R1 rexc").wait_for()
    time.sleep(0.5)
    assert site.readings() == [("rexc", ["15 ohm"])]


def test_works_without_javascript(browser: Any, site: Site) -> None:
    """The same job without any script: forms, mistakes beside the field, typing kept."""
    job, address = site.job, site.address
    page = phone(browser, java_script_enabled=False)
    page.goto(f"{address}/job/{job.id}?test=rexc")
    page.locator(".kicks input").first.fill("lots")
    page.get_by_role("button", name="Record").tap()
    page.get_by_role("alert").wait_for()
    assert page.locator(".kicks input").first.input_value() == "lots"
    page.locator(".kicks input").first.fill("14")
    page.get_by_role("button", name="Record").tap()
    page.get_by_text("R1 rexc").wait_for()
    assert site.readings() == [("rexc", ["14 ohm"])]


@pytest.mark.skipif(not AXE, reason="AXE_SCRIPT does not name axe.min.js")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_accessibility(browser: Any, site: Site, scheme: str) -> None:
    """axe-core finds no breach of WCAG 2.2 AA on any page, light or dark."""
    job, address = site.job, site.address
    job.record("gap", "none 0/10")
    job.record("vexc", "20", "34", how="firm-kick")
    page = phone(browser, color_scheme=scheme, bypass_csp=True)
    script = Path(AXE).read_text(encoding="utf-8")
    pages = ["/", "/job/none", "/pair", f"/job/{job.id}/odds", f"/job/{job.id}/why/R2"]
    pages += [f"/job/{job.id}", *(f"/job/{job.id}?test={t}" for t in ("vexc", "gap", "plug-vis"))]

    def check(path: str) -> None:
        page.goto(address + path)
        page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
        page.evaluate(script)
        found = page.evaluate(
            "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa',"
            " 'best-practice']})"
        )["violations"]
        assert not found, (path, [(v["id"], v["nodes"][0]["html"]) for v in found])

    for path in pages:
        check(path)
    page.goto(f"{address}/job/{job.id}?test=rexc")
    record(page, "lots")
    page.get_by_role("alert").filter(has_text="lots").wait_for()
    check("/")
    waits(page, "rexc lots")
    check(f"/job/{job.id}?test=rexc")
