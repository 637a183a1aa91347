"""Looking ahead against the exact optimum, on small invented decisions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from benchodds.choose.acting import act_now, waits_for, worth
from benchodds.choose.board import Board, bits_error, merged
from benchodds.choose.decision import Decision, Step
from benchodds.choose.information import mutual_information
from benchodds.choose.lookahead import EXACT, ONE, Depth, fitting, look_ahead
from benchodds.choose.policies import usual
from benchodds.choose.rules import WAIVED
from optimum import Act, Optimum, Rule
from plain_steps import after_check
from small_decisions import random_decision


def drawn(seed: int) -> Decision:
    """A small decision: three checks, of which one proves gear in every other."""
    gear = 1 + seed % 2
    rng = np.random.default_rng(seed)
    return random_decision(rng, 3 + seed // 2 % 2, 3 if gear == 1 else 2, gear)


def follows(choose: Callable[[Decision], Step]) -> Rule:
    """A way to choose as the optimum follows it."""

    def rule(d: Decision) -> Act:
        step = choose(d)
        return step.kind, step.name

    return rule


@pytest.mark.parametrize("seed", [0, 2, 4, 8, 12, 14, 1, 9, 11, 17])
def test_looking_ahead_comes_within_two_percent_of_the_optimum(seed: int) -> None:
    """Expected cost to the end of following the look-ahead, and bits per minute.

    Both by the loops of the optimum, which share no code with what chooses. On 200 such
    decisions (see benchmarks) no more than 2.0 % was lost; bits per minute lost more than 10 %
    on 3 of them.
    """
    optimum = Optimum(drawn(seed))
    least = optimum.value()
    looking = follows(lambda d: look_ahead(d).best.step)
    assert least - 1e-9 <= optimum.cost_of(looking) <= 1.02 * least
    assert least - 1e-9 <= optimum.cost_of(follows(usual)) <= 1.1 * least


@pytest.mark.parametrize("seed", [0, 4, 9])
def test_the_usual_step_is_left_only_for_a_clear_saving(seed: int) -> None:
    """Whatever is usual is weighed too; its place in the order decides, and the margin."""
    problem = drawn(seed)
    plain = look_ahead(problem)
    for step in [*(c.step for c in plain.choices), Step("end", "hand-back")]:
        seen = look_ahead(problem, usual=step)
        assert seen.usual is not None and seen.usual.step == step
        assert seen.pick(0.0).cost == pytest.approx(seen.best.cost)
        assert seen.pick(0.999).step == step
        saving = 1 - seen.best.cost / seen.usual.cost
        assert seen.pick(saving + 1e-6).step == step
        if saving > 1e-6:
            assert seen.pick(saving - 1e-6).step == seen.best.step != step
    assert look_ahead(problem, usual=Step("test", "no-such")).usual is None


def test_a_ripe_remedy_comes_first_in_the_rule_of_thumb() -> None:
    """From its chance on it is done, below it the rule goes on as without."""
    problem = drawn(0)
    p = problem.p.sum(axis=1)
    number, remedy = max(
        ((i, r) for i, r in enumerate(problem.remedies) if not r.rule.first),
        key=lambda pair: float(p[pair[1].needed].sum()),
    )
    chance = float(p[remedy.needed].sum())
    for act_at, ripe in ((chance - 1e-6, True), (chance + 1e-6, False)):
        remedies = tuple(replace(r, act_at=2.0) for r in problem.remedies)
        remedies = (*remedies[:number], replace(remedy, act_at=act_at), *remedies[number + 1 :])
        rule = look_ahead(replace(problem, remedies=remedies)).rule
        never = tuple(replace(r, act_at=2.0) for r in problem.remedies)
        without = look_ahead(replace(problem, remedies=never)).rule
        assert rule == (Step("repair", remedy.name) if ripe else without)


@pytest.mark.parametrize("seed", [0, 1, 2, 4, 8])
def test_foreseen_cost_is_that_of_following_it(seed: int) -> None:
    """Nothing left out: what is foreseen of a step is between the optimum and the rule's cost."""
    problem = drawn(seed)
    seen = look_ahead(problem, replace(EXACT, steps=1))
    least = Optimum(problem).value()
    assert least - 1e-6 <= seen.best.cost <= 1.15 * least
    deeper = look_ahead(problem, EXACT)
    assert least - 1e-6 <= deeper.best.cost <= seen.best.cost + 1e-6, "deeper is never worse"
    assert worth(problem).known - 1e-9 <= deeper.known + 1e-9 <= least + 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_as_deep_as_there_are_steps_is_the_optimum(seed: int) -> None:
    """Every order of tests and repairs looked at, the look-ahead finds the exact optimum."""
    problem = random_decision(np.random.default_rng(seed), 2, 1, 1)
    seen = look_ahead(problem, replace(EXACT, steps=5))
    assert seen.best.cost == pytest.approx(Optimum(problem).value(), rel=1e-6)


