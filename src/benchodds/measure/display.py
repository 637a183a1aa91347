"""The law of a display when nodes stand for intervals of a quantity."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import scipy

from benchodds.basics.distributions import Distribution
from benchodds.basics.tables import Array

NARROWEST = 0.02
"""Normal error left beside the even spread over an interval, as a part of its width."""


def squares(shape: tuple[int, ...], widths: Sequence[Array]) -> Array:
    """The sum of the squares of some widths; infinite ones count as 0."""
    out = np.zeros(shape)
    for width in widths:
        out = out + np.where(np.isfinite(width), width, 0.0) ** 2
    return out


def below(edges: Array, shown: Array, spans: Sequence[Array], spread: Array) -> Array:
    """P(display <= edge), axes (shown..., meter, edge), for nodes that stand for intervals.

    A true value evenly spread over the widest interval w and a normal error s:
    ``s/w (H((e - v + w/2)/s) - H((e - v - w/2)/s))``, ``H(z) = z Phi(z) + phi(z)``. A precise
    meter would else fall between the nodes. Nodes are not to widen the display: s is as much
    narrower as w is wide, so that the variance of both is that of the error, or that of the
    intervals if the error is less than these.
    """
    gap = edges - shown[..., None, None]
    wide, beside, reaches = (x[..., None, None] for x in spans)
    variance = np.maximum(spread**2 + beside, reaches)
    p = scipy.special.ndtr(gap / np.sqrt(variance))
    coarse = (wide**2 > variance) & (np.abs(gap) < 6 * (np.sqrt(variance) + wide))
    if coarse.any():
        g, v, w = (np.broadcast_to(a, coarse.shape)[coarse] for a in (gap, variance, wide))
        s = np.sqrt(np.maximum(v - w**2 / 12.0, (NARROWEST * w) ** 2))
        high, low = (g + w / 2) / s, (g - w / 2) / s
        total = high * scipy.special.ndtr(high) - low * scipy.special.ndtr(low)
        total += (np.exp(-(high**2) / 2) - np.exp(-(low**2) / 2)) / math.sqrt(2 * math.pi)
        p[coarse] = np.clip(total * s / w, 0.0, 1.0)
    return np.asarray(p)


def sd_of(law: Distribution) -> float:
    """Standard deviation of a normal law."""
    a = law.args
    return (a[1] - a[0]) / 4 if law.kind == "band" else a[1]
