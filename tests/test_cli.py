"""The commands: their contract, and one clear sentence for every mistake."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from bench_cli import BenchJob
from benchodds.cli.main import ELSEWHERE, main

COMMANDS = sorted([*main.commands, *ELSEWHERE])


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A job store of its own for every test."""
    return tmp_path / "jobs.sqlite"


@pytest.fixture
def job(store: Path) -> BenchJob:
    """A fresh job on the early variant."""
    return BenchJob(store)


def refused(*args: str) -> str:
    """The one sentence of a refused command; exit code 2 and no traceback."""
    result = CliRunner().invoke(main, list(args))
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output
    return result.output


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_a_worked_example(name: str) -> None:
    """--help holds an example, and the README names the command."""
    result = CliRunner().invoke(main, [name, "--help"])
    assert result.exit_code == 0
    assert f"Example: benchodds {name}" in " ".join(result.output.split())
    readme = Path(__file__).parents[1] / "README.md"
    assert f"`{name}" in readme.read_text(encoding="utf-8")


def test_contract_of_open_odds_and_next(job: BenchJob) -> None:
    """The JSON shapes that scripts rely on: schema 1, every list sorted, p descending."""
    job.record("gap", "none 0/10")
    odds = job.odds().data
    assert odds["schema"] == 2
    assert odds["job"] == job.id
    assert set(odds) >= {"machine", "components", "faults_at_once", "gear", "log_evidence"}
    assert set(odds["faults_at_once"]) == {"0", "1", "2+"}
    assert sum(odds["faults_at_once"].values()) == pytest.approx(1, abs=1e-9)
    for rows, key in ((odds["machine"], "p"), (odds["components"], "p_fault"), (odds["gear"], "p")):
        values = [r[key] for r in rows]
        assert values == sorted(values, reverse=True)
    advice = job.next()
    assert advice["schema"] == 2
    assert set(advice["advice"]) == {"do", "test", "repair", "gear"}
    assert advice["advice"]["do"] in {"test", "repair", "prove-gear", "stop"}
    row = advice["ranking"][0]
    assert {"test", "bits", "minutes", "bits_per_minute", "setups", "cautions"} <= set(row)
    assert all(r["bits"] >= 0 for r in advice["ranking"]), "information is never negative"
    assert {"repair", "p_cures", "expected_cost"} <= set(advice["act_now"][0])


def test_struck_reading_leaves_no_trace_in_the_odds(job: BenchJob) -> None:
    """Odds after a strike equal the odds before the reading; the record keeps it."""
    job.record("gap", "none 0/10")
    before = job.odds().modes
    job.record("cap-r", "OL")
    assert job.odds().modes != before
    job.json("strike", job.id, "R2", "--reason", "wrong terminal")
    after = job.odds().modes
    assert all(after[f] == pytest.approx(p, abs=1e-12) for f, p in before.items())
    shown = job.json("show", job.id)["readings"]
    assert shown[1]["struck"] == "wrong terminal"


def test_order_of_readings_does_not_matter(tmp_path: Path) -> None:
    """The same readings in another order give the same odds."""
    readings = [("gap", "none 0/10"), ("rexc", "15"), ("cap-r", "5.1k"), ("stop-r", "OL")]
    first, second = BenchJob(tmp_path / "a.sqlite"), BenchJob(tmp_path / "b.sqlite")
    for test, value in readings:
        first.record(test, value)
    for test, value in reversed(readings):
        second.record(test, value)
    a, b = first.odds().modes, second.odds().modes
    assert all(a[f] == pytest.approx(b[f], abs=1e-10) for f in a)


