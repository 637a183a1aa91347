"""Shares of faults in many kinds of jobs at once, pooled as far as the jobs say.

A *cell* is a kind of job: system, variant, shop, complaint, contexts. The share of fault f in
cell c is proportional to

    base[system and complaint, f] * product of multipliers[group, f]

over the groups that the cell belongs to: the fleet (same fault in other systems and
complaints), its variant, its shop, each context told. Priors are conjugate: the base is
Dirichlet(strength * share of the prior file); a multiplier is gamma with the file's multiplier
(one, but for contexts) as its centre and shape ``A * q_f``, where q is what the group would
show without anything of its own. With one level that is the Dirichlet of groups: the group's
shares are (A q + n) / (A + N), so that small counts shrink. Each A has a prior, which is data,
and is learned where uncertainty is drawn (:mod:`benchodds.learn.gibbs`).

What fault a job had is known only by its likelihood; :func:`fit` is EM (A. Dempster, N. Laird
and D. Rubin 1977) with these conjugate updates, which are those of iterative scaling (J. Darroch
and D. Ratcliff, Annals of Mathematical Statistics 43 (1972)) with pseudo-counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from benchodds.basics.errors import EvidenceError
from benchodds.basics.language import _
from benchodds.basics.tables import Array
from benchodds.learn.dirichlet import LOG_STRENGTHS, log_marginal, responsibilities

Index = NDArray[np.intp]

TINY = 1e-300
MOST_ROUNDS = 2000
TOLERANCE = 1e-7
"""Largest move of a share, relative, at which the iteration ends."""

AT_ONCE = 20_000
"""Observations whose posterior is held in memory at a time."""

MOST_AT_ONCE = 200_000
"""Entries of a table by strength, group and fault that are held in memory at a time."""


@dataclass(frozen=True, eq=False)
class Level:
    """One way in which cells are grouped; a cell may be in several groups (contexts).

    ``member`` (n_groups, n_cells) is 1 where a cell belongs; ``centre`` (n_groups, n_faults) are
    the multipliers expected beforehand; ``typical`` and ``factor`` are the lognormal prior of
    the strength.
    """

    name: str
    groups: tuple[tuple[str, ...], ...]
    member: csr_matrix
    centre: Array
    typical: float
    factor: float

    @cached_property
    def waves(self) -> tuple[Index, ...]:
        """Groups that share no cell, together: these may be updated at the same time."""
        touch = (self.member @ self.member.T).toarray() > 0
        out: list[list[int]] = []
        for g in range(len(self.groups)):
            free = (wave for wave in out if not touch[g, wave].any())
            wave = next(free, None)
            if wave is None:
                out.append([g])
            else:
                wave.append(g)
        return tuple(np.array(wave) for wave in out)


@dataclass(frozen=True, eq=False)
class Problem:
    """Observations of cells, ready to be fitted.

    ``base_of`` (n_cells,) names the row of ``base`` (n_bases, n_faults; rows sum to 1, faults
    a system lacks have 0) that a cell starts from, with strength ``strength`` (n_bases,).
    ``mask`` (n_cells, n_faults) is False for faults that the cell's machine lacks.
    Observation k is in cell ``cell[k]``, counts ``count[k]`` jobs, each worth ``worth[k]``
    (decay, shares of second faults), with P(observed | fault) ``likelihood[k]``.
    """

    faults: tuple[str, ...]
    base_names: tuple[tuple[str, str], ...]
    base: Array
    strength: Array
    base_of: Index
    mask: Array
    levels: tuple[Level, ...]
    cell: Index
    count: Array
    worth: Array
    likelihood: Array

    @property
    def n_cells(self) -> int:
        """Number of cells."""
        return len(self.base_of)

    @property
    def jobs(self) -> Array:
        """Jobs by cell, each by its worth, shape (n_cells,)."""
        return np.bincount(self.cell, self.count * self.worth, self.n_cells).astype(float)


@dataclass(frozen=True, eq=False)
class Fit:
    """Base shares and multipliers, strengths, expected counts, and how the likelihood rose."""

    base: Array
    multipliers: Mapping[str, Array]
    strengths: Mapping[str, float]
    expected: Array = field(repr=False)  # (n_cells, n_faults)
    trace: tuple[float, ...] = ()


def intensities(problem: Problem, base: Array, multipliers: Mapping[str, Array]) -> Array:
    """Unnormalised shares of every cell, shape (n_cells, n_faults)."""
    with np.errstate(divide="ignore"):
        logs = np.log(base)[problem.base_of]
        for level in problem.levels:
            logs = logs + level.member.T @ np.log(np.maximum(multipliers[level.name], TINY))
    return np.asarray(np.exp(logs) * problem.mask, dtype=float)


def normalised(w: Array) -> Array:
    """Rows divided by their sums."""
    return np.asarray(w / w.sum(axis=-1, keepdims=True))


def count_faults(problem: Problem, shares: Array) -> tuple[Array, float]:
    """Expected counts by cell and fault, and the log likelihood of all observations."""
    n = np.zeros_like(shares)
    total = 0.0
    for start in range(0, len(problem.cell), AT_ONCE):
        part = slice(start, start + AT_ONCE)
        cell, like = problem.cell[part], problem.likelihood[part]
        weight = problem.count[part] * problem.worth[part]
        try:
            p = responsibilities(shares[cell], like)
        except EvidenceError:
            raise EvidenceError(
                _("a job is impossible under every fault that its machine can have")
            ) from None
        n += membership(cell, problem.n_cells) @ (weight[:, None] * p)
        total += float(weight @ np.log((shares[cell] * like).sum(axis=1)))
    return n, total


def expected_without(
    problem: Problem, level: Level, group: int, w: Array, multiplier: Array
) -> Array:
    """Shares that a group would show with its multipliers at their centre; sums to 1."""
    cells = level.member[group].indices
    jobs = problem.jobs[cells]
    plain = w[cells] / np.maximum(multiplier, TINY) * level.centre[group]
    shares = normalised(plain)
    weight = jobs / jobs.sum() if jobs.sum() > 0 else np.full(len(cells), 1 / len(cells))
    return np.asarray(weight @ shares)


def level_expectations(
    problem: Problem, level: Level, w: Array, multipliers: Mapping[str, Array]
) -> Array:
    """:func:`expected_without` of every group of a level, shape (n_groups, n_faults)."""
    own = multipliers[level.name]
    rows = [expected_without(problem, level, g, w, own[g]) for g in range(len(level.groups))]
    return np.array(rows)


def strength_posterior(problem: Problem, level: Level, n: Array) -> tuple[Array, Array]:
    """Posterior of a level's strength on a grid: each group forecast by the others.

    Parameters
    ----------
    n : (n_cells, n_faults) array
        Counts, as expected or as drawn.

    Returns
    -------
    strengths, weights : (n_grid,) arrays
        Weights sum to 1; where nothing tells groups apart they are those of the prior.

    Notes
    -----
    A group of N jobs tells of what holds for all as much as ``A N / (A + N)`` jobs would. What
    holds for all, known from the prior file and the other groups with strength S, and the
    group's own difference with strength A add their variances, about 1 / S + 1 / A; so the
    group's counts have the Dirichlet-multinomial law of strength 1 / (1 / S + 1 / A). No group
    forecasts itself, which would make groups look alike, and the base is not fixed, which would
    make them look different.
    """
    logs = -0.5 * ((LOG_STRENGTHS - np.log(level.typical)) / np.log(level.factor)) ** 2
    parted = bool((level.member.sum(axis=0) == 1).all())
    for b, alpha in enumerate(problem.strength[:, None] * problem.base):
        here = problem.base_of == b
        own = level.member[:, here] @ n[here]
        some = own.sum(axis=1) > 0
        own, centre, rest = own[some], level.centre[some], n[here].sum(axis=0) - own[some]
        if not rest.sum():
            continue
        jobs, others = own.sum(axis=1, keepdims=True), rest.sum(axis=1, keepdims=True)
        step = max(1, MOST_AT_ONCE // own.size)
        for first in range(0, len(logs), step):
            part = slice(first, first + step)
            strength = np.exp(LOG_STRENGTHS[part])[:, None, None]
            if parted:
                telling = own * (strength / (strength + jobs))
                seen = telling.sum(axis=1, keepdims=True) - telling
            else:
                seen = rest * (strength / (strength + others))
            weights = alpha + seen
            q = normalised(np.maximum(weights * centre, TINY))
            s = 1 / (1 / strength + 1 / weights.sum(axis=-1, keepdims=True))
            logs[part] += log_marginal(own, s * q).sum(axis=1)
    weights = np.exp(logs - logs.max())
    return np.exp(LOG_STRENGTHS), weights / weights.sum()


def fit(
    problem: Problem, strengths: Mapping[str, float] | None = None, most: int = MOST_ROUNDS
) -> Fit:
    """Shares with the largest penalised likelihood.

    ``strengths`` by level stand for the typical ones; :mod:`benchodds.learn.gibbs` draws them.
    """
    given = dict(strengths or {})
    base = problem.base.copy()
    multipliers = {level.name: level.centre.copy() for level in problem.levels}
    used = {lv.name: given.get(lv.name, lv.typical) for lv in problem.levels}
    in_base = membership(problem.base_of, len(base))
    jobs = problem.jobs
    trace: list[float] = []
    shares = normalised(intensities(problem, base, multipliers))
    n = np.zeros_like(shares)
    for round_ in range(most):
        before = shares
        n, log_p = count_faults(problem, shares)
        trace.append(log_p)
        pseudo = problem.strength[:, None]
        seen, expected = in_base @ n, in_base @ (jobs[:, None] * shares)
        base = base * (pseudo * problem.base + seen) / np.maximum(pseudo * base + expected, TINY)
        base = normalised(base)
        for level in problem.levels:
            w = intensities(problem, base, multipliers)
            q = level_expectations(problem, level, w, multipliers)
            seen = level.member @ n
            for wave in level.waves:
                shares = normalised(intensities(problem, base, multipliers))
                expected = level.member[wave] @ (jobs[:, None] * shares)
                a = used[level.name] * q[wave]
                own, centre = multipliers[level.name][wave], level.centre[wave]
                some = (a > 0) & (centre > 0)
                held = np.where(some, a * own / np.where(some, centre, 1.0), 1.0)
                new = own * (a + seen[wave]) / np.maximum(held + expected, TINY)
                multipliers[level.name][wave] = np.where(some, new, own)
        shares = normalised(intensities(problem, base, multipliers))
        moved = np.abs(shares - before).max(initial=0.0)
        if moved < TOLERANCE and round_ > 5:
            break
    return Fit(base, multipliers, used, n, tuple(trace))


def membership(group: Index, n_groups: int) -> csr_matrix:
    """Matrix (n_groups, n_items), 1 where an item belongs to a group: sums items by group."""
    n = len(group)
    return csr_matrix((np.ones(n), (group, np.arange(n))), shape=(n_groups, n))


def composed(
    problem: Problem,
    base: Array,
    multipliers: Mapping[str, Array],
    row: int,
    groups: Sequence[tuple[str, tuple[str, ...]]] = (),
) -> Array:
    """Shares of a base row with the multipliers of the named groups; sums to 1.

    ``groups`` are (level, group); the fleet's are always in. What a level does not know has
    multiplier one.
    """
    wanted = [("fleet", ("all",)), *groups]
    out = base[row].copy()
    for level in problem.levels:
        for name, group in wanted:
            if name == level.name and group in level.groups:
                out = out * multipliers[name][level.groups.index(group)]
    return normalised(out)
