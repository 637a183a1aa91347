"""The belief over repairs: the unrolled network against other programs, by hand, and in itself.

What is assumed: J. Breese and D. Heckerman, "Decision-theoretic troubleshooting: a framework for
repair and experiment", UAI 1996 (untouched parts persist, touched ones get a node of their own).
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

import synthetic
from bench_cli import BenchJob
from benchodds.basics.errors import JobError, UnknownNameError
from benchodds.basics.tables import Array, Network
from benchodds.cli.main import main
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.infer.bif import bif_text
from benchodds.infer.epochs import Course, ranked
from benchodds.infer.exchange import log_scale, to_pgmpy
from benchodds.infer.inference import posterior
from benchodds.keep.session import load_machine
from benchodds.model import jobs
from benchodds.model.jobs import Job, Technique
from benchodds.reasons.evidence import joint
from made_jobs import AT, job_of
from test_exchange import Agrum, by_pgmpy, short_names

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::FutureWarning")

DRILL = Technique(how="drill", meter="10M")
PLAIN = Technique()
Row = tuple[str, tuple[str, ...], Technique] | str


@cache
def machine(system: str = "mag-cdi") -> Machine:
    """A shipped machine on the nodes on which tests are chosen, which other programs can bear."""
    return load_machine(system, None, system).coarse


def steady(made: Machine, job: Job) -> Assessment:
    """The odds given that no fault comes and goes, which are exact."""
    return assess(made, job).steady


def assessed(rows: list[Row], complaint: str | None = None, system: str = "mag-cdi") -> Assessment:
    """The odds of a job made of readings and repairs."""
    made = machine(system)
    return steady(made, job_of(made, rows, complaint))


# ---- against other programs ----------------------------------------------------------------

COURSES: dict[str, list[Row]] = {
    "mag-cdi": [
        ("stop-r", ("3 ohm",), PLAIN),
        "stop-line",
        ("cap-r", ("OL",), PLAIN),
        "new-cap",
        ("plug-vis", ("black-wet",), PLAIN),
    ],
    "starter": [("rbutton", ("0.2 ohm",), PLAIN), "button", ("rbutton", ("0.3 ohm",), PLAIN)],
    "charging": [("leak", ("4 mA",), PLAIN), "find-drain", ("leak", ("1 mA",), PLAIN)],
    "tci": [("rpul", ("240 ohm",), PLAIN), "set-gap", ("rpul", ("241 ohm",), PLAIN)],
    "dc-cdi": [("rpul", ("OL",), PLAIN), "new-pulse", ("rpul", ("220 ohm",), PLAIN)],
}


@pytest.mark.parametrize("system", COURSES)
def test_unrolled_network_by_two_libraries(system: str, tmp_path: Path) -> None:
    """Components as they came and as they are, by pgmpy's variable elimination and by pyAgrum from
    a file, to 1e-9."""
    network = assessed(COURSES[system], system=system).network
    names = [*network.roots, *network.later]
    ours = posterior(network, names)
    model, evidence = to_pgmpy(network, names)
    for v, p in by_pgmpy(model, evidence, names).items():
        assert p == pytest.approx(ours.joint([v]), abs=1e-9, rel=0), v
    by_agrum(network, names, tmp_path)


def by_agrum(network: Network, names: list[str], folder: Path) -> None:
    """Compare posteriors and P(evidence) with pyAgrum's lazy propagation, to 1e-9."""
    path = folder / "epochs.bifxml"
    path.write_text(bif_text(network, names), encoding="utf-8")
    ours, short, agrum = (
        posterior(network, names),
        short_names(path),
        Agrum(path, "LazyPropagation"),
    )
    for v in names:
        assert agrum.p(short[v]) == pytest.approx(ours.joint([v]), abs=1e-9, rel=0), v
    evidence = math.log(agrum.inference.evidenceProbability()) + log_scale(network)
    assert evidence == pytest.approx(ours.log_evidence, abs=1e-9)


@cache
def small_machine(n: int) -> Machine:
    """Parts in series: every second repair fits a new one, every third may spoil the next part."""
    plain = synthetic.machine(n)
    repairs = dict(plain.model.repairs)
    for i, (name, repair) in enumerate(plain.model.repairs.items()):
        said: dict[str, object] = {"renews": (f"part{i:03d}",)} if i % 2 else {"holds": 0.8}
        said |= {"spoils": {f"part{(i + 1) % n:03d}.weak": 0.07}} if i % 3 == 0 else {}
        repairs[name] = repair.model_copy(update=said)
    return replace(plain, model=plain.model.model_copy(update={"repairs": repairs}))


