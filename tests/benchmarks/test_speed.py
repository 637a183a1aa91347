"""Speed, on demand: python -m pytest tests/benchmarks --benchmark-enable -n 0 -s

Ratios are to a named reference measured in the same run; nothing here asserts a time.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchodds.basics.tables import Network, Table, Variable
from benchodds.choose.benchstate import next_technique, open_setups
from benchodds.choose.choosing import decision_of
from benchodds.choose.planning import plan, rank
from benchodds.infer import exchange
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.infer.network import physics
from benchodds.keep import files
from benchodds.keep.session import load_machine
from benchodds.keep.shopfile import load_shop
from benchodds.model.jobs import Job, Technique
from made_jobs import job_of
from memory import Used, make_job, run
from random_jobs import random_job, random_readings

pytestmark = pytest.mark.skipif(
    "--benchmark-enable" not in sys.argv, reason="speed is measured on demand: --benchmark-enable"
)

DMM = Technique(how="firm-kick", meter="10M")
READINGS = [
    ("stop-r", ["OL"], Technique()),
    ("gap", ["none 0/10"], Technique()),
    ("vexc", ["20", "34", "18"], DMM),
    ("rexc", ["14"], Technique()),
    ("ins-exc", ["OL"], Technique()),
    ("vpul", ["2.1"], DMM),
    ("vpri", ["138"], DMM),
]


@pytest.fixture(scope="module")
def machine() -> Machine:
    """The early variant, compiled."""
    model, bench = files.load_system("mag-cdi"), files.load_bench("bench")
    return Machine(model, bench, files.load_priors("mag-cdi"), *physics(model, bench))


def best_of(n: int, call: Callable[[], Any]) -> float:
    """Least seconds of n calls."""
    times = []
    for _ in range(n):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


@pytest.mark.parametrize("n", [2, 5, 7])
def test_odds_after_a_new_reading(benchmark: Any, machine: Machine, n: int) -> None:
    """Posterior of all faults and gear after the last reading came (its likelihood included)."""
    job = job_of(machine, READINGS[:n])
    assess(machine, job)
    last = READINGS[n - 1]

    def once() -> None:
        for key in [k for k in machine._findings if k[0] == last[0]]:
            del machine._findings[key]
        found = assess(machine, job)
        _ = found.p_mode, found.gear

    benchmark(once)


@pytest.mark.parametrize("n", [0, 2, 5, 7])
def test_full_ranking(benchmark: Any, machine: Machine, n: int) -> None:
    """Every test ranked by bits per minute, after n readings."""
    job = job_of(machine, READINGS[:n])
    plan(assess(machine, job), load_shop())  # predictive tables are worked out once per technique

    def once() -> None:
        plan(assess(machine, job), load_shop())

    benchmark(once)


def processor_ms(call: Callable[[Machine, Job], Any], machine: Machine, job: Job) -> float:
    """Least processor milliseconds of three calls, after one that fills what is kept."""
    call(machine, job)
    times = []
    for _ in range(3):
        start = time.process_time()
        call(machine, job)
        times.append(time.process_time() - start)
    return 1e3 * min(times)


def odds_of(machine: Machine, job: Job) -> Assessment:
    """The assessment with the odds of all faults and of the gear."""
    found = assess(machine, job)
    _ = found.p_mode, found.gear
    return found


def ranking_of(machine: Machine, job: Job) -> Any:
    """Every test ranked, after the odds."""
    found = odds_of(machine, job)
    return rank(found, decision_of(machine, job, found, load_shop()))


def reference_ms() -> float:
    """Processor milliseconds of importing numpy and scipy.stats in a process of its own."""
    before = os.times()
    command = [sys.executable, "-c", "import numpy, scipy.stats"]
    for _ in range(3):
        subprocess.run(command, check=True)
    after = os.times()
    spent = after.children_user - before.children_user
    return 1e3 * (spent + after.children_system - before.children_system) / 3


def test_every_system(capsys: pytest.CaptureFixture[str]) -> None:
    """Drawn jobs on every system: odds and ranking by readings, three epochs against one.

    Milliseconds of one processor, and the same in thousandths of importing numpy and scipy.stats;
    the middle and the greatest of three jobs. Epochs: eight readings, two repairs among them.
    """
    reference = reference_ms()
    lines = [f"import numpy, scipy.stats: {reference:.0f} ms"]

    def told(name: str, times: Sequence[float]) -> str:
        middle, most = np.median(times), max(times)
        share = 1e3 * np.array([middle, most]) / reference
        return f"{name:<22} {middle:8.1f} {most:8.1f} ms {share[0]:8.1f} {share[1]:8.1f} / 1000"

    for name in ("mag-cdi", "dc-cdi", "tci", "charging", "starter"):
        system = load_machine(name, None, name)
        for n in (0, 2, 4, 7):
            every = [random_job(system, n, seed) for seed in range(3 if n else 1)]
            times = [processor_ms(odds_of, system, j) for j in every]
            lines.append(told(f"{name} odds {n}", times))
            ranked = [processor_ms(ranking_of, system, j) for j in every]
            lines.append(
                told(f"{name} ranking {n}", [a - b for a, b in zip(ranked, times, strict=True)])
            )
        ratios = []
        for seed in range(3):
            rng = np.random.default_rng(seed)
            complaint = str(rng.choice(list(system.model.complaints)))
            rows: list[Any] = [
                (r.test, r.values, r.technique) for r in random_readings(system, complaint, 8, rng)
            ]
            first, second = map(str, rng.choice(list(system.model.repairs), 2, replace=False))
            whole = job_of(system, rows, complaint)
            parted = job_of(system, [*rows[:4], first, *rows[4:6], second, *rows[6:]], complaint)
            one, three = (processor_ms(odds_of, system, j) for j in (whole, parted))
            ratios.append(f"{three:.0f} / {one:.0f} ms = {three / one:.1f}")
        lines.append(f"{name} three epochs to one: {', '.join(ratios)}")
    with capsys.disabled():
        print("\n" + "\n".join(lines))


def with_outcome(network: Network, table: Table) -> Network:
    """The network with one test's outcome as a node of its own."""
    n = table.p.shape[-1]
    name = table.scope[-1]
    p = np.moveaxis(table.p, -1, 0)
    return replace(
        network,
        variables={**network.variables, name: Variable(name, tuple(f"o{i}" for i in range(n)))},
        tables={**network.tables, name: Table((name, *table.scope[:-1]), p / p.sum(axis=0))},
    )


