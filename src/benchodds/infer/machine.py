"""Whole machine states: the network with all components folded into one variable.

Exact posteriors need no list of states. Choosing a test does: expected information is about
which state the machine is in. Here the components become one variable ``machine`` whose
values are chosen whole states (no fault, every single fault, the likeliest pairs); the rest
of the network stays as it is, as a tree of buckets with messages between them (Shenoy and
Shafer 1990). Each message is worked out when first asked for, so that tests share them.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property

import numpy as np

from benchodds.basics.errors import EvidenceError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, State, Table
from benchodds.infer.buckets import Messages, Tree, elimination_order
from benchodds.infer.epochs import present
from benchodds.infer.folded import Folded, Index, Rows
from benchodds.infer.inference import Posterior

COURSES = 12
"""Likeliest courses looked at of a component that was worked on."""

LEAST_LIKELIHOOD = 1e-290
"""Likelihood, against the best explained row, below which a row counts as excluded."""


class FoldedNetwork:
    """A network conditional on each of a list of whole machine states.

    Where the machine was worked on, what is listed are its histories: the faults it came with and
    those of every epoch after. ``states`` are those of today, each once, summed over the
    histories that end in it.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero under every state of the list.
    """

    def __init__(self, network: Network, histories: Sequence[State]) -> None:
        self.network = network
        self.histories = tuple(histories)
        self.states, self._today = _today(network, self.histories)
        self._rows = rows = Rows(network, self.histories)
        findings = [rows.fold(t) for t in (*network.findings.values(), *_indicators(network))]
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
            weights = np.log(self._prior()) + np.log(total) + best + sum(t.log_scale for t in known)
            self.log_weights: Array = self._summed(weights)
            """Log of P(state, complaint, all evidence), shape (n_states,); -inf where zero."""
        self.weights: Array = np.exp(self.log_weights)
        """P(state, complaint, all evidence), shape (n_states,); zero where it is below 1e-308."""

    def _summed(self, logs: Array) -> Array:
        """Log weights of the states of today from those of histories, whose shares are kept."""
        most = np.full(len(self.states), -math.inf)
        np.maximum.at(most, self._today, logs)
        share = np.exp(logs - np.where(np.isfinite(most), most, 0.0)[self._today])
        total = np.bincount(self._today, share, len(self.states))
        self._of_today = share / np.where(total > 0, total, 1.0)[self._today]
        return np.asarray(most + np.log(total))

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
        if len(self.states) < len(self.histories):
            today = np.zeros((len(self.states), p.shape[1]))
            np.add.at(today, self._today, self._of_today[:, None] * p)
            p = today
        return np.where(p.sum(axis=1, keepdims=True) > 0, p, 1.0 / p.shape[1])

    def _tree(self, tables: Sequence[Folded]) -> Tree:
        sizes = tuple((v, x.size) for v, x in self.network.variables.items())
        scopes = tuple(tuple(sorted(t.names | t.roots)) for t in tables)
        order = elimination_order(scopes, sizes, folded=frozenset(self._rows.index))
        return Tree([t.names for t in tables], order)

    def _prior(self) -> Array:
        """Prior weight of each state; links come in with the findings."""
        p = np.ones(len(self.histories))
        at = {v: self._rows.index[v][self._rows.first] for v in self._rows.components}
        for name in self._rows.components:
            table = self.network.tables[name]
            p = p * table.p[tuple(at[v] for v in table.scope)]
        roots = set(self.network.roots)
        for special in self.network.special:
            for i, history in enumerate(self.histories):
                if special.holds(tuple(f for f in history if f[0] in roots)):
                    p[i] *= special.ratio
        return p


def _today(network: Network, histories: Sequence[State]) -> tuple[tuple[State, ...], Index]:
    """The states of today that histories end in, each once, and which is that of each."""
    states = [present(network, h) for h in histories]
    place = {s: i for i, s in enumerate(dict.fromkeys(states))}
    return tuple(place), np.array([place[s] for s in states], dtype=np.intp)


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
    return _with_pairs(
        [[(((c, m),), marginal[c, m]) for m in modes] for c, modes in components.items()], n_pairs
    )


def likely_histories(network: Network, posterior: Posterior, n_pairs: int) -> tuple[State, ...]:
    """As :func:`likely_states`, with what became of a component that was worked on.

    A component's courses are counted as one fault each: its modes in all epochs, good left out.
    Of those of a touched one the likeliest are taken, and one for every mode that it may have had
    or have.
    """
    groups = []
    for root in network.roots:
        line = [root]
        for node in network.later:
            if network.tables[node].scope[1] == line[-1]:
                line.append(node)
        groups.append(_courses(network, posterior, line))
    return _with_pairs(groups, n_pairs)


def _courses(
    network: Network, posterior: Posterior, line: Sequence[str]
) -> list[tuple[State, float]]:
    """What a component may have gone through, with the posterior chance, none of it all good."""
    p = posterior.joint([line[0]])
    courses: dict[tuple[int, ...], float] = {(i,): float(x) for i, x in enumerate(p)}
    for before, node in itertools.pairwise(line):
        both = posterior.joint([before, node])
        given = both / np.maximum(both.sum(axis=1, keepdims=True), 1e-300)
        courses = {
            (*c, j): x * float(q)
            for c, x in courses.items()
            for j, q in enumerate(given[c[-1]])
            if q > 0
        }
    ranked = sorted((c for c in courses if any(c)), key=lambda c: -courses[c])
    chosen = ranked
    if len(line) > 1:
        chosen = ranked[:COURSES]
        for at in (0, -1):
            first = {c[at]: c for c in reversed(ranked)}
            chosen += [c for c in first.values() if c not in chosen]
    names = [network.variables[v].states for v in line]
    return [
        (tuple((v, s[i]) for v, s, i in zip(line, names, c, strict=True) if i), courses[c])
        for c in chosen
    ]


def _with_pairs(groups: Sequence[Sequence[tuple[State, float]]], n_pairs: int) -> tuple[State, ...]:
    """Nothing, each item alone, and the likeliest pairs of items of different groups."""
    pairs = [
        (p * q, a + b)
        for i, group in enumerate(groups)
        for a, p in group
        for other in groups[i + 1 :]
        for b, q in other
    ]
    pairs.sort(key=lambda item: -item[0])
    singles = [a for group in groups for a, _p in group]
    return ((), *singles, *(pair for _p, pair in pairs[:n_pairs]))