def random_course(n: int, seed: int) -> list[Row]:
    """Readings, repairs and old parts put back, at random, on parts in series."""
    rng = np.random.default_rng(seed)
    rows: list[Row] = []
    fitted: list[str] = []
    for k in range(9):
        i = int(rng.integers(n))
        if k % 3 == 2 and fitted and rng.random() < 0.25:
            rows.append(f"<{fitted.pop()}")
        elif k % 3 == 2:
            fitted.append(f"new{i:03d}")
            rows.append(fitted[-1])
        elif rng.random() < 0.6:
            volts = rng.choice([0.0, 5.2, 7.4, 9.1, 11.9, 12.5])
            rows.append((f"meter{i:03d}", (f"{volts} V",), PLAIN))
        else:
            rows.append((f"look{i:03d}", (str(rng.choice(["sound", "burnt"])),), PLAIN))
    return rows


@pytest.mark.parametrize("seed", range(16))
def test_random_small_systems_of_several_epochs(seed: int, tmp_path: Path) -> None:
    """Three pieces of work with readings between them, on two to five parts: two libraries."""
    n = 2 + seed % 4
    made = small_machine(n)
    network = assess(made, job_of(made, random_course(n, seed), "dead")).network
    names = [*network.roots, *network.later]
    assert len(network.later) >= 2
    ours = posterior(network, names)
    model, evidence = to_pgmpy(network, names)
    for v, p in by_pgmpy(model, evidence, names).items():
        assert p == pytest.approx(ours.joint([v]), abs=1e-9, rel=0), v
    by_agrum(network, names, tmp_path)


# ---- by hand -------------------------------------------------------------------------------


def test_cleaning_by_hand() -> None:
    """Looks only: prior odds, chance that the work holds, and Bayes' rule with pencil and paper.

    A stop line that is chafed is mended and looked at again. What was there, what is there now
    and the mixture of both follow from the prior, ``holds`` and the likelihoods of the look.
    """
    made = machine()
    looks = [("stop-lock", ("varies",), PLAIN)]
    before = steady(made, job_of(made, looks)).p_mode
    after = steady(made, job_of(made, [*looks, "stop-line"]))
    holds = made.bench.work.holds
    for mode in ("switch", "chafe", "wet"):
        left = before["stop", mode] * (1 - holds if mode == "chafe" else 1)
        assert after.p_mode["stop", mode] == pytest.approx(left, abs=1e-12)
        assert after.p_was["stop", mode] == pytest.approx(before["stop", mode], abs=1e-12)
    again = steady(made, job_of(made, [*looks, "stop-line", *looks]))
    test = made.model.tests["stop-lock"]
    slip = made.bench.slip.chance
    seen = {m: test.causes[f"stop.{m}"]["varies"] for m in ("switch", "chafe", "wet")}
    base = test.base["varies"]
    # A noisy maximum of two outcomes: it varies by the fault, or by itself.
    like = {m: 1 - (1 - base) * (1 - s) for m, s in seen.items()} | {"good": base}
    like = {m: (1 - slip) * p + slip / 2 for m, p in like.items()}
    now = dict(after.p_mode)
    p = {m: now["stop", m] for m in seen}
    p["good"] = 1 - sum(p.values())
    total = sum(p[m] * like[m] for m in p)
    for mode in seen:
        assert again.p_mode["stop", mode] == pytest.approx(p[mode] * like[mode] / total, abs=1e-12)


def test_a_new_part_is_sound_but_for_duds() -> None:
    """Fitting a new plug leaves ``dud``, whatever was known of the old one."""
    found = assessed([("plug-vis", ("black-wet",), PLAIN), "new-plug"])
    dud = machine().bench.work.dud
    assert sum(found.p_mode["plug", m] for m in machine().modes["plug"]) == pytest.approx(dud)
    prior = machine().prior("no-spark", ()).tables["plug"].p[1:]
    now = np.array([found.p_mode["plug", m] for m in machine().modes["plug"]])
    assert now / now.sum() == pytest.approx(prior / prior.sum()), "duds fall as the prior does"


