"""Reports and worksheets: everything in one file, the same as PDF, nothing lost or let in."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from bench_cli import BenchJob
from benchodds.cli.main import main


@pytest.fixture
def job(tmp_path: Path) -> BenchJob:
    """A closed job with a struck reading, a note that looks like markup, and a repair."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    job.record("gap", "none 0/10", how="firm-kick")
    job.record("stop-disc", "none 0/10", how="firm-kick")
    job.record("vpri", "12", note="<script>alert(1)</script> & more", how="drill")
    job.json("strike", job.id, "R3", "--reason", "clip <slipped> off")
    job.record("vpri", "146", how="drill", unplugged="yes")
    job.record("cap-r", "OL@200k")
    job.run("done", job.id, "new-cap")
    job.json("close", job.id, "--fault", "cap.open", "--grade", "bench-bad", "--minutes", "64")
    return job


def write(job: BenchJob, target: Path) -> None:
    """Write the job's report."""
    job.run("report", job.id, "--to", str(target))


def pdf_pages(path: Path) -> list[str]:
    """Text of every page of a PDF."""
    pypdf = pytest.importorskip("pypdf")
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(path.read_bytes())).pages]


def test_report_is_one_file_that_asks_for_nothing(job: BenchJob, tmp_path: Path) -> None:
    """No outside resources, no scripts; what people typed is shown, never run."""
    write(job, tmp_path / "r.html")
    html = (tmp_path / "r.html").read_text(encoding="utf-8")
    names = re.sub(r'xmlns(:\w+)?="http://www\.w3\.org/[^"]+"', "", html)
    assert "http" not in names
    assert not re.search(r"\b(src|href)=\"(?!#)", names)
    assert "<script" not in html
    assert "&lt;script&gt;" in html
    assert "clip &lt;slipped&gt; off" in html


def test_customer_page_says_what_why_and_how_sure(job: BenchJob, tmp_path: Path) -> None:
    """Complaint, finding, grade, repair and time on the first page of the PDF, alone."""
    pytest.importorskip("weasyprint")
    write(job, tmp_path / "r.pdf")
    pages = pdf_pages(tmp_path / "r.pdf")
    first = " ".join(pages[0].split())
    for words in (
        "No spark at all",
        "Plug cap and lead end open",
        "almost sure",
        "tested bad on the bench",
        "fit a new cap",
        "64 minutes",
        "Plug cap resistance",
        "not a guarantee",
    ):
        assert words in first, words
    assert "The full record" not in first
    assert "The full record" in pages[1]


def test_full_record_holds_every_reading(job: BenchJob, tmp_path: Path) -> None:
    """Every reading with how it was taken, the struck one too, and all versions."""
    write(job, tmp_path / "r.html")
    text = re.sub(r"<[^>]+>", " ", (tmp_path / "r.html").read_text(encoding="utf-8"))
    text = " ".join(text.split())
    for words in (
        "R1",
        "R5",
        "146 V",
        "how drill; unplugged",
        "Struck: clip",
        "priors/mag-cdi",
    ):
        assert words in text, words
    assert 'class="struck"' in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_open_job_without_readings_reports_too(tmp_path: Path) -> None:
    """A report at any time: nothing measured yet is no error."""
    job = BenchJob(tmp_path / "jobs.sqlite", "weak-spark")
    write(job, tmp_path / "r.html")
    assert "still open" in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_worksheet_has_every_test_once_with_its_limit(tmp_path: Path) -> None:
    """All tests of the variant, set-ups grouped, limits of the variant, cautions first."""
    result = CliRunner().invoke(
        main,
        ["worksheet", "mag-cdi", "--variant", "late", "--to", str(tmp_path / "w.html")],
    )
    assert result.exit_code == 0, result.output
    html = (tmp_path / "w.html").read_text(encoding="utf-8")
    names = re.findall(r"<strong>([a-z-]+)</strong>", html)
    assert len(names) == len(set(names)) >= 35
    assert "rsol" in names
    assert "at least 118 V" in html
    assert html.index("Before anything else") < html.index("<strong>")
    assert html.index("<strong>rexc</strong>") > html.index("side connector unplugged")


def test_wrong_suffix_is_refused(job: BenchJob, tmp_path: Path) -> None:
    """One sentence and exit code 2."""
    result = CliRunner().invoke(
        main, ["report", job.id, "--to", str(tmp_path / "r.docx"), "--store", job.store]
    )
    assert result.exit_code == 2
    assert ".html or .pdf" in result.output


def test_sheet_is_recorded_line_by_line(tmp_path: Path) -> None:
    """What was written on the worksheet is typed in as a small file."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    sheet = tmp_path / "sheet.txt"
    sheet.write_text(
        "# Tuesday\ngap 'none 0/10'; how=firm-kick light=shade\n\nvexc 20 34 112; how=firm-kick\n"
        "rexc 14 ; unplugged=yes leads=nulled\n",
        encoding="utf-8",
    )
    job.run("record", job.id, "--file", str(sheet))
    readings = job.json("show", job.id)["readings"]
    assert [r["test"] for r in readings] == ["gap", "vexc", "rexc"]
    assert readings[0]["technique"] == {"how": "firm-kick", "light": "shade"}
    assert readings[1]["values"] == ["20", "34", "112"]
    assert readings[2]["technique"] == {"unplugged": True, "leads": "nulled"}


def test_sheet_with_a_mistake_records_nothing(tmp_path: Path) -> None:
    """File, line and remedy; the good lines before it are not recorded either."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    sheet = tmp_path / "sheet.txt"
    sheet.write_text("rexc 14\nvexk 20\n", encoding="utf-8")
    result = CliRunner().invoke(
        main, ["record", job.id, "--file", str(sheet), "--store", job.store]
    )
    assert result.exit_code == 2
    assert "line 2" in result.output
    assert "did you mean 'vexc'" in result.output
    assert job.json("show", job.id)["readings"] == []
