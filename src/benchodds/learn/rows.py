"""Lines of a file of jobs, one row at a time, with the number of each.

The file may be of any size: one row is held at a time, and a row has a bound. What cannot be
a row (cut off, a quote never closed, not text, too long) comes out as a :class:`RowError` in
its place, and reading goes on behind it.
"""

from __future__ import annotations

import csv
import json
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from benchodds.basics.errors import BenchoddsError, FileError, nearest
from benchodds.basics.language import _
from benchodds.keep.inputs import decoded
from benchodds.learn.cases import FIELDS, NEEDED
from benchodds.learn.written import RowError

MOST_BYTES = 100_000
"""Longest row that is read."""

MOST_PASSED = 100_000_000
"""Most bytes that are passed over in search of the end of a row."""

MOST_LINES = 50
"""Most lines that one row may take up (line breaks inside quotes)."""

MARKS = (",", ";", "\t")

Row = tuple[int, Sequence[Any] | RowError]
"""Number of the line that a row begins on (the header is 1), and its values or its mistake."""


class RowsError(BenchoddsError):
    """A file of jobs that cannot be used as it is."""


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of a file: its number, its text or its mistake, and whether it was ended."""

    number: int
    text: str | RowError
    ended: bool


def _lines(file: BinaryIO) -> Iterator[_Line]:
    """Lines of a file as text without their ends; a long one is passed over, not kept."""
    number = 0
    while raw := file.readline(MOST_BYTES + 1):
        number += 1
        if len(raw) > MOST_BYTES and not raw.endswith(b"\n"):
            n = len(raw)
            while (more := file.readline(MOST_BYTES)) and not more.endswith(b"\n"):
                n += len(more)
                if n > MOST_PASSED:
                    raise RowsError(
                        f"{file.name}: "
                        + _("row {number} has no end within {most:,} bytes").format(
                            number=number, most=MOST_PASSED
                        )
                    )
            n += len(more)
            said = RowError(
                _("is {n:,} bytes long; at most {most:,} are read").format(n=n, most=MOST_BYTES)
            )
            yield _Line(number, said, True)
            continue
        try:
            text: str | RowError = decoded(raw).rstrip("\r\n")
        except FileError as error:
            text = RowError(str(error))
        yield _Line(number, text, raw.endswith((b"\n", b"\r")))


class _Ahead:
    """Lines that can be looked at before they are taken."""

    def __init__(self, lines: Iterator[_Line]) -> None:
        self._lines = lines
        self._kept: deque[_Line] = deque()

    def peek(self, n: int) -> _Line | None:
        """The n-th line ahead (0 = the next), None behind the end."""
        while len(self._kept) <= n:
            line = next(self._lines, None)
            if line is None:
                return None
            self._kept.append(line)
        return self._kept[n]

    def take(self) -> _Line | None:
        """The next line, None at the end."""
        return self._kept.popleft() if self._kept else next(self._lines, None)


def _whole(first: str, ahead: _Ahead) -> str | RowError:
    """A row with the lines that belong to it, taken; only its own when a quote stays open."""
    quotes, parts = first.count('"'), [first]
    while quotes % 2:
        after = ahead.peek(len(parts) - 1) if len(parts) < MOST_LINES else None
        if after is None or isinstance(after.text, RowError):
            return RowError(_("opens a quote that is never closed"))
        parts.append(after.text)
        quotes += after.text.count('"')
    for _part in parts[1:]:
        ahead.take()
    return "\n".join(parts)


def records(path: Path) -> Iterator[tuple[int, list[str] | RowError]]:
    """Rows of a CSV file, header first, with the line each begins on. Raises RowsError."""
    with _opened(path) as file:
        ahead = _Ahead(_lines(file))
        first = ahead.take()
        header = first.text if first else ""
        if isinstance(header, RowError):
            raise RowsError(f"{path}: " + _("row 1 {problem}").format(problem=header))
        if not header.strip():
            raise RowsError(f"{path}: " + _("is empty, or has no header in its first line"))
        mark = max(MARKS, key=header.count)
        names = _fields(header, mark)
        if isinstance(names, RowError):
            raise RowsError(f"{path}: " + _("row 1 {problem}").format(problem=names))
        yield 1, names
        while (line := ahead.take()) is not None:
            text = line.text
            if isinstance(text, str):
                if not text.strip():
                    continue
                text = _whole(text, ahead) if '"' in text else text
            row = text if isinstance(text, RowError) else _fields(text, mark)
            if isinstance(row, list) and len(row) != len(names):
                cut = "" if line.ended else _("; the file seems to be cut off here")
                row = RowError(
                    _("has {n} fields where the header has {wanted}{cut}").format(
                        n=len(row), wanted=len(names), cut=cut
                    )
                )
            yield line.number, row


def _fields(text: str, mark: str) -> list[str] | RowError:
    """The fields of one row."""
    if '"' not in text:
        return text.split(mark)
    try:
        (row,) = csv.reader([text], delimiter=mark, strict=True)
    except (csv.Error, ValueError) as error:
        return RowError(_("is not a row of a CSV file ({error})").format(error=error))
    return row


def csv_rows(path: Path) -> Iterator[Row]:
    """Rows of a CSV file of jobs, values in the order of :data:`FIELDS`. Raises RowsError."""
    found = records(path)
    _, header = next(found)
    assert not isinstance(header, RowError)
    names = [h.strip().lower() for h in header]
    check_header(path, names)
    place = [names.index(f) if f in names else -1 for f in FIELDS]
    blank = -1 in place
    for number, row in found:
        if isinstance(row, RowError):
            yield number, row
        else:
            if blank:
                row.append("")  # what -1 points to
            yield number, [row[i] for i in place]


def check_header(path: Path, names: Sequence[str]) -> None:
    """Refuse a header with unknown, doubled or missing columns, by RowsError."""
    strange = [n for n in names if n not in FIELDS]
    doubled = [n for n in dict.fromkeys(names) if names.count(n) > 1]
    missing = [n for n in NEEDED if n not in names]
    said = [
        _("'{column}' is not a column known here{hint}").format(column=n, hint=nearest(n, FIELDS))
        for n in strange[:3]
    ]
    said += [_("'{column}' is there twice").format(column=n) for n in doubled]
    said += [_("'{column}' is missing").format(column=n) for n in missing]
    if said:
        raise RowsError(
            f"{path}: "
            + _(
                "row 1, the header: {said} (columns: {fields}; for another layout see "
                "'benchodds import')"
            ).format(said="; ".join(said), fields=", ".join(FIELDS))
        )


def json_rows(path: Path) -> Iterator[Row]:
    """Rows of a file with one JSON object per line. Raises RowsError when it cannot be read."""
    with _opened(path) as file:
        for line in _lines(file):
            if isinstance(line.text, RowError):
                yield line.number, line.text
            elif text := line.text.strip():
                yield line.number, _json_row(text, line.ended)


def _json_row(text: str, ended: bool) -> Sequence[Any] | RowError:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        cut = "" if ended else _("; the file seems to be cut off here")
        return RowError(_("is not JSON; one object per line, please{cut}").format(cut=cut))
    if not isinstance(data, Mapping):
        return RowError(_("is not a JSON object; one object per line, please"))
    strange = [k for k in data if k not in FIELDS]
    if strange:
        return RowError(
            _("has '{key}', which is not known here{near}").format(
                key=strange[0][:40], near=_near(strange[0])
            )
        )
    return [data.get(f, "") for f in FIELDS]


def _near(name: str) -> str:
    return nearest(name[:40], FIELDS)


def _opened(path: Path) -> BinaryIO:
    try:
        return path.open("rb")
    except OSError as error:
        raise RowsError(
            f"{path}: " + _("cannot be read ({reason})").format(reason=error.strerror)
        ) from None