@pytest.mark.parametrize("seed", [0, 1, 2, 4, 8, 9])
def test_pruning_and_sharing_change_no_value(seed: int) -> None:
    """The steps that are kept cost the same when none is left out."""
    problem = drawn(seed)
    seen = look_ahead(problem, EXACT)
    board = Board(problem, EXACT.most, EXACT.share)
    first = seen.best.step
    if first.kind == "test":
        own = problem.cost_of(problem.check(first.name))
        check = problem.check(first.name)
        then = [after_check(problem, first.name, o) for o in range(len(check.signs))]
        total = own + sum(
            q * min(c.cost for c in look_ahead(d, replace(EXACT, steps=1)).choices)
            for q, d in then
            if q > 1e-12
        )
        assert total == pytest.approx(seen.best.cost, rel=1e-6)
    assert board.left_out == pytest.approx(0.0, abs=1e-12)


def test_a_proof_is_worth_what_later_readings_gain() -> None:
    """Alone it tells nothing of the machine; before a test through dead gear it pays.

    Two faults, one dear to mend; the only test reads through an adapter that is dead four
    times in ten and then always fails. One step sees no use in the proof, two steps do.
    """
    problem = two_faults_behind_an_adapter(dead=0.4)
    board = Board(problem, 10, 1.0)
    view = board.view(board.root)
    assert view.info[0, board.names.index("prove")] == pytest.approx(0.0, abs=1e-6)
    assert look_ahead(problem, EXACT).best.step == Step("test", "prove")
    optimum = Optimum(problem)
    assert optimum.best(optimum.start())[1] == ("test", "prove")
    sound = two_faults_behind_an_adapter(dead=0.001)
    assert look_ahead(sound, EXACT).best.step == Step("test", "through")


def two_faults_behind_an_adapter(dead: float) -> Decision:
    """See above."""
    from benchodds.choose.decision import Check, Final, Remedy
    from small_decisions import fault

    states = (fault(0), fault(1))
    p = np.array([[0.5], [0.5]]) * np.array([1 - dead, dead])
    ok = np.array([[0.99, 0.01], [0.01, 0.99]])
    through = np.stack([ok, np.array([[0.01, 0.99]] * 2)], axis=1)
    proof = np.array([[[0.99, 0.01], [0.01, 0.99]]] * 2)
    nothing = np.zeros(2)
    remedies = tuple(
        Remedy(
            f"mend{i}",
            10.0,
            5.0,
            np.full(2, price),
            np.arange(2) == i,
            np.arange(2) == i,
            np.arange(2),
        )
        for i, price in enumerate((200.0, 300.0))
    )
    checks = (
        Check("through", 5.0, frozenset(), through, (1, -1), nothing),
        Check("prove", 1.0, frozenset(), proof, (1, -1), nothing, proves="adapter", renew=10.0),
    )
    end = Final("hand-back", np.full(2, 2000.0))
    return Decision(states, ("ok", "dead"), p, checks, remedies, (end,), {}, 1.0, nothing, nothing)


def test_gear_that_fails_its_proof_is_changed() -> None:
    """It is sound from then on; what was read through it may be read again, and costs minutes."""
    problem = two_faults_behind_an_adapter(dead=0.4)
    _, once = after_check(problem, "through", 1)
    chance, then = after_check(once, "prove", 1)
    assert then.p[:, 1] == pytest.approx([0.0, 0.0])
    assert "through" in once.spent and "through" not in then.spent
    before, after = once.p.sum(axis=1), then.p.sum(axis=1)
    assert abs(after[0] - 0.5) < abs(before[0] - 0.5), "what dead gear said counts less"
    plain = replace(problem.check("prove"), renew=0.0)
    assert once.cost_of(problem.check("prove")) - once.cost_of(plain) == pytest.approx(
        10.0 * chance
    )


