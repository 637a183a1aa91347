"""What was worked out before, kept on disk for the next command.

What is kept is named by a hash of everything it follows from: the package's version and source,
format, and contents; a file changed by one byte has another name. What is stale, foreign or
damaged is not found, and is made anew; a folder that cannot be written is no error. Nothing is
believed that another user could have written, and nothing is ever unpickled.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
import time
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

from benchodds import __version__
from benchodds.basics.digest import digest

T = TypeVar("T")
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


def found(path: Path, read: Callable[[BinaryIO], T | None]) -> T | None:
    """What ``read`` makes of a file that is the user's own; None when it cannot be trusted."""
    try:
        with path.open("rb") as file:
            if not _is_ours(os.fstat(file.fileno())):
                return None
            made = read(file)
    except Exception:  # damage can surface as any error of zip, array header or JSON reading
        return None
    with contextlib.suppress(OSError):
        os.utime(path)
    return made


def keep(path: Path, data: bytes) -> None:
    """Keep bytes in a file for the user alone; written whole or not at all."""
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle, temporary = tempfile.mkstemp(dir=path.parent, suffix=".tmp")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            Path(temporary).replace(path)
        except OSError:
            Path(temporary).unlink(missing_ok=True)


def plain(key: str, make: Callable[[], T], tell: Callable[[T], Any], read: Callable[[Any], T]) -> T:
    """What was made before under a key, else what ``make`` makes, kept as the JSON of ``tell``."""
    path = default_folder() / f"{key}.json"

    def proved(file: BinaryIO) -> T | None:
        said, _line, text = file.read().partition(b"\n")
        return read(json.loads(text)) if said == _proof(key, text) else None

    if (kept := found(path, proved)) is not None:
        return kept
    made = make()
    with contextlib.suppress(TypeError):  # it holds what JSON has no word for
        text = json.dumps(tell(made)).encode()
        keep(path, _proof(key, text) + b"\n" + text)
    return made


def _proof(key: str, text: bytes) -> bytes:
    return hashlib.sha256(key.encode() + text).hexdigest().encode()


def prune(folder: Path) -> None:
    """Drop the files longest unused when they take much room, and what was left half-written."""
    with contextlib.suppress(OSError):
        kinds = (".npz", ".json", ".tmp")
        stats = [(p.stat(), p) for p in folder.iterdir() if p.suffix in kinds]
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