@pytest.mark.filterwarnings("ignore")
def test_ranking_against_two_libraries(
    machine: Machine, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same work done by pgmpy and by pyAgrum: per test, every component given each outcome.

    A library ranks a test by setting its outcome node to each state and asking for all
    components again. Two readings stand as evidence (more are too dear for the libraries);
    tests whose outcome needs no voltages and tests that do are taken alike, every fourth one.
    Of these pgmpy is asked for two components at two outcomes, pyAgrum for all components at
    two outcomes, and the time is scaled to all components, outcomes and tests.
    """
    pyagrum = pytest.importorskip("pyagrum")
    from pgmpy.inference import VariableElimination

    job = job_of(machine, READINGS[:2])
    assessment = assess(machine, job)
    plan(assessment, load_shop())
    ours = best_of(5, lambda: plan(assess(machine, job), load_shop()))
    opened = open_setups(machine.model, job)
    left = {x.test for x in plan(assessment, load_shop()).left_out}
    technique = next_technique(assessment, opened)
    names = [t for t in machine.model.tests if t not in left]
    chosen = names[::4]
    spent = {"pgmpy": 0.0, "pyAgrum": 0.0}
    for name in chosen:
        _, table = machine.predictive(name, technique)
        network = with_outcome(assessment.network, table)
        outcome = table.scope[-1]
        wanted = [*machine.model.components, outcome]
        model, evidence = exchange.to_pgmpy(network, wanted)
        engine = VariableElimination(model)
        states = network.variables[outcome].states
        start = time.perf_counter()
        for state in states[:2]:
            for component in list(machine.model.components)[:2]:
                given = {**evidence, outcome: state}
                engine.query([component], evidence=given, show_progress=False)
        share = 2 / len(states) * 2 / len(machine.model.components)
        spent["pgmpy"] += (time.perf_counter() - start) / share
        plain = exchange.explicit(exchange.pruned(network, wanted))
        bn = pyagrum.BayesNet()
        for v, variable in plain.variables.items():
            bn.add(pyagrum.LabelizedVariable(v, "", [f"s{i}" for i in range(variable.size)]))
        for child, conditional in plain.tables.items():
            for parent in conditional.scope[1:]:
                bn.addArc(parent, child)
        for child, conditional in plain.tables.items():
            # pyAgrum's first axis is the child, the last parent varies slowest
            bn.cpt(child).fillWith(conditional.p.ravel(order="F").tolist())
        lazy = pyagrum.LazyPropagation(bn)
        seen = {v: int(i) for v, i in plain.evidence.items()}
        start = time.perf_counter()
        for i in range(2):
            lazy.setEvidence({**seen, outcome: i})
            lazy.makeInference()
            for component in machine.model.components:
                lazy.posterior(component)
        spent["pyAgrum"] += (time.perf_counter() - start) * len(states) / 2
    scale = len(names) / len(chosen)
    with capsys.disabled():
        print(f"\nranking of {len(names)} tests: ours {ours * 1e3:.0f} ms")
        for library, seconds in spent.items():
            print(f"  {library}: {seconds * scale:.1f} s, {seconds * scale / ours:.0f} times ours")


def every_command(system: str, folder: Path) -> Iterator[tuple[str, Used, Used]]:
    """Each command on a job of seven readings: with what was kept, and without where it is new."""
    store = folder / "jobs.sqlite"
    machine, rng = load_machine(system, None, system), np.random.default_rng(1)
    said = random_readings(machine, next(iter(machine.model.complaints)), 8, rng)
    job = make_job(store, system, said[:-1], next(iter(machine.model.complaints)))
    sheet = folder / "sheet.txt"
    sheet.write_text(said[-1].line + "\n", encoding="utf-8")
    repair = next(iter(machine.model.repairs))
    opened = ("open", "--system", system, "--complaint", next(iter(machine.model.complaints)))
    for words in (
        ("--help",),
        ("systems",),
        opened,
        ("jobs",),
        ("show", job),
        ("odds", job),
        ("next", job),
        ("next", job, "--greedy"),
        ("why", job),
        ("record", job, "--file", str(sheet)),
        ("strike", job, "R{n}", "--reason", "slip"),
        ("done", job, repair),
    ):
        where = () if words[0] in ("--help", "systems") else ("--store", str(store))
        took = []
        for n in range(1, 5):
            argv = ["-m", "benchodds", *(w.format(n=n) for w in words), *where]
            took.append(run(argv, None))
            assert not took[-1].status, took[-1].text
        warm = sorted(took[1:], key=lambda used: used.seconds)
        yield " ".join(words[:1] + words[2:3] * (words[0] == "next")), warm[1], took[0]


@pytest.mark.parametrize("system", ["mag-cdi", "dc-cdi", "tci", "charging", "starter"])
def test_every_command(
    system: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Processor time of whole commands as a ratio to importing numpy and scipy.stats, and memory.

    Modules are compiled once beforehand, as they are wherever Python may write.
    """
    monkeypatch.delenv("PYTHONDONTWRITEBYTECODE", raising=False)
    monkeypatch.setenv("PYTHONPYCACHEPREFIX", str(tmp_path / "compiled"))
    imports = ["-c", "import numpy, scipy.stats"]
    reference = sorted(run(imports, None).seconds for _ in range(6))[2]
    lines = [f"{system}: {reference:.2f} s for numpy and scipy.stats", " " * 16 + "   s     x   MB"]
    for name, warm, first in every_command(system, tmp_path):
        lines.append(
            f"{name:<14} {warm.seconds:>6.2f} {warm.seconds / reference:>5.2f} "
            f"{warm.megabytes:>4.0f}   first {first.seconds:>6.2f} s {first.megabytes:>4.0f} MB"
        )
    with capsys.disabled():
        print("\n" + "\n".join(lines))


def test_plan_is_not_slower_than_ranking_by_much(benchmark: Any, machine: Machine) -> None:
    """The whole advice, ripe repairs weighed, after seven readings."""
    job = job_of(machine, READINGS)
    shop = load_shop()
    plan(assess(machine, job), shop)
    benchmark(lambda: plan(assess(machine, job), shop))
