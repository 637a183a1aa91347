"""Beliefs by a crowd: many machines drawn for each whole state, weighed by what was seen.

The exact engine takes a tenth of a second for a belief, and thousands of simulated jobs ask for
tens of thousands. Here every whole state has so many machines of its own, quantities and gear
drawn from the network given that state; a reading multiplies the weight of each by its chance
there. So readings that share an operator, an adapter or a winding stay tied, as in the network
itself, and what is left is Monte Carlo error, some parts in a hundred of a probability
(likelihood weighting: Fung and Chang 1989; Shachter and Peot 1989). States stand in fixed
numbers (strata), so a rare one is judged as well as a common one; that a fault of a state comes
and goes, and not another, makes it a state of its own.

Work on the machine moves weight between states. The machines of the new state are picked by
weight from those of all that lead to it (systematic resampling: G. Kitagawa, Journal of
Computational and Graphical Statistics 5, 1996).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from benchodds.basics.tables import Array, State
from benchodds.infer.intermittent import NAME
from benchodds.trials.draws import Crowd, Nature, Numbers, Shown
from benchodds.trials.works import Work, unsteady

ADAPTER = "adapter"

COMMON = 0.01
"""Weight of a state of several faults from which on it has as many machines as one fault has; below
that their number goes with the root of the weight."""

LEAST = 0.1
"""The least share of these that it has."""

NEGLIGIBLE = 1e-7
"""Weight below which a state has no machines any more."""

UNSOUND = 0.2
"""Machines behind unsound gear, as a share of those behind sound gear."""


@dataclass(frozen=True, eq=False)
class Strata:
    """The whole states of which a crowd has machines, each behind every state of the gear.

    A stratum's number is that of its state times ``n_gear`` and that of the gear. ``size`` is how
    many machines a state has that is no rare one.
    """

    states: tuple[State, ...]
    n_gear: int
    size: int

    def sizes(self, mass: Array) -> Numbers:
        """How many machines there are to be of each stratum, of these weights."""
        p = mass.reshape(len(self.states), self.n_gear)
        several = np.array([len(unsteady(s)[0]) > 1 for s in self.states])
        share = np.where(several, np.clip(np.sqrt(p.sum(axis=1) / COMMON), LEAST, 1.0), 1.0)
        n = self.size * share[:, None] * np.where(np.arange(self.n_gear) > 0, UNSOUND, 1.0)
        return np.where(p > NEGLIGIBLE * p.sum(), np.ceil(n), 0.0).astype(np.intp).ravel()


@dataclass(frozen=True, eq=False)
class Tests:
    """Chances of all tests on every machine of the crowd, side by side.

    ``table`` (n, n_columns); test t has the columns from ``starts[t]`` to ``starts[t + 1]``.
    """

    names: tuple[str, ...]
    starts: Numbers
    table: NDArray[np.float32]

    def columns(self, test: str) -> slice:
        """The columns of a test's outcomes."""
        i = self.names.index(test)
        return slice(int(self.starts[i]), int(self.starts[i + 1]))


def lay_out(machines: Crowd, shown: Mapping[str, Shown]) -> Tests:
    """The chances of all tests on a crowd."""
    sizes = [t.table.p.shape[-1] for t in shown.values()]
    starts = np.concatenate([[0], np.cumsum(sizes)]).astype(np.intp)
    n = len(next(iter(machines.at.values())))
    table = np.empty((n, int(starts[-1])), dtype=np.float32)
    for i, test in enumerate(shown.values()):
        table[:, starts[i] : starts[i + 1]] = test.chances(machines.at)
    return Tests(tuple(shown), starts, table)


