"""Readings that are recorded: as typed, or a sheet of them; checked whole before one is kept."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from benchodds.basics.errors import (
    BenchoddsError,
    ReadingError,
    nearest,
)
from benchodds.basics.language import _
from benchodds.basics.meterdata import parse_accuracy, parse_impedance
from benchodds.basics.quantities import Expect, parse_value, show, show_value
from benchodds.basics.spelling import apart
from benchodds.basics.text import written
from benchodds.infer.assess import Assessment, Machine, merge
from benchodds.keep.session import Session, find_test, now, token
from benchodds.model import jobs
from benchodds.model.cards import told
from benchodds.model.events import Event
from benchodds.model.jobs import Job, Reading, Technique, fold
from benchodds.screens.glance import Part, recorded
from benchodds.screens.numbers import moved
from benchodds.screens.shapes import approximate

SHEET_KEYS: Mapping[str, tuple[str, Callable[[str], Any]]] = {
    "how": ("how", str),
    "meter": ("meter", str),
    "range": ("range_text", str),
    "accuracy": ("accuracy", str),
    "kicks": ("kicks", int),
    "leads": ("leads", str),
    "temp": ("temp_c", str),
    "unplugged": ("unplugged", str),
    "light": ("light", str),
    "adapter": ("adapter", str),
    "operator": ("operator", str),
    "card": ("card", str),
}
"""What a line of a sheet may say about how its reading was taken."""


@dataclass(frozen=True)
class Noted:
    """A reading to be recorded, as it was written; ``uid`` is its event's token."""

    test: str
    values: tuple[str, ...]
    technique: Technique
    note: str | None = None
    uid: str = field(default_factory=token)

    def event(self, job: Job, at: str, uid: str) -> Event:
        """The event that records it. Raises JobError, ReadingError, TextError."""
        return jobs.reading_event(
            job,
            at=at,
            uid=uid,
            test=self.test,
            values=self.values,
            technique=self.technique,
            note=self.note,
        )


def put_together(machine: Machine, test: str, words: Sequence[str]) -> tuple[str, ...]:
    """Words as typed, put together to readings of a test: '1.4', 'kohm' is one."""
    expect = machine.instrument(test).expect()

    def is_reading(text: str) -> bool:
        try:
            return bool(parse_value(text, expect))
        except ReadingError:
            return False

    return apart(words, is_reading)


def checked_reading(machine: Machine, job: Job, said: Noted) -> Noted:
    """The reading with its test's own name and the job's instrument, when all of it is in order.

    Raises BenchoddsError, saying what cannot be understood.
    """
    name, technique = find_test(machine.model, said.test), said.technique
    said = replace(said, values=put_together(machine, name, said.values))
    if technique.card is None and job.gear.get("card"):
        technique = replace(technique, card=str(job.gear["card"]))
    elif technique.card is not None:
        told(job, technique.card)  # or refused
    full = merge(technique, job, machine.instrument(name).parse(said.values), strict=True)
    machine.finding(name, said.values, full, "hookup")
    noted = replace(said, test=name, technique=technique)
    noted.event(job, now(), noted.uid)
    return noted


@dataclass(frozen=True, eq=False)
class Recorded:
    """A reading that is on record: chances of the faults before it, and the job after it."""

    reading: Reading
    before: Mapping[str, float]
    after: Assessment

    def parts(self) -> list[Part]:
        """What it showed and what leads now, at a glance."""
        return recorded(self.before, self.after, self.reading)

    @property
    def moved(self) -> list[tuple[str, float, float]]:
        """What it did to the odds: (fault, from, to)."""
        faults = (".".join(fault) for fault in self.after.p_mode)
        return movements(self.before, {f: self.after.chances[f] for f in faults})

    @property
    def understood(self) -> list[str]:
        """What it was understood as."""
        tool = self.after.machine.instrument(self.reading.test)
        return [show_value(v) for v in tool.parse(self.reading.values)]

    def numbers(self) -> list[str]:
        """All that it did, by the names of faults."""
        said = f"{self.reading.id}: {self.reading.test} = {', '.join(self.understood)}"
        return moved(self.after, self.moved, said)

    def data(self) -> dict[str, Any]:
        """The answer for scripts."""
        return {
            "schema": 1,
            "job": self.after.job.id,
            "reading": self.reading.id,
            "test": self.reading.test,
            "understood": self.understood,
            "moved": [{"fault": f, "from": a, "to": b} for f, a, b in self.moved],
            "slip": self.after.slips.get(self.reading.id, 0.0),
            "approximate": approximate(self.after),
        }


def record_reading(
    session: Session,
    job_id: str,
    test: str,
    values: Sequence[str],
    technique: Technique,
    note: str | None,
    uid: str | None = None,
) -> Recorded:
    """Check, record and assess one reading; what was written is never changed.

    ``uid`` is the event's token: the same reading sent twice with it is recorded once.
    """
    job = session.store.job(job_id)
    noted = Noted(test, tuple(values), technique, note, uid or token())
    noted = checked_reading(session.machine(job), job, noted)
    return record_readings(session, job, [noted])[0]


