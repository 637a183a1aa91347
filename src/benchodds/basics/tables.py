"""Named tables: the discrete network in plain NumPy, independent of any library."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from graphlib import CycleError, TopologicalSorter

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.errors import ModelError
from benchodds.basics.language import _

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Index = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Variable:
    """A discrete variable.

    ``points`` (n_states, n_sub) holds, for a quantity or a numeric latent, equal-weight
    values that stand for the reach of each state, the middle one for the state itself; for an
    atom they are all alike.
    """

    name: str
    states: tuple[str, ...]
    points: Array | None = None
    unit: str = ""

    @property
    def size(self) -> int:
        """Number of states."""
        return len(self.states)

    @property
    def values(self) -> Array:
        """Value at which formulas are worked out in each state, shape (n_states,)."""
        assert self.points is not None
        return np.asarray(self.points[:, self.points.shape[1] // 2])


@dataclass(frozen=True, eq=False)
class Table:
    """A non-negative function of named variables; axis i of ``p`` runs over ``scope[i]``."""

    scope: tuple[str, ...]
    p: Array

    @cached_property
    def bits(self) -> NDArray[np.uint8]:
        """Where the table is not zero, eight states of its first variable to a byte."""
        return np.packbits(self.p > 0, axis=0)

    @cached_property
    def reached(self) -> dict[tuple[tuple[str, ...], bytes], NDArray[np.bool_]]:
        """What is possible of the first variable, by what is of others: worked out before."""
        return {}

    @cached_property
    def cuts(self) -> dict[tuple[tuple[str, bytes], ...], Table]:
        """The table without some states: worked out before."""
        return {}


def renamed(table: Table, names: Mapping[str, str]) -> Table:
    """A table with other names for some of its variables."""
    return Table(tuple(names.get(v, v) for v in table.scope), table.p)


def slim(table: Table, keep: int = 0) -> Table:
    """The table without axes along which it does not change; the last ``keep`` axes stay."""
    scope, p = table.scope, table.p
    for axis in range(p.ndim - keep - 1, -1, -1):
        first = p.take([0], axis=axis)
        if p.strides[axis] == 0 or np.array_equal(p, np.broadcast_to(first, p.shape)):
            p = np.asarray(p.take(0, axis=axis))
            scope = scope[:axis] + scope[axis + 1 :]
    return Table(scope, np.ascontiguousarray(p).reshape(p.shape))  # which makes 0-d arrays 1-d


State = tuple[tuple[str, str], ...]
"""A whole machine state: the faults present as (component, mode); empty when none is."""


@dataclass(frozen=True)
class Special:
    """A whole machine state whose prior weight is multiplied by ``ratio``.

    Faults in ``apart`` do not count: the ratio holds whether they are there or not.
    """

    state: State
    ratio: float
    apart: frozenset[tuple[str, str]] = frozenset()

    def allows(self, component: str, states: Sequence[str]) -> tuple[int, ...]:
        """Indices of the states (good first) that a component may be in."""
        here = dict(self.state)
        if component in here:
            return (states.index(here[component]),)
        return (0, *(i for i, m in enumerate(states) if i and (component, m) in self.apart))

    def holds(self, state: State) -> bool:
        """Whether a whole machine state is this one, whatever is apart from it."""
        return set(state) - self.apart == set(self.state)


def parents_first(above: Mapping[str, Iterable[str]]) -> list[str]:
    """Names in an order in which those above each come first.

    Raises
    ------
    ModelError
        When there is no such order.
    """
    try:
        return list(TopologicalSorter(above).static_order())
    except CycleError:
        raise ModelError(_("the network runs in a circle")) from None


@dataclass(frozen=True, eq=False)
class Network:
    """A Bayesian network: one conditional table per variable, the child first in its scope.

    ``evidence`` fixes variables to a state index. ``findings`` are likelihood tables over
    any variables (readings, links): they multiply in, and need not sum to anything.
    ``roots`` are the components; ``special`` re-weights a few of their whole states (the
    complaint needs a fault, so the state without one is weighted down). Where the machine was
    worked on, ``roots`` are its components as they came, ``later`` what became of those that were
    touched (the parent the same component before), and ``components`` are today's. ``states``,
    where given, are the only whole states (or histories) that are looked at. ``intermittent``,
    where there is one, is the node that says which fault comes and goes (state 0: none does).
    """

    variables: Mapping[str, Variable]
    tables: Mapping[str, Table]
    evidence: Mapping[str, int] = field(default_factory=dict)
    findings: Mapping[str, Table] = field(default_factory=dict)
    special: tuple[Special, ...] = ()
    roots: tuple[str, ...] = ()
    later: tuple[str, ...] = ()
    components: tuple[str, ...] = ()
    states: tuple[State, ...] = ()
    intermittent: str = ""

    def __post_init__(self) -> None:
        """Without work on it a machine's components are its roots."""
        if not self.later:
            object.__setattr__(self, "components", self.roots)

    @property
    def in_modes(self) -> tuple[str, ...]:
        """Every node that a history tells: components as they came, what became of those that were
        worked on, and which fault comes and goes."""
        return (*self.roots, *self.later, *filter(None, [self.intermittent]))

    @cached_property
    def below_roots(self) -> tuple[str, ...]:
        """Variables other than components, parents first.

        Raises
        ------
        ModelError
            When there is no such order.
        """
        depth = dict.fromkeys(self.roots, 0)
        for v in parents_first({v: self.tables[v].scope[1:] for v in self.variables}):
            if v not in depth:
                depth[v] = 1 + max((depth[u] for u in self.tables[v].scope[1:]), default=0)
        return tuple(sorted((v for v in self.variables if depth[v]), key=depth.__getitem__))

    def ancestors(self, names: Iterable[str]) -> set[str]:
        """The named variables and everything upstream of them."""
        seen: set[str] = set()
        todo = list(names)
        while todo:
            name = todo.pop()
            if name not in seen:
                seen.add(name)
                todo += self.tables[name].scope[1:]
        return seen

    def _needed(self, wanted: Iterable[str]) -> list[str]:
        """Variables that are wanted or upstream of what is wanted, of evidence or of findings.

        All others sum out to one (barren nodes; Shachter 1986).
        """
        told = (v for table in self.findings.values() for v in table.scope)
        keep = self.ancestors([*wanted, *self.evidence, *told])
        return [v for v in self.variables if v in keep]

    def pruned(self, wanted: Iterable[str]) -> Network:
        """The network of what matters for ``wanted`` and the evidence."""
        here = self._needed(wanted)
        return replace(
            self,
            variables={v: self.variables[v] for v in here},
            tables={v: self.tables[v] for v in here},
        )

    def factors(self, wanted: Iterable[str] = ()) -> list[Table]:
        """The tables that matter for ``wanted`` and the evidence, with evidence sliced in."""
        chosen = [self.tables[v] for v in self._needed(wanted)]
        return [self._slice(t) for t in [*chosen, *self.findings.values()]]

    def _slice(self, table: Table) -> Table:
        if not any(v in self.evidence for v in table.scope):
            return table
        index = tuple(self.evidence.get(v, slice(None)) for v in table.scope)
        return Table(tuple(v for v in table.scope if v not in self.evidence), table.p[index])
