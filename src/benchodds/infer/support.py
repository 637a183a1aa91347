"""What can be at all: the states that variables can reach, and networks cut down to these.

A fault that is not there settles what stands below it: a sound stop line takes nothing away.
Cutting impossible states out approximates nothing, and keeps tables small.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.tables import Array, Network, Table

Mask = NDArray[np.bool_]
Index = NDArray[np.intp]

MUCH = 4
"""A cut table is kept where it is so many times smaller, and as many of one at the most."""

ALL = slice(None)


def reach(network: Network, roots: Mapping[str, Mask]) -> dict[str, Mask]:
    """Which states are possible, (n, n_states), given those of the roots; by variable below these.

    Each of the ``n`` rows is a case of its own: the states that the roots may be in there.
    Variables with the same cases above them are worked out once.
    """
    cases = {v: _distinct(masks, [m.tobytes() for m in masks]) for v, masks in roots.items()}
    for v in network.below_roots:
        table = network.tables[v]
        told = [u for u in table.scope[1:] if u in cases]
        if v in cases or not told:
            continue
        rows = list(zip(*(cases[u][1] for u in told), strict=True))
        made = {
            row: _below(table, {u: cases[u][0][i] for u, i in zip(told, row, strict=True)})
            for row in dict.fromkeys(rows)
        }
        names = {row: mask.tobytes() for row, mask in made.items()}
        cases[v] = _distinct([made[row] for row in rows], [names[row] for row in rows])
    return {v: np.array(masks)[at] for v, (masks, at) in cases.items()}


def _distinct(masks: Sequence[Mask] | Mask, names: Sequence[bytes]) -> tuple[list[Mask], list[int]]:
    """The masks of distinct names, and which of them each is."""
    first = dict(zip(names, masks, strict=True))
    place = {name: i for i, name in enumerate(first)}
    return list(first.values()), [place[name] for name in names]


def _below(table: Table, above: Mapping[str, Mask]) -> Mask:
    """Which states a table leaves possible of its first variable, (n_states,); kept with it."""
    key = b"".join(above[u].tobytes() for u in table.scope[1:] if u in above)
    told = (tuple(above), key)
    if told not in table.reached:
        bits = table.bits
        at = [
            np.flatnonzero(above[u]) if u in above else np.arange(n)
            for u, n in zip(table.scope[1:], bits.shape[1:], strict=True)
        ]
        some = bits[np.ix_(np.arange(len(bits)), *at)].reshape(len(bits), -1)
        here = np.bitwise_or.reduce(some, axis=1)
        table.reached[told] = np.unpackbits(here, count=len(table.p)).astype(bool)
    return table.reached[told]


@dataclass(frozen=True, eq=False)
class Support:
    """States that are left of some variables, by number, in order; all of any other variable."""

    left: Mapping[str, Index]
    sizes: Mapping[str, int]

    @staticmethod
    def of(network: Network, possible: Mapping[str, Mask]) -> Support:
        """From masks over states, (n_states,), by variable."""
        left = {v: np.flatnonzero(m) for v, m in possible.items() if not m.all()}
        return Support(left, {v: network.variables[v].size for v in left})

    def table(self, table: Table) -> Table:
        """A table without impossible states; settled variables leave its scope.

        What is much smaller so is kept with the table.
        """
        here = {v: self.left[v] for v in table.scope if v in self.left}
        if not here:
            return table
        key = tuple((v, at.tobytes()) for v, at in here.items())
        if key in table.cuts:
            return table.cuts[key]
        p = table.p[tuple(int(self.left[v][0]) if self.settled(v) else ALL for v in table.scope)]
        scope = tuple(v for v in table.scope if not self.settled(v))
        for v in sorted(here.keys() & set(scope), key=lambda v: len(here[v]) / self.sizes[v]):
            p = p.take(here[v], scope.index(v))
        made = Table(scope, np.ascontiguousarray(p).reshape(p.shape))
        if made.p.size * MUCH < table.p.size and len(table.cuts) < MUCH:
            table.cuts[key] = made
        return made

    def settled(self, name: str) -> bool:
        """Whether one state alone is left."""
        return name in self.left and len(self.left[name]) == 1

    def network(self, network: Network) -> Network:
        """The network of what is possible, given that it is.

        Settled variables are gone; components stay, and keep their weights, which then need not
        sum to 1. Evidence becomes findings.
        """
        variables = {
            v: replace(
                x,
                states=tuple(x.states[i] for i in self.left[v]),
                points=None if x.points is None else x.points[self.left[v]],
            )
            if v in self.left
            else x
            for v, x in network.variables.items()
            if v in network.in_modes or not self.settled(v)
        }
        tables = {}
        for v in variables:
            table = network.tables[v]
            if v in network.in_modes:
                left = [
                    self.left.get(u, np.arange(n))
                    for u, n in zip(table.scope, table.p.shape, strict=True)
                ]
                tables[v] = Table(table.scope, table.p[np.ix_(*left)])
            else:
                tables[v] = self.table(table)
        findings = {k: self.table(t) for k, t in network.findings.items()}
        return replace(network, variables=variables, tables=tables, findings=findings)

    def spread(self, names: tuple[str, ...], table: Table) -> Array:
        """A table of what is left, on all states of the names in their order; zero elsewhere."""
        here = [v for v in names if v in table.scope]
        p = table.p.transpose([table.scope.index(v) for v in here])
        for axis, v in enumerate(names):
            if v in self.left:
                if self.settled(v):
                    p = np.expand_dims(p, axis)
                full = np.zeros((*p.shape[:axis], self.sizes[v], *p.shape[axis + 1 :]))
                full[(slice(None),) * axis + (self.left[v],)] = p
                p = full
        return p
