"""The page under load and abuse, as a server of its own on the loopback address.

Many requests a second, clients that send a byte at a time, bodies without end, forms that are
no forms, wrong hosts and origins, guessed codes. Run it for long:
``python tests/abuse.py --seconds 60``. The normal tests run a few seconds.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import os
import random
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

SECRET = "said-only-in-job-two"


@dataclass
class Seen:
    """What came back, and how the server fared."""

    answers: Counter[str] = field(default_factory=Counter)
    broken: list[str] = field(default_factory=list)
    seconds: float = 0.0
    memory_mb: list[float] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, kind: str, status: int | str) -> None:
        """Count an answer."""
        with self.lock:
            self.answers[f"{kind} {status}"] += 1

    def __str__(self) -> str:
        n = sum(self.answers.values())
        memory = (
            f"{self.memory_mb[0]:.0f} to {max(self.memory_mb):.0f} MB" if self.memory_mb else ""
        )
        return f"{n} answers in {self.seconds:.0f} s ({n / self.seconds:.0f}/s), memory {memory}"


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@contextlib.contextmanager
def server(store: Path, lan: bool = False) -> Iterator[tuple[int, subprocess.Popen[str]]]:
    """The page in a process of its own; ends it and gives back its port and process."""
    port = free_port()
    command = [sys.executable, "-m", "benchodds", "bench", "--page", "--port", str(port)]
    command += ["--lan", "127.0.0.1"] if lan else []
    environment = {**os.environ, "BENCHODDS_STORE": str(store)}
    process = subprocess.Popen(
        command, env=environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    try:
        for _ in range(200):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
                break
            time.sleep(0.1)
        yield port, process
    finally:
        process.terminate()
        process.communicate(timeout=20)


def memory_mb(pid: int) -> float:
    """Memory that a process holds."""
    pages = Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1]
    return int(pages) * os.sysconf("SC_PAGE_SIZE") / 1e6


def ask(
    port: int,
    method: str,
    path: str,
    body: bytes | None = None,
    headers: dict[str, str] | None = None,
) -> tuple[int, bytes]:
    """One request on a connection of its own."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        connection.request(method, path, body, headers or {})
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def load(port: int, seen: Seen, until: float) -> None:
    """As many plain requests as go, on one connection."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    while time.monotonic() < until:
        try:
            connection.request("GET", "/job/1/state")
            answer = connection.getresponse()
            body = answer.read()
        except (OSError, http.client.HTTPException) as error:
            seen.note("load", type(error).__name__)
            connection.close()
            continue
        seen.note("load", answer.status)
        if SECRET.encode() in body:
            seen.broken.append("another job's text in an answer about job 1")
    connection.close()


def slow(port: int, seen: Seen, until: float) -> None:
    """A byte now and then, for as long as it is borne."""
    while time.monotonic() < until:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 5) as s:
            head = f"POST /open HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Length: 5000\r\n\r\n"
            for byte in head.encode() + b"x" * 5000:
                s.send(bytes([byte]))
                time.sleep(0.02)
                if time.monotonic() > until:
                    break
        seen.note("slow", "ended")


def hostile(port: int, seen: Seen, until: float, seed: int) -> None:
    """What no honest client sends. None of it may be answered as if it were in order."""
    rng = random.Random(seed)
    here = {"Host": f"127.0.0.1:{port}", "Content-Type": "application/x-www-form-urlencoded"}

    def junk(n: int) -> bytes:
        return bytes(rng.randrange(256) for _ in range(n))

    def endless() -> tuple[int, bytes]:
        with socket.create_connection(("127.0.0.1", port), 5) as s:
            s.sendall(
                f"POST /open HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n"
                "Transfer-Encoding: chunked\r\n\r\n".encode()
            )
            with contextlib.suppress(OSError):
                for _ in range(200):
                    s.sendall(b"10000\r\n" + b"x" * 0x10000 + b"\r\n")
            with contextlib.suppress(OSError):
                head = s.recv(100)
                return int(head.split()[1]) if head.split()[1:] else 0, b""
        return 0, b""

    def torn_head() -> tuple[int, bytes]:
        with socket.create_connection(("127.0.0.1", port), 5) as s:
            s.sendall(junk(300) + b"\r\n\r\n")
            with contextlib.suppress(OSError, ValueError, IndexError):
                return int(s.recv(100).split()[1]), b""
        return 0, b""

    reading = "/job/1/reading"
    multi = {**here, "Content-Type": "multipart/form-data; boundary=x"}
    tries: list[tuple[str, Callable[[], tuple[int, bytes]], set[int]]] = [
        ("host", lambda: ask(port, "GET", "/", headers={"Host": "evil.test"}), {421}),
        (
            "origin",
            lambda: ask(port, "POST", "/open", b"a=1", {**here, "Origin": "http://evil.test"}),
            {403},
        ),
        (
            "no token",
            lambda: ask(port, "POST", reading, b"value=1&test=vexc", here),
            {403},
        ),
        ("junk form", lambda: ask(port, "POST", reading, junk(900), here), {400, 403}),
        (
            "junk parts",
            lambda: ask(port, "POST", "/open", b"--x\r\n" + junk(900), multi),
            {400, 403},
        ),
        ("many fields", lambda: ask(port, "POST", "/open", b"a=1&" * 9000, here), {400, 403}),
        ("giant", lambda: ask(port, "POST", "/open", b"x" * 900_000, here), {0, 413}),
        ("endless", endless, {0, 413}),
        ("path", lambda: ask(port, "GET", "/static/..%2f..%2fpage.py"), {404}),
        ("path", lambda: ask(port, "GET", "/job/" + "a" * 5000), {404}),
        ("path", lambda: ask(port, "GET", "/job/%00%ff"), {404}),
        ("method", lambda: ask(port, "DELETE", "/job/1"), {405}),
        ("head", torn_head, {0, 400}),
    ]
    while time.monotonic() < until:
        kind, call, fit = rng.choice(tries)
        try:
            status, body = call()
        except (OSError, http.client.HTTPException) as error:
            if kind not in ("giant", "endless"):  # cut off while still sending
                seen.broken.append(f"{kind}: {error!r}")
            status, body = 0, b""
        seen.note(kind, status)
        if status not in fit:
            seen.broken.append(f"{kind}: {status}")
        if SECRET.encode() in body or b"Traceback" in body or b"/benchodds/" in body:
            seen.broken.append(f"{kind}: tells of the inside: {body[:200]!r}")


def fill(store: Path) -> None:
    """Two jobs; a word of the second must never be seen in answers about the first."""
    for command in (
        ["open", "--system", "mag-cdi", "--complaint", "no-spark"],
        ["open", "--system", "mag-cdi", "--complaint", "no-spark"],
        ["record", "2", "vexc", "20", "--note", SECRET],
    ):
        subprocess.run(
            [sys.executable, "-m", "benchodds", *command, "--store", str(store)],
            check=True,
            capture_output=True,
        )


def run(folder: Path, seconds: float, *, clients: int = 6, slows: int = 20) -> Seen:
    """Load and abuse at once; then the page must still serve a whole job."""
    store, seen = folder / "jobs.sqlite", Seen()
    fill(store)
    with server(store) as (port, process):
        ask(port, "GET", "/job/1")  # everything is loaded once
        ask(port, "GET", "/")
        seen.memory_mb.append(memory_mb(process.pid))
        started = time.monotonic()
        until = started + seconds
        threads = [threading.Thread(target=load, args=(port, seen, until)) for _ in range(clients)]
        threads += [threading.Thread(target=slow, args=(port, seen, until)) for _ in range(slows)]
        threads += [
            threading.Thread(target=hostile, args=(port, seen, until, seed)) for seed in range(3)
        ]
        for thread in threads:
            thread.start()
        while time.monotonic() < until:
            time.sleep(0.5)
            if process.poll() is not None:
                seen.broken.append("the server ended")
                break
            seen.memory_mb.append(memory_mb(process.pid))
        for thread in threads:
            thread.join()
        seen.seconds = time.monotonic() - started
        status, body = ask(port, "GET", "/job/1")
        if status != 200 or b"Job 1" not in body:
            seen.broken.append(f"afterwards job 1 is answered {status}")
    return seen


def guess(folder: Path, seconds: float) -> Counter[str]:
    """Guess pairing codes as fast as it goes; returns the answers by status."""
    store, seen = folder / "lan.sqlite", Counter[str]()
    fill(store)
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    with server(store, lan=True) as (port, _):
        until = time.monotonic() + seconds
        n = 0
        while time.monotonic() < until:
            said = {**kind, "X-Forwarded-For": f"10.0.0.{n % 256}"}  # is not believed
            status, _ = ask(port, "POST", "/pair", f"code={n:08d}".encode(), said)
            seen[str(status)] += 1
            n += 1
        for path in ("/", "/job/1", "/job/2/state"):
            seen[f"unpaired {ask(port, 'GET', path)[0]}"] += 1
    return seen


def main() -> None:
    """Run and say what was seen."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    said = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        seen = run(Path(folder), said.seconds)
        print(seen)
        for kind, n in sorted(seen.answers.items()):
            print(f"  {kind:<20} {n}")
        print("guessed codes:", dict(guess(Path(folder), said.seconds / 3)))
    if seen.broken:
        raise SystemExit("\n".join(sorted(set(seen.broken))))


if __name__ == "__main__":
    main()
