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
contexts   names, divided by blanks or + (JSON: a list may be given), washed=0.5 for perhaps;
           blank for none
faults     COMPONENT.MODE or none.elec, likewise; several were there at once; blank: none found
grade      bench-bad, swap-confirmed, came-good, gave-up or came-back
minutes    labour, all told; may be blank
shop       who did it; blank for one shop
revises    the earlier job that this one shows to have been closed wrongly; may be blank
readings   ``TEST=VALUE|VALUE {field=value, ...}; TEST=VALUE``, in the order taken, fields those
           of a technique, with ``done REPAIR`` between them (``back REPAIR``: the old part was
           put back); or (JSON) a list of {"test", "values": [..], "technique": {..}} and of
           {"done": REPAIR} or {"back": REPAIR}
replaced   repairs that somebody did before it came in, written as contexts are; may be blank
=========  =====================================================================================

A row becomes a :class:`Case` here, or a :class:`RowError` that says in one sentence what is
wrong with it. Nothing is guessed: names must be known to the system model, dates must be ISO
8601, a number has one decimal mark throughout.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from benchodds.basics.errors import BenchoddsError, ReadingError, UnknownNameError, nearest
from benchodds.basics.language import N_, _
from benchodds.learn.learning import Learning
from benchodds.learn.written import (
    Course,
    Done,
    RowError,
    SetAside,
    Written,
    hashable,
    list_of,
    listed_readings,
    parse_readings,
    split,
    text_of,
)
from benchodds.model.jobs import MOST_MINUTES
from benchodds.model.joinnames import PLUS
from benchodds.model.priors import NONE, context_of
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
    "replaced",
)
"""Columns of a file of jobs, and the order in which a row is handed on."""

NEEDED = ("job", "closed", "system", "complaint", "faults", "grade")
"""Columns that must be there; the others may be left out."""

TWO_COMPLAINTS = N_("has two complaints at once; jobs of one complaint teach")

MOST_FAULTS = 6
MOST_READINGS = 200
_DATE = re.compile(r"(\d{4}-\d\d-\d\d)(?:[T ][0-9:.+Z-]*)?")
_NUMBER = re.compile(r"\d{1,9}(?:[.,]\d{1,9})?")


@dataclass(frozen=True, slots=True, order=True)
class Told:
    """One closing: the faults named (none when given up) and how sure it was."""

    faults: tuple[str, ...]
    grade: str


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
    readings: tuple[Written, ...] = ()  # before the first repair
    work: tuple[Done, ...] = ()  # repairs, each with what was read after it
    perhaps: tuple[tuple[str, float], ...] = ()  # contexts with their chance, sorted
    replaced: tuple[str, ...] = ()  # repairs that somebody did before it came, sorted


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
        minutes, shop, revises, readings, replaced = rest
        name = text_of(job, "job")
        if not name:
            raise RowError(_("has no job number; every job needs one"))
        key = tuple(hashable(v) for v in (system, variant, complaint, contexts, faults, grade))
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
            text_of(shop, "shop"),
            self._minutes(minutes, name),
            text_of(revises, "revises"),
            *(self._readings(readings, head.model) if readings else ((), ())),
            head.perhaps,
            replaced_of(list_of(hashable(replaced), "replaced"), head.model),
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
        model = self.catalog(text_of(system, "system"), text_of(variant, "variant") or None)
        said = text_of(complaint, "complaint")
        if PLUS in said:
            raise SetAside(TWO_COMPLAINTS)
        if said not in model.complaints:
            raise RowError(
                _("'{said}' is not a complaint of {model}{hint}").format(
                    said=said, model=model.id, hint=nearest(said, model.complaints)
                )
            )
        before = contexts_of(list_of(contexts, "contexts"), model)
        named = tuple(dict.fromkeys(list_of(faults, "faults")))
        check_faults(model, named)
        word = text_of(grade, "grade")
        self.learning.grade(word)
        if not named and word not in ("gave-up", "came-back"):
            raise RowError(
                _("closed '{word}' without a fault; name it, or grade it gave-up").format(word=word)
            )
        told = (Told(named, word),)
        return _Head(model, model.id, model.variant, said, *before, told)

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
            raise RowError(_("'{text}' is not a date like 2025-01-31").format(text=text[:40]))
        if self.today is not None and day > self.today:
            raise RowError(_("closed on {day}, which is still to come").format(day=day))
        return day.isoformat()

    def _minutes(self, value: Any, job: str) -> float | None:
        if value is None or value == "":
            return None
        if isinstance(value, int | float) and not isinstance(value, bool):
            number = value
        else:
            text = text_of(value, "minutes")
            if not text:
                return None
            if not _NUMBER.fullmatch(text):
                raise RowError(
                    _("'{text}' is not a number of minutes, such as 35 or 12.5").format(
                        text=text[:40]
                    )
                )
            mark = "," if "," in text else "." if "." in text else ""
            if mark and self._mark and mark != self._mark:
                names = {",": _("decimal comma"), ".": _("decimal point")}
                raise RowError(
                    _(
                        "'{text}' has a {this} where job '{job}' has a {that}; one mark "
                        "throughout, please"
                    ).format(
                        text=text,
                        this=names[mark],
                        job=self._mark_at,
                        that=names[self._mark],
                    )
                )
            if mark and not self._mark:
                self._mark, self._mark_at = mark, job
            number = float(text.replace(",", "."))
        if not 0 <= number <= MOST_MINUTES:
            raise RowError(
                _("{number} minutes cannot be right; 0 to {most} are read").format(
                    number=str(number)[:40], most=MOST_MINUTES
                )
            )
        return float(number)

    def _readings(self, value: Any, model: SystemModel) -> Course:
        found = parse_readings(value) if isinstance(value, str) else listed_readings(value)
        if len(found) > MOST_READINGS:
            raise RowError(
                _("{n} readings; at most {most} are read").format(n=len(found), most=MOST_READINGS)
            )
        try:
            return split(known(item, model) for item in found)
        except UnknownNameError as error:
            raise RowError(str(error)) from None


