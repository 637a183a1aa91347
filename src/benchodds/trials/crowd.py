"""Beliefs by a crowd: many machines drawn for each whole state, weighed by what was seen.

The exact engine takes a tenth of a second for a belief, and thousands of simulated jobs ask for
tens of thousands. Here every whole state has so many machines of its own, quantities and gear
drawn from the network given that state; a reading multiplies the weight of each by its chance
there. So readings that share an operator, an adapter or a winding stay tied, as in the network
itself, and what is left is Monte Carlo error, some parts in a hundred of a probability
(likelihood weighting: Fung and Chang 1989; Shachter and Peot 1989). States stand in fixed
numbers (strata), so a rare one is judged as well as a common one; that a fault of a state comes
and goes, and not another, makes it a state of its own.

Work on the machine moves weight between states. Where that of several comes together, the
machines of the new state are picked from theirs by weight (systematic resampling: G. Kitagawa,
Journal of Computational and Graphical Statistics 5, 1996).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.tables import Array, State
from benchodds.infer.intermittent import NAME
from benchodds.trials.draws import Crowd, Nature, Numbers, Shown
from benchodds.trials.works import Work, unsteady

ADAPTER = "adapter"


@dataclass(frozen=True, eq=False)
class Block:
    """Machines of one state of the gear: ``size`` for each whole state, in order."""

    machines: Crowd
    size: int


def draw_block(
    nature: Nature,
    states: Sequence[State],
    adapter: Array | None,
    size: int,
    rng: np.random.Generator,
) -> Block:
    """Draw ``size`` machines for each state, with adapters of these chances where given."""
    n = len(states) * size
    variables = nature.network.variables
    fixed: dict[str, Numbers] = {}
    for c in nature.roots:
        mine = [variables[c].states.index(dict(s).get(c, "good")) for s in states]
        fixed[c] = np.repeat(np.array(mine, dtype=np.intp), size)
    if nature.spells:
        ways = [nature.ways(unsteady(s)[1]) for s in states]
        fixed[NAME] = np.concatenate([rng.choice(len(w), size, p=w) for w in ways]).astype(np.intp)
    if adapter is not None:
        fixed[ADAPTER] = rng.choice(len(adapter), n, p=adapter / adapter.sum()).astype(np.intp)
    return Block(nature.crowd(fixed, n, rng), size)


@dataclass(frozen=True, eq=False)
class Tests:
    """Chances of all tests on every machine of the crowd, side by side.

    ``tables[g]`` (n_states, size_g, n_columns) by gear state; test t has the columns from
    ``starts[t]`` to ``starts[t + 1]``.
    """

    names: tuple[str, ...]
    starts: Numbers
    tables: tuple[NDArray[np.float32], ...]

    def columns(self, test: str) -> slice:
        """The columns of a test's outcomes."""
        i = self.names.index(test)
        return slice(int(self.starts[i]), int(self.starts[i + 1]))


def lay_out(blocks: Sequence[Block], shown: Mapping[str, Shown], n_states: int) -> Tests:
    """The chances of all tests on a crowd."""
    sizes = [t.table.p.shape[-1] for t in shown.values()]
    starts = np.concatenate([[0], np.cumsum(sizes)]).astype(np.intp)
    parts = tuple(
        np.concatenate([t.chances(b.machines.at) for t in shown.values()], axis=1)
        .reshape(n_states, b.size, -1)
        .astype(np.float32)
        for b in blocks
    )
    return Tests(tuple(shown), starts, parts)


@dataclass(frozen=True, eq=False)
class Weights:
    """Weight of every machine by gear state, each (n_states, size_g); all sum to 1."""

    parts: tuple[Array, ...]

    @staticmethod
    def start(p: Array, blocks: Sequence[Block]) -> Weights:
        """Weights of the crowd before any reading; p (n_states, n_gear)."""
        return Weights(
            tuple(np.repeat(p[:, [g]] / b.size, b.size, axis=1) for g, b in enumerate(blocks))
        )

    def mass(self) -> Array:
        """P(state, gear), shape (n_states, n_gear)."""
        return np.stack([w.sum(axis=1) for w in self.parts], axis=1)

    def seen(self, tests: Tests, column: int) -> Weights:
        """Weights after an outcome."""
        parts = [w * t[:, :, column] for w, t in zip(self.parts, tests.tables, strict=True)]
        total = sum(float(w.sum()) for w in parts)
        return Weights(tuple(w / total for w in parts))

    def outcomes(self, tests: Tests) -> Array:
        """P(state, gear, outcome) for all tests, shape (n_states, n_gear, n_columns)."""
        joint = [
            np.matmul(w[:, None, :].astype(np.float32), t)[:, 0, :]
            for w, t in zip(self.parts, tests.tables, strict=True)
        ]
        return np.stack(joint, axis=1).astype(np.float64)


