"""Text at the door: refused or normalised when it comes in, shown whatever a record holds."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import time
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchodds.basics.errors import FileError, StoreError, TextError
from benchodds.basics.text import LONGEST, shown, written
from benchodds.keep import inputs
from benchodds.keep.database import file_uri
from benchodds.keep.store import Store
from benchodds.model import jobs
from benchodds.model.events import Event
from benchodds.model.jobs import Technique
from test_outputs import run

BAD = ("\x00", "\x1b[2J", "\x07", "a\rb", "\x9b31m", "\x7f", "\udcff", "\ud800", "\u202eabc")
AT = "2031-01-01T00:00:00Z"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with one job."""
    path = tmp_path / "jobs.sqlite"
    run("open", "--system", "mag-cdi", "--complaint", "no-spark", "--store", path)
    return path


def old_record(path: Path) -> None:
    """A job as earlier versions wrote it down: bytes of another encoding, terminal escapes."""
    with Store.open(path) as opened:
        job = opened.job("1")
        at = {"at": AT}
        reading = {"test": "vexc", "values": ["112"], "technique": {"operator": "Ren\udce9"}}
        rows = [
            Event(0, uid="a", kind="reading", data={**reading, "note": "\udcff"}, **at),
            Event(0, uid="b", kind="note", data={"text": "\x1b]0;gone\x07 \x9b2J \x00"}, **at),
            Event(0, uid="c", kind="gear", data={"items": {"operator": "R\udce9n"}}, **at),
            Event(0, uid="d", kind="action", data={"repair": "new-plug", "note": "\u202e"}, **at),
            Event(0, uid="e", kind="struck", data={"reading": "R1", "reason": "\x1b"}, **at),
            Event(0, uid="f", kind="reading", data={**reading, "note": "\ud800"}, **at),
        ]
        for row in rows:
            opened.append(job.id, lambda _job, row=row: row)


# ---- the judge ---------------------------------------------------------------------------------


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_any_text_is_kept_in_composed_form_or_refused(text: str) -> None:
    """What is kept is the same for Unicode, can be shown as it is, and is kept unchanged."""
    try:
        kept = written(text)
    except TextError as error:
        assert shown(str(error)) == str(error)
        return
    plain = text.replace("\r\n", "\n")
    assert kept == unicodedata.normalize("NFC", plain)
    assert written(kept) == kept == shown(kept)


@pytest.mark.parametrize("bad", BAD)
def test_what_is_no_text(bad: str) -> None:
    """Control characters, half characters and overrides are refused, and shown by number."""
    with pytest.raises(TextError, match="holds the"):
        written(f"a{bad}b")
    safe = shown(f"a{bad}b")
    assert safe.isascii() and safe.isprintable()
    assert json.loads(f'"{safe}"') == f"a{bad}b"


def test_the_length_of_a_text_is_bounded() -> None:
    """With the number that is read."""
    assert written("x" * LONGEST)
    with pytest.raises(TextError, match="at most 10,000"):
        written("x" * (LONGEST + 1))


@pytest.mark.parametrize("bad", BAD)
def test_no_new_event_holds_it(bad: str) -> None:
    """The builders judge last, wherever a text came from."""
    at = {"at": AT, "uid": "u"}
    opened = jobs.open_event(
        **at,
        system="s",
        variant="v",
        complaint="c",
        contexts=[],
        model_version="1",
        prior_set="p",
        prior_version="1",
    )
    job = jobs.fold("1", [opened])
    at["uid"] = "w"
    tries = (
        lambda: jobs.note_event(job, bad, **at),
        lambda: jobs.gear_event(job, {"operator": bad}, **at),
        lambda: jobs.gear_event(job, {bad: "x"}, **at),
        lambda: jobs.action_event(job, "r", note=bad, **at),
        lambda: jobs.close_event(job, verdict={"grade": "gave-up", "note": bad}, **at),
        lambda: jobs.reading_event(
            job, test="t", values=["1", bad], technique=Technique(operator=bad), **at
        ),
    )
    for attempt in tries:
        with pytest.raises(TextError):
            attempt()
    note = jobs.note_event(job, "e\u0301\r\n", **at)
    assert note.data["text"] == "\xe9\n"
    assert jobs.amend(job, note).notes[0].text == "\xe9\n"


# ---- the command line --------------------------------------------------------------------------


