"""Readings as a list of past jobs writes them, checked."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from benchodds.basics.errors import BenchoddsError, ReadingError, nearest
from benchodds.basics.language import _
from benchodds.model.jobs import Technique

_READING = re.compile(r"\s*([A-Za-z0-9_-]+)\s*=\s*([^{}]*?)\s*(?:\{([^{}]*)\}\s*)?")
_DONE = re.compile(r"\s*(done|back)\s+([A-Za-z0-9_-]+)\s*")
_SPLIT = re.compile(r"[\s+]+")
_YES = {"yes": True, "no": False, "true": True, "false": False}


class RowError(BenchoddsError):
    """One row, or one job, that cannot be used; the message is the reason."""


class SetAside(RowError):
    """A job that is in order but says nothing here; the message is the reason."""


@dataclass(frozen=True, slots=True, order=True)
class Written:
    """A reading as it was written down; ``technique`` as (field, value), sorted."""

    test: str
    values: tuple[str, ...]
    technique: tuple[tuple[str, Any], ...] = ()

    def taken(self) -> Technique:
        """How it was taken."""
        return Technique.from_data(dict(self.technique))


@dataclass(frozen=True, slots=True, order=True)
class Done:
    """A repair that was done, and what was read after it; ``back``: its old part was put back."""

    repair: str
    readings: tuple[Written, ...] = ()
    back: bool = False


Course = tuple[tuple[Written, ...], tuple[Done, ...]]
"""What was read before the first repair, and the repairs in order."""


def split(items: Iterable[Written | Done]) -> Course:
    """Readings and repairs in the order taken, by what came before the first repair."""
    first: list[Written] = []
    work: list[Done] = []
    for item in items:
        if isinstance(item, Done):
            work.append(item)
        elif work:
            work[-1] = replace(work[-1], readings=(*work[-1].readings, item))
        else:
            first.append(item)
    return tuple(first), tuple(work)


def parse_readings(text: str) -> tuple[Written | Done, ...]:
    """Readings written in one cell: ``TEST=VALUE|VALUE {field=value, ...}; TEST=VALUE``.

    The fields in braces are those of :class:`~benchodds.model.jobs.Technique`. A repair that was
    done between them is ``done REPAIR``, an old part put back ``back REPAIR``. Raises RowError.
    """
    out: list[Written | Done] = []
    for part in text.split(";"):
        if not part.strip():
            continue
        if work := _DONE.fullmatch(part):
            out.append(Done(work[2], back=work[1] == "back"))
            continue
        found = _READING.fullmatch(part)
        values = tuple(v.strip() for v in found[2].split("|")) if found else ()
        if found is None or not all(values):
            raise RowError(
                _("reading '{part}' should read TEST=VALUE, such as rexc=15").format(
                    part=part.strip()[:60]
                )
            )
        said: dict[str, Any] = {}
        for item in (found[3] or "").split(","):
            key, equals, value = (s.strip() for s in item.partition("="))
            if item.strip():
                if not (key and equals and value):
                    raise RowError(
                        _("'{item}' should read field=value in '{part}'").format(
                            item=item.strip()[:40], part=found[1]
                        )
                    )
                said[key.replace("-", "_")] = value
        out.append(Written(found[1], values, technique(said)))
    return tuple(out)


def listed_readings(value: Any) -> tuple[Written | Done, ...]:
    """Readings as a list of objects with test, values and technique; repairs between them as
    objects with ``done`` or ``back`` and the name of the repair."""
    if not isinstance(value, list | tuple):
        raise RowError(_("'readings' should be a text or a list of objects"))
    out: list[Written | Done] = []
    for item in value:
        work = [k for k in ("done", "back") if isinstance(item, Mapping) and k in item]
        if work:
            out.append(Done(text_of(item[work[0]], work[0]), back=work[0] == "back"))
            continue
        if not isinstance(item, Mapping) or not isinstance(item.get("test"), str):
            raise RowError(_("a reading should be an object with test, values and technique"))
        values = item.get("values")
        values = [values] if isinstance(values, str) else values
        if not isinstance(values, list | tuple) or not values:
            raise RowError(
                _("reading {test}: 'values' should be a list of texts").format(test=item["test"])
            )
        if not all(isinstance(v, str) and v.strip() for v in values):
            raise RowError(
                _("reading {test}: 'values' should be a list of texts").format(test=item["test"])
            )
        said = item.get("technique") or {}
        if not isinstance(said, Mapping):
            raise RowError(
                _("reading {test}: 'technique' should be an object").format(test=item["test"])
            )
        out.append(Written(item["test"], tuple(values), technique(said)))
    return tuple(out)


def technique(said: Mapping[str, Any]) -> tuple[tuple[str, Any], ...]:
    """Checked technique fields as sorted pairs; numbers and flags may be written as texts."""
    known = Technique.__dataclass_fields__
    data: dict[str, Any] = {}
    for key, value in said.items():
        if key not in known:
            raise RowError(
                _("'{key}' is not a field of a technique{hint}").format(
                    key=key, hint=nearest(key, known)
                )
            )
        if isinstance(value, str):
            if key in ("unplugged", "same_hookup"):
                value = _YES.get(value.lower(), value)
            elif key in ("range_top", "temp_c", "kicks"):
                try:
                    value = int(value) if key == "kicks" else float(value)
                except ValueError:
                    raise RowError(
                        _("{key} is '{value}'; it should be a number").format(
                            key=key, value=value[:20]
                        )
                    ) from None
        data[key] = value
    try:
        return tuple(sorted(Technique.from_data(data).as_data().items()))
    except ReadingError as error:
        raise RowError(str(error)) from None


def text_of(value: Any, what: str) -> str:
    """A field that is a text. Raises RowError."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    raise RowError(
        _("'{what}' is {value!r}; it should be a text").format(what=what, value=str(value)[:40])
    )


def list_of(value: Any, what: str) -> list[str]:
    """A field that is a list, or a text divided by blanks or +. Raises RowError."""
    if isinstance(value, tuple):
        return [text_of(v, what) for v in value]
    return [v for v in _SPLIT.split(text_of(value, what)) if v]


def hashable(value: Any) -> Any:
    """A value that can be looked up: lists as tuples, what is neither text nor number as itself
    written out, to be refused by name later."""
    if isinstance(value, list):
        return tuple(map(str, value))
    return value if isinstance(value, (str, int, float, tuple, type(None))) else f"{value!r}"
