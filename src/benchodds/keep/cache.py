"""Compiled tables kept on disk, so that a one-shot command starts quickly.

What is kept is named by a hash of everything it follows from: the package's version and
source, format, model of the variant, bench, and for a reading its text and technique. A file
is an uncompressed ``.npz`` without pickles: arrays and one JSON text. What is stale, foreign,
damaged or of the wrong shape is not found, and is made anew; a folder that cannot be written
is no error.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import tempfile
import time
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from benchodds import __version__
from benchodds.basics.digest import digest
from benchodds.basics.tables import Array, Table, Variable

FORMAT = 2
FOLDER_VARIABLE = "BENCHODDS_CACHE"
MOST_BYTES = 100_000_000
"""Largest file that is read."""

MOST_KEPT = 250_000_000
"""Bytes of all files from which those longest unused are dropped, down to half."""

ABANDONED = 3600.0
"""Age in seconds of a half-written file that nobody will finish."""


def default_folder() -> Path:
    """The folder named by BENCHODDS_CACHE, or the user's own cache folder."""
    from platformdirs import user_cache_path

    own = os.environ.get(FOLDER_VARIABLE)
    return Path(own) if own else user_cache_path("benchodds", appauthor=False)


@lru_cache(maxsize=1)
def _source() -> str:
    """Hash of the package's own source: tables made by other code are not those of this code."""
    found = hashlib.sha256()
    for path in sorted(Path(__file__).parents[1].rglob("*.py")):
        found.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return found.hexdigest()


def content_key(*parts: Any) -> str:
    """Hash of JSON-able parts, the package's version and source, and the cache format."""
    return digest([FORMAT, __version__, _source(), *parts])


class TableCache:
    """Named lists of tables under one content key.

    Parameters
    ----------
    base
        Content key of the machine that the tables belong to.
    folder
        Where the files are; :func:`default_folder` when left out.
    """

    def __init__(self, base: str, folder: Path | None = None) -> None:
        self._base = base
        self._folder = folder or default_folder()
        self._pruned = False

    def _path(self, name: str) -> Path:
        return self._folder / f"{content_key(self._base, name)}.npz"

    def get(self, name: str) -> tuple[Any, list[Table]] | None:
        """The note and tables kept under a name; None when there are none to be trusted."""
        path = self._path(name)
        try:
            with path.open("rb") as file:
                if not _is_ours(os.fstat(file.fileno())):
                    return None
                found = _read(file, content_key(self._base, name))
        except Exception:  # damage can surface as any error of zip, array header or JSON reading
            return None
        with contextlib.suppress(OSError):
            os.utime(path)
        return found

    def put(self, name: str, note: Any, tables: Sequence[Table]) -> None:
        """Keep tables with a JSON-able note; written whole or not at all."""
        meta = {
            "key": content_key(self._base, name),
            "note": note,
            "scopes": [list(t.scope) for t in tables],
        }
        blob = np.frombuffer(json.dumps(meta).encode(), dtype=np.uint8)
        arrays = {f"t{i}": np.asarray(t.p, order="C") for i, t in enumerate(tables)}
        with contextlib.suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            buffer = io.BytesIO()
            np.savez(buffer, meta=blob, **arrays)  # type: ignore[arg-type]
            handle, temporary = tempfile.mkstemp(dir=self._folder, suffix=".tmp")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(buffer.getvalue())
                Path(temporary).replace(self._path(name))
            except OSError:
                Path(temporary).unlink(missing_ok=True)
            if not self._pruned:
                self._pruned = True
                self.prune()

    def prune(self) -> None:
        """Drop the files longest unused when they take much room, and what was left half-written.

        Done once by itself, when something is put.
        """
        with contextlib.suppress(OSError):
            stats = [(p.stat(), p) for p in self._folder.iterdir() if p.suffix in (".npz", ".tmp")]
            stats.sort(key=lambda pair: (pair[0].st_mtime, pair[1].name))
            room = sum(s.st_size for s, _ in stats)
            full = room > MOST_KEPT
            for stat, path in stats:
                abandoned = path.suffix == ".tmp" and time.time() - stat.st_mtime > ABANDONED
                if abandoned or (full and room > MOST_KEPT // 2):
                    path.unlink(missing_ok=True)
                    room -= stat.st_size


def _is_ours(stat: os.stat_result) -> bool:
    """Whether a file is of a sensible size, and nobody else could have written it."""
    getuid = getattr(os, "getuid", None)
    return stat.st_size <= MOST_BYTES and (
        getuid is None or (stat.st_uid == getuid() and not stat.st_mode & 0o022)
    )


def _read(file: BinaryIO, key: str) -> tuple[Any, list[Table]] | None:
    """The note and tables of an open file, or None; raises anything where it is damaged."""
    with np.load(file, allow_pickle=False) as data:
        members = data.zip.infolist()
        if any(m.compress_type or m.file_size > MOST_BYTES for m in members):
            return None  # never written so, and could unpack to any size
        meta = json.loads(data["meta"].tobytes().decode())
        if meta["key"] != key:
            return None
        scopes = [tuple(str(v) for v in scope) for scope in meta["scopes"]]
        tables = [Table(scope, data[f"t{i}"]) for i, scope in enumerate(scopes)]
    return (meta["note"], tables) if all(_is_sound(t.p, len(t.scope)) for t in tables) else None


def _is_sound(p: Array, n_axes: int) -> bool:
    return bool(
        p.dtype == np.float64 and p.ndim == n_axes and np.isfinite(p).all() and (p >= 0).all()
    )


def pack(
    variables: Mapping[str, Variable], tables: Mapping[str, Table]
) -> tuple[dict[str, Any], list[Table]]:
    """Variables and their tables as a note and a list of tables for :class:`TableCache`.

    The points of a variable travel in the note: they may be infinite.
    """
    note = {
        name: {
            "states": list(v.states),
            "unit": v.unit,
            "points": None
            if v.points is None
            else [[repr(x) for x in r] for r in v.points.tolist()],
        }
        for name, v in variables.items()
    }
    return {"variables": note, "tables": list(tables)}, list(tables.values())


def unpack(
    note: Any, tables: Sequence[Table]
) -> tuple[dict[str, Variable], dict[str, Table]] | None:
    """What :func:`pack` packed; None when it does not fit together."""
    try:
        variables = {
            str(name): Variable(
                str(name),
                tuple(str(s) for s in spec["states"]),
                None
                if spec["points"] is None
                else np.array([[float(x) for x in r] for r in spec["points"]]),
                str(spec["unit"]),
            )
            for name, spec in note["variables"].items()
        }
        named = dict(zip(note["tables"], tables, strict=True))
    except (KeyError, TypeError, ValueError, AttributeError):
        return None
    for name, table in named.items():
        if name not in variables or table.scope[:1] != (name,):
            return None
        if any(v not in variables for v in table.scope):
            return None
        if table.p.shape != tuple(variables[v].size for v in table.scope):
            return None
        if not np.allclose(table.p.sum(axis=0), 1.0, atol=1e-9):
            return None
    return variables, named