def test_merging_loses_the_information_that_it_says() -> None:
    """Board.lost against the information of a test with and without merging."""
    rng = np.random.default_rng(5)
    problem = random_decision(rng, 4, 3, 1)
    fine, coarse = Board(problem, 10, 1.0), Board(problem, 2, 1.0)
    a, b = fine.view(fine.root).info[0], coarse.view(coarse.root).info[0]
    for t, name in enumerate(fine.names):
        assert a[t] - b[t] == pytest.approx(coarse.lost[name], abs=3e-6)
    assert any(v > 1e-4 for v in coarse.lost.values())


def test_outcomes_of_different_signs_are_never_merged() -> None:
    """A pass and a fail stay apart, and the least is lost first (by hand)."""
    joint = np.array([[0.30, 0.10, 0.05, 0.05], [0.05, 0.05, 0.10, 0.30]])
    assert merged(joint, (1, 1, -1, -1), 2) == [[0, 1], [2, 3]]
    assert merged(joint, (1, -1, 0, 0), 1) == [[0], [1], [2, 3]], "three signs stay three"
    assert [sorted(g) for g in merged(np.array([[2, 4, 1.0], [1, 2, 4]]), (0, 0, 0), 2)] == [
        [0, 1],
        [2],
    ], "two columns in proportion lose nothing"


@pytest.mark.parametrize("seed", range(12))
def test_states_left_out_are_weighed(seed: int) -> None:
    """With a share of the states the weight that is missing is what left_out says."""
    problem = replace(random_decision(np.random.default_rng(seed), 5, 2, 1), missing=0.1)
    board = Board(problem, 4, 0.8)
    kept = sum(
        float(w)
        for s, w in zip(problem.states, problem.p.sum(axis=1), strict=True)
        if s in board.decision.states
    )
    assert board.left_out == pytest.approx(1 - 0.9 * kept, abs=1e-12)
    assert kept >= 0.8


@pytest.mark.parametrize("seed", range(20))
def test_a_remedy_waits_for_its_test_only_while_that_can_be_had(seed: int) -> None:
    """Neither the look-ahead nor the optimum mends before it; refused, it is not waited for."""
    problem = random_decision(np.random.default_rng(seed), 3, 3, 1)
    remedy = next(r for r in problem.remedies if r.rule.first)
    offered = {c.step.name for c in look_ahead(problem, Depth(1, (9,), 9)).choices}
    assert remedy.name not in offered
    optimum = Optimum(problem)
    assert ("repair", remedy.name) not in optimum.acts(optimum.start())
    chain = waits_for(problem, remedy)
    assert chain and chain[-1] in remedy.rule.first[0]
    wanted = frozenset(chain)
    gone = replace(problem, checks=tuple(c for c in problem.checks if c.name not in wanted))
    if not waits_for(gone, remedy):
        other = Optimum(gone)
        assert ("repair", remedy.name) in other.acts(other.start())


def test_acting_now_is_a_bound_from_above() -> None:
    """No foreseen cost of the best step exceeds that of acting at once."""
    for seed in range(10):
        problem = drawn(seed)
        unbound = replace(
            problem, remedies=tuple(replace(r, rule=WAIVED) for r in problem.remedies)
        )
        assert look_ahead(unbound, EXACT).best.cost <= act_now(unbound) + 1e-6


@pytest.mark.parametrize("seed", range(40))
def test_bits_of_what_is_left_out_are_bounded(seed: int) -> None:
    """I over all states lies between (1 - e) I over those kept and that plus the stated error."""
    rng = np.random.default_rng(seed)
    n, m = int(rng.integers(3, 9)), int(rng.integers(2, 5))
    p, table = rng.dirichlet(np.full(n, 0.5)), rng.dirichlet(np.full(m, 0.5), n)
    kept = np.sort(rng.choice(n, size=n - 1, replace=False))
    e = 1.0 - float(p[kept].sum())
    inside = (1 - e) * mutual_information(p[kept] / (1 - e), table[kept])
    whole = mutual_information(p, table)
    assert inside - 1e-9 <= whole <= inside + bits_error(e, m) + 1e-9


def test_deep_where_it_is_small_and_shallow_where_it_is_large() -> None:
    """Three steps for few tests; one and an estimate where a place takes too long."""
    small = Board(random_decision(np.random.default_rng(1), 3, 3, 1))
    assert fitting(small).steps == 3
    large = Board(random_decision(np.random.default_rng(1), 3, 12, 1))
    assert fitting(large).steps == 2
    large.n_classes = 10**8
    assert fitting(large) == ONE
