"""Shares of categories: the Dirichlet, its groups, and observations that are only partly known.

Counts ``n`` over categories with a Dirichlet(``a``) before them leave a Dirichlet(``a + n``).
Groups whose shares are drawn from one Dirichlet(strength * shares) have counts with the
Dirichlet-multinomial (Polya) law, from which :mod:`benchodds.learn.pooling` learns the strength.

Source: Gelman et al., Bayesian Data Analysis, 3rd ed., 2.4, 3.4, 5.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaln
from scipy.stats import beta

from benchodds.basics.errors import EvidenceError
from benchodds.basics.language import _
from benchodds.basics.tables import Array

LOG_STRENGTHS = np.linspace(math.log(1.0), math.log(3e4), 32)
"""Grid of log strengths, a third apart, on which a posterior over the strength stands."""


@dataclass(frozen=True)
class Marginals:
    """Mean, standard deviation and equal-tailed interval of each share."""

    mean: Array
    sd: Array
    low: Array
    high: Array


def marginals(weights: ArrayLike, level: float = 0.95) -> Marginals:
    """Each share under a Dirichlet: a beta law with ``a_i`` and the rest of the weights.

    Parameters
    ----------
    weights : (..., n_categories) array
        Dirichlet parameters, >= 0; a category of weight 0 has share 0.
    level : float
        Probability inside the interval.
    """
    a = np.asarray(weights, dtype=float)
    rest = a.sum(axis=-1, keepdims=True) - a
    total = a + rest
    mean = a / total
    sd = np.sqrt(mean * (1 - mean) / (total + 1))
    tail = (1 - level) / 2
    safe_a, safe_b = np.where(a > 0, a, 1.0), np.where(rest > 0, rest, 1.0)
    low, high = beta.ppf(tail, safe_a, safe_b), beta.ppf(1 - tail, safe_a, safe_b)
    sure = (a <= 0) | (rest <= 0)
    return Marginals(mean, sd, np.where(sure, mean, low), np.where(sure, mean, high))


def log_marginal(counts: ArrayLike, weights: ArrayLike) -> Array:
    """Log probability of sequences with these counts, shares summed out.

    ``log G(A) - log G(A + N) + sum_i [log G(a_i + n_i) - log G(a_i)]``, the Dirichlet-multinomial
    without its multinomial coefficient. Last axis: categories; a category of weight 0 must have
    count 0, else the result is -inf. Counts may be fractions.
    """
    n, a = np.broadcast_arrays(np.asarray(counts, float), np.asarray(weights, float))
    total_n, total_a = n.sum(axis=-1), a.sum(axis=-1)
    terms, hit = np.zeros(n.shape), n > 0
    terms[hit] = gammaln(a[hit] + n[hit]) - gammaln(a[hit])
    return np.asarray(gammaln(total_a) - gammaln(total_a + total_n) + terms.sum(axis=-1))


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
        raise EvidenceError(
            _("observation {row} is impossible under every category").format(row=row)
        )
    return np.asarray(joint / total)
