"""Simulated jobs: draws agree with the model, rows do not depend on how they were made."""

from __future__ import annotations

import itertools
import json
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import binomtest, chisquare

from benchodds.basics.errors import ModelError
from benchodds.basics.tables import Network, Table, Variable
from benchodds.choose.decision import Decision, Final, Remedy, Step
from benchodds.choose.policies import acting
from benchodds.cli import simulate as cli_simulate
from benchodds.cli.main import main
from benchodds.infer.assess import assess
from benchodds.infer.inference import posterior
from benchodds.infer.intermittent import NAME
from benchodds.keep import files
from benchodds.keep.session import load_coarse
from benchodds.keep.shopfile import load_shop
from benchodds.model.jobs import Technique
from benchodds.trials import trialrun
from benchodds.trials.draws import Nature, Shown, Truth, shown
from benchodds.trials.perturb import KINDS, other_priors, perturbed, wider
from benchodds.trials.places import World
from benchodds.trials.policies import BitsPerMinute, ChanceOverCost, grown, improved
from benchodds.trials.scores import by_chance, curve, pooled, tallies
from benchodds.trials.simulate import Drawn, natures, run_job
from benchodds.trials.trialfile import load_trial
from benchodds.trials.works import outcomes
from bounds import EverythingFirst
from crowds import after_the_check, engine, in_crowd, of_faults
from made_jobs import job_of
from plain_steps import after_remedy

N = 1500
HOW = Technique(how="firm-kick", unplugged=True)


@pytest.fixture(scope="module")
def world() -> World:
    """The early machine without spark, with a small crowd."""
    return World(load_coarse("mag-cdi", None, "mag-cdi"), "no-spark", (), load_shop(), size=200)


@pytest.fixture(scope="module")
def weak(world: World) -> World:
    """The same with a weak spark, which faults that come and go bring about most."""
    return World(world.machine, "weak-spark", (), world.shop, size=400)


@pytest.fixture(scope="module")
def steady(world: World) -> list[Truth]:
    """Machines without spark whose faults are all there always."""
    nature, rng = Nature(world.machine.prior("no-spark", ())), np.random.default_rng(5)
    return [nature.machine(rng) for _ in range(N)]


@pytest.fixture(scope="module")
def weak_drawn(weak: World) -> list[Truth]:
    """Machines drawn from that."""
    nature, rng = natures(weak.machine, weak), np.random.default_rng(6)
    return [nature.machine(rng) for _ in range(N)]


@pytest.fixture(scope="module")
def drawn(world: World) -> list[Truth]:
    """Machines drawn from it."""
    nature, rng = natures(world.machine, world), np.random.default_rng(5)
    return [nature.machine(rng) for _ in range(N)]


def with_reading(network: Network, name: str, table: Table) -> Network:
    """The network with a fresh reading as a variable, so that the exact engine foretells it."""
    variable = Variable(name, tuple(map(str, range(table.p.shape[-1]))))
    own = Table((name, *table.scope[:-1]), np.moveaxis(table.p, -1, 0))
    return replace(
        network,
        variables={**network.variables, name: variable},
        tables={**network.tables, name: own},
    )


def agree(counts: np.ndarray[Any, Any], p: np.ndarray[Any, Any]) -> float:
    """p-value of counts against chances; cells that expect fewer than five go together."""
    counts, p = counts.ravel(), p.ravel()
    few = p * counts.sum() < 5
    seen = np.append(counts[~few], counts[few].sum())
    expected = np.append(p[~few], p[few].sum()) * counts.sum()
    keep = expected > 0
    return float(chisquare(seen[keep], expected[keep]).pvalue)


def test_faults_are_drawn_as_the_prior_has_them(world: World, drawn: list[Truth]) -> None:
    """No fault, one, several, and single modes, against the exact prior (chi-square)."""
    prior = assess(world.machine, world.job)
    number = np.bincount([min(len(t.state), 2) for t in drawn], minlength=3)
    assert agree(number, np.array(list(prior.faults_at_once.values()))) > 1e-3
    for component in world.machine.model.components:
        states = prior.network.variables[component].size
        seen = np.bincount([t.at[component] for t in drawn], minlength=states)
        assert agree(seen, prior.posterior.joint([component])) > 1e-4, component


