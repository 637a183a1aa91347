"""From a job to the decision, and the weighing of testing on against mending now."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from bench_cli import BenchJob
from benchodds.basics.errors import ModelError
from benchodds.basics.tables import Table
from benchodds.choose.benchstate import next_technique
from benchodds.choose.choosing import decision_of
from benchodds.choose.decision import Decision
from benchodds.choose.information import mutual_information
from benchodds.choose.lookahead import Depth, look_ahead
from benchodds.choose.planning import plan, rank
from benchodds.choose.policies import usual
from benchodds.choose.shop import Shop, build_shop
from benchodds.choose.weighing import Weighed, come_back, weigh
from benchodds.cli.main import main
from benchodds.infer import inference
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.infer.intermittent import all_steady
from benchodds.keep.files import read_toml
from benchodds.keep.session import load_machine
from benchodds.keep.shopfile import find_shop, load_shop
from benchodds.model import jobs
from benchodds.model.jobs import Job, Technique

AT = "2026-01-05T09:00:00Z"
DMM = Technique(how="drill", meter="10M")
NO_SPARK = [("gap", "none 0/10", Technique()), ("stop-disc", "none 0/10", Technique())]
DEAD_MODULE = [
    *NO_SPARK,
    ("adapt", "8.4", DMM),
    ("vpri", "2", DMM),
    ("vexc", "165", DMM),
    ("vpul", "3.0", DMM),
    ("vexc-load", "141", DMM),
    ("gnd-vd", "0.02", Technique()),
    ("wiggle", "nothing", Technique()),
    ("rpri", "0.3", Technique(leads="nulled")),
    ("rsec", "5.9k", Technique()),
]
Readings = list[tuple[str, str, Technique]]


@pytest.fixture(scope="module")
def machine() -> Machine:
    """The early magneto machine."""
    return load_machine("mag-cdi", None, "mag-cdi")


@pytest.fixture(scope="module")
def shop() -> Shop:
    """The invented shop."""
    return load_shop()


def job_with(machine: Machine, readings: Readings) -> Job:
    """A job without spark, with readings."""
    event = jobs.open_event(
        at=AT,
        uid="0",
        system="mag-cdi",
        variant="early",
        complaint="no-spark",
        contexts=[],
        model_version=machine.model.version,
        prior_set="mag-cdi",
        prior_version=machine.priors.version,
    )
    job = jobs.fold("j", [event])
    for n, (test, value, technique) in enumerate(readings, start=1):
        event = jobs.reading_event(
            job, at=AT, uid=str(n), test=test, values=[value], technique=technique
        )
        job = jobs.amend(job, event)
    return job


def decided(machine: Machine, shop: Shop, readings: Readings) -> tuple[Assessment, Decision]:
    """The assessment and the decision after readings."""
    job = job_with(machine, readings)
    found = assess(machine, job)
    return found, decision_of(machine, job, found, shop)


# ---- the decision ----------------------------------------------------------------------------


@pytest.mark.parametrize("readings", [[], DEAD_MODULE[:4]])
def test_a_check_tells_what_the_ranking_says(
    machine: Machine, shop: Shop, readings: Readings
) -> None:
    """Summed over the gear, the ranking's bits are those of tables that know no gear axis.

    So it is where faults are steady; what comes and goes is foreseen by gear as it is before.
    """
    found, decision = decided(all_steady(machine), shop, readings)
    p = decision.p.sum(axis=1)
    assert p == pytest.approx(found.state_p / found.state_p.sum(), abs=1e-12)
    assert decision.p.sum() == pytest.approx(1.0, abs=1e-12)
    dead = next(q for item, state, q in found.gear if (item, state) == ("adapter", "dead"))
    assert float(decision.p[:, 1].sum()) == pytest.approx(dead, abs=0.02), "but for rare pairs"
    ranked = {r.test: r.bits for r in rank(found, decision)[0]}
    for check in decision.checks:
        assert check.p.sum(axis=2) == pytest.approx(1.0, abs=1e-9)
        if check.name in ranked:
            rows = np.einsum("sg,sgo->so", decision.p, check.p) / np.maximum(p, 1e-300)[:, None]
            bits = mutual_information(p, rows)
            whole = found.foreseen(check.name, next_technique(found, decision.opened))
            plain = mutual_information(p, whole / whole.sum(axis=1, keepdims=True))
            assert plain == pytest.approx(bits, abs=1e-6), check.name
            assert bits == pytest.approx(ranked[check.name], abs=1e-6), check.name


def test_what_a_repair_cures_alone_is_no_share_of_what_is_looked_at(
    machine: Machine, shop: Shop
) -> None:
    """Against elimination over all there is: P(no other part is at fault) - P(none is at all).

    Where that is said of the states that are looked at, one in twenty too many are promised.
    """
    steady = all_steady(machine.coarse)
    found = assess(steady, job_with(steady, []))
    assert float(found.state_p.sum()) < 0.97, "else nothing is left out here"
    network = steady.prior("no-spark", ())

    def p_good(parts: set[str]) -> float:
        good = {c: Table((c,), np.eye(network.variables[c].size)[0]) for c in parts}
        only = {**network.findings, **{f"good {c}": t for c, t in good.items()}}
        both = (replace(network, findings=only), network)
        logs = [inference.posterior(n, n.roots).log_evidence for n in both]
        return float(np.exp(logs[0] - logs[1]))

    tried = 0
    for act in plan(found, shop).acts:
        clears = steady.model.faults_named(steady.model.repairs[act.repair].clears)
        parts = {c for c, _mode in clears}
        if len(parts) == 1 and len(clears) == len(steady.modes[min(parts)]):
            p = p_good(set(network.roots) - parts) - p_good(set(network.roots))
            assert act.p_cures == pytest.approx(p, rel=1e-6), act.repair
            tried += 1
    assert tried >= 3


def test_what_is_done_open_and_failed_is_known(machine: Machine, shop: Shop) -> None:
    """Marks of a job: readings, limits, set-ups, looks that are not repeated, refusals."""
    readings: Readings = [*DEAD_MODULE[:4], ("plug-vis", "clean", Technique())]
    _, decision = decided(machine, shop, [*readings, ("swap-mod", "refused", Technique())])
    assert {"gap", "stop-disc", "vpri", "plug-vis"} <= decision.done
    assert "vpri" in decision.failed and "adapt" not in decision.failed
    assert "D" in decision.opened
    names = {c.name for c in decision.checks}
    assert "vpri" in names, "may be repeated"
    assert not {"plug-vis", "swap-mod"} & names


def test_repairs_cost_part_days_and_labour(machine: Machine, shop: Shop) -> None:
    """By hand from shop and model: 45 plugs of 10, two days of 15; a returnable part loses 10 %."""
    _, decision = decided(machine, shop, [])
    module, dry = decision.remedy("new-module"), decision.remedy("stop-line")
    good = decision.states.index((("mod", "dead"),))
    chafe = decision.states.index((("stop", "chafe"),))
    assert module.price[good] == module.price[chafe] == 45 * 10 + 2 * 15
    assert dry.price[chafe] == 10.0
    assert dry.price[good] == pytest.approx(1.0), "goes back for a tenth"
    assert module.minutes == 15 and module.proof == 33, "a hot module needs the long check"
    assert module.needed[good] and module.cures[good] and not module.needed[chafe]
    swap = decision.check("swap-mod")
    primary = decision.states.index((("pri", "shorted"),))
    assert swap.harm[primary] == pytest.approx(0.3 * 450), "three in ten donors die"
    assert swap.harm[decision.states.index(())] == 0.0
    assert decision.setups["A"] == 15, "ten to open, five to close"


def test_a_repair_in_a_pair_leaves_the_other_fault(machine: Machine, shop: Shop) -> None:
    """What a remedy leaves of two faults is the state with the other one, and may come back."""
    _, decision = decided(machine, shop, [])
    pair = next(s for s in decision.states if len(s) == 2 and ("plug", "fouled") in s)
    other = tuple(f for f in pair if f != ("plug", "fouled"))
    plug, i = decision.remedy("new-plug"), decision.states.index(pair)
    assert decision.states[plug.rest[i]] == other
    assert plug.needed[i] and not plug.cures[i]
    solid = decision.states.index((("sec", "open"),))
    hot = decision.states.index((("sec", "hot"),))
    assert decision.loss[[solid, hot]] == pytest.approx([0.03 * 90, 0.15 * 90])


def test_come_back_by_hand(machine: Machine, shop: Shop) -> None:
    """Bayes: nine in ten cured; of the rest 3 in 100 pass: 0.003 / 0.903."""
    _, decision = decided(machine, shop, [])
    p = np.zeros_like(decision.p)
    p[decision.states.index((("plug", "fouled"),)), 0] = 0.9
    p[decision.states.index((("sec", "open"),)), 0] = 0.1
    at = replace(decision, p=p)
    assert come_back(at, "new-plug") == pytest.approx(0.003 / 0.903, rel=1e-9)


# ---- the module is not bought on elimination alone ---------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_module_waits_for_hookup_check_or_swap(machine: Machine, shop: Shop, seed: int) -> None:
    """Whatever was read, a new module is not weighed while a swap or the reversed hook-up is open.

    Readings that accuse the module, in random number and order; swap refused or not.
    """
    rng = np.random.default_rng(seed)
    some = [DEAD_MODULE[i] for i in np.sort(rng.permutation(len(DEAD_MODULE))[: 4 + seed % 7])]
    if seed % 2:
        some.append(("swap-mod", "refused", Technique()))
    _, decision = decided(machine, shop, some)
    if seed % 4 == 3:  # as sure as can be
        tilt = np.array([1000.0 if ("mod", "dead") in s else 1.0 for s in decision.states])
        p = decision.p * tilt[:, None]
        decision = replace(decision, p=p / p.sum())
    names = {c.step.name for c in look_ahead(decision, Depth(1, (4,), 30)).choices}
    open_ = {c.name for c in decision.checks if decision.is_open(c)}
    either = {"swap-mod", "vpri-rev"} & decision.done
    if not either and {"swap-mod", "vpri-rev", "vpri"} & open_:
        assert "new-module" not in names
    if "swap-mod" in open_ and "swap-mod" not in decision.done:
        assert "new-module" not in names


def test_module_is_bought_when_nothing_cheaper_is_open(machine: Machine, shop: Shop) -> None:
    """Swap refused, hook-up reversed and the same: what is left is to buy it.

    But not while the stop line has not passed: it could kill the new one too.
    """
    bare: Readings = [*DEAD_MODULE, ("swap-mod", "refused", Technique())]
    _, decision = decided(machine, shop, [*bare, ("vpri-rev", "1", DMM)])
    assert "new-module" not in {c.step.name for c in look_ahead(decision, Depth(1)).choices}
    readings: Readings = [*bare, ("stop-r", "OL", Technique())]
    found, decision = decided(machine, shop, [*readings, ("vpri-rev", "1", DMM)])
    assert look_ahead(decision, Depth(1)).cheapest("repair") is not None
    assert "new-module" in {
        c.step.name for c in look_ahead(decision, Depth(1)).choices if c.step.kind == "repair"
    }
    _, before = decided(machine, shop, readings)
    assert "new-module" not in {c.step.name for c in look_ahead(before, Depth(1)).choices}
    act = next(a for a in plan(found, shop).acts if a.repair == "new-module")
    assert act.permit.allowed


# ---- weighing --------------------------------------------------------------------------------


def weighed(machine: Machine, shop: Shop, readings: Readings) -> Weighed:
    """Testing against mending after readings, one step ahead."""
    _, decision = decided(machine, shop, readings)
    return weigh(decision, look_ahead(decision, Depth(1, (5,)), usual(decision)), shop)


def priced(shop: Shop, repair: str, price: float) -> Shop:
    """The shop with another price, nothing waited for."""
    parts = shop.parts.model_copy(update={"prices": {f"mag-cdi.{repair}": price}})
    return shop.model_copy(update={"parts": parts})


def test_the_price_that_tips_it_does(machine: Machine, shop: Shop) -> None:
    """Well on either side of the price said, looking again finds the other choice cheaper."""
    readings: Readings = [("plug-vis", "cracked", Technique())]
    first = weighed(machine, shop, readings)
    assert first.repair and first.test and first.repair.step.name == "new-plug"
    tip = next(t for t in first.tips if t.what == "price")
    assert tip.now == 10.0 and tip.at is not None
    for price in (0.3 * tip.at, 3 * tip.at):
        again = weighed(machine, priced(shop, "new-plug", price), readings)
        costs = {c.step.name: c.cost for c in again.foresight.choices}
        least = min(c.cost for c in again.foresight.choices if c.step.kind == "test")
        assert (costs["new-plug"] < least) == (price < tip.at)


def test_what_is_saved_adds_up(machine: Machine, shop: Shop) -> None:
    """Minutes at the shop's rate and money are the cost; the bounds enclose the best."""
    result = weighed(machine, shop, NO_SPARK)
    seen = result.foresight
    for c in seen.choices:
        assert c.cost == pytest.approx(shop.labour.per_minute * c.minutes + c.money, rel=1e-9)
        assert c.cost >= seen.known - 1e-9
    assert seen.known <= seen.best.cost <= seen.acting * 1.02
    assert result.better is result.test, "one reading is no reason to buy"
    tip = next(t for t in result.tips if t.what == "p-needed")
    assert tip.at is None or tip.at > tip.now


