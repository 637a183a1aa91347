"""Epochs: the network of a machine that was worked on, unrolled over what was done to it.

An epoch is the stretch between two changes of the machine. What a change does not touch stays
one node (persistence; J. Breese and D. Heckerman, "Decision-theoretic troubleshooting: a
framework for repair and experiment", UAI 1996); a touched component gets a node of its own in
the new epoch, below the old one, and so do the quantities behind it. A part that goes back in
brings its old nodes back.

Random constants (a winding's volts per rpm, a resistance) belong to a part, not to an epoch.
Where a quantity stands in several epochs, all of its copies hang on one *rank*: the place of
this machine among its like, P(value < x). The copies of one rank are the same quantile of their
own laws (comonotone coupling; exact where the constants enter as one monotone factor or
summand, and each copy's own law is exact always). A new part draws a new rank; so does work on
an old part where it changed the mode and the law with it.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchodds.basics.distributions import parse_distribution
from benchodds.basics.tables import Array, Network, Special, State, Table, Variable, parents_first
from benchodds.model.gear import Work
from benchodds.model.priors import FaultPrior
from benchodds.model.system import Repair, SystemModel

RANKS = (150, 8, APART := 0)
"""Cells of a rank at the most; fewer where these tie too much together. With ``APART`` nothing is
carried over a change but modes and gear, as if every constant were drawn anew."""

MOST_ENTRIES = 600_000
"""Entries of a table with a rank; the rank is made coarser to stay below."""

FEWEST = 4
"""Cells below which a rank is none: the constants are drawn anew at the change."""

NEAR = 1e-4
"""Two ends of cells of a rank nearer than this are one."""


@dataclass(frozen=True)
class Change:
    """What one piece of work touches: components, and those of them whose part is new.

    ``back`` is the number (from 1) of an earlier change whose parts are put back as they were.
    """

    touched: frozenset[str] = frozenset()
    renewed: frozenset[str] = frozenset()
    back: int | None = None


def change_of(repair: Repair, model: SystemModel) -> Change:
    """What a repair touches: what it clears and what it may spoil."""
    spoilt = {fault.partition(".")[0] for fault in repair.spoils}
    touched = frozenset(_cleared(repair, model)) | (spoilt & model.components.keys())
    return Change(touched, touched & set(repair.renews))


def outcome_of(
    repair: Repair, model: SystemModel, priors: Mapping[str, Table], work: Work, again: bool
) -> dict[str, Array]:
    """P(mode after | mode before), shape (n, n), of every component that a repair touches.

    A mode that it clears is gone with chance ``holds`` on an old part. A new part is sound but
    for ``dud``, which falls on the modes that the repair is for as their prior does; modes that it
    is not for stay. A sound component may be spoilt. Done ``again``, work on an old part holds
    with ``holds_again`` at the most.

    Parameters
    ----------
    priors
        Prior table of each component, good first.
    """
    holds = work.holds if repair.holds is None else repair.holds
    holds = min(holds, work.holds_again) if again else holds
    dud = work.dud if repair.dud is None else repair.dud
    after: dict[str, Array] = {}
    for component, modes in _cleared(repair, model).items():
        cleared = np.array([False, *(m in modes for m in model.components[component].modes)])
        p = np.eye(len(cleared))
        if component in repair.renews:
            share = np.where(cleared, priors[component].p, 0.0)
            share = share if share.sum() > 0 else cleared.astype(float)
            fresh = dud * share / share.sum()
            fresh[0] = 1 - dud
            p[cleared] = p[0] = fresh
        else:
            p[cleared] *= 1 - holds
            p[cleared, 0] = holds
        after[component] = p
    for fault, chance in repair.spoils.items():
        component, _, mode = fault.partition(".")
        if component in model.components:
            states = ("good", *model.components[component].modes)
            p = after.setdefault(component, np.eye(len(states)))
            spoilt = p[:, 0] * chance
            p[:, 0] -= spoilt
            p[:, states.index(mode)] += spoilt
    return after


def came_with(
    prior: FaultPrior, repairs: Sequence[Repair], model: SystemModel, work: Work
) -> FaultPrior:
    """The prior of a machine that somebody worked on before it came, its complaint staying.

    An epoch that nothing was read in, summed out: with p the prior of each component before, T
    what the work did to it and w(s) the leak of a whole state s without a fault that explains the
    complaint (else 1), the weight of a state a as it came is

        w(a) sum_s prod_c p_c(s) T_c(a | s) w(s) = w(a) (prod_c p_c T_c(a) - (1 - leak) P(a, none))

    where P(a, none) is that of a and of no fault before, so no fault now but those of new parts.
    There it is the share ``q`` of the first term, the same for every fault of a new part. What
    the work may have spoilt besides is left out.
    """
    before = {c: np.concatenate([[1.0], o]) for c, o in prior.odds.items()}
    before = {c: p / p.sum() for c, p in before.items()}
    tables = {c: Table((c,), p) for c, p in before.items()}
    after, fresh, q = dict(before), set(), 1.0
    for repair in repairs:
        bare = repair.model_copy(update={"spoils": {}})
        for c, p in outcome_of(bare, model, tables, work, again=False).items():
            after[c] = after[c] @ p
            modes = model.components[c].modes
            fresh |= {(c, m) for m, x in zip(modes, p[0, 1:], strict=True) if x > 0}
            q *= p[0, 0]
    q *= float(np.prod([before[c][0] / p[0] for c, p in after.items()]))
    base = prior.special or (Special((), prior.leak),)
    worked = (Special((), 1 - (1 - s.ratio) * q, s.apart | fresh) for s in base if not s.state)
    return replace(
        prior,
        odds={c: p[1:] / p[0] for c, p in after.items()},
        special=(*base, *worked) if repairs else prior.special,
    )


def _cleared(repair: Repair, model: SystemModel) -> dict[str, set[str]]:
    """Modes that a repair clears, by component."""
    out: dict[str, set[str]] = {}
    for component, mode in sorted(model.faults_named(repair.clears)):
        out.setdefault(component, set()).add(mode)
    return out


def constants(model: SystemModel) -> dict[str, str]:
    """Quantities with random constants, and the part that these belong to (or none)."""
    out = {}
    for name, q in model.quantities.items():
        laws = [*q.random.values(), *(x for m in q.modes.values() for x in m.by.values())]
        if any(parse_distribution(x).kind != "const" for x in laws) or q.states is not None:
            first = next((m.of for m in q.modes.values()), "")
            out[name] = q.part or first
    return out


@dataclass(frozen=True)
class _Copy:
    """A quantity as it stands in some epochs: its nodes' names, and that of its rank."""

    base: str
    parents: tuple[str, ...]
    rank: str | None
    epoch: int = 0


