"""Policies: the next step as a function of a decision, which is what is believed and the bench.

What goes before any weighing (:func:`due`) is gear under suspicion, and after a repair the
complaint itself. Then a policy has its say. The usual one takes a repair that is ripe, else the
test with most expected information per minute (de Kleer and Williams, Artificial Intelligence
32, 1987, with the cost added), else acts without another test. :func:`ahead` leaves it for a step
that is foreseen to cost clearly less to the end. The advice, the bench, the page and simulated
jobs call these; the decision may be that of exact odds or of a crowd of drawn machines.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np

from benchodds.basics.tables import Array
from benchodds.choose.acting import Acts, minutes_before, order, waits_for, worth
from benchodds.choose.board import Board
from benchodds.choose.decision import CHANGE, END, REPAIR, TEST, Check, Decision, Remedy, Step
from benchodds.choose.information import LEAST_BITS, information
from benchodds.choose.lookahead import EXACT, Depth, Foresight, look_ahead

Policy = Callable[[Decision], Step]

EVEN = 0.5
"""More likely than not."""

LOOKED_AT = 8
"""How many of the best tests are weighed against a ripe repair."""

TWICE = 2
"""Readings of a test on the machine as it is: the second shows a slip, a third has to pay."""

OUT = Step(END, "close")
"""The machine goes out, mended."""


def due(decision: Decision) -> Step | None:
    """What goes before any weighing, if anything.

    Gear that is likelier bad than the bench file tolerates is proved, or changed where its proof
    was read: what a proof is worth lies in readings before and after it. After a repair the
    complaint itself is looked at as soon as a cure is more likely than not; a machine that passed,
    and is cured as surely as the shop asks, goes out.
    """
    for item in decision.suspect.values():
        if item in decision.unfit:
            return Step(CHANGE, item)
    ready = [c for c in decision.checks if decision.is_open(c)]
    if proofs := by_rate(decision, [c for c in ready if c.name in decision.suspect]):
        return Step(TEST, proofs[0][0].name)
    if decision.cured < EVEN:
        return None
    if asked := [c for c in ready if c.name in decision.asked]:
        return Step(TEST, min(asked, key=decision.minutes_of).name)
    return OUT if not decision.asked and decision.cured >= decision.sure else None


def usual(decision: Decision) -> Step:
    """Ripe repairs, most bits per minute, else act.

    A ripe repair waits when one more test is expected to save more, in waste avoided, than its
    own cost; of several such tests it waits for that of most bits per minute. Else a test is done
    that saves more, against acting now, than it costs (one-step value of sample information;
    Raiffa 1968). Where acting begins with a part that cannot go back, and the shop is not sure of
    it, testing goes on while to be told the state is worth more.
    """
    if step := due(decision):
        return step
    ranked = by_rate(decision, [c for c in decision.checks if decision.is_open(c)])
    if ripe := ripest(decision):
        saves = (c.name for c, _bits in ranked[:LOOKED_AT] if saving(decision, ripe, c) > 0)
        test = next(saves, None)
        return Step(TEST, test) if test else Step(REPAIR, ripe.name)
    likely = next(iter(_ready(decision)), None)
    telling = [
        c
        for c, bits in ranked
        if bits >= LEAST_BITS
        and (
            decision.reads.get(c.name, 0) < TWICE
            or (likely is not None and saving(decision, likely, c) > 0)
        )
    ]
    board = Board(decision, EXACT.most, EXACT.share)
    for check in telling:
        if board.value(board.names.index(check.name)) > decision.cost_of(check):
            return Step(TEST, check.name)
    first = acting(decision)
    if telling and held(decision, first) and pays(decision, telling[0]):
        return Step(TEST, telling[0].name)
    return first


def ahead(
    decision: Decision, margin: float, depth: Depth | None = None
) -> tuple[Step, Foresight | None]:
    """As usual, unless another step is foreseen to save more than ``margin`` of its cost.

    With what was foreseen; None where a step is due that is not weighed.
    """
    if step := due(decision):
        return step, None
    foresight = look_ahead(decision, depth, usual(decision))
    return foresight.pick(margin).step, foresight


def in_order(decision: Decision, tests: Iterable[str]) -> Step:
    """A ripe repair, else the first of some tests that is new and tells something, else act."""
    if ripe := ripest(decision):
        return Step(REPAIR, ripe.name)
    new = {c.name: c for c in decision.checks if decision.is_new(c)}
    bits = information(decision, list(new.values()))
    for test in tests:
        if test in new and bits[test] >= LEAST_BITS and pays(decision, new[test]):
            return Step(TEST, test)
    return acting(decision)


def acting(decision: Decision) -> Step:
    """What acting without another test begins with: a repair, a test it waits for, an ending.

    Repairs go in the order of chance over cost, optimal for one fault, independent costs and
    perfect checks (Kadane and Simon 1977).
    """
    remedies = decision.remedies
    mended = np.array([[r.name in decision.mended for r in remedies]], dtype=bool)
    before = np.array([[minutes_before(decision, r) for r in remedies]], dtype=float)
    found = order(Acts.of(decision), decision.p.sum(axis=1)[None], mended, before)
    first = int(found.first[0])
    if first < 0:
        return Step(END, decision.finals[-1 - first].name)
    waits = waits_for(decision, remedies[first])  # the cheapest may be done
    return Step(TEST, waits[0]) if waits else Step(REPAIR, remedies[first].name)


def by_rate(decision: Decision, checks: Sequence[Check]) -> list[tuple[Check, float]]:
    """Checks with their bits, most bits per minute first."""
    bits = information(decision, checks)
    rate = {c.name: bits[c.name] / decision.minutes_of(c) for c in checks}
    ranked = sorted(checks, key=lambda c: (-rate[c.name], c.name))
    return [(c, bits[c.name]) for c in ranked]


def ripest(decision: Decision) -> Remedy | None:
    """The likeliest repair that may be done and is likely enough to be needed."""
    p = decision.p.sum(axis=1)
    return next((r for r in _ready(decision) if r.p_needed(p) >= r.act_at), None)


def _ready(decision: Decision) -> list[Remedy]:
    """Repairs that may be done now, the likeliest to be needed first."""
    p = decision.p.sum(axis=1)
    ready = [
        r
        for r in decision.remedies
        if r.name not in decision.mended and waits_for(decision, r) == ()
    ]
    return sorted(ready, key=lambda r: (-r.p_needed(p), r.name))


def saving(decision: Decision, remedy: Remedy, check: Check) -> float:
    """Waste that a check before a repair is expected to avoid, less the check's own cost, in money.

    Waste is the repair's part and labour where it was not needed. After each outcome the
    least wasteful of this repair and of those that have become ripe is done.
    """
    joint = (decision.p[:, :, None] * check.p).sum(axis=1)
    chance = joint.sum(axis=0)

    def wasted(r: Remedy) -> Array:
        spent = decision.rate * (r.minutes + r.proof) + r.price
        return np.asarray(np.where(r.needed, 0.0, spent))

    now = float(wasted(remedy) @ decision.p.sum(axis=1))
    waste = wasted(remedy) @ joint
    for other in decision.remedies:
        if other.name not in decision.mended:
            ripe = other.needed @ joint >= other.act_at * chance
            waste = np.where(ripe, np.minimum(waste, wasted(other) @ joint), waste)
    return now - float(waste.sum()) - decision.cost_of(check)


def held(decision: Decision, step: Step) -> bool:
    """Whether a step fits a part that cannot go back, of which the shop is not sure."""
    if step.kind != REPAIR:
        return False
    remedy = decision.remedy(step.name)
    return remedy.p_needed(decision.p.sum(axis=1)) < remedy.sure


def pays(decision: Decision, check: Check) -> bool:
    """Whether a check may be worth its cost: to be told the state is worth more (Raiffa 1968)."""
    return decision.cost_of(check) < worth(decision).perfect
