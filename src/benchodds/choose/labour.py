"""Minutes of tests with the set-ups that they open: counted here, and nowhere else.

A set-up is paid by the test that first needs it, opening and closing together; while it is open
it costs nothing more.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from benchodds.basics.quantities import to_base
from benchodds.basics.tables import Array, Flags, Index
from benchodds.model.system import SystemModel


def minutes_of_setups(model: SystemModel) -> dict[str, float]:
    """Minutes of every set-up, opening and closing together."""
    return {
        name: to_base(s.minutes, "min") + to_base(s.close, "min")
        for name, s in model.setups.items()
    }


@dataclass(frozen=True, eq=False)
class Labour:
    """Tests by name with their own minutes, the set-ups that they need, and those of set-ups."""

    own: Mapping[str, float]
    needed: Mapping[str, Collection[str]]
    setups: Mapping[str, float]

    @staticmethod
    def of(model: SystemModel) -> Labour:
        """All tests of a model."""
        return Labour(
            {t: model.minutes(t) for t in model.tests},
            {t: model.setups_of(t) for t in model.tests},
            minutes_of_setups(model),
        )

    @cached_property
    def _own(self) -> Array:
        return np.array(list(self.own.values()), dtype=float)

    @cached_property
    def needs(self) -> Flags:
        """Which set-ups each test needs, (n_tests, n_setups)."""
        rows = [self.flags(self.needed[t]) for t in self.own]
        return np.array(rows, dtype=bool).reshape(len(self.own), len(self.setups))

    @cached_property
    def _each(self) -> Array:
        return np.array(list(self.setups.values()), dtype=float)

    def flags(self, setups: Collection[str]) -> Flags:
        """Set-ups as flags, (n_setups,)."""
        return np.array([s in setups for s in self.setups], dtype=bool)

    def minutes(self, tests: Sequence[str], opened: Collection[str] = ()) -> float:
        """Minutes of some tests together, by name, with the set-ups that are not open yet."""
        names = list(self.own)
        rows = np.array([names.index(t) for t in tests], dtype=np.intp)
        return float(self.together(rows, self.flags(opened)))

    def single(self, opened: Flags) -> Array:
        """Minutes of every test done next at each place, (n, n_tests); opened (n, n_setups)."""
        return np.asarray(self._own + (~opened * self._each) @ self.needs.T)

    def together(self, tests: Index, opened: Flags) -> Array:
        """Minutes of some tests at each place; opened (..., n_setups)."""
        return np.asarray(
            self._own[tests].sum() + (self.needs[tests].any(axis=0) & ~opened) @ self._each
        )

    def in_turn(self, tests: Index, opened: Flags) -> Array:
        """Minutes of each of ``tests`` (n, k) when they are done in that order, (n, k)."""
        needs = self.needs[tests] & ~opened[:, None, :]
        first = needs & ~(np.cumsum(needs, axis=1) > needs)  # who opens a set-up pays for it
        return np.asarray(self._own[tests] + first @ self._each)