@dataclass(frozen=True)
class _Rank:
    """A rank: drawn anew, or the one ``before`` where ``moved`` (old, new node) let it."""

    base: str
    before: str | None = None
    moved: tuple[tuple[str, str, str], ...] = ()


class Course:
    """A machine over its epochs: which node stands for what in which, and the network of all.

    ``names`` has one mapping for each epoch, from the variables that are no longer what they were
    to the node that stands for them then. Today's nodes bear the plain names; a former one is
    called after the epoch that it began in, ``exciter@0``.

    Parameters
    ----------
    scopes
        For every component and quantity, in order, what it depends on.
    parts
        Quantities with random constants, and the component whose part these belong to.
    acting
        Nodes that stand between components and quantities: the component as it acts.
    apart
        Whether every epoch has quantities of its own.
    """

    def __init__(
        self,
        scopes: Mapping[str, Sequence[str]],
        parts: Mapping[str, str],
        changes: Sequence[Change],
        acting: frozenset[str] = frozenset(),
        *,
        apart: bool = False,
    ) -> None:
        self._acting = acting
        self._scopes, self._parts, self._apart = scopes, {} if apart else parts, apart
        self._roots = [v for v, above in scopes.items() if not above]
        self._components: dict[str, tuple[str, str, int]] = {}  # node: component, before, epoch
        self._copies: dict[str, _Copy] = {}
        self._ranks: dict[str, _Rank] = {}
        self._made: dict[_Copy, str] = {}
        self._rank_made: dict[tuple[str, str, tuple[str, ...]], str] = {}
        now = {v: v for v in scopes}
        instance = {v: v for v in self._roots}
        ranks = self._stand(0, now, instance, {})
        epochs, owners = [dict(now)], [dict(instance)]
        for e, change in enumerate(changes, start=1):
            if change.back is not None:
                for c in changes[change.back - 1].touched:
                    now[c], instance[c] = epochs[change.back - 1][c], owners[change.back - 1][c]
            for c in sorted(change.touched):
                self._components[f"{c}@{e}"] = (c, now[c], e)
                now[c] = f"{c}@{e}"
                if c in change.renewed:
                    instance[c] = now[c]
            ranks = self._stand(e, now, instance, ranks)
            epochs.append(dict(now))
            owners.append(dict(instance))
        self._called = {v: f"{v}@0" for v in scopes if now[v] != v}
        self._called |= {node: v for v, node in now.items() if node != v}
        self.names: tuple[Mapping[str, str], ...] = tuple(
            {v: called for v, node in epoch.items() if (called := self._call(node)) != v}
            for epoch in epochs
        )

    def _call(self, node: str) -> str:
        return self._called.get(node, node)

    def _stand(
        self,
        e: int,
        now: dict[str, str],
        instance: Mapping[str, str],
        ranks: Mapping[str, tuple[str, str, dict[str, str]]],
    ) -> dict[str, tuple[str, str, dict[str, str]]]:
        """Bring the quantities up to what stands above them; returns their ranks.

        A rank is held with its part's instance and the nodes of the components that it hangs on.
        """
        held = dict(ranks)
        for q, above in self._scopes.items():
            if not above:
                continue
            parents = tuple(now[v] for v in above)
            rank = None
            if q in self._parts:
                held[q] = self._rank_of(e, q, now, instance, held.get(q))
                rank = held[q][0]
            copy = _Copy(q, parents, rank, e if self._apart else 0)
            if copy not in self._made:
                self._made[copy] = f"{q}@{e}" if e else q
                self._copies[self._made[copy]] = copy
            now[q] = self._made[copy]
        return held

    def _rank_of(
        self,
        e: int,
        q: str,
        now: Mapping[str, str],
        instance: Mapping[str, str],
        last: tuple[str, str, dict[str, str]] | None,
    ) -> tuple[str, str, dict[str, str]]:
        own = instance.get(self._parts[q], "")
        hung = {v: now[v] for v in self._scopes[q] if v in instance or v in self._acting}
        key = (q, own, tuple(hung.values()))
        if key not in self._rank_made:
            name = f"rank of {q}@{e}" if e else f"rank of {q}"
            moved: tuple[tuple[str, str, str], ...] = ()
            before = None
            if last is not None and last[1] == own:
                before = last[0]
                moved = tuple((v, last[2][v], hung[v]) for v in hung if last[2][v] != hung[v])
            self._rank_made[key] = name
            self._ranks[name] = _Rank(q, before, moved)
        return self._rank_made[key], own, hung

    # ---- the network --------------------------------------------------------------------

    def network(
        self,
        plain: Network,
        after: Sequence[Mapping[str, Array]],
        findings: Mapping[str, Table],
        asked: Iterable[str] = (),
        cells: int = RANKS[0],
    ) -> Network:
        """The network of all epochs.

        Parameters
        ----------
        plain
            The network of the machine as it came, without readings.
        after
            For each change, P(mode after | mode before) of the components it touched.
        findings
            Readings, on the nodes of their epochs (``names``).
        asked
            Variables of today that will be asked for beside the components.
        cells
            Most cells of a rank.
        """
        inner = {called: node for node, called in self._called.items()}
        wanted = [*asked, *(v for t in findings.values() for v in t.scope)]
        first = [v for t in plain.findings.values() for v in t.scope]
        needed = self._above([*first, *(inner.get(v, v) for v in wanted)])
        chains = Counter(
            self._first(rank)
            for node in needed & self._copies.keys()
            if (rank := self._copies[node].rank) is not None
        )
        ranks = [
            r
            for r, rank in self._ranks.items()
            if cells and chains[self._first(r)] > 1 and _most(plain, rank.base, cells) >= FEWEST
        ]
        usual = _usual(plain) if ranks else {}
        modal = {*plain.roots, *self._acting}
        bases = {self._ranks[r].base for r in ranks}
        ends = {q: _cells(plain, q, usual, cells, modal) for q in bases}
        made: dict[str, tuple[Variable, Table]] = {}
        for node, (c, before, e) in self._components.items():
            p = np.ascontiguousarray(after[e - 1][c].T)
            made[node] = plain.variables[c], Table((node, before), p)
        for rank in ranks:
            made[rank] = self._rank_node(plain, rank, ends[self._ranks[rank].base])
        today = {node for node in self._copies if self._call(node) == self._copies[node].base}
        for node, copy in self._copies.items():
            if node not in needed | today and copy.base not in self._acting:
                continue  # nothing was read of it, nor will be, and no rank hangs on it
            table, scope = plain.tables[copy.base].p, (node, *copy.parents)
            if copy.rank in ranks and node in needed:
                table, scope = ranked(table, ends[copy.base]), (node, copy.rank, *copy.parents)
            made[node] = plain.variables[copy.base], Table(scope, table)
        others = plain.variables.keys() - made.keys() - self._copies.keys()
        rest = {v: (x, plain.tables[v]) for v, x in plain.variables.items() if v in others}
        return self._renamed(plain, {**rest, **made}, findings)

    def _renamed(
        self,
        plain: Network,
        made: Mapping[str, tuple[Variable, Table]],
        findings: Mapping[str, Table],
    ) -> Network:
        """The network with the names that its nodes have today."""
        call = self._call
        tables = {
            call(v): Table(tuple(map(call, table.scope)), table.p)
            for v, (_variable, table) in made.items()
        }
        variables = {call(v): replace(variable, name=call(v)) for v, (variable, _) in made.items()}
        order = parents_first({v: tables[v].scope[1:] for v in variables})
        links = {k: Table(tuple(map(call, t.scope)), t.p) for k, t in plain.findings.items()}
        special = tuple(
            Special(
                tuple((call(c), m) for c, m in s.state),
                s.ratio,
                frozenset((call(c), m) for c, m in s.apart),
            )
            for s in plain.special
        )
        return replace(
            plain,
            variables={v: variables[v] for v in order},
            tables=tables,
            findings={**links, **findings},
            special=special,
            roots=tuple(map(call, plain.roots)),
            later=tuple(map(call, self._components)),
            components=plain.roots,
        )

    def _above(self, names: Iterable[str]) -> set[str]:
        """The nodes and everything above them, ranks left aside."""
        seen: set[str] = set()
        todo = list(names)
        while todo:
            v = todo.pop()
            if v not in seen:
                seen.add(v)
                if v in self._copies:
                    todo += self._copies[v].parents
        return seen

    def _first(self, rank: str) -> str:
        while (before := self._ranks[rank].before) is not None:
            rank = before
        return rank

    def _rank_node(self, plain: Network, name: str, edges: Array) -> tuple[Variable, Table]:
        rank, width = self._ranks[name], np.diff(edges)
        variable = Variable(name, tuple(f"{x:.4g}" for x in edges[1:]))
        if rank.before is None:
            return variable, Table((name,), width)
        table = plain.tables[rank.base]
        keep: Array = np.ones(())
        scope: list[str] = []
        for component, old, new in rank.moved:
            like = alike(table.p, table.scope.index(component))
            keep = np.multiply.outer(keep, like)
            scope += [old, new]
        stays = np.eye(len(width)).reshape(len(width), len(width), *[1] * keep.ndim)
        anew = width.reshape(-1, 1, *[1] * keep.ndim)
        return variable, Table((name, rank.before, *scope), keep * stays + (1 - keep) * anew)


