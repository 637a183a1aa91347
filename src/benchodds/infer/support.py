"""What can be at all: the states that variables can reach, and networks cut down to these.

A fault that is not there settles what stands below it: a sound stop line takes nothing away.
Cutting impossible states out approximates nothing, and keeps tables small.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.tables import Array, Network, Table

Mask = NDArray[np.bool_]
Index = NDArray[np.intp]


def reach(network: Network, roots: Mapping[str, Mask]) -> dict[str, Mask]:
    """Which states are possible, (n, n_states), given those of the roots; by variable below these.

    Each of the ``n`` rows is a case of its own: the states that the roots may be in there.
    Variables with the same cases above them are worked out once.
    """
    out = dict(roots)
    n = len(next(iter(roots.values()))) if roots else 1
    for v in network.below_roots:
        if v in out:
            continue
        p, parents = network.tables[v].p, network.tables[v].scope[1:]
        told = [u for u in parents if u in out]
        if not told:
            continue
        above = np.hstack([out[u] for u in told])
        cases, case = (
            np.unique(above, axis=0, return_inverse=True) if n > 1 else (above, np.zeros(1, int))
        )
        ends = np.cumsum([out[u].shape[1] for u in told])[:-1]
        rows = []
        for held in cases:
            left = dict(zip(told, map(np.flatnonzero, np.split(held, ends)), strict=True))
            at = [left.get(u, np.arange(k)) for u, k in zip(parents, p.shape[1:], strict=True)]
            here = p[np.ix_(np.arange(len(p)), *at)] > 0
            rows.append(here.any(axis=tuple(range(1, p.ndim))))
        out[v] = np.array(rows)[case.ravel()]
    return out


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
        """A table without impossible states; settled variables leave its scope."""
        if self.left.keys().isdisjoint(table.scope):
            return table
        p = table.p
        for axis in range(p.ndim - 1, -1, -1):
            at = self.left.get(table.scope[axis])
            if at is not None:
                p = p.take(at if len(at) > 1 else int(at[0]), axis)
        return Table(tuple(v for v in table.scope if not self.settled(v)), np.asarray(p))

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