def test_not_taken_changes_nothing(job: BenchJob) -> None:
    """A test that was not done is not a fail; refused and impossible ones are left out."""
    before = job.odds().modes
    job.record("gap", "not-taken")
    job.record("stop-r", "impossible")
    job.record("vpri", "refused")
    assert job.odds().modes == pytest.approx(before, abs=1e-12)
    advice = job.next()
    left = {x["test"]: x["reason"] for x in advice["left_out"]}
    assert left["stop-r"] == "not possible here"
    assert left["vpri"] == "refused as unsafe"
    assert not {"stop-r", "vpri"} & {r["test"] for r in advice["ranking"]}


def test_more_kicks_never_make_a_passed_source_worse(job: BenchJob) -> None:
    """Once over the minimum, later low kicks hardly move the exciter."""
    job.record("vexc", "112", how="firm-kick", meter="10M")
    passed = job.odds()["exc.shorted"]
    job.record("vexc", "20", "31", "18", how="firm-kick", meter="10M")
    assert job.odds()["exc.shorted"] < max(2 * passed, 0.005)


def test_as_if_is_not_recorded(job: BenchJob) -> None:
    """--as-if shows what a reading would do and leaves the job as it was."""
    before = job.odds().modes
    supposed = job.json("odds", job.id, "--as-if", "cap-r=OL")
    assert supposed["machine"][0]["component"] == "cap"
    assert job.odds().modes == before
    assert job.json("show", job.id)["readings"] == []


def test_setups_follow_the_readings_and_can_be_corrected(job: BenchJob) -> None:
    """A set-up opened for one test is free for the next, until it is said to be closed."""

    def setups(test: str) -> list[str]:
        return next(r["setups"] for r in job.next()["ranking"] if r["test"] == test)

    assert "A" in setups("rsec")
    job.record("rexc", "15")
    assert "A" not in setups("rsec")
    job.run("setup", job.id, "A", "closed")
    assert "A" in setups("rsec")
    assert "B" in setups("rpul"), "what stood on it is closed too"


def test_job_is_taken_up_again_exactly_as_it_was(job: BenchJob) -> None:
    """Closing and re-opening changes no odds; a closed job refuses readings."""
    job.record("cap-r", "OL")
    odds = job.odds().modes
    job.json("close", job.id, "--fault", "cap.open", "--grade", "bench-bad")
    assert "re-open" in refused("record", job.id, "gap", "none", "--store", job.store)
    job.run("reopen", job.id, "--reason", "came back")
    assert job.odds().modes == odds


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("record", "JOB", "vexk", "20"), "did you mean 'vexc'"),
        (("record", "JOB", "rsol", "20"), "variant 'late'"),
        (("record", "JOB", "rsec", "5.9"), "unit"),
        (("record", "JOB", "rexc", "-5"), "negative"),
        (("record", "JOB", "rexc", "15 V"), "ohm"),
        (("record", "JOB", "rexc", ""), "rexc"),
        (("record", "JOB", "rexc", "lots"), "rexc"),
        (("record", "JOB", "plug-vis", "blck-wet"), "black-wet"),
        (("record", "JOB", "vexc", "20", "--how", "firm-kik"), "firm-kick"),
        (("record", "JOB", "vexc", "20", "--meter", "ten"), "ten"),
        (("record", "JOB", "gap", "strong 2/10"), "2/10"),
        (("strike", "JOB", "R9", "--reason", "x"), "R9"),
        (("close", "JOB", "--fault", "exc.opn", "--grade", "bench-bad"), "exc.open"),
        (("close", "JOB", "--grade", "came-good"), "--fault"),
        (("done", "JOB", "new-plgu"), "new-plug"),
        (("setup", "JOB", "Z", "open"), "Z"),
        (("odds", "JOB", "--as-if", "vexc"), "TEST=VALUE"),
        (("why", "JOB"), "no reading yet"),
        (("odds", "77"), "77"),
    ],
)
def test_mistakes_get_one_sentence(job: BenchJob, args: tuple[str, ...], said: str) -> None:
    """What was found and what would be right, exit code 2, nothing recorded."""
    output = refused(*[job.id if a == "JOB" else a for a in args], "--store", job.store)
    assert said in output
    assert output.count("\n") <= 2
    assert job.json("show", job.id)["readings"] == []


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--complaint", "no-spark"), "mag-cdi, starter, tci"),
        (("--system", "mag-cdi"), "no-spark (no spark"),
        (("--system", "mag-cdx", "--complaint", "no-spark"), "mag-cdi"),
        (("--system", "mag-cdi", "--complaint", "no-sparks"), "no-spark"),
        (("--system", "mag-cdi", "--complaint", "no-spark", "--variant", "lat"), "late"),
        (("--system", "mag-cdi", "--complaint", "no-spark", "--context", "wash"), "washed"),
        (("--system", "mag-cdi", "--complaint", "no-spark", "--name", "77"), "77"),
    ],
)
def test_a_job_is_not_opened_on_a_wrong_name(store: Path, args: tuple[str, ...], said: str) -> None:
    """Unknown system, complaint, variant, context: the nearest name is offered."""
    assert said in refused("open", *args, "--store", str(store))


