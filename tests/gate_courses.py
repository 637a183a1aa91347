"""Courses of events about gates, for tests: what passes, what fails, and the job of it all."""

from __future__ import annotations

from functools import cache
from typing import Any

from benchodds.basics.quantities import to_base
from benchodds.infer.assess import Machine
from benchodds.keep.session import load_machine
from benchodds.model import jobs
from benchodds.model.jobs import Job, Technique
from benchodds.model.system import SystemModel, Test
from made_jobs import AT, job_of

SYSTEMS = ("mag-cdi", "dc-cdi", "tci", "charging", "starter", "tci+charging")
SILENT = ("not-taken", "refused", "impossible")


@cache
def machine(system: str) -> Machine:
    """A shipped system, or several joined."""
    return load_machine(system, None, system)


def words(test: Test) -> tuple[str, str]:
    """A value that passes a test and one that fails it, from its limit as written."""
    if test.kind == "spark":
        return "strong 10/10", "none 0/10"
    if test.kind == "look":
        return test.passes[0], next(o for o in test.outcomes if o not in test.passes)
    assert test.limit is not None
    low, high = (to_base(v, test.unit) if v else None for v in (test.limit.min, test.limit.max))
    if low is None:
        assert high is not None
        return f"{high / 2:.6f} {test.unit}", f"{high * 2:.6f} {test.unit}"
    good = low * 1.2 if high is None else (low + high) / 2
    return f"{good:.6f} {test.unit}", f"{low / 2:.6f} {test.unit}"


def gates(model: SystemModel) -> dict[str, set[frozenset[str]]]:
    """Groups of tests that gates wait for."""
    return {n: {frozenset(t.split("|")) for t in g.passed} for n, g in model.gates.items()}


def happened(m: Machine, events: list[tuple[str, str, tuple[str, ...]]]) -> Job:
    """The job to which events add up; strikes of what is not there are passed over."""
    job = job_of(m, [])
    for k, (kind, name, values) in enumerate(events):
        at: dict[str, Any] = {"at": AT, "uid": f"e{k}"}
        if kind == "read":
            event = jobs.reading_event(job, test=name, values=values, technique=Technique(), **at)
        elif kind == "mend":
            event = jobs.action_event(job, name, **at)
        elif f"R{name}" in {r.id for r in job.live_readings}:
            event = jobs.strike_event(job, f"R{name}", reason="slip", **at)
        else:
            continue
        job = jobs.amend(job, event)
    return job
