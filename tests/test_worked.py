"""Shares of work learned from closed jobs: by hand, against scipy, and through the commands."""

from __future__ import annotations

import json
import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import beta, betabinom, binom

from bench_cli import BenchJob
from benchodds.cli.main import main
from benchodds.keep import files
from benchodds.keep.session import load_machine
from benchodds.learn.cases import Told
from benchodds.learn.dirichlet import log_marginal
from benchodds.learn.likelihoods import ReadingWorth, fault_names
from benchodds.learn.tally import Alike, Tally
from benchodds.learn.tuning_files import load_learning
from benchodds.learn.worked import Counted, Trial, learn, share, trials
from benchodds.learn.written import Done, RowError, Written, listed_readings, parse_readings, split

LEARNING = load_learning()
BENCH = files.load_bench("bench")


def kind(*told: tuple[str, str], work: tuple[Done, ...] = ()) -> Alike:
    """A job on the early magneto machine: closings (fault, grade) and what was done."""
    closings = tuple(Told((fault,), grade) for fault, grade in told)
    where = ("mag-cdi", "early", "", "no-spark", ())
    return Alike(*where, closings, (), "2025-01-31", work)


def done(*names: str) -> tuple[Done, ...]:
    """Repairs, those with a < before them put back."""
    return tuple(Done(n.removeprefix("<"), back=n.startswith("<")) for n in names)


HELD = Trial(False, "work.holds", true=True)
STAYED = Trial(False, "work.returns", true=False)
BACK = Trial(False, "work.returns", true=True)


@pytest.mark.parametrize(
    ("job", "expected"),
    [
        (kind(("stop.wet", "bench-bad"), work=done("stop-dry")), [HELD, STAYED]),
        (
            kind(("stop.wet", "bench-bad"), work=done("stop-dry", "stop-dry")),
            [HELD._replace(true=False), HELD._replace(key="work.holds_again"), STAYED],
        ),
        (
            kind(("plug.open", "came-good"), work=done("new-plug", "new-plug")),
            [
                Trial(False, "work.dud", true=True),
                Trial(False, "work.dud", true=False),
                STAYED,
            ],
        ),
        (
            kind(("plug.open", "bench-bad"), work=done("stop-dry", "new-coil", "<new-coil")),
            [STAYED],
        ),
        (kind(("stop.wet", "gave-up"), work=done("stop-dry")), []),
        (kind(("none.elec", "bench-bad"), work=done("stop-dry")), []),
        (kind(("stop.wet", "came-back"), ("stop.wet", "bench-bad")), [BACK, STAYED]),
        (kind(("plug.open", "came-back"), ("stop.wet", "bench-bad")), [STAYED]),
    ],
)
def test_what_counts_as_a_trial(job: Alike, expected: list[Trial]) -> None:
    """Repairs that are for the fault named last: all but the last have failed, by hand."""
    model = files.load_system("mag-cdi", "early")
    assert list(trials(job, model, LEARNING)) == expected


@pytest.mark.parametrize(("n", "true"), [(0, 0), (7, 5), (60, 51), (400, 300)])
def test_shares_by_conjugacy(n: int, true: int) -> None:
    """Against Bayes' rule summed on a grid, and scipy's beta; the predictive is its betabinom."""
    strength, before = LEARNING.work.strength, BENCH.work.holds
    found = share("mag-cdi", "work.holds", Counted(n, true), before, False, LEARNING)
    a, b = strength * before, strength * (1 - before)
    p = np.linspace(0, 1, 200_001)[1:-1]
    weight = beta.pdf(p, a, b) * binom.pmf(true, n, p)
    assert found.mean == pytest.approx(float((p * weight).sum() / weight.sum()), abs=1e-6)
    law, tail = beta(a + true, b + n - true), (1 - LEARNING.check.level) / 2
    assert (found.low, found.high) == pytest.approx((law.ppf(tail), law.ppf(1 - tail)))
    assert float(found.spread.law) == pytest.approx(found.mean, rel=1e-4)
    # Chance of the next ten: scipy's beta-binomial, and ours with its coefficient.
    for k in range(11):
        ours = math.exp(log_marginal([k, 10 - k], [a + true, b + n - true]))
        theirs = betabinom.pmf(k, 10, a + true, b + n - true)
        assert math.comb(10, k) * ours == pytest.approx(theirs)
    assert betabinom.mean(1, a + true, b + n - true) == pytest.approx(found.mean)


def test_closings_count_by_their_grade_and_age() -> None:
    """A trial is worth the share of its closings that are right, times what its age leaves."""
    jobs = {
        kind(("stop.wet", "bench-bad"), work=done("stop-dry")): 30,
        kind(("stop.wet", "came-good"), work=done("stop-dry", "stop-dry")): 8,
    }
    found = {
        s.spread.key: s
        for s in learn(
            "mag-cdi", Tally(Counter(jobs)), files.load_system, BENCH, LEARNING, lambda _k: 0.5
        )
    }
    right = {g: LEARNING.grade(g).right for g in ("bench-bad", "came-good")}
    holds = found["work.holds"]
    assert holds.n == pytest.approx(0.5 * (30 * right["bench-bad"] + 8 * right["came-good"]))
    assert holds.true == pytest.approx(0.5 * 30 * right["bench-bad"])
    assert found["work.holds_again"].true == found["work.holds_again"].n
    assert found["work.returns"].true == 0


