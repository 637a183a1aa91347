"""A rule of thumb for the bench, followed to the end of the job from many places at once.

The rule: the likeliest ripe remedy is done (``Remedy.act_at``). Else tests are thought of in the
order of most bits per cost, each set-up paid once, as if their bits added up and each saved its
share of what perfect information would save. If some number of them pays, the first is done; else
one acts. Following the rule from where a first step leads, and adding up what it costs, is the
rollout of Bertsekas, Tsitsiklis and Wu (Journal of Heuristics 3, 1997). Places of little chance
are not followed; the rule's own sum stands for them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchodds.basics.tables import Array, Index
from benchodds.choose.board import Board
from benchodds.choose.decision import LEAST
from benchodds.choose.information import LEAST_BITS
from benchodds.choose.nodes import FREE, Nodes, View


@dataclass(frozen=True, eq=False)
class Outlook:
    """What the rule does at places and expects from there on, each (n,).

    ``does`` is a test's number, ``-1 - r`` for remedy r or ``-1 - n_remedies - k`` for ending
    k; ``minutes`` and ``money`` to the end of the job are expected, without following it.
    """

    does: Index
    minutes: Array
    money: Array


def outlook(board: Board, nodes: Nodes, view: View) -> Outlook:
    """The rule of thumb at some places."""
    cost = board.rate * view.minutes + view.money
    with np.errstate(divide="ignore", invalid="ignore"):
        per_bit = np.where(view.info >= LEAST_BITS, cost / view.info, np.inf)
    n_tests = int(np.isfinite(per_bit).sum(axis=1).max(initial=0))
    ranked = np.argsort(per_bit, axis=1)[:, :n_tests]
    can = np.isfinite(np.take_along_axis(per_bit, ranked, axis=1))
    told = np.where(can, np.take_along_axis(view.info, ranked, axis=1), 0.0)
    minutes = np.where(can, board.labour.in_turn(ranked, nodes.opened), np.inf)
    harm = np.where(can, np.take_along_axis(view.money, ranked, axis=1), 0.0)
    minutes, harm, told = (
        np.concatenate([np.zeros((len(cost), 1)), np.cumsum(x, axis=1)], axis=1)
        for x in (minutes, harm, told)
    )
    left = 1.0 - np.minimum(told / np.maximum(view.entropy, LEAST)[:, None], 1.0)
    more_minutes = view.act_minutes - view.ideal_minutes
    more_money = view.act_money - view.ideal_money
    more = board.rate * more_minutes + more_money
    number = (board.rate * minutes + harm + left * more[:, None]).argmin(axis=1)
    rows = np.arange(len(number))
    share = left[rows, number]
    does = np.where(view.first >= 0, -1 - view.first, view.first - board.n_remedies)
    if n_tests:
        does = np.where(number > 0, ranked[:, 0], does)
    mends = np.flatnonzero((does < 0) & (does >= -board.n_remedies))
    waits = view.waits[mends, -1 - does[mends]]  # tests that it must wait for are done first
    does[mends] = np.where(waits >= 0, waits, does[mends])
    ripe = _ripe(board, nodes, view)
    does = np.where(ripe >= 0, -1 - ripe, does)
    return Outlook(
        does.astype(np.intp),
        view.ideal_minutes + share * more_minutes + minutes[rows, number],
        view.ideal_money + share * more_money + harm[rows, number],
    )


def _ripe(board: Board, nodes: Nodes, view: View) -> Index:
    """The likeliest remedy that is ripe and waits for nothing, -1 where none, (n,)."""
    if not board.n_remedies:
        return np.full(len(nodes), -1, dtype=np.intp)
    needed = nodes.p.sum(axis=2) @ board.acts.needed.T
    can = ~nodes.mended & (view.waits == FREE) & (needed >= board.act_at)
    return np.where(can.any(axis=1), np.where(can, needed, -1.0).argmax(axis=1), -1)


def advance(board: Board, nodes: Nodes, does: Index, view: View) -> tuple[Nodes, Array, Array]:
    """Do at each place what is said: the places after, and the minutes and money it takes."""
    minutes, money = np.zeros(len(nodes)), np.zeros(len(nodes))
    parts: list[Nodes] = [nodes.take(np.zeros(0, dtype=np.intp))]
    tested = np.flatnonzero(does >= 0)
    if len(tested):
        minutes[tested] = view.minutes[tested, does[tested]]
        money[tested] = view.money[tested, does[tested]]
        parts.append(board.test(nodes.take(tested), does[tested]))
    mended = np.flatnonzero((does < 0) & (does >= -board.n_remedies))
    if len(mended):
        after, mins, cash = board.mend(nodes.take(mended), -1 - does[mended])
        minutes[mended], money[mended] = mins, cash
        parts.append(after)
    ended = np.flatnonzero(does < -board.n_remedies)
    if len(ended):
        cost = board.acts.finals[-1 - board.n_remedies - does[ended]]
        money[ended] = (nodes.p[ended].sum(axis=2) * cost).sum(axis=1)
    return Nodes.join(parts), minutes, money


def roll_out(board: Board, nodes: Nodes, floor: float, longest: int) -> tuple[Array, Array, int]:
    """Expected minutes and money to the end by the rule, (n,) each, and how many places it saw.

    Followed are places of chance ``floor`` or more, for ``longest`` steps at most.
    """
    n, seen = len(nodes), 0
    minutes, money = np.zeros(n), np.zeros(n)
    here = nodes.rooted()
    for step in range(longest + 1):
        if not len(here):
            break
        seen += len(here)
        view = board.view(here)
        rule = outlook(board, here, view)
        last = (here.mass < floor) | (step == longest)
        share = here.mass / nodes.mass[here.root]
        np.add.at(minutes, here.root[last], (share * rule.minutes)[last])
        np.add.at(money, here.root[last], (share * rule.money)[last])
        go = np.flatnonzero(~last)
        root, share = here.root[go], share[go]
        here, mins, cash = advance(board, here.take(go), rule.does[go], view.take(go))
        np.add.at(minutes, root, share * mins)
        np.add.at(money, root, share * cash)
    return minutes, money, seen
