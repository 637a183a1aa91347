"""What is done and seen in a simulated job, what is believed, and what acting begins with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from benchodds.choose.acting import Acts, minutes_before, order, waits_for
from benchodds.choose.decision import Decision

BACK = "came-back"
"""Kind of act of a machine that is back after the repair that is named."""


class Act(NamedTuple):
    """One thing done: kind ('test', 'repair', 'end', BACK) and name."""

    kind: str
    name: str


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


History = tuple[Told | Act, ...]
"""Readings, and repairs that failed their check or came back, in order."""


def done(history: History, repair: str) -> bool:
    """Whether a repair was done before."""
    return any(isinstance(e, Act) and e.name == repair for e in history)


def first_act(decision: Decision) -> Act:
    """What acting without another test begins with: a repair, a test it waits for, an ending."""
    names = [r.name for r in decision.remedies]
    mended = np.array([[n in decision.mended for n in names]], dtype=bool)
    before = np.array([[minutes_before(decision, r) for r in decision.remedies]])
    found = order(Acts.of(decision), decision.p.sum(axis=1)[None], mended, before)
    first = int(found.first[0])
    if first < 0:
        return Act("end", decision.finals[-1 - first].name)
    waits = waits_for(decision, decision.remedies[first])  # the cheapest may be done
    return Act("test", waits[0]) if waits else Act("repair", names[first])
