"""How time and memory of ``tune`` grow with the number of jobs. Run as a script:
``python tests/scale.py 10000 100000 1000000`` (rows; prints seconds of processor and MB)."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from past_jobs import Shop, knowledge, shares_of

COMPLAINTS = ("no-spark", "weak-spark")
SHOPS = 7
DIFFERENT = 3000


def write(path: Path, rows: int) -> None:
    """A CSV of drawn jobs of seven shops over a thousand days, two contexts among them."""
    known = knowledge("mag-cdi")
    rng = np.random.default_rng(3)
    shares = {c: shares_of(known.priors["mag-cdi"], c) for c in COMPLAINTS}
    contexts = {"washed": {"stop.wet": 5.0}, "storage": {"con.highR": 2.0}}
    shop = Shop(shares, known.learning, contexts=contexts)
    pool = [shop.case(i, COMPLAINTS[i % 3 == 0], rng, DIFFERENT) for i in range(DIFFERENT)]
    with path.open("w", encoding="utf-8") as file:
        file.write("job,closed,system,variant,complaint,contexts,faults,grade,minutes,shop\n")
        for i, j in enumerate(rng.integers(0, DIFFERENT, rows)):
            case, day = pool[j], pool[i * DIFFERENT // rows].closed
            faults, told = "+".join(case.told[0].faults), "+".join(case.contexts)
            file.write(f"{i},{day},mag-cdi,early,{case.complaint},{told},{faults},")
            file.write(f"{case.told[0].grade},{20 + i % 50},s{i % SHOPS}\n")


def measure(rows: int) -> tuple[float, float]:
    """Seconds of processor, and MB at most, of ``tune --dry-run`` on so many rows."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "jobs.csv"
        write(path, rows)
        command = [sys.executable, "-m", "benchodds", "tune", str(path), "--dry-run"]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        _, status, used = os.wait4(process.pid, 0)
        if status:
            raise SystemExit(f"tune ended with status {status}")
        return used.ru_utime + used.ru_stime, used.ru_maxrss / 1000


def main() -> None:
    """Every number of rows asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rows", type=int, nargs="+")
    for rows in parser.parse_args().rows:
        seconds, megabytes = measure(rows)
        print(f"{rows:>9,} rows {seconds:7.1f} s {megabytes:7.0f} MB", flush=True)


if __name__ == "__main__":
    main()