def shell(
    *args: str | bytes, stdin: bytes | None = b"", store: Path | None = None, **more: object
) -> subprocess.CompletedProcess[bytes]:
    """The tool in a process of its own, its arguments as bytes."""
    command = [sys.executable, "-m", "benchodds", *args]
    command += ["--store", str(store)] if store else []
    done = subprocess.run(command, input=stdin, capture_output=True, timeout=120, **more)
    assert b"Traceback" not in done.stderr, done.stderr.decode()
    return done


@pytest.mark.parametrize("bad", [b"\xff", b"caf\xe9", b"\x1b[2J"])
def test_arguments_that_are_no_text(bad: bytes, store: Path) -> None:
    """Refused with exit code 2 before anything is done."""
    for args in (["show", bad], ["record", "1", "vexc", "112", "--note", bad]):
        done = shell(*args, store=store)
        assert done.returncode == 2 and done.stderr.startswith(b"benchodds: '")
        assert b"\x1b" not in done.stderr and b"\xff" not in done.stderr
    with Store.open(store) as opened:
        assert not opened.job("1").readings


def test_lines_at_the_bench_that_are_no_text(store: Path) -> None:
    """Told, and the next line is asked for."""
    lines = b"\xff\nvexc 112 \x1b[2J\nundo \x07\nvexc 100\nquit\n"
    done = shell("bench", "1", stdin=lines, store=store)
    assert done.returncode == 0 and b"\x1b" not in done.stdout
    assert done.stdout.count(b"> ! ") == 3
    with Store.open(store) as opened:
        assert [r.values for r in opened.job("1").readings] == [("100",)]


def test_a_terminal_of_few_characters(store: Path) -> None:
    """What it cannot show is shown by number."""
    run("record", "1", "vexc", "112", "--note", "Rückgabe 5 Ω", "--store", store)
    env = {**os.environ, "PYTHONIOENCODING": "latin-1"}
    done = shell("show", "1", store=store, env=env)
    assert done.returncode == 0 and b"R\xfcckgabe 5 \\u03a9" in done.stdout


@pytest.mark.parametrize("args", [["jobs"], ["--help"], ["show", "1", "--json"]])
def test_an_answer_that_cannot_be_shown(args: list[str], store: Path) -> None:
    """A full disk behind standard output is one sentence and exit code 2."""
    command = [sys.executable, "-m", "benchodds", *args]
    env = {**os.environ, "BENCHODDS_STORE": str(store)}
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, env=env, check=False)
    assert done.returncode == 2
    assert done.stderr.startswith(b"benchodds: the answer cannot be shown (No space left")
    assert done.stderr.count(b"\n") == 1


@pytest.mark.parametrize("closed", [0, 1, 2])
@pytest.mark.parametrize("args", [["bench", "1"], ["demo", "--pause"], ["jobs"]])
def test_closed_streams(closed: int, args: list[str], store: Path) -> None:
    """Nothing comes, or nothing is shown; no error of the inside."""
    command = [sys.executable, "-m", "benchodds", *args]
    env = {**os.environ, "BENCHODDS_STORE": str(store)}
    line = f'exec {closed}{"<" if closed == 0 else ">"}&-; exec "$@"'
    done = subprocess.run(
        ["sh", "-c", line, "sh", *command], capture_output=True, env=env, input=b"", check=False
    )
    assert done.returncode in (0, 1) and b"Traceback" not in done.stdout + done.stderr
    with Store.open(store) as opened:
        assert opened.job("1")


def test_very_long_names(store: Path) -> None:
    """No error of the inside, whatever they are the names of."""
    long = "a" * 5000
    for args in (
        ["show", long],
        ["check", f"{long}.toml"],
        ["check", long],
        ["systems", long],
        ["schema", "model", "--to", long],
        ["export", "1", "--to", f"{long}.jsonl"],
        ["restore", long],
        ["open", "--system", "mag-cdi", "--complaint", "no-spark", "--name", long],
        ["odds", "1", "--as-if", f"{long}=1"],
        ["record", "1", long, "1"],
        ["gear", "1", "--card", long],
        ["jobs", "--store", long],
    ):
        run(*args, *(["--store", store] if args[0] in WITH_STORE else []), code=2)


WITH_STORE = ("show", "export", "restore", "open", "odds", "record", "gear")


@pytest.mark.parametrize("minutes", ["-5", "nan", "inf", "1e9"])
def test_minutes_that_cannot_be(minutes: str, store: Path) -> None:
    """Refused when a job is closed, as when it is learned from."""
    close = ["close", "1", "--fault", "exc.open", "--grade", "bench-bad", "--store", store]
    assert "minutes" in run(*close, "--minutes", minutes, code=2)
    run(*close, "--minutes", "0")


