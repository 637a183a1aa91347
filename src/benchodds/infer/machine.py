"""Whole machine states: the network with all components folded into one variable.

Exact posteriors need no list of states. Choosing a test does: expected information is about
which state the machine is in. Here the components become one variable ``machine`` whose
values are chosen whole states (no fault, every single fault, the likeliest pairs); the rest
of the network stays as it is, as a tree of buckets with messages between them (Shenoy and
Shafer 1990). Each message is worked out when first asked for, so that tests share them.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np

from benchodds.basics.errors import EvidenceError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, State, Table
from benchodds.infer.buckets import Messages, Tree, elimination_order
from benchodds.infer.folded import Folded, Rows, WideError
from benchodds.infer.support import Index, Mask, Support, reach

T = TypeVar("T")

LEAST_LIKELIHOOD = 1e-290
"""Likelihood, against the best explained row, below which a row counts as excluded."""


class _Fold:
    """States folded together: one variable, and the rest of the network as a tree.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero under every state.
    WideError
        When a product is too large for so many states.
    """

    def __init__(self, network: Network, states: Sequence[State]) -> None:
        self.network = network
        self.states = tuple(states)
        self._rows = rows = Rows(network, self.states)
        findings = [rows.fold(t) for t in network.findings.values()]
        tables = {v: rows.fold(t) for v, t in network.tables.items() if v not in rows.index}
        uses = Counter(v for t in (*tables.values(), *findings) for v in t.names)
        # What nothing else depends on joins only where a test reads it, else it ties cliques.
        self._leaves = {v: t for v, t in tables.items() if uses[v] == 1}
        tables = {v: t for v, t in tables.items() if v not in self._leaves}
        told = [t for t in findings if t.names]
        every = [*tables.values(), *told]
        tree = self._tree(every)
        silence = _silence(tree, tuple(tables), len(every))
        self._messages = Messages(tree, every, rows.product, silence)
        tops = {tree.top[v] for t in told for v in t.names}
        self._likelihoods = {
            v: rows.product(self._messages.around([v]), frozenset()) for v in sorted(tops)
        }
        known = [*self._likelihoods.values(), *(t for t in findings if not t.names)]
        with np.errstate(divide="ignore"):
            logs = np.log(rows.chance)
            for t in known:
                logs = logs + np.log(rows.expand(t)[:, 0])
            best = np.maximum.reduceat(logs, rows.first)
            if best.max() == -math.inf:
                raise EvidenceError(_("the evidence has probability zero under this model"))
            best = np.where(np.isfinite(best), best, 0.0)
            share = np.exp(logs - best[rows.state])
            total = np.add.reduceat(share, rows.first)
            self._share = share / np.where(total > 0, total, 1.0)[rows.state]  # P(row | state, e)
            self.log_weights: Array = (
                np.log(self._prior()) + np.log(total) + best + sum(t.log_scale for t in known)
            )

    def outcomes(self, predictive: Table) -> Array:
        """As :meth:`FoldedNetwork.outcomes`."""
        rows = self._rows
        outcome = frozenset(predictive.scope[-1:])
        folded = rows.fold(predictive)
        leaves = [self._leaves[v] for v in sorted(folded.names & self._leaves.keys())]
        names = folded.names.union(*(t.names for t in leaves)) - outcome - self._leaves.keys()
        tree = self._messages.tree
        around = self._messages.around(tree.cover(names))
        joint = rows.product([folded, *leaves, *around], outcome, outcome)
        log_scale, known = joint.log_scale, np.ones(len(rows.state))
        for t in (
            self._likelihoods[v]
            for v in sorted({tree.top[v] for v in names} & self._likelihoods.keys())
        ):
            log_scale -= t.log_scale
            known = known * rows.expand(t)[:, 0]
        share = np.where(known < LEAST_LIKELIHOOD, 0.0, self._share)
        share = share * math.exp(log_scale) / np.maximum(known, LEAST_LIKELIHOOD)
        p = np.add.reduceat(share[:, None] * rows.expand(joint), rows.first)
        return np.where(p.sum(axis=1, keepdims=True) > 0, p, 1.0 / p.shape[1])

    def _tree(self, tables: Sequence[Folded]) -> Tree:
        sizes = tuple((v, x.size) for v, x in self.network.variables.items())
        scopes = tuple(tuple(sorted(t.names | t.roots)) for t in tables)
        order = elimination_order(scopes, sizes, folded=frozenset(self._rows.index))
        return Tree([t.names for t in tables], order.names)

    def _prior(self) -> Array:
        """Prior weight of each state; links come in with the findings."""
        p = np.ones(len(self.states))
        for name in self.network.roots:
            p = p * self.network.tables[name].p[self._rows.index[name][self._rows.first]]
        for special in self.network.special:
            for i, state in enumerate(self.states):
                if special.holds(state):
                    p[i] *= special.ratio
        return p


@dataclass(frozen=True, eq=False)
class _Group:
    """States that are folded together, by number; None where the evidence excludes them all."""

    at: Index
    support: Support
    fold: _Fold | None


class FoldedNetwork:
    """A network conditional on each of a list of whole machine states.

    The states are folded together as long as no product is too large for that; then they go
    apart in groups by what is possible in them, each with a network of that alone.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero under every state of the list.
    """

    def __init__(self, network: Network, states: Sequence[State]) -> None:
        self.network = network
        self.states = tuple(states)
        seen = {f"{t.scope[0]} seen": t for t in _indicators(network)}
        self._told = replace(network, findings={**network.findings, **seen}, evidence={})
        self._groups = self._folded(np.arange(len(self.states)))
        self.log_weights: Array = np.full(len(self.states), -math.inf)
        """Log of P(state, complaint, all evidence), shape (n_states,); -inf where zero."""
        for group in self._groups:
            if group.fold is not None:
                self.log_weights[group.at] = group.fold.log_weights
        if self.log_weights.max() == -math.inf:
            raise EvidenceError(_("the evidence has probability zero under this model"))
        self.weights: Array = np.exp(self.log_weights)
        """P(state, complaint, all evidence), shape (n_states,); zero where it is below 1e-308."""

    @cached_property
    def _presence(self) -> tuple[tuple[tuple[str, str], ...], Array]:
        """The faults of the states, and whether each is present, shape (n_states, n_faults)."""
        faults = tuple(dict.fromkeys(fault for state in self.states for fault in state))
        return faults, np.array([[f in state for f in faults] for state in self.states], float)

    def p_mode(self, p_state: Array) -> dict[tuple[str, str], float]:
        """Probability of each fault, (component, mode), when the states have these."""
        faults, present = self._presence
        return dict(zip(faults, (p_state @ present).tolist(), strict=True))

    def outcomes(self, predictive: Table) -> Array:
        """P(outcome | state, evidence), shape (n_states, n_outcomes).

        ``predictive`` has the outcome as its last axis. Latents shared with earlier readings
        (operator, adapter, the quantities themselves) carry what those readings taught. Where
        the evidence excludes a state, its row says nothing: all outcomes alike.
        """
        n = predictive.p.shape[-1]
        out = np.full((len(self.states), n), 1.0 / n)
        for group, p in self._by_group(lambda g, f: f.outcomes(g.support.table(predictive))):
            out[group.at] = p
        return out

    def _by_group(self, ask: Callable[[_Group, _Fold], T]) -> Iterator[tuple[_Group, T]]:
        """What each group of possible states answers; a group that cannot is taken apart."""
        todo, self._groups = self._groups[::-1], []
        while todo:
            group = todo.pop()
            try:
                answer = None if group.fold is None else ask(group, group.fold)
            except WideError as error:
                todo += [g for at in self._apart(group.at, error.names) for g in self._folded(at)]
                continue
            self._groups.append(group)
            if answer is not None:
                yield group, answer

    @cached_property
    def _reach(self) -> dict[str, Mask]:
        """What is possible in each state, (n_states, n) by variable."""
        modes = {}
        for v in self.network.roots:
            names = self.network.variables[v].states
            here = [names.index(dict(s).get(v, names[0])) for s in self.states]
            modes[v] = np.arange(len(names)) == np.array(here)[:, None]
        return reach(self.network, modes)

    def _folded(self, at: Index) -> list[_Group]:
        """Groups of these states, as few as can be."""
        network, support = self._told, Support({}, {})
        if len(at) < len(self.states):
            possible = {v: m[at].any(axis=0) for v, m in self._reach.items()}
            support = Support.of(network, possible)
            network = support.network(network)
        try:
            return [_Group(at, support, _Fold(network, [self.states[i] for i in at]))]
        except EvidenceError:
            return [_Group(at, support, None)]
        except WideError as error:
            return [g for part in self._apart(at, error.names) for g in self._folded(part)]

    def _apart(self, at: Index, names: Collection[str]) -> tuple[Index, Index]:
        """Two parts of some states, so that tables of these variables have few entries in both.

        Parts differ in how much of one variable is possible in their states; where nothing
        differs they are halves.
        """
        here = {v: self._reach[v][at] for v in sorted(names) if v in self._reach}
        half = np.arange(len(at)) < len(at) // 2
        best = (self._entries(here, half) + self._entries(here, ~half), half)
        for held in here.values():
            n = held.sum(axis=1)
            for most in {int(n.min()), int(np.median(n))} - {int(n.max())}:
                total = self._entries(here, n <= most) + self._entries(here, n > most)
                if total < best[0]:
                    best = (total, n <= most)
        return at[best[1]], at[~best[1]]

    @staticmethod
    def _entries(here: Mapping[str, Mask], rows: Mask) -> float:
        """Entries of a table of some variables for some states."""
        sizes = (float(held[rows].any(axis=0).sum()) for held in here.values())
        return float(rows.sum()) * math.prod(sizes)


def _indicators(network: Network) -> list[Table]:
    """Fixed variables as findings: 1 for the state that was seen, 0 for the others."""
    return [
        Table((v,), (np.arange(network.variables[v].size) == state).astype(float))
        for v, state in network.evidence.items()
    ]


def _silence(tree: Tree, tables: Sequence[str], n_scopes: int) -> Callable[[str, str], bool]:
    """Whether bucket ``u`` and all behind it say nothing to their neighbour ``v``.

    So it is when there is no evidence, and no variable that both share has its own table
    there: what is summed out are whole conditional distributions (barren nodes; Shachter
    1986). ``tables`` names the variables whose own tables come first among the scopes.
    """
    at = {i: v for v, mine in tree.own.items() for i in mine}
    home = {name: at[i] for i, name in enumerate(tables)}
    findings = [at[i] for i in range(len(tables), n_scopes)]
    told = {v: sum(f in below for f in findings) for v, below in tree.below.items()}

    def is_silent(u: str, v: str) -> bool:
        up = tree.parent.get(u) == v
        low = u if up else v
        behind = told[low] if up else told[tree.top[low]] - told[low]
        shared = tree.scope[u] & tree.scope[v]
        return not behind and all((home[x] in tree.below[low]) != up for x in shared)

    return is_silent


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
