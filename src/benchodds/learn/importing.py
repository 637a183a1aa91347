"""A shop's own list of jobs, put into our words by a mapping file.

The mapping says which of their columns is which of ours, what their words mean, how they write
dates and decimals, and which rows are to be set aside and why. Every row is used, set aside
with its reason, or refused; a word that the mapping does not know is counted and refused.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import Field, model_validator

from benchodds.basics.errors import TextError, nearest
from benchodds.basics.language import _
from benchodds.basics.text import written
from benchodds.basics.words import wrap
from benchodds.learn.cases import FIELDS, NEEDED, CaseMaker
from benchodds.learn.learning import Strict
from benchodds.learn.written import RowError

LISTS = ("contexts", "faults", "replaced")
"""Fields that may hold several words."""


class Layout(Strict):
    """A mapping file.

    ``columns`` (ours = "theirs"), ``fixed`` values for what their list does not say,
    ``ignore`` their columns that are not wanted, ``words`` by our field (theirs = "ours"; an
    empty text for "says nothing"), ``aside`` by our field (theirs = "reason"), ``split`` by our
    field the mark between several words of one cell, ``dates`` as for strptime.
    """

    schema_: Literal[1] = Field(alias="schema")
    columns: dict[str, str] = Field(min_length=1)
    fixed: dict[str, str] = Field(default_factory=dict)
    ignore: tuple[str, ...] = ()
    dates: str = "%Y-%m-%d"
    decimal: Literal[",", "."] = "."
    split: dict[str, str] = Field(default_factory=dict)
    words: dict[str, dict[str, str]] = Field(default_factory=dict)
    aside: dict[str, dict[str, str]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _known(self) -> Self:
        for name in ("columns", "fixed", "split", "words", "aside"):
            for key in getattr(self, name):
                if key not in FIELDS:
                    raise ValueError(
                        f"{name}: "
                        + _("'{key}' is no field of ours{hint}").format(
                            key=key, hint=nearest(key, FIELDS)
                        )
                    )
        for key in self.split:
            if key not in LISTS:
                raise ValueError(
                    "split: "
                    + _("'{key}' holds one word; only {lists} split").format(
                        key=key, lists=_(" and ").join(LISTS)
                    )
                )
        if not _is_style(self.dates):
            raise ValueError(
                "dates: "
                + _("'{style}' is no style of whole dates, such as %d.%m.%Y").format(
                    style=self.dates[:40]
                )
            )
        both = set(self.columns) & set(self.fixed)
        if both:
            raise ValueError(_("'{field}' is both a column and fixed").format(field=min(both)))
        missing = [f for f in NEEDED if f not in self.columns and f not in self.fixed]
        if missing:
            raise ValueError(
                _("nothing says {missing}; name a column or fix a value").format(
                    missing=", ".join(missing)
                )
            )
        return self

    def header(self, names: Sequence[str]) -> dict[str, int]:
        """Place of each of our fields in their header. Raises RowError."""
        plain = [_plain(n) for n in names]
        out = {}
        for ours, theirs in self.columns.items():
            if plain.count(_plain(theirs)) != 1:
                what = "twice" if _plain(theirs) in plain else "not"
                raise RowError(
                    _("column '{column}' is {what} in the header{hint}").format(
                        column=theirs, what=what, hint=nearest(theirs, names)
                    )
                )
            out[ours] = plain.index(_plain(theirs))
        known = {_plain(c) for c in (*self.columns.values(), *self.ignore)}
        strange = [n for n, p in zip(names, plain, strict=True) if p not in known]
        if strange:
            raise RowError(
                _(
                    "the mapping says nothing of column '{column}'; map it, or list it in ignore"
                ).format(column=strange[0])
            )
        return out


@dataclass
class Imported:
    """What became of every row of a list."""

    rows: int = 0
    used: int = 0
    aside: Counter[str] = field(default_factory=Counter)
    refused: list[tuple[int, str]] = field(default_factory=list)
    unknown: defaultdict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    written: bool = False

    def text(self, source: Path, target: Path, shown: int) -> str:
        """The account in words."""
        lines = [
            f"{source.name}: "
            + _(
                "{rows:,} rows, {used:,} can be used, {aside:,} set aside, {refused:,} refused."
            ).format(
                rows=self.rows, used=self.used, aside=self.aside.total(), refused=len(self.refused)
            )
        ]
        lines += [
            "  " + _("set aside, {reason}: {n:,}").format(reason=reason, n=n)
            for reason, n in self.aside.most_common()
        ]
        for name, words in self.unknown.items():
            listed = ", ".join(
                _("'{word}' {n:,} times").format(word=w, n=n) for w, n in words.most_common(20)
            )
            lines += wrap(
                _("unknown words in {name}: {listed}").format(name=name, listed=listed),
                "  ",
                "    ",
            )
        for number, reason in self.refused[:shown]:
            lines += wrap(
                _("row {number}: {reason}").format(number=number, reason=reason), "  ", "    "
            )
        if len(self.refused) > shown:
            lines.append(
                "  " + _("and {n:,} more (--json lists all)").format(n=len(self.refused) - shown)
            )
        if self.written:
            lines.append(
                _("Wrote {target}. Next: benchodds tune {target} --dry-run").format(target=target)
            )
        elif self.used:
            lines.append(
                _(
                    "Nothing was written. Mend the mapping or the rows, or say --skip-bad to "
                    "leave them out."
                )
            )
        else:
            lines.append(_("Nothing was written; no row can be used."))
        return "\n".join(lines)


class _Aside(Exception):
    """A row that the mapping sets aside; the message is the reason."""


def translate(
    rows: Iterator[tuple[int, list[str] | RowError]],
    layout: Layout,
    maker: CaseMaker,
    account: Imported,
) -> Iterator[dict[str, Any]]:
    """Usable rows in our words, as objects for JSON lines; ``account`` fills up on the way.

    Raises RowError when the header does not fit the mapping.
    """
    _row, names = next(rows)
    assert not isinstance(names, RowError)
    place = layout.header(names)
    words = {f: {_plain(k): v for k, v in table.items()} for f, table in layout.words.items()}
    aside = {f: {_plain(k): v for k, v in table.items()} for f, table in layout.aside.items()}
    seen: dict[str, int] = {}
    for number, row in rows:
        account.rows += 1
        try:
            if isinstance(row, RowError):
                raise row
            cells = {f: written(row[i].strip()) for f, i in place.items()}
            ours = _ours(cells, layout, words, aside, account)
            maker.make([ours.get(f, "") for f in FIELDS])
            first = seen.setdefault(str(ours["job"]), number)
            if first != number:
                raise RowError(
                    _("job '{job}' is listed in row {first} already").format(
                        job=ours["job"], first=first
                    )
                )
        except _Aside as reason:
            account.aside[str(reason)] += 1
        except (RowError, TextError) as error:
            account.refused.append((number, str(error)))
        else:
            account.used += 1
            yield ours


def _ours(
    cells: Mapping[str, str],
    layout: Layout,
    words: Mapping[str, Mapping[str, str]],
    aside: Mapping[str, Mapping[str, str]],
    account: Imported,
) -> dict[str, Any]:
    """One row in our words; every unknown word in it is counted before it is refused."""
    out: dict[str, Any] = dict(layout.fixed)
    problems = []
    parts = {name: _words(text, layout.split.get(name)) for name, text in cells.items()}
    for name, reasons in aside.items():
        for part in parts.get(name, []):
            if _plain(part) in reasons:
                raise _Aside(reasons[_plain(part)])
    for name, texts in parts.items():
        found = []
        for part in texts:
            if not part or name not in words:
                found.append(part)
            elif _plain(part) in words[name]:
                found.append(words[name][_plain(part)])
            else:
                account.unknown[name][part[:60]] += 1
                problems.append(
                    _("'{part}' in {name} is not in the mapping").format(part=part[:60], name=name)
                )
        said = [f for f in found if f]
        out[name] = said if name in LISTS else " ".join(said)
    if problems:
        raise RowError("; ".join(problems))
    out["closed"] = _date(str(out["closed"]), layout.dates)
    if out.get("minutes"):
        out["minutes"] = _number(str(out["minutes"]), layout.decimal)
    return {k: v for k, v in out.items() if v not in ("", [])} | {"faults": out["faults"]}


def _words(text: str, mark: str | None) -> list[str]:
    return [p.strip() for p in (text.split(mark) if mark else [text])]


def _is_style(style: str) -> bool:
    """Whether a day written in a style is read back as that day."""
    day = datetime(2031, 10, 25)
    try:
        return datetime.strptime(day.strftime(style), style).date() == day.date()
    except (ValueError, re.error):
        return False


def _date(text: str, style: str) -> str:
    try:
        return datetime.strptime(text, style).date().isoformat()
    except ValueError:
        raise RowError(
            _("'{text}' is not a date in the style {style}").format(text=text[:40], style=style)
        ) from None


def _number(text: str, mark: str) -> float:
    other = "." if mark == "," else ","
    try:
        if other in text:
            raise ValueError
        return float(text.replace(mark, "."))
    except ValueError:
        raise RowError(
            _("'{text}' is not a number with the decimal mark '{mark}' throughout").format(
                text=text[:40], mark=mark
            )
        ) from None


def _plain(text: str) -> str:
    return " ".join(text.casefold().split())
