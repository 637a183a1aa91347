"""Whole machine states: the network with all components folded into one variable.

Exact posteriors need no list of states. Choosing a test does: expected information is about
which state the machine is in. Here the components become one variable ``machine`` whose
values are chosen whole states (no fault, every single fault, the likeliest pairs); the rest
of the network stays as it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchodds.inference import eliminate_scaled, gather
from benchodds.tables import Array, Network, State, Table

MACHINE = "machine"

LEAST_LIKELIHOOD = 1e-290
"""Likelihood, against the best explained state, below which a state counts as excluded."""


@dataclass(frozen=True)
class _Part:
    """Variables with evidence that nothing but ``machine`` ties to the rest."""

    names: frozenset[str]
    findings: tuple[Table, ...]
    likelihood: Array  # P(evidence of this part | state), divided to be near 1
    log_scale: float  # log of what was divided out


class FoldedNetwork:
    """A network conditional on each of a list of whole machine states.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero under every state of the list.
    """

    def __init__(self, network: Network, states: Sequence[State]) -> None:
        self.network = network
        self.states = tuple(states)
        self._index = self._indices()
        self._tables: dict[str, Table] = {}
        findings = [*network.findings.values(), *_indicators(network)]
        folded, log_scale = gather(self._fold(t) for t in findings)
        self._folded_findings = folded
        self._parts = self._split()
        with np.errstate(divide="ignore"):
            self.log_weights: Array = np.log(self._prior()) + log_scale
            """Log of P(state, complaint, all evidence), shape (n_states,); -inf where zero."""
            for part in self._parts:
                self.log_weights = self.log_weights + np.log(part.likelihood) + part.log_scale
        self.weights: Array = np.exp(self.log_weights)
        """P(state, complaint, all evidence), shape (n_states,); zero where it is below 1e-308."""

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
            p, log_scale = self._eliminate(tables, ())
            parts.append(_Part(frozenset(group), findings, p[:, 0], log_scale))
        for table in self._folded_findings:
            if table.scope == (MACHINE,):
                parts.append(_Part(frozenset(), (table,), table.p, 0.0))
        return parts

    def _eliminate(
        self, tables: Sequence[Table], outcome: tuple[str, ...], n: int = 1
    ) -> tuple[Array, float]:
        """Sum all but machine (and outcome) out; shape (n_states, n_outcomes), and log scale."""
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
        table, log_scale = eliminate_scaled(tables, keep, size)
        p = table.p
        if MACHINE not in keep:
            p = np.broadcast_to(p, (len(self.states), *p.shape))
        return p.reshape(len(self.states), -1), log_scale

    def outcomes(self, predictive: Table) -> Array:
        """P(outcome | state, evidence), shape (n_states, n_outcomes).

        ``predictive`` has the outcome as its last axis. Latents shared with earlier readings
        (operator, adapter, the quantities themselves) carry what those readings taught. Where
        the evidence excludes a state, its row says nothing: all outcomes alike.
        """
        folded = self._fold(predictive)
        outcome = folded.scope[-1]
        need = self._upstream(folded.scope[:-1])
        touched = [p for p in self._parts if p.names & need]
        need = need.union(*(p.names for p in touched))
        tables = [folded, *(self._table(v) for v in sorted(need))]
        tables += [t for p in touched for t in p.findings]
        joint, log_scale = self._eliminate(tables, (outcome,), folded.p.shape[-1])
        known = np.ones(len(self.states))
        for part in touched:
            known = known * part.likelihood
            log_scale -= part.log_scale
        excluded = known < LEAST_LIKELIHOOD
        share = joint * math.exp(log_scale) / np.where(excluded, 1.0, known)[:, None]
        return np.where(excluded[:, None], 1.0 / joint.shape[1], share)


def _indicators(network: Network) -> list[Table]:
    """Fixed variables as findings: 1 for the state that was seen, 0 for the others."""
    return [
        Table((v,), (np.arange(network.variables[v].size) == state).astype(float))
        for v, state in network.evidence.items()
    ]


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
