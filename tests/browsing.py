"""A page that is served, ended and started anew, and browsers on phones that use it."""

from __future__ import annotations

import contextlib
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from bench_cli import BenchJob
from benchodds.keep.session import Session
from benchodds.screens.connections import Connections, server_config
from benchodds.screens.guard import Guard
from benchodds.screens.page import create_app

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PHONE = {"width": 390, "height": 844}
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
MARKS = [
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here (Debian package chromium)"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning"),
]


class Site:
    """The page of one job's store at an address that it keeps."""

    def __init__(self, job: BenchJob) -> None:
        self.job = job
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self.address = f"http://127.0.0.1:{self.port}"
        self.codes: dict[str, str] = {}

    def start(self, lan: bool = False, store: str | None = None) -> None:
        """Serve, as a program that has just begun does: with keys and tokens of its own."""
        guard = Guard(lan, tell=self.codes.__setitem__)
        hosts = frozenset({f"127.0.0.1:{self.port}"})
        connections = Connections()
        app = create_app(Session(store or self.job.store), guard, hosts, connections)
        self.server = uvicorn.Server(server_config(app, connections, "127.0.0.1", self.port))
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()
        for _ in range(200):
            if self.server.started:
                return
            time.sleep(0.05)
        raise AssertionError("the page was not served")

    def stop(self) -> None:
        """End the program."""
        self.server.should_exit = True
        self.server.force_exit = True
        self.thread.join(10)

    def readings(self) -> list[tuple[str, list[str]]]:
        """What the record holds of the job, struck readings left out."""
        shown = self.job.json("show", self.job.id)["readings"]
        return [(r["test"], r["values"]) for r in shown if not r.get("struck")]


def serve(folder: Path) -> Iterator[Site]:
    """A job and the page that serves it."""
    site = Site(BenchJob(folder / "jobs.sqlite"))
    site.start()
    yield site
    site.stop()


def launch() -> Iterator[Any]:
    """A headless browser."""
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


def phone(browser: Any, **options: Any) -> Any:
    """A page on a phone of its own."""
    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True, **options)
    context.set_default_timeout(15_000)
    return context.new_page()


def visit(page: Any, address: str) -> None:
    """Go there, once more where the page was just moving on by itself."""
    sync_api = pytest.importorskip("playwright.sync_api")
    for _ in range(5):
        with contextlib.suppress(sync_api.Error):
            page.goto(address)
            return
        time.sleep(0.2)
    page.goto(address)


def record(page: Any, value: str) -> None:
    """Type a value and press the button."""
    page.locator(".kicks input").first.fill(value)
    page.get_by_role("button", name="Record").tap()


def waits(page: Any, words: str = "on this device") -> Any:
    """What the page says of what waits, as soon as it says these words."""
    bar = page.locator("#waiting").filter(has_text=words)
    bar.wait_for()
    return bar


@contextlib.contextmanager
def away(page: Any) -> Iterator[None]:
    """Without a connection for a while."""
    page.context.set_offline(True)
    yield
    page.context.set_offline(False)
