"""Tuning, scoring and importing through the real commands, on drawn jobs."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from bench_cli import BenchJob
from benchodds.cli.main import main
from benchodds.keep import files
from benchodds.keep.session import load_machine
from benchodds.learn.cases import Case
from benchodds.model.priors import build_priors
from past_jobs import Shop, knowledge, shares_of

HEADER = "job,closed,system,variant,complaint,contexts,faults,grade,minutes,shop,revises,readings"
DEMO = Path(__file__).parents[1] / "demo"


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Prior sets of the user's own; few draws, replays and standing jobs, for speed."""
    load_machine.cache_clear()  # sets of the same name in other tests
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path / "own"))
    monkeypatch.setenv("BENCHODDS_STORE", str(tmp_path / "jobs.sqlite"))
    folder = tmp_path / "own" / "priors"
    (folder / "tuning").mkdir(parents=True)
    shipped = Path(__file__).parents[1] / "priors" / "tuning"
    text = (shipped / "learning.toml").read_text(encoding="utf-8")
    few = re.sub(
        "draws = [0-9]+", "draws = 150", re.sub("most_jobs = [0-9]+", "most_jobs = 8", text)
    )
    (folder / "tuning" / "learning.toml").write_text(few, encoding="utf-8")
    jobs = (shipped / "standing.toml").read_text(encoding="utf-8").split("[[jobs]]")
    one = "[[jobs]]".join(jobs[:2])
    (folder / "tuning" / "standing.toml").write_text(one, encoding="utf-8")
    return folder


def line(case: Case) -> dict[str, Any]:
    """A drawn case as one JSON line."""
    return {
        "job": case.job,
        "closed": case.closed,
        "system": case.system,
        "variant": case.variant,
        "complaint": case.complaint,
        "contexts": list(case.contexts),
        "faults": list(case.told[0].faults),
        "grade": case.told[0].grade,
    }


def drawn(path: Path, n: int, chafe: float, readings: str = "", start: int = 0) -> Path:
    """A file of jobs of a shop where the stop line is chafed in a share of them."""
    known = knowledge("mag-cdi")
    before = shares_of(known.priors["mag-cdi"], "no-spark")
    true = {f: s * (1 - chafe) / (1 - before["stop.chafe"]) for f, s in before.items()}
    true["stop.chafe"] = chafe
    shop = Shop({"no-spark": true}, known.learning, suspected={"no-spark": before})
    rng = np.random.default_rng(1)
    cases = [shop.case(i, "no-spark", rng, n) for i in range(n)]
    rows = [line(c) | ({"readings": readings} if readings else {}) for c in cases]
    path.write_text("".join(json.dumps(r) + "\n" for r in rows[start:]), encoding="utf-8")
    return path


def run(*args: str | Path, code: int = 0) -> str:
    """Output of a command that ends with a code."""
    result = CliRunner().invoke(main, [str(a) for a in args])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result.output


def told(*args: str | Path) -> dict[str, Any]:
    """The JSON a command prints."""
    return json.loads(run(*args, "--json"))


def test_tune_end_to_end(own: Path, tmp_path: Path) -> None:
    """Dry run writes nothing; a tuned set is in use at once; undoing moves it away, old jobs
    still find it; shipped files stay as they are."""
    past = drawn(tmp_path / "past.jsonl", 200, chafe=0.35)
    shipped = files.find("priors", "mag-cdi").read_bytes()
    first = told("tune", past, "--dry-run")["systems"]["mag-cdi"]
    assert not list(own.glob("*.toml"))
    move = next(m for m in first["moves"] if m["fault"] == "stop.chafe")
    assert move["sure"] and 22 < move["after"] < 38
    assert "stop.chafe" in {o["fault"] for o in first["standing"][0]["odds"]}
    assert first["verdict"]["enough"] and not first["verdict"]["worse"]
    before = BenchJob(tmp_path / "a.sqlite").odds().modes["stop.chafe"]
    told("tune", past)
    job = BenchJob(tmp_path / "b.sqlite")
    assert job.odds().modes["stop.chafe"] > 1.7 * before
    written = own / "mag-cdi-tuned-1.toml"
    tuned = build_priors(tomllib.loads(written.read_text(encoding="utf-8")))
    assert tuned.tuned is not None
    assert (tuned.tuned.jobs, tuned.tuned.base) == (200, "mag-cdi")
    assert tuned.tuned.sources == ("past.jsonl",)
    assert all(r.interval and "past jobs" in r.provenance for r in tuned.rows)
    told("tune", "--undo", "mag-cdi")
    assert not written.exists()
    assert BenchJob(tmp_path / "c.sqlite").odds().modes["stop.chafe"] == pytest.approx(before)
    assert job.odds().modes["stop.chafe"] > 1.7 * before
    assert "nothing to undo" in run("tune", "--undo", "mag-cdi", code=2)
    assert "mag-cdi-tuned-2" in run("tune", past)  # a number is not used twice
    assert files.find("priors", "mag-cdi").read_bytes() == shipped


