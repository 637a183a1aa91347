"""What is done and seen in a simulated job, and what is believed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from benchodds.choose.decision import CHANGE, Step

BACK = "came-back"
"""Kind of step of a machine that is back after the repair that is named."""


class Told(NamedTuple):
    """A reading as it counts: the test, how it was cranked, the group that it fell in."""

    test: str
    how: str
    group: int


@dataclass(frozen=True)
class Belief:
    """What is believed at a place.

    ``needed`` by repair is the chance that it is wanted, ``parts`` by component the chance of
    a fault in it, ``none`` that of no fault at all.
    """

    needed: Mapping[str, float]
    parts: tuple[float, ...]
    none: float

    def leading(self) -> tuple[str, float]:
        """The repair likeliest to be wanted, or 'none', with its chance."""
        best = max(self.needed, key=lambda r: (self.needed[r], r))
        return (best, self.needed[best]) if self.needed[best] >= self.none else ("none", self.none)


History = tuple[Told | Step, ...]
"""Readings, and repairs that failed their check or came back, in order."""


def done(history: History, repair: str) -> bool:
    """Whether a repair was done before."""
    return repair in repairs_of(history)


def repairs_of(history: History) -> frozenset[str]:
    """The repairs that were done."""
    return frozenset(e.name for e in history if isinstance(e, Step) and e.kind != CHANGE)
