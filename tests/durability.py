"""Kill, fill, protect and tear the store on purpose, and count what was lost: it must be nothing.

Run it for long: ``python tests/durability.py --rounds 300 --seed 1`` (as root for the full
disk, which is a small file system in memory). The normal tests run a few rounds.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from benchodds.basics.errors import BenchoddsError, StoreError
from benchodds.keep import archive, files
from benchodds.keep.store import Store

WORKER = """
import random, sys
from benchodds.keep import archive
from benchodds.model import jobs
from benchodds.basics.errors import BenchoddsError
from benchodds.model.jobs import Technique
from benchodds.keep.store import Store

where, seed, most = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
rng, at = random.Random(seed), "2031-01-01T00:00:00Z"
store = Store.open(where, wait_s=30)

def event(job, uid):
    kind = rng.choice(["reading"] * 5 + ["strike", "note", "gear", "setup", "action", "close"])
    say = dict(at=at, uid=uid)
    if job.is_closed:
        return jobs.reopen_event(job, **say)
    live = [r.id for r in job.live_readings]
    if kind == "strike" and live:
        return jobs.strike_event(job, rng.choice(live), reason="slip", **say)
    if kind == "gear":
        return jobs.gear_event(job, {"meter": "10M"}, **say)
    if kind == "setup":
        return jobs.setup_event(job, "G", rng.random() < 0.5, **say)
    if kind == "action":
        return jobs.action_event(job, "new-plug", **say)
    if kind == "close":
        return jobs.close_event(job, verdict={"faults": [], "grade": "gave-up"}, **say)
    if kind == "note":
        return jobs.note_event(job, "x" * rng.randint(1, 2000), **say)
    return jobs.reading_event(
        job, test="vexc", values=[str(rng.randint(0, 200))], technique=Technique(), **say
    )

ids = [j.id for j in store.jobs()]
print("ready", flush=True)
for n in range(most):
    uid = f"{seed}-{n}"
    try:
        if not ids or rng.random() < 0.05:
            ids.append(store.new_job(jobs.open_event(
                at=at, uid=uid, system="s", variant="v", complaint="c", contexts=[],
                model_version="1", prior_set="p", prior_version="1")).id)
        elif rng.random() < 0.05:
            store.take_in([archive.Record(j.id, j.events) for j in store.snapshot().jobs[-3:]])
            continue
        else:
            store.append(rng.choice(ids), lambda job: event(job, uid))
    except BenchoddsError as error:
        print("refused", error, flush=True)
        continue
    print("done", uid, flush=True)
"""


@dataclass
class Count:
    """What was done to a store and what came of it."""

    operations: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    refused: int = 0
    lost: int = 0
    doubled: int = 0
    unasked: int = 0
    """Events on record that were neither acknowledged nor under way when a process died."""

    def __str__(self) -> str:
        return (
            f"{self.operations} operations acknowledged, {self.refused} refused, "
            f"faults {dict(self.faults)}; {self.lost} lost, {self.doubled} doubled, "
            f"{self.unasked} unasked for"
        )


@dataclass(frozen=True)
class Worker:
    """A process that writes events, and the file of what it heard back."""

    process: subprocess.Popen[str]
    said: Path


class Trial:
    """One store and what it has acknowledged so far."""

    def __init__(self, where: Path, seed: int) -> None:
        self.where, self.rng = where, random.Random(seed)
        self.count = Count()
        self.said: set[str] = set()
        self.open_ends = 0
        self.seed = seed * 1_000_000

    def start(self, most: int, *, ready: bool = False) -> Worker:
        """Start a worker that writes ``most`` events; wait until it is ``ready`` to."""
        self.seed += 1
        command = [sys.executable, "-c", WORKER, str(self.where), str(self.seed), str(most)]
        said = Path(tempfile.mkstemp(prefix="durability-")[1])
        with said.open("w", encoding="utf-8") as out:
            process = subprocess.Popen(command, text=True, stdout=out, stderr=subprocess.PIPE)
        while ready and process.poll() is None and not said.stat().st_size:
            time.sleep(0.01)
        return Worker(process, said)

    def finish(self, worker: Worker, killed: bool) -> None:
        """Take down what a worker has had acknowledged."""
        _, err = worker.process.communicate(timeout=120)
        assert killed or worker.process.returncode == 0, err
        out = worker.said.read_text(encoding="utf-8")
        worker.said.unlink()
        for line in out.splitlines(keepends=True):
            if not line.endswith("\n"):
                continue  # killed while saying so: under way, as far as anybody heard
            word, _, rest = line.rstrip().partition(" ")
            if word == "done":
                self.said.add(rest)
            elif word == "refused":
                self.count.refused += 1
        self.open_ends += killed
        self.count.operations += sum(line.startswith("done") for line in out.splitlines())

    def kill(self, workers: int = 2) -> None:
        """Workers side by side, killed at a moment of chance."""
        started = [self.start(10**6, ready=True) for _ in range(workers)]
        time.sleep(self.rng.expovariate(1 / 0.4))
        for worker in started:
            worker.process.send_signal(signal.SIGKILL)
            self.finish(worker, killed=True)
        self.count.faults["killed"] += workers

    def protect(self) -> None:
        """The store's file becomes read-only (for all but root) while a worker writes."""
        worker = self.start(60, ready=True)
        time.sleep(self.rng.uniform(0.0, 0.1))
        mode = self.where.stat().st_mode
        self.where.chmod(0o444)
        time.sleep(0.05)
        self.where.chmod(mode)
        self.finish(worker, killed=False)
        self.count.faults["protected"] += 1

    def check(self) -> None:
        """Every acknowledged event is there once; all jobs fold; nothing else was written."""
        with Store.open(self.where, create=False) as store:
            snapshot = store.snapshot()
        assert snapshot.damaged == ()
        jobs = list(snapshot.jobs)
        found = Counter(e.uid for j in jobs for e in j.events)
        self.count.lost += sum(uid not in found for uid in self.said)
        self.count.doubled += sum(n > 1 for n in found.values())
        strange = [uid for uid in found if uid not in self.said]
        self.count.unasked += max(0, len(strange) - self.open_ends)
        self.open_ends = 0
        self.said |= set(strange)  # written, though nobody was there to hear of it
        again = list(archive.read(list(archive.write(jobs))))
        assert [r.job for r in again] == jobs