def test_a_reading_no_state_explains_is_named(job: BenchJob) -> None:
    """A slip by a factor is called a likely slip, with the reading's number."""
    job.record("rsec", "5.9k")
    job.record("rpul", "0.9k", unplugged="yes")
    data = job.odds().data
    assert data["slips"][0]["reading"] == "R2"
    assert data["slips"][0]["p"] > 0.5
    text = job.run("odds", job.id)
    assert "Taken as a slip" in text and "R2" in text
    assert "clash" in job.run("odds", job.id, "--numbers")


def test_broken_model_file_names_file_line_and_remedy(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every mistake of a model file at once, with its line."""
    source = (Path(__file__).parents[1] / "models" / "mag-cdi.toml").read_text(encoding="utf-8")
    broken = source.replace('formula = "k * magnet * winding * drag"', 'formula = "k * magnett"')
    broken = broken.replace('minutes = "25 min"\ncautions = ["exhaust"]', 'minutes = "25 V"')
    folder = tmp_path / "own" / "models"
    folder.mkdir(parents=True)
    (folder / "mag-cdi.toml").write_text(broken, encoding="utf-8")
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path / "own"))
    output = refused("systems", "mag-cdi")
    assert "mag-cdi.toml:" in output
    assert "did you mean 'magnet'" in output
    assert "setups.H.minutes" in output


def test_damaged_store_is_refused_and_left_alone(tmp_path: Path) -> None:
    """A file that is no store is named, not overwritten."""
    path = tmp_path / "jobs.sqlite"
    path.write_bytes(b"not a database at all, but somebody's letter" * 50)
    before = path.read_bytes()
    assert str(path) in refused("jobs", "--store", str(path))
    assert path.read_bytes() == before


def test_newer_store_is_refused_politely(store: Path) -> None:
    """A store of a later version is not touched."""
    BenchJob(store)
    with sqlite3.connect(store) as db:
        tables = [r[0] for r in db.execute("select name from sqlite_master where type='table'")]
        assert "meta" in tables
        db.execute("insert into meta values ('migration 999', 'of a version to come')")
    db.close()
    assert "newer" in refused("jobs", "--store", str(store))


def test_machine_output_is_one_json_object(job: BenchJob) -> None:
    """--json prints nothing but the object."""
    result = CliRunner().invoke(main, ["systems", "--json"])
    assert json.loads(result.output)["schema"] == 2
    result = CliRunner().invoke(main, ["jobs", "--json", "--store", job.store])
    assert json.loads(result.output)["jobs"][0]["id"] == job.id


def test_text_fits_eighty_columns(job: BenchJob) -> None:
    """Human output is readable at 80 columns."""
    job.record("gap", "none 0/10")
    job.record("vexc", "20", "34", "18", how="firm-kick", meter="10M")
    for args in (("odds", job.id), ("next", job.id), ("show", job.id)):
        assert max(map(len, job.run(*args).splitlines())) <= 80
