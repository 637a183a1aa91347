"""Machines, gear and readings drawn from the model: the same tables that inference reads.

A machine is drawn whole: its faults with the links between them, then every quantity from its
own table given what it depends on, and the operator, adapter, meter, input and leads of the
session. A reading is drawn from the measurement model's chances given all these, so readings
that share an operator or a dead adapter go wrong together, as at the bench. The hook-up is
new for every reading.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.errors import ModelError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, State, Table

Numbers = NDArray[np.intp]

AT_ONCE = 512
"""Machines proposed at once."""

MOST_TRIES = 2000
"""Lots of proposals after which the prior is said to be impossible."""


@dataclass(frozen=True, eq=False)
class Truth:
    """A drawn machine with its session: the state number of every variable."""

    at: Mapping[str, int]
    state: State

    def has(self, faults: Iterable[tuple[str, str]]) -> bool:
        """Whether any of these faults is there."""
        return bool(set(self.state) & set(faults))


class Nature:
    """Draws machines from a network before any reading.

    Raises
    ------
    ModelError
        When the network holds findings on anything but its components.
    """

    def __init__(self, network: Network) -> None:
        self.network = network
        self.roots = network.roots
        for name, table in network.findings.items():
            if not set(table.scope) <= set(self.roots):
                raise ModelError(
                    _("'{name}' is about more than components; draw before reading").format(
                        name=name
                    )
                )
        self._most = math.prod(float(t.p.max()) for t in network.findings.values()) * math.prod(
            max(1.0, s.ratio) for s in network.special
        )
        self._order = network.below_roots
        self._sums = {
            v: np.cumsum(np.moveaxis(network.tables[v].p, 0, -1), axis=-1) for v in self._order
        }

    def machine(self, rng: np.random.Generator) -> Truth:
        """A machine with the complaint, and the session in which it is looked at."""
        at = self._faults(rng)
        return self._truth(self._fill(at, rng.random(len(self._order))))

    def mended(
        self, truth: Truth, faults: Iterable[tuple[str, str]], rng: np.random.Generator
    ) -> Truth:
        """The machine without these faults: new parts, and new values of all that they move."""
        states = self.network.variables
        gone = {c for c, mode in truth.state if (c, mode) in set(faults)}
        if not gone:
            return truth
        at = {v: i for v, i in truth.at.items() if v not in gone} | dict.fromkeys(gone, 0)
        moved = set(gone)
        for v in self._order:
            if moved & set(self.network.tables[v].scope[1:]):
                moved.add(v)
                del at[v]
        assert all(states[c].states[0] == "good" for c in gone)
        return self._truth(self._fill(at, rng.random(len(self._order))))

    def with_sound(self, truth: Truth, gear: str) -> Truth:
        """The machine looked at through new gear of a kind, in its commonest sound state."""
        if gear not in truth.at:
            return truth
        states, p = self.network.variables[gear].states, self.network.tables[gear].p
        sound = [i for i, s in enumerate(states) if s.startswith("ok")]
        return Truth({**truth.at, gear: max(sound, key=lambda i: float(p[i]))}, truth.state)

    def crowd(
        self, fixed: Mapping[str, Numbers], size: int, rng: np.random.Generator
    ) -> dict[str, Numbers]:
        """States of every variable for ``size`` machines that have these; the rest is drawn."""
        out = dict(fixed)
        for v in self._order:
            if v not in out:
                rows = self._sums[v][tuple(out[p] for p in self.network.tables[v].scope[1:])]
                luck = rng.random(size)[:, None] * rows[..., -1:]
                out[v] = np.broadcast_to((rows <= luck).sum(axis=-1), size).astype(np.intp)
        return out

    def _truth(self, at: Mapping[str, int]) -> Truth:
        names = self.network.variables
        state = tuple((c, names[c].states[at[c]]) for c in self.roots if at[c])
        return Truth(at, state)

    def _fill(
        self, at: Mapping[str, int], luck: np.ndarray[tuple[int], np.dtype[np.float64]]
    ) -> dict[str, int]:
        """Values of all variables that have none yet, each by its own number from 0 to 1."""
        out = dict(at)
        for v, u in zip(self._order, luck.tolist(), strict=True):
            if v not in out:
                parents = self.network.tables[v].scope[1:]
                out[v] = _pick(self._sums[v][tuple(out[p] for p in parents)], u)
        return out

    def _faults(self, rng: np.random.Generator) -> dict[str, int]:
        """Component states by rejection: exactly the prior with links and weighted states."""
        tables, names = self.network.tables, self.network.variables
        for _try in range(MOST_TRIES):
            lot = {
                c: np.searchsorted(np.cumsum(tables[c].p)[:-1], rng.random(AT_ONCE), side="right")
                for c in self.roots
            }
            weight = np.ones(AT_ONCE)
            for table in self.network.findings.values():
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
                return {c: int(lot[c][first]) for c in self.roots}
        raise ModelError(_("no machine with this complaint can be drawn; look at its shares"))


def reading(table: Table, truth: Truth, luck: float) -> int:
    """Number of the outcome of a fresh reading.

    ``table`` is P(outcome | scope) with the outcome last, hook-up summed over; ``luck`` is
    uniform on 0 to 1.
    """
    row = table.p[tuple(truth.at[v] for v in table.scope[:-1])]
    return _pick(np.cumsum(row) / row.sum(), luck)


def _pick(sums: Array, luck: float) -> int:
    """Place of a number from 0 to 1 among running sums."""
    return min(int(np.searchsorted(sums, luck, side="right")), int(np.searchsorted(sums, sums[-1])))
