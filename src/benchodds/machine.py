"""Whole machine states: the network with all components folded into one variable.

Exact posteriors need no list of states. Choosing a test does: expected information is about
which state the machine is in. Here the components become one variable ``machine`` whose
values are chosen whole states (no fault, every single fault, the likeliest pairs); the rest
of the network stays as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchodds.inference import eliminate
from benchodds.tables import Array, Network, State, Table

MACHINE = "machine"


@dataclass(frozen=True)
class _Part:
    """Variables with evidence that nothing but ``machine`` ties to the rest."""

    names: frozenset[str]
    findings: tuple[Table, ...]
    likelihood: Array  # P(evidence of this part | state)


class FoldedNetwork:
    """A network conditional on each of a list of whole machine states."""

    def __init__(self, network: Network, states: Sequence[State]) -> None:
        self.network = network
        self.states = tuple(states)
        self._index = self._indices()
        self._tables: dict[str, Table] = {}
        self._folded_findings = [self._fold(t) for t in network.findings.values()]
        self._parts = self._split()
        self.weights: Array = self._prior()
        """P(state, complaint, all evidence), shape (n_states,)."""
        for part in self._parts:
            self.weights = self.weights * part.likelihood

    def _indices(self) -> dict[str, NDArray[np.intp]]:
        index = {c: np.zeros(len(self.states), dtype=np.intp) for c in self.network.roots}
        for i, state in enumerate(self.states):
            for component, mode in state:
                index[component][i] = self.network.variables[component].states.index(mode)
        return index

    def _fold(self, table: Table) -> Table:
        """A table with its component axes replaced by one ``machine`` axis, put first."""
        mine = [v for v in table.scope if v in self._index]
        if not mine:
            return table
        others = tuple(v for v in table.scope if v not in self._index)
        p = table.p.transpose([table.scope.index(v) for v in (*mine, *others)])
        return Table((MACHINE, *others), p[tuple(self._index[v] for v in mine)])

    def _table(self, name: str) -> Table:
        if name not in self._tables:
            self._tables[name] = self._fold(self.network.tables[name])
        return self._tables[name]

    def _prior(self) -> Array:
        """Prior weight of each state; links come in with the findings."""
        p = np.ones(len(self.states))
        for name in self.network.roots:
            p = p * self.network.tables[name].p[self._index[name]]
        for special in self.network.special:
            for i, state in enumerate(self.states):
                if set(state) == set(special.state):
                    p[i] *= special.ratio
        return p

    def _upstream(self, names: Iterable[str]) -> set[str]:
        """Variables at and above the named ones, components left out."""
        seen: set[str] = set()
        todo = [v for v in names if v not in self._index and v != MACHINE]
        while todo:
            name = todo.pop()
            if name not in seen:
                seen.add(name)
                todo += [v for v in self._table(name).scope if v not in seen and v != MACHINE]
        return seen

    def _split(self) -> list[_Part]:
        names = self._upstream(v for t in self._folded_findings for v in t.scope)
        scopes = [set(self._table(v).scope) for v in names]
        scopes += [set(t.scope) for t in self._folded_findings]
        parts = []
        for group in _connected([s - {MACHINE} for s in scopes]):
            findings = tuple(t for t in self._folded_findings if group & set(t.scope))
            tables = [*(self._table(v) for v in sorted(group)), *findings]
            parts.append(_Part(frozenset(group), findings, self._eliminate(tables, ())[:, 0]))
        for table in self._folded_findings:
            if table.scope == (MACHINE,):
                parts.append(_Part(frozenset(), (table,), table.p))
        return parts

    def _eliminate(self, tables: Sequence[Table], outcome: tuple[str, ...], n: int = 1) -> Array:
        """Sum all but machine (and outcome) out; shape (n_states, n_outcomes)."""
        size = {
            v: self.network.variables[v].size
            for t in tables
            for v in t.scope
            if v != MACHINE and v not in outcome
        }
        if any(MACHINE in t.scope for t in tables):
            size[MACHINE] = len(self.states)
        size.update(dict.fromkeys(outcome, n))
        keep = [v for v in (MACHINE, *outcome) if v in size]
        p = eliminate(tables, keep, size).p
        if MACHINE not in keep:
            p = np.broadcast_to(p, (len(self.states), *p.shape))
        return p.reshape(len(self.states), -1)

    def outcomes(self, predictive: Table) -> Array:
        """P(outcome | state, evidence), shape (n_states, n_outcomes).

        ``predictive`` has the outcome as its last axis. Latents shared with earlier readings
        (operator, adapter, the quantities themselves) carry what those readings taught.
        """
        folded = self._fold(predictive)
        outcome = folded.scope[-1]
        need = self._upstream(folded.scope[:-1])
        touched = [p for p in self._parts if p.names & need]
        need = need.union(*(p.names for p in touched))
        tables = [folded, *(self._table(v) for v in sorted(need))]
        tables += [t for p in touched for t in p.findings]
        joint = self._eliminate(tables, (outcome,), folded.p.shape[-1])
        for part in touched:
            joint = joint / np.maximum(part.likelihood[:, None], 1e-300)
        return joint


def _connected(scopes: Sequence[set[str]]) -> list[set[str]]:
    """Groups of names that share a scope, directly or by way of others."""
    groups: list[set[str]] = []
    for scope in scopes:
        if not scope:
            continue
        merged = set(scope)
        rest = []
        for group in groups:
            if group & merged:
                merged |= group
            else:
                rest.append(group)
        groups = [*rest, merged]
    return groups


def likely_states(
    components: Mapping[str, Sequence[str]], marginal: Mapping[tuple[str, str], float], n_pairs: int
) -> tuple[State, ...]:
    """No fault, all single faults, and the ``n_pairs`` pairs whose members are likeliest."""
    faults = [(c, m) for c, modes in components.items() for m in modes]
    pairs = [
        (marginal[a] * marginal[b], (a, b))
        for i, a in enumerate(faults)
        for b in faults[i + 1 :]
        if a[0] != b[0]
    ]
    pairs.sort(key=lambda item: -item[0])
    return ((), *((f,) for f in faults), *(p for _, p in pairs[:n_pairs]))
