"""Look-ahead: what each next step costs to the end of the job, as far as can be foreseen.

The first steps (two, or as many as asked) are chosen as well as can be; from there on a rule
of thumb goes on to the end, and its cost is added up over all that may happen (rollout:
Bertsekas, Tsitsiklis and Wu, Journal of Heuristics 3, 1997: never worse than the rule, and
here close to the optimum, see tests). The rule of thumb: perfect information would save so
much; a test that gives a share of the bits that are missing is taken to save that share; go
on testing, most bits per cost first, while some test saves more than it costs, else act.

What may happen is followed until its chance is below ``floor``; the rest is estimated from the
bits that are missing and the cost per bit of the best test, never above the cost of acting.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchodds.board import Board, Nodes, View
from benchodds.decision import LEAST, Decision, Flags, Index
from benchodds.tables import Array

LEAST_BITS = 0.004
"""Below this a test is not worth its walk to the bench."""


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
    floor: float = 0.01
    longest: int = 12
    most: int = 4
    share: float = 0.998

    def width(self, step: int) -> int:
        """Tests that are tried at a step, counted from zero."""
        return self.wide[min(step, len(self.wide) - 1)]


EXACT = Depth(2, (10**6,), 10**6, 0.0, 10**6, 10**6, 1.0)
"""Nothing left out: for small systems."""


@dataclass(frozen=True)
class Step:
    """One thing that can be done: a test, a repair or an ending, by name."""

    kind: str  # "test" | "repair" | "end"
    name: str


@dataclass(frozen=True)
class Choice:
    """A next step with its expected cost to the end of the job: ``rate * minutes + money``."""

    step: Step
    minutes: float
    money: float
    cost: float


@dataclass(frozen=True, eq=False)
class Foresight:
    """The next steps that were weighed, cheapest first; a lower bound; how much was looked at.

    ``known`` is what the job would cost if the state of the machine were known: no way of
    testing costs less on the average. ``pruned`` steps were left out because ``known`` and
    their own cost together exceed the best found.
    """

    choices: tuple[Choice, ...]
    known: float
    places: int
    pruned: int
    left_out: float
    rule: Step

    @property
    def best(self) -> Choice:
        """The cheapest step."""
        return self.choices[0]

    def cheapest(self, kind: str) -> Choice | None:
        """The cheapest step of a kind."""
        return next((c for c in self.choices if c.step.kind == kind), None)


def rule_of_thumb(board: Board, nodes: Nodes, view: View) -> Index:
    """What the rule does at each place: a test's number, or ``-1 - first`` of acting.

    Acting is coded ``-1 - r`` for remedy r and ``-1 - n_remedies - k`` for ending k.
    """
    cost = board.rate * view.minutes + view.money
    saves = board.rate * (view.act_minutes - view.ideal_minutes)
    saves = saves + view.act_money - view.ideal_money
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.minimum(view.info / np.maximum(view.entropy, LEAST)[:, None], 1.0)
        ratio = np.where(
            np.isfinite(cost) & (view.info >= LEAST_BITS), view.info / (cost + LEAST), -1.0
        )
        pays = (share * saves[:, None] > cost).any(axis=1)
    n_remedies = len(board.waits)
    out = np.where(view.first >= 0, -1 - view.first, view.first - n_remedies)
    if ratio.shape[1]:
        best = ratio.argmax(axis=1)
        testing = pays & (ratio[np.arange(len(best)), best] > 0)
        out = np.where(testing, best, out)
    for r, waits in enumerate(board.waits):  # tests that a remedy must wait for are done first
        if waits:
            for i in np.flatnonzero(out == -1 - r):
                ready = [
                    t for t in waits if not nodes.done[i, t] and np.isfinite(view.minutes[i, t])
                ]
                out[i] = ready[0] if ready else out[i]
    return np.asarray(out, dtype=np.intp)


def roll_out(board: Board, nodes: Nodes, depth: Depth, n_roots: int) -> tuple[Array, Array, int]:
    """Expected minutes and money of the rule of thumb from each root to the end.

    Both (n_roots,) add up mass times cost over the places of a root; then how many places
    were looked at.
    """
    minutes, money, seen = np.zeros(n_roots), np.zeros(n_roots), 0
    for step in range(depth.longest + 1):
        if not len(nodes):
            break
        seen += len(nodes)
        view = board.view(nodes)
        last = (nodes.mass < depth.floor) | (step == depth.longest)
        if last.any():
            mins, cash = _estimate(board, view)
            np.add.at(minutes, nodes.root[last], (nodes.mass * mins)[last])
            np.add.at(money, nodes.root[last], (nodes.mass * cash)[last])
        go = np.flatnonzero(~last)
        here = nodes.take(go)
        does = rule_of_thumb(board, nodes, view)[go]
        after, mins, cash = advance(board, here, does, _some(view, go))
        np.add.at(minutes, here.root, here.mass * mins)
        np.add.at(money, here.root, here.mass * cash)
        nodes = after
    return minutes, money, seen


def advance(board: Board, nodes: Nodes, does: Index, view: View) -> tuple[Nodes, Array, Array]:
    """Do at each place what is said: the places after, and the minutes and money it takes."""
    n_remedies = len(board.waits)
    minutes, money = np.zeros(len(nodes)), np.zeros(len(nodes))
    parts: list[Nodes] = []
    tested = np.flatnonzero(does >= 0)
    if len(tested):
        minutes[tested] = view.minutes[tested, does[tested]]
        money[tested] = view.money[tested, does[tested]]
        parts.append(board.test(nodes.take(tested), does[tested])[0])
    mended = np.flatnonzero((does < 0) & (does >= -n_remedies))
    if len(mended):
        after, _, mins, cash = board.mend(nodes.take(mended), -1 - does[mended])
        minutes[mended], money[mended] = mins, cash
        parts.append(after)
    ended = np.flatnonzero(does < -n_remedies)
    if len(ended):
        which = -1 - n_remedies - does[ended]
        p = nodes.p[ended].sum(axis=2)
        money[ended] = np.einsum("ns,ns->n", p, board.acts.finals[which])
    return Nodes.join(parts) if parts else nodes.take(np.zeros(0, dtype=np.intp)), minutes, money


def _some(view: View, rows: Index | Flags) -> View:
    return View(*(getattr(view, f)[rows] for f in View.__annotations__))


def _estimate(board: Board, view: View) -> tuple[Array, Array]:
    """Cost to the end without following it: what perfect information leaves, and its price."""
    cost = board.rate * view.minutes + view.money
    with np.errstate(divide="ignore", invalid="ignore"):
        per_bit = np.where(view.info >= LEAST_BITS, cost / view.info, np.inf)
    dearest = np.full(len(view.entropy), np.inf)
    per_bit = per_bit.min(axis=1) if per_bit.shape[1] else dearest
    with np.errstate(invalid="ignore"):
        search = np.where(view.entropy > LEAST, view.entropy * per_bit, 0.0)
    known = board.rate * view.ideal_minutes + view.ideal_money + search
    acting = board.rate * view.act_minutes + view.act_money
    testing = known < acting
    search = np.where(testing, search, 0.0)
    return (
        np.where(testing, view.ideal_minutes + search / board.rate, view.act_minutes),
        np.where(testing, view.ideal_money, view.act_money),
    )


def look_ahead(decision: Decision, depth: Depth | None = None) -> Foresight:
    """Weigh the next steps of a decision against each other, to the end of the job."""
    depth = depth or Depth()
    board = Board(decision, depth.most, depth.share)
    return Search(board, depth).run()


class Search:
    """One look ahead on a board."""

    def __init__(self, board: Board, depth: Depth) -> None:
        self.board = board
        self.depth = depth
        self.places = 0

    def run(self) -> Foresight:
        """The next steps, cheapest first."""
        board, root = self.board, self.board.root
        view = board.view(root)
        known = float(board.rate * view.ideal_minutes[0] + view.ideal_money[0])
        rule = int(rule_of_thumb(board, root, view)[0])
        steps = self.steps(root, view, 0)[0]
        bound = np.inf
        if self.depth.steps > 1:  # one step and the rule: an upper bound that prunes the rest
            costs = [board.rate * m + c for m, c in self.value(root, view, [steps], 1)[0]]
            bound = min(costs)
            kept = [s for s in steps if self.own_cost(root, view, s) + known <= bound + LEAST]
        else:
            kept = steps
        found = self.value(root, view, [kept], self.depth.steps)[0]
        choices = [
            Choice(self.named(s), m, c, board.rate * m + c)
            for s, (m, c) in zip(kept, found, strict=True)
        ]
        choices.sort(key=lambda c: (c.cost, c.step.kind, c.step.name))
        return Foresight(
            tuple(choices),
            known,
            self.places,
            len(steps) - len(kept),
            board.left_out,
            self.named(rule),
        )

    def named(self, does: int) -> Step:
        """A step by kind and name."""
        decision, n = self.board.decision, len(self.board.waits)
        if does >= 0:
            return Step("test", self.board.names[does])
        if does >= -n:
            return Step("repair", decision.remedies[-1 - does].name)
        return Step("end", decision.finals[-1 - n - does].name)

    def own_cost(self, root: Nodes, view: View, does: int) -> float:
        """What a step itself costs beyond what the job costs when the state is known."""
        if does >= 0:
            return float(self.board.rate * view.minutes[0, does] + view.money[0, does])
        return 0.0

    def steps(self, nodes: Nodes, view: View, step: int) -> list[list[int]]:
        """The steps worth trying at each place: what the rule does, good tests, likely remedies."""
        board, width = self.board, self.depth.width(step)
        n_remedies, n_finals = len(board.waits), len(board.acts.finals)
        cost = board.rate * view.minutes + view.money
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where(np.isfinite(cost), view.info / (cost + LEAST), -1.0)
        needed = nodes.p.sum(axis=2) @ board.acts.needed.T
        rule = rule_of_thumb(board, nodes, view)
        proofs = [t for t, c in enumerate(board.decision.checks) if c.proves]
        out = []
        for i in range(len(nodes)):
            mine = [int(rule[i])]
            tests = [int(t) for t in np.argsort(-ratio[i], kind="stable") if ratio[i, t] > 0]
            mine += tests[:width]
            mine += [t for t in proofs if np.isfinite(cost[i, t])]
            open_ = [
                r
                for r in np.argsort(-needed[i], kind="stable")
                if not nodes.mended[i, r]
                and needed[i, r] > LEAST_BITS
                and not any(not nodes.done[i, t] for t in board.waits[r])
            ]
            mine += [-1 - int(r) for r in open_[: self.depth.acts]]
            if step == 0 or (n_finals and width > n_finals):
                mine += [-1 - n_remedies - k for k in range(n_finals)]
            out.append(list(dict.fromkeys(mine)))
        return out

    def value(
        self, nodes: Nodes, view: View, steps: Sequence[Sequence[int]], left: int
    ) -> list[list[tuple[float, float]]]:
        """Expected (minutes, money) to the end of each step at each place, ``left`` to choose."""
        board = self.board
        rows = np.array([i for i, mine in enumerate(steps) for _ in mine], dtype=np.intp)
        does = np.array([s for mine in steps for s in mine], dtype=np.intp)
        start = replace(nodes.take(rows), root=np.arange(len(rows), dtype=np.intp))
        scale = start.mass
        after, minutes, money = advance(board, start, does, _some(view, rows))
        if left > 1 and len(after):
            then = board.view(after)
            self.places += len(after)
            small = after.mass < self.depth.floor
            options = self.steps(after, then, 1)
            rule = rule_of_thumb(board, after, then)
            options = [[int(rule[i])] if small[i] else mine for i, mine in enumerate(options)]
            for i, found in enumerate(self.value(after, then, options, left - 1)):
                best = min(found, key=lambda v: board.rate * v[0] + v[1])
                share = after.mass[i] / scale[after.root[i]]
                minutes[after.root[i]] += share * best[0]
                money[after.root[i]] += share * best[1]
        elif len(after):
            mins, cash, seen = roll_out(board, after, self.depth, len(rows))
            self.places += seen
            minutes, money = minutes + mins / scale, money + cash / scale
        pairs = zip(minutes.tolist(), money.tolist(), strict=True)
        out: list[list[tuple[float, float]]] = [[] for _ in range(len(nodes))]
        for i, pair in zip(rows, pairs, strict=True):
            out[i].append(pair)
        return out
