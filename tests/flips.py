"""Flip single bits of a store and of a file of jobs; count what goes unsaid: it must be nothing.

Run it for long: ``python tests/flips.py --flips 3000 --seed 1``. The normal tests do a few hundred.
Each flip must be refused (by SQLite or by us, in a sentence), or name the damaged job and leave the
others as they were, or change nothing that is read. What ``rescue`` brings out must be what was
written: all jobs that the flip spared, and of the one it hit whatever stands before it.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchodds.basics.errors import JobError, StoreError, UnknownJobError
from benchodds.keep import archive
from benchodds.keep.rescue import rescue
from benchodds.keep.store import Store
from benchodds.model import jobs
from benchodds.model.jobs import Job, Technique

AT = "2031-01-01T00:00:00Z"


@dataclass
class Count:
    """What became of the flips."""

    flips: int = 0
    became: Counter[str] = field(default_factory=Counter)
    silent: list[str] = field(default_factory=list)
    """Where something else was read, or nothing, and nobody said so."""
    rescued: int = 0
    """Events that rescue brought out where SQLite or the chain had said no."""
    left: int = 0
    """Events that it did not."""

    def __str__(self) -> str:
        return (
            f"{self.flips} flips: {dict(self.became)}; silent {len(self.silent)}; of the events "
            f"of damaged stores {self.rescued} rescued, {self.left} left"
        )


def fill(where: Path, rng: random.Random, n_jobs: int = 6, n_events: int = 8) -> list[Job]:
    """A store with jobs of all kinds of events; what it holds."""
    with Store.open(where) as store:
        for n in range(n_jobs):
            opened = jobs.open_event(
                at=AT,
                uid=f"o{n}",
                system="mag-cdi",
                variant="early",
                complaint="no-spark",
                contexts=["washed"],
                model_version="1",
                prior_set="mag-cdi",
                prior_version="1",
                files={"models/mag-cdi": {"version": "1", "hash": "0" * 64}},
            )
            job = store.new_job(opened, name=f"señora-{n}" if n % 3 == 1 else None)
            for k in range(n_events):
                _add(store, job.id, f"{n}-{k}", rng)
            if n % 2:
                _close(store, job.id, f"c{n}")
        return list(store.snapshot().jobs)


def _add(store: Store, job_id: str, uid: str, rng: random.Random) -> None:
    """One event of chance."""
    told = {"at": AT, "uid": uid}
    kind, text = rng.choice(["reading"] * 4 + ["note", "gear", "setup", "action"]), "0.13 ohm"

    def make(job: Job) -> jobs.Event:
        if kind == "note":
            return jobs.note_event(job, "x" * rng.choice([20, 6000]), **told)
        if kind == "gear":
            return jobs.gear_event(job, {"meter": "10M"}, **told)
        if kind == "setup":
            return jobs.setup_event(job, "G", True, **told)
        if kind == "action":
            return jobs.action_event(job, "new-plug", **told)
        taken = Technique(how="firm-kick", temp_c=21.5)
        return jobs.reading_event(job, test="rpri", values=[text], technique=taken, **told)

    store.append(job_id, make)


def _close(store: Store, job_id: str, uid: str) -> None:
    verdict = {"faults": ["exc.open"], "grade": "bench-bad"}
    odds = {"p": {"exc.open": 0.75, "none.elec": 0.0625}, "files": {}}
    told = {"at": AT, "uid": uid, "odds": odds, "verdict": verdict}
    store.append(job_id, lambda job: jobs.close_event(job, **told))


def flipped(data: bytes, bit: int) -> bytes:
    """The bytes with one bit turned over."""
    out = bytearray(data)
    out[bit // 8] ^= 1 << bit % 8
    return bytes(out)


def of_a_store(where: Path, wanted: Sequence[Job], bit: int, count: Count) -> None:
    """Read a store with one bit flipped, in every way in which jobs are read; then rescue it."""
    count.flips += 1
    try:
        with Store.open(where, create=False) as store:
            found = store.snapshot()
            listed = {line.id for line in store.jobs()}
            damaged = {error.job for error in found.damaged}
            wrong = [j.id for j in found.jobs if j not in wanted or j.id not in listed]
            wrong += ["missing"] * (len(found.jobs) + len(found.damaged) < len(wanted))
            for job in wanted:
                try:
                    if store.job(job.id) != job:
                        wrong.append(job.id)
                except UnknownJobError:
                    wrong.append(job.id)
                except StoreError:
                    damaged.add(job.id)
    except StoreError:
        count.became["refused"] += 1
    else:
        count.silent += [f"bit {bit}: {wrong}"] if wrong else []
        count.became["named" if damaged else "harmless"] += 1
        if not damaged:
            return
    brought = [part.job for part in rescue(where) if part.job is not None]
    for job in brought:
        whole = next((w for w in wanted if w.id == job.id), None)
        if whole is None or whole.events[: len(job.events)] != job.events:
            count.silent.append(f"bit {bit}: rescued {job.id}")
    n = sum(len(job.events) for job in brought)
    count.rescued += n
    count.left += sum(len(job.events) for job in wanted) - n


def of_a_file(data: bytes, wanted: Sequence[Job], bit: int, count: Count) -> None:
    """Read a file of JSON lines with one bit flipped."""
    count.flips += 1
    try:
        lines = flipped(data, bit).decode("utf-8").split("\n")
        read = [record.job for record in archive.read(lines)]
    except (UnicodeDecodeError, archive.ArchiveError, JobError):
        count.became["file refused"] += 1
        return
    count.became["file harmless"] += 1
    if read != list(wanted):
        count.silent.append(f"bit {bit} of the file")


def run(folder: Path, flips: int, seed: int) -> Count:
    """Flips of a store, and a quarter as many of a file of jobs."""
    rng, count = random.Random(seed), Count()
    where, copy = folder / "jobs.sqlite", folder / "flipped.sqlite"
    wanted = fill(where, rng)
    data = where.read_bytes()
    for bit in rng.sample(range(8 * len(data)), flips):
        copy.write_bytes(flipped(data, bit))
        of_a_store(copy, wanted, bit, count)
    lines = "\n".join(archive.write(wanted)).encode()
    for bit in rng.sample(range(8 * len(lines)), flips // 4):
        of_a_file(lines, wanted, bit, count)
    return count


def main() -> None:
    """Run and say what was counted."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flips", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    said = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        count = run(Path(folder), said.flips, said.seed)
    print(count)
    for line in count.silent:
        print(line, file=sys.stderr)
    if count.silent:
        sys.exit(1)


if __name__ == "__main__":
    main()
