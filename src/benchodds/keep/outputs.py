"""Files that commands write: whole or not at all, never over another one unless that is said.

Everything that a person names with ``--to`` or ``--out`` is written here. A job store is never
written over, whatever is said.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from io import BytesIO
from pathlib import Path
from typing import Any

from benchodds.basics.errors import FileError
from benchodds.basics.language import _

_STORES = (b"SQLite format 3\0", b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7")
"""How a database and its rollback journal begin (www.sqlite.org/fileformat.html, 1.3 and 3)."""


def free(target: Path, overwrite: bool = False) -> Path:
    """The place of a file to be written, links followed.

    Raises
    ------
    FileError
        Something is there already: a file that may not be written over, a folder, a device, a
        job store or any other database.
    """
    if not os.path.lexists(target):
        return target
    place = Path(os.path.realpath(target))
    if place.is_dir():
        raise FileError(_("{target} is a folder; name a file in it").format(target=target))
    if os.path.lexists(place) and not place.is_file():
        raise FileError(
            _("{target} is not a plain file and cannot be written whole").format(target=target)
        )
    if _is_store(place):
        raise FileError(
            _("{target} is a job store or another database, which is never written over").format(
                target=target
            )
        )
    if not overwrite:
        raise FileError(
            _("{target} is there already; name a new file, or say --overwrite").format(
                target=target
            )
        )
    return place


def _is_store(place: Path) -> bool:
    try:
        with place.open("rb") as file:
            return file.read(16).startswith(_STORES)
    except FileNotFoundError:
        return False  # a link to nowhere
    except OSError:
        return True  # what cannot be looked at is left alone


@contextmanager
def making(target: Path, overwrite: bool = False, folders: bool = False) -> Iterator[Path]:
    """A path to write a file at, which comes to be at its place at the end, whole and synced.

    What is left there at the end is moved; an error inside leaves nothing behind, and what was
    there before as it was. ``folders`` makes those above it. Raises FileError.
    """
    place = free(target, overwrite)
    new = place.with_name(f".{secrets.token_hex(8)}.new")
    try:
        if folders:
            place.parent.mkdir(parents=True, exist_ok=True)
        try:
            yield new
            if new.exists():
                _sync(new, os.O_RDWR)
                _move(new, target, overwrite)
        finally:
            with suppress(OSError):
                new.unlink(missing_ok=True)
    except OSError as error:
        reason = error.strerror or error
        raise FileError(
            _("{target} cannot be written ({reason})").format(target=target, reason=reason)
        ) from None


def _move(new: Path, target: Path, overwrite: bool) -> None:
    """Give a whole file its name; without ``overwrite`` not even over one made meanwhile."""
    place = free(target, overwrite)
    try:
        if overwrite:
            new.replace(place)
        else:
            os.link(new, place)
    except OSError:  # made meanwhile, which free() tells, or a file system without links
        new.replace(free(target, overwrite))
    with suppress(OSError):  # not on systems where a folder cannot be opened
        _sync(place.parent, os.O_RDONLY)


def _sync(path: Path, flags: int) -> None:
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write(
    target: Path,
    pieces: Iterable[str | bytes],
    overwrite: bool = False,
    folders: bool = False,
    mode: int | None = None,
) -> None:
    r"""Write a file of pieces, texts in UTF-8; half characters in old records as ``\udcff``.

    ``mode`` are its permissions, where not the usual ones. Raises FileError.
    """
    with making(target, overwrite, folders) as new, new.open("xb") as file:
        if mode is not None:
            new.chmod(mode)
        for piece in pieces:
            file.write(
                piece if isinstance(piece, bytes) else piece.encode("utf-8", "backslashreplace")
            )


def save_figures(figures: Mapping[Path, Any], overwrite: bool = False) -> None:
    """Save figures (of matplotlib) under their names, folders made; all are looked at first.

    Raises FileError.
    """
    for path in figures:
        free(path, overwrite)
    for path, figure in figures.items():
        data = BytesIO()
        figure.savefig(data, format=path.suffix[1:], dpi=150)
        write(path, [data.getvalue()], overwrite, folders=True)
