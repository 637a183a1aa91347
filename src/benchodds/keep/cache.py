"""Compiled tables kept on disk, so that a one-shot command starts quickly; see ``kept``.

A file is an uncompressed ``.npz`` without pickles: arrays and one JSON text, named by a hash of
the model of the variant, the bench, and for a reading its text and technique. What is of the
wrong shape is made anew.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from benchodds.basics.tables import Array, Table, Variable
from benchodds.keep.kept import MOST_BYTES, content_key, default_folder, found, keep, prune


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
        key = content_key(self._base, name)
        return found(self._path(name), lambda file: _read(file, key))

    def put(self, name: str, note: Any, tables: Sequence[Table]) -> None:
        """Keep tables with a JSON-able note; written whole or not at all."""
        meta = {
            "key": content_key(self._base, name),
            "note": note,
            "scopes": [list(t.scope) for t in tables],
        }
        blob = np.frombuffer(json.dumps(meta).encode(), dtype=np.uint8)
        arrays = {f"t{i}": np.asarray(t.p, order="C") for i, t in enumerate(tables)}
        buffer = io.BytesIO()
        np.savez(buffer, meta=blob, **arrays)  # type: ignore[arg-type]
        keep(self._path(name), buffer.getvalue())
        if not self._pruned:
            self._pruned = True
            self.prune()

    def prune(self) -> None:
        """Drop what is longest unused when it takes much room; done once by itself, at a put."""
        prune(self._folder)


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
