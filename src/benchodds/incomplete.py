"""Counting what is only partly known: expected counts, and the EM iteration round them.

Source: A. Dempster, N. Laird and D. Rubin, Maximum likelihood from incomplete data via the EM
algorithm, Journal of the Royal Statistical Society B 39 (1977) 1-38.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np

from benchodds.errors import EvidenceError
from benchodds.tables import Array


def responsibilities(shares: Array, likelihood: Array) -> Array:
    """P(category | observation) by Bayes' rule.

    Parameters
    ----------
    shares : (n_categories,) or (n_observations, n_categories) array
        Probability of each category before the observation (any common scale).
    likelihood : (n_observations, n_categories) array
        P(observation | category), any scale of its own per row.

    Returns
    -------
    (n_observations, n_categories) array
        Rows sum to 1.

    Raises
    ------
    EvidenceError
        When an observation has probability zero, or is not finite, under every category.
    """
    joint = shares * likelihood
    total = joint.sum(axis=1, keepdims=True)
    if not (np.isfinite(total).all() and (total > 0).all()):
        row = int(np.flatnonzero(~(np.isfinite(total) & (total > 0)).ravel())[0])
        raise EvidenceError(f"observation {row} is impossible under every category")
    return np.asarray(joint / total)


def expected_counts(shares: Array, likelihood: Array, weights: Array | None = None) -> Array:
    """Expected number of each category: the E-step for counts, shape (n_categories,)."""
    p = responsibilities(shares, likelihood)
    return np.asarray(p.sum(axis=0) if weights is None else weights @ p)


def iterate(
    step: Callable[[Array], Array], start: Array, tolerance: float = 1e-10, most: int = 1000
) -> list[Array]:
    """All values of an iteration from ``start`` until it moves by less than ``tolerance``.

    ``step`` does an E-step and the maximisation after it. The first value is ``start``.
    """
    values = [np.asarray(start, dtype=float)]
    for _ in range(most):
        values.append(np.asarray(step(values[-1]), dtype=float))
        if float(np.abs(values[-1] - values[-2]).max()) < tolerance:
            break
    return values


def convergence_rate(values: Sequence[Array]) -> float:
    """Largest ratio of successive moves near the end: the share of information missing.

    Dempster, Laird and Rubin (1977), section 3: EM converges linearly with this rate.
    """
    moves = np.array([np.abs(b - a).max() for a, b in itertools.pairwise(values)])
    steady = np.flatnonzero(moves > 1e-9)
    last = int(steady[-1]) if len(steady) else 0
    return float(moves[last] / moves[last - 1]) if last > 0 else 0.0
