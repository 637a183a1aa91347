"""What acting costs: remedies one after another, an ending, and what knowing would save.

Remedies are taken in the order of chance of cure over cost, each followed by its check, until
the machine is mended or ending the job is cheaper. That order is optimal for one fault,
independent costs and perfect checks (Kadane and Simon 1977; Heckerman, Breese and Rommelse,
Communications of the ACM 38, 1995); with shared faults it is a good guess, and what follows
from it an upper bound. Minutes and money are kept apart: ``cost = rate * minutes + money``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from benchodds.basics.tables import Array, Flags, Index
from benchodds.choose.decision import LEAST, Decision, Remedy
from benchodds.choose.rules import by_odds, chain

PARTLY = 0.5
"""Worth of a remedy that is needed but does not cure alone, beside one that cures."""

LIVE = 1e-3
"""Share of the machines still unmended below which an order of remedies is not continued."""


@dataclass(frozen=True, eq=False)
class Acts:
    """Remedies and endings of a decision as arrays; the rows of each belong together."""

    minutes: Array  # (n_remedies,) with the check after it
    price: Array  # (n_remedies, n_states)
    needed: Array
    cures: Array
    rest: Index
    finals: Array  # (n_finals, n_states)
    loss: Array
    rate: float

    @staticmethod
    def of(decision: Decision) -> Acts:
        """The arrays of a decision."""
        n = len(decision.states)
        shape = (len(decision.remedies), n)

        def rows(values: Sequence[Array | Flags | Index], kind: type) -> Array:
            return np.asarray(values, dtype=kind).reshape(shape)

        return Acts(
            np.array([r.minutes + r.proof for r in decision.remedies], dtype=float),
            rows([r.price for r in decision.remedies], float),
            rows([r.needed for r in decision.remedies], float),
            rows([r.cures for r in decision.remedies], float),
            rows([r.rest for r in decision.remedies], int).astype(np.intp),
            np.array([f.cost for f in decision.finals], dtype=float).reshape(-1, n),
            decision.loss,
            decision.rate,
        )

    @cached_property
    def _told(self) -> Array:
        """Cures, needs and prices side by side, for one product, (n_states, 3 n_remedies)."""
        return np.ascontiguousarray(np.concatenate([self.cures, self.needed, self.price]).T)

    @cached_property
    def _moves(self) -> list[list[tuple[int, int]]]:
        """By remedy the states that it changes without curing, and what becomes of them."""
        out = []
        for rest, cures in zip(self.rest, self.cures, strict=True):
            moved = np.flatnonzero((rest != np.arange(len(rest))) & (cures == 0))
            out.append([(int(s), int(rest[s])) for s in moved])
        return out

    def left(self, remedy: int, weight: Array) -> Array:
        """What a remedy leaves uncured of some beliefs, shape (n_beliefs, n_states, ...)."""
        keep = (self.rest[remedy] == np.arange(self.rest.shape[1])) & (self.cures[remedy] == 0)
        out = weight * keep.reshape(-1, *[1] * (weight.ndim - 2))
        for source, target in self._moves[remedy]:
            out[:, target] += weight[:, source]
        return np.asarray(out)

    def worth(self, weight: Array) -> tuple[Array, Array, Array]:
        """Chance to cure, chance to be needed and price of every remedy, each by belief."""
        n = len(self.minutes)
        told = weight @ self._told
        return told[:, :n], told[:, n : 2 * n], told[:, 2 * n :]

    def ideal(self) -> tuple[Array, Array]:
        """Minutes and money of the cheapest cure, or ending, of each state if it were known."""
        n_remedies, n = self.price.shape
        minutes = np.zeros(n)
        money = self.finals.min(axis=0) if len(self.finals) else np.full(n, np.inf)
        for _ in range(3):  # states of one fault first, then what leads there
            for r in range(n_remedies):
                go = self.needed[r] > 0
                done, to = self.cures[r] > 0, self.rest[r]
                mins = self.minutes[r] + np.where(done, 0.0, minutes[to])
                cash = self.price[r] + np.where(done, 0.0, money[to] + self.loss[to])
                better = go & (self.rate * mins + cash < self.rate * minutes + money - LEAST)
                minutes, money = np.where(better, mins, minutes), np.where(better, cash, money)
        return minutes, money


@dataclass(frozen=True, eq=False)
class Order:
    """Cost of acting without another test, for each of some beliefs.

    ``first`` is the remedy done first, or ``-1 - k`` for ending number k; ``minutes`` and
    ``money`` (n_beliefs,) are expected.
    """

    first: Index
    minutes: Array
    money: Array


def order(acts: Acts, p: Array, mended: Flags, before: Array | None = None) -> Order:
    """Act on beliefs ``p`` (n_beliefs, n_states), each summing to 1, without another test.

    ``mended`` (n_beliefs, n_remedies) are remedies done already; ``before`` (same shape) are
    minutes of tests that a remedy must wait for, infinite where it cannot be done.
    """
    n, n_remedies = mended.shape
    waits = np.zeros(mended.shape) if before is None else before
    can = ~mended & np.isfinite(waits)
    wait = np.where(can, waits, 0.0)
    rows, weight, live = np.arange(n), p, np.ones(n)
    minutes, money = np.zeros(n), np.zeros(n)
    ends = _ends(acts, weight, live)
    first = -1 - ends.argmin(axis=1)
    best_minutes, best_money = np.zeros(n), ends.min(axis=1)
    start = np.zeros(n, dtype=np.intp)
    for step in range(n_remedies):
        cures, needed, part = acts.worth(weight)
        time = live[:, None] * (acts.minutes + wait[rows])
        worth = cures + PARTLY * (needed - cures)
        score = np.where(
            can[rows] & (needed > LEAST), worth / (acts.rate * time + part + LEAST), -1.0
        )
        pick = score.argmax(axis=1)
        at = np.arange(len(rows))
        go = (score[at, pick] > 0) & (live > LIVE)
        if not go.any():
            break
        at, pick, rows = at[go], pick[go], rows[go]
        minutes[rows] += time[at, pick]
        money[rows] += part[at, pick]
        can[rows, pick] = False
        left = np.empty((len(at), weight.shape[1]))
        for r in np.unique(pick):
            mine = pick == r
            left[mine] = acts.left(int(r), weight[at[mine]])
        weight, live = left, left.sum(axis=1)
        money[rows] += weight @ acts.loss
        if step == 0:
            start[rows] = pick
        end = _ends(acts, weight, live).min(axis=1)
        total = acts.rate * minutes[rows] + money[rows] + end
        better = total < acts.rate * best_minutes[rows] + best_money[rows] - LEAST
        won = rows[better]
        first[won], best_minutes[won] = start[won], minutes[won]
        best_money[won] = money[won] + end[better]
    return Order(first, best_minutes, best_money)


def _ends(acts: Acts, weight: Array, live: Array) -> Array:
    """Cost of every ending; without any, an unmended machine is infinitely dear."""
    if len(acts.finals):
        return np.asarray(weight @ acts.finals.T)
    return np.where(live > LIVE, np.inf, 0.0)[:, None]


@dataclass(frozen=True)
class Worth:
    """What acting now costs, what it would cost if the state were known, and the difference."""

    now: float
    known: float

    @property
    def perfect(self) -> float:
        """Expected value of perfect information: no test, or number of them, is worth more."""
        return self.now - self.known


def worth(decision: Decision) -> Worth:
    """Cost of acting now and with perfect information, in money (Raiffa 1968: EVPI)."""
    acts = Acts.of(decision)
    p = decision.p.sum(axis=1)
    now = act_now(decision)
    minutes, money = acts.ideal()
    return Worth(now, float(p @ (acts.rate * minutes + money)))


def act_now(decision: Decision) -> float:
    """Expected cost, in money, of acting at once and never testing again."""
    acts = Acts.of(decision)
    mended = np.array([[r.name in decision.mended for r in decision.remedies]], dtype=bool)
    before = np.array([[minutes_before(decision, r) for r in decision.remedies]], dtype=float)
    shape = (1, len(decision.remedies))
    found = order(acts, decision.p.sum(axis=1)[None], mended.reshape(shape), before.reshape(shape))
    return float(acts.rate * found.minutes[0] + found.money[0])


def chain_of(decision: Decision, remedy: Remedy) -> tuple[str, ...] | None:
    """The tests that a remedy must wait for, in order, whatever the odds; None: never here."""
    rules = {c.name: c.rule for c in decision.checks}
    return chain(rules, remedy.rule, decision.seen, decision.spent)


def waits_for(decision: Decision, remedy: Remedy) -> tuple[str, ...] | None:
    """The tests that a remedy must wait for, in order; None when it may not be done now.

    What cannot be had here (refused, impossible, behind a gate that cannot open) is not waited
    for, but where a gate of the remedy itself asks for it.
    """
    names = chain_of(decision, remedy)
    if names is None:
        return None
    if names:
        begins = decision.is_open(decision.check(names[0]))
    else:
        begins = bool(by_odds(remedy.rule, decision.p.sum(axis=1)))
    return names if begins else None


def minutes_before(decision: Decision, remedy: Remedy) -> float:
    """Minutes of the tests that a remedy must wait for; infinite when it may not be done now."""
    names = waits_for(decision, remedy)
    return np.inf if names is None else decision.labour.minutes(names, decision.opened)
