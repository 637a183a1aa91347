"""The guided loop: never forces its order, records at once, loses nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from bench_cli import BenchJob
from benchodds.cli.main import main
from benchodds.keep.session import Session
from benchodds.screens.bench import Bench


@pytest.fixture
def loop(tmp_path: Path) -> Bench:
    """A loop over a fresh job."""
    job = BenchJob(tmp_path / "jobs.sqlite", "no-spark", "washed")
    return Bench(Session(job.store), job.id)


def recorded(loop: Bench) -> list[tuple[str, tuple[str, ...], bool]]:
    """What the job's record holds: test, values, struck."""
    job = loop.session.store.job(loop.job_id)
    return [(r.test, r.values, r.struck is not None) for r in job.readings]


def test_a_bare_value_is_for_the_proposed_test(loop: Bench) -> None:
    """The proposal is shown with its reasons; a value alone answers it."""
    test = loop.proposed()
    assert test == "stop-r"
    assert "DO: stop line to ground, switch released [stop-r]" in loop.greet()
    assert "Good: at least 100 kohm" in loop.greet(), "the limit"
    shown = loop.handle("OL")
    assert recorded(loop) == [("stop-r", ("OL",), False)]
    assert "(was" in shown, "what moved"
    assert "DO:" in shown, "and the next proposal"


def test_any_other_test_can_be_recorded(loop: Bench) -> None:
    """The loop does not force its order; technique goes behind a semicolon."""
    loop.handle("vexc 20 34 112; how=firm-kick meter=10M")
    loop.handle("gap 'none 0/10'")
    assert recorded(loop) == [("vexc", ("20", "34", "112"), False), ("gap", ("none 0/10",), False)]
    reading = loop.session.store.job(loop.job_id).readings[0]
    assert (reading.technique.how, reading.technique.meter) == ("firm-kick", "10M")


def test_skip_refuse_and_impossible(loop: Bench) -> None:
    """Skipping records nothing; refused and impossible are recorded and not proposed again."""
    first = loop.proposed()
    loop.handle("skip")
    second = loop.proposed()
    assert recorded(loop) == []
    assert second != first
    loop.handle("refused")
    assert recorded(loop) == [(second, ("refused",), False)]
    assert loop.proposed() not in (None, second)


def test_undo_strikes_and_keeps(loop: Bench) -> None:
    """Undo withdraws the last reading and leaves it on record."""
    loop.handle("stop-r OL")
    loop.handle("undo wrong terminal")
    assert recorded(loop) == [("stop-r", ("OL",), True)]
    assert loop.handle("undo").startswith("!")


@pytest.mark.parametrize(
    "line",
    [
        "vexk 20",
        "stop-r lots",
        "rexc 5 V",
        "why R9",
        "done nothing",
        "gap 'none",
        "open Z",
        "vexc 20; how=hard",
    ],
)
def test_mistakes_are_told_and_change_nothing(loop: Bench, line: str) -> None:
    """One line beginning with ! and nothing recorded."""
    assert loop.handle(line).startswith("!")
    assert recorded(loop) == []


def test_commands_show_what_they_say(loop: Bench) -> None:
    """Odds, why, help, set-ups and repairs from within the loop."""
    loop.handle("stop-r 1.2k")
    assert "82 %  stop circuit wet" in loop.handle("odds")
    assert loop.handle("why").startswith("R1: stop line to ground, switch released: 1.2 kohm, low")
    assert "undo" in loop.handle("help")
    assert "Open now: seat and tank off" in loop.handle("open A")
    assert "Closed again: seat and tank off" in loop.handle("closed seat")
    assert "Written down: dry and seal" in loop.handle("done stop-dry")


def test_leaving_loses_nothing_and_picks_up(tmp_path: Path) -> None:
    """End of input leaves at once; the loop without a name takes the last open job."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    result = CliRunner().invoke(
        main, ["bench", "--store", job.store], input="gap 'none 0/10'\nstop-r OL\n"
    )
    assert result.exit_code == 0, result.output
    assert "stays as it is" in result.output
    assert len(job.json("show", job.id)["readings"]) == 2
    again = CliRunner().invoke(main, ["bench", job.id, "--store", job.store], input="quit\n")
    assert "DO:" in again.output


def test_closed_job_is_refused(tmp_path: Path) -> None:
    """A closed job is taken up with reopen."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    job.json("close", job.id, "--grade", "gave-up")
    result = CliRunner().invoke(main, ["bench", job.id, "--store", job.store])
    assert result.exit_code == 2
    assert "reopen" in result.output


def test_lines_fit_eighty_columns(loop: Bench) -> None:
    """Readable on a small screen."""
    for line in ("", "gap 'none 0/10'", "vexc 20 34; how=firm-kick", "odds", "help"):
        assert max(map(len, loop.handle(line).splitlines())) <= 80


def test_commands_are_never_taken_for_readings(loop: Bench) -> None:
    """What begins with a command is that command, or is refused; nothing is recorded."""
    loop.outside = frozenset({"tune", "strike", "show"})
    for line in ("tune", "strike R1", "show", "close", "gear", "gear 10M", "close stop.wet wrong"):
        said = loop.handle(line)
        assert said.startswith("!") or line == "close", line
    assert recorded(loop) == [] and not loop.session.store.job(loop.job_id).is_closed
    assert "meter=..." in loop.handle("gear")
    assert loop.handle("jobs").startswith(loop.job_id)
    loop.handle("gear meter=10M")
    assert loop.session.store.job(loop.job_id).gear == {"meter": "10M"}
    loop.handle("record gap none 0/10")
    assert recorded(loop) == [("gap", ("none 0/10",), False)]


def test_a_test_by_its_name_is_shown_and_takes_the_next_value(loop: Bench) -> None:
    """How it is done, with its cautions; the value after it is of it."""
    shown = loop.handle("cap-r")
    assert "DO: plug cap resistance [cap-r]" in shown and "Good: 3.8 kohm to 6.4 kohm" in shown
    loop.handle("5.1k")
    assert recorded(loop) == [("cap-r", ("5.1k",), False)]


def test_undo_takes_back_a_repair_too(loop: Bench) -> None:
    """The last thing done goes first, reading or repair."""
    loop.handle("stop-r 1.2k")
    loop.handle("done stop-dry")
    assert "D1" in loop.handle("undo")
    job = loop.session.store.job(loop.job_id)
    assert not job.live_actions and len(job.live_readings) == 1
    assert "R1" in loop.handle("undo")


def test_a_job_is_closed_and_reported_from_the_loop(
    loop: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Close alone says what would do; with fault and grade it closes; the report is written."""
    monkeypatch.chdir(tmp_path)
    said = loop.handle("close")
    assert "stop.wet (stop circuit wet, leaking)" in said and "bench-bad: the part" in said
    assert "stop circuit wet, leaking" in loop.handle("close stop.wet bench-bad")
    assert "closed" in loop.greet()
    assert f"job-{loop.job_id}.html" in loop.handle("report")
    assert (tmp_path / f"job-{loop.job_id}.html").exists()
