"""Compiled tables on disk: fetched when sound, made anew when anything is wrong with them."""

from __future__ import annotations

import json
import os
import pickle
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchodds.basics.tables import Table
from benchodds.infer.assess import Machine
from benchodds.infer.network import physics
from benchodds.keep import files, kept
from benchodds.keep.cache import TableCache, pack, unpack
from benchodds.keep.kept import content_key
from benchodds.model.jobs import Technique

TABLE = Table(("a", "b"), np.array([[0.25, 1.0], [0.75, 0.0]]))


@pytest.fixture
def shelf(tmp_path: Path) -> TableCache:
    """An empty cache."""
    return TableCache(content_key("machine"), tmp_path / "cache")


def the_file(folder: Path) -> Path:
    """The one cache file."""
    (path,) = folder.glob("*.npz")
    return path


def test_what_was_put_is_got_bit_for_bit(shelf: TableCache) -> None:
    """Arrays, scopes and note come back exactly."""
    shelf.put("x", {"n": [1, "two"]}, [TABLE])
    got = shelf.get("x")
    assert got is not None
    note, (table,) = got
    assert note == {"n": [1, "two"]}
    assert table.scope == TABLE.scope
    assert np.array_equal(table.p, TABLE.p)


def test_another_machine_or_name_finds_nothing(shelf: TableCache, tmp_path: Path) -> None:
    """The name is a hash of all that the tables follow from."""
    shelf.put("x", None, [TABLE])
    assert shelf.get("y") is None
    assert TableCache(content_key("other"), tmp_path / "cache").get("x") is None


def _truncate(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-40])


def _garble(path: Path) -> None:
    data = bytearray(path.read_bytes())
    for i in range(60, len(data), 7):
        data[i] ^= 0xA5
    path.write_bytes(bytes(data))


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _pickled(path: Path) -> None:
    path.write_bytes(pickle.dumps({"a": 1}))


def _objects(path: Path) -> None:
    with path.open("wb") as file:
        np.savez(file, meta=np.array([{"key": 1}], dtype=object))


def _one_flipped_bit(path: Path) -> None:
    data = bytearray(path.read_bytes())
    at = bytes(data).index(TABLE.p.tobytes())
    data[at + 3] ^= 1
    path.write_bytes(bytes(data))


def _foreign(path: Path) -> None:
    other = TableCache(content_key("other"), path.parent / "other")
    other.put("x", None, [TABLE])
    path.write_bytes(the_file(path.parent / "other").read_bytes())


@pytest.mark.parametrize(
    "damage", [_truncate, _garble, _empty, _pickled, _objects, _one_flipped_bit, _foreign]
)
def test_damaged_or_foreign_file_is_not_trusted(
    shelf: TableCache, tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    """Whatever is wrong with a file, it is not found; putting again mends it."""
    shelf.put("x", None, [TABLE])
    path = the_file(tmp_path / "cache")
    damage(path)
    assert shelf.get("x") is None
    shelf.put("x", None, [TABLE])
    assert shelf.get("x") is not None


def test_random_damage_never_raises_and_never_misleads(shelf: TableCache, tmp_path: Path) -> None:
    """Whatever bytes of a file are changed or cut off, it is found unchanged or not at all."""
    shelf.put("x", None, [TABLE])
    path = the_file(tmp_path / "cache")
    sound = path.read_bytes()
    rng = np.random.default_rng(7)
    for _ in range(1500):
        data = bytearray(sound)
        for at in rng.integers(len(data), size=rng.integers(1, 5)):
            data[at] = rng.integers(256)
        if rng.random() < 0.2:
            data = data[: rng.integers(len(data))]
        path.write_bytes(bytes(data))
        got = shelf.get("x")
        if got is not None:
            note, (table,) = got
            assert (note, table.scope) == (None, TABLE.scope)
            assert np.array_equal(table.p, TABLE.p)


def _rewritten(path: Path, change: Callable[[dict[str, Any]], None], compress: bool) -> None:
    with np.load(path) as data:
        meta, p = json.loads(data["meta"].tobytes()), data["t0"]
    change(meta)
    blob = np.frombuffer(json.dumps(meta).encode(), dtype=np.uint8)
    (np.savez_compressed if compress else np.savez)(path, meta=blob, t0=p)


@pytest.mark.parametrize(
    ("change", "compress"),
    [
        (lambda meta: meta.pop("note"), False),
        (lambda meta: meta.update(scopes=7), False),
        (lambda meta: meta.update(scopes=[1]), False),
        (lambda meta: meta.update(scopes=[["a", "b"], ["c"]]), False),
        (lambda meta: meta.update(key="0" * 64), False),
        (lambda meta: None, True),
    ],
)
def test_well_formed_but_foreign_contents_are_not_trusted(
    shelf: TableCache, tmp_path: Path, change: Callable[[dict[str, Any]], None], compress: bool
) -> None:
    """A readable file whose text or packing is not what is written here is not found."""
    shelf.put("x", None, [TABLE])
    _rewritten(the_file(tmp_path / "cache"), change, compress)
    assert shelf.get("x") is None


def test_the_key_follows_the_source(monkeypatch: pytest.MonkeyPatch) -> None:
    """Other code of the same version looks for other files."""
    before = content_key("machine")
    monkeypatch.setattr(kept, "_source", lambda: "edited")
    assert content_key("machine") != before


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="needs file modes")
def test_files_are_private_and_must_be(shelf: TableCache, tmp_path: Path) -> None:
    """Folder and files are for their owner alone; a file others may write is not trusted."""
    shelf.put("x", None, [TABLE])
    path = the_file(tmp_path / "cache")
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.parent.stat().st_mode & 0o777 == 0o700
    path.chmod(0o666)
    assert shelf.get("x") is None


