"""What a slip shows: nothing, another terminal, a unit or digits gone wrong, or anything.

A slip has the shape of what was done wrong. At a wrong terminal stands another quantity of this
machine; a unit slip is a factor of a thousand; swapped digits are this reading's own. Their laws
are made from what the tests of a sound machine show; beside them stands a flat floor (equal
chances in the logarithm over the span), so that nothing is ruled out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Self

import numpy as np

from benchodds.basics.tables import Array
from benchodds.model.gear import Slip

THOUSAND = 1000.0
NARROW = 0.1
"""Width of a cell, as a share of its value, up to which it is a reading with digits."""
LEAST = 1e-9


@dataclass(frozen=True, eq=False)
class Law:
    """What a test of a sound machine shows: P(display <= edge), edges rising and above zero."""

    edges: Array
    cdf: Array

    @classmethod
    def of(cls, values: Array, p: Array) -> Self | None:
        """From values with their chances; None where nothing finite and above zero comes.

        The share of each value lies evenly, in the logarithm, about it to half-way to the next.
        """
        keep = np.isfinite(values) & (values > 0) & (p > 0)
        if not keep.any():
            return None
        x, place = np.unique(np.log(values[keep]), return_inverse=True)
        w = np.bincount(place, p[keep])
        between = (x[1:] + x[:-1]) / 2
        ends = np.concatenate([[x[0] - 0.01], between, [x[-1] + 0.01]])
        return cls(np.exp(ends), np.concatenate([[0.0], np.cumsum(w)]))

    def p(self, low: float, high: float) -> float:
        """Chance of a display between two values."""
        if high <= 0:
            return 0.0
        x = np.log(np.maximum([low, high], self.edges[0] * 1e-3))
        a, b = np.interp(x, np.log(self.edges), self.cdf)
        return float(b - a)


@dataclass(frozen=True)
class SlipLaw:
    """What slips at one test show; chances are those of the bench file.

    ``own`` is the law of the test itself, ``others`` those of what could be touched instead, all
    alike. Shapes of which nothing is known fall to the flat floor.
    """

    spec: Slip
    span: tuple[float, float]
    own: Law | None = None
    others: tuple[Law, ...] = ()

    def p(self, low: float, high: float) -> float:
        """Chance that a slip shows something between two values, as a display can."""
        parts = [
            (self.spec.zero, 1.0 if low <= 0.0 <= high else 0.0),
            (self.spec.terminal, self._terminal(low, high)),
            (self.spec.unit, self._unit(low, high)),
            (self.spec.digits, self._digits(low, high)),
        ]
        known = [(w, p) for w, p in parts if p is not None]
        flat = 1.0 - math.fsum(w for w, _p in known)
        return max(math.fsum(w * p for w, p in known) + flat * self._flat(low, high), LEAST)

    def _flat(self, low: float, high: float) -> float:
        bottom, top = max(self.span[0], LEAST), self.span[1]
        a, b = min(max(low, bottom), top), min(max(high, bottom), top)
        return math.log(b / a) / math.log(top / bottom) if b > a else 0.0

    def _terminal(self, low: float, high: float) -> float | None:
        if not self.others:
            return None
        return math.fsum(law.p(low, high) for law in self.others) / len(self.others)

    def _unit(self, low: float, high: float) -> float | None:
        if self.own is None:
            return None
        ways = (THOUSAND, 1 / THOUSAND)
        return math.fsum(self.own.p(low * f, high * f) for f in ways) / len(ways)

    def _digits(self, low: float, high: float) -> float | None:
        """Two neighbouring digits the other way round; None where no number was read."""
        middle, width = (low + high) / 2, high - low
        if self.own is None or not 0 < width < NARROW * middle:
            return None
        digits = f"{middle / width:.0f}"
        shown = {float(other) * width for other in swapped(digits)}
        if not shown:
            return None
        each = [self.own.p(x - width / 2, x + width / 2) for x in sorted(shown)]
        return math.fsum(each) / len(each)


def swapped(digits: str) -> list[str]:
    """A number with two neighbouring digits, which differ, the other way round."""
    at = [i for i, c in enumerate(digits) if c.isdigit()]
    out = []
    for i, j in pairwise(at):
        a, b = digits[i], digits[j]
        if a != b:
            out.append(digits[:i] + b + digits[i + 1 : j] + a + digits[j + 1 :])
    return out
