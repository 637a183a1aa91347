"""What information and acting are worth, against published worked examples."""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
import pytest

from benchodds.basics.tables import Array
from benchodds.choose.acting import act_now, worth
from benchodds.choose.board import Board
from benchodds.choose.decision import Check, Decision, Final, Remedy
from benchodds.choose.information import mutual_information
from benchodds.choose.lookahead import EXACT, look_ahead
from benchodds.choose.policies import usual
from optimum import Act, Optimum
from plain_steps import after_check, value_of_test
from small_decisions import fault, plainly, random_decision


def decision(
    p: list[float],
    checks: list[tuple[str, float, Array]],
    finals: dict[str, list[float]],
    remedies: tuple[Remedy, ...] = (),
) -> Decision:
    """One fault or another, sound gear, a minute is one piece of money."""
    n = len(p)
    states = tuple(fault(i) for i in range(n))
    made = [
        Check(name, cost, frozenset(), t[:, None, :], (0,) * t.shape[1], np.zeros(n))
        for name, cost, t in checks
    ]
    ends = [Final(k, np.array(v)) for k, v in finals.items()]
    weight = np.array(p)[:, None]
    return Decision(
        states, ("ok",), weight, tuple(made), remedies, tuple(ends), {}, 1.0, np.zeros(n),
        np.zeros(n),
    )  # fmt: skip


# ---- order of actions: Kadane and Simon, Annals of Statistics 5 (1977) ------------------------


def one_of(p: list[float], c: list[float]) -> Decision:
    """One fault; action i finds and mends fault i at cost c_i."""
    n = len(p)
    remedies = tuple(
        Remedy(
            f"a{i}",
            c[i],
            0.0,
            np.zeros(n),
            np.arange(n) == i,
            np.arange(n) == i,
            np.arange(n),
        )
        for i in range(n)
    )
    return decision(p, [], {}, remedies)


def cost_of_order(p: list[float], c: list[float], order: tuple[int, ...]) -> float:
    """Expected cost of trying actions in an order until one mends."""
    left, cost = 1.0, 0.0
    for i in order:
        cost += left * c[i]
        left -= p[i]
    return cost


P, C = [0.45, 0.30, 0.15, 0.10], [9.0, 3.0, 2.0, 5.0]


def test_order_by_chance_over_cost_by_hand() -> None:
    """Ratios .05, .10, .075, .02: second, third, first, fourth; 3 + .7*2 + .55*9 + .1*5 = 9.85."""
    problem = one_of(P, C)
    assert act_now(problem) == pytest.approx(9.85, abs=1e-9)
    optimum = Optimum(problem)
    assert optimum.value() == pytest.approx(9.85, abs=1e-9)
    assert optimum.best(optimum.start())[1] == ("repair", "a1")
    assert look_ahead(problem, EXACT).best.cost == pytest.approx(9.85, abs=1e-9)


def test_other_orders_by_hand_cost_more() -> None:
    """By chance alone 11.65, by cost alone 11.35; the least of all 24 orders is 9.85."""

    def follows(order: tuple[int, ...]) -> float:
        def rule(d: Decision) -> Act:
            return "repair", next(f"a{i}" for i in order if f"a{i}" not in d.mended)

        return Optimum(one_of(P, C)).cost_of(rule)

    assert follows((0, 1, 2, 3)) == pytest.approx(11.65, abs=1e-9)
    assert follows((2, 1, 3, 0)) == pytest.approx(11.35, abs=1e-9)
    assert min(cost_of_order(P, C, o) for o in permutations(range(4))) == pytest.approx(9.85)


@pytest.mark.parametrize("seed", range(25))
def test_order_by_chance_over_cost_against_all_orders(seed: int) -> None:
    """One fault, independent costs, sure checks: no order of five is cheaper (brute force)."""
    rng = np.random.default_rng(seed)
    p, c = rng.dirichlet(np.ones(5)).tolist(), rng.uniform(0.5, 20, 5).tolist()
    least = min(cost_of_order(p, c, o) for o in permutations(range(5)))
    assert act_now(one_of(p, c)) == pytest.approx(least, rel=1e-3), "but for the last thousandth"
    assert Optimum(one_of(p, c)).value() == pytest.approx(least, rel=1e-9)


# ---- the oil wildcatter: Raiffa, Decision Analysis (1968); numbers of Shenoy (1992) ----------

SEISMIC = np.array([[0.1, 0.3, 0.6], [0.3, 0.4, 0.3], [0.5, 0.4, 0.1]])


def wildcatter(price: float = 10.0) -> Decision:
    """Dry, wet, soaking; drilling pays -70, 50, 200; the seismic test costs 10."""
    return decision(
        [0.5, 0.3, 0.2],
        [("seismic", price, SEISMIC)],
        {"drill": [70.0, -50.0, -200.0], "leave": [0.0, 0.0, 0.0]},
    )


def test_wildcatter() -> None:
    """Without the test 20, perfect information 35, the test before its cost 12.5, with it 22.5."""
    problem = wildcatter()
    assert -act_now(problem) == pytest.approx(20.0, abs=1e-9)
    assert worth(problem).perfect == pytest.approx(35.0, abs=1e-9)
    assert value_of_test(problem, "seismic") == pytest.approx(12.5, abs=1e-9)
    assert -Optimum(problem).value() == pytest.approx(22.5, abs=1e-9)
    best = look_ahead(problem, EXACT).best
    assert best.step.name == "seismic"
    assert -best.cost == pytest.approx(22.5, abs=1e-9)
    chances = [after_check(problem, "seismic", o)[0] for o in range(3)]
    assert chances == pytest.approx([0.24, 0.35, 0.41], abs=1e-12)