# ---- in itself -----------------------------------------------------------------------------


def test_constants_stay_with_the_part() -> None:
    """A winding's resistance is the same after its gap was set, another after it was renewed.

    The pulse winding was read at 224 ohm. P(it reads 215 to 233 again) is near 1 when only the
    gap was set, and that of any winding of the band (a normal law, sd a quarter of its width:
    the model file) when a new one was fitted.
    """
    read: list[Row] = [("rpul", ("224 ohm",), PLAIN)]

    def near(rows: list[Row]) -> float:
        made = machine()
        job = job_of(made, rows)
        network = steady(made, job).network
        from benchodds.infer.assess import network_of, understand

        network = network_of(made, job, understand(made, job), asked=("pulse_ohm",))
        fixed = network.__class__(**{**network.__dict__, "special": ()})
        p = joint(fixed, ["pulse_ohm"])
        x = made.variables["pulse_ohm"].values
        return float(p[(x > 213) & (x < 235)].sum())

    assert near([*read, "set-gap"]) == pytest.approx(near(read), abs=0.01)
    assert near(read) > 0.9
    assert near([*read, "new-pulse"]) == pytest.approx(near([]), abs=0.01)


@settings(max_examples=12, deadline=None)
@given(st.sampled_from(["new-plug", "stop-dry", "connectors", "set-gap", "new-coil", "new-module"]))
def test_a_part_put_back_is_the_old_one(repair: str) -> None:
    """Fitting and putting back with nothing read between changes nothing at all."""
    rows: list[Row] = [
        ("gap", ("none 0/10",), DRILL),
        ("vpul", ("2.2",), DRILL),
        ("rsec", ("5.9k",), PLAIN),
    ]
    before = assessed(rows)
    after = assessed([*rows, repair, f"<{repair}"])
    for fault, p in before.p_mode.items():
        assert after.p_mode[fault] == pytest.approx(p, abs=1e-10), fault
        assert after.p_was[fault] == pytest.approx(p, abs=1e-10), fault
    assert after.posterior.log_evidence == pytest.approx(before.posterior.log_evidence, abs=1e-9)


def test_work_on_one_part_says_nothing_of_the_others() -> None:
    """A repair alone, nothing read after it, leaves what was, and every part it did not touch."""
    rows: list[Row] = [("gap", ("none 0/10",), DRILL), ("vpri", ("2 V",), DRILL)]
    before, after = assessed(rows), assessed([*rows, "connectors"])
    for fault, p in before.p_mode.items():
        assert after.p_was[fault] == pytest.approx(p, abs=1e-9)
        if fault[0] not in ("con", "pri"):
            assert after.p_mode[fault] == pytest.approx(p, abs=1e-9)


def test_whole_states_add_up_to_the_odds() -> None:
    """Histories summed by their present state give the odds of the network, but for what is left
    out, and never more."""
    rows: list[Row] = [
        ("gap", ("none 0/10",), DRILL),
        ("stop-r", ("1.2k",), PLAIN),
        "stop-dry",
        ("gap", ("none 0/10",), DRILL),
    ]
    found = assessed(rows)
    left = 1 - found.state_p.sum()
    plain = assessed([r for r in rows if not isinstance(r, str)][:2])
    assert -1e-9 < left < 1.5 * (1 - plain.state_p.sum()), "about as much as without the repair"
    by_states = found.folded.p_mode(found.state_p)
    for fault, p in found.p_mode.items():
        assert by_states.get(fault, 0.0) <= p + 1e-9
        assert by_states.get(fault, 0.0) == pytest.approx(p, abs=left + 1e-9)


def test_whole_states_on_a_simpler_network_are_chances_too() -> None:
    """Where whole states stand on coarser ranks than the odds, they do not exceed one, and single
    faults are as likely as in the odds: a charging job whose drain was found was "cured" at 1.5."""
    rows: list[Row] = [
        ("vdc-load", ("14.41 V",), PLAIN),
        ("vdc-idle", ("14.32 V",), PLAIN),
        ("leak", ("0.105 A",), PLAIN),
        "find-drain",
        ("vdc-fast", ("14.12 V",), PLAIN),
    ]
    found = assessed(rows, system="charging")
    assert found.folded.network is not found.network, "else this tests nothing"
    left = 1 - found.state_p.sum()
    assert -1e-9 < left < 0.05
    by_states = found.folded.p_mode(found.state_p)
    for fault, p in found.p_mode.items():
        assert by_states.get(fault, 0.0) == pytest.approx(p, abs=left + 1e-6), fault