def test_readings_after_a_repair_count() -> None:
    """A look, a mended wire, the look again: P(looks | fault) with pencil and paper.

    Only a chafed wire is mended, and that holds in a share of cases; all else is as it was.
    """
    made = load_machine("mag-cdi", None, "mag-cdi").coarse
    look = Written("stop-lock", ("varies",))
    worth = ReadingWorth(made)((look,), (Done("stop-line", (look,)),))
    test, slip, holds = made.model.tests["stop-lock"], made.bench.slip.chance, made.bench.work.holds

    def seen(fault: str | None) -> float:
        base = test.base["varies"]
        by = test.causes[f"stop.{fault}"]["varies"] if fault else 0.0
        return (1 - slip) * (1 - (1 - base) * (1 - by)) + slip / 2

    assert made.model.repairs["stop-line"].clears == ("stop.chafe",)
    expected = {m: seen(m) ** 2 for m in ("switch", "wet")}
    expected["chafe"] = seen("chafe") * (holds * seen(None) + (1 - holds) * seen("chafe"))
    at = dict(zip(fault_names(made.model), worth.tolist(), strict=True))
    none = at["none.elec"]
    for mode, p in expected.items():
        assert at[f"stop.{mode}"] / none == pytest.approx(p / seen(None) ** 2, rel=1e-9), mode
    alone = ReadingWorth(made)((look,))
    assert not np.allclose(alone / alone.max(), worth), "the second look has counted"


def test_repairs_in_files_of_jobs() -> None:
    """Written between readings, in a cell or as objects; an unknown one is refused."""
    cell = parse_readings("gap=none 0/10; done stop-dry; gap=none; gap=strong; back stop-dry")
    items = [
        {"test": "gap", "values": ["none 0/10"]},
        {"done": "stop-dry"},
        {"test": "gap", "values": ["none"]},
        {"test": "gap", "values": ["strong"]},
        {"back": "stop-dry"},
    ]
    assert listed_readings(items) == cell
    first, work = split(cell)
    assert first == (Written("gap", ("none 0/10",)),)
    assert [d.repair for d in work] == ["stop-dry", "stop-dry"] and work[1].back
    assert [w.values for w in work[0].readings] == [("none",), ("strong",)]
    with pytest.raises(RowError, match="TEST=VALUE"):
        parse_readings("done")


def test_learnt_shares_are_in_force(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A shop whose drying fails every other time: tune says so, and the odds of its next job use
    it; the set's file says how many trials stand behind it."""
    load_machine.cache_clear()
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path / "own"))
    row = {"closed": "2025-01-31", "system": "mag-cdi", "complaint": "no-spark"}
    row |= {"faults": ["stop.wet"], "grade": "bench-bad"}
    look = {"test": "stop-lock", "values": ["varies"]}
    works = [[{"done": "stop-dry"}], [{"done": "stop-dry"}, look, {"done": "stop-dry"}]]
    rows = [row | {"job": f"j{i}", "readings": [look, *works[i % 2]]} for i in range(60)]
    past = tmp_path / "past.jsonl"
    past.write_text("".join(json.dumps(r) + "\n" for r in rows), encoding="utf-8")

    def run(*args: str) -> str:
        result = CliRunner().invoke(main, [*args])
        assert result.exit_code == 0, result.output
        return result.output

    asked = ("tune", str(past), "--even-if-worse", "--store", str(tmp_path / "none.sqlite"))
    found = json.loads(run(*asked, "--json"))["systems"]["mag-cdi"]["work"]
    holds = next(s for s in found if s["key"] == "work.holds")
    worth = LEARNING.grade("bench-bad").right
    strength = LEARNING.work.strength
    expected = (strength * BENCH.work.holds + 30 * worth) / (strength + 60 * worth)
    assert holds["after"] == pytest.approx(expected, rel=1e-6)
    load_machine.cache_clear()
    job = BenchJob(tmp_path / "jobs.sqlite")
    job.record("stop-lock", "varies")
    before = wet(job)
    job.run("done", job.id, "stop-dry")
    assert wet(job) == pytest.approx(before * (1 - expected), rel=1e-4)
    made = load_machine("mag-cdi", None, "mag-cdi-tuned-1")
    assert made.bench.work.holds == pytest.approx(expected, rel=1e-4)
    shipped = load_machine("mag-cdi", None, "mag-cdi")
    assert shipped.bench.work.holds == BENCH.work.holds


def wet(job: BenchJob) -> float:
    """Chance that the stop line is wet now, as the command prints it."""
    rows = job.json("odds", job.id)["machine"]
    return next(float(r["p"]) for r in rows if (r["component"], r["mode"]) == ("stop", "wet"))
