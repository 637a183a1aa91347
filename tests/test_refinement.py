"""What discretisation costs: posteriors under twice as many nodes in every grid.

The jobs are of two kinds: readings as the story tests write them (every so many, in order), and
machines with their readings drawn whole from the models (`trials.draws`, `trials.pastjobs`), none
picked by what it moves. Each bound is what was reached on 34 such jobs of a system, rounded up.
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchodds.basics.errors import ModelError
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.infer.network import physics
from benchodds.keep import files
from benchodds.model import jobs
from benchodds.model.jobs import Technique

AT = "2031-01-01T00:00:00Z"
JOBS = [
    json.loads(s)
    for s in (Path(__file__).parent / "data/job_set.jsonl").read_text().split("\n")
    if s
]
BOUNDS = {
    "mag-cdi": (0.02, 0.003),
    "dc-cdi": (0.08, 0.004),
    "tci": (0.05, 0.005),
    "charging": (0.06, 0.01),
    "starter": (0.05, 0.004),
}
"""Greatest move of any posterior in any job, and that of the middle job."""


@lru_cache(maxsize=2)
def machine(system: str, variant: str, refine: int) -> Machine:
    """A machine with its grids refined."""
    model = files.load_system(system, variant)
    bench = files.load_bench(model.bench)
    return Machine(model, bench, files.load_priors(system), *physics(model, bench, refine))


def odds(job: dict[str, Any], refine: int) -> dict[str, float]:
    """Posterior of every part, every fault and the gear."""
    m = machine(job["system"], job["variant"], refine)
    events = [
        jobs.open_event(
            at=AT,
            uid="0",
            system=m.model.id,
            variant=m.model.variant,
            complaint=job["complaint"],
            contexts=job["contexts"],
            model_version="1",
            prior_set=m.model.id,
            prior_version="1",
        )
    ]
    opened = jobs.fold("g", events)
    for k, (test, values, technique) in enumerate(job["readings"]):
        how = Technique.from_data(technique)
        opened = jobs.amend(
            opened,
            jobs.reading_event(opened, at=AT, uid=f"r{k}", test=test, values=values, technique=how),
        )
    return answers(assess(m, opened))


def answers(found: Assessment) -> dict[str, float]:
    """What a technician may read of an assessment."""
    out = {f"{c}.{mode}": p for (c, mode), p in found.p_mode.items()}
    return out | dict(found.p_fault) | {f"{item} {s}": p for item, s, p in found.gear}


@pytest.mark.parametrize("system", BOUNDS)
def test_posteriors_hardly_move_on_denser_nodes(system: str) -> None:
    """The greatest move of any posterior, and the greatest in the middle job."""
    mine = sorted((j for j in JOBS if j["system"] == system), key=lambda j: str(j["variant"]))
    moves = []
    for job in mine:
        plain = odds(job, 1)
        try:
            dense = odds(job, 2)
        except ModelError:  # several readings that tie too much together on dense nodes
            continue
        moves.append(max(abs(plain[k] - dense[k]) for k in plain))
    assert len(moves) >= 0.7 * len(mine)
    most, middle = BOUNDS[system]

    assert max(moves) < most
    assert float(np.median(moves)) < middle
