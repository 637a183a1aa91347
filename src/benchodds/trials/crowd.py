"""Beliefs by a crowd: many machines drawn for each whole state, weighed by what was seen.

The exact engine takes a tenth of a second for a belief, and thousands of simulated jobs ask for
tens of thousands. Here every whole state has so many machines of its own, quantities and gear
drawn from the network given that state; a reading multiplies the weight of each by its chance
there. So readings that share an operator, an adapter or a winding stay tied, as in the network
itself, and what is left is Monte Carlo error, some parts in a hundred of a probability
(likelihood weighting: Fung and Chang 1989; Shachter and Peot 1989). States stand in fixed
numbers (strata), so a rare one is judged as well as a common one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.tables import Array, State, Table
from benchodds.choose.decision import Flags
from benchodds.trials.draws import Nature, Numbers

ADAPTER = "adapter"


@dataclass(frozen=True, eq=False)
class Block:
    """Machines of one state of the gear: ``size`` for each whole state, in order."""

    at: Mapping[str, Numbers]
    size: int

    def chances(self, table: Table) -> Array:
        """P(outcome | each machine), shape (n_states * size, n_outcomes)."""
        return np.asarray(table.p[tuple(self.at[v] for v in table.scope[:-1])])


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


def lay_out(blocks: Sequence[Block], tables: Mapping[str, Table], n_states: int) -> Tests:
    """The chances of all tests on a crowd."""
    sizes = [t.p.shape[-1] for t in tables.values()]
    starts = np.concatenate([[0], np.cumsum(sizes)]).astype(np.intp)
    parts = tuple(
        np.concatenate([b.chances(t) for t in tables.values()], axis=1)
        .reshape(n_states, b.size, -1)
        .astype(np.float32)
        for b in blocks
    )
    return Tests(tuple(tables), starts, parts)


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

    def renewed(self, untouched: Weights) -> Weights:
        """Weights when the gear has been changed: all of it is in the first state.

        Machines behind gear that was not sound are as ``untouched`` has them, the weights
        without what was read through gear.
        """
        fresh = untouched.parts[0]
        shape = fresh / np.maximum(fresh.sum(axis=1, keepdims=True), 1e-300)
        gone = self.mass()[:, 1:].sum(axis=1, keepdims=True)
        return Weights((self.parts[0] + gone * shape, *(0.0 * w for w in self.parts[1:])))

    def moved(self, cures: Flags, rest: Numbers) -> Weights:
        """Weights after a repair that did not cure: states go where it leaves them.

        Machines of a state share its new weight as the readings so far have it, and evenly
        where these say that there is none.
        """
        mass = self.mass()
        new = np.zeros_like(mass)
        np.add.at(new, rest, np.where(cures[:, None], 0.0, mass))
        new = new / new.sum()
        parts = []
        for g, w in enumerate(self.parts):
            shape = np.where(mass[:, [g]] > 1e-200, w, 1.0)
            parts.append(shape / shape.sum(axis=1, keepdims=True) * new[:, [g]])
        return Weights(tuple(parts))

    def outcomes(self, tests: Tests) -> Array:
        """P(state, gear, outcome) for all tests, shape (n_states, n_gear, n_columns)."""
        joint = [
            np.matmul(w[:, None, :].astype(np.float32), t)[:, 0, :]
            for w, t in zip(self.parts, tests.tables, strict=True)
        ]
        return np.stack(joint, axis=1).astype(np.float64)
