"""Rows of an SQLite file read from its pages, for a file that SQLite itself gives up.

A table's rows stand in its leaf pages, each page whole in itself. Every page is tried as one, so
that neither the file's beginning, nor what leads to the pages, nor the pages beside one need be
whole. What comes of pages that are none, or of rows long gone, is for the caller to tell apart: a
job's chain does. After the file format: sqlite.org/fileformat2.html, sections 1.6 and 2.1.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

Row = tuple[int, tuple[object, ...]]
"""A row's number (its INTEGER PRIMARY KEY, if it has one) and its columns."""

_SIZES = (0, 1, 2, 3, 4, 6, 8, 8, 0, 0)  # bytes of a value, by its serial type; more: see _value
_MOST_COLUMNS = 16


@dataclass(frozen=True)
class Leaves:
    """The bytes of an SQLite file."""

    data: bytes

    @cached_property
    def page(self) -> int:
        """Bytes in a page: as the file's beginning says, SQLite's usual where that is damaged."""
        said = int.from_bytes(self.data[16:18], "big")
        known = 512 <= said <= 32768 and said & (said - 1) == 0 and len(self.data) % said == 0
        return said if known else 4096

    def rows(self) -> Iterator[Row]:
        """Everything that can be a row, in the order of the file."""
        for start in range(0, len(self.data), self.page):
            body = self.data[start : start + self.page]
            slot = 8 + 100 * (start == 0)  # after the page's header, and the file's
            first = len(body)  # cells stand at the end, so their pointers end where they begin
            while slot + 2 <= first:
                (at,) = struct.unpack_from(">H", body, slot)
                slot += 2
                if slot <= at < len(body):
                    first = min(first, at)
                    if (row := self._row(body, at)) is not None:
                        yield row

    def _row(self, body: bytes, at: int) -> Row | None:
        try:
            size, at = _varint(body, at)
            number, at = _varint(body, at)
            return number, _values(self._payload(body, at, size))
        except (IndexError, ValueError, struct.error):
            return None

    def _payload(self, body: bytes, at: int, size: int) -> bytes:
        """A row's bytes, with what overflows to other pages."""
        most, least = self.page - 35, (self.page - 12) * 32 // 255 - 23
        if size <= most:
            return body[at : at + size]
        here = least + (size - least) % (self.page - 4)
        here = here if here <= most else least
        out = body[at : at + here]
        (page,) = struct.unpack_from(">I", body, at + here)
        while page and len(out) < size <= len(self.data):
            more = self.data[(page - 1) * self.page : page * self.page]
            (page,) = struct.unpack_from(">I", more)
            out += more[4 : 4 + size - len(out)]
        return out


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A number of one to nine bytes, and where it ends."""
    value = 0
    for n in range(9):
        byte = data[at + n]
        if n == 8:
            return value << 8 | byte, at + 9
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            break
    return value, at + n + 1


def _values(payload: bytes) -> tuple[object, ...]:
    """The columns of a row. Raises ValueError or IndexError when it is none."""
    end, at = _varint(payload, 0)
    out: list[object] = []
    place = end
    while at < end and len(out) <= _MOST_COLUMNS:
        kind, at = _varint(payload, at)
        size = _SIZES[kind] if kind < len(_SIZES) else (kind - 12) // 2
        if kind in (10, 11) or place + size > len(payload):
            raise ValueError("no row")
        raw = payload[place : place + size]
        place += size
        if kind >= 12:
            out.append(raw.decode("utf-8", "surrogateescape") if kind % 2 else raw)
        elif kind == 7:
            out.append(struct.unpack(">d", raw)[0])
        else:
            out.append(None if kind == 0 else kind - 8 if size == 0 else _signed(raw))
    if at != end or place != len(payload):
        raise ValueError("no row")
    return tuple(out)


def _signed(raw: bytes) -> int:
    return int.from_bytes(raw, "big", signed=True)