@dataclass(frozen=True, eq=False)
class Cast:
    """The machines of a crowd, by stratum, and their weights before the next reading, (n,)."""

    strata: Strata
    machines: Crowd
    stratum: Numbers
    weights: Array
    tests: dict[str, Tests] = field(default_factory=dict)
    """By way of cranking, as they are asked for."""

    def mass(self, weights: Array) -> Array:
        """P(state, gear), shape (n_states, n_gear)."""
        n_states, n_gear = len(self.strata.states), self.strata.n_gear
        mass = np.bincount(self.stratum, weights, n_states * n_gear)
        return mass.reshape(n_states, n_gear).astype(np.float64, copy=False)

    def outcomes(self, weights: Array, tests: Tests) -> Array:
        """P(state, gear, outcome) for all tests, shape (n_states, n_gear, n_columns)."""
        n = len(self.strata.states) * self.strata.n_gear
        ends = np.searchsorted(self.stratum, np.arange(n + 1))
        rows = csr_matrix(
            (weights.astype(np.float32), np.arange(len(weights)), ends), (n, len(weights))
        )
        joint = np.asarray(rows @ tests.table, dtype=np.float64)
        return joint.reshape(len(self.strata.states), self.strata.n_gear, -1)

    def worked_on(
        self,
        weights: Array,
        work: Work,
        back: bool,
        nature: Nature,
        rng: np.random.Generator,
    ) -> Cast:
        """The crowd after a repair whose check failed, or after which the machine came ``back``."""
        chance = work.p * (work.back if back else work.failed)
        to, n_gear = work.after_back if back else work.target, self.strata.n_gear
        moves = np.flatnonzero(chance > 0)
        moves = moves[np.argsort(work.source[moves], kind="stable")]
        source, gear = np.divmod(self.stratum, n_gear)
        first = np.searchsorted(work.source[moves], source)
        many = np.searchsorted(work.source[moves], source, side="right") - first
        rows = np.repeat(np.arange(len(weights)), many)
        move = moves[np.repeat(first, many) + _within(many)]
        after = Cast(
            self.strata,
            self.machines.take(rows),
            to[move] * n_gear + gear[rows],
            weights[rows] * chance[move],
        ).picked()
        state = after.stratum // n_gear
        modes = {c: m[state] for c, m in work.modes.items()}
        machines = nature.changed(after.machines, modes, work.change.renewed, rng)
        return Cast(self.strata, machines, after.stratum, after.weights)

    def renewed(self, weights: Array, gear: str, nature: Nature) -> Cast:
        """The crowd when gear of a kind has been changed: that of all machines is sound."""
        sound = nature.sound(gear)
        out = Cast(self.strata, self.machines, self.stratum, weights)
        if gear == ADAPTER:
            first = self.stratum - self.stratum % self.strata.n_gear
            out = Cast(self.strata, self.machines, first, weights).picked()
        at = out.machines.at
        if gear in at:
            at = {**at, gear: np.full_like(at[gear], sound)}
        return Cast(self.strata, Crowd(at, out.machines.ranks), out.stratum, out.weights)

    def picked(self) -> Cast:
        """As many machines of each stratum as there are to be, picked from its own by weight."""
        order = np.argsort(self.stratum, kind="stable")
        top = np.cumsum(self.weights[order])
        mass = self.mass(self.weights).ravel()
        n = self.strata.sizes(mass)
        stratum = np.repeat(np.arange(len(n)), n)
        each = (mass / np.maximum(n, 1))[stratum]
        below = np.cumsum(mass) - mass
        ends = np.searchsorted(self.stratum[order], stratum, side="right")
        place = np.searchsorted(top, below[stratum] + (_within(n) + 0.5) * each)
        rows = order[np.minimum(place, ends - 1)]
        return Cast(self.strata, self.machines.take(rows), stratum, each / each.sum())


def _within(many: Numbers) -> Numbers:
    """0, 1, .. for each of these numbers, as far as it goes."""
    return np.arange(many.sum()) - np.repeat(np.cumsum(many) - many, many)


def draw_cast(
    nature: Nature, strata: Strata, p: Array, adapter: Array, rng: np.random.Generator
) -> Cast:
    """The crowd before any reading.

    ``p`` (n_states, n_gear) are the chances of its strata, ``adapter`` (n_gear, n) those of an
    adapter's states for each of the gear, where there are several.
    """
    n = strata.sizes(p.ravel())
    stratum = np.repeat(np.arange(len(n)), n)
    state, gear = np.divmod(stratum, strata.n_gear)
    variables, told = nature.network.variables, [dict(s) for s in strata.states]
    fixed: dict[str, Numbers] = {}
    for c in nature.roots:
        modes = [variables[c].states.index(s.get(c, "good")) for s in told]
        fixed[c] = np.array(modes, dtype=np.intp)[state]
    if nature.spells:
        ways = [np.cumsum(nature.ways(unsteady(s)[1])) for s in strata.states]
        fixed[NAME] = _any(np.array(ways)[state], rng)
    if strata.n_gear > 1:
        fixed[ADAPTER] = _any(np.cumsum(adapter, axis=1)[gear], rng)
    machines = nature.crowd(fixed, len(stratum), rng)
    return Cast(strata, machines, stratum, (p.ravel() / np.maximum(n, 1))[stratum])


def _any(sums: Array, rng: np.random.Generator) -> Numbers:
    """A place by chance along each row of running sums."""
    luck = rng.random((len(sums), 1)) * sums[:, -1:]
    return np.asarray((sums <= luck).sum(axis=1), dtype=np.intp)