def test_wildcatter_does_not_test_at_a_higher_price() -> None:
    """The test is worth 12.5 at most: at 12.4 it is done, at 12.6 not."""
    for price, first in ((12.4, "seismic"), (12.6, "drill")):
        problem = wildcatter(price)
        assert look_ahead(problem, EXACT).best.step.name == first
        assert usual(problem).name == first
        assert Optimum(problem).best(Optimum(problem).start())[1][1] == first


# ---- information: Cover and Thomas, Elements of Information Theory ---------------------------

JOINT = np.array([[4, 2, 1, 1], [2, 4, 1, 1], [2, 2, 2, 2], [8, 0, 0, 0]]) / 32


def test_cover_and_thomas_example() -> None:
    """Example 2.2.1: H(X) = 7/4, H(Y) = 2, I(X; Y) = 3/8 bit, all exact."""
    p_x = JOINT.sum(axis=0)
    p_y_given_x = (JOINT / p_x).T
    assert mutual_information(p_x, p_y_given_x) == pytest.approx(3 / 8, abs=1e-12)
    board = Board(decision(p_x.tolist(), [("y", 1.0, p_y_given_x)], apart(4)), 10, 1.0)
    view = board.view(board.root)
    assert view.entropy[0] == pytest.approx(7 / 4, abs=1e-12)
    assert view.info[0, 0] == pytest.approx(3 / 8, abs=1e-6), "single precision"


def apart(n: int) -> dict[str, list[float]]:
    """Naming the state ends it: right costs nothing, wrong very much."""
    return {f"say{i}": [0.0 if i == j else 1e4 for j in range(n)] for i in range(n)}


def test_twelve_coins_are_weighed_four_against_four() -> None:
    """24 cases, log2 24 = 4.585 bits; one weighing tells log2 3 at most, four against four all."""
    cases = [(coin, sign) for coin in range(12) for sign in (-1, 1)]
    weighings = []
    for k in range(1, 7):
        tips = [sign * ((c < k) - (k <= c < 2 * k)) for c, sign in cases]
        weighings.append((f"{k}v{k}", 1.0, np.eye(3)[np.array(tips) + 1]))
    board = Board(decision([1 / 24] * 24, weighings, apart(24)), 10, 1.0)
    view = board.view(board.root)
    assert view.entropy[0] == pytest.approx(np.log2(24), abs=1e-9)
    assert board.names[int(view.info[0].argmax())] == "4v4"
    assert view.info[0].max() == pytest.approx(np.log2(3), abs=1e-5)
    assert np.log2(24) <= 3 * np.log2(3), "three weighings can do"
    for k, info in enumerate(view.info[0], start=1):  # by hand: 2k of 24 cases tip either way
        q = np.array([2 * k, 2 * k, 24 - 4 * k]) / 24
        expected = -(q[q > 0] * np.log2(q[q > 0])).sum()
        assert info == pytest.approx(expected, abs=1e-5)


HUFFMAN = [0.25, 0.25, 0.2, 0.15, 0.15]


def test_questions_by_bits_against_huffman() -> None:
    """Yes-or-no questions of one minute: entropy 2.285 at least, Huffman's 2.3 is the least."""
    subsets = [s for k in (1, 2) for s in combinations(range(5), k)]
    questions = []
    for subset in subsets:
        yes = np.isin(np.arange(5), subset)
        questions.append((f"in {subset}", 1.0, np.stack([yes, ~yes], axis=1).astype(float)))
    problem = decision(HUFFMAN, questions, apart(5))
    board = Board(problem, 10, 1.0)
    entropy = board.view(board.root).entropy[0]
    assert entropy == pytest.approx(2.285475, abs=1e-6)

    def rule(d: Decision) -> Act:
        step = usual(d)
        return step.kind, step.name

    asked = Optimum(problem).cost_of(rule)
    assert 2.3 - 1e-9 <= asked <= entropy + 1, "Cover and Thomas, theorem 5.4.1"
    assert asked == pytest.approx(2.3, abs=0.05 + 1e-9)


# ---- bounds that hold for every decision -----------------------------------------------------


@pytest.mark.parametrize("seed", range(30))
def test_no_test_is_worth_more_than_to_be_told(seed: int) -> None:
    """0 <= value of a test's outcome <= value of perfect information, endings alone."""
    rng = np.random.default_rng(seed)
    n, m = 4, 3
    table = rng.dirichlet(np.ones(m), n)
    ends = {f"end{k}": rng.uniform(0, 100, n).tolist() for k in range(3)}
    problem = decision(rng.dirichlet(np.ones(n)).tolist(), [("t", 1.0, table)], ends)
    assert -1e-9 <= value_of_test(problem, "t") <= worth(problem).perfect + 1e-9


@pytest.mark.parametrize("seed", range(12))
def test_the_optimum_lies_between_being_told_and_acting_now(seed: int) -> None:
    """Bounds from below and above, and the same value without branch and bound."""
    problem = random_decision(np.random.default_rng(seed), 2, 2, 1)
    value = Optimum(problem).value()
    told = worth(problem).known
    assert told - 1e-9 <= value <= act_now(problem) + 1e-9
    assert value == pytest.approx(plainly(problem), rel=1e-9)
