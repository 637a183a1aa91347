"""The bench as a job leaves it: what is open, how the next reading is taken, what was read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from benchodds.infer.assess import Assessment, merge
from benchodds.model.gear import Bench
from benchodds.model.jobs import Job, Technique
from benchodds.model.system import SystemModel

THRICE = 3
"""Readings of a test on the machine as it is from which it is not proposed again: what does not
change from one to the next is not told by more of them."""


def open_setups(model: SystemModel, job: Job) -> frozenset[str]:
    """Set-ups that are open: those of the readings taken, as corrected by the technician."""
    marks = [
        (r.seq, s, True)
        for r in job.live_readings
        if was_done(r.values) and r.test in model.tests
        for s in model.setups_of(r.test)
    ]
    marks += [(m.seq, m.setup, m.open) for m in job.setup_log]
    state: dict[str, bool] = {}
    for _seq, setup, is_open in sorted(marks, key=lambda m: m[0]):
        state[setup] = is_open
        if not is_open:  # closing what others stand on closes them too
            for name, other in model.setups.items():
                if setup in other.needs:
                    state[name] = False
    return frozenset(s for s, is_open in state.items() if is_open)


def was_done(values: Sequence[str]) -> bool:
    """Whether anything was done for a reading that is written so."""
    words = {v.strip().lower().replace(" ", "-") for v in values}
    return not words <= {"not-taken", "refused", "impossible", "not-possible"}


def next_technique(assessment: Assessment, opened: frozenset[str]) -> Technique:
    """How the next reading would be taken: as the test says, cranked as last time or by drill."""
    bench, job = assessment.machine.bench, assessment.job
    how = next((t.technique.how for t in reversed(assessment.taken) if t.technique.how), None)
    fitted = [name for name, m in bench.cranking.items() if m.setup and m.setup in opened]
    if fitted:
        how = fitted[0]
    default = max(bench.cranking, key=lambda name: bench.cranking[name].share)
    last = next((t.technique.meter for t in reversed(assessment.taken) if t.technique.meter), None)
    declared = merge(Technique(), job).meter
    return Technique(how=how or default, meter=declared or last, unplugged=True)


def reads(assessment: Assessment) -> Counter[str]:
    """How often each test was read on the machine as it is."""
    return Counter(
        t.reading.test
        for t in assessment.taken
        if t.table is not None and not assessment.is_stale(t)
    )


def unproved(assessment: Assessment) -> frozenset[str]:
    """Tests of which one must still pass on the machine of today, for the complaint to be gone."""
    job, machine = assessment.job, assessment.machine
    now = len(job.live_actions)
    passed = {
        t.reading.test
        for t in assessment.taken
        if t.epoch == now and all(machine.instrument(t.reading.test).sign(v) > 0 for v in t.values)
    }
    groups = (frozenset(machine.model.proof.get(c, ())) for c in job.complaint.split("+"))
    return frozenset[str]().union(*(g for g in groups if not g & passed))


def unfit(assessment: Assessment) -> frozenset[str]:
    """Gear whose proof was tried since it was last changed: proving it again tells nothing new."""
    tests = assessment.machine.model.tests
    return frozenset(
        item
        for t in assessment.taken
        if t.table is not None
        and (item := tests[t.reading.test].proves)
        and t.names.get(item, item) == item
    )


def tolerated(bench: Bench) -> dict[str, float]:
    """The chance of being bad from which gear is proved."""
    return {"adapter": bench.adapter.prove_at, "meter": bench.meter.prove_at}


def suspects(assessment: Assessment) -> dict[str, str]:
    """Tests that prove an instrument which is now likelier bad than the bench file tolerates, with
    what they prove.

    What such a proof is worth lies in the readings after it, which no one-step figure sees.
    """
    most = tolerated(assessment.machine.bench)
    bad = {
        item for item, state, p in assessment.gear if state != "ok" and p >= most.get(item, np.inf)
    }
    tests = assessment.machine.model.tests
    return {name: test.proves for name, test in tests.items() if test.proves in bad}
