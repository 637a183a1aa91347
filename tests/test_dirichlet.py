"""Shares, groups and EM against published figures, through the project's own functions."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.special import betaln
from scipy.stats import betabinom, dirichlet_multinomial

from benchodds.basics.errors import EvidenceError
from benchodds.learn.dirichlet import log_marginal, marginals, responsibilities

# Rat tumours, 70 historical groups and the 71st: Gelman et al., BDA3, table 5.1 (R. Tarone,
# Biometrics 38 (1982)). From memory; all published moments match.
RATS_Y = [0] * 14 + [1] * 8 + [2] * 9 + [1, 5, 2, 5, 3, 2, 7, 7, 3, 3, 2, 9, 10] + [4] * 7 + [10]
RATS_Y += [4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4]
RATS_N = [20] * 7 + [19] * 4 + [18, 18, 17] + [20] * 4 + [19, 19, 18, 18] + [25, 24, 23]
RATS_N += [20] * 6 + [10, 49, 19, 46, 27, 17, 49, 47, 20, 20, 13, 48, 50] + [20] * 7
RATS_N += [48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14]
RATS = np.array([[y, n - y] for y, n in zip(RATS_Y, RATS_N, strict=True)], dtype=float)


def iterate(step: Callable[[np.ndarray], np.ndarray], start: np.ndarray) -> list[np.ndarray]:
    """The values of sixty rounds."""
    values = [start]
    for _ in range(60):
        values.append(step(values[-1]))
    return values


def test_placenta_praevia() -> None:
    """437 girls of 980 births, uniform prior: BDA3 2.4, data seen, results from memory."""
    found = marginals([1 + 437, 1 + 543])
    assert found.mean[0] == pytest.approx(0.446, abs=5e-4)
    assert found.mean[0] == pytest.approx(0.446029, abs=1e-6)
    assert found.sd[0] == pytest.approx(0.015854, abs=1e-6)
    assert (found.low[0], found.high[0]) == pytest.approx((0.41507, 0.47720), abs=1e-5)


@pytest.mark.parametrize(
    ("weight", "median", "low", "high"),
    [
        (2, 0.4460, 0.4150, 0.4772),
        (10, 0.4463, 0.4155, 0.4774),
        (20, 0.4467, 0.4160, 0.4776),
        (100, 0.4495, 0.4200, 0.4793),
        (200, 0.4525, 0.4242, 0.4810),
    ],
)
def test_table_of_priors(weight: float, median: float, low: float, high: float) -> None:
    """Prior mean .485 of growing weight pulls the median: BDA3 2.4, table, from memory."""
    a = np.array([0.485 * weight + 437, 0.515 * weight + 543])
    found = marginals(a)
    assert (found.low[0], found.high[0]) == pytest.approx((low, high), abs=6e-5)
    middle = marginals(a, level=1e-9)
    assert middle.low[0] == pytest.approx(median, abs=6e-5)


def test_dirichlet_update() -> None:
    """Prior (1, 1, 1) and counts (3, 5, 2): worked by hand, (4, 6, 3) / 13."""
    found = marginals(np.array([1, 1, 1]) + np.array([3, 5, 2]))
    assert found.mean == pytest.approx([0.307692, 0.461538, 0.230769], abs=1e-6)


def test_rat_tumours_by_moments() -> None:
    """70 rates give (1.4, 8.6) and the 71st group mean .223: BDA3 5.1, from memory."""
    rates = RATS[:70, 0] / RATS[:70].sum(axis=1)
    total = rates.mean() * (1 - rates.mean()) / rates.var(ddof=1) - 1
    a, b = rates.mean() * total, (1 - rates.mean()) * total
    assert (a, b) == pytest.approx((1.356, 8.615), abs=1e-3)
    found = marginals(np.array([a, b]) + RATS[70])
    assert found.mean[0] == pytest.approx(0.2234, abs=5e-5)
    assert found.sd[0] == pytest.approx(0.083, abs=1e-3)


def test_rat_tumours_by_largest_marginal_likelihood() -> None:
    """All 71 groups: a = 2.3416, b = 14.1148, recomputed with another optimiser."""

    def loss(x: np.ndarray) -> float:
        return -float(log_marginal(RATS, np.exp(x)).sum())

    found = minimize(loss, [0.0, 2.0], method="Nelder-Mead", options={"xatol": 1e-8})
    assert np.exp(found.x) == pytest.approx([2.3416, 14.1148], abs=2e-3)


def test_rat_tumours_in_full() -> None:
    """E(a) = 2.4, E(b) = 14.3 under (a + b)^(-5/2): BDA3 5.3, on its grid, from memory."""
    ratio, total = np.linspace(-2.5, -1, 300), np.linspace(1, 6, 300)
    r, t = np.meshgrid(ratio, total, indexing="ij")
    b = np.exp(t) / (1 + np.exp(r))
    a = np.exp(t) - b
    log_p = np.log(a) + np.log(b) - 2.5 * np.log(a + b)
    weights = np.stack([a, b], axis=-1)
    for row, times in zip(*np.unique(RATS, axis=0, return_counts=True), strict=True):
        log_p += times * log_marginal(row, weights)
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    assert float((p * a).sum()) == pytest.approx(2.403, abs=2e-3)
    assert float((p * b).sum()) == pytest.approx(14.320, abs=1e-2)


def test_marginal_likelihood_against_scipy() -> None:
    """The Polya law equals scipy's Dirichlet-multinomial less its coefficient."""
    n, a = np.array([3, 0, 5, 2]), np.array([0.4, 1.5, 2.2, 0.7])
    ways = math.lgamma(11) - sum(math.lgamma(k + 1) for k in n)
    assert float(log_marginal(n, a)) + ways == pytest.approx(
        float(dirichlet_multinomial.logpmf(n, a, 10)), abs=1e-10
    )
    assert float(log_marginal([4, 10], [2, 7])) == pytest.approx(
        float(betaln(6, 17) - betaln(2, 7)), abs=1e-12
    )


