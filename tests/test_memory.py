"""Memory: every product is bounded, and what takes the place of one is as good or says so."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import oracle
from benchodds.basics.errors import TooLargeError
from benchodds.basics.tables import Table
from benchodds.infer.assess import Assessment, Machine, assess, network_of, understand
from benchodds.infer.belief import kept_to, likeliest
from benchodds.infer.inference import eliminate, posterior
from benchodds.infer.machine import FoldedNetwork, likely_states
from benchodds.keep.session import load_machine
from benchodds.measure.instrument import OUTCOME
from benchodds.model.jobs import Technique
from benchodds.reasons.explain import explain_reading, sentences, to_dict
from benchodds.screens import glance, numbers, shapes
from made_jobs import job_of
from memory import MOST_MB, Used, commands, make_job, run
from random_jobs import Said, random_job, random_readings
from test_inference import SEEDS

SPACE_MB = 1000
"""Address space of a command in these tests: what is mapped counts too, not only what is used."""

SIX = ("plug-vis clean", "cap-r 5k", "plug-spark weak 5/10", "dark nothing", "gap weak 5/10")
SIX = (*SIX, "plug-spark-off weak 5/10")
"""Readings after which whole states took 6.9 GB and most of a minute."""

ELEVEN = ("gap none 0/10", "stop-r 2M", "plug-spark none 0/10", "vexc 85 V", "vpul 2.2 V")
ELEVEN = (*ELEVEN, "rsec 9.8k", "gnd-vd 0.05", "wiggle nothing", "vpri 120 V", "rpri 0.5")
ELEVEN = (*ELEVEN, "vpri-rev 60 V")
"""Readings of an ordinary job, the next step of which took over 11 GB."""


# ---- the same answer, in pieces -----------------------------------------------------------------


def small_bounds(patch: pytest.MonkeyPatch, made: float, work: float) -> None:
    """Products of whole states may have so many entries, and take so many multiplications."""
    patch.setattr("benchodds.infer.folded.MOST_MADE", made)
    for module in ("folded", "fold"):
        patch.setattr(f"benchodds.infer.{module}.MOST_WORK", work)


@pytest.mark.parametrize(
    ("system", "seed"), [("mag-cdi", 1), ("mag-cdi", 2), ("tci", 3), ("starter", 4)]
)
def test_groups_of_states_answer_as_all_of_them_together(system: str, seed: int) -> None:
    """Weights, outcomes of every test, and joints with gear; to 1e-12."""
    machine = load_machine(system, None, system).coarse
    job = random_job(machine, 5, seed)
    network = network_of(machine, job, understand(machine, job))
    p = {f: float(network.tables[f[0]].p[1]) for f in machine.model.faults()}
    states = likely_states(machine.modes, p, 30)
    technique = Technique(how=next(iter(machine.bench.cranking)), unplugged=True)
    tables = [machine.predictive(test, technique)[1] for test in machine.model.tests]
    scopes = [t.scope for t in network.findings.values() if t.scope] + [("adapter",)]
    answers = []
    for made, work in ((1e12, 1e12), (2e4, 5e5)):
        with pytest.MonkeyPatch.context() as patch:
            small_bounds(patch, made, work)
            folded = FoldedNetwork(network, states)
            outcomes = np.concatenate([folded.outcomes(t) for t in tables], axis=1)
            answers.append((folded, outcomes, folded.joints(scopes)))
    (one, p_one, joint_one), (many, p_many, joint_many) = answers
    assert len(one._groups) == 1
    assert len(many._groups) > 3
    assert np.exp(many.log_weights - one.log_weights.max()) == pytest.approx(
        np.exp(one.log_weights - one.log_weights.max()), abs=1e-12
    )
    assert np.abs(p_many - p_one).max() < 1e-12
    for a, b in zip(joint_many, joint_one, strict=True):
        assert np.abs(a - b).max() < 1e-12


@pytest.mark.parametrize("seed", SEEDS[:15])
def test_products_in_slices(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Products that may have four entries at once give the oracle's posterior all the same."""
    monkeypatch.setattr("benchodds.infer.contraction.AT_ONCE", 4)
    rng = np.random.default_rng(seed)
    network = oracle.random_network(rng)
    result = posterior(network, network.variables)
    for v in network.variables:
        assert result.joint([v]) == pytest.approx(oracle.joint(network, [v]), abs=1e-12)
    monkeypatch.setattr("benchodds.infer.inference.MOST_KEPT", 0)
    names = [str(v) for v in rng.choice(list(network.variables), size=2, replace=False)]
    sizes = {v: x.size for v, x in network.variables.items()}
    small = {v: n for v, n in sizes.items() if v in names or v not in network.evidence}
    free = [v for v in names if v not in network.evidence]
    found = eliminate(network.factors(free), free, small).p
    whole = eliminate_whole(network, free, small)
    assert found == pytest.approx(whole, abs=1e-12 * max(1.0, float(whole.max())))


