"""Test on, or mend now? What is proposed, by how much it is better, and what would change it."""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from benchodds.basics.tables import Array
from benchodds.choose.acting import waits_for
from benchodds.choose.decision import END, REPAIR, TEST, Decision
from benchodds.choose.lookahead import ONE, Choice, Foresight, Search
from benchodds.choose.nodes import Nodes
from benchodds.choose.policies import by_rate
from benchodds.choose.shop import Shop

DEARER = (1.5, 2.0, 3.0, 5.0, 10.0)
CHEAPER = (0.75, 0.5, 0.25, 0.0)
"""Prices, against the present one, at which a repair is weighed against testing."""

GRID = 13
"""Beliefs at which a repair is weighed against testing, to find where they are equal."""


@dataclass(frozen=True)
class Tip:
    """Where testing and mending cost the same, and beyond which the other is the cheaper.

    ``what`` is "p-needed" (chance that the repair is wanted), "price" (of its part, money) or
    "minutes" (of the test). ``now`` is its present value and ``at`` that of equal cost; None
    when there is none.
    """

    what: str
    now: float
    at: float | None


@dataclass(frozen=True, eq=False)
class Weighed:
    """A test and a repair to begin with, side by side, and ending the job here.

    ``better`` is the one that is proposed and ``other`` the alternative to it: a repair (or
    ending) against a test, a test against these. ``either`` are all steps that cost the same as
    ``better`` as far as can be told.
    """

    shop: Shop
    decision: Decision
    foresight: Foresight
    test: Choice | None
    repair: Choice | None
    end: Choice | None
    better: Choice
    either: tuple[Choice, ...]

    @cached_property
    def tips(self) -> tuple[Tip, ...]:
        """What would have to be true for the alternative."""
        test, repair = self.test, self.repair
        if test is None or repair is None or self.better not in (test, repair):
            return ()
        tests = self.foresight.near(TEST, self.shop.foresight.margin)
        search = Search(self.foresight.board, ONE)
        return _tips(search, tests, test, repair, self.better is repair)

    @cached_property
    def waiting(self) -> tuple[str, tuple[str, ...]] | None:
        """The likeliest repair that waits for tests, with these."""
        return _waiting(self.decision)

    @cached_property
    def come_back(self) -> float | None:
        """P(back within a week) should ``repair`` be done now and pass the check after it."""
        return come_back(self.decision, self.repair.step.name) if self.repair else None

    @property
    def other(self) -> Choice | None:
        """The alternative to ``better``."""
        return self.repair or self.end if self.better is self.test else self.test

    @property
    def tied(self) -> bool:
        """Whether both cost the same, as far as can be told."""
        return self.other in self.either


def weigh(decision: Decision, foresight: Foresight, shop: Shop) -> Weighed:
    """What is proposed, the alternative, and what would have to be true for that one.

    Proposed is what :meth:`Foresight.pick` says. Beside it stand the cheapest step of the other
    kinds; of tests that are as good as the cheapest, as far as can be told, the one with the most
    bits per minute.
    """
    margin = shop.foresight.margin
    better = foresight.pick(margin)
    tests = foresight.near(TEST, margin)
    rank = {c.name: i for i, (c, _bits) in enumerate(by_rate(decision, decision.checks))}
    test = min(tests, key=lambda c: rank[c.step.name], default=None)
    repair, end = foresight.cheapest(REPAIR), foresight.cheapest(END)
    match better.step.kind:
        case "test":
            test = better
        case "repair":
            repair = better
        case _:
            end = better
    either = tuple(c for c in foresight.alike(better, margin) if c is not better)
    return Weighed(shop, decision, foresight, test, repair, end, better, either)


def come_back(decision: Decision, repair: str) -> float:
    """P(a fault is left | the check after a repair passed): Bayes on what the check misses."""
    remedy = decision.remedy(repair)
    p = decision.p.sum(axis=1)
    left = np.where(remedy.cures, 0.0, p)
    missed = float(left @ decision.missed[remedy.rest])
    sound = float(p[remedy.cures].sum()) + float(left @ (decision.faultless[remedy.rest]))
    return missed / max(missed + sound, 1e-12)


