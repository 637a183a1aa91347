"""Exact inference by bucket elimination and message passing on a bucket tree.

Sources: R. Dechter, "Bucket elimination: a unifying framework for reasoning", Artificial
Intelligence 113 (1999); the two-pass form is Shenoy-Shafer propagation (1990) on the tree
that elimination leaves behind. Sums are done as batched matrix products.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchodds.basics.errors import EvidenceError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, Table
from benchodds.infer.buckets import Messages, Tree, elimination_order
from benchodds.infer.support import Support, reach

LEAST_TOTAL = 1e-12
"""Share of the probability that special states must leave; below it only rounding is left."""

LARGE = 100_000
"""Entries from which copying a table costs more than it is worth."""

AT_ONCE = 8_000_000
"""Entries of a product from which it is worked out in slices."""


def combine(a: Table, b: Table, keep: frozenset[str] | set[str]) -> Table:
    """Product of two tables, summed over every variable not in ``keep``."""
    in_a, in_b = set(a.scope), set(b.scope)
    # What only one side has and nobody wants is summed first.
    a = _sum_out(a, [v for v in a.scope if v not in keep and v not in in_b])
    b = _sum_out(b, [v for v in b.scope if v not in keep and v not in in_a])
    shared = [v for v in a.scope if v in in_b]
    gone = [v for v in shared if v not in keep]
    batch = [v for v in shared if v in keep]
    left = [v for v in a.scope if v not in in_b]
    right = [v for v in b.scope if v not in in_a]
    pa = a.p.transpose([a.scope.index(v) for v in (*batch, *left, *gone)])
    pb = b.p.transpose([b.scope.index(v) for v in (*batch, *gone, *right)])
    n_batch, n_left, n_gone = len(batch), len(left), len(gone)
    if not gone:
        pa = pa.reshape(pa.shape + (1,) * len(right))
        pb = pb.reshape(pb.shape[:n_batch] + (1,) * n_left + pb.shape[n_batch:])
        return Table((*batch, *left, *right), pa * pb)
    shape = pa.shape[:n_batch] + pa.shape[n_batch : n_batch + n_left] + pb.shape[n_batch + n_gone :]
    size_batch = math.prod(pa.shape[:n_batch])
    size_gone = math.prod(pa.shape[n_batch + n_left :])
    pa = pa.reshape(size_batch, -1, size_gone)
    pb = pb.reshape(size_batch, size_gone, -1)
    product = pa[0] @ pb[0] if size_batch == 1 else np.matmul(pa, pb)
    return Table((*batch, *left, *right), product.reshape(shape))


def _by_scope(tables: Iterable[Table]) -> dict[tuple[str, ...], list[Array]]:
    """Entries of the tables by scope; axes are brought into the order of the first of them."""
    groups: dict[frozenset[str], tuple[tuple[str, ...], list[Array]]] = {}
    for table in tables:
        scope, same = groups.setdefault(frozenset(table.scope), (table.scope, []))
        if scope != table.scope:
            same.append(table.p.transpose([table.scope.index(v) for v in scope]))
        else:
            same.append(table.p)
    return dict(groups.values())


def gather(tables: Iterable[Table]) -> tuple[list[Table], float]:
    """Tables with those of one scope multiplied together, and the log of what was divided out.

    Each result has a largest entry of 1, or near it in a large table. Products are sums of
    logs, so that thousands of readings of one quantity, or likelihoods near the smallest
    number, keep their ratios.

    Raises
    ------
    EvidenceError
        When a product is zero throughout or not finite.
    """
    out: list[Table] = []
    log_scale = 0.0
    for scope, same in _by_scope(tables).items():
        if len(same) > 1:
            with np.errstate(divide="ignore", invalid="ignore"):
                logs = np.sum([np.log(p) for p in same], axis=0)
            top = float(logs.max())
            p = np.exp(logs - top) if math.isfinite(top) else logs
        else:
            p = same[0]
            largest = float(p.max()) if p.size else 0.0
            top = math.log(largest) if 0.0 < largest < math.inf else math.nan
            if p.size > LARGE and abs(top) < 40.0:
                top = 0.0  # near enough: not worth a copy
            elif math.isfinite(top):
                p = p / largest
        if not math.isfinite(top):
            raise EvidenceError(_("the evidence has probability zero under this model"))
        log_scale += top
        out.append(Table(scope, p))
    return out, log_scale


def _sum_out(table: Table, names: Sequence[str]) -> Table:
    if not names:
        return table
    axes = tuple(table.scope.index(v) for v in names)
    return Table(tuple(v for v in table.scope if v not in names), table.p.sum(axis=axes))


def contract(tables: Sequence[Table], keep: Iterable[str]) -> Table:
    """Product of all tables, summed over what is not in ``keep``.

    Tables of one scope are multiplied first; then pairs are taken so that each step leaves
    the smallest table possible. Where that is larger than :data:`AT_ONCE`, the rest is done
    for each state of a variable of its own.
    """
    wanted = set(keep)
    todo = [Table(s, math.prod(same[1:], start=same[0])) for s, same in _by_scope(tables).items()]
    if len(todo) == 1:
        return _sum_out(todo[0], [v for v in todo[0].scope if v not in wanted])
    size = {v: n for t in todo for v, n in zip(t.scope, t.p.shape, strict=True)}
    while len(todo) > 1:
        best: tuple[float, float, int, int] | None = None
        for i, a in enumerate(todo):
            for j in range(i):
                b = todo[j]
                both = set(a.scope) | set(b.scope)
                rest = wanted.union(*(t.scope for k, t in enumerate(todo) if k not in (i, j)))
                left = math.prod(size[v] for v in both & rest)
                work = math.prod(size[v] for v in both)
                gain = left - a.p.size - b.p.size
                if best is None or (gain, work) < best[:2]:
                    best = (gain, work, i, j)
        assert best is not None
        i, j = best[2:]
        a, b = todo[i], todo[j]
        others = [t for k, t in enumerate(todo) if k not in (i, j)]
        stay = wanted.union(*(t.scope for t in others))
        made = [v for v in size if v in stay and (v in a.scope or v in b.scope)]
        if math.prod(size[v] for v in made) > AT_ONCE:
            return _in_slices(todo, wanted, made, size)
        todo = [*others, combine(a, b, stay)]
    return _sum_out(todo[0], [v for v in todo[0].scope if v not in wanted])


def _in_slices(
    tables: Sequence[Table], wanted: set[str], made: Sequence[str], size: Mapping[str, int]
) -> Table:
    """As :func:`contract`, state by state of one of the variables of a product that is too large.

    It is one that is wanted, if any is, as nothing is done twice then; of these the one whose
    slices are just small enough.
    """
    slices = math.prod(size[v] for v in made) / AT_ONCE
    v = min(made, key=lambda v: (v not in wanted, size[v] < slices, abs(size[v] - slices)))
    scope = tuple(u for u in size if u in wanted and u != v)
    whole: Array = np.zeros([*([size[v]] if v in wanted else []), *(size[u] for u in scope)])
    for i in range(size[v]):
        part = contract([_state(t, v, i) for t in tables], wanted - {v})
        p = part.p.transpose([part.scope.index(u) for u in scope])
        if v in wanted:
            whole[i] = p
        else:
            whole += p
    return Table((v, *scope) if v in wanted else scope, whole)


def _state(table: Table, name: str, state: int) -> Table:
    """The table where a variable is in one state; as it is when the variable is not its own."""
    if name not in table.scope:
        return table
    axis = table.scope.index(name)
    return Table((*table.scope[:axis], *table.scope[axis + 1 :]), table.p.take(state, axis))


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


def calibrate(network: Network, wanted: Iterable[str]) -> Beliefs:
    """Propagate all evidence up the bucket tree; what goes down waits until it is asked for.

    Parameters
    ----------
    wanted
        Variables whose posterior will be asked; others may be left out as barren.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero or is not finite.
    """
    support, small = _possible(network)
    seen = [v for v in network.roots if v in support.left]  # whose weights are left to count
    every = [v for v in (*wanted, *seen) if v in small.variables]
    factors, log_scale = gather(small.factors(every))
    scopes = tuple(t.scope for t in factors)
    order = elimination_order(scopes, tuple(sorted(_sizes(factors, small).items()))).affordable()
    tree = Tree(scopes, order.names)
    messages = Messages(tree, [Scaled(t) for t in factors], _product)
    for top in tree.tops:
        log_scale += _product(messages.around([top]), frozenset()).log_scale
    return Beliefs(log_scale, messages, support)


def _possible(network: Network) -> tuple[Support, Network]:
    """What the evidence on the roots leaves possible, and the network of that.

    What is said to be left includes the evidence itself.
    """
    seen = {v: np.arange(network.variables[v].size) == i for v, i in network.evidence.items()}
    if not any(v in network.roots for v in seen):
        return Support.of(network, seen), network
    everything = {v: np.ones(network.variables[v].size, bool) for v in network.roots}
    roots = {v: seen.get(v, m)[None] for v, m in everything.items()}
    possible = {v: m[0] for v, m in reach(network, roots).items()}
    others = {v: i for v, i in network.evidence.items() if v not in network.roots}
    cut = Support.of(network, {v: m for v, m in possible.items() if v not in others})
    return Support.of(network, possible | seen), replace(cut.network(network), evidence=others)


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


def _sizes(factors: Sequence[Table], network: Network) -> dict[str, int]:
    return {v: network.variables[v].size for t in factors for v in t.scope}


@dataclass(frozen=True)
class Posterior:
    """Exact posterior of a network with special states: a signed mixture of calibrated trees.

    Giving a whole state s the weight ratio r is the same as adding (r - 1) times the network
    conditioned on s. So any posterior is the sum of a few calibrated networks, with weights
    that are negative where a state was weighted down.
    """

    log_evidence: float
    parts: tuple[tuple[float, Beliefs], ...]

    def joint(self, names: Sequence[str]) -> Array:
        """Joint posterior of variables that meet in one bucket, axes in the order given."""
        p = sum(w * beliefs.joint(names) for w, beliefs in self.parts)
        p = np.maximum(np.asarray(p), 0.0)
        return np.asarray(p / p.sum())


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


def posterior(network: Network, wanted: Iterable[str]) -> Posterior:
    """Posterior of the network given its evidence and findings.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero or is not finite.
    """
    wanted = list(wanted)
    whole = calibrate(network, wanted)
    parts = [(1.0, whole)]
    for factor, fixed in mixture(network):
        try:
            beliefs = calibrate(fixed, wanted)
        except EvidenceError:
            continue  # this state has probability zero already
        weight = factor * math.exp(beliefs.log_evidence - whole.log_evidence)
        parts.append((weight, beliefs))
    total = sum(w for w, _ in parts)
    if not total > LEAST_TOTAL:
        raise EvidenceError(_("the evidence has probability zero under this model"))
    return Posterior(whole.log_evidence + math.log(total), tuple((w / total, b) for w, b in parts))
