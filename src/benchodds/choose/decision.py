"""The decision at the bench as plain numbers: states, checks, remedies, and what they cost.

A belief is over whole machine states, each beside the state of the gear that is worth proving
(the adapter). Given both, readings are taken to be independent of each other: exact for the
next reading, since its chances come from the whole network with all evidence in it, and an
approximation for the ones after it as far as readings share more than that (the operator's
speed, the strength of one winding). Everything that chooses works on this one description:
:mod:`lookahead`, the policies and, written apart from them, the oracle ``tests/optimum.py``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np

from benchodds.basics.tables import Array, Flags, Index, State
from benchodds.choose.labour import Labour
from benchodds.choose.rules import NONE, WAIVED, Rule, Seen, allowed

LEAST = 1e-12
"""Chance below which a branch is not followed."""

TEST, REPAIR, END, CHANGE = "test", "repair", "end", "change-gear"


class Step(NamedTuple):
    """One thing that can be done: kind (a test, a repair, an ending, gear changed) and name."""

    kind: str
    name: str


@dataclass(frozen=True, eq=False)
class Check:
    """A test as the planner sees it.

    ``p`` (n_states, n_gear, n_outcomes) is P(outcome | state, gear), rows sum to 1; ``signs``
    says for each outcome whether a bare comparison passes (+1) or fails (-1) it. ``minutes``
    are its own, ``setups`` all that must be open. ``harm`` (n_states,) is money lost on the
    average by doing it. ``rule`` says what must come before it; where steps wait for its pass
    (``gates``), it may be done once more after it has failed.

    A test that ``proves`` gear and fails has it changed, which takes ``renew`` minutes: the
    gear is sound from then on, and what was read through it may be read again.
    """

    name: str
    minutes: float
    setups: frozenset[str]
    p: Array
    signs: tuple[int, ...]
    harm: Array
    rule: Rule = NONE
    gates: bool = False
    proves: str = ""
    renew: float = 0.0

    def renews(self, outcome: int) -> bool:
        """Whether gear is changed after an outcome."""
        return bool(self.proves) and self.signs[outcome] < 0

    @property
    def through_gear(self) -> bool:
        """Whether its outcome depends on the gear that can be proved."""
        return not self.proves and bool(np.ptp(self.p, axis=1).max(initial=0.0) > LEAST)


@dataclass(frozen=True, eq=False)
class Remedy:
    """A repair as the planner sees it.

    ``minutes`` of work and ``proof`` minutes of the check after it. ``price`` (n_states,) is
    what the part costs where the machine is in each state (less where it goes back), waiting
    included. ``needed`` and ``cures`` (n_states,) say where it is wanted and where it leaves
    no fault; ``rest`` (n_states,) is the state that it leaves. ``rule`` says what must come
    before it; what ``reopens`` names must pass again after it. From a chance ``act_at`` of being
    wanted it is ripe: the usual way at the bench is to do it then. Below ``sure`` it is held back
    while a test may pay.
    """

    name: str
    minutes: float
    proof: float
    price: Array
    needed: Flags
    cures: Flags
    rest: Index
    rule: Rule = WAIVED
    reopens: frozenset[str] = frozenset()
    act_at: float = 1.0
    sure: float = 0.0

    def p_needed(self, p: Array) -> float:
        """Chance that it is wanted, where P(state) is ``p`` (n_states,)."""
        return float(p[self.needed].sum())


@dataclass(frozen=True, eq=False)
class Final:
    """An act that ends the job, with its cost in money by machine state, shape (n_states,)."""

    name: str
    cost: Array


@dataclass(frozen=True, eq=False)
class Decision:
    """Where a job stands, and all that can be done next.

    ``p`` (n_states, n_gear) sums to 1; the first of ``gear`` is sound gear. ``setups`` maps a
    set-up to its minutes, opening and closing together. ``loss`` (n_states,) is the money that
    a machine costs on the average when a repair has left it in that state and the check after
    it may miss that, which has the chance ``missed`` (n_states,). ``missing`` is the weight of
    machines that are in none of the states. ``done`` are tests done at any time, ``spent``
    those that are not offered again, ``passed`` and ``failed`` those whose last reading was or
    was not a pass, ``mended`` the repairs done in vain, ``reads`` how often a test was read on the
    machine as it is. ``suspect`` maps tests to the gear that they prove and that is likelier bad
    than tolerated, ``unfit`` is gear whose proof was read since it was last changed. After a repair
    ``cured`` is the chance that the complaint is gone, ``asked`` are tests of which one must still
    pass, and from a chance ``sure`` the machine goes out.
    """

    states: tuple[State, ...]
    gear: tuple[str, ...]
    p: Array
    checks: tuple[Check, ...]
    remedies: tuple[Remedy, ...]
    finals: tuple[Final, ...]
    setups: Mapping[str, float]
    rate: float
    loss: Array
    missed: Array
    missing: float = 0.0
    done: frozenset[str] = frozenset()
    spent: frozenset[str] = frozenset()
    passed: frozenset[str] = frozenset()
    failed: frozenset[str] = frozenset()
    opened: frozenset[str] = frozenset()
    mended: frozenset[str] = frozenset()
    reads: Mapping[str, int] = field(default_factory=dict)
    suspect: Mapping[str, str] = field(default_factory=dict)
    unfit: frozenset[str] = frozenset()
    cured: float = 0.0
    asked: frozenset[str] = frozenset()
    sure: float = 1.0

    @property
    def faultless(self) -> Array:
        """1 for states without a fault, else 0, shape (n_states,)."""
        return np.array([0.0 if state else 1.0 for state in self.states])

    @cached_property
    def labour(self) -> Labour:
        """The minutes of its checks."""
        own = {c.name: c.minutes for c in self.checks}
        return Labour(own, {c.name: c.setups for c in self.checks}, self.setups)

    def check(self, name: str) -> Check:
        """The check of that name."""
        return next(c for c in self.checks if c.name == name)

    def remedy(self, name: str) -> Remedy:
        """The remedy of that name."""
        return next(r for r in self.remedies if r.name == name)

    @property
    def seen(self) -> Seen:
        """The marks of all tests."""
        return Seen.of(self.done, self.passed, self.failed)

    def is_open(self, check: Check) -> bool:
        """Whether a check can be done now: not spent, and allowed."""
        if check.name in self.spent:
            return False
        return bool(allowed(check.rule, self.seen, self.p.sum(axis=1)))

    def is_new(self, check: Check) -> bool:
        """Whether a check can be done now and is unread, or failed where steps wait for it."""
        again = check.gates and check.name in self.failed
        return (again or not self.reads.get(check.name)) and self.is_open(check)

    def minutes_of(self, check: Check) -> float:
        """Own minutes of a check and those of the set-ups that it still needs."""
        return self.labour.minutes([check.name], self.opened)

    def cost_of(self, check: Check) -> float:
        """Expected cost of a check in money: labour, harm to a donor part, gear changed."""
        changed = sum(
            float((self.p * check.p[:, :, o]).sum())
            for o in range(len(check.signs))
            if check.renews(o)
        )
        minutes = self.minutes_of(check) + changed * check.renew
        return self.rate * minutes + float(self.p.sum(axis=1) @ check.harm)


def renewed(p: Array) -> Array:
    """Beliefs (..., n_states, n_gear) when the gear has been changed: the first gear state."""
    out = np.zeros_like(p)
    out[..., 0] = p.sum(axis=-1)
    return out


def repair_classes(decision: Decision) -> Index:
    """For each state a number: states that want the same remedies share it.

    States that no remedy serves stay apart from those that want none only if they have faults.
    """
    wanted = np.array([r.needed for r in decision.remedies], dtype=bool).reshape(
        len(decision.remedies), len(decision.states)
    )
    ends = np.array([f.cost for f in decision.finals]).reshape(-1, len(decision.states))
    marks = np.concatenate([wanted.astype(float), ends])
    return np.unique(marks, axis=1, return_inverse=True)[1].reshape(-1).astype(np.intp)