# ---- the shop file and the command -------------------------------------------------------------


def test_a_part_that_cannot_go_back_waits_until_the_shop_is_sure(
    machine: Machine, shop: Shop
) -> None:
    """Model files may ask for more; free and returnable repairs go by the model file alone."""
    repairs = machine.model.repairs
    for name, repair in repairs.items():
        lost = shop.price("mag-cdi", name, repair) > 0 and not repair.returnable
        least = shop.parts.sure if lost else 0.0
        assert shop.sure("mag-cdi", name, repair) == least
    _, decision = decided(machine, shop, NO_SPARK)
    at = {r.name: r.act_at for r in decision.remedies}
    assert at["new-plug"] == shop.parts.sure > repairs["new-plug"].act_at
    assert at["new-module"] == repairs["new-module"].act_at > shop.parts.sure
    assert at["stop-dry"] == repairs["stop-dry"].act_at < shop.parts.sure


def test_shop_mistakes_name_the_key(machine: Machine) -> None:
    """A shop file with a mistake says where it is."""
    raw = read_toml(find_shop("shop"))
    for path, value, word in (
        (("labour", "per_minute"), -1, "labour.per_minute"),
        (("proof", "solid"), "8 volts", "proof.solid"),
        (("gear", "renew"), "soon", "gear.renew"),
        (("parts", "restocking"), 2, "parts.restocking"),
    ):
        broken = {k: dict(v) if isinstance(v, dict) else v for k, v in raw.items()}
        broken[path[0]][path[1]] = value
        with pytest.raises(ModelError, match=word):
            build_shop(broken)