def eliminate_whole(network: object, free: list[str], sizes: dict[str, int]) -> np.ndarray:
    """The same without a bound on memory."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("benchodds.infer.inference.MOST_KEPT", 1e12)
        patch.setattr("benchodds.infer.contraction.AT_ONCE", 1e12)
        return eliminate(network.factors(free), free, sizes).p  # type: ignore[attr-defined]


@pytest.mark.parametrize("seed", SEEDS[:15])
def test_all_states_listed_are_the_posterior(seed: int) -> None:
    """Kept to every whole state there is, a network gives the oracle's joints and evidence."""
    rng = np.random.default_rng(seed)
    network = oracle.random_network(rng)
    kept, listed = kept_to(network, oracle.whole_states(network), network.variables)
    assert listed.log_evidence == pytest.approx(oracle.log_evidence(network), abs=1e-10)
    names = [str(v) for v in rng.choice(list(network.variables), size=2, replace=False)]
    for scope in ([names[0]], names):
        assert listed.joint(scope) == pytest.approx(oracle.joint(network, scope), abs=1e-10)
    assert len(kept.states) == len(oracle.whole_states(network))
    found = likeliest(network)
    assert set(found) <= set(kept.states)
    assert sum(found.values()) == pytest.approx(1.0, abs=0.02)


# ---- what takes the place of exact odds ---------------------------------------------------------


def said(*lines: str) -> list[Said]:
    """Readings written as 'TEST VALUE'."""
    split = [line.partition(" ") for line in lines]
    return [Said(test, (value,), Technique()) for test, _, value in split]


def job_on(machine: Machine, complaint: str, readings: list[Said]) -> Assessment:
    """The odds of these readings."""
    rows = [(s.test, s.values, s.technique) for s in readings]
    return assess(machine, job_of(machine, rows, complaint))


def test_the_likeliest_states_stand_in_and_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where exact odds may not be had: within a hundredth of them, in text and JSON."""
    machine = load_machine("mag-cdi", None, "mag-cdi")
    exact = job_on(machine, "weak-spark", said(*SIX))
    assert exact.approximate is None
    assert shapes.odds(exact)["approximate"] is None
    assert "Approximate" not in numbers.odds(exact) + "\n".join(glance.odds(exact))
    for name in ("buckets.MOST_ENTRIES", "belief.CHEAP"):
        monkeypatch.setattr(f"benchodds.infer.{name}", 5e6)
    with pytest.raises(TooLargeError, match="tie too much together"):
        posterior(exact.network, [])
    found = job_on(machine, "weak-spark", said(*SIX))
    assert found.machine is machine
    assert len(found.network.states) > 40
    told = shapes.odds(found)["approximate"]
    assert told["what"] == "likeliest states"
    for shown in (numbers.odds(found), "\n".join(glance.odds(found))):
        assert " ".join(shown.split()).endswith(told["why"])
    for fault, p in exact.p_mode.items():
        assert found.p_mode[fault] == pytest.approx(p, abs=0.01), fault
    assert dict(found.slips) == pytest.approx(dict(exact.slips), abs=0.01)
    why = explain_reading(found, "R5")
    assert to_dict(why)["approximate"] == told
    assert " ".join(sentences(why)).endswith(told["why"].split()[-1])
    assert [row[:2] for row in sorted(found.gear)] == [row[:2] for row in sorted(exact.gear)]
    assert sorted(r[2] for r in found.gear) == pytest.approx(
        sorted(r[2] for r in exact.gear), abs=0.01
    )


def test_a_coarser_model_comes_last_and_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the likeliest states on all nodes take too much as well."""
    for name in ("buckets.MOST_ENTRIES", "belief.CHEAP"):
        monkeypatch.setattr(f"benchodds.infer.{name}", 5e6)
    monkeypatch.setattr("benchodds.infer.belief.kept_to.__defaults__", (1e4,))
    machine = load_machine("mag-cdi", None, "mag-cdi")
    found = job_on(machine, "weak-spark", said(*SIX))
    assert found.machine is machine.choosing
    assert shapes.odds(found)["approximate"]["what"] == "likeliest states, fewer nodes"
    assert "coarser model" in " ".join(numbers.odds(found).split())
    assert "coarser model" in " ".join(" ".join(glance.odds(found)).split())