@pytest.mark.parametrize("tests", [("vexc", "vpul"), ("stop-r", "plug-new"), ("rexc", "rexc-hot")])
def test_readings_are_drawn_as_the_network_foretells_them(
    world: World, steady: list[Truth], tests: tuple[str, str]
) -> None:
    """Two readings of one steady machine together, against their exact joint law (chi-square).

    They share operator, adapter or winding, so independent draws would be found out.
    """
    before = world.machine.prior("no-spark", ())
    first, second = (world.coarse(t, "firm-kick").table for t in tests)
    exact = posterior(with_reading(before, tests[0], first), [tests[0]]).joint([tests[0]])
    rows = []
    for group in range(first.p.shape[-1]):
        seen = world.coarse(tests[0], "firm-kick").finding(group)
        told = replace(before, findings={**before.findings, "first": seen})
        rows.append(posterior(with_reading(told, tests[1], second), [tests[1]]).joint([tests[1]]))
    exact = exact[:, None] * np.array(rows)
    rng = np.random.default_rng(8)
    counts = np.zeros(exact.shape)
    for truth in steady:
        luck = rng.random(2)
        pair = (
            Shown(t, None).reading(truth, x) for t, x in zip((first, second), luck, strict=True)
        )
        counts[tuple(pair)] += 1
    assert agree(counts, exact) > 1e-3
    apart = exact.sum(axis=1)[:, None] * exact.sum(axis=0)
    if tests == ("vexc", "vpul"):
        assert agree(counts, apart) < 1e-6, "the check would not see that they are tied"


def repaired(world: World, truth: Truth, repair: str, luck: int, again: bool = False) -> Truth:
    """A drawn machine after a repair."""
    nature = natures(world.machine, world)
    after = outcomes(world.machine, nature.network.tables, repair, again)
    renewed = world.work(repair, again).change.renewed
    return nature.worked_on(truth, after, renewed, np.random.default_rng(luck))


def test_a_repair_leaves_everything_else_as_it_was(world: World, drawn: list[Truth]) -> None:
    """A new exciter: its own quantities are new, pulse and gear are the old ones."""
    truth = next(t for t in drawn if t.state == (("exc", "open"),))
    mended = repaired(world, truth, "new-exciter", 1)
    assert mended.state == ()
    exciter = world.before.network.variables["exciter"]
    assert exciter.values[truth.at["exciter"]] == 0.0 < exciter.values[mended.at["exciter"]]
    for same in ("pulse", "operator", "adapter", "meter", "magnet", "stop_factor", "pulse_ohm"):
        assert mended.at[same] == truth.at[same], same


def test_repairs_turn_out_as_the_bench_file_says(world: World, drawn: list[Truth]) -> None:
    """Shares of what holds, at first and again, and of duds, by exact binomial tests."""
    model, work = world.machine.model, world.machine.bench.work
    assert model.repairs["stop-dry"].holds is None and model.repairs["new-plug"].dud is None
    n = 400
    for repair, again, fault, share in (
        ("stop-dry", False, ("stop", "wet"), work.holds),
        ("stop-dry", True, ("stop", "wet"), work.holds_again),
        ("new-plug", False, ("plug", "open"), 1 - work.dud),
    ):
        truth = next(t for t in drawn if t.state == (fault,))
        good = sum(repaired(world, truth, repair, k, again).state == () for k in range(n))
        assert binomtest(good, n, share).pvalue > 1e-3, (repair, again, good)


def test_constants_stay_with_the_part_in_draws(world: World, drawn: list[Truth]) -> None:
    """Setting a gap leaves the pulse winding's ohms; a new winding has its own."""
    truth = next(t for t in drawn if t.state == (("pul", "gap"),))
    set_again = [repaired(world, truth, "set-gap", k) for k in range(20)]
    assert {t.at["pulse_ohm"] for t in set_again} == {truth.at["pulse_ohm"]}
    assert any(t.at["pulse"] != truth.at["pulse"] for t in set_again if t.state == ())
    fitted = [repaired(world, truth, "new-pulse", k) for k in range(20)]
    assert len({t.at["pulse_ohm"] for t in fitted}) > 3


