"""States folded into one variable, with the rest of the network as a tree.

Messages go between the buckets of the tree (Shenoy and Shafer 1990); each is worked out when
first asked for, so that tests share them.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np

from benchodds.basics.errors import EvidenceError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, State, Table
from benchodds.infer.buckets import Messages, Tree, elimination_order
from benchodds.infer.folded import MACHINE, MOST_WORK, Folded, Rows, WideError
from benchodds.infer.support import Support

LEAST_LIKELIHOOD = 1e-290
"""Likelihood, against the best explained row, below which a row counts as excluded."""

MOST_SUMMED = 6e7
"""Entries that the tree goes through up to which marginals come down it; beyond, that takes much
memory, and each is worked out state by state."""


class Fold:
    """A network conditional on each of some states together.

    ``support`` is what is possible in these, ``log_weights`` the logs of P(state, complaint, all
    evidence), (n_states,), -inf where zero.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero under every state.
    WideError
        When a product is too large for so many states.
    TooLargeError
        When even one state alone would take too much.
    """

    def __init__(self, network: Network, states: Sequence[State], support: Support) -> None:
        self.network = network = support.network(network)
        self.support = support
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
        self._look_ahead(tree, every, silence)
        self._messages = Messages(tree, every, rows.message, silence)
        self._down: dict[str, Folded] = {}
        self._roots: dict[str, frozenset[str]] = {}  # of all that is below a bucket
        for v, mine in tree.own.items():
            below = (self._roots[u] for u in tree.near[v] if tree.parent.get(u) == v)
            self._roots[v] = frozenset[str]().union(*(every[i].roots for i in mine), *below)
        self._size = sum(t.table.p.size for t in (*every, *self._leaves.values()))
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
        """P(outcome | state, evidence), (n_states, n_outcomes); the outcome is the last axis."""
        rows, predictive = self._rows, self.support.table(predictive)
        outcome = frozenset(predictive.scope[-1:])
        joint, share = self._beside([rows.fold(predictive)], outcome, outcome)
        p = np.add.reduceat(share[:, None] * rows.expand(joint), rows.first)
        return np.where(p.sum(axis=1, keepdims=True) > 0, p, 1.0 / p.shape[1])

    def joint(self, names: Sequence[str], extra: Sequence[Table], log_scale: float) -> Array:
        """P(names, evidence), the states summed over, divided by ``exp(log_scale)``."""
        simple = len(names) == 1 and not extra and self.entries < MOST_SUMMED
        if simple and names[0] in self._messages.tree.scope:
            return self._marginal(names[0], log_scale)
        rows, free = self._rows, [v for v in names if not self.support.settled(v)]
        called = {v: f"{v} here" if v in rows.index else v for v in free}
        here = [
            Table((v, now), np.eye(self.network.variables[v].size))
            for v, now in called.items()
            if now != v
        ]
        tables = [rows.fold(t) for t in (*map(self.support.table, extra), *here)]
        joint, share = self._beside(tables, frozenset(called.values()))
        weight = share * np.exp(self.log_weights - log_scale)[rows.state]
        scope = [v for v in joint.table.scope if v != MACHINE]
        p = rows.sum(weight, joint).transpose([scope.index(v) for v in called.values()])
        return self.support.spread(tuple(names), Table(tuple(free), p))

    def _marginal(self, name: str, log_scale: float) -> Array:
        """As :meth:`joint`, of one variable: what comes down its tree has the states weighted, and
        those summed over that nothing below tells apart."""
        rows, tree = self._rows, self._messages.tree
        if self.log_weights.max() == -math.inf:  # no state has a weight of its own
            nothing = np.zeros(self.network.variables[name].size)
            return self.support.spread((name,), Table((name,), nothing))
        joint = rows.product(
            [*self._messages.below(name), self._from_above(name)],
            frozenset([name]),
            tree.scope[name],
        )
        p = joint.table.p.sum(axis=joint.axis) if joint.roots else joint.table.p
        p = p * math.exp(joint.log_scale - log_scale)
        return self.support.spread((name,), Table((name,), np.asarray(p)))

    def _from_above(self, name: str) -> Folded:
        """What is said to a bucket from above, summed over states alike in all that is below."""
        rows, tree, known = self._rows, self._messages.tree, self._down
        path = [name]
        while path[-1] not in known and path[-1] in tree.parent:
            path.append(tree.parent[path[-1]])
        if path[-1] not in known:
            known[path[-1]] = rows.summed(self._weighted(path[-1]), self._roots[path[-1]])
        for u, v in reversed([*zip(path[1:], path[:-1], strict=True)]):
            tables = [*self._messages.below(u, v), known[u]]
            made = rows.product(tables, tree.scope[u] & tree.scope[v], tree.scope[u])
            known[v] = rows.summed(made, self._roots[v]) if made.roots else made
        return known[name]

    def _weighted(self, top: str) -> Folded:
        """P(row, all evidence but that of one tree)."""
        rows, every = self._rows, frozenset(self._rows.index)
        best = float(self.log_weights.max())
        weight = self._share * np.exp(self.log_weights - best)[rows.state]
        if top in self._likelihoods:
            told = self._likelihoods[top]
            likelihood = rows.expand(told)[:, 0]
            weight = np.where(likelihood < LEAST_LIKELIHOOD, 0.0, weight)
            weight = weight / np.maximum(likelihood, LEAST_LIKELIHOOD)
            best -= told.log_scale
        classes = rows.classes(every)
        here: Array = np.bincount(classes.row, weight, classes.n).astype(float)
        return Folded.of(every, Table((MACHINE,), here), best)

    def _beside(
        self, tables: Sequence[Folded], keep: frozenset[str], own: frozenset[str] = frozenset()
    ) -> tuple[Folded, Array]:
        """Tables beside the evidence, summed over all but ``keep``, for each row.

        With it comes, (n_rows,), what a row is to be multiplied by so that the rows of a state
        add up to what holds given the state and all evidence.
        """
        rows, tree = self._rows, self._messages.tree
        here = keep.union(*(t.names for t in tables)) - own
        leaves = [self._leaves[v] for v in sorted(here & self._leaves.keys())]
        names = here.union(*(t.names for t in leaves)) & tree.scope.keys()
        joint = rows.product(
            [*tables, *leaves, *self._messages.around(tree.cover(names))], keep, own
        )
        log_scale, known = joint.log_scale, np.ones(len(rows.state))
        for t in (
            self._likelihoods[v]
            for v in sorted({tree.top[v] for v in names} & self._likelihoods.keys())
        ):
            log_scale -= t.log_scale
            known = known * rows.expand(t)[:, 0]
        share = np.where(known < LEAST_LIKELIHOOD, 0.0, self._share)
        return joint, share * math.exp(log_scale) / np.maximum(known, LEAST_LIKELIHOOD)

    @property
    def kept(self) -> int:
        """Entries of its tables and of what was worked out before."""
        return self._size + self._rows.kept

    def _look_ahead(
        self, tree: Tree, tables: Sequence[Folded], silent: Callable[[str, str], bool]
    ) -> None:
        """WideError where the evidence will meet in a bucket that is too large for many states."""
        roots: dict[str, frozenset[str]] = {}
        widest = (MOST_WORK, frozenset[str]())
        self.entries = 0
        for v in tree.own:
            below = [u for u in tree.near[v] if tree.parent.get(u) == v and not silent(u, v)]
            mine = (tables[i].roots for i in tree.own[v])
            roots[v] = frozenset[str]().union(*mine, *(roots[u] for u in below))
            if v not in tree.parent or not silent(v, tree.parent[v]):
                n = self._rows.classes(roots[v]).n if roots[v] else 1
                sizes = (self.network.variables[u].size for u in tree.scope[v])
                work = n * math.prod(sizes)
                self.entries += work
                if work > widest[0]:
                    widest = (work, tree.scope[v])
        if widest[1] and len(self.states) > 1:
            raise WideError(widest[1])

    def _tree(self, tables: Sequence[Folded]) -> Tree:
        sizes = tuple((v, x.size) for v, x in self.network.variables.items())
        scopes = tuple(tuple(sorted(t.names | t.roots)) for t in tables)
        order = elimination_order(scopes, sizes, folded=frozenset(self._rows.index))
        if len(self.states) == 1:
            order.affordable()  # there is nothing left to take apart
        return Tree([t.names for t in tables], order.names)

    def _prior(self) -> Array:
        """Prior weight of each state; links come in with the findings."""
        p = np.ones(len(self.states))
        at = {v: self._rows.index[v][self._rows.first] for v in self.network.in_modes}
        for name in self.network.in_modes:
            table = self.network.tables[name]
            p = p * table.p[tuple(at[v] for v in table.scope)]
        roots = set(self.network.roots)
        for special in self.network.special:
            for i, state in enumerate(self.states):
                if special.holds(tuple(f for f in state if f[0] in roots)):
                    p[i] *= special.ratio
        return p


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