def test_joined_systems_begin_with_tuned_sets_too(own: Path, tmp_path: Path) -> None:
    """A job on two systems takes the tuned set of the one that has it; such jobs do not teach."""
    past = drawn(tmp_path / "past.jsonl", 200, chafe=0.35)
    opened = ["--system", "mag-cdi", "--with", "charging", "--complaint", "no-spark"]
    before = odds_of_chafe(told("open", *opened)["job"])
    assert "Taken up" in run("tune", past)
    job = told("open", *opened)["job"]
    assert odds_of_chafe(job) > 1.7 * before
    run("close", job, "--fault", "mag-cdi-stop.chafe", "--grade", "bench-bad")
    run("tune", "--dry-run", code=2)  # nothing else in the store
    account = told("tune", past, "--with-store", "--dry-run")["account"]
    assert account["jobs"] == 200
    assert any("joins systems" in reason for reason in account["set_aside"])


def odds_of_chafe(job: str) -> float:
    """Probability that the stop line is chafed."""
    rows = told("odds", job)["machine"]
    return sum(r["p"] for r in rows if r["component"].endswith("stop") and r["mode"] == "chafe")


def test_three_jobs_do_not_lead_astray(own: Path, tmp_path: Path) -> None:
    """Three jobs with one rare fault leave the order of the common ones as it was."""
    rows = [f"{i},2024-01-0{i},mag-cdi,early,no-spark,,pul.gnd,came-good,,,," for i in range(1, 4)]
    past = tmp_path / "three.csv"
    past.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    found = told("tune", past, "--dry-run")["systems"]["mag-cdi"]
    after = {m["fault"]: m["after"] for m in found["moves"] if m["complaint"] == "no-spark"}
    top = sorted(after, key=lambda f: -after[f])[:2]
    assert set(top) == {"stop.switch", "plug.fouled"}
    assert after["pul.gnd"] > 2 * 0.5
    assert not found["verdict"]["enough"]


def test_a_worse_set_is_not_taken_up_unasked(own: Path, tmp_path: Path) -> None:
    """Early jobs say chafe, later ones never: what was learned forecasts worse."""
    later = ["plug.fouled", "stop.switch"] * 2
    later += ["con.highR", "exc.open", "gnd.highR", "mod.dead", "cap.open", "plug.cracked"]
    rows = []
    for i in range(120):
        fault = "stop.chafe" if i < 36 else later[i % len(later)]
        rows.append(
            f"{i},{2020 + i // 36}-01-{1 + i % 28:02},mag-cdi,,no-spark,,{fault},bench-bad,,,,"
        )
    past = tmp_path / "turned.csv"
    past.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    assert "--even-if-worse" in run("tune", past)
    assert not list(own.glob("*.toml"))
    run("tune", past, "--even-if-worse")
    assert (own / "mag-cdi-tuned-1.toml").exists()


def test_half_life_lets_old_jobs_fade(own: Path, tmp_path: Path) -> None:
    """A job 1000 days old with a half-life of 100 days counts a thousandth."""
    rows = [f"a{i},2020-01-01,mag-cdi,,no-spark,,exc.open,bench-bad,,,," for i in range(30)]
    rows += [f"b{i},2022-09-27,mag-cdi,,no-spark,,pul.gap,bench-bad,,,," for i in range(30)]
    past = tmp_path / "old.csv"
    past.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")

    def jobs(*more: str) -> dict[str, float]:
        found = told("tune", past, "--dry-run", *more)["systems"]["mag-cdi"]
        return {m["fault"]: m["jobs"] for m in found["moves"] if m["complaint"] == "no-spark"}

    alike, fading = jobs(), jobs("--half-life", "100")
    assert alike["exc.open"] == pytest.approx(alike["pul.gap"], rel=0.1)
    assert fading["exc.open"] < 0.1 and fading["pul.gap"] > 25


def test_store_jobs_teach_and_a_come_back_revises(own: Path, tmp_path: Path) -> None:
    """Closed jobs of the store are read; one that came back no longer speaks for its verdict."""
    for _ in range(2):
        job = BenchJob(tmp_path / "jobs.sqlite")
        job.run("close", job.id, "--fault", "exc.open", "--grade", "came-good")
    job.run("reopen", job.id, "--reason", "came back after two days")
    job.run("close", job.id, "--fault", "pul.gap", "--grade", "bench-bad")
    BenchJob(tmp_path / "jobs.sqlite")  # an open one
    found = told("tune", "--dry-run")
    assert (found["account"]["jobs"], found["account"]["rows"]) == (2, 2)
    moves = found["systems"]["mag-cdi"]["moves"]
    jobs = {m["fault"]: m["jobs"] for m in moves if m["complaint"] == "no-spark"}
    assert 0.6 < jobs["exc.open"] < 1.0
    assert jobs["pul.gap"] > 0.9


