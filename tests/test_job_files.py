"""Files of past jobs: every mistake with its row number, and nothing dropped in silence."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from benchodds.cli.main import main
from benchodds.learn.casebook import Makers, chunks_of, read_jobs
from benchodds.learn.cases import FIELDS, Case, Told
from benchodds.learn.rows import RowsError
from benchodds.learn.settling import read
from benchodds.learn.tally import Tally
from benchodds.learn.tuning_files import load_learning
from benchodds.learn.written import RowError, parse_readings

HEADER = ",".join(FIELDS[:-1])
"""Files from before a column was added are read as they were."""
GOOD = "1,2024-01-31,mag-cdi,early,no-spark,washed,stop.wet,bench-bad,25,,,"
DEMO = Path(__file__).parents[1] / "demo" / "import"


def counted(tmp_path: Path, *rows: str, header: str = HEADER, skip_bad: bool = True) -> Tally:
    """The tally of a CSV file with these rows."""
    path = tmp_path / "jobs.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return read_jobs(chunks_of(path), load_learning(), skip_bad=skip_bad, today=date(2026, 1, 1))


def only_bad(tally: Tally) -> str:
    """The one row that is left out."""
    (bad,) = tally.bad
    return str(bad)


BAD = {
    "a decimal comma after a decimal point": (
        ['2,2024-02-01,mag-cdi,,no-spark,,exc.open,bench-bad,"12,5",,,'],
        "row 4: '12,5' has a decimal comma where job '9' has a decimal point",
    ),
    "a date in another style": (
        ["2,31.01.2024,mag-cdi,,no-spark,,exc.open,bench-bad,,,,"],
        "row 4: '31.01.2024' is not a date like 2025-01-31",
    ),
    "a day that is not": (
        ["2,2024-02-30,mag-cdi,,no-spark,,exc.open,bench-bad,,,,"],
        "row 4: '2024-02-30' is not a date",
    ),
    "a day to come": (
        ["2,2030-02-01,mag-cdi,,no-spark,,exc.open,bench-bad,,,,"],
        "row 4: closed on 2030-02-01, which is still to come",
    ),
    "a job listed twice": (
        ["1,2024-02-01,mag-cdi,,no-spark,,exc.open,bench-bad,,,,"],
        "row 4: job '1' is listed in row 2 already, but closed or written otherwise there",
    ),
    "a part that the system lacks": (
        ["2,2024-02-01,mag-cdi,,no-spark,,battery.flat,bench-bad,,,,"],
        "row 4: 'battery.flat' is not a fault of mag-cdi (early)",
    ),
    "a part that only another variant has": (
        ["2,2024-02-01,mag-cdi,early,no-spark,,sol.open,bench-bad,,,,"],
        "row 4: 'sol.open' is not a fault of mag-cdi (early)",
    ),
    "an unknown system": (
        ["2,2024-02-01,mag-cd,,no-spark,,exc.open,bench-bad,,,,"],
        "row 4: 'mag-cd' is not a system known here; did you mean 'mag-cdi'",
    ),
    "an unknown grade": (
        ["2,2024-02-01,mag-cdi,,no-spark,,exc.open,sure,,,,"],
        "row 4: 'sure' is not a grade of a closing",
    ),
    "two modes of one part": (
        ["2,2024-02-01,mag-cdi,,no-spark,,exc.open exc.hot,bench-bad,,,,"],
        "row 4: two modes of one part",
    ),
    "a field too few": (
        ["2,2024-02-01,mag-cdi,,no-spark,,exc.open,bench-bad"],
        "row 4: has 8 fields where the header has 12",
    ),
    "a megabyte in one field": (
        [f"2,2024-02-01,mag-cdi,,no-spark,,{'x' * 1_000_000},bench-bad,,,,"],
        "bytes long; at most 100,000 are read",
    ),
    "a quote that stays open": (
        ['2,2024-02-01,"mag-cdi,,no-spark,,exc.open,bench-bad,,,,'],
        "row 4: opens a quote that is never closed",
    ),
    "a reading that is none": (
        ["2,2024-02-01,mag-cdi,,no-spark,,exc.open,bench-bad,,,,rexc 15"],
        "row 4: reading 'rexc 15' should read TEST=VALUE",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_each_mistake_with_its_row(tmp_path: Path, case: str) -> None:
    """The row number and the reason are told; the other rows are used when wanted."""
    rows, said = BAD[case]
    nine = "9,2024-01-30,mag-cdi,early,no-spark,,plug.fouled,came-good,7.5,,,"
    tally = counted(tmp_path, GOOD, nine, *rows)
    assert said in only_bad(tally)
    assert (tally.rows, tally.jobs, tally.n_bad) == (3, 2, 1)
    with pytest.raises(RowsError, match=r"1 row of 3 cannot be used.*--skip-bad"):
        counted(tmp_path, GOOD, nine, *rows, skip_bad=False)


def test_wrong_header(tmp_path: Path) -> None:
    """Refused whatever is said: unknown, doubled and missing columns by name."""
    with pytest.raises(RowsError, match=r"row 1, the header: 'verdict' is not a column known here"):
        counted(tmp_path, GOOD, header=HEADER.replace("faults", "verdict"))
    with pytest.raises(RowsError, match="'grade' is missing"):
        counted(tmp_path, GOOD, header=HEADER.replace("grade", "shop"))


def test_file_cut_in_half(tmp_path: Path) -> None:
    """The last, torn row is named as such; what came before it is used when wanted."""
    path = tmp_path / "cut.csv"
    rows = [GOOD.replace("1,", f"{i},", 1) for i in range(1, 2001)]
    data = "\n".join([HEADER, *rows]).encode()
    path.write_bytes(data[: len(data) // 2 + 3])
    tally = read_jobs(chunks_of(path), load_learning(), skip_bad=True)
    assert "the file seems to be cut off here" in only_bad(tally)
    assert tally.jobs == tally.rows - 1 > 900
    lines = tmp_path / "cut.jsonl"
    lines.write_text('{"job": "1", "closed": "2024-01', encoding="utf-8")
    tally = read_jobs(chunks_of(lines), load_learning(), skip_bad=True)
    assert "row 1: is not JSON" in only_bad(tally) and "cut off" in only_bad(tally)


def test_command_ends_with_one_sentence(tmp_path: Path) -> None:
    """Through the command: exit code 2, the row number, no traceback."""
    path = tmp_path / "jobs.csv"
    path.write_text(f"{HEADER}\n{GOOD}\n{GOOD}\n", encoding="utf-8")
    result = CliRunner().invoke(main, ["tune", str(path), "--dry-run"])
    assert result.exit_code == 2 and "row 3: job '1' is listed in row 2 already" in result.output
    assert "Traceback" not in result.output


def test_readings_that_no_test_gives_are_refused(tmp_path: Path) -> None:
    """A look's outcome that there is not, and a value out of all bounds: row, reason, remedy."""
    path = tmp_path / "jobs.csv"
    path.write_text(f"{HEADER}\n{GOOD}plug-vis=wet\n", encoding="utf-8")
    result = CliRunner().invoke(main, ["tune", str(path), "--dry-run"])
    assert result.exit_code == 2
    assert "row 2: 'wet' for plug-vis is not an outcome" in " ".join(result.output.split())
    result = CliRunner().invoke(main, ["tune", str(path), "--dry-run", "--skip-bad"])
    assert result.exit_code == 2 and "no closed job to learn from" in result.output


