"""A closed job as tuning sees it: machine, complaint, what it was closed with, readings.

Files of past jobs
------------------
CSV: a header in the first line naming the columns of :data:`FIELDS` in any order, those of
:data:`NEEDED` at least, divided by comma, semicolon or tab; UTF-8. JSON lines: one object per
line with the same keys. Values:

=========  =====================================================================================
job        number or name, once in all files
closed     day of closing, ISO 8601: 2025-01-31
system     a system such as mag-cdi
variant    of the machine; the model's default if blank
complaint  such as no-spark
contexts   names, divided by blanks or + (JSON: a list may be given); blank for none
faults     COMPONENT.MODE or none.elec, likewise; several were there at once; blank: none found
grade      bench-bad, swap-confirmed, came-good, gave-up or came-back
minutes    labour, all told; may be blank
shop       who did it; blank for one shop
revises    the earlier job that this one shows to have been closed wrongly; may be blank
readings   ``TEST=VALUE|VALUE {field=value, ...}; TEST=VALUE``, in the order taken, fields those
           of a technique; or (JSON) a list of {"test", "values": [..], "technique": {..}}
=========  =====================================================================================

A row becomes a :class:`Case` here, or a :class:`RowError` that says in one sentence what is
wrong with it. Nothing is guessed: names must be known to the system model, dates must be ISO
8601, a number has one decimal mark throughout.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from benchodds.basics.errors import BenchoddsError, ReadingError, UnknownNameError, nearest
from benchodds.learn.learning import Learning
from benchodds.model.jobs import Technique
from benchodds.model.priors import NONE
from benchodds.model.system import SystemModel

FIELDS = (
    "job",
    "closed",
    "system",
    "variant",
    "complaint",
    "contexts",
    "faults",
    "grade",
    "minutes",
    "shop",
    "revises",
    "readings",
)
"""Columns of a file of jobs, and the order in which a row is handed on."""

NEEDED = ("job", "closed", "system", "complaint", "faults", "grade")
"""Columns that must be there; the others may be left out."""

MOST_FAULTS = 6
MOST_READINGS = 200
_DATE = re.compile(r"(\d{4}-\d\d-\d\d)(?:[T ][0-9:.+Z-]*)?")
_NUMBER = re.compile(r"\d{1,9}(?:[.,]\d{1,9})?")
_READING = re.compile(r"\s*([A-Za-z0-9_-]+)\s*=\s*([^{}]*?)\s*(?:\{([^{}]*)\}\s*)?")
_SPLIT = re.compile(r"[\s+]+")
_YES = {"yes": True, "no": False, "true": True, "false": False}


class RowError(BenchoddsError):
    """One row, or one job, that cannot be used; the message is the reason."""


class SetAside(RowError):
    """A job that is in order but says nothing here; the message is the reason."""


@dataclass(frozen=True, slots=True, order=True)
class Told:
    """One closing: the faults named (none when given up) and how sure it was."""

    faults: tuple[str, ...]
    grade: str


@dataclass(frozen=True, slots=True, order=True)
class Written:
    """A reading as it was written down; ``technique`` as (field, value), sorted."""

    test: str
    values: tuple[str, ...]
    technique: tuple[tuple[str, Any], ...] = ()

    def taken(self) -> Technique:
        """How it was taken."""
        return Technique.from_data(dict(self.technique))


@dataclass(frozen=True, slots=True)
class Case:
    """A closed job. ``told`` are its closings in order: a come-back has more than one."""

    job: str
    closed: str  # ISO date
    system: str
    variant: str
    complaint: str
    contexts: tuple[str, ...]  # sorted
    told: tuple[Told, ...]
    shop: str = ""
    minutes: float | None = None
    revises: str = ""  # the job that this one shows to have been closed wrongly
    readings: tuple[Written, ...] = ()


Catalog = Callable[[str, str | None], SystemModel]
"""Finds the model of a system and variant; UnknownNameError when there is none."""


@dataclass
class CaseMaker:
    """Turns rows of one source into cases; what is equal in many rows is checked once.

    ``today`` refuses jobs closed later than that.
    """

    catalog: Catalog
    learning: Learning
    today: date | None = None
    _heads: dict[tuple[Any, ...], _Head | RowError] = field(default_factory=dict)
    _dates: dict[str, str] = field(default_factory=dict)
    _mark: str = ""  # decimal mark of this source, once seen
    _mark_at: str = ""

    def make(self, row: Sequence[Any]) -> Case:
        """The case of a row, its values in the order of :data:`FIELDS`. Raises RowError."""
        job, closed, system, variant, complaint, contexts, faults, grade, *rest = row
        minutes, shop, revises, readings = rest
        name = _text(job, "job")
        if not name:
            raise RowError("has no job number; every job needs one")
        key = tuple(_hashable(v) for v in (system, variant, complaint, contexts, faults, grade))
        head = self._heads.get(key)
        if head is None:
            head = self._heads[key] = self._head(*key)
        if isinstance(head, RowError):
            raise head
        return Case(
            name,
            self._date(closed),
            head.system,
            head.variant,
            head.complaint,
            head.contexts,
            head.told,
            _text(shop, "shop"),
            self._minutes(minutes, name),
            _text(revises, "revises"),
            self._readings(readings, head.model) if readings else (),
        )

    def _head(self, *key: Any) -> _Head | RowError:
        try:
            return self._checked(*key)
        except RowError as error:
            return error
        except BenchoddsError as error:
            return RowError(str(error))

    def _checked(
        self, system: Any, variant: Any, complaint: Any, contexts: Any, faults: Any, grade: Any
    ) -> _Head:
        model = self.catalog(_text(system, "system"), _text(variant, "variant") or None)
        said = _text(complaint, "complaint")
        if said not in model.complaints:
            raise RowError(
                f"'{said}' is not a complaint of {model.id}{nearest(said, model.complaints)}"
            )
        names = tuple(sorted(set(_list(contexts, "contexts"))))
        for name in names:
            if name not in model.contexts:
                raise RowError(
                    f"'{name}' is not a context of {model.id}{nearest(name, model.contexts)}"
                )
        named = tuple(dict.fromkeys(_list(faults, "faults")))
        check_faults(model, named)
        word = _text(grade, "grade")
        self.learning.grade(word)
        if not named and word not in ("gave-up", "came-back"):
            raise RowError(f"closed '{word}' without a fault; name it, or grade it gave-up")
        told = (Told(named, word),)
        return _Head(model, model.id, model.variant, said, names, told)

    def _date(self, value: Any) -> str:
        text = value if isinstance(value, str) else str(value)
        if text not in self._dates:
            self._dates[text] = self._checked_date(text.strip())
        return self._dates[text]

    def _checked_date(self, text: str) -> str:
        found = _DATE.fullmatch(text)
        try:
            day = date.fromisoformat(found[1]) if found else None
        except ValueError:
            day = None
        if day is None or day.year < 1950:
            raise RowError(f"'{text[:40]}' is not a date like 2025-01-31")
        if self.today is not None and day > self.today:
            raise RowError(f"closed on {day}, which is still to come")
        return day.isoformat()

    def _minutes(self, value: Any, job: str) -> float | None:
        if value is None or value == "":
            return None
        if isinstance(value, int | float) and not isinstance(value, bool):
            number = float(value)
        else:
            text = _text(value, "minutes")
            if not text:
                return None
            if not _NUMBER.fullmatch(text):
                raise RowError(f"'{text[:40]}' is not a number of minutes, such as 35 or 12.5")
            mark = "," if "," in text else "." if "." in text else ""
            if mark and self._mark and mark != self._mark:
                names = {",": "decimal comma", ".": "decimal point"}
                raise RowError(
                    f"'{text}' has a {names[mark]} where job '{self._mark_at}' has a "
                    f"{names[self._mark]}; one mark throughout, please"
                )
            if mark and not self._mark:
                self._mark, self._mark_at = mark, job
            number = float(text.replace(",", "."))
        if not 0 <= number <= 100_000:
            raise RowError(f"{number:g} minutes cannot be right; 0 to 100000 are read")
        return number

    def _readings(self, value: Any, model: SystemModel) -> tuple[Written, ...]:
        found = parse_readings(value) if isinstance(value, str) else _listed_readings(value)
        if len(found) > MOST_READINGS:
            raise RowError(f"{len(found)} readings; at most {MOST_READINGS} are read")
        try:
            return tuple(Written(model.find_test(w.test), w.values, w.technique) for w in found)
        except UnknownNameError as error:
            raise RowError(str(error)) from None


@dataclass(frozen=True, slots=True)
class _Head:
    """What many rows have in common, checked."""

    model: SystemModel
    system: str
    variant: str
    complaint: str
    contexts: tuple[str, ...]
    told: tuple[Told, ...]


def check_faults(model: SystemModel, faults: Sequence[str]) -> None:
    """Refuse faults that this machine cannot have, by RowError with the nearest name."""
    known = [f"{c}.{m}" for c, m in model.faults()] + [NONE]
    for fault in faults:
        if fault not in known:
            raise RowError(
                f"'{fault}' is not a fault of {model.id} ({model.variant}){nearest(fault, known)}"
            )
    if NONE in faults and len(faults) > 1:
        raise RowError(f"{NONE} and a fault at once; name one or the other")
    if len(faults) > MOST_FAULTS:
        raise RowError(f"{len(faults)} faults in one job; at most {MOST_FAULTS} are read")
    parts = [f.split(".")[0] for f in faults]
    if len(set(parts)) < len(parts):
        raise RowError(f"two modes of one part ({', '.join(faults)}); a part has one at a time")


def parse_readings(text: str) -> tuple[Written, ...]:
    """Readings written in one cell: ``TEST=VALUE|VALUE {field=value, ...}; TEST=VALUE``.

    The fields in braces are those of :class:`~benchodds.model.jobs.Technique`. Raises RowError.
    """
    out = []
    for part in text.split(";"):
        if not part.strip():
            continue
        found = _READING.fullmatch(part)
        values = tuple(v.strip() for v in found[2].split("|")) if found else ()
        if found is None or not all(values):
            raise RowError(f"reading '{part.strip()[:60]}' should read TEST=VALUE, such as rexc=15")
        said: dict[str, Any] = {}
        for item in (found[3] or "").split(","):
            key, equals, value = (s.strip() for s in item.partition("="))
            if item.strip():
                if not (key and equals and value):
                    raise RowError(f"'{item.strip()[:40]}' should read field=value in '{found[1]}'")
                said[key.replace("-", "_")] = value
        out.append(Written(found[1], values, _technique(said)))
    return tuple(out)


def _listed_readings(value: Any) -> tuple[Written, ...]:
    """Readings as a list of objects with test, values and technique."""
    if not isinstance(value, list | tuple):
        raise RowError("'readings' should be a text or a list of objects")
    out = []
    for item in value:
        if not isinstance(item, Mapping) or not isinstance(item.get("test"), str):
            raise RowError("a reading should be an object with test, values and technique")
        values = item.get("values")
        values = [values] if isinstance(values, str) else values
        if not isinstance(values, list | tuple) or not values:
            raise RowError(f"reading {item['test']}: 'values' should be a list of texts")
        if not all(isinstance(v, str) and v.strip() for v in values):
            raise RowError(f"reading {item['test']}: 'values' should be a list of texts")
        said = item.get("technique") or {}
        if not isinstance(said, Mapping):
            raise RowError(f"reading {item['test']}: 'technique' should be an object")
        out.append(Written(item["test"], tuple(values), _technique(said)))
    return tuple(out)


def _technique(said: Mapping[str, Any]) -> tuple[tuple[str, Any], ...]:
    """Checked technique fields as sorted pairs; numbers and flags may be written as texts."""
    known = Technique.__dataclass_fields__
    data: dict[str, Any] = {}
    for key, value in said.items():
        if key not in known:
            raise RowError(f"'{key}' is not a field of a technique{nearest(key, known)}")
        if isinstance(value, str):
            if key in ("unplugged", "same_hookup"):
                value = _YES.get(value.lower(), value)
            elif key in ("range_top", "temp_c", "kicks"):
                try:
                    value = int(value) if key == "kicks" else float(value)
                except ValueError:
                    raise RowError(f"{key} is '{value[:20]}'; it should be a number") from None
        data[key] = value
    try:
        return tuple(sorted(Technique.from_data(data).as_data().items()))
    except ReadingError as error:
        raise RowError(str(error)) from None


def _text(value: Any, what: str) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    raise RowError(f"'{what}' is {str(value)[:40]!r}; it should be a text")


def _list(value: Any, what: str) -> list[str]:
    if isinstance(value, tuple):
        return [_text(v, what) for v in value]
    return [v for v in _SPLIT.split(_text(value, what)) if v]


def _hashable(value: Any) -> Any:
    """A value that can be looked up: lists as tuples, what is neither text nor number as itself
    written out, to be refused by name later."""
    if isinstance(value, list):
        return tuple(map(str, value))
    return value if isinstance(value, (str, int, float, tuple, type(None))) else f"{value!r}"