# ---- old records -------------------------------------------------------------------------------


def test_an_old_record_is_shown_reported_and_exported(store: Path, tmp_path: Path) -> None:
    """Whatever it holds; what a terminal could obey is made visible, and nothing is lost."""
    old_record(store)
    said = run("show", "1", "--store", store)
    assert r"note: \udcff" in said and r"\u001b]0;gone\u0007 \u009b2J" in said
    assert not set(said) & set("\x1b\x07\x9b\u202e\udcff")
    data = json.loads(run("show", "1", "--json", "--store", store))
    assert data["readings"][0]["note"] == "\udcff"
    for command in (["odds"], ["why"], ["next", "--greedy"]):
        for json_too in ([], ["--json"]):
            said = run(*command, "1", *json_too, "--store", store)
            assert not set(said) & set("\x1b\x07\x9b\u202e\udcff\ud800")
    page = tmp_path / "job.html"
    run("report", "1", "--to", page, "--store", store)
    text = page.read_bytes().decode("utf-8")
    assert r"\udcff" in text and not set(text) & set("\x00\x1b\x07\x9b\u202e")
    run("report", "1", "--to", tmp_path / "job.pdf", "--store", store)
    run("export", "1", "--to", tmp_path / "job.bifxml", "--store", store)


def test_an_old_record_comes_back_as_it_was(store: Path, tmp_path: Path) -> None:
    """A backup that could not be brought back because of its words would be none."""
    old_record(store)
    with Store.open(store) as opened:
        wanted = opened.job("1").events
    for name in ("copy.jsonl", "copy.sqlite"):
        run("backup", tmp_path / name, "--store", store)
        run("restore", tmp_path / name, "--store", tmp_path / f"back-{name}")
        with Store.open(tmp_path / f"back-{name}") as opened:
            assert opened.job("1").events == wanted


def test_an_old_record_on_the_page(store: Path) -> None:
    """It is shown, and a form with odd text is refused in a sentence and kept."""
    from starlette.testclient import TestClient

    from benchodds.keep.session import Session
    from benchodds.screens.guard import Guard
    from benchodds.screens.page import create_app

    old_record(store)
    app = create_app(Session(store), Guard(paired_only=False), frozenset({"testserver"}))
    with TestClient(app) as client:
        page = client.get("/job/1")
        assert page.status_code == 200 and "\x1b" not in page.text
        assert client.get("/job/1/odds").status_code == 200
        token = page.text.split('name="token" value="')[1].split('"')[0]
        of = page.text.split('name="of" value="')[1].split('"')[0]
        form = {
            "token": token,
            "of": of,
            "uid": "x1",
            "test": "vexc",
            "value": "112",
            "note": "\x1b[2J",
        }
        answer = client.post("/job/1/reading", data=form)
        assert answer.status_code == 422 and "U+001B" in answer.text
        assert "\x1b" not in answer.text
        assert len(Session(store).store.job("1").readings) == 2


# ---- files that come in ------------------------------------------------------------------------


def test_sheets_in_other_encodings(store: Path, tmp_path: Path) -> None:
    """UTF-8 with a byte order mark is read; others are refused with their line."""
    sheet = tmp_path / "sheet.txt"
    record = ["record", "1", "--store", store, "--file", sheet]
    for data, words in (
        ("# no\nvexc 112\n".encode("utf-16"), "UTF-16"),
        (b"vexc 112\nvexc 112; operator=Ren\xe9\n", "line 2: is not text in UTF-8 (byte 0xe9)"),
        (b"vexc 112\n\x00", "line 2: holds a zero byte"),
        (b"vexc 112; operator=\x1b[2J\n", "line 1: "),
        (b"vexc " + b"1" * 20_000, "line 1: "),
        (b"vexc 1\n" * 20_000, "at most 100,000 bytes"),
        (b"", "no readings in it"),
        (b'vexc "112\n', "line 1: "),
        (b"vexc 112; kicks=" + b"9" * 5000, "line 1: "),
        (b"vexc 112; temp=nan", "line 1: "),
    ):
        sheet.write_bytes(data)
        assert words in run(*record, code=2)
    with Store.open(store) as opened:
        assert not opened.job("1").readings
    sheet.write_bytes("\ufeffvexc 112\r\nrexc 15ohm\r\n".encode())
    said = run(*record)
    assert "R1: exciter peak" in said and "R2: exciter winding resistance: 15 ohm" in said