def test_scalars_and_other_layouts_come_back(shelf: TableCache) -> None:
    """A table without variables, and one whose array is a transposed view."""
    p = np.arange(6.0).reshape(2, 3).T
    shelf.put("x", None, [Table((), np.array(2.0)), Table(("a", "b"), p)])
    got = shelf.get("x")
    assert got is not None
    scalar, table = got[1]
    assert scalar.p.shape == ()
    assert float(scalar.p) == 2.0
    assert np.array_equal(table.p, p)


def test_room_is_bounded(
    shelf: TableCache, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Files longest unused go when there are many; a fetched one counts as used."""
    monkeypatch.setattr(kept, "MOST_KEPT", 8_000)
    folder = tmp_path / "cache"
    for i in range(12):
        shelf.put(f"n{i}", None, [TABLE])
    for i, path in enumerate(sorted(folder.glob("*.npz"))):
        os.utime(path, (1e9 + i, 1e9 + i))
    assert shelf.get("n0") is not None
    shelf.prune()
    assert sum(p.stat().st_size for p in folder.iterdir()) <= 8_000
    assert shelf.get("n0") is not None


def test_half_written_files_are_cleared(shelf: TableCache, tmp_path: Path) -> None:
    """What a process that died left behind goes; what may still be written stays."""
    shelf.put("x", None, [TABLE])
    old, new = (tmp_path / "cache" / name for name in ("old.tmp", "new.tmp"))
    for path in (old, new):
        path.write_bytes(b"half")
    os.utime(old, (1e9, 1e9))
    shelf.prune()
    assert not old.exists()
    assert new.exists()


@pytest.mark.parametrize(
    "p",
    [
        np.array([np.nan, 1.0]),
        np.array([-0.1, 1.1]),
        np.array([[0.5, 0.5]]),
        np.array([1, 0]),
        np.array([np.inf, 0.0]),
    ],
)
def test_unsound_numbers_are_not_trusted(shelf: TableCache, p: np.ndarray) -> None:
    """Not finite, negative, of the wrong type or number of axes: not found."""
    shelf.put("x", None, [Table(("a",), p)])
    assert shelf.get("x") is None


def test_a_folder_that_cannot_be_written_is_no_error(tmp_path: Path) -> None:
    """A file where the folder should be: nothing is kept and nothing fails."""
    blocked = tmp_path / "file"
    blocked.write_text("in the way", encoding="utf-8")
    shelf = TableCache(content_key("machine"), blocked)
    shelf.put("x", None, [TABLE])
    assert shelf.get("x") is None


def test_many_writers_leave_one_sound_file(shelf: TableCache, tmp_path: Path) -> None:
    """Written whole or not at all, and no leavings."""
    threads = [threading.Thread(target=shelf.put, args=("x", i, [TABLE])) for i in range(16)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    got = shelf.get("x")
    assert got is not None
    assert got[0] in range(16)
    assert list((tmp_path / "cache").iterdir()) == [the_file(tmp_path / "cache")]


def test_a_machine_from_the_shelf_is_the_same_machine(tmp_path: Path) -> None:
    """Physics, findings and predictions fetched from disk equal those worked out."""
    model, bench = files.load_system("mag-cdi"), files.load_bench("bench")
    priors = files.load_priors("mag-cdi")
    shelf = TableCache(content_key("m"), tmp_path)
    fresh = Machine(model, bench, priors, *physics(model, bench), shelf=shelf)
    shelf.put("physics", *pack(fresh.variables, fresh.tables))
    technique = Technique(how="drill", meter="10M")
    for test, values in (("vexc", ("112",)), ("rexc", ("14",)), ("gap", ("none 0/10",))):
        fresh.finding(test, values, technique, "h")
        fresh.predictive(test, technique)
    got = shelf.get("physics")
    assert got is not None
    unpacked = unpack(*got)
    assert unpacked is not None
    again = Machine(model, bench, priors, *unpacked, shelf=shelf)
    assert again.variables["exciter_ohm"].points is not None
    for name, table in fresh.tables.items():
        assert np.array_equal(table.p, again.tables[name].p)
        assert np.array_equal(
            np.nan_to_num(
                fresh.variables[name].points if fresh.variables[name].points is not None else 0
            ),
            np.nan_to_num(
                again.variables[name].points if again.variables[name].points is not None else 0
            ),
        )
    for test, values in (("vexc", ("112",)), ("rexc", ("14",)), ("gap", ("none 0/10",))):
        a, b = (
            fresh.finding(test, values, technique, "h"),
            again.finding(test, values, technique, "h"),
        )
        assert a is not None
        assert b is not None
        assert a.scope == b.scope
        assert np.array_equal(a.p, b.p)
        (o1, p1), (o2, p2) = fresh.predictive(test, technique), again.predictive(test, technique)
        assert o1 == o2
        assert np.array_equal(p1.p, p2.p)


def test_kept_table_of_another_shape_is_made_anew(tmp_path: Path) -> None:
    """A sound file whose table does not fit the machine's variables is not used."""
    model, bench = files.load_system("mag-cdi"), files.load_bench("bench")
    shelf = TableCache(content_key("m"), tmp_path)
    machine = Machine(
        model, bench, files.load_priors("mag-cdi"), *physics(model, bench), shelf=shelf
    )
    shelf.put("finding rexc ('14',) []", None, [Table(("exciter_ohm",), np.ones(3))])
    found = machine.finding("rexc", ("14",), Technique(), "h")
    assert found is not None
    assert found.p.shape[0] == machine.variables["exciter_ohm"].size


def test_a_file_of_ours_is_parsed_once_until_a_byte_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Model, bench and priors come back equal; one byte more, or damage, and they are read anew."""
    monkeypatch.setenv("BENCHODDS_CACHE", str(tmp_path / "cache"))
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path))
    own = tmp_path / "models" / "mine.toml"
    own.parent.mkdir()
    text = files.find("models", "tci").read_text(encoding="utf-8")
    own.write_text(text, encoding="utf-8")
    parsed: list[Path] = []
    parse = files._parsed
    monkeypatch.setattr(files, "_parsed", lambda p, t: (parsed.append(p), parse(p, t))[1])

    def load() -> tuple[object, ...]:
        return files.load_system("mine"), files.load_bench("bench"), files.load_priors("tci")

    first = load()
    assert load() == first
    assert len(parsed) == 3
    own.write_text(text + "#", encoding="utf-8")
    assert load() == first  # a comment is no content
    assert parsed[3:] == [own]
    own.write_text(text.replace('version = "', 'version = "9', 1), encoding="utf-8")
    assert load() != first
    assert parsed[4:] == [own]
    for path in (tmp_path / "cache").iterdir():
        path.write_bytes(path.read_bytes().replace(b"12 min", b"13 min").replace(b"0.0", b"0.1"))
    changed = load()
    assert (changed[1:], len(parsed)) == (first[1:], 8)
    for path in (tmp_path / "cache").iterdir():
        path.chmod(0o666)
    assert load() == changed
    assert len(parsed) == 11
