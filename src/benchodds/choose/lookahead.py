"""Look-ahead: what each next step costs to the end of the job, as far as can be foreseen.

The first steps (two, or as many as asked) are chosen as well as can be among the tests that
promise most, the likeliest repairs and the endings; from there on a rule of thumb goes on to
the end (:mod:`rollout`). How near that comes to the optimum is tested against ``tests/optimum.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchodds.basics.tables import Array, Index
from benchodds.choose.board import Board
from benchodds.choose.decision import LEAST, Decision, Step
from benchodds.choose.information import LEAST_BITS
from benchodds.choose.nodes import FREE, Nodes, View
from benchodds.choose.rollout import advance, outlook, roll_out


@dataclass(frozen=True)
class Depth:
    """How far and how wide to look.

    ``steps`` are chosen, each among ``wide`` tests (the first number counts for the first
    step, the last for all further ones) and ``acts`` remedies. ``floor`` is the chance below
    which a branch is estimated, ``longest`` the most steps that the rule of thumb goes on,
    ``most`` the outcomes of a test that are told apart, ``share`` the weight of states kept.
    """

    steps: int = 2
    wide: tuple[int, ...] = (8, 3)
    acts: int = 3
    floor: float = 0.03
    longest: int = 12
    most: int = 4
    share: float = 0.99

    def width(self, step: int) -> int:
        """Tests that are tried at a step, counted from zero."""
        return self.wide[min(step, len(self.wide) - 1)]


ONE = Depth(1, longest=0)
"""One step and an estimate of all that follows: the quickest."""

NARROW = Depth(1, (4,), 2, 0.1)
"""One step among few, followed not far: for systems of many parts."""

EXACT = Depth(2, (10**6,), 10**6, 0.0, 10**6, 10**6, 1.0)
"""Nothing left out: for small systems."""


FEW_TESTS = 6
"""Tests up to which three steps are looked at."""

PLACES = ((Depth(), 7500), (Depth(1), 1800), (NARROW, 400))
"""Ways to look with the places that they come to look at, about."""

MOST_WORK = 1.5e9
"""Work at which the next narrower way is taken: somewhat more than a second, in nanoseconds."""


def fitting(board: Board) -> Depth:
    """As deep as can be looked in about a second.

    Work at a place: bits of all tests by class of states, beliefs after all outcomes, and
    repairs in order; it grows with the square of the number of parts.
    """
    if len(board.names) <= FEW_TESTS:
        return replace(Depth(), steps=3)
    n_states, n_gear, columns = board.table.shape
    bits, beliefs = board.n_classes * columns, n_states * n_gear * columns
    repairs = n_states * board.n_remedies**2
    work = 3.0 * bits + 0.2 * beliefs + 0.3 * repairs
    return next((depth for depth, places in PLACES if work * places <= MOST_WORK), ONE)


@dataclass(frozen=True)
class Choice:
    """A next step with its expected cost to the end of the job: ``rate * minutes + money``."""

    step: Step
    minutes: float
    money: float
    cost: float


def as_good(one: Choice, other: Choice, margin: float) -> bool:
    """Whether a choice costs no more than another, as far as can be told."""
    return one.cost - other.cost <= margin * one.cost


@dataclass(frozen=True, eq=False)
class Foresight:
    """The next steps that were weighed, cheapest first; a lower bound; how much was looked at.

    ``known`` is what the job would cost if the state of the machine were known: no way of testing
    costs less on the average. ``pruned`` steps were left out because ``known`` and their own cost
    together exceed what the rule of thumb costs. ``acting`` is the cost of acting at once, so
    that the optimum lies between ``known`` and ``acting``. ``usual`` is the step that was said to
    be usual. ``left_out`` is the weight of machines that were not looked at; ``rule`` the step
    that the rule of thumb would take; ``depth`` how far was looked.
    """

    choices: tuple[Choice, ...]
    known: float
    acting: float
    places: int
    pruned: int
    left_out: float
    rule: Step
    depth: Depth
    board: Board
    usual: Choice | None = None

    @property
    def best(self) -> Choice:
        """The cheapest step."""
        return self.choices[0]

    def pick(self, margin: float) -> Choice:
        """The usual step, unless the cheapest saves more than a share ``margin`` of its cost.

        What is foreseen errs; to leave a good rule for less than the error would lose
        (policy switching with a threshold).
        """
        usual, best = self.usual, self.best
        return usual if usual is not None and as_good(usual, best, margin) else best

    def alike(self, choice: Choice, margin: float) -> tuple[Choice, ...]:
        """The steps that cost the same as a choice, as far as can be told."""
        return tuple(
            c for c in self.choices if as_good(c, choice, margin) and as_good(choice, c, margin)
        )

    def near(self, kind: str, margin: float) -> list[Choice]:
        """The steps of a kind that cost the same as the cheapest of it, as far as can be told."""
        mine = [c for c in self.choices if c.step.kind == kind]
        return [c for c in mine if as_good(c, mine[0], margin)]

    def cheapest(self, kind: str) -> Choice | None:
        """The cheapest step of a kind."""
        return next((c for c in self.choices if c.step.kind == kind), None)


def look_ahead(
    decision: Decision, depth: Depth | None = None, usual: Step | None = None
) -> Foresight:
    """Weigh the next steps of a decision against each other, to the end of the job.

    Without a depth it is as deep as can be looked in about a second (:func:`fitting`). The step
    that is ``usual`` is weighed in any case.
    """
    wanted = depth or Depth()
    board = Board(decision, wanted.most, wanted.share)
    return Search(board, depth or fitting(board)).run(usual)


class Search:
    """One look ahead on a board."""

    def __init__(self, board: Board, depth: Depth) -> None:
        self.board = board
        self.depth = depth
        self.places = 0

    def run(self, usual: Step | None = None) -> Foresight:
        """The next steps, cheapest first, among them the one that is ``usual``."""
        board, root = self.board, self.board.root
        view = board.view(root)
        known = float(board.rate * view.ideal_minutes[0] + view.ideal_money[0])
        rule = int(outlook(board, root, view).does[0])
        steps = self.first_steps(view, rule)
        kept = self.prune(view, steps, known)
        always = self.number(usual) if usual else None
        if always is not None and always not in kept:
            kept.append(always)
        found = self.worth(root, view, [kept], self.depth.steps)
        choices = [
            Choice(self.named(s), m, c, board.rate * m + c)
            for s, m, c in zip(kept, *(x.tolist() for x in found), strict=True)
        ]
        choices.sort(key=lambda c: (c.cost, c.step.kind, c.step.name))
        return Foresight(
            tuple(choices),
            known,
            float(board.rate * view.act_minutes[0] + view.act_money[0]),
            self.places,
            len(steps) - len(kept),
            board.left_out,
            self.named(rule),
            self.depth,
            board,
            next((c for c in choices if c.step == usual), None),
        )

    def named(self, does: int) -> Step:
        """A step by kind and name."""
        decision, n = self.board.decision, self.board.n_remedies
        if does >= 0:
            return Step("test", self.board.names[does])
        if does >= -n:
            return Step("repair", decision.remedies[-1 - does].name)
        return Step("end", decision.finals[-1 - n - does].name)

    def number(self, step: Step) -> int | None:
        """A step by number; None for a test that cannot be done or is not known here."""
        decision, board = self.board.decision, self.board
        if step.kind == "test":
            known = {c.name for c in decision.checks if decision.is_open(c)}
            return board.names.index(step.name) if step.name in known else None
        names = [r.name for r in decision.remedies] + [f.name for f in decision.finals]
        return -1 - names.index(step.name) if step.name in names else None

    def first_steps(self, view: View, rule: int) -> list[int]:
        """The rule's step, the tests of most bits per cost, proofs of gear, repairs, endings."""
        steps = self.steps(self.board.root, view, np.array([rule]), self.depth.width(0))[0]
        ends = [-1 - self.board.n_remedies - k for k in range(len(self.board.acts.finals))]
        return list(dict.fromkeys([*steps, *ends]))

    def prune(self, view: View, steps: Sequence[int], known: float) -> list[int]:
        """The steps that can still be best.

        Following the rule of thumb from here is a way to the end, so its cost is a bound from
        above; a test's own cost and ``known`` together are one from below for that test.
        """
        board = self.board
        minutes, money = self.to_go(board.root, 0)
        bound = float(board.rate * minutes[0] + money[0])
        own = board.rate * view.minutes[0] + view.money[0]
        return [s for s in steps if s < 0 or own[s] + known <= bound + LEAST]

    def remedies(self, nodes: Nodes, view: View) -> list[list[int]]:
        """The likeliest remedies that can be done at each place."""
        board = self.board
        _, needed, _ = board.acts.worth(nodes.p.sum(axis=2))
        can = ~nodes.mended & (view.waits == FREE) & (needed > LEAST_BITS)
        likely = np.argsort(np.where(can, -needed, 1.0), axis=1, kind="stable")
        return [
            [-1 - int(r) for r in likely[i, : min(self.depth.acts, int(can[i].sum()))]]
            for i in range(len(nodes))
        ]

    def steps(self, nodes: Nodes, view: View, rule: Index, width: int) -> list[list[int]]:
        """The steps worth trying at later places: the rule's, good tests, likely remedies."""
        board = self.board
        cost = board.rate * view.minutes + view.money
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where(np.isfinite(cost), view.info / (cost + LEAST), -1.0)
        proofs = [t for t, c in enumerate(board.decision.checks) if c.proves]
        ends = [-1 - board.n_remedies - k for k in range(len(board.acts.finals))]
        remedies = self.remedies(nodes, view)
        best = np.argsort(-ratio, axis=1, kind="stable")[:, :width]
        out = []
        for i in range(len(nodes)):
            mine = [int(rule[i]), *(int(t) for t in best[i] if ratio[i, t] > 0)]
            mine += [t for t in proofs if np.isfinite(cost[i, t])]
            mine += remedies[i] + (ends if width > len(ends) else [])
            out.append(list(dict.fromkeys(mine)))
        return out

    def worth(
        self, nodes: Nodes, view: View, steps: Sequence[Sequence[int]], left: int
    ) -> tuple[Array, Array]:
        """Expected minutes and money to the end of each step at each place, one after another.

        ``left`` steps are chosen, this one included.
        """
        rows = np.array([i for i, mine in enumerate(steps) for _ in mine], dtype=np.intp)
        does = np.array([s for mine in steps for s in mine], dtype=np.intp)
        start = nodes.take(rows).rooted()
        after, minutes, money = advance(self.board, start, does, view.take(rows))
        if len(after):
            mins, cash = self.to_go(after, left - 1)
            share = after.mass / start.mass[after.root]
            np.add.at(minutes, after.root, share * mins)
            np.add.at(money, after.root, share * cash)
        return minutes, money

    def to_go(self, nodes: Nodes, left: int) -> tuple[Array, Array]:
        """Expected minutes and money to the end from some places, ``left`` steps to choose."""
        board, floor = self.board, self.depth.floor
        nodes, back = nodes.alike()
        if not left:
            minutes, money, seen = roll_out(board, nodes, floor, self.depth.longest)
            self.places += seen
            return minutes[back], money[back]
        self.places += len(nodes)
        view = board.view(nodes)
        rule = outlook(board, nodes, view)
        minutes, money = rule.minutes, rule.money
        go = np.flatnonzero(nodes.mass >= floor)
        here, seen_from = nodes.take(go), view.take(go)
        width = self.depth.width(self.depth.steps - left)
        options = self.steps(here, seen_from, rule.does[go], width)
        mins, cash = self.worth(here, seen_from, options, left)
        cost, first = board.rate * mins + cash, 0
        for i, mine in zip(go, options, strict=True):
            best = first + int(cost[first : first + len(mine)].argmin())
            minutes[i], money[i] = mins[best], cash[best]
            first += len(mine)
        return minutes[back], money[back]
