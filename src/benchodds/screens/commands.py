"""What the longer commands do, apart from parsing and printing."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchodds.basics.errors import (
    BenchoddsError,
    JobError,
    ReadingError,
    UnknownNameError,
    nearest,
)
from benchodds.basics.language import _
from benchodds.basics.meterdata import parse_accuracy, parse_impedance
from benchodds.basics.quantities import Expect, parse_value, show_value
from benchodds.basics.text import written
from benchodds.basics.words import percent, wrap
from benchodds.infer.assess import Assessment, Machine, assess, merge
from benchodds.keep.outputs import save_figures
from benchodds.keep.session import Session, find_test, now, token
from benchodds.model import jobs
from benchodds.model.cards import told
from benchodds.model.events import Event
from benchodds.model.jobs import Job, Reading, Technique, fold
from benchodds.model.system import SystemModel
from benchodds.screens import render
from benchodds.screens.shapes import approximate

if TYPE_CHECKING:
    from benchodds.reasons.why import Why

Chances = Mapping[tuple[str, str], float]
"""Probability of each fault, (component, mode)."""

SHEET_KEYS: Mapping[str, tuple[str, Callable[[str], Any]]] = {
    "how": ("how", str),
    "meter": ("meter", str),
    "range": ("range_text", str),
    "accuracy": ("accuracy", str),
    "kicks": ("kicks", int),
    "leads": ("leads", str),
    "temp": ("temp_c", float),
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


def checked_reading(machine: Machine, job: Job, said: Noted) -> Noted:
    """The reading with its test's own name and the job's instrument, when all of it is in order.

    Raises BenchoddsError, saying what cannot be understood.
    """
    name, technique = find_test(machine.model, said.test), said.technique
    if technique.card is None and job.gear.get("card"):
        technique = replace(technique, card=str(job.gear["card"]))
    elif technique.card is not None:
        told(job, technique.card)  # or refused
    full = merge(technique, job, machine.instrument(name).parse(said.values), strict=True)
    machine.finding(name, said.values, full, "hookup")
    noted = replace(said, test=name, technique=technique)
    noted.event(job, now(), noted.uid)
    return noted


def record_reading(
    session: Session,
    job_id: str,
    test: str,
    values: Sequence[str],
    technique: Technique,
    note: str | None,
    uid: str | None = None,
) -> tuple[str, dict[str, Any]]:
    """Check, record and assess one reading; what was written is never changed.

    ``uid`` is the event's token: the same reading sent twice with it is recorded once.
    """
    job = session.store.job(job_id)
    noted = Noted(test, tuple(values), technique, note, uid or token())
    noted = checked_reading(session.machine(job), job, noted)
    return record_readings(session, job, [noted])[0]


def record_readings(
    session: Session, job: Job, noted: Sequence[Noted]
) -> list[tuple[str, dict[str, Any]]]:
    """Record checked readings, all or none, and say what each of them moved, in turn."""
    machine = session.machine(job)
    before = assess(machine, job).p_mode  # the rest of it would only take room
    job = session.append_all(job.id, [(n.event, n.uid) for n in noted])
    out = []
    for each in noted:
        reading = next(r for r in job.readings if job.events[r.seq - 1].uid == each.uid)
        so_far = fold(job.id, job.events[: reading.seq]) if len(noted) > 1 else job
        after = assess(machine, so_far)
        out.append(_moved(machine, before, after, reading))
        before = after.p_mode
    return out


def _moved(
    machine: Machine, before: Chances, after: Assessment, reading: Reading
) -> tuple[str, dict[str, Any]]:
    """What a reading was understood as, and what it did to the odds."""
    parsed = machine.instrument(reading.test).parse(reading.values)
    moved = movements(before, after.p_mode)
    data = {
        "schema": 1,
        "job": after.job.id,
        "reading": reading.id,
        "test": reading.test,
        "understood": [show_value(v) for v in parsed],
        "moved": [{"fault": f, "from": a, "to": b} for f, a, b in moved],
        "slip": after.slips.get(reading.id, 0.0),
        "approximate": approximate(after),
    }
    lines = [f"{reading.id}: {reading.test} = {', '.join(show_value(v) for v in parsed)}"]
    if not any(t.table is not None for t in after.taken if t.reading.id == reading.id):
        lines.append(_("Noted; it says nothing about the machine."))
    elif moved:
        lines += [f"  {f:<14} {percent(a):>9} -> {percent(b)}" for f, a, b in moved]
    else:
        lines.append(_("Moved nothing by more than 1 in 100."))
    lines += render.gear(after)
    lines += render.clashing(after)
    lines += render.approximate(after)
    return "\n".join(lines), data


@dataclass(frozen=True)
class SheetRow:
    """One line of a sheet of readings; ``technique`` holds what it says, by option name."""

    test: str
    values: tuple[str, ...]
    technique: dict[str, Any]

    def said(self) -> Technique:
        """How the reading was taken."""
        return make_technique(self.technique)


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
    machine.instrument(test).parse(values)
    return SheetRow(test, tuple(values), technique)


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
    before: Chances, after: Chances, least: float = 0.01, top: int = 6
) -> list[tuple[str, float, float]]:
    """The faults whose probability moved most: (fault, from, to)."""
    rows = [
        (".".join(fault), before[fault], p)
        for fault, p in after.items()
        if abs(p - before[fault]) >= least
    ]
    return sorted(rows, key=lambda row: -abs(row[2] - row[1]))[:top]


def explain(
    session: Session,
    job_id: str,
    reading: str | None,
    figures: Path | None = None,
    overwrite: bool = False,
) -> tuple[str, dict[str, Any]]:
    """What one reading is worth: sentences, the numbers behind them, and figures if asked."""
    job = session.store.job(job_id)
    if not job.live_readings:
        raise JobError(
            _("job '{job_id}' has no reading yet; record one first").format(job_id=job_id)
        )
    wanted = (reading or job.live_readings[-1].id).upper()
    if wanted not in {r.id for r in job.live_readings}:
        struck = {r.id for r in job.readings} - {r.id for r in job.live_readings}
        if wanted in struck:
            raise JobError(
                _("reading {wanted} is struck; it does nothing to the odds").format(wanted=wanted)
            )
        known = nearest(wanted, [r.id for r in job.live_readings])
        raise UnknownNameError(
            _("job '{job_id}' has no reading '{reading}'{known}").format(
                job_id=job_id, reading=reading, known=known
            )
        )
    from benchodds.reasons.clashes import clashes
    from benchodds.reasons.explain import explain_reading, sentences, to_dict
    from benchodds.reasons.sentences import clash_sentences

    assessment = session.assess(job)
    found = explain_reading(assessment, wanted)
    contradictions = clashes(assessment)
    lines = sentences(found) + clash_sentences(contradictions)
    if figures is not None:
        lines += [
            _("Wrote {path}").format(path=path)
            for path in _save_figures(found, figures, f"{job_id}-{wanted}", overwrite)
        ]
    return "\n".join(lines), to_dict(found, contradictions)


def _save_figures(found: Why, folder: Path, stem: str, overwrite: bool) -> list[Path]:
    """The figures of one reading as SVG and PNG, all or none. Raises FileError."""
    from benchodds.reasons.figures import path_figure, spread_figure, weights_figure

    made = {
        "spread": spread_figure(found),
        "path": path_figure(found.ledger, found.titles, found.tests, found.reading.id),
        "weights": weights_figure(found),
    }
    figures = {
        folder / f"{stem}-{name}.{suffix}": figure
        for name, figure in made.items()
        if figure is not None
        for suffix in ("svg", "png")
    }
    save_figures(figures, overwrite)
    return list(figures)


def mark_setup(
    session: Session, job_id: str, setup: str, is_open: bool, uid: str | None = None
) -> str:
    """Record that a set-up is open or closed; the same ``uid`` twice is one event."""
    model = session.machine(session.store.job(job_id)).model
    name = setup if setup in model.setups else setup.upper()
    if name not in model.setups:
        raise UnknownNameError(
            _("'{setup}' is not a set-up of {model}{hint}").format(
                setup=setup, model=model.id, hint=nearest(setup, model.setups)
            )
        )
    session.append(
        job_id, lambda j, at, uid: jobs.setup_event(j, name, is_open, at=at, uid=uid), uid
    )
    said = _("{name} ({title}) is open.") if is_open else _("{name} ({title}) is closed.")
    return said.format(name=name, title=model.setups[name].title)


def declare_gear(
    session: Session, job_id: str, items: Mapping[str, str], uid: str | None = None
) -> str:
    """Record the instruments of a job; the same ``uid`` twice is one event."""
    if not items:
        raise JobError(_("nothing to declare; say the meter, its accuracy, adapter or operator"))
    if "meter" in items:
        parse_impedance(items["meter"])
    if "accuracy" in items:
        parse_accuracy(items["accuracy"])
    session.append(job_id, lambda j, at, uid: jobs.gear_event(j, items, at=at, uid=uid), uid)
    return _("Declared for all readings that do not say otherwise: ") + ", ".join(
        f"{k} {v}" for k, v in items.items()
    )


def did_repair(
    session: Session, job_id: str, repair: str, note: str | None, uid: str | None = None
) -> str:
    """Record a repair that was done, with the odds it was done on; the same ``uid`` twice is one
    event."""
    job = session.store.job(job_id)
    model = session.machine(job).model
    if repair not in model.repairs:
        raise UnknownNameError(
            _("'{repair}' is not a repair of {model}{hint}").format(
                repair=repair, model=model.id, hint=nearest(repair, model.repairs)
            )
        )
    said = _("Written down: {repair} ({title}).").format(
        repair=repair, title=model.repairs[repair].title
    )
    odds = None
    try:
        odds = session.assess(job).shown()
    except BenchoddsError as error:  # a repair that was done is on record whatever happens
        said += " " + _("Without its odds, which cannot be worked out: {error}").format(error=error)
    session.append(
        job_id,
        lambda j, at, uid: jobs.action_event(j, repair, at=at, uid=uid, note=note, odds=odds),
        uid,
    )
    return said.format(repair=repair, title=model.repairs[repair].title)


def check_fault(model: SystemModel, fault: str) -> str:
    """A fault's name if it is one; UnknownNameError with the nearest."""
    known = [f"{c}.{m}" for c, m in model.faults()] + ["none.elec"]
    if fault not in known:
        raise UnknownNameError(
            _("'{fault}' is not a fault of {model}{hint}").format(
                fault=fault, model=model.id, hint=nearest(fault, known)
            )
        )
    return fault


