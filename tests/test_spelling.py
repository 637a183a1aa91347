"""Readings as people put them down at a bench: each way is a test (common practice)."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from bench_cli import BenchJob
from benchodds.basics.errors import ReadingError
from benchodds.basics.quantities import Expect, parse_value, show_value
from benchodds.basics.spelling import apart, was_alternating
from benchodds.cli.main import main

OHM, VOLT = Expect("cap-r", "ohm", span=(100, 2e6)), Expect("vexc", "V", span=(0.5, 500))
DROP = Expect("drop-gnd", "ohm", through=1.0, between=True)
GAP = Expect("air-gap", "mm")
WARM, TIME = Expect("--temp", "degC", signed=True), Expect("--minutes", "min")
SPARK = Expect("gap", "", words=("none", "weak", "strong"), sparks=True)
WIGGLE = Expect("wiggle", "", words=("nothing", "changes"))
LOCK = Expect("stop-lock", "", words=("steady", "varies"))


@pytest.mark.parametrize(
    ("expect", "text", "shown"),
    [
        (DROP, "1.4 V", "1.4 ohm"),
        (DROP, "140 mV", "0.140 ohm"),
        (DROP, "12.4-12.1", "0.3 ohm"),
        (GAP, "1.6 mm", "1.6 mm"),
        (WARM, "80 degrees", "80 degC"),
        (WARM, "80°", "80 degC"),
        (WARM, "-5 deg C", "-5 degC"),
        (TIME, "1.5 h", "90 min"),
        (TIME, "2 hours", "120 min"),
        (VOLT, "~110", "about 110 V"),
        (VOLT, "about 112 V", "about 112 V"),
        (OHM, "ca. 5.1k", "about 5.1 kohm"),
        (OHM, ">2M", "OL@2 Mohm"),
        (OHM, "> 200 kohm", "OL@200 kohm"),
        (OHM, "more than 2M", "OL@2 Mohm"),
        (OHM, "open circuit", "OL"),
        (OHM, "1.4 kohm", "1.4 kohm"),
        (VOLT, "112V AC", "112 V"),
        (VOLT, "112 VAC", "112 V"),
        (VOLT, "112 V DC", "112 V"),
        (SPARK, "no spark", "none"),
        (SPARK, "No sparks 0/10", "none 0/10"),
        (SPARK, "nothing", "none"),
        (WIGGLE, "no change", "nothing"),
        (LOCK, "no change", "steady"),
        (LOCK, "unchanged", "steady"),
    ],
)
def test_what_people_write_is_read(expect: Expect, text: str, shown: str) -> None:
    """The same as in the plain way of writing; the text itself stays as it was put down."""
    value = parse_value(text, expect)
    assert show_value(value) == shown
    assert value.text == text
    assert show_value(parse_value(shown, expect)) == shown


def test_about_is_no_finer_than_its_second_figure() -> None:
    """~110 may be 105 to 115; a number that is written more coarsely stays so."""
    assert parse_value("~110", VOLT).step == 10
    assert parse_value("110", VOLT).step == 1
    assert parse_value("~3", VOLT).step == 1
    assert parse_value("~1.42", VOLT).step == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("expect", "words", "values"),
    [
        (VOLT, ["20,", "34,", "112"], ["20", "34", "112"]),
        (VOLT, ["20, 34, 112"], ["20", "34", "112"]),
        (VOLT, ["20,34,112"], ["20", "34", "112"]),
        (VOLT, ["20", "34", "112"], ["20", "34", "112"]),
        (VOLT, ["4,7"], ["4,7"]),
        (OHM, ["1.4", "kohm"], ["1.4 kohm"]),
        (OHM, ["1.4", "kohm", "1.5", "kohm"], ["1.4 kohm", "1.5 kohm"]),
        (VOLT, ["112", "V", "AC"], ["112 V AC"]),
        (VOLT, ["unstable", "3", "to", "40"], ["unstable 3 to 40"]),
        (OHM, [">", "2M"], ["> 2M"]),
        (SPARK, ["none", "0/10"], ["none 0/10"]),
        (SPARK, ["no", "spark"], ["no spark"]),
        (SPARK, ["weak", "4", "of", "10"], ["weak 4 of 10"]),
        (WIGGLE, ["no", "change"], ["no change"]),
        (OHM, ["lots", "of", "it"], ["lots", "of", "it"]),
        (VOLT, ["1,200,300"], ["1,200,300"]),
    ],
)
def test_words_are_put_together(expect: Expect, words: list[str], values: list[str]) -> None:
    """What a shell takes apart belongs together; what cannot be read stays as it was typed."""

    def is_reading(text: str) -> bool:
        try:
            return bool(parse_value(text, expect))
        except ReadingError:
            return False

    assert list(apart(words, is_reading)) == values


def test_a_long_list_is_put_together_soon() -> None:
    """Twenty thousand words take no longer than twenty thousand readings."""
    tried = []

    def is_reading(text: str) -> bool:
        tried.append(text)
        return text == "1"

    assert len(apart(["1"] * 20_000, is_reading)) == 20_000
    assert len(tried) <= 8 * 20_000


def test_alternating_is_noticed() -> None:
    """Volts that were said to be AC."""
    assert was_alternating("112V AC") and was_alternating("112 V~")
    assert not was_alternating("112 V DC") and not was_alternating("112 V")


def test_volts_where_ohms_are_read_are_refused() -> None:
    """Without a current there is no drop: the unit is asked for."""
    with pytest.raises(ReadingError, match="is in volts; this test reads in ohms"):
        parse_value("1.4 V", OHM)


def test_they_are_recorded_from_the_command_line(tmp_path: Path) -> None:
    """Unquoted, as typed; kept with their units, and times and degrees as people say them."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    job.run("record", job.id, "gap", "no", "spark")
    job.run("record", job.id, "cap-r", "5.1", "kohm", "--temp", "20 °C")
    assert "Taken as the peak" in job.run("record", job.id, "vexc", "112", "V", "AC")
    job.run("record", job.id, "vexc", "20,", "34,", "112", "--how", "firm-kick")
    shown = job.json("show", job.id)["readings"]
    assert [r["values"] for r in shown] == [
        ["no spark"],
        ["5.1 kohm"],
        ["112 V AC"],
        ["20", "34", "112"],
    ]
    assert shown[1]["technique"]["temp_c"] == 20
    closed = job.json("close", job.id, "--grade", "gave-up", "--minutes", "1.5 h")
    assert closed["verdict"]["minutes"] == 90