def test_a_sheet_is_recorded_whole_or_not_at_all(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also when a line is refused for what only recording asks, or the store breaks off."""
    sheet = tmp_path / "sheet.txt"
    record = ["record", "1", "--store", store, "--file", sheet]
    for bad in ("vexc 112; kicks=0", "vexc 112; temp=900", "vexc 112; card=none-such"):
        sheet.write_text(f"vexc 112\nrexc 15ohm\n{bad}\n")
        assert "line 3: " in run(*record, code=2)
    sheet.write_text("vexc 112\nrexc 15ohm\n")
    from benchodds.keep import store as kept

    plain, seen = kept.insert, []

    def breaks(*args: object) -> None:
        seen.append(args)
        if len(seen) == 2:
            raise StoreError("the disk is full")
        plain(*args)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(kept, "insert", breaks)
        assert "the disk is full" in run(*record, code=2)
    with Store.open(store) as opened:
        assert not opened.job("1").readings
    together = json.loads(run(*record, "--json"))["readings"]
    assert [r["reading"] for r in together] == ["R1", "R2"]
    other = store.with_name("other.sqlite")
    run("open", "--system", "mag-cdi", "--complaint", "no-spark", "--store", other)
    one = json.loads(run("record", "1", "vexc", "112", "--store", other, "--json"))
    two = json.loads(run("record", "1", "rexc", "15 ohm", "--store", other, "--json"))
    assert [one, two] == together


def test_files_without_end(tmp_path: Path, store: Path) -> None:
    """Each reader stops, soon, in a sentence."""
    ours = Path(__file__).parents[1] / "demo" / "import" / "ours.toml"
    for name in ("z.jsonl", "z.csv", "z.toml"):
        (tmp_path / name).symlink_to("/dev/zero")
    started = time.monotonic()
    for args in (
        ["record", "1", "--file", "/dev/zero", "--store", store],
        ["restore", tmp_path / "z.jsonl", "--store", store],
        ["restore", "/dev/zero", "--store", store],
        ["import", tmp_path / "z.jsonl", "--store", store],
        ["import", tmp_path / "z.csv", "--map", ours, "--to", tmp_path / "o.jsonl"],
        ["import", tmp_path / "z.csv", "--map", tmp_path / "z.toml", "--to", tmp_path / "o.jsonl"],
        ["tune", "--dry-run", tmp_path / "z.csv", "--store", store],
        ["tune", "--dry-run", tmp_path / "z.jsonl", "--store", store],
        ["check", tmp_path / "z.toml"],
    ):
        run(*args, code=2)
    assert time.monotonic() - started < 20
    assert not (tmp_path / "o.jsonl").exists()


def test_a_pipe_of_jobs_without_end(tmp_path: Path) -> None:
    """A file of lines that never ends is refused at its bound; its number is told."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    code = f"import sys\nwith open({str(pipe)!r}, 'w') as f:\n    while True: f.write('{{}}\\n')"
    writer = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.DEVNULL)
    try:
        with pytest.raises(FileError, match=r"line 3\d+: at most 1,000 bytes"):
            list(inputs.lines_of(pipe, 100, 1000))
    finally:
        writer.wait(timeout=20)


def test_a_store_of_endless_views_is_none(tmp_path: Path, store: Path) -> None:
    """A database from elsewhere may compute its rows for ever; tables hold what they hold."""
    rows = "WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c)"
    for name, what in (("events", "job, n AS seq, at, kind, uid, data"), ("jobs", "n AS key")):
        path = tmp_path / f"endless-{name}.sqlite"
        shutil.copy(store, path)
        with sqlite3.connect(path) as copy:
            copy.execute(f"ALTER TABLE {name} RENAME TO kept")
            more = ", id, folded, number" if name == "jobs" else ""
            copy.execute(
                f"CREATE VIEW {name} AS {rows} SELECT {what}{more} FROM c, (SELECT * FROM kept)"
            )
        copy.close()
        started = time.monotonic()
        assert "is no table" in run("restore", path, "--store", tmp_path / "new.sqlite", code=2)
        assert time.monotonic() - started < 10


