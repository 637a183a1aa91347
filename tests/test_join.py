"""Systems joined on one machine: names, priors, exactness, and what the commands do with them."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import oracle
from benchodds.basics.errors import ModelError, UnknownNameError
from benchodds.basics.tables import Network, Special
from benchodds.cli.main import main
from benchodds.infer.assess import Machine, network_of, understand
from benchodds.infer.exchange import to_pgmpy
from benchodds.infer.inference import posterior
from benchodds.infer.machine import FoldedNetwork
from benchodds.infer.network import physics
from benchodds.keep import session
from benchodds.keep.files import load_bench, load_priors, load_system
from benchodds.learn.likelihoods import job_of
from benchodds.learn.written import Written
from benchodds.model.join import JoinedModel, complaint_name, join
from benchodds.model.joinpriors import join_priors, joined_prior
from benchodds.model.priors import fault_prior
from benchodds.model.system import SystemModel
from benchodds.reasons.evidence import joint

PAIRS = ("tci+charging", "tci+starter", "dc-cdi+charging", "dc-cdi+starter", "starter+charging")


@cache
def joined(name: str, variant: str | None = None) -> JoinedModel:
    model = load_system(name, variant)
    assert isinstance(model, JoinedModel)
    return model


def coarse(model: SystemModel, share: int) -> SystemModel:
    """The model with one in ``share`` of its cells."""
    quantities = {}
    for name, q in model.quantities.items():
        grid = q.grid
        if grid is not None:
            update = {k: math.ceil(getattr(grid, k) / share) for k in ("cells", "below")}
            grid = grid.model_copy(update=update)
        quantities[name] = q.model_copy(update={"grid": grid})
    return model.model_copy(update={"quantities": quantities})


# ---- special states that leave faults aside -----------------------------------------------------


def aside(seed: int) -> Network:
    """A random small network with special states that leave some faults aside, overlapping."""
    rng = np.random.default_rng(seed)
    network = oracle.random_network(rng)
    faults = [(c, m) for c in network.roots for m in network.variables[c].states[1:]]
    specials = list(network.special[1:])
    for _ in range(int(rng.integers(1, 4))):
        apart = frozenset(f for f in faults if rng.random() < 0.5)
        state = tuple(f for f in faults if f not in apart and rng.random() < 0.15)
        state = tuple(dict(state).items())
        ratio = float(rng.choice([0.01, 0.4, 3.0]))
        specials.append(Special(state, ratio, apart - {f for f in apart if f[0] in dict(state)}))
    return replace(network, special=tuple(specials))


@pytest.mark.parametrize("seed", range(40))
def test_special_states_that_leave_faults_aside(seed: int) -> None:
    """Overlapping ones multiply: posterior, folded states and eliminations as by plain loops."""
    network = aside(seed)
    ours = posterior(network, network.variables)
    assert ours.log_evidence == pytest.approx(oracle.log_evidence(network), abs=1e-9)
    for v in network.variables:
        expected = oracle.joint(network, [v])
        assert ours.joint([v]) == pytest.approx(expected, abs=1e-10)
        if v not in network.evidence:  # one that was seen has no axis there
            assert joint(network, [v]) == pytest.approx(expected, abs=1e-10)
    states = [
        tuple(
            (c, network.variables[c].states[i]) for c, i in zip(network.roots, at, strict=True) if i
        )
        for at in np.ndindex(*(network.variables[c].size for c in network.roots))
    ]
    folded = FoldedNetwork(network, states)
    assert float(folded.weights.sum()) == pytest.approx(math.exp(ours.log_evidence), rel=1e-9)


# ---- names and parts --------------------------------------------------------------------------


@pytest.mark.parametrize("name", PAIRS)
def test_shared_parts_are_one(name: str) -> None:
    """The battery is one part with the modes of both; everything else has its system in front."""
    model = joined(name)
    parts = {p.id: p for p in model.parts}
    modes = {m for p in parts.values() for m in p.components["battery"].modes}
    assert set(model.components["battery"].modes) == modes
    common = {"battery", "posts", "main-switch", "earth"}
    for component in model.components:
        assert component in common or component.partition("-")[0] in "tci dc charging starter"
    assert all(t.startswith(tuple(parts)) for t in model.tests)
    assert "seat" in model.setups
    faults = set(model.faults())
    for repair in model.repairs.values():
        assert {tuple(c.split(".")) for c in repair.clears} <= faults
        assert all(t in model.tests for group in repair.requires for t in group.split("|"))
    for test in model.tests.values():
        assert all(s in model.setups for s in test.needs)
        assert all(c in model.cautions for c in test.cautions)
        assert all(
            t in model.tests
            for g in (*test.after, *(model.gates[test.gate].passed if test.gate else ()))
            for t in g.split("|")
        )


def test_short_words_give_way_to_the_system_they_stand_for() -> None:
    """Charging that is "low" is any charging fault; its own test and repair are gone."""
    model = joined("tci+charging")
    assert "tci-chg" not in model.components and "tci_chg_low" in model.quantities
    assert "tci-vchg" not in model.tests and "tci-charging" not in model.repairs
    assert "tci-starter" in model.components, "no starter system is here to take its place"
    assert "tci-starter" not in joined("tci+starter").components
    assert "tci-crank-sound" not in joined("tci+starter").tests


def test_cautions_keep_their_words() -> None:
    """Every caution of every test reads as in its own system."""
    model = joined("tci+charging+starter")
    for part in model.parts:
        for name, test in part.tests.items():
            if f"{part.id}-{name}" in model.tests:
                said = [model.cautions[c] for c in model.tests[f"{part.id}-{name}"].cautions]
                assert said == [
                    part.cautions[c] if c != "literature" else said[i]
                    for i, c in enumerate(test.cautions)
                ]


def test_variants_and_bare_test_names() -> None:
    """A variant goes to the systems that have it; a test that one system has needs no prefix."""
    model = joined("tci+charging", "late+series")
    assert [p.variant for p in model.parts] == ["late", "series"]
    assert [p.variant for p in joined("tci+charging", "series").parts] == ["early", "series"]
    assert model.find_test("vdc-fast") == "charging-vdc-fast"
    assert model.find_test("VPRI") == "tci-vpri"
    with pytest.raises(UnknownNameError):
        model.find_test("vbat-rest")  # both have it
    with pytest.raises(UnknownNameError, match="did you mean 'series'"):
        joined("tci+charging", "serie")


def test_what_cannot_be_joined() -> None:
    """The same system twice, an unknown one, other benches: a sentence each."""
    tci, charging = load_system("tci"), load_system("charging")
    for models in ([tci], [tci, tci], [tci, charging.model_copy(update={"bench": "other"})]):
        with pytest.raises(ModelError):
            join(models)
    with pytest.raises(UnknownNameError, match="charging"):
        load_system("tci+chargin")
    half = tci.model_copy(
        update={
            "meets": {
                "charging": tci.meets["charging"].model_copy(
                    update={"stands_for": {"chg.low": ("regg.dead",)}}
                )
            }
        }
    )
    with pytest.raises(ModelError, match="did you mean 'reg'"):
        join([half, charging])


def test_complaints_in_the_order_of_the_systems() -> None:
    """The order in which they are said does not matter."""
    models = joined("tci+charging+starter").parts
    assert complaint_name(models, "slow-crank+no-spark") == "no-spark+slow-crank"
    assert complaint_name(models, "battery-flat") == "battery-flat"
    assert complaint_name(models, "weak-spark+no-spark") == "no-spark+weak-spark"
    for said in ("no-sparc", "no-spark+"):
        with pytest.raises(UnknownNameError):
            complaint_name(models, said)
    assert "no-spark+battery-flat+slow-crank" in joined("tci+charging+starter").complaints


# ---- priors -----------------------------------------------------------------------------------


@cache
def compiled(name: str, share: int = 1) -> Machine:
    if share == 1:
        return session.load_machine(name, None, name)
    small, bench = coarse(joined(name), share), load_bench("bench")
    return Machine(small, bench, load_priors(name), *physics(small, bench))


def marginals(network: Network) -> dict[str, float]:
    result = posterior(network, network.roots)
    out = {}
    for c in network.roots:
        p = result.joint([c])
        out.update(
            {f"{c}.{m}": float(p[i]) for i, m in enumerate(network.variables[c].states) if i}
        )
    return out


@pytest.mark.parametrize("name", ["tci+charging", "tci+starter", "starter+charging"])
def test_a_complaint_of_one_system_keeps_its_priors(name: str) -> None:
    """Faults of the system complained of stand as in a job of its own; others as in a sound one.

    A stand-in's share goes to the faults that it stands for. Links across systems, and the
    chance of a second fault elsewhere, move little.
    """
    first, second = name.split("+")
    machine = compiled(name)
    complaint = next(iter(machine.model.parts[0].complaints))
    together = marginals(machine.prior(complaint, ()))
    alone = session.load_machine(first, None, first)
    model = alone.model
    lone = marginals(alone.prior(complaint, ()))
    naming = {f"{c}.{m}": (c, m) for c, m in model.faults()}
    shared = {c.partition(".")[0] for c in model.shared}
    for fault, (component, _) in naming.items():
        key = f"{first}-{fault}"
        if component not in shared and key in together:
            assert together[key] == pytest.approx(lone[fault], rel=0.15, abs=0.002), fault
    told = model.meets.get(second)
    for stand_in in told.stands_for if told else ():
        if stand_in in ("chg.low", "starter.drag"):
            texts = told.stands_for[stand_in]
            total = sum(
                p
                for f, p in together.items()
                for t in texts
                if f == f"{second}-{t}" or (t.endswith("*") and f.startswith(f"{second}-{t[:-1]}"))
            )
            assert total == pytest.approx(lone[stand_in], rel=0.35, abs=0.003)
    rest = load_priors(second).together.unnoticed
    aside = sum(p for f, p in together.items() if f.startswith(f"{second}-"))
    assert aside < 3 * sum(rest.values()) + 0.1


def test_one_fault_that_explains_both_complaints_comes_first() -> None:
    """No spark and a slow starter: shared parts lead; with one complaint they do not so."""
    machine = compiled("tci+starter")
    both = marginals(machine.prior("no-spark+slow-crank", ()))
    one = marginals(machine.prior("no-spark", ()))
    assert max(both, key=both.__getitem__).startswith(("battery", "earth"))
    assert both["earth.highR"] > 3 * one["earth.highR"]
    assert both["tci-igniter.dead"] < one["tci-igniter.dead"]


def test_priors_without_a_share_of_the_unnoticed() -> None:
    """A prior file that does not say it cannot stand beside another: one sentence."""
    machine = compiled("tci+starter")
    bare = load_priors("starter")
    bare = bare.model_copy(update={"together": bare.together.model_copy(update={"unnoticed": {}})})
    priors = join_priors([load_priors("tci"), bare])
    assert isinstance(machine.model, JoinedModel)
    with pytest.raises(ModelError, match="unnoticed is missing"):
        joined_prior(priors, machine.model, "no-spark", ())


def test_contexts_go_to_every_system_that_knows_them() -> None:
    """'washed' is known to both and raises switches in both; the others are left alone."""
    machine = compiled("tci+charging")
    dry, wet = (marginals(machine.prior("no-spark", c)) for c in ((), ("washed",)))
    assert wet["tci-kill.highR"] > dry["tci-kill.highR"]
    alone = fault_prior(
        load_priors("charging"), load_system("charging"), "battery-flat", ("washed",)
    )
    assert alone.odds


# ---- exactness and speed ----------------------------------------------------------------------

READ = {
    "starter+charging": (
        ("starter-vbat-rest", "12.1"),
        ("charging-leak", "4 mA"),
        ("lamps", "dim"),
    ),
    "tci+starter": (("starter-drop-gnd", "0.9"), ("starter-icrank", "60"), ("tci-dash", "bright")),
}


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::FutureWarning")
@pytest.mark.parametrize(
    ("name", "complaint"),
    [("starter+charging", "slow-crank"), ("tci+starter", "no-spark+slow-crank")],
)
def test_joined_posteriors_are_those_of_the_reference(name: str, complaint: str) -> None:
    """Variable elimination by pgmpy on the joined network, coarse cells: the same to 1e-9."""
    from pgmpy.inference import VariableElimination

    machine = compiled(name, 15)
    job = job_of(machine, (tuple(Written(t, (v,)) for t, v in READ[name]), ()), complaint)
    network = network_of(machine, job, understand(machine, job))
    ours = posterior(network, network.roots)
    parts = ["battery", "main-switch", "tci-coil" if "tci" in name else "charging-drain"]
    reference, evidence = to_pgmpy(network, list(network.roots))
    engine = VariableElimination(reference)
    for part in parts:
        theirs = engine.query([part], evidence=evidence, show_progress=False).values
        assert np.asarray(theirs) == pytest.approx(ours.joint([part]), abs=1e-9, rel=0), part


def test_three_systems_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With readings in all three there is advice."""
    monkeypatch.setenv("BENCHODDS_STORE", str(tmp_path / "jobs.sqlite"))
    run = CliRunner().invoke
    opened = ["open", "--system", "tci", "--with", "charging", "--with", "starter"]
    told = run(main, [*opened, "--complaint", "slow-crank", "--complaint", "no-spark", "--json"])
    job = json.loads(told.output)["job"]
    assert json.loads(run(main, ["show", job, "--json"]).output)["complaint"] == (
        "no-spark+slow-crank"
    )
    for test, value in (("vdc-fast", "14.2"), ("starter-vbat-rest", "12.6"), ("icrank", "95")):
        assert run(main, ["record", job, test, value]).exit_code == 0
    result = run(main, ["next", job, "--json"])
    assert result.exit_code == 0 and json.loads(result.output)["advice"]["do"]
    text = run(main, ["odds", job, "--numbers"]).output
    assert "battery" in text and "tci-" in text


def test_opening_joined_jobs_that_cannot_be(tmp_path: Path) -> None:
    """Unknown system or complaint: exit code 2, one sentence."""
    store = ["--store", str(tmp_path / "jobs.sqlite")]
    for args in (
        ["--system", "tci", "--with", "nothing", "--complaint", "no-spark"],
        ["--system", "tci", "--with", "tci", "--complaint", "no-spark"],
        ["--system", "tci", "--with", "charging", "--complaint", "slow-crank"],
    ):
        result = CliRunner().invoke(main, ["open", *args, *store])
        assert result.exit_code == 2, result.output
        assert "Traceback" not in result.output and result.output.count("\n") <= 2
    assert session.Session(store[1]).store.jobs() == []
