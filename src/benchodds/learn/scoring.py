"""How good forecasts were: log loss, Brier score with its parts, reliability.

Conventions: the Brier score sums squared errors over the categories given (G. Brier, Monthly
Weather Review 78 (1950)), so that one column for a yes-no event gives the mean of (p - o)^2,
and all columns of k categories a value from 0 to 2. Log loss is in nats; lower is better in
both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import beta, t

from benchodds.basics.tables import Array

LEAST = 1e-12
"""Smallest forecast that is scored; a shorter odds than this would cost without bound."""


def log_losses(forecast: ArrayLike, happened: ArrayLike) -> Array:
    """-log of the probability given to what happened, one value per row.

    Parameters
    ----------
    forecast : (n, n_categories) array
        Rows sum to 1.
    happened : (n,) array of int
        The category that came true.
    """
    p = np.asarray(forecast, dtype=float)
    at = np.asarray(happened, dtype=np.intp)
    return np.asarray(-np.log(np.maximum(p[np.arange(len(p)), at], LEAST)))


def brier(forecast: ArrayLike, outcome: ArrayLike) -> float:
    """Mean over rows of the squared errors, summed over columns; outcomes are 0 or 1."""
    p, o = np.asarray(forecast, dtype=float), np.asarray(outcome, dtype=float)
    return float(((p - o) ** 2).reshape(len(p), -1).sum(axis=1).mean())


@dataclass(frozen=True)
class Parts:
    """Brier score of yes-no forecasts in parts.

    ``score = reliability - resolution + uncertainty + spread - slope``; the last two are zero
    where every bin holds one forecast value.
    """

    score: float
    reliability: float
    resolution: float
    uncertainty: float
    spread: float = 0.0
    slope: float = 0.0


@dataclass(frozen=True)
class Bin:
    """Forecasts of about the same size: how many, what they said, what came of them."""

    n: float
    said: float
    came: float
    low: float
    high: float


def bins_of(forecast: Array, edges: ArrayLike | None = None) -> Array:
    """Number of the bin of each forecast; without edges each distinct value is one.

    Bins are closed below, the last one above too.
    """
    if edges is None:
        return np.asarray(np.unique(forecast, return_inverse=True)[1])
    inner = np.asarray(edges, dtype=float)[1:-1]
    return np.asarray(np.searchsorted(inner, forecast, side="right"))


def murphy(
    forecast: ArrayLike,
    outcome: ArrayLike,
    edges: ArrayLike | None = None,
    times: ArrayLike | None = None,
) -> Parts:
    """Parts of the Brier score of yes-no forecasts.

    Sources: A. Murphy, A new vector partition of the probability score, Journal of Applied
    Meteorology 12 (1973); within-bin terms by D. Stephenson, C. Coelho and I. Jolliffe, Two
    extra components in the Brier score decomposition, Weather and Forecasting 23 (2008).

    Parameters
    ----------
    forecast, outcome : (n,) arrays
        Probabilities, and 0 or 1.
    edges : array, optional
        Edges of bins, ascending; without them every distinct forecast is a bin.
    times : (n,) array, optional
        How often each forecast was made; once if left out.
    """
    p, o = np.asarray(forecast, dtype=float), np.asarray(outcome, dtype=float)
    w = np.ones(len(p)) if times is None else np.asarray(times, dtype=float)
    which = bins_of(p, edges)
    n = np.bincount(which, w)
    safe = np.maximum(n, 1.0)
    said, came = np.bincount(which, w * p) / safe, np.bincount(which, w * o) / safe
    total = float(w.sum())
    base = float(w @ o) / total
    inside_p, inside_o = p - said[which], o - came[which]
    return Parts(
        score=float(w @ (p - o) ** 2) / total,
        reliability=float(n @ (said - came) ** 2) / total,
        resolution=float(n @ (came - base) ** 2) / total,
        uncertainty=base * (1 - base),
        spread=float(w @ inside_p**2) / total,
        slope=float(2 * w @ (inside_o * inside_p)) / total,
    )


def reliability(
    forecast: ArrayLike,
    outcome: ArrayLike,
    edges: ArrayLike,
    level: float = 0.90,
    times: ArrayLike | None = None,
) -> tuple[Bin, ...]:
    """The reliability curve: bins that hold any forecast, with intervals of the true rate.

    The interval is Jeffreys', equal tails of Beta(hits + 1/2, misses + 1/2) (L. Brown, T. Cai
    and A. DasGupta, Statistical Science 16 (2001)).
    """
    p, o = np.asarray(forecast, dtype=float), np.asarray(outcome, dtype=float)
    w = np.ones(len(p)) if times is None else np.asarray(times, dtype=float)
    which = bins_of(p, edges)
    out = []
    for b in np.unique(which):
        mine = which == b
        n, hits = float(w[mine].sum()), float(w[mine] @ o[mine])
        tail = (1 - level) / 2
        low = float(beta.ppf(tail, hits + 0.5, n - hits + 0.5)) if hits > 0 else 0.0
        high = float(beta.ppf(1 - tail, hits + 0.5, n - hits + 0.5)) if hits < n else 1.0
        out.append(Bin(n, float(w[mine] @ p[mine]) / n, hits / n, low, high))
    return tuple(out)


def difference(
    a: Array, b: Array, level: float = 0.90, times: ArrayLike | None = None
) -> tuple[float, float, float]:
    """Mean of a - b over the same jobs, and its interval by Student's t."""
    d = np.asarray(a) - np.asarray(b)
    w = np.ones(len(d)) if times is None else np.asarray(times, dtype=float)
    n = float(w.sum())
    mean = float(w @ d) / n
    if n < 2:
        return mean, -np.inf, np.inf
    sd = float(w @ (d - mean) ** 2 / (n - 1)) ** 0.5
    half = float(t.ppf((1 + level) / 2, n - 1)) * sd / n**0.5
    return mean, mean - half, mean + half