def _waiting(decision: Decision) -> tuple[str, tuple[str, ...]] | None:
    """The likeliest repair that waits for tests, with these."""
    p = decision.p.sum(axis=1)
    rows = [
        (r.p_needed(p), r.name, waits)
        for r in decision.remedies
        if r.name not in decision.mended and (waits := waits_for(decision, r))
    ]
    best = max(rows, default=None)
    return (best[1], best[2]) if best else None


def _tips(
    search: Search, tests: list[Choice], test: Choice, repair: Choice, mends: bool
) -> tuple[Tip, ...]:
    """What would have to be true for mending instead of testing, or the other way round.

    Both look one step ahead and estimate the rest, moved so that they agree with the deeper
    look where the job stands.
    """
    board = search.board
    names = [r.name for r in board.decision.remedies]
    r = names.index(repair.step.name)
    rivals = [board.names.index(c.step.name) for c in tests[:3]]
    gap = repair.cost - test.cost
    out = [_by_belief(search, r, rivals, gap), _by_price(search, r, rivals, gap)]
    if mends:
        check = board.decision.check(test.step.name)
        minutes = board.decision.minutes_of(check)
        at = minutes + gap / board.rate
        out.append(Tip("minutes", minutes, at if at > 0 else None))
    return tuple(out)


def _gap(search: Search, nodes: Nodes, r: int, rivals: list[int]) -> Array:
    """Cost of repair ``r`` first, less that of the best rival test, at some places."""
    steps = [[-1 - r, *rivals]] * len(nodes)
    minutes, money = search.worth(nodes, search.board.view(nodes), steps, 1)
    cost = (search.board.rate * minutes + money).reshape(len(nodes), -1)
    return np.asarray(cost[:, 0] - cost[:, 1:].min(axis=1))


def _by_belief(search: Search, r: int, rivals: list[int], gap: float) -> Tip:
    """The chance that the repair is wanted at which both cost the same.

    The odds of the states that want it are moved against the others, within both as they are.
    """
    board, root = search.board, search.board.root
    needed = board.acts.needed[r] > 0
    now = float(root.p[0][needed].sum())
    if not 0.0 < now < 1.0:
        return Tip("p-needed", now, None)
    odds = np.linspace(-7.0, 7.0, GRID)
    chances = np.sort(np.append(1 / (1 + np.exp(-odds)), now))
    share = np.where(needed, chances[:, None] / now, (1 - chances[:, None]) / (1 - now))
    nodes = root.take(np.zeros(len(chances), dtype=np.intp)).rooted()
    nodes = replace(nodes, p=nodes.p * share[:, :, None])
    gaps = _gap(search, nodes, r, rivals)
    here = int(np.searchsorted(chances, now))
    gaps = gaps + (gap - gaps[here])
    side = range(here, len(chances) - 1) if gap > 0 else range(here - 1, -1, -1)
    for i in side:
        if (gaps[i] > 0) != (gaps[i + 1] > 0):
            t = gaps[i] / (gaps[i] - gaps[i + 1])
            return Tip("p-needed", now, float(chances[i] + t * (chances[i + 1] - chances[i])))
    return Tip("p-needed", now, None)


def _by_price(search: Search, r: int, rivals: list[int], gap: float) -> Tip:
    """The price of the repair's part at which both cost the same, waiting included."""
    board = search.board
    price = float(board.acts.price[r][board.acts.needed[r] > 0].max(initial=0.0))
    if price <= 0:
        return Tip("price", price, None)
    move = gap - float(_gap(search, board.root, r, rivals)[0])
    last, before = 1.0, gap
    for factor in DEARER if gap <= 0 else CHEAPER:
        other = copy.copy(search)
        other.board = board.with_price(r, board.acts.price[r] * factor)
        after = move + float(_gap(other, board.root, r, rivals)[0])
        if (after > 0) != (before > 0):
            share = before / (before - after)
            return Tip("price", price, price * (last + share * (factor - last)))
        last, before = factor, after
    return Tip("price", price, None)
