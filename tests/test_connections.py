"""Connections that send nothing, or half of something: timed out, capped, and nobody else's harm.

On the loopback network, with times of a second where the shop has ten, and a hundred of
connections at most but for the one that is held against what closed the page once.
"""

from __future__ import annotations

import contextlib
import http.client
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import uvicorn
from click.testing import CliRunner

from bench_cli import BenchJob
from benchodds.cli.main import main
from benchodds.keep.session import Session
from benchodds.screens.connections import Connections, Patience, server_config
from benchodds.screens.guard import Guard
from benchodds.screens.page import create_app

SOON = Patience(request_s=1.0, form_s=1.5, answer_s=30.0, each=8, all=20)
HERE, STRANGER = "127.0.0.1", "127.0.0.66"


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """The page, with little patience."""
    job = BenchJob(tmp_path_factory.mktemp("store") / "jobs.sqlite")
    with socket.socket() as probe:
        probe.bind((HERE, 0))
        port = int(probe.getsockname()[1])
    connections = Connections(SOON)
    app = create_app(Session(job.store), Guard(False), frozenset({f"{HERE}:{port}"}), connections)
    server = uvicorn.Server(server_config(app, connections, HERE, port))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    asked(port)  # everything is loaded once
    yield port
    server.should_exit = server.force_exit = True
    thread.join(10)


def joined(port: int, address: str = STRANGER) -> socket.socket:
    """A connection from an address."""
    return socket.create_connection((HERE, port), 5, source_address=(address, 0))


def asked(port: int, address: str = HERE) -> int:
    """The status with which an honest client is answered."""
    connection = http.client.HTTPConnection(HERE, port, timeout=10, source_address=(address, 0))
    with contextlib.closing(connection):
        connection.request("GET", "/")
        return connection.getresponse().status


def ended(sock: socket.socket, within_s: float) -> float:
    """How long it took until the other end cut a connection off, seconds."""
    started = time.monotonic()
    sock.settimeout(within_s)
    with contextlib.suppress(ConnectionError):
        while sock.recv(4096):
            pass
    return time.monotonic() - started


def drip(sock: socket.socket, text: bytes, until: float) -> None:
    """A byte every tenth of a second, for as long as it is borne."""
    with contextlib.suppress(OSError):
        for byte in text:
            sock.send(bytes([byte]))
            time.sleep(0.1)
            if time.monotonic() > until:
                return


def head(port: int, length: int) -> bytes:
    """The head of a form."""
    return (
        f"POST /pair HTTP/1.1\r\nHost: {HERE}:{port}\r\nContent-Length: {length}\r\n\r\n".encode()
    )


HALVES = {
    "nothing": lambda port: (b"", b""),
    "half a head": lambda port: (b"GET / HTTP/1.1\r\nHost: ", b"x" * 999),
    "half a form": lambda port: (head(port, 5000), b"x" * 999),
    "a refused form, still coming": lambda port: (head(port, 99_999), b"x" * 999),
    "a second request, half": lambda port: (
        f"GET /pair HTTP/1.1\r\nHost: {HERE}:{port}\r\n\r\nGET".encode(),
        b"x" * 999,
    ),
}


@pytest.mark.parametrize("name", HALVES)
def test_what_does_not_come_to_an_end_is_cut_off(port: int, name: str) -> None:
    """Whether it is silent or sends a byte now and then."""
    first, rest = HALVES[name](port)
    for dripping in (False, True):
        with joined(port) as sock:
            sock.sendall(first)
            dripper = threading.Thread(target=drip, args=(sock, rest, time.monotonic() + 6))
            if dripping:
                dripper.start()
            took = ended(sock, 8.0)
            if dripping:
                dripper.join()
        assert took < 4.0, f"{took:.1f} s"


def test_an_honest_slow_form_is_taken(port: int) -> None:
    """In parts, each after a while, all in time."""
    with joined(port) as sock:
        sock.sendall(head(port, 9))
        for part in (b"cod", b"e=1", b"234"):
            time.sleep(0.3)
            sock.sendall(part)
        assert sock.recv(100).startswith(b"HTTP/1.1 200")


def test_one_address_has_no_more_than_its_share(port: int) -> None:
    """The newest of its connections has the place of the one waited for longest."""
    with contextlib.ExitStack() as stack:
        held = [stack.enter_context(joined(port)) for _ in range(SOON.each + 1)]
        assert ended(held[0], 0.5) < 0.5
        assert asked(port, STRANGER) == 200
        assert asked(port) == 200


def test_many_addresses_do_not_close_the_page(port: int) -> None:
    """All places taken: one more that asks is heard, at the cost of who holds most."""
    with contextlib.ExitStack() as stack:
        held = [stack.enter_context(joined(port, f"127.0.1.{n % 5}")) for n in range(SOON.all + 10)]
        assert asked(port) == 200
        alive = 0
        for sock in held:
            sock.setblocking(False)
            try:
                alive += bool(sock.recv(1))
            except BlockingIOError:
                alive += 1
            except ConnectionError:
                pass
        assert 0 < alive <= SOON.all


def test_the_page_as_it_is_served_stands_256_idle_connections(tmp_path: Path) -> None:
    """With the shop's own times: beside 300 idle ones of one address, all are heard at once."""
    import abuse

    abuse.fill(tmp_path / "jobs.sqlite")
    with abuse.server(tmp_path / "jobs.sqlite") as (port, _process):
        assert asked(port) == 200
        with contextlib.ExitStack() as stack:
            for _ in range(300):
                stack.enter_context(joined(port, HERE))
            started = time.monotonic()
            assert asked(port) == 200
            assert asked(port, STRANGER) == 200
            assert time.monotonic() - started < 5.0


def test_an_address_that_cannot_be_served_is_told(tmp_path: Path) -> None:
    """In use, or not of this computer: one sentence, before anything is said to be served."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    with socket.create_server((HERE, 0)) as taken:
        port = str(taken.getsockname()[1])
        for lan in ([], ["--lan", "192.0.2.1"]):  # RFC 5737: an address for documentation
            args = ["bench", "--page", "--port", port, *lan, "--store", job.store]
            said = CliRunner().invoke(main, args)
            assert said.exit_code == 2
            assert "cannot be served" in said.output
            assert "http://" not in said.output
