"""What work does in a simulated job: moves between whole states, and what its check lets out.

A repair turns out as :func:`benchodds.infer.epochs.outcome_of` says: it holds or not, the new part
may be a dud, the work may spoil something. Its check then shows whether the machine is cured; a
fault that is left is missed with the shop's chance. A machine that passed goes out. It is back
within the week when a fault is left in it, or when what was mended does not last (``returns`` of
the bench file): then it is as it was before that repair. What had no fault when it came fails the
check for reasons of its own, whatever is mended.

A whole state says here too which of its faults comes and goes, if one does (:func:`unsteady`).
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from benchodds.basics.tables import Array, Flags, State, Table
from benchodds.choose.shop import Shop
from benchodds.infer.assess import Machine
from benchodds.infer.epochs import Change, change_of, outcome_of
from benchodds.infer.intermittent import NAME
from benchodds.trials.draws import Numbers

Fault = tuple[str, str]


def unsteady(state: State) -> tuple[State, Fault | None]:
    """The faults of a state, and the one of them that comes and goes."""
    faults = tuple(f for f in state if f[0] != NAME)
    told = dict(state).get(NAME)
    return faults, next((f for f in faults if ".".join(f) == told), None)


def coming_and_going(state: State, fault: Fault) -> State:
    """The state with one of its faults coming and going."""
    return (*state, (NAME, ".".join(fault)))


class Hope(NamedTuple):
    """Of a repair that was done: the chance that it has cured, and, once the machine has passed
    its check, that it comes back within the week."""

    cured: float
    comes_back: float


@dataclass(frozen=True, eq=False)
class Work:
    """A repair as it may turn out, each of the moves an entry of arrays (n_moves,).

    ``p`` is the chance of state number ``target`` given ``source``; ``cures`` whether it leaves no
    fault where there was one, ``missed`` the chance that the check passes although it does not.
    ``modes`` (n_states,) are the mode numbers of the components that are ``touched``.
    """

    change: Change
    source: Numbers
    target: Numbers
    p: Array
    cures: Flags
    missed: Array
    modes: Mapping[str, Numbers]
    returns: float

    @property
    def failed(self) -> Array:
        """Chance that the check fails."""
        return np.where(self.cures, 0.0, 1.0 - self.missed)

    @property
    def back(self) -> Array:
        """Chance that the machine goes out and comes back."""
        return np.where(self.cures, self.returns, self.missed)

    @property
    def after_back(self) -> Numbers:
        """States of machines that came back: what did not last is as it was before."""
        return np.where(self.cures, self.source, self.target)

    def hope(self, p: Array) -> Hope:
        """What is hoped of it on a machine with these chances of its states, (n_states,)."""
        weight = p[self.source] * self.p
        cured = float(weight[self.cures].sum())
        passes = cured + float(weight @ np.where(self.cures, 0.0, self.missed))
        back = float(weight @ self.back)
        return Hope(cured / float(weight.sum()), back / passes if passes > 0 else 0.0)


def outcomes(
    machine: Machine, tables: Mapping[str, Table], repair: str, again: bool
) -> dict[str, Array]:
    """P(mode after | mode before) of what a repair touches; ``tables`` have the priors."""
    model = machine.model
    return outcome_of(model.repairs[repair], model, tables, machine.bench.work, again)


def work_of(
    machine: Machine, states: Sequence[State], after: Mapping[str, Array], repair: str, shop: Shop
) -> Work:
    """A repair with these outcomes, on machines in one of some states.

    What would end in none of them ends without what the work has spoilt, or as it began.
    """
    names = {c: ("good", *machine.model.components[c].modes) for c in after}
    modes = {
        c: np.array([names[c].index(dict(s).get(c, "good")) for s in states], dtype=np.intp)
        for c in after
    }
    place = {frozenset(state): i for i, state in enumerate(states)}
    moves: dict[tuple[int, int], float] = {}
    for i, whole in enumerate(states):
        state, goes = unsteady(whole)
        rest = {f for f in state if f[0] not in after}
        rows = [after[c][modes[c][i]] for c in after]
        for ends in itertools.product(*(np.flatnonzero(row) for row in rows)):
            p = float(np.prod([row[k] for row, k in zip(rows, ends, strict=True)]))
            new = {(c, names[c][k]) for c, k in zip(after, ends, strict=True) if k}
            old = {f for f in new if any(f[0] == c for c, _mode in state)}
            found = (place.get(_whole(rest | some, goes)) for some in (new, old))
            j = next((j for j in found if j is not None), i)
            moves[i, j] = moves.get((i, j), 0.0) + p
    ends_at = np.array(list(moves), dtype=np.intp)
    source, target = ends_at[:, 0], ends_at[:, 1]
    faulty = np.array([bool(state) for state in states])
    missed = np.array([shop.missed(*unsteady(state)) for state in states])
    return Work(
        change_of(machine.model.repairs[repair], machine.model),
        source,
        target,
        np.array(list(moves.values())),
        faulty[source] & ~faulty[target],
        missed[target],
        modes,
        machine.bench.work.returns,
    )


def _whole(faults: Set[Fault], goes: Fault | None) -> frozenset[Fault]:
    """The state with these faults, that of them which came and went doing so still."""
    return frozenset(coming_and_going(tuple(faults), goes) if goes and goes in faults else faults)
