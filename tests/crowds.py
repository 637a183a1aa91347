"""What the exact engine believes at a place of a simulated job, the crowd's counterpart.

The engine is told the same groups of outcomes as the crowd, in place of readings.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest

from benchodds.basics.tables import Array, State, Table
from benchodds.infer import intermittent
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.infer.epochs import present
from benchodds.infer.intermittent import NAME, Met
from benchodds.model.jobs import Technique
from benchodds.trials.places import Place, World
from benchodds.trials.steps import Told
from benchodds.trials.works import coming_and_going, unsteady
from made_jobs import job_of


def engine(place: Place, monkeypatch: pytest.MonkeyPatch) -> Assessment:
    """The odds that ship, after the readings and repairs of a place."""
    world = place.world

    def group(test: str, values: tuple[str, ...], technique: Technique) -> int:
        return world.coarse(test, str(technique.how)).words.index(values[0])

    def finding(
        _self: Machine,
        test: str,
        values: tuple[str, ...],
        technique: Technique,
        *_: str,
        **__: bool,
    ) -> Table:
        seen = world.coarse(test, str(technique.how))
        return seen.finding(group(test, values, technique))

    def met_by(
        _machine: Machine, test: str, values: tuple[str, ...], technique: Technique
    ) -> Met | None:
        met = world.shown(test, str(technique.how)).met
        if met is None:
            return None
        there = met.there.p[..., group(test, values, technique)]
        return Met(met.away, Table(met.there.scope[:-1], there))

    rows = [
        (e.test, (world.coarse(e.test, e.how).words[e.group],), world.technique(e.how))
        if isinstance(e, Told)
        else e.name
        for e in place.events
    ]
    job = job_of(world.machine, rows, world.complaint)
    with monkeypatch.context() as patched:
        patched.setattr(Machine, "finding", finding)
        patched.setattr(intermittent, "met_by", met_by)
        found = assess(world.machine, job)
        assert found.folded.states
    return found


def after_the_check(world: World, found: Assessment) -> dict[State, float]:
    """Chances of what is wrong now, given that the check after the only repair has failed.

    States that were cured are left out, the others weighed by what the check misses.
    """
    folded, out = found.folded, defaultdict[State, float](float)
    label = {s.label: (s.component, s.mode) for s in intermittent.spells(world.machine)}
    for history, w in zip(folded.histories, np.exp(folded.history_log_weights), strict=True):
        state = present(folded.network, history)
        if not state:
            continue
        goes = label.get(dict(history).get(NAME, ""))
        here = goes in state
        missed = world.shop.missed(state, goes if here else None)
        whole = coming_and_going(state, goes) if goes and here else state
        out[whole] += float(w) * (1 - missed)
    total = sum(out.values())
    return {s: w / total for s, w in out.items()}


def in_crowd(place: Place) -> dict[State, float]:
    """Chances of the crowd's whole states that have a fault."""
    p: Array = place.crowd_mass.sum(axis=1)
    mine = {s: float(q) for s, q in zip(place.world.states, p, strict=True) if s}
    total = sum(mine.values())
    return {s: q / total for s, q in mine.items()}


def of_faults(p: dict[State, float]) -> dict[tuple[str, str], float]:
    """Chance of each fault, and, as ('unsteady', name), of its coming and going."""
    out = defaultdict[tuple[str, str], float](float)
    for state, q in p.items():
        faults, goes = unsteady(state)
        for fault in faults:
            out[fault] += q
        if goes:
            out["unsteady", ".".join(goes)] += q
    return dict(out)
