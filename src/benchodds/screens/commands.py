"""What the longer commands do, apart from parsing and printing."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchodds.basics.errors import (
    BenchoddsError,
    JobError,
    ReadingError,
    StoreError,
    UnknownNameError,
    nearest,
)
from benchodds.basics.language import _
from benchodds.basics.meterdata import parse_accuracy, parse_impedance
from benchodds.basics.quantities import Expect, parse_value, show_value
from benchodds.basics.words import percent, wrap
from benchodds.infer.assess import Machine, assess, merge
from benchodds.keep.session import Session, find_test, token
from benchodds.model import jobs
from benchodds.model.cards import told
from benchodds.model.jobs import Technique
from benchodds.model.system import SystemModel
from benchodds.screens import render
from benchodds.screens.shapes import approximate

if TYPE_CHECKING:
    from benchodds.reasons.why import Why

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
    uid = uid or token()
    job = session.store.job(job_id)
    machine = session.machine(job)
    name = find_test(machine.model, test)
    if technique.card is None and job.gear.get("card"):
        technique = replace(technique, card=str(job.gear["card"]))
    elif technique.card is not None:
        told(job, technique.card)  # or refused
    tool = machine.instrument(name)
    parsed = tool.parse(values)
    before = assess(machine, job).p_mode  # the rest of it would only take room
    full = merge(technique, job, parsed, strict=True)
    machine.finding(name, tuple(values), full, "hookup")  # refused before anything is written
    job = session.append(
        job_id,
        lambda j, at, uid: jobs.reading_event(
            j, at=at, uid=uid, test=name, values=list(values), technique=technique, note=note
        ),
        uid,
    )
    after = assess(machine, job)
    reading = next(r for r in job.readings if job.events[r.seq - 1].uid == uid)
    moved = movements(before, after.p_mode)
    data = {
        "schema": 1,
        "job": job.id,
        "reading": reading.id,
        "test": name,
        "understood": [show_value(v) for v in parsed],
        "moved": [{"fault": f, "from": a, "to": b} for f, a, b in moved],
        "slip": after.slips.get(reading.id, 0.0),
        "approximate": approximate(after),
    }
    lines = [f"{reading.id}: {name} = {', '.join(show_value(v) for v in parsed)}"]
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
    what, _semicolon, how = line.partition(";")
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


def read_sheet(session: Session, job_id: str, text: str, name: str) -> list[SheetRow]:
    """Readings from a sheet, a line each (:func:`parse_sheet_line`), all checked.

    Values with spaces stand in quotes; empty lines and those beginning with # are passed over.

    Raises
    ------
    ReadingError
        Naming file and line; nothing has been recorded then.
    """
    machine = session.machine(session.store.job(job_id))
    rows = []
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            try:
                rows.append(parse_sheet_line(machine, line))
                rows[-1].said()
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
    before: Mapping[tuple[str, str], float],
    after: Mapping[tuple[str, str], float],
    least: float = 0.01,
    top: int = 6,
) -> list[tuple[str, float, float]]:
    """The faults whose probability moved most: (fault, from, to)."""
    rows = [
        (".".join(fault), before[fault], p)
        for fault, p in after.items()
        if abs(p - before[fault]) >= least
    ]
    return sorted(rows, key=lambda row: -abs(row[2] - row[1]))[:top]


def explain(
    session: Session, job_id: str, reading: str | None, figures: Path | None
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
            for path in _save_figures(found, figures, f"{job_id}-{wanted}")
        ]
    return "\n".join(lines), to_dict(found, contradictions)


def _save_figures(found: Why, folder: Path, stem: str) -> list[Path]:
    """The figures of one reading as SVG and PNG; StoreError when they cannot be written."""
    from benchodds.reasons.figures import path_figure, spread_figure, weights_figure

    made = {
        "spread": spread_figure(found),
        "path": path_figure(found.ledger, found.titles, found.tests, found.reading.id),
        "weights": weights_figure(found),
    }
    paths = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, figure in made.items():
            for suffix in ("svg", "png") if figure is not None else ():
                paths.append(folder / f"{stem}-{name}.{suffix}")
                figure.savefig(paths[-1], dpi=150)  # type: ignore[union-attr]
    except OSError as error:
        raise StoreError(
            _("{folder} cannot be written ({reason})").format(folder=folder, reason=error.strerror)
        ) from None
    return paths


def mark_setup(session: Session, job_id: str, setup: str, is_open: bool) -> str:
    """Record that a set-up is open or closed."""
    model = session.machine(session.store.job(job_id)).model
    name = setup if setup in model.setups else setup.upper()
    if name not in model.setups:
        raise UnknownNameError(
            _("'{setup}' is not a set-up of {model}{hint}").format(
                setup=setup, model=model.id, hint=nearest(setup, model.setups)
            )
        )
    session.append(job_id, lambda j, at, uid: jobs.setup_event(j, name, is_open, at=at, uid=uid))
    said = _("{name} ({title}) is open.") if is_open else _("{name} ({title}) is closed.")
    return said.format(name=name, title=model.setups[name].title)


def declare_gear(session: Session, job_id: str, items: Mapping[str, str]) -> str:
    """Record the instruments of a job."""
    if not items:
        raise JobError(_("nothing to declare; give --meter, --accuracy, --adapter or --operator"))
    if "meter" in items:
        parse_impedance(items["meter"])
    if "accuracy" in items:
        parse_accuracy(items["accuracy"])
    session.append(job_id, lambda j, at, uid: jobs.gear_event(j, items, at=at, uid=uid))
    return _("Declared for all readings that do not say otherwise: ") + ", ".join(
        f"{k} {v}" for k, v in items.items()
    )


def did_repair(session: Session, job_id: str, repair: str, note: str | None) -> str:
    """Record a repair that was done."""
    model = session.machine(session.store.job(job_id)).model
    if repair not in model.repairs:
        raise UnknownNameError(
            _("'{repair}' is not a repair of {model}{hint}").format(
                repair=repair, model=model.id, hint=nearest(repair, model.repairs)
            )
        )
    session.append(
        job_id, lambda j, at, uid: jobs.action_event(j, repair, at=at, uid=uid, note=note)
    )
    return _("Written down: {repair} ({title}).").format(
        repair=repair, title=model.repairs[repair].title
    )


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
    ended = {f"{c}.{m}": p for (c, m), p in assessment.p_mode.items()}
    ended["none.elec"] = assessment.faults_at_once["0"]
    verdict: dict[str, Any] = {"faults": checked, "grade": grade}
    verdict["p_at_close"] = {f: round(ended[f], 6) for f in checked}
    if minutes is not None:
        verdict["minutes"] = minutes
    if note:
        verdict["note"] = note
    session.append(job_id, lambda j, at, uid: jobs.close_event(j, at=at, uid=uid, verdict=verdict))
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