def torn(where: Path, rng: random.Random, count: Count) -> None:
    """Cut or garble a copy of a store: it opens whole, or is refused in one sentence."""
    whole = where.read_bytes()
    with Store.open(where, create=False) as store:
        wanted = store.snapshot().jobs
    for _ in range(20):
        data = bytearray(whole)
        if rng.random() < 0.5:
            del data[rng.randrange(len(data)) :]
        else:
            at = rng.randrange(len(data))
            data[at : at + 512] = rng.randbytes(min(512, len(data) - at))
        copy = where.with_name("torn.sqlite")
        copy.write_bytes(data)
        count.faults["torn"] += 1
        try:
            with Store.open(copy, create=False) as store:
                found = store.snapshot()
        except StoreError:
            count.refused += 1
            continue
        finally:
            for path in where.parent.glob("torn.sqlite*"):
                path.unlink()
        # What SQLite itself cannot notice leaves the jobs as they were, or is told by name.
        count.refused += bool(found.damaged)
        count.lost += len(found.jobs) + len(found.damaged) != len(wanted)
        count.lost += sum(job not in wanted for job in found.jobs)


def full_disk(rng: random.Random, count: Count) -> None:
    """A store on a file system of 160 kB, filled until it refuses: what it took is all there."""
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=160k", "tmpfs", folder], check=True, timeout=10
        )
        try:
            trial = Trial(Path(folder) / "jobs.sqlite", rng.randrange(10**6))
            worker = trial.start(500)
            trial.finish(worker, killed=False)
            assert trial.count.refused > 0, "the disk was never full"
            trial.check()
            count.faults["disk full"] += trial.count.refused
            count.operations += trial.count.operations
            count.lost += trial.count.lost
            count.doubled += trial.count.doubled
            count.unasked += trial.count.unasked
        finally:
            subprocess.run(["umount", folder], check=True, timeout=10)


def creation(folder: Path, rng: random.Random, count: Count) -> None:
    """Processes killed while they make a store, its tables brought up to date, side by side."""
    trial = Trial(folder / f"new-{rng.randrange(10**9)}.sqlite", rng.randrange(10**6))
    workers = [trial.start(10**6) for _ in range(3)]
    time.sleep(rng.uniform(0.3, 1.2))
    for worker in workers:
        worker.process.send_signal(signal.SIGKILL)
        trial.finish(worker, killed=True)
    with Store.open(trial.where):
        pass
    trial.check()
    count.faults["killed while made"] += len(workers)
    count.operations += trial.count.operations
    count.lost += trial.count.lost
    count.doubled += trial.count.doubled
    count.unasked += trial.count.unasked


def tuning(folder: Path, rng: random.Random, count: Count) -> None:
    """``tune`` killed at a moment of chance: the prior sets that are there are whole."""
    place = folder / f"tuned-{rng.randrange(10**9)}"
    jobs = folder / "past.jsonl"
    rows = (Path(__file__).parents[1] / "demo" / "shop" / "past.jsonl").read_text("utf-8")
    some = [json.loads(line) for line in rows.splitlines() if '"mag-cdi"' in line][:30]
    jobs.write_text("".join(json.dumps({**r, "readings": []}) + "\n" for r in some), "utf-8")
    environment = {**os.environ, "BENCHODDS_FOLDER": str(place)}
    environment["BENCHODDS_STORE"] = str(folder / "none.sqlite")
    command = [sys.executable, "-m", "benchodds", "tune", "--even-if-worse", str(jobs)]
    process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL)
    with suppress(subprocess.TimeoutExpired):
        process.wait(timeout=rng.uniform(1.0, 12.0))
    process.kill()
    process.wait()
    count.faults["tune killed"] += 1
    for path in place.rglob("*.toml"):
        assert files.load_priors(str(path)).system == "mag-cdi"
    count.operations += len(list(place.rglob("*.toml")))


def run(where: Path, rounds: int, seed: int, *, disk: bool) -> Count:
    """Rounds of faults on one store, checked after each."""
    trial = Trial(where, seed)
    with Store.open(where):
        pass
    for n in range(rounds):
        trial.kill()
        trial.check()
        if n % 5 == 0:
            trial.protect()
            trial.check()
            torn(where, trial.rng, trial.count)
            creation(where.parent, trial.rng, trial.count)
        if disk and n % 20 == 0:
            full_disk(trial.rng, trial.count)
            tuning(where.parent, trial.rng, trial.count)
    return trial.count


def main() -> None:
    """Run and say what was counted."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    said = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        started = time.monotonic()
        count = run(Path(folder) / "jobs.sqlite", said.rounds, said.seed, disk=os.geteuid() == 0)
        print(f"{count}; {time.monotonic() - started:.0f} s")
    with suppress(BrokenPipeError):
        print(json.dumps({"lost": count.lost, "doubled": count.doubled}))
    if count.lost or count.doubled or count.unasked:
        raise BenchoddsError("events were lost, doubled or made up")


if __name__ == "__main__":
    main()
