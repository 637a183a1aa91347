"""Standing jobs: what a new prior set would change, shown before it is taken up."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from benchodds.infer.assess import Machine, assess
from benchodds.learn.likelihoods import job_of
from benchodds.learn.written import parse_readings, split
from benchodds.model.jobs import Job
from benchodds.model.priors import PriorSet


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class StandingJob(_Strict):
    """One invented job; ``readings`` as in a file of past jobs."""

    title: str = Field(min_length=1)
    system: str
    complaint: str
    variant: str | None = None
    contexts: tuple[str, ...] = ()
    readings: str = ""


class Standing(_Strict):
    """All standing jobs."""

    schema_: Literal[1] = Field(alias="schema")
    provenance: str = Field(min_length=3)
    jobs: tuple[StandingJob, ...]


@dataclass(frozen=True)
class Effect:
    """Odds of the faults that lead before or after, in one standing job."""

    job: StandingJob
    odds: tuple[tuple[str, float, float], ...]  # fault, before, after; most likely after first


def effect(
    job: StandingJob, machine: Machine, before: PriorSet, after: PriorSet, most: int = 3
) -> Effect:
    """What a new set does to a standing job; errors as of :func:`assess`."""
    old, new = (_odds(replace(machine, priors=p), job) for p in (before, after))
    shown = {f for odds in (old, new) for f in sorted(odds, key=lambda f: -odds[f])[:most]}
    ordered = sorted(shown, key=lambda f: -new[f])
    return Effect(job, tuple((f, old[f], new[f]) for f in ordered))


def _odds(machine: Machine, job: StandingJob) -> dict[str, float]:
    made: Job = job_of(machine, split(parse_readings(job.readings)), job.complaint)
    found = assess(machine, replace(made, contexts=job.contexts))
    return {f"{c}.{m}": p for (c, m), p in found.p_mode.items()}


def effects(
    standing: Standing,
    machines: Callable[[str, str | None], Machine],
    before: Mapping[str, PriorSet],
    after: Mapping[str, PriorSet],
) -> list[Effect]:
    """Effects on the standing jobs of all systems that have a new set."""
    return [
        effect(job, machines(job.system, job.variant), before[job.system], after[job.system])
        for job in standing.jobs
        if job.system in after
    ]
