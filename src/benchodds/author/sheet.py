"""Sheets for the values of a manual's page: blank ones to fill in, filled ones to read."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomli_w

from benchodds.author.ownmachine import Answers, Entry, Question, entries
from benchodds.basics.errors import FileError, ReadingError, nearest
from benchodds.basics.language import _
from benchodds.keep.files import read_toml
from benchodds.keep.inputs import text_of

MOST_BYTES = 100_000
COLUMNS = ("key", "question", "unit", "from", "to", "base")


def blank(questions: Sequence[Question], base: str, kind: str) -> str:
    """A sheet to fill in: ``.csv``, ``.toml``, or for paper. Raises FileError for another kind."""
    if kind == ".csv":
        out = io.StringIO()
        rows = csv.writer(out, lineterminator="\n")
        rows.writerow(COLUMNS)
        rows.writerows((q.key, q.words, q.unit, "", "", q.shipped) for q in questions)
        return out.getvalue()
    if kind == ".toml":
        rows_of = (f'# {q.asked(base)}\n{_bare(q.key)} = ""\n' for q in questions)
        return "\n".join(rows_of)
    if kind != "":
        raise FileError(
            _("'{kind}' is no kind of sheet; name a .csv or .toml file").format(kind=kind)
        )
    return "\n".join(_paper(q, base) for q in questions) + "\n"


def _paper(q: Question, base: str) -> str:
    line = "_" * (24 if q.kind == "limit" else 40)
    words = textwrap.fill(q.words, 78)
    shipped = f"   ({base}: {q.shipped})" if q.shipped else ""
    return f"{words}\n    {q.key}: {line} {q.unit}{shipped}\n"


def read_sheet(path: Path) -> dict[str, tuple[str, str]]:
    """The answers of a filled sheet, by key; what was left empty is not among them.

    Raises
    ------
    FileError, ModelError
        It cannot be read, or is no such sheet.
    """
    if path.suffix == ".toml":
        found = {k: _told(path, k, v) for k, v in read_toml(path).items()}
    elif path.suffix == ".csv":
        found = _rows(path)
    else:
        raise FileError(_("{path}: a sheet is a .csv or .toml file").format(path=path))
    return {k: (a, b) for k, (a, b) in found.items() if a or b}


def _told(path: Path, key: str, value: Any) -> tuple[str, str]:
    if isinstance(value, list):
        value = ", ".join(map(str, value))
    if isinstance(value, (dict, bool)):
        raise FileError(f"{path}: {key}: " + _('expected text in quotes, such as "9 to 27 ohm"'))
    return str(value).strip(), ""


def _rows(path: Path) -> dict[str, tuple[str, str]]:
    """A sheet as a spreadsheet saves it, with commas, semicolons or tabs."""
    text = text_of(path, MOST_BYTES)
    first = text.partition("\n")[0]
    mark = max(",;\t", key=first.count)
    rows = csv.DictReader(io.StringIO(text), delimiter=mark, restval="")
    missing = [c for c in ("key", "from") if c not in (rows.fieldnames or ())]
    if missing:
        raise FileError(
            _("{path}: no column '{column}' in the first line; make a sheet with --blank").format(
                path=path, column=missing[0]
            )
        )
    out: dict[str, tuple[str, str]] = {}
    for row in rows:
        key = (row["key"] or "").strip()
        if key in out:
            raise FileError(
                _("{path}, line {line}: '{key}' stands twice").format(
                    path=path, line=rows.line_num, key=key
                )
            )
        if None in row:
            raise FileError(
                _(
                    "{path}, line {line}: more cells than columns; put text with commas in quotes"
                ).format(path=path, line=rows.line_num)
            )
        if key:
            out[key] = (row["from"] or "").strip(), (row.get("to") or "").strip()
    return out


def overlay_entries(questions: Sequence[Question], answers: Answers) -> list[Entry]:
    """All that an overlay says for a sheet's answers, in the order of the questions.

    Raises
    ------
    ReadingError
        Naming every answer that cannot be right, and keys that are none of the questions'.
    """
    problems = [
        _("'{key}' is not asked for{hint}").format(
            key=key, hint=nearest(key, [q.key for q in questions])
        )
        for key in answers
        if key not in {q.key for q in questions}
    ]
    out: list[Entry] = []
    for question in questions:
        try:
            out += entries(question, *answers.get(question.key, ("", "")))
        except ReadingError as error:
            problems.append(f"{question.key}: {error}")
    if problems:
        raise ReadingError("\n".join(problems))
    return out


def overlay_text(head: Mapping[str, Any], found: Sequence[Entry]) -> str:
    """The text of an overlay file."""
    top = {keys[0]: value for keys, value in found if len(keys) == 1}
    lines = [
        _("# What differs from {base}; all else is as there, and what follows from a limit").format(
            base=head["base"]
        ),
        _(
            "# follows by itself. Any key of {base}'s file may stand here with another value:"
        ).format(base=head["base"]),
        _("# benchodds check {name} says what follows, and what is still as there.").format(
            name=head["id"]
        ),
        "",
        tomli_w.dumps({**head, **top}),
    ]
    lines += [f"{'.'.join(map(_bare, keys))} = {_value(v)}" for keys, v in found if len(keys) > 1]
    return "\n".join(lines) + "\n"


def _bare(key: str) -> str:
    return tomli_w.dumps({key: 0}).removesuffix(" = 0\n")


def _value(value: Any) -> str:
    return tomli_w.dumps({"x": value}).removeprefix("x = ").rstrip("\n")