def test_a_meter_that_is_off_stays_off(world: World) -> None:
    """Two ohms readings of one drawn job go through the same meter: both high, or neither.

    A meter 12 % high shows a coil of 100 windings' worth high and the next one too; so the share
    of pairs that lie on one side is far above that of fresh scatter.
    """
    nature, rng = natures(world.machine, world), np.random.default_rng(4)
    states = nature.network.variables["meter"].states
    means: dict[str, list[float]] = {}
    sound = nature.machine(rng)
    for name in states:
        truth = Truth({**sound.at, "meter": states.index(name)}, sound.state, sound.ranks)
        for test in ("rexc", "rpul"):
            outcomes_, table = world.machine.predictive(test, HOW)
            row = table.p[tuple(truth.at[v] for v in table.scope[:-1])]
            means.setdefault(name, []).append(float(row @ np.arange(len(outcomes_)) / row.sum()))
    high = max((s for s in states if "+" in s), key=lambda s: float(s.split()[1]))
    assert all(a >= b for a, b in zip(means[high], means["ok"], strict=True))
    after = nature.worked_on(
        Truth({**sound.at, "meter": states.index(high)}, sound.state, sound.ranks),
        outcomes(world.machine, nature.network.tables, "new-plug", again=False),
        world.work("new-plug", again=False).change.renewed,
        rng,
    )
    assert after.at["meter"] == states.index(high), "work on the machine does not mend a meter"


def test_moves_of_work_are_chances(world: World) -> None:
    """From every state they sum to one; what came back cured is where it was."""
    states = world.states
    for name in world.machine.model.repairs:
        for again in (False, True):
            work = world.work(name, again)
            total = np.bincount(work.source, work.p, len(states))
            assert total == pytest.approx(1.0), name
            assert not (work.cures & (work.target != states.index(()))).any()
            assert (work.failed + work.back)[~work.cures] == pytest.approx(1.0)


SHOWN_BY_PULLING = ("wiggle", "wiggle"), ("wiggle", "stop-lock"), ("plug-vis", "wiggle")


@pytest.mark.parametrize("tests", SHOWN_BY_PULLING)
def test_looks_at_faults_that_come_and_go_are_drawn_as_the_engine_foretells_them(
    weak: World, weak_drawn: list[Truth], tests: tuple[str, str]
) -> None:
    """Two looks at one machine together, against the evidence of the odds that ship (chi-square).

    The share of tries in which a fault is there is the same in both, so independent draws of it
    would be found out.
    """
    machine, rng = weak.machine, np.random.default_rng(7)
    words = [machine.model.tests[t].outcomes for t in tests]
    blank = assess(machine, weak.job).posterior.log_evidence
    exact = np.zeros((len(words[0]), len(words[1])))
    for i, a in enumerate(words[0]):
        for j, b in enumerate(words[1]):
            rows = [(t, (w,), Technique()) for t, w in zip(tests, (a, b), strict=True)]
            found = assess(machine, job_of(machine, rows, weak.complaint))
            exact[i, j] = np.exp(found.posterior.log_evidence - blank)
    assert exact.sum() == pytest.approx(1, abs=2e-3)
    seen = [shown(machine, t, Technique()) for t in tests]
    counts = np.zeros(exact.shape)
    for truth in weak_drawn:
        counts[tuple(s.reading(truth, rng.random()) for s in seen)] += 1
    assert agree(counts, exact / exact.sum()) > 1e-3
    if tests == ("wiggle", "wiggle"):
        apart = exact.sum(axis=1)[:, None] * exact.sum(axis=0)
        assert agree(counts, apart) < 1e-6, "the check would not see that they are tied"


def test_faults_that_come_and_go_are_drawn_as_the_prior_has_them(
    weak: World, weak_drawn: list[Truth]
) -> None:
    """Which one does, if any, against the exact prior (chi-square); the share of tries in which it
    is there, against the points of its law."""
    nature, drawn = natures(weak.machine, weak), weak_drawn
    prior = assess(weak.machine, weak.job)
    counts = Counter(nature.unsteady(t) for t in drawn)
    p = [1 - prior.p_unsteady, *prior.p_comes_and_goes.values()]
    seen = [counts[None], *(counts[f] for f in prior.p_comes_and_goes)]
    assert agree(np.array(seen), np.array(p)) > 1e-3
    assert all(f is None or f in t.state for t in drawn for f in [nature.unsteady(t)])
    ways = np.bincount([t.at[NAME] for t in drawn], minlength=1 + len(nature.spells))[1:]
    spelled = np.array([s.weight for s in nature.spells])
    for fault in {f for f in counts if f is not None and counts[f] > 30}:
        mine = np.array([(s.component, s.mode) == fault for s in nature.spells])
        assert agree(ways[mine], spelled[mine] / spelled[mine].sum()) > 1e-3, fault