def test_json_lines_say_the_same(tmp_path: Path) -> None:
    """A row as CSV and as JSON is one and the same job."""
    data = {"job": 1, "closed": "2024-01-31", "system": "mag-cdi", "variant": "early"}
    data |= {"complaint": "no-spark", "contexts": ["washed"], "faults": ["stop.wet"]}
    data |= {"grade": "bench-bad", "minutes": 25}
    data["readings"] = [
        {"test": "vexc", "values": ["20", "34"], "technique": {"how": "firm-kick", "kicks": 2}}
    ]
    path = tmp_path / "jobs.jsonl"
    path.write_text(json.dumps(data) + "\n", encoding="utf-8")
    lines = read_jobs(chunks_of(path), load_learning())
    table = counted(tmp_path, GOOD + '"vexc=20|34 {how=firm-kick, kicks=2}"')
    assert lines.counts == table.counts


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=60))
def test_readings_never_crash(text: str) -> None:
    """Any cell is readings or one clear refusal."""
    try:
        parse_readings(text)
    except RowError as error:
        assert str(error)


class Listed:
    """Cases as a source."""

    source = "list"

    def __init__(self, cases: list[Case]) -> None:
        self.cases = cases

    def rows(self):  # type: ignore[no-untyped-def]
        """Each with its number."""
        yield from enumerate(self.cases, start=2)