def record_readings(session: Session, job: Job, noted: Sequence[Noted]) -> list[Recorded]:
    """Record checked readings, all or none, and say what each of them moved, in turn."""
    before = session.assess(job).chances  # the rest of it would only take room
    job = session.append_all(job.id, [(n.event, n.uid) for n in noted])
    out = []
    for each in noted:
        reading = next(r for r in job.readings if job.events[r.seq - 1].uid == each.uid)
        so_far = fold(job.id, job.events[: reading.seq]) if len(noted) > 1 else job
        out.append(Recorded(reading, before, session.assess(so_far)))
        before = out[-1].after.chances
    return out


@dataclass(frozen=True)
class SheetRow:
    """One line of a sheet of readings; ``technique`` holds what it says, by option name."""

    test: str
    values: tuple[str, ...]
    technique: dict[str, Any]

    def said(self) -> Technique:
        """How the reading was taken."""
        return make_technique(self.technique)


def number_said(text: str, option: str, unit: str) -> float:
    """A number that an option asks for, in ``unit``. Raises ReadingError, with an example."""
    try:
        number = parse_value(text, Expect(option, unit, signed=unit == "degC")).number
    except ReadingError:
        number = None
    if number is None:
        raise ReadingError(
            _("'{text}' for {option} is not understood; write it like {example}").format(
                text=text, option=option, example=show(20, unit)
            )
        )
    return number


def make_technique(said: Mapping[str, Any]) -> Technique:
    """A technique from what options or a sheet say, checked.

    Keys are those of :data:`SHEET_KEYS`' targets; ``unplugged`` is yes, no or unknown.

    Raises
    ------
    ReadingError
        A meter, accuracy or range that cannot be understood.
    """
    values = {k: v for k, v in said.items() if v is not None}
    text = values.pop("range_text", None)
    unplugged = {"yes": True, "no": False}.get(values.pop("unplugged", "unknown"))
    same = values.pop("same_hookup", None) or None
    if "temp_c" in values:
        values["temp_c"] = number_said(str(values["temp_c"]), "--temp", "degC")
    if "meter" in values:
        parse_impedance(values["meter"])
    if "accuracy" in values:
        parse_accuracy(values["accuracy"])
    top = None
    if text:
        unit = "V" if text.strip().lower().endswith("v") else "ohm"
        top = parse_value(text, Expect("--range", unit)).number
        if not top or top <= 0:
            raise ReadingError(
                _("'{text}' is not a range; write its top, such as 200, 20k or 1000 V").format(
                    text=text
                )
            )
    return Technique(**values, range_top=top, unplugged=unplugged, same_hookup=same)


def parse_sheet_line(machine: Machine, line: str) -> SheetRow:
    """A line 'TEST VALUE VALUE ...; key=value key=value', checked.

    Raises
    ------
    BenchoddsError
        Saying what cannot be understood.
    ValueError
        Quotes that do not close.
    """
    what, _semicolon, how = written(line).partition(";")
    test, *values = shlex.split(what)
    technique: dict[str, Any] = {}
    for word in shlex.split(how):
        key, equals, value = word.partition("=")
        if not equals or key not in SHEET_KEYS:
            raise ReadingError(
                _("'{word}' should read KEY=VALUE{hint}").format(
                    word=word, hint=nearest(key, SHEET_KEYS)
                )
            )
        target, convert = SHEET_KEYS[key]
        try:
            technique[target] = convert(value)
        except ValueError:
            raise ReadingError(
                _("'{value}' is not a number for {key}").format(value=value, key=key)
            ) from None
    test = find_test(machine.model, test)
    put = put_together(machine, test, values)
    machine.instrument(test).parse(put)
    return SheetRow(test, put, technique)


def read_sheet(
    session: Session, job: Job, text: str, name: str, usual: Mapping[str, Any]
) -> list[Noted]:
    """Readings from a sheet, a line each (:func:`parse_sheet_line`), all checked.

    Values with spaces stand in quotes; empty lines and those beginning with # are passed over.
    ``usual`` says, by option name, how readings were taken whose line does not say it.

    Raises
    ------
    ReadingError
        Naming file and line; nothing has been recorded then.
    """
    machine = session.machine(job)
    rows = []
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            try:
                row = parse_sheet_line(machine, line)
                technique = make_technique({**usual, **row.technique})
                rows.append(checked_reading(machine, job, Noted(row.test, row.values, technique)))
            except (BenchoddsError, ValueError) as error:
                raise ReadingError(
                    _("{name}, line {number}: {error}; nothing was recorded").format(
                        name=name, number=number, error=error
                    )
                ) from None
    if not rows:
        raise ReadingError(
            _("{name}: no readings in it; write a line each, such as 'vexc 112 V'").format(
                name=name
            )
        )
    return rows


def movements(
    before: Mapping[str, float],
    after: Mapping[str, float],
    least: float = 0.01,
    top: int = 6,
) -> list[tuple[str, float, float]]:
    """The faults whose probability moved most: (fault, from, to)."""
    rows = [(f, before[f], p) for f, p in after.items() if abs(p - before[f]) >= least]
    return sorted(rows, key=lambda row: -abs(row[2] - row[1]))[:top]