def test_what_is_asked_beside_the_odds_falls_back_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """Odds that were exact, and a ledger and contradictions for which that would take too much."""
    machine = load_machine("mag-cdi", None, "mag-cdi")
    found = job_on(machine, "weak-spark", said(*SIX))
    before = explain_reading(found, "R6")
    assert before.approximate is None
    for name in ("buckets.MOST_ENTRIES", "belief.CHEAP"):
        monkeypatch.setattr(f"benchodds.infer.{name}", 3e6)
    after = explain_reading(found, "R6")
    assert after.approximate is not None
    assert after.approximate.what == "likeliest states, fewer nodes"
    for old, new in zip(before.weights[:3], after.weights[:3], strict=True):
        assert new.taken == pytest.approx(old.taken, abs=0.5), (old.name, new.name)


def test_no_table_of_a_state_outcome_is_left_behind() -> None:
    """What is kept of groups is bounded, however much is asked of them."""
    machine = load_machine("mag-cdi", None, "mag-cdi").coarse
    job = random_job(machine, 12, 7)
    network = network_of(machine, job, understand(machine, job))
    folded = FoldedNetwork(network, tuple(likeliest(network)))
    technique = Technique(how="firm-kick", unplugged=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("benchodds.infer.machine.MOST_KEPT", 1e6)
        for test in machine.model.tests:
            p = folded.outcomes(machine.predictive(test, technique)[1])
            assert p.shape[0] == len(folded.states)
        assert sum(g.fold.kept for g in folded._groups if g.fold is not None) < 1e6
    names = ("adapter", OUTCOME)
    eye = machine.variables["adapter"].size
    both = folded.joint(names, [Table(names, np.eye(eye))])
    assert both.sum(axis=1) == pytest.approx(folded.joint(["adapter"]), abs=1e-12)


# ---- commands within an address space -----------------------------------------------------------


def answered(used: Used) -> None:
    """The command answered, within the bound."""
    assert used.status == 0, used.text[-500:]
    assert used.megabytes < MOST_MB


@pytest.mark.parametrize(
    ("complaint", "readings", "words"),
    [("weak-spark", SIX, ("next", "--greedy")), ("no-spark", ELEVEN, ("next", "--json"))],
    ids=["six weak sparks", "eleven readings"],
)
def test_the_next_step_of_two_jobs_that_took_gigabytes(
    complaint: str, readings: tuple[str, ...], words: tuple[str, ...], tmp_path: Path
) -> None:
    """Each answers in the address space that starting up takes and little more."""
    store = tmp_path / "jobs.sqlite"
    job = make_job(store, "mag-cdi", said(*readings), complaint)
    argv = ["-m", "benchodds", words[0], job, *words[1:], "--store", str(store)]
    answered(run(argv, SPACE_MB))


@pytest.mark.parametrize(
    ("system", "seed", "command"), [("mag-cdi", 1, "odds"), ("tci", 1, "record")]
)
def test_thirty_random_readings(system: str, seed: int, command: str, tmp_path: Path) -> None:
    """A few of what ``python tests/memory.py`` goes through."""
    machine = load_machine(system, None, system)
    rng = np.random.default_rng(seed)
    complaint = str(rng.choice(list(machine.model.complaints)))
    readings = random_readings(machine, complaint, 30, rng)
    store = tmp_path / "jobs.sqlite"
    job = make_job(store, system, readings[:-1], complaint)
    argv, typed = commands(store, job, readings)[command]
    answered(run(argv, SPACE_MB, typed))