def test_score_side_by_side(own: Path, tmp_path: Path) -> None:
    """Tuned beats shipped beats flat where jobs come from near the prior; identity holds."""
    past = drawn(tmp_path / "past.jsonl", 240, chafe=0.35, readings="gap=none 0/10; stop-r=OL")
    found = told("score", past)
    sets = found["before_readings"]["sets"]
    assert sets["tuned"]["log_loss"] < sets["shipped"]["log_loss"] < sets["flat"]["log_loss"]
    p = sets["tuned"]["parts"]
    whole = p["reliability"] - p["resolution"] + p["uncertainty"] + p["spread"] - p["slope"]
    assert p["score"] == pytest.approx(whole, abs=1e-12)
    assert all(b["low"] <= b["came"] <= b["high"] for b in sets["tuned"]["curve"])
    assert found["minutes"]["tuned"]["jobs"] > 0
    assert found["minutes"]["tuned"]["advised"] <= found["minutes"]["tuned"]["done"]
    assert {d["complaint"] for d in found["drift"]} == {"no-spark"}
    text = run("score", past)
    assert "log loss" in text and "Minutes until" in text


def test_drift_is_noticed(own: Path, tmp_path: Path) -> None:
    """A year of even jobs, then half a year of one fault: an alarm, and which fault."""
    faults = ["plug.fouled", "stop.switch", "stop.switch", "exc.open", "con.highR", "mod.dead"]
    rows = [
        f"{i},2023-{1 + i % 12:02}-10,mag-cdi,,no-spark,,{faults[i % 6]},bench-bad,,,,"
        for i in range(90)
    ]
    rows += [f"n{i},2024-06-{1 + i:02},mag-cdi,,no-spark,,exc.gnd,bench-bad,,,," for i in range(20)]
    past = tmp_path / "drift.csv"
    past.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    (found,) = told("score", past)["drift"]
    assert found["alarm"] and found["unlike"][0]["fault"] == "exc.gnd"


def test_surprising_reading_is_named(own: Path, tmp_path: Path) -> None:
    """A winding of 15 ohm that reads 4 Mohm beside a strong spark is called a slip."""
    rows = [
        f'{i},2024-01-1{i},mag-cdi,early,no-spark,,stop.switch,bench-bad,,,,"{r}"'
        for i, r in enumerate(["gap=strong 10/10; rexc=4M; vpri=140", "gap=none 0/10; rexc=15"])
    ]
    past = tmp_path / "odd.csv"
    past.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    assert "rexc" in {s["test"] for s in told("score", past)["surprises"]}


def test_readings_weigh_against_a_closing_that_they_contradict(own: Path, tmp_path: Path) -> None:
    """'Exciter replaced, came good' counts for little beside a good exciter's readings; the
    tests that were not done say nothing."""

    def jobs(readings: str) -> float:
        past = tmp_path / "past.csv"
        row = f'1,2024-01-01,mag-cdi,,no-spark,,exc.open,came-good,,,,"{readings}"'
        past.write_text(f"{HEADER}\n{row}\n", encoding="utf-8")
        moves = told("tune", past, "--dry-run")["systems"]["mag-cdi"]["moves"]
        return next(
            m["jobs"] for m in moves if (m["complaint"], m["fault"]) == ("no-spark", "exc.open")
        )

    plain = jobs("")
    assert 0.6 < plain < 0.95
    assert jobs("rexc=OL") > plain
    assert jobs("rexc=15 {unplugged=yes}; vexc=150 {how=drill}") < 0.1
    assert jobs("rexc=not-taken") == pytest.approx(plain, abs=0.01)


def test_a_small_shop_leans_on_the_others(own: Path, tmp_path: Path) -> None:
    """Six jobs of one shop, none of them chafe, beside two hundred of another, a quarter of
    them: the small shop's own share lies between the large one's and what it would say alone."""
    lines = drawn(tmp_path / "drawn.jsonl", 200, chafe=0.25).read_text("utf-8").splitlines()
    rows = []
    for row in map(json.loads, lines):
        fault = "".join(row["faults"])
        head, tail = f"a{row['job']},{row['closed']},mag-cdi,,no-spark", f"{row['grade']},,large,,"
        rows.append(f"{head},,{fault},{tail}")
    few = [
        f"b{i},2024-01-2{i},mag-cdi,,no-spark,,{fault},bench-bad,,small,,"
        for i, fault in enumerate(["plug.fouled", "stop.switch", "con.highR"] * 2)
    ]
    past = tmp_path / "past.csv"

    def chafe(lines: list[str], shop: str) -> float:
        past.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
        moves = told("tune", past, "--dry-run", "--shop", shop)["systems"]["mag-cdi"]["moves"]
        found = {(m["complaint"], m["fault"]): m["after"] for m in moves}
        return found["no-spark", "stop.chafe"]

    alone, small, large = chafe(few, ""), chafe(rows + few, "small"), chafe(rows + few, "large")
    assert alone + 1 < small < large - 1, (alone, small, large)
    result = run("tune", past, "--dry-run", "--shop", "nobody", code=2)
    assert "'nobody' is not a shop of these jobs" in result
