"""Looking ahead, the exact optimum and simulated jobs keep to gates as the bench does."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from benchodds.choose.board import Board
from benchodds.choose.decision import Decision
from benchodds.choose.lookahead import EXACT, look_ahead
from benchodds.choose.nodes import BARRED, FREE, Nodes
from benchodds.keep.shopfile import load_shop
from benchodds.trials.places import World
from benchodds.trials.steps import Told
from gate_courses import gates, machine
from optimum import Optimum
from plain_steps import after_check, after_remedy
from small_decisions import gated, plainly, random_decision


@pytest.mark.parametrize("seed", range(12))
def test_planners_agree_on_what_may_be_done(seed: int) -> None:
    """Down drawn ways through gated decisions, a board says what the plain decision says."""
    rng = np.random.default_rng(seed)
    problem = gated(random_decision(rng, 3, 4, 1 + seed % 2), rng)
    board = Board(problem, most=99, share=1.0)
    nodes, at = board.root, problem
    for _ in range(8):
        view = board.view(nodes)
        may = [c.name for c in at.checks if at.is_open(c)]
        assert may == [n for n, x in zip(board.names, view.minutes[0], strict=True) if x < np.inf]
        optimum = Optimum(at)
        mends = {n for kind, n in optimum.acts(optimum.start()) if kind == "repair"}
        for r, remedy in enumerate(at.remedies):
            if remedy.name not in at.mended and float(at.p.sum(axis=1) @ remedy.needed) > 1e-12:
                assert (view.waits[0, r] == FREE) == (remedy.name in mends), remedy.name
            assert view.waits[0, r] in (FREE, BARRED) or board.names[view.waits[0, r]] in may
        nodes, at = step_on(board, nodes, at, may, sorted(mends), rng)
        if not len(nodes):
            break


def step_on(
    board: Board, nodes: Nodes, at: Decision, may: list[str], mends: list[str], rng: Any
) -> tuple[Nodes, Decision]:
    """One drawn step of both descriptions."""
    if may and (not mends or rng.random() < 0.8):
        name = str(rng.choice(may))
        check, t = at.check(name), board.names.index(name)
        after = board.test(nodes, np.array([t]))
        signs = board.signs[t]
        chances = [after_check(at, name, o)[0] for o in range(len(check.signs))]
        outcome = int(rng.choice(len(chances), p=np.array(chances) / sum(chances)))
        label = next(k for k, sign in enumerate(signs) if k == outcome) if len(signs) > 1 else 0
        rows = [i for i, x in enumerate(chances) if x > 1e-12]
        return after.take(np.array([rows.index(label)])), after_check(at, name, outcome)[1]
    if not mends:
        return nodes.take(np.zeros(0, dtype=np.intp)), at
    name = str(rng.choice(mends))
    r = [x.name for x in at.remedies].index(name)
    after, _minutes, _money = board.mend(nodes, np.array([r]))
    return after, after_remedy(at, name)[1]


@pytest.mark.parametrize("seed", range(6))
def test_the_optimum_keeps_to_gates(seed: int) -> None:
    """The exact optimum, trying everything plainly, and looking all the way agree."""
    rng = np.random.default_rng(seed)
    problem = gated(random_decision(rng, 2, 2, 1), rng)
    value = Optimum(problem).value()
    assert value == pytest.approx(plainly(problem), rel=1e-9)
    deep = look_ahead(problem, replace(EXACT, steps=7))
    assert deep.best.cost == pytest.approx(value, rel=1e-6)
    free = replace(problem, checks=tuple(replace(c, rule=problem.checks[0].rule) for c in
                                         problem.checks))  # fmt: skip
    assert Optimum(free).value() <= value + 1e-9, "a gate can only cost"


@pytest.mark.parametrize("system", ["mag-cdi", "tci"])
def test_simulated_jobs_keep_to_gates(system: str) -> None:
    """Whatever a policy may do at a place in a drawn job, donors wait for a passing outcome."""
    m = machine(system)
    world = World(m, next(iter(m.model.complaints)), (), load_shop(), size=60)
    rng, met = np.random.default_rng(3), 0
    tests = sorted({t for groups in gates(m.model).values() for g in groups for t in g})
    for _ in range(12):
        place = world.start()
        for _ in range(9):
            at = place.decision
            may = [c.name for c in at.checks if at.is_open(c)]
            for name in (n for n in may if m.model.tests[n].gate):
                met += 1
                for group in gates(m.model)[m.model.tests[name].gate]:
                    last = {t.test: t for t in place.told if isinstance(t, Told)}
                    signs = [world.coarse(t, last[t].how).signs[last[t].group]
                             for t in group if t in last]  # fmt: skip
                    assert signs and min(signs) > 0
            mine = [t for t in tests if t in may]
            if not mine:
                break
            test = str(rng.choice(mine))
            place = place.seen(test, int(rng.integers(len(world.coarse(test, place.how).signs))))
    assert met, "some gates opened"
