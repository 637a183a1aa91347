"""Scores of stated odds against scikit-learn, and its documented examples."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss
from sklearn.metrics import log_loss as log_loss_elsewhere

from benchodds.trials.scores import (
    Estimate,
    brier,
    by_chance,
    curve,
    estimate,
    log_loss,
    pooled,
    ratio,
    tallies,
)


def test_documented_examples() -> None:
    """scikit-learn's user guide: Brier 0.0375, log loss 0.21616, a curve in three bins."""
    y = np.array([0.0, 1, 1, 0])
    assert brier(np.array([0.1, 0.9, 0.8, 0.3]), y) == pytest.approx(0.0375)
    assert log_loss(np.array([0.1, 0.9, 0.8, 0.35]), y) == pytest.approx(0.21616, abs=5e-6)
    p = np.array([0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0])
    found = curve(tallies(p, np.array([0.0, 0, 0, 0, 1, 1, 1, 1, 1]), bins=3))
    assert found.true == pytest.approx((0, 0.5, 1))
    assert found.stated == pytest.approx((0.2, 0.525, 0.85))
    assert found.n == (3, 2, 4)


def test_agreement_on_random_odds() -> None:
    """Brier, log loss and reliability curve as scikit-learn has them."""
    rng = np.random.default_rng(0)
    p = rng.random(500)
    y = (rng.random(500) < p**1.3).astype(float)
    assert brier(p, y) == pytest.approx(brier_score_loss(y, p))
    assert log_loss(p, y) == pytest.approx(log_loss_elsewhere(y, p))
    true, stated = calibration_curve(y, p, n_bins=10)
    found = curve(tallies(p, y))
    assert found.true == pytest.approx(true)
    assert found.stated == pytest.approx(stated)


@pytest.mark.parametrize("tied", [1, 5])
def test_error_is_what_chance_gives_when_odds_are_right_and_more_when_not(tied: int) -> None:
    """Right odds: about ``by_chance``, over many trials; odds off by 0.1: about 0.1.

    Each pair may stand for several of one job, which is no more evidence than one.
    """
    rng = np.random.default_rng(1)
    errors, chance = [], []
    for _ in range(200):
        p = rng.uniform(0.05, 0.95, 800 // tied)
        y = (rng.random(len(p)) < p).astype(float)
        p, y = np.repeat(p, tied), np.repeat(y, tied)
        jobs = np.stack([tallies(p[i : i + tied], y[i : i + tied]) for i in range(0, len(p), tied)])
        errors.append(curve(jobs.sum(axis=0)).error)
        chance.append(by_chance(jobs))
    assert np.mean(errors) == pytest.approx(np.mean(chance), rel=0.05)
    p = rng.uniform(0.2, 0.8, 20_000)
    y = (rng.random(20_000) < p + 0.1).astype(float)
    assert curve(tallies(p, y)).error == pytest.approx(0.1, abs=0.015)


def test_bootstrap_interval_covers_as_often_as_it_says() -> None:
    """95 % intervals of a ratio of sums hold the true ratio in about 95 of 100 samples."""
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(150):
        below = rng.uniform(1, 2, 60)
        rows = np.stack([below * rng.gamma(4, 0.5, 60), below], axis=1)
        found = estimate(ratio, rows, resamples=200, seed=int(rng.integers(10**6)))
        held += found.low <= 2.0 <= found.high
    assert 0.87 < held / 150 < 0.99


def test_small_cases() -> None:
    """One job has no interval; pairs of jobs are pooled in order."""
    assert estimate(ratio, np.array([[3.0, 2.0]])) == Estimate(1.5, 1.5, 1.5)
    p, y = pooled([[(0.2, 0)], [(0.7, 1), (0.9, 1)]])
    assert p.tolist() == [0.2, 0.7, 0.9]
    assert y.tolist() == [0, 1, 1]
    assert curve(tallies(np.zeros(0), np.zeros(0))).error == 0.0
