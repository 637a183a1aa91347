"""Readings told apart in a few ways: what a look at the bench makes of a number.

The planner's bins of a test are put in a few groups of one sign each, those first that tell
least apart (:func:`board.merged`). What was seen is then a group, and its likelihood the sum of
the chances of its bins: exact for what is kept, and equal histories become common, so that
thousands of jobs share their sums. What is lost in bits is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchodds.basics.tables import Array, Table
from benchodds.choose.board import TEMPER, merged
from benchodds.choose.information import xlogx
from benchodds.measure.instrument import Instrument, Outcome

Groups = tuple[tuple[int, ...], ...]


@dataclass(frozen=True, eq=False)
class Coarse:
    """A test whose outcomes are told apart in groups.

    ``table`` is P(group | scope), the group last; ``words`` is a value that stands for each
    group as one would write it, the one that is shown most often; ``place`` the group of each
    outcome.
    """

    groups: Groups
    signs: tuple[int, ...]
    table: Table
    words: tuple[str, ...]
    place: tuple[int, ...]

    def finding(self, group: int) -> Table:
        """Likelihood of having seen a group."""
        return Table(self.table.scope[:-1], np.ascontiguousarray(self.table.p[..., group]))

    def of(self, p: Array) -> Array:
        """Chances of groups from chances of outcomes, last axis."""
        return np.stack([p[..., list(g)].sum(axis=-1) for g in self.groups], axis=-1)


def grouped(p_state: Array, p: Array, signs: Sequence[int], most: int) -> tuple[Groups, float]:
    """Groups of outcomes and the bits lost by them, p (n_states, n_outcomes) given each state.

    The belief is flattened (its square root), since what is unlikely now may lead later; the
    loss is that under the belief itself.
    """
    flat = p_state**TEMPER
    joint = (flat / flat.sum())[:, None] * p
    groups = tuple(tuple(g) for g in merged(joint, signs, most))

    def bits(rows: Array) -> float:
        return float(xlogx(rows).sum() - xlogx(rows.sum(axis=0)).sum())

    told = p_state[:, None] * p
    few = np.stack([told[:, list(g)].sum(axis=1) for g in groups], axis=1)
    return groups, max(0.0, bits(told) - bits(few))


def coarse(tool: Instrument, outcomes: Sequence[Outcome], table: Table, groups: Groups) -> Coarse:
    """The test with its outcomes in groups."""
    p = np.stack([table.p[..., list(g)].sum(axis=-1) for g in groups], axis=-1)
    often = table.p.reshape(-1, len(outcomes)).sum(axis=0)
    place = [0] * len(outcomes)
    for i, group in enumerate(groups):
        for o in group:
            place[o] = i
    return Coarse(
        groups,
        tuple(outcomes[g[0]].sign for g in groups),
        Table(table.scope, p / p.sum(axis=-1, keepdims=True)),
        tuple(written(tool, outcomes, max(g, key=lambda o: often[o])) for g in groups),
        tuple(place),
    )


def written(tool: Instrument, outcomes: Sequence[Outcome], number: int) -> str:
    """An outcome as one would write it: a word, OL, or a number in the middle of its bin."""
    label = outcomes[number].label
    if tool.test.kind in ("look", "spark") or label == "OL":
        return label
    edges = tool.numeric_edges()
    if label == "unstable":
        return f"unstable {plain(edges[0])}..{plain(edges[-1])} {tool.test.unit}".strip()
    inner = np.sqrt(edges[:-1] * edges[1:])
    middle = float([edges[0] / 2, *inner, edges[-1] * 1.2][number])
    return f"{plain(middle)} {tool.test.unit}".strip()


def plain(number: float, digits: int = 4) -> str:
    """A number with so many significant digits and no exponent."""
    return str(np.format_float_positional(number, precision=digits, fractional=False, trim="-"))
