"""A decision laid out for looking ahead: few outcomes per test, beliefs side by side.

Many bins of a voltmeter mean the same to whoever must choose a repair. Outcomes of one sign
are merged, the pair first that tells least apart, until a few are left. What a merged test
loses in information is known (:attr:`Board.lost`). States of negligible weight are left out,
and the weight of all that is left out is known too (:attr:`Board.left_out`).
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.tables import Array, Flags, Index
from benchodds.choose.acting import Acts, Order, order
from benchodds.choose.decision import LEAST, Decision, renewed, repair_classes
from benchodds.choose.information import xlogx
from benchodds.choose.nodes import Nodes, View
from benchodds.choose.rules import Rule
from benchodds.choose.waiting import Waiting

TEMPER = 0.5
"""Power of the belief under which outcomes are merged: what is unlikely now may lead later."""

AT_ONCE = 4_000_000
"""Table entries that are held at once."""


def _told(p: NDArray[np.float32]) -> NDArray[np.float32]:
    """p log2 p, spoiling ``p``."""
    logs = np.log2(np.maximum(p, np.float32(1e-30)))
    return np.multiply(p, logs, out=p)


def bits_error(left_out: float, n_outcomes: int) -> float:
    """Most bits that a test can tell beyond what it tells on the states looked at.

    With weight e left out, (1 - e) I <= I(all) <= (1 - e) I + e log2(outcomes) + h(e): what is
    left out tells at most log2(outcomes), and whether the machine is in it at most h(e).
    """
    e = min(max(left_out, 0.0), 1.0)
    inside = -float(xlogx(np.array([e, 1 - e])).sum())
    return e * float(np.log2(n_outcomes)) + inside


def merged(joint: Array, signs: Sequence[int], most: int) -> list[list[int]]:
    """Outcomes in at most ``most`` groups (more where there are more signs), least lost first.

    ``joint`` (n_rows, n_outcomes) is P(row, outcome). Two groups of one sign cost, when merged,
    the information h(a) + h(b) - h(a + b), h(x) = sum x log x - (sum x) log (sum x).
    """
    n = joint.shape[1]
    groups = {i: [i] for i in range(n)}
    columns, sign = joint.copy(), np.array(signs)

    def told(x: Array) -> Array:
        return np.asarray(xlogx(x).sum(axis=0) - xlogx(x.sum(axis=0)))

    each = told(columns)
    left, right = np.triu_indices(n, 1)
    loss = np.full((n, n), np.inf)
    both = told(columns[:, left] + columns[:, right]) if n > most else np.inf
    loss[left, right] = np.where(sign[left] == sign[right], each[left] + each[right] - both, np.inf)
    while len(groups) > most:
        a, b = divmod(int(loss.argmin()), n)
        if not np.isfinite(loss[a, b]):
            break
        groups[a] += groups.pop(b)
        columns[:, a] += columns[:, b]
        loss[b], loss[:, b] = np.inf, np.inf
        each[a] = told(columns[:, [a]])[0]
        mates = [i for i in groups if i != a and sign[i] == sign[a]]
        again = each[mates] + each[a] - told(columns[:, mates] + columns[:, [a]])
        for i, lost in zip(mates, again.tolist(), strict=True):
            loss[min(a, i), max(a, i)] = lost
    return list(groups.values())


class Board:
    """A decision as arrays, with tests of few outcomes.

    Parameters
    ----------
    most
        Outcomes per test after merging.
    share
        Weight of the states that are kept, the likeliest first.
    """

    def __init__(self, decision: Decision, most: int = 4, share: float = 0.9995) -> None:
        self.decision = decision = _fewer_states(decision, share)
        self.left_out = 1.0 - float(decision.p.sum()) * (1.0 - decision.missing)
        p = decision.p / decision.p.sum()
        self.rate = decision.rate
        classes = repair_classes(decision)
        self.n_classes = int(classes.max()) + 1
        self.members = [np.flatnonzero(classes == k) for k in range(self.n_classes)]
        self.names = tuple(c.name for c in decision.checks)
        self.acts = Acts.of(decision)
        self.ideal_minutes, self.ideal_money = self.acts.ideal()
        tables, self.signs, self.lost = [], [], {}
        for check in decision.checks:
            groups, lost = self._groups(check.p, p, check.signs, most)
            tables.append(np.stack([check.p[:, :, g].sum(axis=2) for g in groups], axis=2))
            self.signs.append([check.signs[g[0]] for g in groups])
            self.lost[check.name] = lost
        sizes = [t.shape[2] for t in tables]
        self.starts = np.concatenate([[0], np.cumsum(sizes)]).astype(np.intp)
        self.table = (
            np.concatenate(tables, axis=2) if tables else np.zeros((*p.shape, 0))
        )  # states, gear, columns
        self._rows = [
            np.array(
                self.table[m].reshape(len(m) * p.shape[1], self.table.shape[2]),
                dtype=np.float32,
                order="C",
            )
            for m in self.members
        ]
        self.harm = np.array([c.harm for c in decision.checks]).reshape(-1, p.shape[0])
        self.proves = np.array([bool(c.proves) for c in decision.checks], dtype=bool)
        self.renew = np.array([c.renew for c in decision.checks])
        self.again = np.array([c.through_gear for c in decision.checks], dtype=bool)
        self.gates = np.array([c.gates for c in decision.checks], dtype=bool)
        self.reopens = np.array([self._flags(r.reopens) for r in decision.remedies]).reshape(
            len(decision.remedies), len(self.names)
        )
        self.n_remedies = len(decision.remedies)
        self.act_at = np.array([r.act_at for r in decision.remedies], dtype=float)
        self.labour = decision.labour
        self.waiting = Waiting(decision)
        self.root = Nodes(
            p[None],
            np.ones(1),
            np.zeros(1, dtype=np.intp),
            self._flags(decision.done)[None],
            self._flags(decision.spent)[None],
            self._flags(decision.passed)[None],
            self._flags(decision.failed)[None],
            self.labour.flags(decision.opened)[None],
            np.array([[r.name in decision.mended for r in decision.remedies]], dtype=bool),
        )

    def _flags(self, names: frozenset[str]) -> Flags:
        return np.array([n in names for n in self.names], dtype=bool)

    def _groups(
        self, p: Array, belief: Array, signs: Sequence[int], most: int
    ) -> tuple[list[list[int]], float]:
        """Groups of outcomes, and the information now that merging loses, in bits."""
        tempered = belief**TEMPER

        def rows(weight: Array) -> Array:
            joint = (weight[:, :, None] * p)[np.concatenate(self.members)]
            starts = np.cumsum([0, *(len(m) for m in self.members[:-1])])
            return np.asarray(np.add.reduceat(joint, starts, axis=0)).reshape(-1, p.shape[2])

        groups = merged(rows(tempered / tempered.sum()), signs, most)
        fine = rows(belief)
        few = np.stack([fine[:, g].sum(axis=1) for g in groups], axis=1)
        told = [xlogx(x).sum() - xlogx(x.sum(axis=0)).sum() for x in (fine, few)]
        return groups, max(0.0, float(told[0] - told[1]))

    def with_price(self, remedy: int, price: Array) -> Board:
        """The same board with another price by state, (n_states,), of one remedy."""
        prices = self.acts.price.copy()
        prices[remedy] = price
        other = copy.copy(self)
        other.acts = replace(self.acts, price=prices)
        other.ideal_minutes, other.ideal_money = other.acts.ideal()
        return other

    def columns(self, test: int) -> tuple[int, int]:
        """First and last but one of the columns of a test's outcomes in the table."""
        return int(self.starts[test]), int(self.starts[test + 1])

    def view(self, nodes: Nodes) -> View:
        """What can be done at some places."""
        size = max(1, AT_ONCE // max(1, self.table.shape[2]))
        if len(nodes) > size:
            parts = [
                self.view(nodes.take(np.arange(i, min(i + size, len(nodes)))))
                for i in range(0, len(nodes), size)
            ]
            return View(
                *(np.concatenate([getattr(v, f) for v in parts]) for f in View.__annotations__)
            )
        p = nodes.p.sum(axis=2)
        minutes, money = self._costs(nodes, p)
        found, waits = self.acting(nodes, np.isfinite(minutes))
        info, entropy = self._information(nodes.p)
        return View(
            info,
            minutes,
            money,
            entropy,
            waits,
            found.first,
            found.minutes,
            found.money,
            p @ self.ideal_minutes,
            p @ self.ideal_money,
        )

    def acting(self, nodes: Nodes, can: Flags | None = None) -> tuple[Order, Index]:
        """Acting at some places without another test, and the test that each remedy waits for.

        ``can`` says which tests may be done (n, n_tests), where that is known.
        """
        p = nodes.p.sum(axis=2)
        may = self.waiting.tests(nodes, p) if can is None else can
        before, waits = self.waiting.remedies(nodes, p, may)
        return order(self.acts, p, nodes.mended, before), waits

    def value(self, test: int) -> float:
        """Expected value of a test's information now, before its cost, in money (Raiffa 1968)."""
        after = self.test(self.root, np.array([test]))
        now, then = self.acting(self.root)[0], self.acting(after)[0]
        left = self.rate * then.minutes + then.money
        return float(self.rate * now.minutes[0] + now.money[0] - after.mass @ left)

    def _information(self, p: Array) -> tuple[Array, Array]:
        """I(remedies wanted; outcome) of every test in bits, and the entropy of the former.

        In single precision: to some millionths of a bit.
        """
        n = len(p)
        beliefs = p.astype(np.float32)
        inner = np.zeros((n, self.table.shape[2]), dtype=np.float32)
        total = np.zeros_like(inner)
        entropy = np.zeros(n)
        for members, rows in zip(self.members, self._rows, strict=True):
            joint = beliefs[:, members].reshape(n, -1) @ rows
            total += joint
            inner += _told(joint)
            entropy -= xlogx(p[:, members].sum(axis=(1, 2)))
        inner -= _told(total)
        if not inner.shape[1]:
            return np.zeros((n, 0)), entropy
        info = np.add.reduceat(inner, self.starts[:-1], axis=1) + entropy[:, None]
        return np.maximum(info, 0.0), entropy

    def _costs(self, nodes: Nodes, p: Array) -> tuple[Array, Array]:
        """Minutes and money of every test; infinite minutes where it cannot be done."""
        minutes = self.labour.single(nodes.opened)
        for t in np.flatnonzero(self.proves).tolist():  # gear that fails its proof is changed
            fails = [
                c
                for c, sign in zip(range(*self.columns(t)), self.signs[t], strict=True)
                if sign < 0
            ]
            chance = np.einsum("nsg,sgc->n", nodes.p, self.table[:, :, fails])
            minutes[:, t] += chance * self.renew[t]
        return np.where(self.waiting.tests(nodes, p), minutes, np.inf), p @ self.harm.T

    def test(self, nodes: Nodes, tests: Index) -> Nodes:
        """Do a test at each place: the places after each outcome."""
        parts: list[Nodes] = []
        for t in np.unique(tests).tolist():
            here = nodes.take(np.flatnonzero(tests == t))
            done = here.done.copy()
            done[:, t] = True
            opened = here.opened | self.labour.needs[t]
            for column, sign in zip(range(*self.columns(t)), self.signs[t], strict=True):
                joint = here.p * self.table[:, :, column]
                chance = joint.sum(axis=(1, 2))
                on = chance > LEAST
                spent, passed, failed = (f.copy() for f in (here.spent, here.passed, here.failed))
                passed[:, t], failed[:, t] = sign > 0, sign <= 0
                spent[:, t] = sign > 0 or here.failed[:, t] | ~self.gates[t]
                if self.proves[t] and sign < 0:
                    joint = renewed(joint)
                    for flags in (spent, passed, failed):
                        flags[:, self.again] = False
                parts.append(
                    Nodes(
                        joint[on] / chance[on, None, None],
                        here.mass[on] * chance[on],
                        here.root[on],
                        done[on],
                        spent[on],
                        passed[on],
                        failed[on],
                        opened[on],
                        here.mended[on],
                    )
                )
        return Nodes.join(parts)

    def mend(self, nodes: Nodes, remedies: Index) -> tuple[Nodes, Array, Array]:
        """Do a remedy at each place: places where it did not cure, and its cost.

        The cost is in minutes and in money, for every place.
        """
        p = nodes.p.sum(axis=2)
        minutes = self.acts.minutes[remedies]
        money = (p * self.acts.price[remedies]).sum(axis=1)
        left = np.zeros_like(nodes.p)
        for r in np.unique(remedies):
            rows = np.flatnonzero(remedies == r)
            left[rows] = self.acts.left(int(r), nodes.p[rows])
        chance = left.sum(axis=(1, 2))
        money = money + left.sum(axis=2) @ self.acts.loss
        on = np.flatnonzero(chance > LEAST)
        mended = nodes.mended[on].copy()
        mended[np.arange(len(on)), remedies[on]] = True
        kept = ~self.reopens[remedies[on]]
        after = replace(
            nodes.take(on),
            p=left[on] / chance[on, None, None],
            mass=nodes.mass[on] * chance[on],
            spent=nodes.spent[on] & kept,
            passed=nodes.passed[on] & kept,
            mended=mended,
        )
        return after, minutes, money


def _fewer_states(decision: Decision, share: float) -> Decision:
    """The decision without states of negligible weight (and what remedies leave stays in)."""
    p = decision.p.sum(axis=1)
    ranked = np.argsort(-p, kind="stable")
    enough = int(np.searchsorted(np.cumsum(p[ranked]), share * p.sum())) + 1
    keep: set[int] = set()
    todo = set(ranked[:enough].tolist())
    while todo:
        keep |= todo
        todo = {int(r.rest[s]) for r in decision.remedies for s in todo} - keep
    rows = np.array(sorted(keep), dtype=np.intp)
    if len(rows) == len(p):
        return decision
    place = np.full(len(p), -1, dtype=np.intp)
    place[rows] = np.arange(len(rows))

    def fewer(rule: Rule) -> Rule:
        return rule.kept(rows, p / p.sum())

    return replace(
        decision,
        states=tuple(decision.states[s] for s in rows),
        p=decision.p[rows],
        checks=tuple(
            replace(c, p=c.p[rows], harm=c.harm[rows], rule=fewer(c.rule)) for c in decision.checks
        ),
        remedies=tuple(
            replace(
                r,
                price=r.price[rows],
                needed=r.needed[rows],
                cures=r.cures[rows],
                rest=place[r.rest[rows]],
                rule=fewer(r.rule),
            )
            for r in decision.remedies
        ),
        finals=tuple(replace(f, cost=f.cost[rows]) for f in decision.finals),
        loss=decision.loss[rows],
        missed=decision.missed[rows],
    )
