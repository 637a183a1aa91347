"""Jobs played by what is proposed, to the end: has every one an ending, and goes none in circles?

Outcomes are drawn from the odds themselves (what the next reading shows, given all before), so
that every course that the tool holds possible comes up as often as it says. Repairs are written
down as done, gear that failed its proof as changed. ``python tests/played.py [JOBS] [SYSTEM...]``
plays so many over the systems, 200 over all five without a word, and prints what ended how;
``--from JOB`` leaves the first of each system out, so that they may be played in pieces.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from benchodds.basics.words import percent
from benchodds.choose.benchstate import next_technique, open_setups
from benchodds.choose.planning import Plan, plan
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.keep.session import load_machine
from benchodds.keep.shopfile import load_shop
from benchodds.model import jobs
from benchodds.model.jobs import Job, Technique
from made_jobs import AT, job_of

SYSTEMS = ("mag-cdi", "dc-cdi", "tci", "charging", "starter")
MOST_STEPS = 60
"""Steps after which a job counts as one without an ending."""
SAME = 4
"""Times that a test may not show the same before anything is done."""


@dataclass
class Played:
    """A job played to its end: the steps, each with what it showed, and how it ended."""

    steps: list[tuple[str, str]] = field(default_factory=list)
    ending: str = "none"
    cured: float = 0.0

    @property
    def circles(self) -> list[tuple[str, str]]:
        """Steps done again without new evidence: repairs with nothing read since, and tests that
        showed the same four times on the machine as it is."""
        out: list[tuple[str, str]] = []
        shown: Counter[tuple[str, str]] = Counter()
        for before, step in pairwise([("", ""), *self.steps]):
            if step[1] == "done":
                out += [step] if step == before else []
                shown.clear()
            else:
                shown[step] += 1
                out += [step] if shown[step] == SAME else []
        return out


def play(machine: Machine, complaint: str, seed: int) -> Played:
    """Play one job by what is proposed."""
    rng, shop = np.random.default_rng(seed), load_shop("shop")
    job, out = job_of(machine, [], complaint), Played()
    for step in range(MOST_STEPS):
        found = assess(machine, job)
        todo = plan(found, shop)
        out.cured = found.p_cured
        if todo.do in ("close", "stop"):
            out.ending = todo.do
            break
        job, shown = _done(job, found, todo, rng, f"s{step}")
        out.steps.append((todo.test or todo.repair or f"change {todo.gear}", shown))
    return out


def _done(
    job: Job, found: Assessment, todo: Plan, rng: np.random.Generator, uid: str
) -> tuple[Job, str]:
    if todo.repair:
        return jobs.amend(job, jobs.action_event(job, todo.repair, at=AT, uid=uid)), "done"
    if todo.gear:
        return jobs.amend(job, jobs.changed_gear_event(job, [todo.gear], at=AT, uid=uid)), "done"
    assert todo.test is not None
    value, technique = _drawn(found, todo.test, rng)
    said = jobs.reading_event(
        job, at=AT, uid=uid, test=todo.test, values=[value], technique=technique
    )
    return jobs.amend(job, said), value


def _drawn(found: Assessment, test: str, rng: np.random.Generator) -> tuple[str, Technique]:
    """What a test would show, drawn from the odds, as it would be written."""
    machine = found.coarse.machine
    technique = next_technique(found, open_setups(machine.model, found.job))
    outcomes, predictive = found.predictive(test, technique)
    p = found.state_p @ found.folded.outcomes(predictive)
    k = int(rng.choice(len(p), p=p / p.sum()))
    tool, label = machine.instrument(test), outcomes[k].label
    if tool.test.kind in ("look", "spark") or label in ("OL", "unstable"):
        span = f"unstable {tool.span[0] * 2:.4g}..{tool.span[1] / 2:.4g}"
        return (span if label == "unstable" else label), technique
    edges = tool.numeric_edges()
    value = float(np.sqrt(edges[max(k - 1, 0)] * edges[min(k, len(edges) - 1)]))
    return f"{value:.6f} {tool.test.unit}", technique


def main() -> None:
    """Play jobs and print how they ended."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("jobs", type=int, nargs="?", default=200)
    parser.add_argument("systems", nargs="*", default=SYSTEMS)
    parser.add_argument("--from", type=int, default=0, dest="first")
    asked = parser.parse_args()
    for system in asked.systems:
        machine = load_machine(system, None, system).coarse
        complaints = list(machine.model.complaints)
        ends: Counter[str] = Counter()
        steps, cured = [], []
        for seed in range(asked.first, asked.jobs // len(asked.systems)):
            played = play(machine, complaints[seed % len(complaints)], seed)
            ends[played.ending] += 1
            steps.append(len(played.steps))
            cured.append(played.cured)
            if played.ending == "none" or played.circles:
                said = [f"{step}={shown}" for step, shown in played.steps]
                print(f"{system} {seed}: {played.ending}, circles {played.circles}: {said}")
            sys.stdout.flush()
        print(
            f"{system}: {dict(ends)}; steps {np.mean(steps):.1f}, at most {max(steps)}; cured at "
            f"the end {percent(float(np.mean(cured)))}",
            flush=True,
        )


if __name__ == "__main__":
    main()