def test_linkage_iterates() -> None:
    """Dempster, Laird and Rubin 1977: 125, 18, 20, 34; iterates seen in teaching code.

    The first cell holds two kinds, 1/2 and t/4, that the count does not tell apart.
    """
    seen = np.array([125.0, 18.0, 20.0, 34.0])
    told = np.zeros((4, 5))
    told[0, :2] = told[1, 2] = told[2, 3] = told[3, 4] = 1.0

    def step(t: np.ndarray) -> np.ndarray:
        x = float(t[0])
        shares = np.array([0.5, x / 4, (1 - x) / 4, (1 - x) / 4, x / 4])
        n = seen @ responsibilities(shares, told)
        return np.array([(n[1] + n[4]) / (n[1] + n[2] + n[3] + n[4])])

    values = iterate(step, np.array([0.5]))
    published = [0.608247423, 0.624321050, 0.626488879, 0.626777322, 0.626815632]
    published += [0.626820719, 0.626821394, 0.626821484]
    assert [float(v[0]) for v in values[1:9]] == pytest.approx(published, abs=6e-10)
    limit = float(values[-1][0])
    assert limit == pytest.approx(0.6268214979, abs=1e-10)
    assert 197 * limit**2 - 15 * limit - 68 == pytest.approx(0, abs=1e-8)
    moves = np.abs(np.diff([float(v[0]) for v in values[:10]]))
    assert moves[-1] / moves[-2] == pytest.approx(0.132779, abs=2e-4)


def test_two_coins() -> None:
    """Do and Batzoglou, Nature Biotechnology 26 (2008): first step .71 / .58, tenth .80 / .52."""
    heads = np.array([5, 9, 8, 4, 7])

    def likelihood(rates: np.ndarray) -> np.ndarray:
        return rates ** heads[:, None] * (1 - rates) ** (10 - heads[:, None])

    def step(rates: np.ndarray) -> np.ndarray:
        p = responsibilities(np.array([0.5, 0.5]), likelihood(rates))
        return (heads @ p) / (10 * p.sum(axis=0))

    start = np.array([0.6, 0.5])
    first = responsibilities(np.array([0.5, 0.5]), likelihood(start))[:, 0]
    assert first == pytest.approx([0.45, 0.80, 0.73, 0.35, 0.65], abs=5e-3)
    values = iterate(step, start)
    assert values[1] == pytest.approx([0.7130, 0.5813], abs=5e-5)
    assert values[10] == pytest.approx([0.7967, 0.5197], abs=1.5e-4)


def test_em_never_lowers_the_likelihood() -> None:
    """Dempster, Laird and Rubin's theorem 1 on random incomplete counts."""
    rng = np.random.default_rng(2)
    likelihood, weights = rng.random((30, 6)), rng.integers(1, 9, 30).astype(float)

    def step(shares: np.ndarray) -> np.ndarray:
        n = weights @ responsibilities(shares, likelihood)
        return n / n.sum()

    values = iterate(step, np.full(6, 1 / 6))
    log_p = [float(weights @ np.log(likelihood @ v)) for v in values]
    assert all(b >= a - 1e-9 for a, b in itertools.pairwise(log_p))


def test_impossible_observation_is_an_error() -> None:
    """No category explains it: refused by number, never NaN."""
    with pytest.raises(EvidenceError, match="observation 1"):
        responsibilities(np.array([0.5, 0.5]), np.array([[1.0, 0.2], [0.0, 0.0]]))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(0, 40), min_size=2, max_size=6).filter(lambda n: sum(n) > 0),
    st.floats(0.5, 50),
)
def test_marginals_are_probabilities(counts: list[int], strength: float) -> None:
    """Means sum to one and lie inside their intervals; betabinom agrees for one category."""
    shares = np.full(len(counts), 1 / len(counts))
    a = strength * shares + np.array(counts)
    found = marginals(a, 0.9)
    assert float(found.mean.sum()) == pytest.approx(1)
    assert ((found.low < found.high) & (found.low >= 0) & (found.high <= 1)).all()
    if len(counts) == 2:
        ways = math.lgamma(sum(counts) + 1) - sum(math.lgamma(k + 1) for k in counts)
        assert float(log_marginal(counts, strength * shares)) + ways == pytest.approx(
            float(betabinom.logpmf(counts[0], sum(counts), *(strength * shares))), abs=1e-8
        )
