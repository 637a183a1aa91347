"""What every command takes on random jobs of up to thirty readings, each in a process of its own.

``python tests/memory.py [SYSTEM...] [--jobs N] [--readings N] [--limit MB]`` prints the greatest
memory and time of each command for each system, and every command that did not answer. Systems
may be joined: ``tci+charging``. Address space is limited, so that what would take too much fails.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchodds.keep.session import Session, load_machine
from benchodds.model import jobs
from random_jobs import Said, random_readings

SYSTEMS = (
    "mag-cdi",
    "dc-cdi",
    "tci",
    "charging",
    "starter",
    "tci+charging",
    "dc-cdi+charging+starter",
)
MOST_MB = 1000
"""Resident memory that no command may go over."""

SILENT = ("not-taken", "impossible")

PAGE = """
import sys
from starlette.testclient import TestClient
from benchodds.keep.session import Session
from benchodds.screens.guard import Guard
from benchodds.screens.page import create_app
app = create_app(Session(sys.argv[1]), Guard(False), frozenset({"bench.test"}))
device = TestClient(app, base_url="http://bench.test")
for path in ("", "/odds"):
    answer = device.get(f"/job/{sys.argv[2]}{path}")
    assert answer.status_code == 200, (path, answer.status_code)
    print(answer.text)
"""


WATCHED = """
import atexit, os, re, runpy, sys
def tell(fd=int(sys.argv[1])):
    with open("/proc/self/status") as status:
        os.write(fd, re.search(r"VmHWM:\\s+(\\d+)", status.read())[1].encode())
atexit.register(tell)
how, what, *rest = sys.argv[2:]
sys.argv = [what, *rest]
if how == "-m":
    runpy.run_module(what, run_name="__main__", alter_sys=True)
else:
    exec(what, {"__name__": "__main__"})
"""
"""Runs what it is told and says its own greatest memory: what the kernel tells the parent
of a child has the parent's own memory in it."""


@dataclass(frozen=True)
class Used:
    """What one command took: MB resident, processor seconds, exit status, and what it printed."""

    megabytes: float
    seconds: float
    status: int
    text: str


def run(argv: Sequence[str], limit_mb: float | None, said: str = "") -> Used:
    """Run Python with these arguments, within an address space of so many MB."""

    def bound() -> None:
        if limit_mb is not None:
            resource.setrlimit(resource.RLIMIT_AS, (int(limit_mb * 1e6),) * 2)

    one = {f"{name}_NUM_THREADS": "1" for name in ("OPENBLAS", "OMP", "MKL")}
    with (
        tempfile.TemporaryFile("w+") as out,
        tempfile.TemporaryFile("w+") as typed,
        tempfile.TemporaryFile("w+") as most,
    ):
        typed.write(said)
        typed.seek(0)
        process = subprocess.Popen(
            [sys.executable, "-c", WATCHED, str(most.fileno()), *argv],
            pass_fds=[most.fileno()],
            stdin=typed,
            stdout=out,
            stderr=subprocess.STDOUT,
            env={**os.environ, **one},
            preexec_fn=bound,
        )
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        text = out.read()
        most.seek(0)
        kilobytes = int(most.read())
    return Used(kilobytes / 1024, used.ru_utime + used.ru_stime, process.returncode, text)


def make_job(store: Path, system: str, said: Sequence[Said], complaint: str) -> str:
    """A job in a store with these readings; its id."""
    session = Session(store)
    job = session.open(system, complaint, [], None, None, None)
    for s in said:
        session.append(
            job.id,
            lambda j, at, uid, s=s: jobs.reading_event(  # type: ignore[misc]
                j, at=at, uid=uid, test=s.test, values=list(s.values), technique=s.technique
            ),
        )
    return job.id


def commands(store: Path, job: str, said: Sequence[Said]) -> dict[str, tuple[list[str], str]]:
    """Arguments and what is typed, by command; the last reading is recorded by one of them."""
    first, last = said[0], said[-1]

    def tool(*words: str) -> list[str]:
        return ["-m", "benchodds", *words, "--store", str(store)]

    as_if = f"{last.test}={';'.join(last.values)}"
    told = [f"R{i}" for i, s in enumerate(said, 1) if s.values[0] not in SILENT]
    target = str(store.with_name("report.html"))
    sheet = store.with_name("sheet.txt")
    sheet.write_text(last.line + "\n", encoding="utf-8")
    return {
        "odds": (tool("odds", job), ""),
        "odds --as-if": (tool("odds", job, "--as-if", as_if, "--json"), ""),
        "next --greedy": (tool("next", job, "--greedy"), ""),
        "next": (tool("next", job), ""),
        "next --steps 2": (tool("next", job, "--steps", "2", "--json"), ""),
        "next --as-if": (tool("next", job, "--as-if", as_if), ""),
        "record": (tool("record", job, "--file", str(sheet)), ""),
        "why, last": (tool("why", job, told[-1]), ""),
        "why, first": (tool("why", job, told[0], "--json"), ""),
        "report": (tool("report", job, "--to", target), ""),
        "bench": (tool("bench", job), f"odds\nnext\n{first.test} not-taken\n"),
        "page": (["-c", PAGE, str(store), job], ""),
        "close": (tool("close", job, "--grade", "gave-up"), ""),
    }


def go_through(
    system: str, seed: int, n: int, limit_mb: float | None
) -> Iterator[tuple[str, Used]]:
    """All commands on one random job of ``n`` readings."""
    rng = np.random.default_rng(seed)
    machine = load_machine(system, None, system)
    complaint = str(rng.choice(list(machine.model.complaints)))
    said = random_readings(machine, complaint, n, rng)
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "jobs.sqlite"
        job = make_job(store, system, said[:-1], complaint)
        every = commands(store, job, said)
        for name, (argv, typed) in every.items():
            yield name, run(argv, limit_mb, typed)


def fixed(system: str, limit_mb: float | None) -> dict[str, Used]:
    """Commands that need no job."""
    out = {}
    with tempfile.TemporaryDirectory() as folder:
        target = str(Path(folder) / "sheet.html")
        words = ["-m", "benchodds", "worksheet", system, "--to", target]
        out["worksheet"] = run(words, limit_mb)
    if "+" not in system:
        out["check"] = run(["-m", "benchodds", "check", system], limit_mb)
    return out


def main() -> None:
    """Go through the systems asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("systems", nargs="*", default=SYSTEMS)
    parser.add_argument("--jobs", type=int, default=5)
    parser.add_argument("--readings", type=int, default=30)
    parser.add_argument("--limit", type=float, help="MB of address space; none if left out.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--verbose", action="store_true")
    said = parser.parse_args()
    failed = 0
    for system in said.systems:
        found: dict[str, list[Used]] = {k: [u] for k, u in fixed(system, said.limit).items()}
        for seed in range(said.seed, said.seed + said.jobs):
            for name, used in go_through(system, seed, said.readings, said.limit):
                found.setdefault(name, []).append(used)
                if said.verbose:
                    print(seed, name, f"{used.megabytes:.0f} MB {used.seconds:.1f} s", flush=True)
                if used.status:
                    failed += 1
                    print(f"{system} job {seed}, {name}: {used.text[-300:]}", flush=True)
        for name, rows in found.items():
            some = sum("Approximate: " in u.text for u in rows)
            print(
                f"{system:<24} {name:<24} {max(u.megabytes for u in rows):6.0f} MB "
                f"{max(u.seconds for u in rows):6.1f} s  approximate {some} of {len(rows)}",
                flush=True,
            )
    sys.exit(failed > 0)


if __name__ == "__main__":
    main()
