"""Shares of categories: the Dirichlet, its groups, and how much groups have in common.

Counts ``n`` over categories with a Dirichlet(``a``) before them leave a Dirichlet(``a + n``).
Groups whose shares are drawn from one Dirichlet(strength * shares) have counts with the
Dirichlet-multinomial (Polya) law; its largest likelihood, or its posterior over the strength,
says how far the groups should be pulled together.

Sources: Gelman et al., Bayesian Data Analysis, 3rd ed., 2.4, 3.4, 5.3; T. Minka, Estimating a
Dirichlet distribution (2000), fixed-point iteration for the Polya law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize_scalar
from scipy.special import gammaln, psi
from scipy.stats import beta

from benchodds.tables import Array

LOG_STRENGTHS = np.linspace(math.log(1.0), math.log(1e5), 116)
"""Grid of log strengths, a tenth apart, on which a posterior over the strength stands."""

MOST_ROUNDS = 10_000


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
    some = a > 0
    safe = np.where(some, a, 1.0)
    terms = np.where(some, gammaln(safe + n) - gammaln(safe), np.where(n > 0, -np.inf, 0.0))
    return np.asarray(gammaln(total_a) - gammaln(total_a + total_n) + terms.sum(axis=-1))


@dataclass(frozen=True)
class Groups:
    """What groups have in common: mean shares, and the strength that holds them together."""

    shares: Array
    strength: float
    log_likelihood: float

    @property
    def weights(self) -> Array:
        """Parameters of the Dirichlet that the groups are drawn from."""
        return self.strength * self.shares

    def of_group(self, counts: ArrayLike) -> Array:
        """Dirichlet parameters of one group's shares given its own counts."""
        return np.asarray(self.weights + np.asarray(counts, dtype=float))


def moments_beta(rates: ArrayLike) -> tuple[float, float]:
    """Beta parameters by the moments of rates: ``a + b = m (1 - m) / v - 1`` (BDA3, 5.1).

    ``v`` is the variance with divisor n - 1.
    """
    x = np.asarray(rates, dtype=float)
    mean, variance = float(x.mean()), float(x.var(ddof=1))
    total = mean * (1 - mean) / variance - 1
    return mean * total, (1 - mean) * total


def fit_groups(counts: ArrayLike, tolerance: float = 1e-10) -> Groups:
    """Shares and strength with the largest marginal likelihood of all groups' counts.

    Parameters
    ----------
    counts : (n_groups, n_categories) array
        Counts, >= 0. Categories never seen get share 0.

    Notes
    -----
    In turn: Minka's fixed point for the shares, ``s_i <- s_i sum_g [psi(A s_i + n_gi) -
    psi(A s_i)]`` made to sum to 1, and a bounded search for the strength. Where groups vary no
    more than chance lets them, the strength runs to the end of its grid: pooled wholly.
    """
    n = np.asarray(counts, dtype=float)
    n = n[n.sum(axis=1) > 0]
    shares = n.sum(axis=0) / n.sum()
    strength = 10.0
    seen = shares > 0

    def loss(log_strength: float) -> float:
        return -float(log_marginal(n[:, seen], math.exp(log_strength) * shares[seen]).sum())

    bounds = (float(LOG_STRENGTHS[0]) - 5.0, float(LOG_STRENGTHS[-1]))
    last = math.inf
    for _ in range(MOST_ROUNDS):
        found = minimize_scalar(loss, bounds=bounds, method="bounded", options={"xatol": 1e-9})
        strength = math.exp(float(found.x))
        for _ in range(20):
            a = strength * shares[seen]
            tables = a * (psi(a + n[:, seen]) - psi(a)).sum(axis=0)
            shares[seen] = tables / tables.sum()
        now = loss(math.log(strength))
        if abs(last - now) < tolerance:
            break
        last = now
    return Groups(shares, strength, -loss(math.log(strength)))


def strength_weights(
    counts: Array, shares: Array, typical: float, factor: float
) -> tuple[Array, Array]:
    """Posterior of the strength on a grid, given each group's expected shares.

    Parameters
    ----------
    counts, shares : (n_groups, n_categories) arrays
        Counts (fractions allowed) and what each group's shares would be without anything of
        its own; rows of shares sum to 1.
    typical, factor : float
        Lognormal prior of the strength: its median, and one standard deviation as a factor.

    Returns
    -------
    strengths, weights : (n_grid,) arrays
        Weights sum to 1.
    """
    x = LOG_STRENGTHS
    logs = -0.5 * ((x - math.log(typical)) / math.log(factor)) ** 2
    some = counts.sum(axis=1) > 0
    for i, strength in enumerate(np.exp(x)):
        logs[i] += float(log_marginal(counts[some], strength * shares[some]).sum())
    weights = np.exp(logs - logs.max())
    return np.exp(x), weights / weights.sum()
