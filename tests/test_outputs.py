"""What commands write: whole or not at all, nothing over what is there, never over a store."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchodds.basics.errors import BenchoddsError, FileError
from benchodds.cli.main import main
from benchodds.keep import outputs
from benchodds.keep.outputs import making, write

DEMO = Path(__file__).parents[1] / "demo"


def run(*args: object, code: int | None = 0) -> str:
    """What a command prints."""
    result = CliRunner().invoke(main, [str(a) for a in args])
    assert result.exception is None or isinstance(result.exception, SystemExit), args
    assert code is None or result.exit_code == code, result.output
    return result.output


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with one job and one reading."""
    path = tmp_path / "jobs.sqlite"
    run("open", "--system", "mag-cdi", "--complaint", "no-spark", "--store", path)
    run("record", "1", "vexc", "112", "--store", path)
    return path


def writers(folder: Path, store: Path, target: Path) -> dict[str, list[object]]:
    """Every command that writes a file that a person names."""
    some = ["import", DEMO / "import" / "list.csv", "--map", DEMO / "import" / "ours.toml"]
    return {
        "export": ["export", "--to", target.with_suffix(".jsonl"), "--store", store],
        "export network": ["export", "1", "--to", target, "--store", store],
        "schema": ["schema", "model", "--to", target],
        "report": ["report", "1", "--to", target.with_suffix(".html"), "--store", store],
        "worksheet": ["worksheet", "mag-cdi", "--to", target.with_suffix(".html")],
        "import": [*some, "--skip-bad", "--to", target],
        "draw": ["draw", "starter", "--jobs", "1", "--to", target],
        "backup": ["backup", target.with_suffix(".jsonl"), "--store", store],
        "new": ["new", target.stem, "--to", folder],
        "why": ["why", "1", "--figures", folder, "--store", store],
    }


NAMES = list(writers(Path(), Path(), Path("x")))


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_written_over_unless_that_is_said(
    name: str, store: Path, tmp_path: Path
) -> None:
    """The second time is refused in a sentence and changes nothing; --overwrite writes."""
    folder = tmp_path / "out"
    folder.mkdir()
    command = writers(folder, store, folder / "x")[name]
    run(*command)
    made = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    assert made
    for path in made:
        path.write_bytes(b"mine")
    assert "--overwrite" in run(*command, code=2)
    assert all(p.read_bytes() == b"mine" for p in made)
    run(*command, "--overwrite")
    assert not any(p.read_bytes() == b"mine" for p in made)
    assert {p for p in folder.rglob("*") if p.is_file()} == set(made)


@pytest.mark.parametrize("name", NAMES)
def test_a_store_is_never_written_over(name: str, store: Path, tmp_path: Path) -> None:
    """Whatever it is called, and through a link; any other database neither."""
    folder = tmp_path / "out"
    folder.mkdir()
    command = writers(folder, store, folder / "x")[name]
    run(*command)
    before = store.read_bytes()
    path = next(p for p in sorted(folder.rglob("*")) if p.is_file())
    path.unlink()
    path.symlink_to(store)
    assert "never written over" in run(*command, "--overwrite", code=2)
    assert store.read_bytes() == before
    path.unlink()
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE mine (x)")
    other.close()
    before = path.read_bytes()
    assert "never written over" in run(*command, "--overwrite", code=2)
    assert path.read_bytes() == before


def test_a_journal_that_mends_a_store_is_kept(tmp_path: Path) -> None:
    """It begins as SQLite's file format says (section 3)."""
    path = tmp_path / "jobs.sqlite-journal"
    path.write_bytes(bytes.fromhex("d9d505f920a163d7") + bytes(504))
    with pytest.raises(FileError, match="never written over"):
        write(path, ["x"], overwrite=True)


def torn() -> Iterator[str]:
    """A text that breaks off."""
    yield "half"
    raise BenchoddsError("no more")


def test_a_file_comes_whole_or_not_at_all(tmp_path: Path) -> None:
    """An error on the way leaves nothing behind, and what was there as it was."""
    target = tmp_path / "a.txt"
    for overwrite in (False, True):
        with pytest.raises(BenchoddsError, match="no more"):
            write(target, torn(), overwrite)
        assert [p.name for p in tmp_path.iterdir()] == (["a.txt"] if overwrite else [])
        target.write_text("mine")
    assert target.read_text() == "mine"


def test_a_file_made_meanwhile_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another program that is quicker wins, with links and where there are none."""
    for can_link in (True, False):
        target = tmp_path / f"{can_link}.txt"
        with (
            pytest.raises(FileError, match="is there already"),
            making(target) as new,
        ):
            new.write_text("late")
            target.write_text("first")
            if not can_link:
                monkeypatch.setattr(os, "link", refused)
        assert target.read_text() == "first"
    write(tmp_path / "b.txt", ["free"])
    assert (tmp_path / "b.txt").read_text() == "free"


def refused(*_args: object) -> None:
    """A file system without links."""
    raise OSError(1, "Operation not permitted")


CAPPED = """
import resource, signal, sys
from pathlib import Path
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
from benchodds.basics.errors import FileError
from benchodds.keep.outputs import write
try:
    write(Path(sys.argv[1]), ["x" * 1000] * 100, overwrite=True)
except FileError as error:
    print(error)
"""


def test_a_full_disk_leaves_what_was_there(tmp_path: Path) -> None:
    """A file that may not grow stands for the disk: a sentence, and no piece of it stays."""
    target = tmp_path / "a.txt"
    target.write_text("mine")
    command = [sys.executable, "-c", CAPPED, str(target)]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert said == f"{target} cannot be written (File too large)\n"
    assert target.read_text() == "mine"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (".", "is a folder"),
        ("/dev/null", "is not a plain file"),
        ("none/a.txt", "No such file"),
        ("a" * 300, "File name too long"),
    ],
)
def test_places_that_cannot_be(name: str, words: str, tmp_path: Path) -> None:
    """Each is told in a sentence."""
    for overwrite in (False, True):
        with pytest.raises(FileError, match=words):
            write(tmp_path / name, ["x"], overwrite)


def test_a_backup_store_is_whole_or_not_there(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that breaks off leaves no store that holds nothing."""
    from benchodds.keep.store import Store

    def fail(*_args: object) -> None:
        raise BenchoddsError("cut off")

    monkeypatch.setattr(Store, "take_in", fail)
    before = set(tmp_path.iterdir())
    assert "cut off" in run("backup", tmp_path / "copy.sqlite", "--store", store, code=2)
    assert set(tmp_path.iterdir()) == before


def test_a_folder_of_other_files_is_no_place_for_a_run(tmp_path: Path) -> None:
    """simulate --out writes into an empty folder, or goes on with its own run."""
    (tmp_path / "summary.csv").write_text("mine")
    command = ["simulate", "starter", "--jobs", "1", "--policy", "random", "--out"]
    assert "take another folder" in run(*command, tmp_path, code=2)
    assert [p.read_text() for p in tmp_path.iterdir()] == ["mine"]


def test_everything_is_written_in_one_place() -> None:
    """No other module writes files that people name."""
    source = Path(outputs.__file__).parents[1]
    ours = {"outputs.py", "kept.py"}  # tables of the cache are nobody's files
    for path in source.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        for way in (".write_text(", ".write_bytes(", ".savefig("):
            # pages.py makes a figure to stand inside a page
            allowed = ours | ({"pages.py"} if way == ".savefig(" else set())
            assert path.name in allowed or way not in text, f"{path.name}: {way}"
