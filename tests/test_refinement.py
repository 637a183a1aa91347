"""What discretisation costs: posteriors under twice as many nodes in every grid.

The jobs are of two kinds: readings as the story tests write them (every so many, in order), and
machines with their readings drawn whole from the models (`trials.draws`, `trials.pastjobs`), none
picked by what it moves. A few of each system are in the normal tests; ``python
tests/test_refinement.py [SYSTEM...]`` goes through all of them and those of the demo shop.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchodds.basics.errors import TooLargeError
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.infer.intermittent import all_steady
from benchodds.infer.network import physics
from benchodds.keep import files
from benchodds.model.jobs import Technique
from made_jobs import job_of

JOBS = [
    json.loads(s)
    for s in (Path(__file__).parent / "data/job_set.jsonl").read_text().split("\n")
    if s
]
SYSTEMS = ("mag-cdi", "dc-cdi", "tci", "charging", "starter")
MOST = 1e-3
"""Greatest move of any posterior in any job."""

FEW = 2
"""Jobs of each system in the normal tests, all of one variant; the first that are not too large."""


def past(system: str, most: int) -> list[dict[str, Any]]:
    """The first jobs of the demo shop on a system."""
    lines = (Path(__file__).parents[1] / "demo/shop/past.jsonl").read_text().splitlines()
    rows = [r for r in map(json.loads, lines) if r["system"] == system and r.get("readings")]
    return [
        {
            **{k: row[k] for k in ("system", "variant", "complaint")},
            "contexts": row.get("contexts", []),
            "readings": [[r["test"], r["values"], r["technique"]] for r in row["readings"]],
        }
        for row in rows[:most]
    ]


@lru_cache(maxsize=2)
def machine(system: str, variant: str, refine: int) -> Machine:
    """A machine with its grids refined, whose faults are steady: what comes and goes may stand on
    whole states, which are no question of nodes."""
    model = files.load_system(system, variant)
    bench = files.load_bench(model.bench)
    made = Machine(model, bench, files.load_priors(system), *physics(model, bench, refine))
    return all_steady(made)


def odds(job: dict[str, Any], refine: int) -> dict[str, float]:
    """Posterior of every part, every fault and the gear."""
    m = machine(job["system"], job["variant"], refine)
    readings = [(t, values, Technique.from_data(how)) for t, values, how in job["readings"]]
    return answers(assess(m, job_of(m, readings, job["complaint"], job["contexts"])))


def answers(found: Assessment) -> dict[str, float]:
    """What a technician may read of an assessment."""
    out = {f"{c}.{mode}": p for (c, mode), p in found.p_mode.items()}
    return out | dict(found.p_fault) | {f"{item} {s}": p for item, s, p in found.gear}


def move(job: dict[str, Any]) -> tuple[float, str]:
    """The posterior that moves most in a job, and how far."""
    plain, dense = odds(job, 1), odds(job, 2)
    return max((abs(plain[k] - dense[k]), k) for k in plain)


@contextmanager
def roomy(entries: float) -> Iterator[None]:
    """Larger tables than in daily use: twice the nodes need them."""

    def refused(*_: object) -> None:
        raise TooLargeError("what stands in for exact odds says nothing of nodes")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("benchodds.infer.assess.likeliest", refused)
        patch.setattr("benchodds.infer.network.MAX_PARENT_STATES", 100_000_000)
        patch.setattr("benchodds.infer.buckets.MOST_ENTRIES", entries)
        patch.setattr("benchodds.infer.buckets.MOST_KEPT", entries)
        yield


@pytest.mark.parametrize("system", SYSTEMS)
def test_posteriors_hardly_move_on_denser_nodes(system: str) -> None:
    """No posterior moves by a thousandth when every grid is doubled."""
    mine = [j for j in JOBS if j["system"] == system]
    moves = []
    with roomy(3e8):
        for job in (j for j in mine if j["variant"] == mine[0]["variant"]):
            with suppress(TooLargeError):  # readings that tie too much together on dense nodes
                moves.append(move(job))
            if len(moves) == FEW:
                break

    assert len(moves) == FEW
    assert max(moves)[0] < MOST


def main() -> None:
    """All jobs of some systems: how far posteriors move, and which most."""
    for system in sys.argv[1:] or SYSTEMS:
        moves = []
        mine = [j for j in JOBS if j["system"] == system] + past(system, 24)
        with roomy(4e10):
            for job in sorted(mine, key=lambda j: str(j["variant"])):
                moves.append(move(job))
                print(f"{moves[-1][0]:.5f} {moves[-1][1]:24} {[r[0] for r in job['readings']]}")
        most, middle = max(m for m, _ in moves), np.median([m for m, _ in moves])
        over = sum(m >= MOST for m, _ in moves)
        print(f"{system}: greatest {most:.5f}, middle {middle:.5f}, {over} of {len(moves)} over")


if __name__ == "__main__":
    main()