def close_job(
    session: Session,
    job_id: str,
    faults: Sequence[str],
    grade: str,
    minutes: float | None,
    note: str | None,
) -> tuple[str, dict[str, Any]]:
    """Close a job with a graded verdict and the odds it ended with."""
    job = session.store.job(job_id)
    assessment = session.assess(job)
    model = assessment.machine.model
    if not faults and grade not in ("gave-up", "came-back"):
        raise JobError(
            _("say what it was with --fault, or close with --grade gave-up, not {grade}").format(
                grade=grade
            )
        )
    checked = [check_fault(model, f) for f in faults]
    odds, ended = assessment.shown(), assessment.chances
    verdict: dict[str, Any] = {"faults": checked, "grade": grade}
    verdict["p_at_close"] = {f: odds["p"][f] for f in checked}
    if minutes is not None:
        verdict["minutes"] = minutes
    if note:
        verdict["note"] = note
    ending: dict[str, Any] = {"verdict": verdict, "odds": odds}
    session.append(job_id, lambda j, at, uid: jobs.close_event(j, at=at, uid=uid, **ending))
    lines = [
        _("Closed job {job_id}: {checked} ({grade}).").format(
            job_id=job_id, checked=", ".join(checked) or _("no verdict"), grade=grade
        )
    ]
    for fault in checked:
        lines.append(
            "  "
            + _("{fault} stood at {ended} when the job was closed").format(
                fault=fault, ended=percent(ended[fault])
            )
        )
    lines += render.approximate(assessment)
    if model.closing:
        lines += ["", _("Before it leaves the bench")]
        for step in model.closing:
            lines += wrap(step, "  [ ] ", "      ")
    said = approximate(assessment)
    return "\n".join(lines), {
        "schema": 1,
        "job": job_id,
        "verdict": verdict,
        "approximate": said,
    }
