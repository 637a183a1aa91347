"""What steps cost and where they lead, one at a time: by hand beside the arrays that choose."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchodds.choose.acting import act_now
from benchodds.choose.decision import LEAST, Decision, Remedy, renewed


def price_of_remedy(at: Decision, remedy: Remedy) -> float:
    """Expected cost of a remedy in money: labour, check, part, and a fault overlooked."""
    p = at.p.sum(axis=1)
    overlooked = float(np.where(remedy.cures, 0.0, p) @ at.loss[remedy.rest])
    return at.rate * (remedy.minutes + remedy.proof) + float(p @ remedy.price) + overlooked


def after_check(at: Decision, name: str, outcome: int) -> tuple[float, Decision]:
    """Chance of an outcome, and where the job stands after it."""
    check = at.check(name)
    p = at.p * check.p[:, :, outcome]
    chance = float(p.sum())
    now, good = frozenset({name}), check.signs[outcome] > 0
    once_more = check.gates and not good and name not in at.failed
    spent = at.spent - now if once_more else at.spent | now
    passed = at.passed | now if good else at.passed - now
    failed = at.failed - now if good else at.failed | now
    if check.renews(outcome):
        again = frozenset(c.name for c in at.checks if c.through_gear)
        p, spent, passed, failed = renewed(p), spent - again, passed - again, failed - again
    return chance, replace(
        at,
        p=p / max(chance, LEAST),
        done=at.done | now,
        spent=spent,
        passed=passed,
        failed=failed,
        opened=at.opened | check.setups,
    )


def after_remedy(at: Decision, name: str) -> tuple[float, Decision]:
    """Chance that a remedy does not cure, and where the job stands then."""
    remedy = at.remedy(name)
    left = np.where(remedy.cures[:, None], 0.0, at.p)
    p = np.zeros_like(at.p)
    np.add.at(p, remedy.rest, left)
    chance = float(p.sum())
    return chance, replace(
        at,
        p=p / max(chance, LEAST),
        mended=at.mended | {name},
        spent=at.spent - remedy.reopens,
        passed=at.passed - remedy.reopens,
    )


def value_of_test(at: Decision, name: str) -> float:
    """Expected value of a test's information before its cost, in money (EVSI; Raiffa 1968)."""
    after = 0.0
    for outcome in range(at.check(name).p.shape[2]):
        chance, then = after_check(at, name, outcome)
        if chance > LEAST:
            after += chance * act_now(then)
    return act_now(at) - after
