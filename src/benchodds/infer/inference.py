"""Exact inference by bucket elimination and message passing on a bucket tree.

Sources: R. Dechter, "Bucket elimination: a unifying framework for reasoning", Artificial
Intelligence 113 (1999); the two-pass form is Shenoy-Shafer propagation (1990) on the tree
that elimination leaves behind.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchodds.basics.errors import EvidenceError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, Table
from benchodds.infer.buckets import MOST_KEPT, Messages, Order, Tree, elimination_order
from benchodds.infer.contraction import contract, gather, in_state
from benchodds.infer.support import Support, reach

LEAST_TOTAL = 1e-12
"""Share of the probability that special states must leave; below it only rounding is left."""


@dataclass(frozen=True, eq=False)
class Scaled:
    """A table times ``exp(log_scale)``."""

    table: Table
    log_scale: float = 0.0


def _product(parts: Sequence[Scaled], keep: frozenset[str]) -> Scaled:
    """Product of tables, summed over what is not in ``keep``, with its scale apart."""
    tables, log_scale = gather(t.table for t in parts)
    (table,), log_made = gather([contract(tables, keep)])
    return Scaled(table, log_scale + log_made + sum(t.log_scale for t in parts))


@dataclass(frozen=True, eq=False)
class Beliefs:
    """Posterior of a network: what its bucket tree can answer.

    ``log_evidence`` is the natural log of the probability of all evidence and findings.
    """

    log_evidence: float
    _messages: Messages[Scaled]
    _support: Support

    def joint(self, names: Sequence[str]) -> Array:
        """Joint posterior of variables that meet in one bucket, axes in the order given.

        Raises
        ------
        EvidenceError
            When the variables never meet; ask :func:`query` instead.
        """
        free = [v for v in names if not self._support.settled(v)]
        table = Table((), np.ones(()))
        if free:
            bucket = self._bucket_with(free)
            table = _product(self._messages.around([bucket]), frozenset(free)).table
            self._messages.let_go(MOST_KEPT / 5, lambda t: t.table.p.size)
        return self._support.spread(tuple(names), Table(table.scope, table.p / table.p.sum()))

    def has(self, name: str) -> bool:
        """Whether the variable is part of this calibrated tree."""
        return name in self._messages.tree.scope or self._support.settled(name)

    def _bucket_with(self, names: Sequence[str]) -> str:
        scope = self._messages.tree.scope
        for v in names:
            if v not in scope:
                raise EvidenceError(_("'{name}' is not part of this network").format(name=v))
            if scope[v].issuperset(names):
                return v
        raise EvidenceError(
            _("these variables do not meet in one bucket: {names}").format(names=", ".join(names))
        )


def calibrate(network: Network, wanted: Iterable[str], most: float | None = None) -> Beliefs:
    """Propagate all evidence up the bucket tree; what goes down waits until it is asked for.

    Parameters
    ----------
    wanted
        Variables whose posterior will be asked; others may be left out as barren.
    most
        Entries that may be gone through; :data:`buckets.MOST_ENTRIES` when left out.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero or is not finite.
    TooLargeError
        When that would take too much time or memory.
    """
    wanted = list(wanted)
    support, factors = _possible(network, wanted)
    factors, log_scale = gather(factors)
    tree = Tree([t.scope for t in factors], _order(factors).affordable(most).names)
    messages = Messages(tree, [Scaled(t) for t in factors], _product)
    for top in tree.tops:
        log_scale += _product(messages.around([top]), frozenset()).log_scale
    return Beliefs(log_scale, messages, support)


def _order(factors: Sequence[Table]) -> Order:
    size = {v: n for t in factors for v, n in zip(t.scope, t.p.shape, strict=True)}
    scopes = dict.fromkeys(t.scope for t in factors)
    return elimination_order(tuple(scopes), tuple(sorted(size.items())))


def _possible(network: Network, wanted: Sequence[str]) -> tuple[Support, list[Table]]:
    """What the evidence leaves possible, and the factors of that.

    What is known of the roots alone settles much of what stands below them.
    """
    sizes = network.variables
    seen = {v: np.arange(sizes[v].size) == i for v, i in network.evidence.items()}
    roots = {v: m[None] for v, m in seen.items() if v in network.roots}
    for table in network.findings.values():
        v, alone = table.scope[:1], len(table.scope) == 1
        if alone and v[0] in network.roots and table.p.min() == 0:
            roots[v[0]] = roots.get(v[0], True) & (table.p[None] > 0)
    if not all(m.any() for m in roots.values()):
        raise EvidenceError(_("the evidence has probability zero under this model"))
    if not roots:
        return Support.of(network, seen), network.factors(wanted)
    network = network.pruned([*wanted, *network.roots])  # their weights count too
    possible = {v: m[0] for v, m in reach(network, roots).items()}
    others = {v: i for v, i in network.evidence.items() if v not in roots}
    cut = Support.of(network, {v: m for v, m in possible.items() if v not in others})
    tables = {
        v: t for v, t in network.tables.items() if v in network.in_modes or not cut.settled(v)
    }
    small = replace(
        network,
        variables={v: network.variables[v] for v in tables},
        tables={v: cut.table(t) for v, t in tables.items()},
        findings={k: cut.table(t) for k, t in network.findings.items()},
        evidence=others,
    )
    every = [v for v in (*wanted, *roots) if v in tables]
    return Support.of(network, possible | seen), small.factors(every)


def query(network: Network, names: Sequence[str], extra: Sequence[Table] = ()) -> Table:
    """Unnormalised joint of ``names`` with the evidence: P(names, evidence).

    Scales are kept, so the sum of the table is the probability of the evidence.
    """
    factors = [*network.factors(names), *extra]
    return eliminate(factors, names, _sizes(factors, network))


def eliminate(factors: Sequence[Table], names: Sequence[str], size: Mapping[str, int]) -> Table:
    """Sum every variable but ``names`` out of a product of tables."""
    table, log_scale = eliminate_scaled(factors, names, size)
    return Table(table.scope, table.p * math.exp(log_scale))


def eliminate_scaled(
    factors: Sequence[Table], names: Sequence[str], size: Mapping[str, int]
) -> tuple[Table, float]:
    """As :func:`eliminate`, divided by a number that brings it near 1, and that number's log.

    Raises
    ------
    EvidenceError
        When the product is zero throughout or not finite.
    """
    keep = tuple(names)
    scopes = tuple(t.scope for t in factors)
    order = elimination_order(scopes, tuple(sorted(size.items())), keep)
    if keep and order.kept > MOST_KEPT:
        return _by_name(factors, keep, size)
    pool, log_scale = gather(factors)
    for v in order.names:
        if v in keep:
            break
        touched, log_parts = gather(t for t in pool if v in t.scope)
        pool = [t for t in pool if v not in t.scope]
        scope = set().union(*(t.scope for t in touched)) - {v}
        made, log_made = gather([contract(touched, scope)])
        pool += made
        log_scale += log_parts + log_made
    pool, log_parts = gather(pool)
    (result,), log_result = gather([contract(pool, keep)])
    p = result.p.transpose([result.scope.index(v) for v in keep])
    return Table(keep, p), log_scale + log_parts + log_result


def _by_name(
    factors: Sequence[Table], keep: tuple[str, ...], size: Mapping[str, int]
) -> tuple[Table, float]:
    """As :func:`eliminate_scaled`, state by state of the name that has most, to save memory."""
    v = max(keep, key=lambda v: size[v])
    rest = tuple(u for u in keep if u != v)
    sizes = {u: n for u, n in size.items() if u != v}
    parts: list[tuple[Array, float]] = []
    for i in range(size[v]):
        try:
            table, log_scale = eliminate_scaled([in_state(t, v, i) for t in factors], rest, sizes)
            parts.append((table.p, log_scale))
        except EvidenceError:  # this state has probability zero
            parts.append((np.zeros([size[u] for u in rest]), -math.inf))
    top = max(log_scale for _p, log_scale in parts)
    if top == -math.inf:
        raise EvidenceError(_("the evidence has probability zero under this model"))
    whole = np.stack([p * math.exp(log_scale - top) for p, log_scale in parts], keep.index(v))
    return Table(keep, whole), top


def _sizes(factors: Sequence[Table], network: Network) -> dict[str, int]:
    return {v: network.variables[v].size for t in factors for v in t.scope}


@dataclass(frozen=True, eq=False)
class Posterior:
    """Exact posterior of a network with special states: a signed mixture of calibrated trees.

    Giving a whole state s the weight ratio r is the same as adding (r - 1) times the network
    conditioned on s. So any posterior is the sum of a few calibrated networks, with weights
    that are negative where a state was weighted down.
    """

    log_evidence: float
    parts: tuple[tuple[float, Beliefs], ...]
    _known: dict[tuple[str, ...], Array] = field(default_factory=dict, init=False)

    def has(self, name: str) -> bool:
        """Whether the variable is part of what was calibrated."""
        return self.parts[0][1].has(name)

    def joint(self, names: Sequence[str]) -> Array:
        """Joint posterior of variables that meet in one bucket, axes in the order given."""
        key = tuple(names)
        if key not in self._known:
            p = sum(w * beliefs.joint(names) for w, beliefs in self.parts)
            p = np.maximum(np.asarray(p), 0.0)
            self._known[key] = np.asarray(p / p.sum())
        return self._known[key]

    def joints(self, scopes: Iterable[Sequence[str]]) -> list[Array]:
        """Several joint posteriors."""
        return [self.joint(names) for names in scopes]


def mixture(network: Network) -> list[tuple[float, Network]]:
    """What special states add to the plain network: factors, and networks kept to the states.

    The weight of a state is the product of 1 + (r - 1) [it is the special one], over all of
    them; multiplied out, it is a sum over every set of specials that can hold together.
    Special states that the evidence rules out are left away.
    """
    terms: dict[tuple[tuple[int, ...], ...], float] = {}
    for special in network.special:
        own = tuple(special.allows(v, network.variables[v].states) for v in network.roots)
        new = {own: 1.0}
        for other, factor in terms.items():
            both = tuple(tuple(i for i in a if i in b) for a, b in zip(own, other, strict=True))
            if all(both):
                new[both] = new.get(both, 0.0) + factor
        for key, factor in new.items():
            terms[key] = terms.get(key, 0.0) + (special.ratio - 1.0) * factor
    out = []
    for key, factor in terms.items():
        allowed = dict(zip(network.roots, key, strict=True))
        if factor and all(network.evidence.get(v, a[0]) in a for v, a in allowed.items()):
            out.append((factor, _kept_to(network, allowed)))
    return out


def _kept_to(network: Network, allowed: Mapping[str, tuple[int, ...]]) -> Network:
    """The network with each root kept to some of its states."""
    evidence = {v: a[0] for v, a in allowed.items() if len(a) == 1}
    findings = dict(network.findings)
    for v, states in allowed.items():
        if 1 < len(states) < network.variables[v].size:
            mask = np.isin(np.arange(network.variables[v].size), states)
            findings[f"{v} kept"] = Table((v,), mask.astype(float))
    return replace(network, findings=findings, evidence={**network.evidence, **evidence})


def posterior(network: Network, wanted: Iterable[str], most: float | None = None) -> Posterior:
    """Posterior of the network given its evidence and findings; arguments as :func:`calibrate`.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero or is not finite.
    TooLargeError
        As in :func:`calibrate`.
    """
    wanted = list(wanted)
    whole = calibrate(network, wanted, most)
    parts = [(1.0, whole)]
    for factor, fixed in mixture(network):
        try:
            beliefs = calibrate(fixed, wanted, most)
        except EvidenceError:
            continue  # this state has probability zero already
        weight = factor * math.exp(beliefs.log_evidence - whole.log_evidence)
        parts.append((weight, beliefs))
    total = sum(w for w, _ in parts)
    if not total > LEAST_TOTAL:
        raise EvidenceError(_("the evidence has probability zero under this model"))
    return Posterior(whole.log_evidence + math.log(total), tuple((w / total, b) for w, b in parts))
