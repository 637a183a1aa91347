"""How good stated odds are, and how sure averages are.

Definitions as in scikit-learn: ``brier_score_loss``, ``log_loss`` and ``calibration_curve``
with bins of equal width (A. Niculescu-Mizil and R. Caruana, ICML 2005); the expected calibration
error is the curve's mean distance from the diagonal, weighed by counts (M. Naeini, G. Cooper and
M. Hauskrecht, AAAI 2015). Intervals: percentile bootstrap over jobs (``scipy.stats.bootstrap``).
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import DegenerateDataWarning, bootstrap

from benchodds.basics.tables import Array

BINS = 10
RESAMPLES = 1000
LEVEL = 0.95
LEAST = 1e-12


def brier(p: Array, y: Array) -> float:
    """Mean of (p - y)^2 over stated chances p and outcomes y (0 or 1)."""
    return float(np.mean((p - y) ** 2))


def log_loss(p: Array, y: Array) -> float:
    """Mean of -log of the chance that was given to what happened (natural log)."""
    q = np.clip(p, LEAST, 1 - LEAST)
    return float(-np.mean(y * np.log(q) + (1 - y) * np.log1p(-q)))


@dataclass(frozen=True)
class Curve:
    """A reliability curve: mean stated chance, share that came true, and count, by bin."""

    stated: tuple[float, ...]
    true: tuple[float, ...]
    n: tuple[int, ...]

    @property
    def error(self) -> float:
        """Mean distance from the diagonal, weighed by counts."""
        n = np.array(self.n, dtype=float)
        gap = np.abs(np.array(self.stated) - np.array(self.true))
        return float((n * gap).sum() / n.sum()) if n.sum() else 0.0


def tallies(p: Array, y: Array, bins: int = BINS) -> Array:
    """Count, sum of p and sum of y by bin of equal width, shape (bins, 3)."""
    edges = np.linspace(0.0, 1.0, bins + 1)
    place = np.searchsorted(edges[1:-1], p)
    out = np.zeros((bins, 3))
    np.add.at(out, place, np.stack([np.ones_like(p), p, y], axis=1))
    return out


def curve(tally: Array) -> Curve:
    """The curve of tallies; empty bins are left out."""
    full = tally[tally[:, 0] > 0]
    return Curve(
        tuple((full[:, 1] / full[:, 0]).tolist()),
        tuple((full[:, 2] / full[:, 0]).tolist()),
        tuple(int(n) for n in full[:, 0]),
    )


def by_chance(jobs: Array) -> float:
    """About what the error would be if every stated chance were right: the mean of |normal|.

    ``jobs`` (n_jobs, bins, 3) are the tallies of each job. Pairs of one job are tied, so the
    variance in a bin is the sum over jobs of (came true - stated)^2 (K.-Y. Liang and S. Zeger,
    Biometrika 73, 1986); a normal law of that variance is off by sqrt(2 / pi) of its root.
    """
    apart = np.sqrt(((jobs[..., 2] - jobs[..., 1]) ** 2).sum(axis=0))
    n = float(jobs[..., 0].sum())
    return math.sqrt(2 / math.pi) * float(apart.sum()) / n if n else 0.0


@dataclass(frozen=True)
class Estimate:
    """A value with its interval."""

    value: float
    low: float
    high: float

    def to_dict(self) -> dict[str, float]:
        """As plain numbers."""
        return {"value": self.value, "low": self.low, "high": self.high}


def estimate(
    statistic: Callable[[Array], float], rows: Array, resamples: int = RESAMPLES, seed: int = 0
) -> Estimate:
    """A statistic of rows (first axis: jobs) with its bootstrap interval over jobs."""
    value = statistic(rows)
    if len(rows) < 2:
        return Estimate(value, value, value)

    def of(index: Array, axis: int = -1) -> Array:
        picks = np.moveaxis(np.asarray(index), axis, -1)
        flat = picks.reshape(-1, picks.shape[-1]).astype(np.intp)
        return np.array([statistic(rows[i]) for i in flat]).reshape(picks.shape[:-1])

    with warnings.catch_warnings():  # where all resamples agree there is no interval
        warnings.simplefilter("ignore", DegenerateDataWarning)
        found = bootstrap(
            (np.arange(len(rows)),),
            of,
            n_resamples=resamples,
            confidence_level=LEVEL,
            method="percentile",
            vectorized=True,
            random_state=np.random.default_rng(seed),
        ).confidence_interval
    low, high = (value if math.isnan(x) else float(x) for x in (found.low, found.high))
    return Estimate(value, low, high)


def ratio(rows: Array) -> float:
    """Sum of the first column over that of the second; of the first alone where that is none."""
    return float(rows[:, 0].sum()) / (float(rows[:, 1].sum()) or 1.0)


def pooled(pairs: Sequence[Sequence[tuple[float, int]]]) -> tuple[Array, Array]:
    """Stated chances and outcomes of many jobs in one."""
    flat = np.array([pair for job in pairs for pair in job], dtype=float).reshape(-1, 2)
    return flat[:, 0], flat[:, 1]
