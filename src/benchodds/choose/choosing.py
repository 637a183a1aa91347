"""From a job as it stands to the decision at the bench: states, checks, remedies, endings.

The chances of a check's outcomes are those of the whole network with all evidence in it, given
each whole machine state and whether the gear that can be proved (the adapter) is sound. What
things cost is the shop's to say.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchodds.basics.language import _
from benchodds.basics.quantities import to_base
from benchodds.basics.tables import Array, State, Table
from benchodds.choose.benchstate import (
    THRICE,
    next_technique,
    open_setups,
    reads,
    suspects,
    unfit,
    unproved,
)
from benchodds.choose.decision import Check, Decision, Final, Remedy
from benchodds.choose.labour import minutes_of_setups
from benchodds.choose.permits import LOOKED, Permits
from benchodds.choose.rules import NEVER, cleared, gating, reopened, rule_of
from benchodds.choose.shop import Shop
from benchodds.infer.assess import Assessment, Machine
from benchodds.model.jobs import Job
from benchodds.model.system import Repair, SystemModel
from benchodds.model.technique import Technique

HAND_BACK = "hand-back"
"""The ending: nothing electrical was found, or the job is given up."""

SOUND = ("ok",)
"""Gear states where no gear can be proved."""

TINY = 1e-12


def decision_of(machine: Machine, job: Job, assessment: Assessment, shop: Shop) -> Decision:
    """Where the job stands as a decision: what is believed, what can be done, what it costs.

    States are the folded whole states of the assessment; ``missing`` is the weight of the
    machines that are not among them.
    """
    model, folded = machine.model, assessment.folded
    opened = open_setups(model, job)
    technique = next_technique(assessment, opened)
    permits, gates = Permits(assessment), gating(model)
    seen = permits.seen
    gear = _Gear(assessment)
    renew = _minutes(shop.gear.renew)
    missed = np.array([shop.missed(s) for s in folded.states])
    times, worked = reads(assessment), bool(job.live_actions)
    checks, spent = [], {name for name, n in times.items() if n >= THRICE}
    for name, test in model.tests.items():
        rule = rule_of(model, test, folded.states)
        if name in permits.gone:
            if name not in gates or name not in seen.done:
                continue
            spent.add(name)  # what it has shown still counts
            rule = rule if permits.gone[name] == _(LOOKED) else NEVER
        outcomes, predictive = assessment.predictive(name, technique)
        foreseen = gear.given(name, technique, "adapter" in predictive.scope, len(outcomes))
        checks.append(
            Check(
                name,
                model.minutes(name),
                frozenset(model.setups_of(name)),
                foreseen,
                tuple(o.sign for o in outcomes),
                np.array([shop.harm(model, name, state) for state in folded.states]),
                rule,
                name in gates,
                test.proves if test.proves in gear.proved else "",
                renew if test.proves in gear.proved else 0.0,
            )
        )
    return Decision(
        folded.states,
        gear.states,
        gear.p,
        tuple(checks),
        tuple(_remedies(model, folded.states, shop)),
        (Final(HAND_BACK, _hand_back(folded.states, shop)),),
        minutes_of_setups(model),
        shop.labour.per_minute,
        missed * shop.come_back.cost,
        missed,
        missing=max(0.0, 1.0 - float(assessment.state_p.sum())),
        done=frozenset(seen.done),
        spent=frozenset(spent),
        passed=frozenset(seen.passed),
        failed=frozenset(seen.failed),
        opened=opened,
        mended=_in_vain(assessment, shop),
        reads=times,
        suspect=suspects(assessment),
        unfit=unfit(assessment),
        cured=assessment.p_cured if worked else 0.0,
        asked=unproved(assessment) if worked else frozenset(),
        sure=shop.proof.sure,
    )


def _in_vain(assessment: Assessment, shop: Shop) -> frozenset[str]:
    """Repairs that were done and are not thought of again: not surely needed once more."""
    model, p = assessment.machine.model, assessment.state_p / assessment.state_p.sum()
    done = {a.repair for a in assessment.job.live_actions if not a.back}
    needed = {
        name: sum(
            q
            for q, state in zip(p, assessment.folded.states, strict=True)
            if set(state) & cleared(model.repairs[name], model)
        )
        for name in done
    }
    return frozenset(name for name in done if needed[name] < shop.parts.sure)


class _Gear:
    """Beliefs about machine and adapter together, and outcomes given both.

    What a proof of other gear is worth lies in readings that are there already, not in what is
    foreseen here.
    """

    proved = ("adapter",)

    def __init__(self, assessment: Assessment) -> None:
        self.assessment = assessment
        p_state = assessment.state_p / assessment.state_p.sum()
        tests = assessment.machine.model.tests.values()
        if not any(t.proves == "adapter" for t in tests):
            self.states: tuple[str, ...] = SOUND
            self.p = p_state[:, None]
            return
        states = assessment.network.variables["adapter"].states
        self.states = ("ok", "dead")
        dead = np.array([not s.startswith("ok") for s in states])
        self._split = np.stack([~dead, dead], axis=1).astype(float)  # adapter states, gear states
        self._p_gear = assessment.folded.outcomes(Table(("adapter", "gear"), self._split))
        self.p = p_state[:, None] * self._p_gear

    def given(self, test: str, technique: Technique, adapted: bool, n: int) -> Array:
        """P(outcome | state, gear), shape (n_states, n_gear, n outcomes)."""
        n_gear = len(self.states)
        if not adapted or n_gear == 1:
            p = self.assessment.foreseen(test, technique)
            p = np.repeat(p[:, None, :], n_gear, axis=1)
        else:
            split = Table(("adapter", "gear"), self._split)
            p = self.assessment.foreseen(test, technique, split).reshape(-1, n_gear, n)
        total = p.sum(axis=2, keepdims=True)
        return np.asarray(np.where(total > TINY, p / np.maximum(total, TINY), 1.0 / n))


def _remedies(model: SystemModel, states: Sequence[State], shop: Shop) -> list[Remedy]:
    place = {frozenset(state): i for i, state in enumerate(states)}
    out = []
    for name, repair in model.repairs.items():
        clears, sure = cleared(repair, model), shop.sure(model.id, name, repair)
        left = [frozenset(state) - clears for state in states]
        needed = np.array([bool(set(state) & clears) for state in states])
        out.append(
            Remedy(
                name,
                _minutes(repair.minutes),
                shop.proof_minutes(sorted(clears)),
                _price(model, name, repair, needed, shop),
                needed,
                np.array([not rest for rest in left]) & needed,
                np.array([place.get(rest, i) for i, rest in enumerate(left)], dtype=np.intp),
                rule_of(model, repair, states),
                reopened(model, repair),
                max(repair.act_at, sure),
                sure,
            )
        )
    return out


def _price(model: SystemModel, name: str, repair: Repair, needed: Array, shop: Shop) -> Array:
    """Money by state: the part, or what is lost on one that goes back, and the days it takes."""
    price = shop.price(model.id, name, repair)
    wasted = price * shop.parts.restocking if repair.returnable else price
    return np.asarray(np.where(needed, price, wasted) + shop.wait(repair))


def _hand_back(states: Sequence[State], shop: Shop) -> Array:
    return np.array([shop.unsolved.cost if state else 0.0 for state in states])


def _minutes(text: str) -> float:
    return to_base(text, "min")
