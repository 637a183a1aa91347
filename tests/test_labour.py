"""Minutes with set-ups are the same wherever they are counted."""

from __future__ import annotations

import numpy as np
import pytest

from benchodds.choose.choosing import decision_of
from benchodds.choose.labour import Labour
from benchodds.choose.planning import rank
from benchodds.infer.assess import assess
from benchodds.keep.session import load_machine
from benchodds.keep.shopfile import load_shop
from made_jobs import job_of

SYSTEMS = ("mag-cdi", "dc-cdi", "tci", "charging", "starter")


@pytest.mark.parametrize("system", SYSTEMS)
def test_what_is_shown_is_what_is_weighed(system: str) -> None:
    """Minutes of the ranking, of the decision, and by hand: own, opening and closing."""
    machine = load_machine(system, None, system)
    model, job = machine.model, job_of(machine, [])
    assessment = assess(machine, job)
    decision = decision_of(machine, job, assessment, load_shop())
    for row in rank(assessment, decision)[0]:
        assert row.minutes == pytest.approx(decision.minutes_of(decision.check(row.test)))
        by_hand = float(model.tests[row.test].minutes.split()[0]) + sum(
            float(part.split()[0])
            for s in row.setups
            for part in (model.setups[s].minutes, model.setups[s].close)
        )
        assert row.minutes == pytest.approx(by_hand), row.test


def test_in_turn_is_one_after_another() -> None:
    """Orders over many places at once against the same order step by step."""
    labour = Labour.of(load_machine("mag-cdi", None, "mag-cdi").model)
    names, rng = list(labour.own), np.random.default_rng(2)
    for _ in range(20):
        order = rng.permutation(len(names))[:6]
        opened = {s for s in labour.setups if rng.random() < 0.3}
        took = labour.in_turn(order[None], labour.flags(opened)[None])[0]
        together = labour.minutes([names[t] for t in order], opened)
        assert took.sum() == pytest.approx(together)
        for t, minutes in zip(order, took, strict=True):
            assert minutes == pytest.approx(labour.minutes([names[t]], opened))
            opened |= set(labour.needed[names[t]])
