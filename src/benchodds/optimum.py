"""The exact optimum of a small decision, by dynamic programming over beliefs.

Written apart from the code that chooses at the bench, in plain loops, so that it can judge
it: every test, repair and ending at every belief that can be reached, each test once, each
repair once. The value function is Bellman's (Dynamic Programming, 1957) on the belief of a
partially observed problem (Astrom, Journal of Mathematical Analysis and Applications 10, 1965).
The number of beliefs grows exponentially; five tests of three outcomes are a few seconds.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from benchodds.decision import Decision
from benchodds.errors import ModelError

Belief = tuple[float, ...]
Act = tuple[str, str]
"""Kind ('test', 'repair', 'end') and name."""

Rule = Callable[[Decision], Act]

DIGITS = 12
"""Beliefs that agree to so many digits are one."""

TINY = 1e-12


@dataclass(frozen=True)
class Place:
    """What a position depends on: belief (states by gear), tests done, failed, repairs done."""

    belief: Belief
    spent: frozenset[str]
    done: frozenset[str]
    failed: frozenset[str]
    opened: frozenset[str]
    mended: frozenset[str]


@dataclass
class Optimum:
    """The least expected cost from any place on, and the act that attains it."""

    decision: Decision
    most: int = 2_000_000
    known: dict[Place, tuple[float, Act]] = field(default_factory=dict)

    def start(self) -> Place:
        """Where the decision stands."""
        d = self.decision
        belief = tuple(float(x) for row in d.p for x in row)
        return Place(_rounded(belief), d.spent, d.done, d.failed, d.opened, d.mended)

    def value(self, place: Place | None = None) -> float:
        """Least expected cost, in money."""
        return self.best(place or self.start())[0]

    def best(self, place: Place) -> tuple[float, Act]:
        """Least expected cost and the act that attains it."""
        if place in self.known:
            return self.known[place]
        if len(self.known) >= self.most:
            raise ModelError(f"more than {self.most:,} beliefs: too large for the exact optimum")
        found: tuple[float, Act] | None = None
        for act in self.acts(place):
            cost, branches = self.follow(place, act)
            for chance, then in branches:
                if found is not None and cost >= found[0]:
                    break  # costs are never negative behind a branch of positive chance
                cost += chance * self.best(then)[0]
            if found is None or cost < found[0]:
                found = (cost, act)
        if found is None:
            found = (math.inf, ("end", ""))
        self.known[place] = found
        return found

    def acts(self, place: Place) -> list[Act]:
        """All that can be done at a place; endings first."""
        d = self.decision
        out: list[Act] = [("end", f.name) for f in d.finals]
        weight = self._by_state(place.belief)
        if sum(weight) <= TINY:
            return out
        for remedy in d.remedies:
            wanted = sum(w for w, n in zip(weight, remedy.needed, strict=True) if n)
            waits = [
                group
                for group in remedy.requires
                if not group & place.done and any(c.name in group for c in d.checks)
            ]
            if remedy.name not in place.mended and wanted > TINY and not waits:
                out.append(("repair", remedy.name))
        fine = place.done - place.failed
        for check in d.checks:
            if check.name in place.spent:
                continue
            first = all(any(t in place.done for t in group) for group in check.after)
            if first and all(any(t in fine for t in group) for group in check.passed):
                out.append(("test", check.name))
        return out

    def follow(self, place: Place, act: Act) -> tuple[float, list[tuple[float, Place]]]:
        """Cost of an act now, and where it leads with which chance."""
        d, (kind, name) = self.decision, act
        weight = self._by_state(place.belief)
        n_gear = len(d.gear)
        if kind == "end":
            final = next(f for f in d.finals if f.name == name)
            return sum(w * c for w, c in zip(weight, final.cost, strict=True)), []
        if kind == "repair":
            remedy = next(r for r in d.remedies if r.name == name)
            cost = d.rate * (remedy.minutes + remedy.proof)
            after = [0.0] * len(place.belief)
            for s, w in enumerate(weight):
                cost += w * float(remedy.price[s])
                if not remedy.cures[s]:
                    to = int(remedy.rest[s])
                    cost += w * float(d.loss[to])
                    for g in range(n_gear):
                        after[to * n_gear + g] += place.belief[s * n_gear + g]
            left = sum(after)
            if left <= TINY:
                return cost, []
            belief = _rounded(tuple(x / left for x in after))
            there = Place(
                belief,
                place.spent,
                place.done,
                place.failed,
                place.opened,
                place.mended | {name},
            )
            return cost, [(left, there)]
        check = next(c for c in d.checks if c.name == name)
        minutes = check.minutes
        for setup in check.setups:
            if setup not in place.opened:
                minutes += d.setups[setup]
        cost = d.rate * minutes + sum(w * float(h) for w, h in zip(weight, check.harm, strict=True))
        branches = []
        for o, sign in enumerate(check.signs):
            joint = [
                x * float(check.p[i // n_gear, i % n_gear, o]) for i, x in enumerate(place.belief)
            ]
            chance = sum(joint)
            if chance <= TINY:
                continue
            failed = place.failed | {name} if sign < 0 else place.failed - {name}
            there = Place(
                _rounded(tuple(x / chance for x in joint)),
                place.spent | {name},
                place.done | {name},
                failed,
                place.opened | check.setups,
                place.mended,
            )
            branches.append((chance, there))
        return cost, branches

    def cost_of(self, rule: Rule) -> float:
        """Expected cost of following a rule to the end, by the same loops."""
        memo: dict[Place, float] = {}

        def cost(place: Place, decision: Decision) -> float:
            if place not in memo:
                act = rule(decision)
                total, branches = self.follow(place, act)
                for chance, then in branches:
                    total += chance * cost(then, self._moved(decision, act, then))
                memo[place] = total
            return memo[place]

        return cost(self.start(), self.decision)

    def _moved(self, decision: Decision, act: Act, place: Place) -> Decision:
        from dataclasses import replace

        import numpy as np

        p = np.array(place.belief).reshape(decision.p.shape)
        return replace(
            decision,
            p=p / p.sum(),
            spent=place.spent,
            done=place.done,
            failed=place.failed,
            opened=place.opened,
            mended=place.mended,
        )

    def _by_state(self, belief: Belief) -> list[float]:
        n = len(self.decision.gear)
        return [sum(belief[s * n : s * n + n]) for s in range(len(self.decision.states))]


def _rounded(belief: Belief) -> Belief:
    return tuple(round(x, DIGITS) for x in belief)