def known(item: Written | Done, model: SystemModel) -> Written | Done:
    """A reading or repair by the name that the machine has for it. Raises UnknownNameError."""
    if isinstance(item, Written):
        return Written(model.find_test(item.test), item.values, item.technique)
    if item.repair not in model.repairs:
        raise UnknownNameError(
            _("'{repair}' is not a repair of {model} ({variant}){hint}").format(
                repair=item.repair,
                model=model.id,
                variant=model.variant,
                hint=nearest(item.repair, model.repairs),
            )
        )
    return item


@dataclass(frozen=True, slots=True)
class _Head:
    """What many rows have in common, checked."""

    model: SystemModel
    system: str
    variant: str
    complaint: str
    contexts: tuple[str, ...]
    perhaps: tuple[tuple[str, float], ...]
    told: tuple[Told, ...]


def contexts_of(
    items: Sequence[str], model: SystemModel
) -> tuple[tuple[str, ...], tuple[tuple[str, float], ...]]:
    """What went before, surely and perhaps, each sorted, from names and 'washed=0.5'. Raises
    RowError."""
    try:
        said = dict(context_of(item) for item in items)
    except ReadingError as error:
        raise RowError(str(error)) from None
    for name in said:
        if name not in model.contexts:
            raise RowError(
                _("'{name}' is not a context of {model}{hint}").format(
                    name=name, model=model.id, hint=nearest(name, model.contexts)
                )
            )
    sure = tuple(sorted(name for name, p in said.items() if p == 1))
    return sure, tuple(sorted((name, p) for name, p in said.items() if p < 1))


def replaced_of(names: Sequence[str], model: SystemModel) -> tuple[str, ...]:
    """Repairs that somebody did before the machine came in, sorted. Raises RowError."""
    try:
        for name in names:
            known(Done(name), model)
    except UnknownNameError as error:
        raise RowError(str(error)) from None
    return tuple(sorted(set(names)))


def check_faults(model: SystemModel, faults: Sequence[str]) -> None:
    """Refuse faults that this machine cannot have, by RowError with the nearest name."""
    known = [f"{c}.{m}" for c, m in model.faults()] + [NONE]
    for fault in faults:
        if fault not in known:
            raise RowError(
                _("'{fault}' is not a fault of {model} ({variant}){hint}").format(
                    fault=fault, model=model.id, variant=model.variant, hint=nearest(fault, known)
                )
            )
    if NONE in faults and len(faults) > 1:
        raise RowError(_("{none} and a fault at once; name one or the other").format(none=NONE))
    if len(faults) > MOST_FAULTS:
        raise RowError(
            _("{n} faults in one job; at most {most} are read").format(
                n=len(faults), most=MOST_FAULTS
            )
        )
    parts = [f.split(".")[0] for f in faults]
    if len(set(parts)) < len(parts):
        raise RowError(
            _("two modes of one part ({faults}); a part has one at a time").format(
                faults=", ".join(faults)
            )
        )