def _cells(
    plain: Network, q: str, usual: Mapping[str, int], cells: int, modal: Collection[str]
) -> Array:
    """Ends of the cells of a quantity's rank: the steps of its law where that is likely.

    They are the cumulative shares of its nodes with the quantities above it as they mostly
    are, for every mode of the components above it; the sound machine's come first.
    """
    table = plain.tables[q]
    ways = [
        range(n) if v in modal else [usual[v]]
        for v, n in zip(table.scope[1:], table.p.shape[1:], strict=True)
    ]
    most = _most(plain, q, cells)
    ends = np.array([0.0, 1.0])
    for combo in sorted(itertools.product(*ways), key=lambda c: sum(map(bool, c))):
        steps = np.cumsum(table.p.reshape(table.p.shape[0], -1)[:, _place(table, combo)])
        for x in steps[(steps > NEAR) & (steps < 1 - NEAR)]:
            if np.abs(ends - x).min() > NEAR:
                ends = np.sort(np.append(ends, x))
        if len(ends) > most:
            break
    if len(ends) > most + 1:
        ends = ends[np.unique(np.linspace(0, len(ends) - 1, most + 1).round().astype(int))]
    return ends


def _most(plain: Network, q: str, cells: int) -> int:
    """Most cells of a quantity's rank."""
    return int(min(cells, MOST_ENTRIES // plain.tables[q].p.size))


def _usual(plain: Network) -> dict[str, int]:
    """The likeliest state of every variable of a sound machine, from the top down."""
    out: dict[str, int] = {}
    for v, table in plain.tables.items():
        above = tuple(out[u] for u in table.scope[1:])
        column = table.p.reshape(table.p.shape[0], -1)[:, _place(table, above)]
        out[v] = 0 if v in plain.roots else int(np.argmax(column))
    return out


def _place(table: Table, above: Sequence[int]) -> int:
    """Number of the column of a table for states of its parents."""
    return int(np.ravel_multi_index(tuple(above), table.p.shape[1:]))


def ranked(p: Array, edges: Array) -> Array:
    """P(node | cell of the rank, parents) from P(node | parents), cells on axis 1.

    Summed over cells with their widths it is ``p`` again.
    """
    n = p.shape[0]
    flat = p.reshape(n, 1, -1)
    top = np.cumsum(flat, axis=0)
    top = top / top[-1]
    low = np.concatenate([np.zeros_like(top[:1]), top[:-1]])
    a, b = edges[:-1].reshape(1, -1, 1), edges[1:].reshape(1, -1, 1)
    share = np.clip(np.minimum(top, b) - np.maximum(low, a), 0.0, None)
    share /= share.sum(axis=0)
    return np.asarray(share.reshape(n, len(edges) - 1, *p.shape[1:]))


def alike(p: Array, axis: int) -> Array:
    """Which two states of a parent leave a quantity with the same law, shape (n, n)."""
    rows = np.moveaxis(p, axis, 0)
    return np.array(
        [
            [i == j or np.allclose(a, b, atol=1e-12) for j, b in enumerate(rows)]
            for i, a in enumerate(rows)
        ],
        dtype=float,
    )


def present(network: Network, history: State) -> State:
    """The faults of a history that are there today."""
    return tuple(f for f in history if f[0] in network.components)


__all__ = ["Change", "Course", "alike", "change_of", "constants", "outcome_of", "present", "ranked"]