def test_next_says_what_would_change_it(tmp_path: Path) -> None:
    """The JSON of the weighing, the same in words, and the greedy answer without it."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    job.record("cap-r", "OL@200k")
    data = job.json("next", job.id, "--steps", "1")
    w: dict[str, Any] = data["weighed"]
    assert data["advice"]["repair"] == "new-cap" == w["better"]["name"]
    assert w["other"]["kind"] == "test"
    assert w["saves"]["cost"] == pytest.approx(w["other"]["cost"] - w["better"]["cost"])
    assert [c["cost"] for c in w["choices"]] == sorted(c["cost"] for c in w["choices"])
    assert {t["what"] for t in w["tips"]} == {"p-needed", "price", "minutes"}
    assert 0 < w["come_back"] < 0.15
    assert w["known"] <= w["better"]["cost"] and w["steps"] == 1
    text = job.run("next", job.id, "--steps", "1", "--numbers")
    assert "Test on, or mend now?" in text and w["currency"] in text
    assert all(len(line) <= 80 for line in text.splitlines())
    assert job.json("next", job.id, "--greedy")["weighed"] is None


def test_unknown_shop_is_one_sentence(tmp_path: Path) -> None:
    """Exit code 2, the nearest name."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    result = CliRunner().invoke(main, ["next", job.id, "--shop", "shpo", "--store", job.store])
    assert result.exit_code == 2
    assert "'shop'" in result.output and "Traceback" not in result.output
