"""Past jobs that are drawn: the same for a seed, readable, honest about what they leave out."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import binomtest

from benchodds.cli.main import main
from benchodds.infer.assess import Machine
from benchodds.keep import files
from benchodds.keep.session import load_machine
from benchodds.learn.casebook import chunks_of, read_jobs
from benchodds.learn.cases import Told
from benchodds.learn.tally import Alike
from benchodds.learn.tuning_files import load_learning
from benchodds.learn.worked import trials
from benchodds.learn.written import listed_readings, split
from benchodds.measure.slips import swapped
from benchodds.trials.draws import Nature
from benchodds.trials.pastjobs import PastShop, cranked_by
from benchodds.trials.trialfile import load_trial

N = 250


@pytest.fixture(scope="module")
def machine() -> Machine:
    """The early kick-start machine."""
    return load_machine("mag-cdi", "early", "mag-cdi")


def drawn(machine: Machine, seed: int, n: int) -> list[dict[str, Any]]:
    """Jobs on it."""
    trial = load_trial()
    return list(PastShop([machine], trial.routines, trial.past, seed).rows(n))


@pytest.fixture(scope="module")
def rows(machine: Machine) -> list[dict[str, Any]]:
    """Jobs of one shop."""
    return drawn(machine, 5, N)


def test_a_file_is_drawn_once_and_read_by_tuning(
    rows: list[dict[str, Any]], tmp_path: Path
) -> None:
    """Every row passes the checks of files of past jobs; dates do not go backwards."""
    path = tmp_path / "past.jsonl"
    path.write_text("".join(json.dumps(r) + "\n" for r in rows), encoding="utf-8")
    tally = read_jobs(chunks_of(path), load_learning())
    assert tally.rows == N == len({r["job"] for r in rows})
    assert tally.n_bad == 0
    closed = [r["closed"] for r in rows]
    assert closed == sorted(closed)


def test_the_demo_shop_can_be_read() -> None:
    """Its 300 jobs without a mistake, over all systems; come-backs follow what they revise."""
    path = files.data_folder("demo") / "shop" / "past.jsonl"
    tally = read_jobs(chunks_of(path), load_learning())
    assert (tally.rows, tally.n_bad) == (300, 0)
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    assert {r["system"] for r in rows} == set(load_trial().routines)
    seen: set[str] = set()
    for row in rows:
        assert row.get("revises", row["job"]) in seen | {row["job"]}
        seen.add(row["job"])


def test_shares_are_those_of_the_trial_file(machine: Machine, rows: list[dict[str, Any]]) -> None:
    """Grades, contexts, unsaid techniques and come-backs, by exact binomial tests."""
    spec = load_trial().past
    first = [r for r in rows if "revises" not in r]
    grades = Counter(r["grade"] for r in first)
    for grade, share in spec.grades.items():
        assert binomtest(grades[grade], len(first), share).pvalue > 1e-3, grade
    told = sum("contexts" in r for r in first)
    assert binomtest(told, len(first), spec.contexts).pvalue > 1e-3
    assert binomtest(sum("minutes" not in r for r in first), len(first), spec.unsaid).pvalue > 1e-3
    verdicts = sum(r["grade"] != "gave-up" for r in first)
    named = {r["job"]: r["faults"] for r in rows}
    back = [r["faults"] == named[r["revises"]] for r in rows if "revises" in r]
    assert binomtest(back.count(False), verdicts, spec.wrong * spec.found_out).pvalue > 1e-3
    returns = machine.bench.work.returns
    assert binomtest(back.count(True), verdicts, (1 - spec.wrong) * returns).pvalue > 1e-3
    assert {r["revises"] for r in rows if "revises" in r} <= {r["job"] for r in rows}


def test_work_is_drawn_as_the_bench_file_says(machine: Machine, rows: list[dict[str, Any]]) -> None:
    """What tune counts in drawn jobs is what they were drawn from: repairs that hold, duds and
    come-backs, each within an exact binomial interval of the bench file's share."""
    assert any({"done"} == i.keys() for r in rows for i in r.get("readings", ()))
    alike = [case for r in rows if (case := made(r)) is not None]
    counts: Counter[tuple[str, bool]] = Counter()
    for case in alike:
        for trial in trials(case, machine.model, load_learning()):
            counts[trial.key, trial.true] += 1
    work = machine.bench.work
    stated = {"work.holds": work.holds, "work.dud": work.dud}
    for key, share in stated.items():
        n, true = counts[key, True] + counts[key, False], counts[key, True]
        assert n > 40, key
        assert binomtest(true, n, share).pvalue > 1e-3, (key, true, n)


def made(row: dict[str, Any]) -> Alike | None:
    """A drawn job that is right about its fault, as tune counts it; None of the others."""
    if row["grade"] == "gave-up" or "revises" in row or not row["faults"]:
        return None
    first, work = split(listed_readings(row.get("readings", [])))
    told = (Told(tuple(row["faults"]), row["grade"]),)
    where = (row["system"], row["variant"], "", row["complaint"], ())
    return Alike(*where, told, first, row["closed"], work)


def test_swapped_digits() -> None:
    """Neighbours that differ, the other way round, by hand; the point stays where it was."""
    assert swapped("12.5") == ["21.5", "15.2"]
    assert swapped("0.33") == ["3.03"]
    assert swapped("77") == []


def test_the_seed_alone_decides(machine: Machine, rows: list[dict[str, Any]]) -> None:
    """The same jobs for a seed, other ones for another."""
    again, other = drawn(machine, 5, 8), drawn(machine, 6, 8)
    kept = [[{k: v for k, v in r.items() if k != "closed"} for r in x[:8]] for x in (again, rows)]
    assert kept[0] == kept[1]
    assert other != again


def test_the_command_writes_a_file_once(tmp_path: Path) -> None:
    """A file that exists is not touched; an unknown system is refused in one sentence."""
    path = tmp_path / "past.jsonl"
    args = ["draw", "starter", "--jobs", "2", "--to", str(path)]
    assert CliRunner().invoke(main, args).exit_code == 0
    made = path.read_text(encoding="utf-8")
    assert len(made.splitlines()) == 2
    assert CliRunner().invoke(main, args).exit_code == 2
    assert path.read_text(encoding="utf-8") == made
    unknown = CliRunner().invoke(main, ["draw", "mag-cid", "--to", str(tmp_path / "d")])
    assert unknown.exit_code == 2
    assert "Traceback" not in unknown.output


def test_people_crank_at_their_own_speed(machine: Machine) -> None:
    """The speed factor on the network's points has about the median that is written."""
    network = cranked_by(machine.prior("no-spark", ()), "LN(0.82, 0.12)")
    points, rng = network.variables["operator"].values, np.random.default_rng(0)
    nature = Nature(network)
    speeds = [points[nature.machine(rng).at["operator"]] for _ in range(300)]
    assert float(np.exp(np.mean(np.log(speeds)))) == pytest.approx(0.82, abs=0.06)