@pytest.mark.parametrize(
    ("args", "would_do"),
    [
        (("record", "JOB", "vexc", "20", "--meter", "ten"), "write 10M, 1M or 20k/V"),
        (("record", "JOB", "vexc", "20", "--how", "hard"), "firm-kick"),
        (("close", "JOB", "--fault", "spark gone", "--grade", "bench-bad"), "stop.switch (stop"),
        (("close", "JOB", "--grade", "came-good"), "stop.switch (stop"),
        (("close", "JOB", "--fault", "exc.open", "--grade", "sure"), "swap-confirmed"),
        (("setup", "JOB", "Z", "open"), "A seat and tank off; B side connector unplugged"),
        (("close", "JOB", "--grade", "gave-up", "--minutes", "long"), "like 20 min"),
        (("close", "JOB", "--grade", "gave-up", "--minutes", "OL"), "like 20 min"),
        (("record", "JOB", "cap-r", "5k", "--temp", "warm"), "like 20 degC"),
    ],
)
def test_a_refusal_says_what_would_do(tmp_path: Path, args: tuple[str, ...], would_do: str) -> None:
    """Exit code 2 and the list of what can be said."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    typed = [job.id if a == "JOB" else a for a in args]
    result = CliRunner().invoke(main, [*typed, "--store", job.store])
    assert result.exit_code == 2
    assert would_do in " ".join(result.output.split())
