"""Machines, gear and readings drawn from the model: the same tables that inference reads.

A machine is drawn whole: its faults with the links between them, then every quantity from its
own table given what it depends on, and the operator, adapter, meter, input and leads of the
session. A reading is drawn from the measurement model's chances given all these, so readings
that share an operator, a dead adapter or a meter that is off go wrong together, as at the bench.
The hook-up is new for every reading. Work on a machine draws what it touches anew, as
:mod:`benchodds.infer.epochs` has it: a part that stays keeps its place among its like.

One fault of a machine may come and go (:mod:`benchodds.infer.intermittent`): it is drawn which,
and in what share of tries it is there. A reading is then drawn from the same mixture that
inference reads.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.errors import ModelError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, State, Table, renamed
from benchodds.infer import intermittent
from benchodds.infer.compiled import Machine
from benchodds.infer.epochs import alike
from benchodds.infer.intermittent import NAME, Met, Spell
from benchodds.model.technique import Technique

Numbers = NDArray[np.intp]

AT_ONCE = 512
"""Machines proposed at once."""

MOST_TRIES = 2000
"""Lots of proposals after which the prior is said to be impossible."""


@dataclass(frozen=True, eq=False)
class Truth:
    """A drawn machine with its session: the state number of every variable.

    ``state`` are its faults, there always or now and then. ``ranks``, from 0 to 1, say where its
    random constants lie among those of its like.
    """

    at: Mapping[str, int]
    state: State
    ranks: Mapping[str, float] = field(default_factory=dict)

    def has(self, faults: Iterable[tuple[str, str]]) -> bool:
        """Whether any of these faults is there."""
        return bool(set(self.state) & set(faults))


@dataclass(frozen=True, eq=False)
class Crowd:
    """Many of them side by side: state numbers and ranks by variable, each (n,)."""

    at: Mapping[str, Numbers]
    ranks: Mapping[str, Array]

    def take(self, rows: Numbers) -> Crowd:
        """Some of them, in this order."""
        at = {v: x[rows] for v, x in self.at.items()}
        return Crowd(at, {v: x[rows] for v, x in self.ranks.items()})

    @staticmethod
    def joined(crowds: Sequence[Crowd]) -> Crowd:
        """One crowd after the other."""
        at = {v: np.concatenate([c.at[v] for c in crowds]) for v in crowds[0].at}
        ranks = {v: np.concatenate([c.ranks[v] for c in crowds]) for v in crowds[0].ranks}
        return Crowd(at, ranks)


@dataclass(frozen=True, eq=False)
class Shown:
    """Chances of the outcomes of a fresh reading: P(outcome | scope) with the outcome last while
    no fault is away, hook-up summed over; and how it meets a fault that comes and goes."""

    table: Table
    met: Met | None

    def chances(self, at: Mapping[str, Any]) -> Array:
        """P(outcome) on machines in these states, (n, n_outcomes), or on one, (n_outcomes,)."""
        p = np.asarray(self.table.p[tuple(at[v] for v in self.table.scope[:-1])])
        if self.met is None:
            return p
        there = self.met.there
        return np.asarray(
            self.met.away[at[NAME]][..., None] * p + there.p[tuple(at[v] for v in there.scope[:-1])]
        )

    def reading(self, truth: Truth, luck: float) -> int:
        """Number of the outcome of a fresh reading; every reading of a drawn machine goes through
        here. ``luck`` is uniform on 0 to 1."""
        row = self.chances(truth.at)
        return _pick(np.cumsum(row) / row.sum(), luck)


def shown(machine: Machine, test: str, technique: Technique, table: Table | None = None) -> Shown:
    """The chances of a fresh reading of a test; a ``table`` may give other outcomes of it."""
    met = intermittent.foreseen(machine, test, technique, table=table)
    table = machine.predictive(test, technique)[1] if table is None else table
    return Shown(renamed(table, intermittent.acting_nodes(machine)), met)


def drawn_from(machine: Machine, prior: Network, said: Collection[str]) -> Nature:
    """What draws machines with a prior; ``said`` are complaint and contexts."""
    network = intermittent.with_node(prior, machine, tuple(said))
    return Nature(network, machine.constants, intermittent.spells(machine))


class Nature:
    """Draws machines from a network before any reading.

    ``constants`` are its quantities with random constants, and the part that these belong to;
    ``spells`` the ways in which a fault may come and go, where the network has a node for them.

    Raises
    ------
    ModelError
        When the network holds findings on anything but its components.
    """

    def __init__(
        self,
        network: Network,
        constants: Mapping[str, str] | None = None,
        spells: Sequence[Spell] = (),
    ) -> None:
        self.network = network
        self.roots = network.roots
        self.constants = constants or {}
        self.spells = tuple(spells)
        known = {*self.roots, network.intermittent}
        for name, table in network.findings.items():
            if not set(table.scope) <= known:
                raise ModelError(
                    _("'{name}' is about more than components; draw before reading").format(
                        name=name
                    )
                )
        plain = (t for t in network.findings.values() if NAME not in t.scope)
        self._most = math.prod(float(t.p.max()) for t in plain) * math.prod(
            max(1.0, s.ratio) for s in network.special
        )
        self._order = network.below_roots
        self._sums = {
            v: np.cumsum(np.moveaxis(network.tables[v].p, 0, -1), axis=-1) for v in self._order
        }

    def machine(self, rng: np.random.Generator) -> Truth:
        """A machine with the complaint, and the session in which it is looked at."""
        at = {v: np.array([i], dtype=np.intp) for v, i in self._faults(rng).items()}
        return self._truth(self.crowd(at, 1, rng))

    def worked_on(
        self,
        truth: Truth,
        after: Mapping[str, Array],
        renewed: Collection[str],
        rng: np.random.Generator,
    ) -> Truth:
        """The machine after work with these outcomes: P(mode after | mode before) by component."""
        luck = rng.random(len(after)).tolist()
        modes = {
            c: np.array([_pick(np.cumsum(p[truth.at[c]]), u)], dtype=np.intp)
            for (c, p), u in zip(after.items(), luck, strict=True)
        }
        at = {v: np.array([i], dtype=np.intp) for v, i in truth.at.items()}
        crowd = Crowd(at, {v: np.array([x]) for v, x in truth.ranks.items()})
        return self._truth(self.changed(crowd, modes, renewed, rng))

    def changed(
        self,
        crowd: Crowd,
        modes: Mapping[str, Numbers],
        renewed: Collection[str],
        rng: np.random.Generator,
    ) -> Crowd:
        """Machines whose touched components are in these modes now, some parts ``renewed``.

        What hangs on them is drawn anew; a random constant stays at its rank, but where its part
        is new or the mode has changed its law. A fault that came and went does so still where its
        component is in that mode.
        """
        modes = {**modes, **self._acting(crowd, modes)}
        at, ranks, moved = {**crowd.at, **modes}, dict(crowd.ranks), modes.keys() - {NAME}
        n = len(next(iter(at.values())))
        for v in self._order:
            own = self.constants.get(v, "")
            above = set(self.network.tables[v].scope[1:])
            if v in modes or (not moved & above and own not in renewed):
                continue
            moved.add(v)
            at.pop(v, None)
            if v in ranks:
                anew = np.full(n, own in renewed) | ~self._stays(v, crowd, modes)
                ranks[v] = np.where(anew, rng.random(n), ranks[v])
        return self._filled(at, ranks, n, rng)

    def _acting(self, crowd: Crowd, modes: Mapping[str, Numbers]) -> dict[str, Numbers]:
        """What comes and goes now, and how the components act whose modes may do so."""
        if not self.spells:
            return {}
        k = crowd.at[NAME].copy()
        now: dict[str, Numbers] = {}
        for c in {s.component for s in self.spells} & modes.keys():
            mine = np.array([-1, *(s.at if s.component == c else -1 for s in self.spells)])[k]
            k[(mine >= 0) & (mine != modes[c])] = 0
            now[intermittent.acting(c)] = np.where(mine == modes[c], 0, modes[c])
        return {NAME: k, **now}

    def _stays(self, v: str, crowd: Crowd, modes: Mapping[str, Numbers]) -> NDArray[np.bool_]:
        """Whether the modes above a quantity leave it the law that it had."""
        table = self.network.tables[v]
        same = np.ones(len(next(iter(modes.values()))), dtype=bool)
        for c in modes.keys() & set(table.scope):
            same &= alike(table.p, table.scope.index(c))[crowd.at[c], modes[c]] > 0
        return same

    def unsteady(self, truth: Truth) -> tuple[str, str] | None:
        """The fault of a machine that comes and goes, if one does."""
        k = truth.at.get(NAME, 0)
        return (self.spells[k - 1].component, self.spells[k - 1].mode) if k else None

    def with_sound(self, truth: Truth, gear: str) -> Truth:
        """The machine looked at through new gear of a kind, in its commonest sound state."""
        if gear not in truth.at:
            return truth
        return Truth({**truth.at, gear: self.sound(gear)}, truth.state, truth.ranks)

    def sound(self, gear: str) -> int:
        """The commonest sound state of gear of a kind."""
        states, p = self.network.variables[gear].states, self.network.tables[gear].p
        return max((i for i, s in enumerate(states) if s[:2] == "ok"), key=lambda i: float(p[i]))

    def ways(self, fault: tuple[str, str] | None) -> Array:
        """Chances of the ways in which this fault comes and goes, all others none; of its first,
        that none does, where there is no such fault."""
        mine = [s.weight * ((s.component, s.mode) == fault) for s in self.spells]
        p = np.array([float(fault is None), *mine])
        return np.asarray(p / p.sum())

    def crowd(self, fixed: Mapping[str, Numbers], size: int, rng: np.random.Generator) -> Crowd:
        """``size`` machines that have these states; the rest is drawn."""
        return self._filled(fixed, {}, size, rng)

    def _filled(
        self,
        fixed: Mapping[str, Numbers],
        known: Mapping[str, Array],
        size: int,
        rng: np.random.Generator,
    ) -> Crowd:
        """Machines with these states and ranks; what has none is drawn."""
        at, ranks = dict(fixed), dict(known)
        for v in self._order:
            if v not in at:
                luck = ranks.get(v)
                luck = rng.random(size) if luck is None else luck
                if v in self.constants:
                    ranks[v] = luck
                rows = self._sums[v][tuple(at[p] for p in self.network.tables[v].scope[1:])]
                place = (rows <= luck[:, None] * rows[..., -1:]).sum(axis=-1)
                place = np.minimum(place, rows.shape[-1] - 1)
                at[v] = place if len(place) == size else np.broadcast_to(place, size).copy()
        return Crowd(at, ranks)

    def _truth(self, crowd: Crowd) -> Truth:
        at = {v: int(x[0]) for v, x in crowd.at.items()}
        names = self.network.variables
        state = tuple((c, names[c].states[at[c]]) for c in self.roots if at[c])
        return Truth(at, state, {v: float(x[0]) for v, x in crowd.ranks.items()})

    def _ways(self, lot: Mapping[str, Numbers]) -> Array:
        """Chance of each way of coming and going, none first, given states of the components,
        (n_ways, n). What is missing to 1 is that two faults do so at once, which is left out."""
        name, n = self.network.intermittent, len(next(iter(lot.values())))
        weight = np.ones((1, n))
        if name:
            weight = np.repeat(self.network.tables[name].p[:, None], n, axis=1)
        for table in self.network.findings.values():
            if name in table.scope:
                p, (v,) = table.p, table.scope[1:]
                weight *= p[:, lot[v]]
        return weight

    def _faults(self, rng: np.random.Generator) -> dict[str, int]:
        """Component states, and what comes and goes, by rejection: exactly the prior with links
        and weighted states."""
        tables, names = self.network.tables, self.network.variables
        for _try in range(MOST_TRIES):
            lot = {
                c: np.searchsorted(np.cumsum(tables[c].p)[:-1], rng.random(AT_ONCE), side="right")
                for c in self.roots
            }
            ways = self._ways(lot)
            weight = ways.sum(axis=0)
            for table in self.network.findings.values():
                if NAME not in table.scope:
                    weight *= table.p[tuple(lot[v] for v in table.scope)]
            for special in self.network.special:
                faults = dict(special.state)
                same = np.ones(AT_ONCE, dtype=bool)
                for c in self.roots:
                    same &= lot[c] == (names[c].states.index(faults[c]) if c in faults else 0)
                weight[same] *= special.ratio
            taken = rng.random(AT_ONCE) * self._most < weight
            if taken.any():
                first = int(taken.argmax())
                at = {c: int(lot[c][first]) for c in self.roots}
                if self.network.intermittent:
                    sums = np.cumsum(ways[:, first])
                    at[NAME] = _pick(sums / sums[-1], float(rng.random()))
                return at
        raise ModelError(_("no machine with this complaint can be drawn; look at its shares"))


def _pick(sums: Array, luck: float) -> int:
    """Place of a number from 0 to 1 among running sums."""
    return min(int(np.searchsorted(sums, luck, side="right")), int(np.searchsorted(sums, sums[-1])))