@dataclass(frozen=True, eq=False)
class Cast:
    """The machines of a crowd, by state of the gear, and their weights before the next reading."""

    blocks: tuple[Block, ...]
    weights: Weights
    tests: dict[str, Tests] = field(default_factory=dict)
    """By way of cranking, as they are asked for."""

    def worked_on(
        self,
        weights: Weights,
        work: Work,
        back: bool,
        nature: Nature,
        rng: np.random.Generator,
    ) -> Cast:
        """The crowd after a repair whose check failed, or after which the machine came ``back``."""
        chance = work.p * (work.back if back else work.failed)
        target = work.after_back if back else work.target
        blocks, parts = [], []
        for block, w in zip(self.blocks, weights.parts, strict=True):
            rows, new = picked(w, work.source, target, chance)
            modes = {c: np.repeat(m, block.size) for c, m in work.modes.items()}
            machines = nature.changed(
                block.machines.take(rows.ravel()), modes, work.change.renewed, rng
            )
            blocks.append(Block(machines, block.size))
            parts.append(new)
        return Cast(tuple(blocks), _shared(parts))

    def renewed(self, weights: Weights, gear: str, nature: Nature) -> Cast:
        """The crowd when gear of a kind has been changed: that of all machines is sound."""
        sound = nature.sound(gear)
        if gear != ADAPTER:
            blocks = tuple(_through(b, gear, sound) for b in self.blocks)
            return Cast(blocks, weights)
        every = np.concatenate(weights.parts, axis=1)
        n, size = len(every), self.blocks[0].size
        starts = np.cumsum([0, *(n * b.size for b in self.blocks[:-1])])
        sides = [
            (s + np.arange(n * b.size)).reshape(n, b.size)
            for s, b in zip(starts, self.blocks, strict=True)
        ]
        place = np.stack([_systematic(row, size) for row in every])
        rows = np.take_along_axis(np.concatenate(sides, axis=1), place, axis=1).ravel()
        machines = Crowd.joined([b.machines for b in self.blocks]).take(rows)
        mass = np.repeat(every.sum(axis=1, keepdims=True) / size, size, axis=1)
        none = (0.0 * w for w in weights.parts[1:])
        first = _through(Block(machines, size), gear, sound)
        return Cast((first, *self.blocks[1:]), Weights((mass, *none)))


def _through(block: Block, gear: str, state: int) -> Block:
    """A block seen through gear in a state."""
    at = block.machines.at
    if gear not in at:
        return block
    new = np.full_like(at[gear], state)
    return Block(Crowd({**at, gear: new}, block.machines.ranks), block.size)


def _shared(parts: Sequence[Array]) -> Weights:
    """Weights that sum to 1."""
    total = sum(float(w.sum()) for w in parts)
    return Weights(tuple(w / total for w in parts))


def _systematic(weights: Array, size: int) -> Numbers:
    """``size`` places among weights, each as often as its share of them; evenly where all are 0."""
    sums = np.cumsum(weights)
    if sums[-1] <= 0:
        sums = np.arange(1.0, len(weights) + 1)
    even = (np.arange(size) + 0.5) / size
    return np.asarray(np.searchsorted(sums, even * sums[-1]), dtype=np.intp)


def picked(w: Array, source: Numbers, target: Numbers, chance: Array) -> tuple[Numbers, Array]:
    """Machines for every state after moves, as rows of those before, with their weights.

    ``w`` (n_states, size); both results have that shape. Where one state alone leads somewhere
    its machines go there as they are.
    """
    n, size = w.shape
    rows, out = np.arange(n * size).reshape(n, size), np.zeros_like(w)
    for t in range(n):
        moves = np.flatnonzero((target == t) & (chance > 0) & (w[source].sum(axis=1) > 0))
        if len(moves) == 1:
            m = moves[0]
            rows[t] = source[m] * size + np.arange(size)
            out[t] = w[source[m]] * chance[m]
        elif len(moves):
            some = w[source[moves]] * chance[moves, None]
            place = _systematic(some.ravel(), size)
            rows[t] = source[moves][place // size] * size + place % size
            out[t] = some.sum() / size
    return rows, out
