"""Where in a TOML text a key stands: the line that a message points at."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

_PART = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*""")
_QUOTES = ('"""', "'''")


def split_key(text: str) -> tuple[tuple[str, ...], str]:
    """The parts of a dotted key at the start of a text, and what follows it.

    Quoted parts may hold dots: ``tests.a."b.c" = 1`` gives (tests, a, b.c) and ``= 1``.
    """
    parts: list[str] = []
    at = 0
    while match := _PART.match(text, at):
        parts.append(next(g for g in match.groups() if g is not None))
        at = match.end()
        if not text.startswith(".", at):
            break
        at += 1
    return tuple(parts), text[at:]


def key_lines(text: str) -> dict[tuple[str, ...], int]:
    """Line (from 1) of every table header and key of a TOML text, by its whole path.

    Items of an array of tables count from 0, as in a path of a message: (rows, 3, fault).
    """
    lines: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    counts: dict[tuple[str, ...], int] = {}
    inside = ""  # the quotes of a text over several lines
    for number, line in enumerate(text.splitlines(), start=1):
        if inside:
            if inside in line:
                inside = ""
            continue
        stripped = line.strip()
        if stripped.startswith("[["):
            key, _ = split_key(stripped[2:])
            counts[key] = counts.get(key, -1) + 1
            lines.setdefault(key, number)
            table = (*key, str(counts[key]))
            lines.setdefault(table, number)
        elif stripped.startswith("[") and split_key(stripped[1:])[1].startswith("]"):
            key, _ = split_key(stripped[1:])
            for end in range(len(key), 0, -1):  # a table of an item of an array of tables
                if key[:end] in counts:
                    key = (*key[:end], str(counts[key[:end]]), *key[end:])
                    break
            table = key
            for end in range(1, len(key) + 1):
                lines.setdefault(key[:end], number)
        else:
            key, rest = split_key(line)
            if key and rest.lstrip().startswith("="):
                for end in range(1, len(key) + 1):
                    lines.setdefault((*table, *key[:end]), number)
            for quotes in _QUOTES:
                if rest.count(quotes) % 2:
                    inside = quotes
    return lines


def line_of(
    lines: Mapping[tuple[str, ...], int], path: Sequence[str], variant: str | None = None
) -> int | None:
    """Line of a key path, or of the nearest table around it; None when nothing of it is there.

    What a variant changes is looked for where the variant says so.
    """
    path = tuple(path)
    home = ("variants", variant or "", "set")
    for where in lines:
        if where[:3] == home and len(where) == 4:
            changed = tuple(where[3].split("."))
            n = min(len(changed), len(path))
            if n > 1 and changed[:n] == path[:n]:
                return lines[where]
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return None
