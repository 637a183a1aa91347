"""Expected information of a reading, in bits (Cover and Thomas, Elements of Information Theory)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchodds.basics.tables import Array
from benchodds.choose.decision import Check, Decision

LEAST_BITS = 0.004
"""Below this a test is not worth its walk to the bench."""


def xlogx(p: Array) -> Array:
    """p log2 p, zero at zero."""
    return np.asarray(p * np.log2(np.maximum(p, 1e-300)))


def mutual_information(p_state: Array, p_outcome: Array) -> float:
    """I(state; outcome) in bits; p_state (n,) sums to 1, rows of p_outcome (n, m) sum to 1.

    I = H(state) + H(outcome) - H(state, outcome) (Cover and Thomas, 2.4).
    """
    joint = p_state[:, None] * p_outcome
    told = xlogx(joint).sum() - xlogx(joint.sum(axis=0)).sum() - xlogx(p_state).sum()
    return max(0.0, float(told))


def information(decision: Decision, checks: Sequence[Check]) -> dict[str, float]:
    """I(state; outcome) of each of some checks, in bits, gear summed out."""
    p_state = decision.p.sum(axis=1)
    if not checks:
        return {}
    joint = np.concatenate([(decision.p[:, :, None] * c.p).sum(axis=1) for c in checks], axis=1)
    starts = np.cumsum([0, *(c.p.shape[2] for c in checks[:-1])])
    told = xlogx(joint).sum(axis=0) - xlogx(joint.sum(axis=0))
    bits = np.maximum(np.add.reduceat(told, starts) - xlogx(p_state).sum(), 0.0)
    return dict(zip((c.name for c in checks), bits.tolist(), strict=True))
