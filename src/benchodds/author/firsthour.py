"""A good first hour: what the advice would be if every test showed what it most likely will.

The same pipeline as in a real job is played against itself: the test that is advised is
taken, its likeliest outcome (within the limit, say) counts as seen, and so on until the time
is up or a repair is ripe. No test is taken twice.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchodds.author.separability import usual_technique
from benchodds.basics.language import _
from benchodds.basics.quantities import show
from benchodds.basics.tables import Array, Table
from benchodds.choose.planning import Plan, Ranked, plan
from benchodds.choose.shop import Shop
from benchodds.infer.assess import Assessment, Machine, settled, understand
from benchodds.measure.instrument import Outcome
from benchodds.model import jobs
from benchodds.model.jobs import Job


@dataclass(frozen=True)
class Step:
    """One step: the test, its minutes with the set-ups it opens, and what it most likely shows.

    ``leader`` is the fault that leads after it, with its probability.
    """

    test: str
    minutes: float
    setups: tuple[str, ...]
    shows: str
    leader: str
    p_leader: float


@dataclass(frozen=True)
class FirstHour:
    """The steps, and what the advice is when they are done."""

    complaint: str
    steps: tuple[Step, ...]
    then: str


def first_hour(machine: Machine, complaint: str, shop: Shop, minutes: float = 60.0) -> FirstHour:
    """Play the first hour of a job with this complaint."""
    job = _opened(machine, complaint)
    seen: dict[str, Table] = {}
    steps: list[Step] = []
    left = minutes
    assessment = _assessed(machine, job, seen)
    while True:
        advice = plan(assessment, shop)
        fresh = [r for r in advice.ranking if r.test not in seen]
        chosen = next((r for r in fresh if r.test == advice.test), fresh[0] if fresh else None)
        if advice.do in ("repair", "stop") or chosen is None or chosen.minutes > left:
            return FirstHour(complaint, tuple(steps), _then(advice, chosen))
        left -= chosen.minutes
        outcomes, predictive = assessment.predictive(chosen.test, usual_technique(machine))
        p = assessment.state_p @ assessment.foreseen(chosen.test, usual_technique(machine))
        label, members = likeliest(outcomes, p)
        seen[chosen.test] = Table(predictive.scope[:-1], predictive.p[..., members].sum(axis=-1))
        job = _read(job, chosen.test, _as_written(machine, chosen.test, outcomes, p, members))
        assessment = _assessed(machine, job, seen)
        fault, p_leader = max(assessment.p_mode.items(), key=lambda item: item[1])
        steps.append(
            Step(chosen.test, chosen.minutes, chosen.setups, label, ".".join(fault), p_leader)
        )


def _assessed(machine: Machine, job: Job, seen: Mapping[str, Table]) -> Assessment:
    """The job's odds with outcomes, not values, as what was seen."""
    network = machine.prior(job.complaint, job.told, job.replaced)
    network = replace(network, findings={**network.findings, **seen})
    return settled(machine, job, understand(machine, job), network)


def likeliest(outcomes: Sequence[Outcome], p: Array) -> tuple[str, list[int]]:
    """The likeliest outcome in words, those of numbers grouped by what the limit says of them."""
    words = {1: _("within limit"), -1: _("outside limit"), 0: _("a value")}
    groups: dict[str, list[int]] = {}
    for i, outcome in enumerate(outcomes):
        named = len(outcomes) <= 5 or outcome.label in ("OL", "unstable")
        groups.setdefault(outcome.label if named else words[outcome.sign], []).append(i)
    label = max(groups, key=lambda g: float(p[groups[g]].sum()))
    return label, groups[label]


def _as_written(
    machine: Machine, test: str, outcomes: Sequence[Outcome], p: Array, members: Sequence[int]
) -> str:
    """A reading that a person could have written for an outcome, for the record of the job."""
    tool = machine.instrument(test)
    at = max(members, key=lambda i: p[i])
    edges = tool.numeric_edges() if tool.test.kind in ("meter", "peak") else np.zeros(0)
    if at > len(edges) or not edges.size:
        return "unstable 0..1" if outcomes[at].label == "unstable" else outcomes[at].label
    inner = [float(np.sqrt(a * b)) for a, b in itertools.pairwise(edges)]
    return show([0.5 * edges[0], *inner, 1.1 * edges[-1]][at], tool.test.unit)


def _then(advice: Plan, chosen: Ranked | None) -> str:
    if advice.do == "repair":
        return _("repair {repair}").format(repair=advice.repair)
    if advice.do == "stop" or chosen is None:
        return _("stop: no test is worth its minutes")
    return _("next {test}, {minutes:.0f} min").format(test=chosen.test, minutes=chosen.minutes)


def _opened(machine: Machine, complaint: str) -> Job:
    event = jobs.open_event(
        at="2000-01-01T00:00:00Z",
        uid="opened",
        system=machine.model.id,
        variant=machine.model.variant,
        complaint=complaint,
        contexts=[],
        model_version=machine.model.version,
        prior_set=machine.priors.id,
        prior_version=machine.priors.version,
    )
    return jobs.fold("first hour", [event])


def _read(job: Job, test: str, written: str) -> Job:
    event = jobs.reading_event(
        job,
        at="2000-01-01T00:00:00Z",
        uid=f"reading {len(job.readings)}",
        test=test,
        values=[written],
        technique=jobs.Technique(),
    )
    return jobs.amend(job, event)
