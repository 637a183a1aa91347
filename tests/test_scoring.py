"""Scores against scikit-learn's documented examples, statsmodels and Murphy's identity."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss, log_loss
from statsmodels.stats.proportion import proportion_confint

from benchodds.learn.scoring import brier, difference, log_losses, murphy, reliability


def test_brier_as_documented() -> None:
    """scikit-learn's docstring of brier_score_loss: 0.0375 for one column, 0.146 for three
    classes, where the sum over classes is not halved."""
    assert brier([0.1, 0.9, 0.8, 0.3], [0, 1, 1, 0]) == pytest.approx(0.0375, abs=1e-12)
    three = [[0.8, 0.1, 0.1], [0.2, 0.7, 0.1], [0.2, 0.2, 0.6]]
    assert brier(three, np.eye(3)) == pytest.approx(0.146, abs=1e-3)
    labels = ["eggs", "ham", "spam"]
    theirs = brier_score_loss(labels, three, labels=labels, scale_by_half=False)
    assert brier(three, np.eye(3)) == pytest.approx(theirs, abs=1e-12)


def test_log_loss_as_documented() -> None:
    """scikit-learn's docstring of log_loss: 0.21616."""
    said = [[0.1, 0.9], [0.9, 0.1], [0.8, 0.2], [0.35, 0.65]]
    found = float(log_losses(said, [1, 0, 0, 1]).mean())
    assert found == pytest.approx(0.21616, abs=5e-6)
    assert found == pytest.approx(log_loss(["spam", "ham", "ham", "spam"], said), abs=1e-12)


def test_reliability_as_documented() -> None:
    """scikit-learn's docstring of calibration_curve: true [0, .5, 1], said [.2, .525, .85]."""
    came = np.array([0, 0, 0, 0, 1, 1, 1, 1, 1])
    said = np.array([0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0])
    found = reliability(said, came, np.linspace(0, 1, 4))
    assert [b.came for b in found] == pytest.approx([0, 0.5, 1])
    assert [b.said for b in found] == pytest.approx([0.2, 0.525, 0.85])
    true, pred = calibration_curve(came, said, n_bins=3)
    assert [b.came for b in found] == pytest.approx(list(true))
    assert [b.said for b in found] == pytest.approx(list(pred))


@pytest.mark.parametrize(("hits", "n"), [(3, 10), (0, 8), (8, 8), (37, 120)])
def test_intervals_of_the_curve_against_statsmodels(hits: int, n: int) -> None:
    """Jeffreys' interval, open to 0 and 1 where nothing or everything came true."""
    (found,) = reliability(np.full(n, 0.3), np.arange(n) < hits, [0, 1], level=0.9)
    low, high = proportion_confint(hits, n, alpha=0.1, method="jeffreys")
    assert found.low == pytest.approx(low if hits else 0.0, abs=1e-9)
    assert found.high == pytest.approx(high if hits < n else 1.0, abs=1e-9)


def test_murphys_parts_by_hand() -> None:
    """Forecasts .1 .3 .6 .9, counts 40 30 20 10, hits 6 9 11 8, worked by hand:
    .1820 = .0025 - .0449 + .2244 (A. Murphy 1973)."""
    said, came = [], []
    for p, n, hits in ((0.1, 40, 6), (0.3, 30, 9), (0.6, 20, 11), (0.9, 10, 8)):
        said += [p] * n
        came += [1] * hits + [0] * (n - hits)
    found = murphy(said, came)
    assert found.score == pytest.approx(0.1820, abs=5e-5)
    assert found.reliability == pytest.approx(0.0025, abs=5e-5)
    assert found.resolution == pytest.approx(0.0449, abs=5e-5)
    assert found.uncertainty == pytest.approx(0.2244, abs=5e-5)
    assert (found.spread, found.slope) == pytest.approx((0, 0), abs=1e-15)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=60),
    st.integers(1, 8),
)
def test_identity_holds_in_bins_too(rows: list[tuple[float, bool]], bins: int) -> None:
    """With the two terms within bins (Stephenson, Coelho and Jolliffe 2008)."""
    said, came = [p for p, _ in rows], [float(o) for _, o in rows]
    f = murphy(said, came, np.linspace(0, 1, bins + 1))
    whole = f.reliability - f.resolution + f.uncertainty + f.spread - f.slope
    assert f.score == pytest.approx(whole, abs=1e-9)
    assert f.score == pytest.approx(brier(said, came), abs=1e-12)


def test_difference_covers_as_it_says() -> None:
    """90 % intervals of a mean difference hold the true one in about 90 % of samples."""
    rng = np.random.default_rng(4)
    hits = 0
    for _ in range(600):
        _, low, high = difference(rng.normal(0.3, 1, 25), rng.normal(0, 1, 25), 0.9)
        hits += low <= 0.3 <= high
    assert 0.87 < hits / 600 < 0.93


def test_times_are_repeats() -> None:
    """A forecast made three times counts as three, in every score."""
    rng = np.random.default_rng(3)
    p, o, n = rng.random(20), (rng.random(20) < 0.4).astype(float), rng.integers(1, 5, 20)
    edges = np.linspace(0, 1, 4)
    long_p, long_o = np.repeat(p, n), np.repeat(o, n)
    a, b = murphy(p, o, edges, n), murphy(long_p, long_o, edges)
    assert list(vars(a).values()) == pytest.approx(list(vars(b).values()))
    for x, y in zip(
        reliability(p, o, edges, 0.9, n), reliability(long_p, long_o, edges), strict=True
    ):
        assert list(vars(x).values()) == pytest.approx(list(vars(y).values()))
    assert difference(p, o, 0.9, n) == pytest.approx(difference(long_p, long_o, 0.9))
