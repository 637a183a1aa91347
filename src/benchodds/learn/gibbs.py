"""How sure the pooled shares are: draws from their posterior, faults and strengths unknown.

Gibbs sampling of the model in :mod:`benchodds.learn.pooling`. Each sweep draws the fault of every
observation given the shares (T. Tanner and W. Wong, The calculation of posterior distributions
by data augmentation, JASA 82 (1987)), then shares and multipliers given the faults; the
strength of each level is drawn given the drawn counts. Contexts make shares a ratio,
``l_f m_f / sum(l m)``; an auxiliary gamma variable per cell, ``u ~ Gamma(N, sum(l m))``, turns
that denominator into a product, after which every base share and multiplier is a gamma draw
(L. James, A. Lijoi and I. Pruenster, Posterior analysis for normalized random measures,
Scandinavian Journal of Statistics 36 (2009)). What a group would show without anything of its
own is taken from the base, anew with each strength (from the other levels too, and all could
drag each other to nothing); that it moves with the base is left out of the base's own draw, an
approximation that ``tests/recovery.py`` looks at.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from benchodds.basics.tables import Array
from benchodds.learn.pooling import (
    AT_ONCE,
    Fit,
    Problem,
    intensities,
    level_expectations,
    membership,
    normalised,
    strength_posterior,
)

LEAST = 1e-250
LEAST_SHARE = 1e-3
"""Part of its prior weight below which a base share does not pull groups down with it."""

STRENGTH_EVERY = 5
"""Sweeps between draws of the strengths."""

WORK = 400_000_000
"""Most entries drawn in all; very many observations get fewer sweeps."""

Keep = Callable[[Array, Mapping[str, Array]], Array]
"""What to keep of a draw: from base (n_bases, n_faults; rows sum to 1) and multipliers."""


def draw(
    problem: Problem, start: Fit, keep: Keep, rng: np.random.Generator, draws: int
) -> tuple[Array, dict[str, Array]]:
    """Draws of ``keep(...)``, first axis the draws, and of the strengths by level.

    Begins at the fitted point and leaves out the first fifth of the sweeps.
    """
    size = max(1, problem.likelihood.size)
    sweeps = int(np.clip(WORK // size, 100, draws))
    in_base = membership(problem.base_of, len(problem.base))
    alpha = problem.strength[:, None] * problem.base
    base = start.base * problem.strength[:, None]
    multipliers = {k: v.copy() for k, v in start.multipliers.items()}
    strengths = dict(start.strengths)
    w = intensities(problem, start.base, start.multipliers)
    q = {lv.name: level_expectations(problem, lv, w, multipliers) for lv in problem.levels}
    plain = {level.name: level.centre for level in problem.levels}
    floor = LEAST_SHARE * alpha
    jobs = problem.jobs
    kept, kept_strengths = [], []
    for sweep in range(-(sweeps // 5), sweeps):
        w = intensities(problem, base, multipliers)
        total = w.sum(axis=1)
        n = draw_faults(problem, normalised(w), rng)
        u = rng.standard_gamma(np.maximum(jobs, LEAST)) / total
        rest = in_base @ (u[:, None] * w) / np.maximum(base, LEAST)
        base = rng.standard_gamma(alpha + in_base @ n) / (1 + rest)
        base = np.where(alpha > 0, np.maximum(base, LEAST), 0.0)
        for level in problem.levels:
            seen = level.member @ n
            if sweep % STRENGTH_EVERY == 0:
                w = intensities(problem, np.maximum(base, floor), plain)
                q[level.name] = level_expectations(problem, level, w, plain)
                grid, weights = strength_posterior(problem, level, n)
                strengths[level.name] = float(rng.choice(grid, p=weights))
            for wave in level.waves:
                w = intensities(problem, base, multipliers)
                own = np.maximum(multipliers[level.name][wave], LEAST)
                rest = level.member[wave] @ (u[:, None] * w) / own
                a, centre = strengths[level.name] * q[level.name][wave], level.centre[wave]
                some = (a > 0) & (centre > 0)
                rate = np.where(some, a / np.where(some, centre, 1.0), 1.0) + rest
                new = rng.standard_gamma(np.where(some, a + seen[wave], 1.0)) / rate
                multipliers[level.name][wave] = np.where(some, np.maximum(new, LEAST), own)
        if sweep >= 0:
            kept.append(keep(normalised(base), multipliers))
            kept_strengths.append(dict(strengths))
    names = [level.name for level in problem.levels]
    return np.array(kept), {k: np.array([s[k] for s in kept_strengths]) for k in names}


def draw_faults(problem: Problem, shares: Array, rng: np.random.Generator) -> Array:
    """Counts by cell and fault with the fault of every job drawn, each at its worth."""
    n = np.zeros_like(shares)
    for start in range(0, len(problem.cell), AT_ONCE):
        part = slice(start, start + AT_ONCE)
        cell = problem.cell[part]
        p = normalised(shares[cell] * problem.likelihood[part])
        z = rng.multinomial(problem.count[part].astype(np.int64), p)
        n += membership(cell, problem.n_cells) @ (problem.worth[part, None] * z)
    return n
