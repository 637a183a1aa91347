"""Places that a job can come to, many side by side, and what can be done at each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchodds.basics.tables import Array, Flags, Index

FREE, BARRED = -1, -2
"""In place of a test that a remedy waits for: there is none, or it may not be done at all."""

ALIKE = 9
"""Digits to which beliefs must agree to be one."""


@dataclass(frozen=True, eq=False)
class Nodes:
    """Places that a job can come to, side by side.

    ``p`` (n, n_states, n_gear) are beliefs, each summing to 1, ``mass`` (n,) the chance of
    coming here and ``root`` (n,) where it began. The flags say which tests are done, spent, last
    seen to pass or to fail, which set-ups are open, which remedies were done in vain.
    """

    p: Array
    mass: Array
    root: Index
    done: Flags
    spent: Flags
    passed: Flags
    failed: Flags
    opened: Flags
    mended: Flags

    def __len__(self) -> int:
        return len(self.mass)

    def take(self, rows: Index | Flags) -> Nodes:
        """Some of the places."""
        return Nodes(*(getattr(self, name)[rows] for name in _FIELDS))

    def rooted(self) -> Nodes:
        """The same places, each a beginning of its own."""
        return replace(self, root=np.arange(len(self), dtype=np.intp))

    def alike(self) -> tuple[Nodes, Index]:
        """Places that differ in what matters, and for each place which of them it is.

        Of those that are one, the greatest chance counts (in whichever order tests were done).
        """
        flags = np.concatenate([getattr(self, name) for name in _FLAGS], 1)
        beliefs = np.round(self.p.reshape(len(self), -1), ALIKE)
        rows = np.concatenate([beliefs + 0.0, flags], axis=1)
        by_mass = np.argsort(-self.mass, kind="stable")
        _, first, back = np.unique(rows[by_mass], axis=0, return_index=True, return_inverse=True)
        to = np.empty(len(self), dtype=np.intp)
        to[by_mass] = back.reshape(-1)
        return self.take(by_mass[first]), to

    @staticmethod
    def join(parts: Sequence[Nodes]) -> Nodes:
        """Places of several lots in one."""
        return Nodes(*(np.concatenate([getattr(x, name) for x in parts]) for name in _FIELDS))


_FLAGS = ("done", "spent", "passed", "failed", "opened", "mended")
_FIELDS = ("p", "mass", "root", *_FLAGS)


@dataclass(frozen=True, eq=False)
class View:
    """What can be done at each of some places, shape (n, n_tests) or (n,).

    ``info`` is expected information about which remedy is wanted, in bits; ``minutes`` and
    ``money`` the cost of each test (infinite where it cannot be done); ``entropy`` what is left
    to know; ``waits`` (n, n_remedies) the next test that a remedy must wait for, FREE where none,
    BARRED where it may not be done;
    ``act_*`` the cost of acting without another test and ``first`` what that begins with;
    ``ideal_*`` the cost if the state were known.
    """

    info: Array
    minutes: Array
    money: Array
    entropy: Array
    waits: Index
    first: Index
    act_minutes: Array
    act_money: Array
    ideal_minutes: Array
    ideal_money: Array

    def take(self, rows: Index | Flags) -> View:
        """The view of some of the places."""
        return View(*(getattr(self, f)[rows] for f in View.__annotations__))
