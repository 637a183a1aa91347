"""Conformity with a limit, standard uncertainty, and weight of evidence: the standards' formulas.

Pure functions on plain numbers and grids, in the words of the standards:

* JCGM 106:2012, *The role of measurement uncertainty in conformity assessment*: conformance
  probability (7.2 to 7.4), guarded limits (8.3.3), consumer's and producer's risk (9.3 to 9.5);
* JCGM 100:2008 (GUM): type B standard uncertainty (4.3), combination (5.1.2), effective degrees
  of freedom (annex G.4);
* I. J. Good, *Probability and the Weighing of Evidence* (1950): weight of evidence in decibans,
  ten times the common logarithm of a Bayes factor (the unit is A. M. Turing's).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy

from benchodds.basics.language import _
from benchodds.basics.tables import Array

Side = Literal["lower", "upper"]


def _normal(z: float) -> float:
    """P(Z <= z) of the standard normal law."""
    return math.erfc(-z / math.sqrt(2.0)) / 2.0


# ---- conformance probability ------------------------------------------------------------------


def conformance_probability(
    best_estimate: float,
    standard_uncertainty: float,
    lower: float | None = None,
    upper: float | None = None,
) -> float:
    """P(lower <= true value <= upper) for a normal state of knowledge (JCGM 106, 7.3 and 7.4).

    Parameters
    ----------
    best_estimate, standard_uncertainty
        Mean and standard deviation of the true value, in the unit of the limits; the
        uncertainty is above zero.
    lower, upper
        Tolerance limits; None where there is none.

    Returns
    -------
    float
        Phi((upper - y)/u) - Phi((lower - y)/u), 0 to 1.

    Raises
    ------
    ValueError
        The uncertainty is not above zero.
    """
    if not standard_uncertainty > 0:
        raise ValueError(
            _("a standard uncertainty of {standard_uncertainty}; it is above zero").format(
                standard_uncertainty=standard_uncertainty
            )
        )
    below = 0.0 if lower is None else _normal((lower - best_estimate) / standard_uncertainty)
    beyond = 0.0 if upper is None else _normal((best_estimate - upper) / standard_uncertainty)
    return float(1.0 - below - beyond)


def conforming(values: Array, lower: float | None, upper: float | None) -> Array:
    """1 where a value meets the limits, else 0; a value on a limit meets it (JCGM 106, 3.3.5)."""
    meets = np.ones(np.shape(values))
    if lower is not None:
        meets = meets * (values >= lower)
    if upper is not None:
        meets = meets * (values <= upper)
    return np.asarray(meets)


def grid_conformance(
    p: Array, values: Array, lower: float | None = None, upper: float | None = None
) -> float:
    """Conformance probability of a gridded distribution (JCGM 106, 7.2.2, any shape).

    Parameters
    ----------
    p : (...) float array
        Probability of each cell; sums to 1.
    values : (..., n_sub) float array
        True values that stand for each cell, of equal weight within it.
    lower, upper
        Tolerance limits in the unit of ``values``.

    Returns
    -------
    float
        Mass of the cells within the limits; a cell cut by a limit counts by its points.
    """
    return float((p * conforming(values, lower, upper).mean(axis=-1)).sum())


def conformance_factor(p: float) -> float:
    """Distance to a one-sided limit, in standard uncertainties, for a wanted p (7.3, table 1)."""
    return float(scipy.special.ndtri(p))


def guarded_limit(
    limit: float,
    standard_uncertainty: float,
    p: float,
    side: Side,
    *,
    reject: bool = False,
    relative: bool = False,
) -> float:
    """The limit on the *reading* that gives conformance probability ``p`` (JCGM 106, 8.3.2-8.3.3).

    Guarded acceptance moves the acceptance limit inside the tolerance; guarded rejection
    (``reject``) moves it outside, until non-conformance has probability ``p``.

    Parameters
    ----------
    limit
        Tolerance limit on the true value.
    standard_uncertainty
        In the unit of the limit; with ``relative`` as a share of the reading.
    side
        Whether the tolerance limit is a lower or an upper one.

    Returns
    -------
    float
        T + s z u, or T / (1 - s z u) when relative; z is :func:`conformance_factor`, s is +1
        when the guarded limit lies above the tolerance limit.
    """
    above = (side == "lower") != reject
    shift = (1.0 if above else -1.0) * conformance_factor(p) * standard_uncertainty
    return limit / (1.0 - shift) if relative else limit + shift


# ---- consumer's and producer's risk -----------------------------------------------------------


@dataclass(frozen=True)
class Risks:
    """What a rule of acceptance costs over all items (JCGM 106, 9.3 and 9.5; global risks)."""

    consumer: float
    """P(accepted and not conforming)."""
    producer: float
    """P(rejected and conforming)."""
    conforming: float
    """P(conforming) before any reading."""
    accepted: float
    """P(accepted)."""

    @property
    def bad_among_accepted(self) -> float:
        """Share of non-conforming among accepted items; 0 when nothing is accepted."""
        return self.consumer / self.accepted if self.accepted > 0 else 0.0

    @property
    def good_among_rejected(self) -> float:
        """Share of conforming among rejected items; 0 when nothing is rejected."""
        return self.producer / (1 - self.accepted) if self.accepted < 1 else 0.0


def global_risks(p_good: Array, p_bad: Array, accepted: Array) -> Risks:
    """Consumer's and producer's risk from joint tables (JCGM 106, 9.5.2 and 9.5.3).

    Parameters
    ----------
    p_good, p_bad : (n_readings,) float arrays
        P(conforming, reading) and P(not conforming, reading); together they sum to 1.
    accepted : (n_readings,) float array
        Share of each reading that the rule accepts, 0 to 1.
    """
    return Risks(
        consumer=float(p_bad @ accepted),
        producer=float(p_good @ (1.0 - accepted)),
        conforming=float(p_good.sum()),
        accepted=float((p_good + p_bad) @ accepted),
    )


def global_risks_normal(
    mean: float,
    sd: float,
    standard_uncertainty: float,
    limits: tuple[float | None, float | None],
    acceptance: tuple[float | None, float | None] | None = None,
) -> Risks:
    """Global risks of a normal process read with normal error, by quadrature (JCGM 106, 9.5).

    Parameters
    ----------
    mean, sd
        Of the true value over items.
    standard_uncertainty
        Standard deviation of the reading about the true value.
    limits, acceptance
        (lower, upper) of the tolerance and of the accepted readings; None where open.
        Without ``acceptance`` the reading is compared with the tolerance itself.
    """
    low_a, high_a = limits if acceptance is None else acceptance
    low, high = (-math.inf if limits[0] is None else limits[0]), limits[1]
    high = math.inf if high is None else high

    def accept(z: float) -> float:
        x = mean + sd * z
        below = 0.0 if low_a is None else _normal((low_a - x) / standard_uncertainty)
        beyond = 0.0 if high_a is None else _normal((x - high_a) / standard_uncertainty)
        return 1.0 - below - beyond

    def mass(a: float, b: float) -> float:
        """P(true value between a and b, reading accepted)."""
        a, b = max((a - mean) / sd, -9.0), min((b - mean) / sd, 9.0)
        if a >= b:
            return 0.0
        marks = [m for m in (low_a, high_a) if m is not None]
        points = [z for m in marks if a < (z := (m - mean) / sd) < b]
        density = 1.0 / math.sqrt(2.0 * math.pi)
        total, _ = scipy.integrate.quad(
            lambda z: density * math.exp(-z * z / 2.0) * accept(z),
            a,
            b,
            points=points or None,
            epsabs=1e-12,
            limit=200,
        )
        return float(total)

    good = _normal((high - mean) / sd) - _normal((low - mean) / sd)
    accepted_good = mass(low, high)
    accepted_bad = mass(-math.inf, low) + mass(high, math.inf)
    return Risks(accepted_bad, good - accepted_good, good, accepted_good + accepted_bad)


# ---- standard uncertainty -----------------------------------------------------------------------


def u_rectangular(half_width: float) -> float:
    """Standard uncertainty a/sqrt(3) of an equal chance within +/- a (JCGM 100, 4.3.7)."""
    return half_width / math.sqrt(3.0)


def u_triangular(half_width: float) -> float:
    """Standard uncertainty a/sqrt(6) of a triangular law within +/- a (JCGM 100, 4.3.9)."""
    return half_width / math.sqrt(6.0)


def u_arcsine(half_width: float) -> float:
    """Standard uncertainty a/sqrt(2) of a U-shaped law, as of a cycling temperature (H.1.3.4)."""
    return half_width / math.sqrt(2.0)


def u_asymmetric(lower: float, upper: float) -> float:
    """Standard uncertainty (b+ + b-)/sqrt(12) of bounds not centred on the estimate (4.3.8)."""
    return (upper - lower) / math.sqrt(12.0)


def u_interval(half_width: float, p: float) -> float:
    """Standard uncertainty of a normal law with probability ``p`` within +/- a (4.3.4, 4.3.5)."""
    return half_width / float(scipy.special.ndtri((1.0 + p) / 2.0))


def combined_uncertainty(contributions: Sequence[float]) -> float:
    """Root of the sum of squares of uncorrelated contributions c_i u(x_i) (JCGM 100, 5.1.2)."""
    return math.sqrt(math.fsum(c * c for c in contributions))


def effective_freedom(contributions: Sequence[float], freedoms: Sequence[float]) -> float:
    """Welch-Satterthwaite effective degrees of freedom u_c^4 / sum(u_i^4/v_i) (G.4.1).

    ``freedoms`` may be infinite; the answer is infinite when all are.
    """
    below = math.fsum(c**4 / v for c, v in zip(contributions, freedoms, strict=True))
    return combined_uncertainty(contributions) ** 4 / below if below > 0 else math.inf


def freedom_of_estimate(relative_uncertainty: float) -> float:
    """Degrees of freedom of an uncertainty known to a share of itself: 1/(2 r^2) (G.4.2)."""
    return 0.5 / relative_uncertainty**2


def relative_sd_of_sd(n: int) -> float:
    """Relative standard deviation of the standard deviation of n readings (E.4.3, table E.1).

    sqrt(1 - c4^2) / c4 with c4 = sqrt(2/(n-1)) Gamma(n/2) / Gamma((n-1)/2), for a normal law.
    """
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    return math.sqrt(1.0 - c4 * c4) / c4


def expanded_uncertainty(standard_uncertainty: float, freedom: float, p: float) -> float:
    """Half-width with coverage probability ``p``: t(v, p) u, freedom cut down to a whole number.

    Source: JCGM 100, G.3.2 and G.4.1 (note 1).
    """
    if math.isinf(freedom):
        return float(scipy.special.ndtri((1.0 + p) / 2.0)) * standard_uncertainty
    return float(scipy.special.stdtrit(math.floor(freedom), (1.0 + p) / 2.0)) * standard_uncertainty


# ---- weight of evidence -------------------------------------------------------------------------


def decibans(bayes_factor: float) -> float:
    """Weight of evidence of a Bayes factor, 10 log10 of it (Good 1950; the unit is Turing's)."""
    if bayes_factor <= 0.0:
        return -math.inf
    return 10.0 * math.log10(bayes_factor)


def from_decibans(weight_db: float) -> float:
    """The factor by which a weight of evidence multiplies the odds."""
    return float(10.0 ** (weight_db / 10.0))


def odds_db(p_for: float, p_against: float) -> float:
    """Log odds of two exclusive probabilities, in decibans; 0 when both are zero."""
    if p_for == p_against:
        return 0.0
    return math.inf if p_against <= 0.0 else decibans(p_for / p_against)


def probability_of(log_odds_db: float) -> float:
    """Probability that log odds in decibans stand for."""
    return 1.0 / (1.0 + from_decibans(-log_odds_db))