def come_back(job: str, day: str, fault: str, revises: str = "") -> Case:
    """A plain job."""
    told = (Told((fault,), "came-good"),)
    return Case(job, day, "mag-cdi", "early", "no-spark", (), told, revises=revises)


def test_come_back_revises_the_earlier_job_however_rows_are_split() -> None:
    """A chain of come-backs is one job whose earlier verdicts are doubted."""
    cases = [
        come_back("a", "2024-01-01", "exc.open"),
        come_back("b", "2024-01-05", "pul.gap", revises="a"),
        come_back("c", "2024-01-09", "con.open", revises="b"),
        come_back("d", "2024-01-09", "mod.dead", revises="nobody"),
    ]
    maker = Makers(load_learning())
    whole = read([Listed(cases)], maker)
    assert (whole.jobs, whole.revised) == (2, 2)
    (chain,) = [k for k in whole.counts if len(k.told) == 3]
    assert [t.grade for t in chain.told] == ["came-back", "came-back", "came-good"]
    assert whole.notes and "nobody" in next(iter(whole.notes))
    for cut in range(1, 4):
        split = read([Listed(cases[:cut]), Listed(cases[cut:])], maker)
        assert split.counts == whole.counts


def imported(tmp_path: Path, text: str, *more: str) -> tuple[int, dict]:
    """Exit code and account of ``import`` on a list with the demo mapping."""
    source = tmp_path / "list.csv"
    source.write_text(text, encoding="utf-8")
    args = ["import", str(source), "--map", str(DEMO / "ours.toml"), "--to"]
    result = CliRunner().invoke(main, [*args, str(tmp_path / "out.jsonl"), "--json", *more])
    return result.exit_code, json.loads(result.output)


def test_import_of_a_shops_own_list(tmp_path: Path) -> None:
    """Every row of the demo list is used or set aside with its reason; the result is read."""
    text = (DEMO / "list.csv").read_text(encoding="utf-8")
    code, account = imported(tmp_path, text)
    assert code == 0
    assert (account["rows"], account["used"]) == (6, 5)
    assert account["aside"] == {"not the ignition": 1}
    tally = read_jobs(chunks_of(tmp_path / "out.jsonl"), load_learning())
    assert tally.jobs == 5
    assert {k.contexts for k in tally.counts} == {(), ("washed",), ("dies-hot",)}


def test_import_lists_unknown_words_with_counts(tmp_path: Path) -> None:
    """Nothing is written until the words are mapped, or the rest is wanted."""
    text = (DEMO / "list.csv").read_text(encoding="utf-8").replace(";dead;", ";Mausetot;")
    text = text.replace("05.02.2024;kick;bad", "2024-02-05;kick;bad").replace("45,5", "45.5")
    code, account = imported(tmp_path, text)
    assert code == 2 and not (tmp_path / "out.jsonl").exists()
    assert account["unknown"] == {"complaint": {"Mausetot": 4}}
    refused = {r["row"]: r["reason"] for r in account["refused"]}
    assert "Mausetot" in refused[2] and "style %d.%m.%Y" in refused[4]
    assert account["used"] + len(refused) + 1 == account["rows"]
    code, account = imported(tmp_path, text.replace("2024-02-05;", "05.02.2024;"), "--skip-bad")
    assert code == 0 and account["written"] and account["used"] == 1


def test_import_refuses_a_column_it_knows_nothing_of(tmp_path: Path) -> None:
    """A column that is neither mapped nor ignored is not dropped in silence."""
    source = tmp_path / "list.csv"
    text = (DEMO / "list.csv").read_text(encoding="utf-8").replace("Invoice", "Owner")
    source.write_text(text, encoding="utf-8")
    args = ["import", str(source), "--map", str(DEMO / "ours.toml"), "--to", str(tmp_path / "o")]
    result = CliRunner().invoke(main, args)
    assert result.exit_code == 2
    assert "the mapping says nothing of column 'Owner'" in result.output