def test_names_of_a_file_of_jobs(tmp_path: Path, store: Path) -> None:
    """A job's name follows the rule for names also when it comes from elsewhere."""
    run("open", "--system", "mag-cdi", "--complaint", "no-spark", "--name", "ok", "--store", store)
    file = tmp_path / "jobs.jsonl"
    run("export", "ok", "--to", file, "--store", store)
    text = file.read_text()
    for bad in (r"\u001b[2J", "../ok", "a" * 70, "7"):
        file.write_text(text.replace('"ok"', f'"{bad}"'))
        assert "line 2" in run("restore", file, "--store", tmp_path / "new.sqlite", code=2)
    file.write_text(text.replace('"ok"', '"other"', 1))
    assert "line 2" in run("restore", file, "--store", tmp_path / "new.sqlite", code=2)


def test_words_of_an_imported_list(tmp_path: Path) -> None:
    """A cell that holds what is no text refuses its row, with the place."""
    demo = Path(__file__).parents[1] / "demo" / "import"
    lines = (demo / "list.csv").read_text(encoding="utf-8").splitlines()
    bad = lines[1][:3] + "\x1b" + lines[1][3:]
    file = tmp_path / "list.csv"
    file.write_text("\n".join([lines[0], bad, *lines[2:]]), encoding="utf-8")
    command = ["import", file, "--map", demo / "ours.toml", "--to", tmp_path / "o.jsonl"]
    assert "U+001B" in run(*command, "--skip-bad")
    assert b"u001b" not in (tmp_path / "o.jsonl").read_bytes()


# ---- where stores are --------------------------------------------------------------------------


def test_windows_shares() -> None:
    """The forms of www.sqlite.org/uri.html: drives behind a slash, shares behind no authority."""
    from pathlib import PurePosixPath, PureWindowsPath

    assert file_uri(PurePosixPath("/a b/j?.sqlite")) == "file:///a%20b/j%3F.sqlite"
    assert file_uri(PureWindowsPath(r"C:\shop\jobs.sqlite")) == "file:///C:/shop/jobs.sqlite"
    share = PureWindowsPath(r"\\server\share\x.sqlite")
    assert file_uri(share) == "file:////server/share/x.sqlite"
    with pytest.raises(StoreError, match="share as Windows names it"):
        Store.open(r"\\server\share\x.sqlite")


def test_sqlite_opens_such_uris(tmp_path: Path) -> None:
    """Also those of odd names."""
    for name in ("a b.sqlite", "50%.sqlite", "a?b#c.sqlite", "é.sqlite"):
        with Store.open(tmp_path / name) as store:
            store.jobs()
        assert (tmp_path / name).is_file()


# ---- records from elsewhere --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("verdict", "refused"),
    [
        ({"faults": 5}, True),
        ({"faults": [1]}, True),
        ({"grade": []}, True),
        ({"minutes": "x"}, True),
        ({"minutes": True}, True),
        ({"note": {}}, True),
        ({"faults": ["x"]}, False),
        ({"faults": ["exc.gone"], "minutes": -5, "p_at_close": 7}, False),
        ({}, False),
    ],
)
def test_verdicts_from_elsewhere(
    verdict: dict[str, object], refused: bool, store: Path, tmp_path: Path
) -> None:
    """What could not be shown is refused with its line; a fault of another model is shown."""
    file = tmp_path / "jobs.jsonl"
    run("close", "1", "--grade", "gave-up", "--store", store)
    run("export", "1", "--to", file, "--store", store)
    head, row = (json.loads(line) for line in file.read_text().splitlines())
    row["events"][-1]["data"]["verdict"] = verdict
    for event in row["events"]:
        del event["hash"]  # as a file of the first form, which another program may have written
    file.write_text(f"{json.dumps({**head, 'schema': 1})}\n{json.dumps(row)}\n")
    other = tmp_path / "other.sqlite"
    if refused:
        assert "line 2" in run("restore", file, "--store", other, code=2)
        return
    run("restore", file, "--store", other)
    for command in (["show", "1"], ["odds", "1"], ["report", "1", "--to", tmp_path / "x.html"]):
        run(*command, "--store", other)


@pytest.mark.parametrize("style", ["%Y%Y", "%d.%m", "%", ""])
def test_styles_of_dates(style: str, tmp_path: Path) -> None:
    """A mapping whose style does not give back a whole date is refused before a row is read."""
    demo = Path(__file__).parents[1] / "demo" / "import"
    ours = tmp_path / "ours.toml"
    text = (demo / "ours.toml").read_text(encoding="utf-8")
    ours.write_text(text.replace('"%d.%m.%Y"', json.dumps(style)), encoding="utf-8")
    command = ["import", demo / "list.csv", "--map", ours, "--to", tmp_path / "o.jsonl"]
    assert "dates" in run(*command, code=2)