def test_a_repair_ends_what_came_and_went_where_it_holds(
    weak: World, weak_drawn: list[Truth]
) -> None:
    """Cleaned connectors: good for good, or as they were; other work leaves what comes and goes."""
    nature = natures(weak.machine, weak)
    truth = next(t for t in weak_drawn if t.state == (("con", "highR"),) and nature.unsteady(t))
    assert truth.at["con acting"] == 0, "away, it acts as a sound one"
    cleaned = [repaired(weak, truth, "connectors", k) for k in range(60)]
    assert {(t.state, nature.unsteady(t)) for t in cleaned} == {
        ((), None),
        (truth.state, ("con", "highR")),
    }
    other = [repaired(weak, truth, "new-plug", k) for k in range(5)]
    assert all(nature.unsteady(t) == ("con", "highR") for t in other)
    assert all(t.at["pulse"] == truth.at["pulse"] for t in other)


def test_the_crowd_after_a_repair_believes_what_the_exact_engine_says(
    weak: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Connectors pulled at with effect, cleaned in vain, pulled at again: odds of what is left.

    The exact engine knows the repair and the readings; that the check failed is brought in by
    hand (:func:`crowds.after_the_check`). What is allowed is Monte Carlo error of a reading that
    few machines of a state show.
    """
    place = weak.start()
    for test in ("wiggle", "plug-vis"):
        place = place.seen(test, int(np.argmin(weak.coarse(test, place.how).signs)))
    place = place.in_vain("connectors")
    place = place.seen("wiggle", int(np.argmin(weak.coarse("wiggle", place.how).signs)))
    exact = of_faults(after_the_check(weak, engine(place, monkeypatch)))
    mine = of_faults(in_crowd(place))
    assert exact["unsteady", "con.highR"] > 0.05, "else nothing would be tried"
    for fault, want in exact.items():
        assert mine.get(fault, 0.0) == pytest.approx(want, abs=0.05), fault
    assert place.hope("connectors").cured <= place.belief.needed["connectors"] + 1e-9


@pytest.mark.parametrize("system", ["mag-cdi", "starter"])
def test_the_crowd_has_machines_of_nearly_all_there_are(system: str) -> None:
    """Of 1000 machines fewer than five have faults that no state of the crowd has.

    After two repairs in vain, each of them two times in three a cure, they are nine times as
    many: a crowd without one in twenty stated cures that did not come by seven in a hundred.
    """
    machine = load_coarse(system, None, system)
    world = World(machine, next(iter(machine.model.complaints)), (), load_shop())
    assert float(world.before.state_p.sum()) > 0.995
    assert world.root.p.sum() == pytest.approx(1)
    assert world.by_state(world.start().crowd_mass) == pytest.approx(world.root.p, abs=1e-6)


def test_stated_cures_and_come_backs_come_true(world: World) -> None:
    """On the true model chances of a cure, and of a come-back, are off by no more than chance.

    Curve as in scikit-learn's ``calibration_curve``; twice of what chance alone would make of it
    is allowed (``by_chance``), and 0.03 for the crowd.
    """
    nature = natures(world.machine, world)
    rows = [
        row
        for job in range(80)
        for row in run_job(2, job, world.machine, nature, world, [ChanceOverCost()])
    ]
    assert all(r.ended == "mended" or r.ended == "hand-back" for r in rows)
    assert sum(r.repairs for r in rows) > sum(len(r.comes_back) for r in rows) > 0
    for name in ("cured", "comes_back"):
        each = np.stack([tallies(*pooled([getattr(r, name)])) for r in rows])
        found = curve(each.sum(axis=0))
        assert found.error <= 0.03 + 2 * by_chance(each), (name, found)
    assert all(len(r.cured) == r.repairs and r.come_backs <= len(r.comes_back) for r in rows)


def test_drawing_after_a_reading_is_refused(world: World) -> None:
    """Findings on quantities would need another way to draw."""
    table = world.coarse("rexc", "firm-kick").finding(0)
    network = replace(world.before.network, findings={"rexc": table})
    with pytest.raises(ModelError, match="rexc"):
        Nature(network)


def test_gear_that_fails_its_proof_is_changed(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Zeros through an adapter that then fails its proof: odds as the exact engine has them.

    The new adapter is sound, what was read through the old one may be read again, and the drawn
    machine keeps its own values.
    """
    place = world.start()
    for test in ("vpri", "adapt"):
        signs = world.coarse(test, place.how).signs
        place = place.seen(test, int(np.argmin(signs)))
    exact = engine(place, monkeypatch).p_fault
    found = np.array(place.belief.parts)
    assert np.abs(found - np.array(list(exact.values()))).max() < 0.04
    mass = place.crowd_mass
    assert mass.sum() == pytest.approx(1) and np.all(mass[:, 1:] == 0)
    assert place.flags.reads == {"adapt": 1} and "vpri" not in place.flags.failed
    assert "vpri" in {c.name for c in place.decision.checks}
    assert place.standing == (place.events[-1],) and len(place.told) == 2
    nature = natures(world.machine, world)
    truth = nature.machine(np.random.default_rng(3))
    states = nature.network.variables["adapter"].states
    old = Truth({**truth.at, "adapter": states.index("dead")}, truth.state)
    new = nature.with_sound(old, "adapter")
    assert states[new.at["adapter"]].startswith("ok")
    assert {v for v in old.at if old.at[v] != new.at[v]} == {"adapter"}


def test_reading_everything_first_reads_everything(world: World) -> None:
    """The way behind the bound (tests/bounds.py): all tests before any repair, free ones first."""
    nature = natures(world.machine, world)
    row = run_job(9, 1, world.machine, nature, world, [EverythingFirst()])[0]
    assert row.tests >= len(world.machine.model.tests)
    place = world.start()
    while (act := EverythingFirst().choose(place, 0)).kind == "test":
        place = place.seen(act.name, len(world.coarse(act.name, place.how).groups) - 1)
    assert {t.test for t in place.told} == set(world.machine.model.tests)
    assert act.kind == "end" or world.machine.model.repairs[act.name].returnable


@pytest.mark.parametrize("complaint", ["no-spark", "weak-spark"])
def test_the_crowd_believes_what_the_exact_engine_says(
    world: World, weak: World, complaint: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Odds of parts along some jobs: mean difference within Monte Carlo error of exact odds."""
    world = world if complaint == "no-spark" else weak
    nature, policy = natures(world.machine, world), BitsPerMinute()
    apart = []
    for job in range(6):
        case = Drawn(nature, world.machine, sorted(world.machine.model.tests), 9, job)
        place = world.start()
        for _ in range(6):
            act = policy.choose(place, 0)
            if act.kind != "test":
                break
            shown = case.outcome(case.truth, act.name, 0, world.technique(place.how))
            place = place.seen(act.name, world.coarse(act.name, place.how).place[shown])
        exact = engine(place, monkeypatch).p_fault
        apart.append(np.abs(np.array(place.belief.parts) - np.array(list(exact.values()))).max())
    assert float(np.mean(apart)) < 0.04
    assert max(apart) < 0.15


def test_whole_states_know_readings_as_far_as_they_are_told_apart(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The states that the next step is chosen on and the odds of parts have the same findings."""
    place = world.start()
    for group, sign in enumerate(world.coarse("stop-r", place.how).signs):
        exact = engine(place.seen("stop-r", group), monkeypatch)
        by_state = exact.folded.p_mode(exact.state_p / exact.state_p.sum())
        apart = max(abs(by_state.get(f, 0.0) - p) for f, p in exact.p_mode.items())
        assert apart < 0.01, (group, sign)


def test_groups_keep_signs_and_chances(world: World) -> None:
    """A group holds outcomes of one sign; what stands for it reads with that sign."""
    for test in world.machine.model.tests:
        seen = world.coarse(test, "firm-kick")
        outcomes, table = world.machine.predictive(test, HOW)
        tool = world.machine.instrument(test)
        assert sorted(itertools.chain(*seen.groups)) == list(range(len(outcomes)))
        for group, sign, word in zip(seen.groups, seen.signs, seen.words, strict=True):
            assert {outcomes[o].sign for o in group} == {sign}
            (value,) = tool.parse([word])
            assert tool.sign(value) == sign or value.kind == "unstable", (test, word)
        np.testing.assert_allclose(seen.table.p, seen.of(table.p), atol=1e-9)


def one_fault(p: tuple[float, ...], c: tuple[float, ...]) -> Decision:
    """One fault of several, each mended for sure by its own repair at its own cost, no tests.

    One machine in a million million has nothing, so that some weight is left in the end.
    """
    n = len(p)
    states = (*((((f"part{i}", "bad"),)) for i in range(n)), ())
    none, stay = np.zeros(n + 1), np.arange(n + 1)
    remedies = tuple(
        Remedy(f"mend{i}", c[i], 0.0, none, stay == i, stay == i, stay) for i in range(n)
    )
    back = Final("hand-back", np.append(np.full(n, 1e6), 0.0))
    belief = np.append(p, 1e-12)[:, None]
    return Decision(states, ("ok",), belief, (), remedies, (back,), {}, 1.0, none, none)


def cost_of(order: tuple[int, ...], p: tuple[float, ...], c: tuple[float, ...]) -> float:
    """Expected cost of an order: each repair is paid until the fault is met."""
    spent, total = 0.0, 0.0
    for i in order:
        spent += c[i]
        total += p[i] * spent
    return total


def followed(decision: Decision) -> tuple[int, ...]:
    """The repairs that p-over-c does, as long as none cures."""
    out: list[int] = []
    while len(out) < len(decision.remedies):
        act = acting(decision)
        assert act.kind == "repair"
        out.append(int(act.name[4:]))
        decision = after_remedy(decision, act.name)[1]
    return tuple(out)


def test_p_over_c_is_optimal_in_its_own_setting() -> None:
    """Kadane and Simon (1977): against all orders, on cases drawn at random.

    The hand example: p = .45, .30, .15, .10 and c = 9, 3, 2, 5 cost 9.85 in the order 2, 3, 1,
    4; ordered by p alone 11.65, by c alone 11.35.
    """
    p, c = (0.45, 0.30, 0.15, 0.10), (9.0, 3.0, 2.0, 5.0)
    assert followed(one_fault(p, c)) == (1, 2, 0, 3)
    assert cost_of((1, 2, 0, 3), p, c) == pytest.approx(9.85)
    assert cost_of((0, 1, 2, 3), p, c) == pytest.approx(11.65)
    assert cost_of((2, 1, 3, 0), p, c) == pytest.approx(11.35)
    rng = np.random.default_rng(4)
    for _ in range(40):
        p = tuple((q := rng.dirichlet(np.ones(5))).tolist())
        c = tuple(rng.uniform(0.5, 9, len(q)).tolist())
        best = min(cost_of(o, p, c) for o in itertools.permutations(range(5)))
        assert cost_of(followed(one_fault(p, c)), p, c) == pytest.approx(best)


def test_order_search_finds_the_best_of_a_small_set() -> None:
    """On the hand example, growing and improving an order end at 9.85, from any start."""
    p, c = (0.45, 0.30, 0.15, 0.10), (9.0, 3.0, 2.0, 5.0)

    def cost(order: tuple[str, ...]) -> float:
        return cost_of(tuple(map(int, order)), p, c) + 100 * (4 - len(order))

    assert cost(grown(cost, "0123")) < 100
    found = improved(cost, [("3", "0")], "0123", np.random.default_rng(0), 300)
    assert found == ("1", "2", "0", "3")


def test_wider_spreads_are_the_written_ones_times_the_factor() -> None:
    """LN, N and band widen; units, mixtures and other laws stay."""
    assert wider("LN(0.3 V/rpm, 0.20)", 1.5) == "LN(0.3 V/rpm, 0.3)"
    assert wider("N(7 kV, 1.2 kV)", 1.5) == "N(7 kV, 1.8 kV)"
    assert wider("band(12 ohm, 24 ohm)", 1.5) == "band(9 ohm, 27 ohm)"
    assert wider("0.4: 0 | 0.6: U(0.1, 0.3)", 1.5) == "0.4: 0 | 0.6: U(0.1, 0.3)"


def test_perturbed_natures_are_off_as_they_say(world: World) -> None:
    """Shares a factor 2 off either way; another operator and meter change gear, not machine."""
    spec, rng = load_trial().perturb, np.random.default_rng(3)
    priors = world.machine.priors
    times = {
        new.share["no-spark"] / old.share["no-spark"]
        for new, old in zip(other_priors(priors, 2.0, rng).rows, priors.rows, strict=True)
        if old.share["no-spark"]
    }
    assert times == {0.5, 2.0}
    assert perturbed(world.machine, KINDS[0], spec, rng) is world.machine
    meter = perturbed(world.machine, "meter", spec, rng)
    assert meter.variables["input"].states == ("1M",)
    assert meter.tables["exciter"].p.shape == world.machine.tables["exciter"].p.shape
    for test in ("vexc", "rexc"):
        outcomes, _ = meter.predictive(test, HOW)
        assert outcomes == world.machine.predictive(test, HOW)[0], "policies must read it"


@pytest.fixture
def small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A small system of the user's own, and its routine."""
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path))
    result = CliRunner().invoke(main, ["new", "small", "--to", str(tmp_path)])
    assert result.exit_code == 0, result.output
    return "small"


