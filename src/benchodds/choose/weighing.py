"""Test on, or mend now? What is proposed, by how much it is better, and what would change it."""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import numpy as np

from benchodds.basics.tables import Array
from benchodds.choose.acting import waits_for
from benchodds.choose.board import Board
from benchodds.choose.choosing import decision_of
from benchodds.choose.decision import Decision
from benchodds.choose.lookahead import ONE, Choice, Depth, Foresight, Search, Step, fitting
from benchodds.choose.nodes import Nodes
from benchodds.choose.planning import LEAST_BITS, Plan, suspects
from benchodds.choose.shop import Shop
from benchodds.infer.assess import Assessment

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
    ending) against a test, a test against these. ``tips`` say what would make ``other`` the
    cheaper one to the end of the job. ``waiting`` names the likeliest repair that must wait
    for tests, and these. ``come_back`` is the chance, should ``repair`` be done now and pass
    the check after it, that the machine comes back within a week.
    """

    shop: Shop
    foresight: Foresight
    test: Choice | None
    repair: Choice | None
    end: Choice | None
    better: Choice
    tips: tuple[Tip, ...]
    waiting: tuple[str, tuple[str, ...]] | None
    come_back: float | None

    @property
    def other(self) -> Choice | None:
        """The alternative to ``better``."""
        return self.repair or self.end if self.better is self.test else self.test

    @property
    def tied(self) -> bool:
        """Whether both cost the same, as far as can be told."""
        other = self.other
        margin = self.shop.foresight.margin
        return other is not None and abs(other.cost - self.better.cost) <= margin * other.cost


def weigh(assessment: Assessment, plan: Plan, shop: Shop, depth: Depth | None = None) -> Weighed:
    """Look ahead from a job, and say what would have to be true for the other choice.

    Of steps that are as good as the cheapest, as far as can be told (the shop's margin), the one
    that ``plan`` takes is better, else the cheapest; of tests the one with the most bits per
    minute.
    """
    wanted = depth or Depth()
    decision = decision_of(assessment.machine, assessment.job, assessment, shop)
    board = Board(decision, wanted.most, wanted.share)
    search = Search(board, depth or fitting(board))
    alike = 1 + shop.foresight.margin
    foresight = search.run(_step(plan))
    tests = [c for c in foresight.choices if c.step.kind == "test"]
    tests = [c for c in tests if c.cost <= alike * tests[0].cost]
    rate = {r.test: r.bits_per_minute for r in plan.ranking if r.bits >= LEAST_BITS}
    test = max(tests, key=lambda c: rate.get(c.step.name, 0.0), default=None)
    repair, end = foresight.cheapest("repair"), foresight.cheapest("end")
    best = foresight.best
    better = next(c for c in (test, repair, end) if c and c.step.kind == best.step.kind)
    for choice in foresight.choices:
        near = choice.cost <= alike * best.cost
        if near and choice.step.kind == "repair" and choice.step.name == plan.repair:
            better = repair = choice
        elif near and choice.step.kind == "test" and choice.step.name == plan.test:
            better = test = choice
    tips: tuple[Tip, ...] = ()
    if test and repair and better in (test, repair):
        tips = _tips(Search(board, ONE), tests, test, repair, better is repair)
    back = come_back(decision, repair.step.name) if repair else None
    waiting = _waiting(decision)
    return Weighed(shop, foresight, test, repair, end, better, tips, waiting, back)


def _step(plan: Plan) -> Step | None:
    """The step that a plan takes, None where it stops."""
    if plan.test:
        return Step("test", plan.test)
    return Step("repair", plan.repair) if plan.repair else None


def proposed(assessment: Assessment, plan: Plan, weighed: Weighed) -> Plan:
    """The plan with what the look-ahead proposes; gear under suspicion is proved first."""
    if plan.test in suspects(assessment):
        return plan
    step = weighed.better.step
    if step.kind == "test":
        proves = assessment.machine.model.tests[step.name].proves
        return replace(plan, do="prove-gear" if proves else "test", test=step.name, repair=None)
    if step.kind == "repair":
        return replace(plan, do="repair", test=None, repair=step.name)
    return replace(plan, do="stop", test=None, repair=None)


def follows(plan: Plan, weighed: Weighed) -> bool:
    """Whether a plan's step is the one that the look-ahead finds cheaper."""
    step = weighed.better.step
    return step.name == (plan.test if step.kind == "test" else plan.repair)


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
        (float(p[r.needed].sum()), r.name, waits)
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
