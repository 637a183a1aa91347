"""The exact optimum of a small decision, by dynamic programming over beliefs.

Written apart from the code that chooses at the bench, in plain loops, so that it can judge
it: every test, repair and ending at every belief that may matter, each test once, each repair
once. The value function is Bellman's (Dynamic Programming, 1957) on the belief of a partially
observed problem (Astrom, Journal of Mathematical Analysis and Applications 10, 1965). The
number of beliefs grows exponentially with tests and repairs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from benchodds.choose.acting import waits_for
from benchodds.choose.decision import Check, Decision, Remedy

Belief = tuple[float, ...]
Act = tuple[str, str]
"""Kind ('test', 'repair', 'end') and name."""

Rule = Callable[[Decision], Act]

DIGITS = 12
"""Beliefs that agree to so many digits are one."""

TINY = 1e-12


@dataclass(frozen=True)
class Place:
    """What a position depends on: belief (states by gear), what tests showed, repairs done."""

    belief: Belief
    spent: frozenset[str]
    done: frozenset[str]
    passed: frozenset[str]
    failed: frozenset[str]
    opened: frozenset[str]
    mended: frozenset[str]


Branches = list[tuple[float, Place]]


@dataclass
class Optimum:
    """The least expected cost from any place on, and the act that attains it."""

    decision: Decision
    most: int = 2_000_000
    known: dict[Place, tuple[float, Act]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        d = self.decision
        n_gear = len(d.gear)
        # Everything by belief entry (state by gear), as plain lists.
        self._state = [s for s in range(len(d.states)) for _ in range(n_gear)]
        self._told = [self._cost_told(s, frozenset()) for s in self._state]
        self._harm = {c.name: [float(c.harm[s]) for s in self._state] for c in d.checks}
        self._chance = {
            c.name: [c.p[:, :, o].ravel().tolist() for o in range(len(c.signs))] for c in d.checks
        }
        self._again = {
            c.name
            for c in d.checks
            if not c.proves and any(abs(row - row[0]).max() > TINY for row in c.p)
        }
        self._ends = {f.name: [float(f.cost[s]) for s in self._state] for f in d.finals}
        self._price, self._to = {}, {}
        for r in d.remedies:
            self._price[r.name] = [
                float(r.price[s]) + (0.0 if r.cures[s] else float(d.loss[r.rest[s]]))
                for s in self._state
            ]
            self._to[r.name] = [
                -1 if r.cures[s] else int(r.rest[s]) * n_gear + i % n_gear
                for i, s in enumerate(self._state)
            ]

    def start(self) -> Place:
        """Where the decision stands."""
        d = self.decision
        belief = tuple(float(x) for row in d.p for x in row)
        return Place(_rounded(belief), d.spent, d.done, d.passed, d.failed, d.opened, d.mended)

    def value(self, place: Place | None = None) -> float:
        """Least expected cost, in money."""
        return self.best(place or self.start())[0]

    def best(self, place: Place) -> tuple[float, Act]:
        """Least expected cost and the act that attains it.

        Acts are tried in the order of a lower bound: no way costs less than if the state were
        told. What cannot beat the best found is left (branch and bound; nothing is lost).

        Raises
        ------
        ValueError
            When there are more than ``most`` beliefs.
        """
        if place in self.known:
            return self.known[place]
        if len(self.known) >= self.most:
            raise ValueError(f"more than {self.most:,} beliefs: too large for the exact optimum")
        ways = []
        for number, act in enumerate(self.acts(place)):
            cost, branches = self.follow(place, act)
            floors = [chance * _dot(then.belief, self._told) for chance, then in branches]
            ways.append((cost + sum(floors), number, act, branches, floors))
        found: tuple[float, Act] = (math.inf, ("end", ""))
        for least, _cost, act, branches, floors in sorted(ways, key=lambda w: w[:2]):
            cost = least
            for (chance, then), floor in zip(branches, floors, strict=True):
                if cost >= found[0]:
                    break
                cost += chance * self.best(then)[0] - floor
            if cost < found[0]:
                found = (cost, act)
        self.known[place] = found
        return found

    def acts(self, place: Place) -> list[Act]:
        """All that can be done at a place; endings first."""
        d = self.decision
        out: list[Act] = [("end", f.name) for f in d.finals]
        out += [("repair", r.name) for r in d.remedies if self._can_mend(r, place)]
        out += [("test", c.name) for c in d.checks if self._can_test(c, place)]
        return out

    def _can_mend(self, remedy: Remedy, place: Place) -> bool:
        """Not done yet, wanted by some state, and no test left that must come before it."""
        if remedy.name in place.mended:
            return False
        wanted = (
            x for s, x in zip(self._state, place.belief, strict=True) if bool(remedy.needed[s])
        )
        if sum(wanted) <= TINY:
            return False
        return not remedy.rule.groups or waits_for(self._at(place), remedy) == ()

    def _can_test(self, check: Check, place: Place) -> bool:
        if check.name in place.spent or not all(g & place.done for g in check.rule.first):
            return False
        gate = check.rule.gate
        if gate is None:
            return True
        risk = sum(x for s, x in zip(self._state, place.belief, strict=True) if gate.harmed[s])
        return risk < gate.under and all(
            group & place.passed and not group & place.failed for group in gate.passed
        )

    def follow(self, place: Place, act: Act) -> tuple[float, Branches]:
        """Cost of an act now, and where it leads with which chance."""
        kind, name = act
        if kind == "end":
            return _dot(place.belief, self._ends[name]), []
        return self._mend(place, name) if kind == "repair" else self._test(place, name)

    def _mend(self, place: Place, name: str) -> tuple[float, Branches]:
        d, remedy = self.decision, self.decision.remedy(name)
        cost = d.rate * (remedy.minutes + remedy.proof) + _dot(place.belief, self._price[name])
        after = [0.0] * len(place.belief)
        for x, to in zip(place.belief, self._to[name], strict=True):
            if to >= 0:
                after[to] += x
        left = sum(after)
        if left <= TINY:
            return cost, []
        belief = _rounded(tuple(x / left for x in after))
        there = replace(
            place,
            belief=belief,
            mended=place.mended | {name},
            spent=place.spent - remedy.reopens,
            passed=place.passed - remedy.reopens,
        )
        return cost, [(left, there)]

    def _test(self, place: Place, name: str) -> tuple[float, Branches]:
        d, check = self.decision, self.decision.check(name)
        minutes = check.minutes + sum(d.setups[s] for s in check.setups if s not in place.opened)
        cost = d.rate * minutes + _dot(place.belief, self._harm[name])
        branches = []
        for sign, column in zip(check.signs, self._chance[name], strict=True):
            joint = [x * p for x, p in zip(place.belief, column, strict=True)]
            chance = sum(joint)
            if chance <= TINY:
                continue
            failed, passed, spent = place.failed, place.passed, place.spent | {name}
            if sign > 0:
                failed, passed = failed - {name}, passed | {name}
            else:
                if check.gates and name not in failed:  # once more, with care
                    spent = spent - {name}
                failed, passed = failed | {name}, passed - {name}
            if check.proves and sign < 0:  # the gear is changed, and read through again
                cost += chance * d.rate * check.renew
                n = len(d.gear)
                joint = [sum(joint[i : i + n]) * (i % n == 0) for i in range(len(joint))]
                failed, passed = failed - self._again, passed - self._again
                spent = spent - self._again
            there = Place(
                _rounded(tuple(x / chance for x in joint)),
                spent,
                place.done | {name},
                passed,
                failed,
                place.opened | check.setups,
                place.mended,
            )
            branches.append((chance, there))
        return cost, branches

    def _cost_told(self, state: int, mended: frozenset[str]) -> float:
        """Least cost from a state that is known, whatever tests a remedy must wait for."""
        d = self.decision
        least = min((float(f.cost[state]) for f in d.finals), default=math.inf)
        for r in d.remedies:
            if r.needed[state] and r.name not in mended:
                cost = d.rate * (r.minutes + r.proof) + float(r.price[state])
                if not r.cures[state]:
                    to = int(r.rest[state])
                    cost += float(d.loss[to]) + self._cost_told(to, mended | {r.name})
                least = min(least, cost)
        return least

    def cost_of(self, rule: Rule) -> float:
        """Expected cost of following a rule to the end, by the same loops."""
        memo: dict[Place, float] = {}

        def cost(place: Place) -> float:
            if place not in memo:
                total, branches = self.follow(place, rule(self._at(place)))
                for chance, then in branches:
                    total += chance * cost(then)
                memo[place] = total
            return memo[place]

        return cost(self.start())

    def _at(self, place: Place) -> Decision:
        """The decision as it stands at a place."""
        p = np.array(place.belief).reshape(self.decision.p.shape)
        return replace(
            self.decision,
            p=p / p.sum(),
            spent=place.spent,
            done=place.done,
            passed=place.passed,
            failed=place.failed,
            opened=place.opened,
            mended=place.mended,
        )


def _dot(weights: Belief, values: list[float]) -> float:
    return sum(map(float.__mul__, weights, values))


def _rounded(belief: Belief) -> Belief:
    return tuple(round(x, DIGITS) for x in belief)