def simulate(system: str, out: Path, *args: str) -> dict[str, Any]:
    """Run the command; the report."""
    asked = ["simulate", system, "--seed", "3", "--crowd", "40", "--out", str(out), "--json"]
    policies = ["--policy", "look-ahead", "--policy", "random"]
    result = CliRunner().invoke(main, [*asked, *policies, *args])
    assert result.exit_code == 0, result.output
    report: dict[str, Any] = json.loads(result.stdout)
    return report


def rows_of(out: Path) -> list[str]:
    """Lines of the rows file, sorted."""
    return sorted((out / "rows.jsonl").read_text(encoding="utf-8").splitlines())


def test_rows_do_not_depend_on_processes_or_interruptions(small: str, tmp_path: Path) -> None:
    """One process or two, in one go or cut off in the middle of a line: the same rows."""
    report = simulate(small, tmp_path / "one", "--jobs", "7")
    simulate(small, tmp_path / "two", "--jobs", "7", "--workers", "2")
    whole = rows_of(tmp_path / "one")
    assert len(whole) == len(set(whole)) == 14
    assert rows_of(tmp_path / "two") == whole
    rows = tmp_path / "two" / "rows.jsonl"
    raw = rows.read_bytes()
    rows.write_bytes(raw[: len(raw) * 2 // 3])
    again = simulate(small, tmp_path / "two", "--jobs", "7")
    assert rows_of(tmp_path / "two") == whole
    assert again == report
    more = simulate(small, tmp_path / "two", "--jobs", "9")
    assert set(whole) < set(rows_of(tmp_path / "two"))
    assert more["natures"]["none"]["random"]["jobs"] == 9
    for name in ("summary.csv", "report.json", "costs.svg", "costs.png", "odds.svg"):
        assert (tmp_path / "two" / name).stat().st_size > 200


def test_folders_and_names_that_do_not_fit_are_refused(small: str, tmp_path: Path) -> None:
    """Rows of two seeds never mix; a system without a routine has no common practice."""
    simulate(small, tmp_path / "run", "--jobs", "2")
    asked = ["simulate", small, "--crowd", "40"]
    for args, said in (
        (["--seed", "4", "--policy", "random", "--out", str(tmp_path / "run")], "seed"),
        (["--policy", "by-limits"], "routine"),
        (["--trial", "tiral"], "trial"),
    ):
        result = CliRunner().invoke(main, [*asked, *args])
        assert result.exit_code == 2
        assert said in result.output
        assert "Traceback" not in result.output


def test_the_command_offers_all_there_is() -> None:
    """Names of policies and natures are written in the command too, so that it starts quickly."""
    assert cli_simulate.POLICIES == trialrun.POLICIES
    assert cli_simulate.NATURES == KINDS


def test_every_routine_names_what_its_system_has() -> None:
    """Tests and repairs of the routines exist in some variant of the shipped systems."""
    for system, routine in load_trial().routines.items():
        variants = files.load_system(system).variants
        models = [files.load_system(system, v) for v in variants]
        tests = {t for m in models for t in m.tests}
        repairs = {r for m in models for r in m.repairs}
        assert set(routine.order) <= tests
        named = {r for s in routine.steps for r in s.condemns} | set(routine.elimination)
        assert named <= repairs, named - repairs


def test_acting_ends_where_nothing_is_left() -> None:
    """With every repair done in vain the job is given back."""
    decision = replace(one_fault((0.6, 0.4), (2.0, 3.0)), mended=frozenset({"mend0", "mend1"}))
    assert acting(decision) == Step("end", "hand-back")