@st.composite
def laws(draw: st.DrawFn) -> tuple[Array, Array]:
    """A table P(node | two parents) and ends of cells."""
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    p = rng.random((draw(st.integers(2, 7)), 3, 2)) ** 3
    p[rng.random(p.shape) < 0.3] = 0.0
    p[0] += 1e-3
    ends = np.unique(np.concatenate([[0.0, 1.0], rng.random(draw(st.integers(0, 6)))]))
    return p / p.sum(axis=0), ends


@given(laws())
def test_ranks_give_each_copy_its_own_law(made: tuple[Array, Array]) -> None:
    """Summed over a rank every copy has the law that it had without (marginals of a copula)."""
    p, ends = made
    table = ranked(p, ends)
    assert table.min() >= 0
    assert table.sum(axis=0) == pytest.approx(1.0)
    assert np.einsum("nk...,k->n...", table, np.diff(ends)) == pytest.approx(p, abs=1e-12)


def test_names_of_epochs() -> None:
    """Today's nodes bear the plain names; what nothing touched is one node throughout."""
    made = machine()
    job = job_of(made, ["new-plug", "new-cap", "<new-plug"])
    from benchodds.infer.assess import course_of

    course: Course = course_of(made, job)
    assert len(course.names) == 4
    first, second, third, last = course.names
    assert "plug" not in first, "the old plug is in again today"
    assert second["plug"] == third["plug"] == "plug@1"
    assert first["cap"] == second["cap"] == "cap@0"
    assert "cap" not in third
    assert last == {}
    assert not {"exc", "exciter", "stop"} & set(first)


# ---- what is refused -----------------------------------------------------------------------


def test_what_cannot_be_done_or_undone() -> None:
    """A part put back that was never changed, a repair of another machine, a dangling undo."""
    made = machine()
    job = job_of(made, [])
    with pytest.raises(JobError, match="was not done on this job"):
        jobs.action_event(job, "new-plug", at=AT, uid="x", back=True)
    with pytest.raises(UnknownNameError, match="is not a repair"):
        made.repair("solenoid")
    job = job_of(made, ["new-plug", "<new-plug"])
    with pytest.raises(JobError, match="strike D2 first"):
        jobs.strike_event(job, "D1", at=AT, uid="y", reason="no")
    with pytest.raises(JobError, match="was not done on this job"):
        jobs.action_event(job, "new-plug", at=AT, uid="z", back=True)


def test_bad_input_of_epochs_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A repair that this variant lacks, an old part of what was never changed, a reading dated
    before its epoch (the clock was set back): exit code 2, and the record stays as it was."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    job.run("done", job.id, "new-plug")
    kept = job.json("show", job.id)

    def refused(*args: str) -> str:
        result = CliRunner().invoke(main, [*args, "--store", job.store])
        assert result.exit_code == 2, result.output
        assert result.output.count("\n") == 1 and "Traceback" not in result.output
        return result.output

    assert "'solenoid' is not a repair of mag-cdi (early)" in refused("done", job.id, "solenoid")
    assert "no old part to put back" in refused("done", job.id, "new-coil", "--back")
    monkeypatch.setattr("benchodds.screens.readings.now", lambda: "2001-01-01T00:00:00Z")
    said = refused("record", job.id, "gap", "none 0/10")
    assert "2001-01-01T00:00:00Z, before D1 (new-plug" in said
    assert job.json("show", job.id) == kept
    monkeypatch.undo()
    job.record("gap", "none 0/10")


def test_a_struck_repair_is_none() -> None:
    """Striking what was done takes its epoch away; the readings after it join the one before."""
    made = machine()
    rows: list[Row] = [("gap", ("none 0/10",), DRILL), "stop-dry", ("stop-r", ("1k",), PLAIN)]
    job = job_of(made, rows)
    job = jobs.amend(job, jobs.strike_event(job, "D1", at=AT, uid="s", reason="not done"))
    plain = steady(made, job_of(made, [r for r in rows if not isinstance(r, str)]))
    struck = steady(made, job)
    for fault, p in plain.p_mode.items():
        assert struck.p_mode[fault] == pytest.approx(p, abs=1e-12)
