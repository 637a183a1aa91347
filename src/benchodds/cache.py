"""Compiled tables kept on disk, so that a one-shot command starts quickly.

What is kept is named by a hash of everything it follows from: package version, format, model
of the variant, bench, and for a reading its text and technique. A file is an uncompressed
``.npz`` without pickles: arrays and one JSON text. What is stale, foreign, damaged or of the
wrong shape is not found, and is made anew; a folder that cannot be written is no error.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchodds import __version__
from benchodds.tables import Array, Table, Variable

FORMAT = 1
FOLDER_VARIABLE = "BENCHODDS_CACHE"
MOST_FILES = 4000
MOST_BYTES = 100_000_000


def default_folder() -> Path:
    """The folder named by BENCHODDS_CACHE, or the user's own cache folder."""
    from platformdirs import user_cache_path

    own = os.environ.get(FOLDER_VARIABLE)
    return Path(own) if own else user_cache_path("benchodds", appauthor=False)


def content_key(*parts: Any) -> str:
    """Hash of JSON-able parts, the package version and the cache format."""
    text = json.dumps([FORMAT, __version__, *parts], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


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

    def _path(self, name: str) -> Path:
        return self._folder / f"{content_key(self._base, name)}.npz"

    def get(self, name: str) -> tuple[Any, list[Table]] | None:
        """The note and tables kept under a name; None when there are none to be trusted."""
        path = self._path(name)
        try:
            if path.stat().st_size > MOST_BYTES:
                return None
            with path.open("rb") as file, np.load(file, allow_pickle=False) as data:
                meta = json.loads(data["meta"].tobytes().decode())
                if meta["key"] != content_key(self._base, name):
                    return None
                arrays = [data[f"t{i}"] for i in range(len(meta["scopes"]))]
        except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
            return None
        tables = []
        for scope, p in zip(meta["scopes"], arrays, strict=True):
            if not _is_sound(p, len(scope)):
                return None
            tables.append(Table(tuple(str(v) for v in scope), p))
        return meta["note"], tables

    def put(self, name: str, note: Any, tables: Sequence[Table]) -> None:
        """Keep tables with a JSON-able note; written whole or not at all."""
        meta = {
            "key": content_key(self._base, name),
            "note": note,
            "scopes": [list(t.scope) for t in tables],
        }
        blob = np.frombuffer(json.dumps(meta).encode(), dtype=np.uint8)
        arrays = {f"t{i}": np.ascontiguousarray(t.p) for i, t in enumerate(tables)}
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

    def prune(self) -> None:
        """Drop the files longest unused when there are very many."""
        with contextlib.suppress(OSError):
            files = list(self._folder.glob("*.npz"))
            if len(files) > MOST_FILES:
                files.sort(key=lambda p: p.stat().st_mtime)
                for path in files[: len(files) - MOST_FILES // 2]:
                    path.unlink(missing_ok=True)


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
