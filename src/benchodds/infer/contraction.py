"""Products of named tables, summed over what is not wanted, within bounds on memory.

Sums are done as batched matrix products; a product that would be too large is worked out state
by state of one of its variables.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from benchodds.basics.errors import EvidenceError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Table

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
        part = contract([in_state(t, v, i) for t in tables], wanted - {v})
        p = part.p.transpose([part.scope.index(u) for u in scope])
        if v in wanted:
            whole[i] = p
        else:
            whole += p
    return Table((v, *scope) if v in wanted else scope, whole)


def in_state(table: Table, name: str, state: int) -> Table:
    """The table where a variable is in one state; as it is when the variable is not its own."""
    if name not in table.scope:
        return table
    axis = table.scope.index(name)
    p = np.asarray(table.p.take(state, axis))
    return Table((*table.scope[:axis], *table.scope[axis + 1 :]), p)
