"""Tables of whole machine states, and their products.

The states of a machine that are looked at stand side by side on one axis, ``machine``. Two
things keep that axis short, and neither approximates. Variables that a machine state all but
settles (a sound stop line takes nothing away) join it: a state is split into rows, one for
each way that they can stand. And a table that depends on little keeps one row per class of
rows that it tells apart.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.errors import EvidenceError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, State, Table
from benchodds.infer.contraction import combine, contract, gather

MACHINE = "machine"

USUAL = (1e-30, 1e30)
"""A table whose largest entry is outside is divided by it, and the log kept."""

ROWS_PER_STATE = 4
"""Most rows per state, on average, that settled variables may make."""

MULTIPLY = 0.01
"""Time of a multiplication, against that of storing an entry."""

ALIKE = 4
"""Most tables of one scope that are left to be multiplied pair by pair."""

LARGE = 300_000
"""Entries of a table, written out for every row of a product, from which that is avoided."""

KEPT = 1_000_000
"""Entries of a product from which it is not kept for the next time: memory is dearer."""

MOST_MADE = 2_000_000
"""Entries of a product of several states from which :class:`WideError` is raised instead."""

MOST_WORK = 60_000_000
"""Multiplications of such a product from which it is raised too."""

MOST_KEPT = 8_000_000
"""Entries of all messages of several states from which :class:`WideError` is raised, and of all
other products that are kept for the next time."""

Index = NDArray[np.intp]


class WideError(Exception):
    """A product of these variables for so many states at once is too large."""

    def __init__(self, names: frozenset[str]) -> None:
        super().__init__(", ".join(sorted(names)))
        self.names = names


@dataclass(frozen=True, eq=False)
class Folded:
    """A table times ``exp(log_scale)``, with one row per class of rows that ``roots`` tell apart.

    Its scope is ``names``, any order, and ``machine`` among them when there are ``roots``.
    """

    roots: frozenset[str]
    names: frozenset[str]
    table: Table
    log_scale: float = 0.0

    @staticmethod
    def of(roots: frozenset[str], table: Table, log_scale: float = 0.0) -> Folded:
        """A table, divided by its largest entry where that is very small or large.

        Raises
        ------
        EvidenceError
            When the table is zero throughout or not finite.
        """
        names = frozenset(v for v in table.scope if v != MACHINE)
        top = float(table.p.max()) if table.p.size else 0.0
        if USUAL[0] < top < USUAL[1]:
            return Folded(roots, names, table, log_scale)
        if not 0.0 < top < math.inf:
            raise EvidenceError(_("the evidence has probability zero under this model"))
        return Folded(roots, names, Table(table.scope, table.p / top), log_scale + math.log(top))

    @property
    def axis(self) -> int:
        """The axis of the rows."""
        return self.table.scope.index(MACHINE)


NOTHING = Folded(frozenset(), frozenset(), Table((), np.ones(())))


@dataclass(frozen=True)
class _Classes:
    """Rows sorted by how some variables stand: the class of each, the first of each class."""

    row: Index
    first: Index

    @property
    def n(self) -> int:
        """Number of classes."""
        return len(self.first)


def modes_of(network: Network, states: Sequence[State]) -> dict[str, Index]:
    """The mode of each component in each of some states, (n_states,) by number."""
    number = {
        v: {m: i for i, m in enumerate(network.variables[v].states)} for v in network.in_modes
    }
    index = {v: np.zeros(len(states), dtype=np.intp) for v in number}
    for i, state in enumerate(states):
        for v, mode in state:
            index[v][i] = number[v][mode]
    return index


class Rows:
    """Machine states split by settled variables, and the algebra of tables folded on them.

    ``index`` holds, for every component and settled variable, its state in each row; ``state``
    the machine state of each row, ``first`` the first row of each, and ``chance`` P(row | state).
    """

    def __init__(self, network: Network, states: Sequence[State]) -> None:
        self.state: Index = np.arange(len(states))
        self.chance: Array = np.ones(len(states))
        self.index = modes_of(network, states)
        self._settle(network, ROWS_PER_STATE * len(states))
        self.first = np.searchsorted(self.state, np.arange(len(states)))
        self._classes: dict[frozenset[str], _Classes] = {}
        self._pairs: dict[tuple[int, int, frozenset[str]], tuple[Folded, Folded, Folded]] = {}
        self._said = self._paired = 0

    def _settle(self, network: Network, most: int) -> None:
        """Fold variables in that have components or folded ones as parents, cheapest first.

        Only those are worth it that several tables share, and what stands above these.
        """
        tables = network.tables
        uses = Counter(v for t in (*tables.values(), *network.findings.values()) for v in t.scope)
        worth = network.ancestors(v for v, n in uses.items() if n > 2) - self.index.keys()
        while True:
            ready = {}
            for v in worth:
                parents = tables[v].scope[1:]
                if parents and all(u in self.index for u in parents):
                    rows = tuple(self.index[u] for u in parents)
                    ready[v] = np.moveaxis(tables[v].p, 0, -1)[rows]
            size, v = min(((np.count_nonzero(p), v) for v, p in ready.items()), default=(0, ""))
            if not v or size > most:
                return
            row, value = np.nonzero(ready[v])
            self.index = {u: i[row] for u, i in self.index.items()} | {v: value}
            self.state = self.state[row]
            self.chance = self.chance[row] * ready[v][row, value]
            worth.remove(v)

    def classes(self, roots: frozenset[str]) -> _Classes:
        """The classes of rows that these variables tell apart."""
        if roots not in self._classes:
            code, span = np.zeros(len(self.state), dtype=np.int64), 1
            for v in sorted(roots):
                n = int(self.index[v].max()) + 1
                if span * n >= 2**62:  # number anew what is told apart so far
                    code, span = np.unique(code, return_inverse=True)[1], len(code)
                code, span = code * n + self.index[v], span * n
            _, first, row = np.unique(code, return_index=True, return_inverse=True)
            self._classes[roots] = _Classes(row, first)
        return self._classes[roots]

    def fold(self, table: Table) -> Folded:
        """A table with the axes of folded variables replaced by one axis of classes, put first."""
        mine = [v for v in table.scope if v in self.index]
        roots = frozenset(mine)
        if mine:
            others = [v for v in table.scope if v not in roots]
            first = self.classes(roots).first
            p = table.p.transpose([table.scope.index(v) for v in (*mine, *others)])
            table = Table((MACHINE, *others), p[tuple(self.index[v][first] for v in mine)])
        return Folded.of(roots, table)

    def expand(self, folded: Folded) -> Array:
        """Entries for each row, shape (n_rows, n_entries)."""
        p = folded.table.p
        if not folded.roots:
            return np.broadcast_to(p.reshape(1, -1), (len(self.state), p.size))
        p = np.moveaxis(p, folded.axis, 0)[self.classes(folded.roots).row]
        return p.reshape(len(self.state), -1)

    def summed(self, folded: Folded, roots: frozenset[str]) -> Folded:
        """The sum of rows that some of a table's roots do not tell apart, one for each class."""
        axis = folded.axis
        if not roots:
            scope = tuple(v for v in folded.table.scope if v != MACHINE)
            p = np.asarray(folded.table.p.sum(axis=axis))
            return Folded.of(roots, Table(scope, p), folded.log_scale)
        to = self.classes(roots).row[self.classes(folded.roots).first]
        order = np.argsort(to, kind="stable")
        starts = np.searchsorted(to[order], np.arange(self.classes(roots).n))
        p = np.add.reduceat(folded.table.p.take(order, axis), starts, axis)
        return Folded.of(roots, Table(folded.table.scope, p), folded.log_scale)

    def sum(self, weight: Array, folded: Folded) -> Array:
        """Sum over rows with these weights, (n_rows,); the other axes in the table's order."""
        if not folded.roots:
            return np.asarray(weight.sum() * folded.table.p)
        classes = self.classes(folded.roots)
        weights = np.bincount(classes.row, weight, classes.n)
        return np.asarray(np.tensordot(weights, folded.table.p, (0, folded.axis)))

    def product(
        self, tables: Sequence[Folded], keep: frozenset[str], own: frozenset[str] = frozenset()
    ) -> Folded:
        """Product of tables, summed over what is not in ``keep``.

        Each time the pair is taken that leaves least to do, of those that share a variable if
        there are any. Products of pairs that hold no variable of ``own`` are kept for the next
        time that they are asked for.

        Raises
        ------
        WideError
            When one on the way is larger than several states together may have.
        """
        todo = _gathered(tables)
        todo += [NOTHING] * (2 - len(todo))
        size = {v: n for t in todo for v, n in zip(t.table.scope, t.table.p.shape, strict=True)}
        while len(todo) > 1:
            uses = Counter(v for t in todo for v in t.names)
            pairs = [(i, j) for i in range(len(todo)) for j in range(i)]
            joined = [(i, j) for i, j in pairs if not todo[i].names.isdisjoint(todo[j].names)]
            best = (math.inf, 0, 0, 0, 0)
            for i, j in joined or pairs:
                a, b = todo[i], todo[j]
                roots = a.roots | b.roots
                made = work = self.classes(roots).n if roots else 1
                for v in a.names | b.names:
                    work *= size[v]
                    if v in keep or uses[v] > (v in a.names) + (v in b.names):  # needed still
                        made *= size[v]
                cost = made - a.table.p.size - b.table.p.size + MULTIPLY * work
                best = min(best, (cost, i, j, made, work))
            _, i, j, made, work = best
            a, b = todo[i], todo[j]
            names = a.names | b.names
            if made > MOST_MADE or work > MOST_WORK:
                if len(self.first) > 1:
                    raise WideError(names)
                return self._of_one(todo, keep)
            todo = [t for k, t in enumerate(todo) if k not in (i, j)]
            stay = names & keep.union(*(t.names for t in todo))
            key = (id(a), id(b), stay)
            made_before = self._pairs.get(key)
            pair = made_before[-1] if made_before else self._pair(a, b, stay)
            if not (made_before or names & own) and made < min(KEPT, MOST_KEPT - self._paired):
                self._pairs[key] = (a, b, pair)
                self._paired += made
            todo.append(pair)
        return todo[0]

    def message(self, tables: Sequence[Folded], keep: frozenset[str]) -> Folded:
        """A product that stays.

        Raises
        ------
        WideError
            As :meth:`product`, and when too much would stay.
        """
        made = self.product(tables, keep)
        self._said += made.table.p.size
        if self._said > MOST_KEPT and len(self.first) > 1:
            raise WideError(frozenset[str]().union(*(t.names for t in tables)))
        return made

    @property
    def kept(self) -> int:
        """Entries of messages and products that are kept."""
        return self._said + self._paired

    def _of_one(self, tables: Sequence[Folded], keep: frozenset[str]) -> Folded:
        """The product for one state alone: whatever it takes, in slices if need be."""
        roots = frozenset[str]().union(*(t.roots for t in tables))
        table = contract([self._spread(t, roots) for t in tables], keep | {MACHINE})
        return Folded.of(roots, table, sum(t.log_scale for t in tables))

    def _pair(self, a: Folded, b: Folded, keep: frozenset[str]) -> Folded:
        """Product of two tables, summed over what is not in ``keep``."""
        roots = a.roots | b.roots
        n = self.classes(roots).n if roots else 1
        mixed = [t for t in (a, b) if t.roots and t.roots != roots]
        entries = [t.table.p.size // self.classes(t.roots).n * n for t in mixed]  # written out
        few = [
            t
            for t, m in zip(mixed, entries, strict=True)
            if m > 3 * LARGE and n >= 4 * self.classes(t.roots).n
        ]
        if few:
            table = self._by_classes(few[0], b if few[0] is a else a, roots, keep)
        elif a.roots and b.roots and sum(entries) > LARGE:
            table = self._by_rows(a, b, roots, keep)
        else:
            table = combine(self._spread(a, roots), self._spread(b, roots), keep | {MACHINE})
        return Folded.of(roots, table, a.log_scale + b.log_scale)

    def _spread(self, t: Folded, roots: frozenset[str]) -> Table:
        """The table written out with a row for each class that ``roots`` tell apart."""
        if not t.roots or t.roots == roots:
            return t.table
        rows = self.classes(t.roots).row[self.classes(roots).first]
        return Table(t.table.scope, t.table.p.take(rows, t.axis))

    def _by_classes(
        self, few: Folded, other: Folded, roots: frozenset[str], keep: frozenset[str]
    ) -> Table:
        """Product in which each row of ``few`` meets all that belong to it at once."""
        belongs = self.classes(few.roots).row[self.classes(roots).first]
        many = self._spread(other, roots)
        axis = many.scope.index(MACHINE)
        scope = tuple(v for v in few.table.scope if v != MACHINE)
        parts = []
        for k, p in enumerate(np.moveaxis(few.table.p, few.axis, 0)):
            mine = Table(many.scope, many.p.take(np.flatnonzero(belongs == k), axis))
            parts.append(combine(Table(scope, p), mine, keep | {MACHINE}))
        axis = parts[0].scope.index(MACHINE)
        back = np.argsort(np.argsort(belongs, kind="stable"), kind="stable")
        p = np.concatenate([t.p for t in parts], axis)
        return Table(parts[0].scope, np.take(p, back, axis))

    def _by_rows(self, a: Folded, b: Folded, roots: frozenset[str], keep: frozenset[str]) -> Table:
        """Product row by row, so that neither table is written out."""
        both = sorted(a.names & b.names)
        batch, gone = [v for v in both if v in keep], [v for v in both if v not in keep]
        left, right = sorted((a.names - b.names) & keep), sorted((b.names - a.names) & keep)
        size = {v: n for t in (a, b) for v, n in zip(t.table.scope, t.table.p.shape, strict=True)}

        def block(t: Folded, *groups: Sequence[str]) -> Array:
            order = [MACHINE, *(v for g in groups for v in g)]
            drop = tuple(i for i, v in enumerate(t.table.scope) if v not in order)
            p = t.table.p.sum(axis=drop) if drop else t.table.p
            scope = [v for v in t.table.scope if v in order]
            shape = (self.classes(t.roots).n, *(math.prod(size[v] for v in g) for g in groups))
            return p.transpose([scope.index(v) for v in order]).reshape(shape)

        pa, pb = block(a, batch, left, gone), block(b, batch, gone, right)
        times = np.matmul if gone else np.multiply
        first = self.classes(roots).first
        rows_a, rows_b = (self.classes(t.roots).row[first] for t in (a, b))
        p = np.empty((len(first), pa.shape[1], pa.shape[2], pb.shape[3]))
        for i, (j, k) in enumerate(zip(rows_a, rows_b, strict=True)):
            times(pa[j], pb[k], out=p[i])
        scope = (*batch, *left, *right)
        return Table((MACHINE, *scope), p.reshape(len(first), *(size[v] for v in scope)))


def _gathered(tables: Sequence[Folded]) -> list[Folded]:
    """The tables, with many of one scope multiplied together (in logs: none gets lost)."""
    groups: dict[tuple[frozenset[str], frozenset[str]], list[Folded]] = {}
    for t in tables:
        groups.setdefault((t.roots, t.names), []).append(t)
    out = []
    for (roots, _sizes), same in groups.items():
        if len(same) > ALIKE:
            (table,), log_scale = gather(t.table for t in same)
            same = [Folded.of(roots, table, log_scale + sum(t.log_scale for t in same))]
        out += same
    return out
