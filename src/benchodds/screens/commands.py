"""What the longer commands do, apart from parsing and printing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchodds.basics.errors import (
    BenchoddsError,
    JobError,
    TooLargeError,
    UnknownNameError,
    nearest,
)
from benchodds.basics.language import _
from benchodds.basics.meterdata import parse_accuracy, parse_impedance
from benchodds.basics.words import percent, wrap, wrapped
from benchodds.keep.outputs import save_figures
from benchodds.keep.session import Session
from benchodds.model import jobs
from benchodds.model.priors import NONE
from benchodds.model.system import SystemModel
from benchodds.screens import standing
from benchodds.screens.shapes import approximate
from benchodds.screens.standing import slip
from benchodds.screens.told import GRADES

if TYPE_CHECKING:
    from benchodds.infer.assess import Assessment
    from benchodds.reasons.why import Why


def explain(
    session: Session,
    job_id: str,
    reading: str | None,
    figures: Path | None = None,
    overwrite: bool = False,
    *,
    numbers: bool = False,
) -> tuple[str, dict[str, Any]]:
    """What one reading is worth: sentences, with all numbers if asked, and figures if asked."""
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
    from benchodds.reasons.sentences import briefly, clash_sentences
    from benchodds.screens.glance import value_words
    from benchodds.screens.numbers import glossary

    epoch = next(job.epoch(r.seq) for r in job.live_readings if r.id == wanted)
    later = job.live_actions[epoch:]
    assessment = session.assess(job.until(epoch))
    found = explain_reading(assessment, wanted)
    contradictions = clashes(assessment)
    if numbers:
        lines = sentences(found) + clash_sentences(contradictions)
        lines += glossary(lines)
    else:
        taken = next(r for r in job.live_readings if r.id == wanted)
        said = value_words(assessment.machine.instrument(taken.test), taken)
        lines = wrapped(f"{wanted}: {said}", slip(assessment, wanted)) + briefly(found)
    if later:
        lines += wrap(
            _("All this is about the machine before {action} ({repair}).").format(
                action=later[0].id, repair=assessment.machine.repair(later[0].repair).title
            )
        )
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
    name = find_setup(model, setup)
    session.append(
        job_id, lambda j, at, uid: jobs.setup_event(j, name, is_open, at=at, uid=uid), uid
    )
    said = _("Open now: {title}.") if is_open else _("Closed again: {title}.")
    return said.format(title=model.setups[name].title)


def find_setup(model: SystemModel, setup: str) -> str:
    """A set-up by its name or by words of its title; UnknownNameError with all there are."""
    if setup in model.setups or setup.upper() in model.setups:
        return setup if setup in model.setups else setup.upper()
    words = setup.lower().split()
    found = [
        name
        for name, spec in model.setups.items()
        if words and set(words) <= set(spec.title.lower().replace(",", "").split())
    ]
    if len(found) == 1:
        return found[0]
    known = "; ".join(f"{name} {spec.title}" for name, spec in model.setups.items())
    raise UnknownNameError(
        _("'{setup}' is not a set-up of {model}; known: {known}").format(
            setup=setup, model=model.id, known=known
        )
    )


GEAR = ("meter", "accuracy", "adapter", "operator")
"""What can be declared of the instruments of a job."""


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


def change_gear(session: Session, job_id: str, items: Sequence[str], uid: str | None = None) -> str:
    """Record that gear was mended or replaced; the same ``uid`` twice is one event."""
    session.append(
        job_id, lambda j, at, uid: jobs.changed_gear_event(j, items, at=at, uid=uid), uid
    )
    return _("Written down: another {items} from here on.").format(items=_(" and ").join(items))


def did_repair(
    session: Session,
    job_id: str,
    repair: str,
    note: str | None,
    uid: str | None = None,
    *,
    back: bool = False,
) -> str:
    """Record a repair that was done (or its old part put back) with the odds it was done on, and
    say what is believed now; the same ``uid`` twice is one event."""
    job = session.store.job(job_id)
    title, odds, lines = session.machine(job).repair(repair).title, None, list[str]()
    try:
        odds = session.assess(job).shown()
    except BenchoddsError as error:  # a repair that was done is on record whatever happens
        lines = wrap(_("Without its odds, which cannot be worked out: {error}").format(error=error))
    job = session.append(
        job_id,
        lambda j, at, uid: jobs.action_event(
            j, repair, at=at, uid=uid, note=note, back=back, odds=odds
        ),
        uid,
    )
    done = _("Written down: {title}.")
    said = _("Written down: the old part is back ({title}).") if back else done
    lines = [*wrap(said.format(title=title)), *lines]
    return "\n".join([*lines, *(wrapped(*standing.cured(session.assess(job))) if odds else [])])


def check_fault(assessment: Assessment, fault: str) -> str:
    """A fault's name if it is one; UnknownNameError with the nearest, or what leads."""
    model = assessment.machine.model
    known = [f"{c}.{m}" for c, m in model.faults()] + [NONE]
    if fault not in known:
        hint = nearest(fault, known) or "; " + _likeliest(assessment)
        raise UnknownNameError(
            _("'{fault}' is not a fault of {model}{hint}").format(
                fault=fault, model=model.id, hint=hint
            )
        )
    return fault


def _likeliest(assessment: Assessment, top: int = 5) -> str:
    """The faults that may be named, those that led when the machine came in first."""
    chances = assessment.chances_was
    best = sorted(chances, key=lambda f: -chances[f])[:top]
    named = (f"{f} ({standing.fault_words(assessment.machine.model, f)})" for f in best)
    return _("likeliest: {faults}").format(faults=", ".join(named))


def how_to_close(assessment: Assessment, command: str) -> list[str]:
    """What a job is closed with: faults that may be named, and the grades."""
    lines = wrap(_("{command} FAULT GRADE, say what it was and how sure that is.").format(
        command=command
    ))  # fmt: skip
    lines += wrap(_likeliest(assessment), "  ", "    ")
    for grade, words in GRADES.items():
        lines += wrap(f"{grade}: {_(words)}", "  ", "    ")
    return lines


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
    if grade not in GRADES:
        known = ", ".join(f"{name} ({_(words)})" for name, words in GRADES.items())
        raise JobError(
            _("'{grade}' is not a grade; known: {known}").format(grade=grade, known=known)
        )
    if not faults and grade not in ("gave-up", "came-back"):
        raise JobError(
            _(
                "say what it was with --fault, or close with --grade gave-up, not {grade}; {known}"
            ).format(grade=grade, known=_likeliest(assessment))
        )
    checked = [check_fault(assessment, f) for f in faults]
    odds, ended = assessment.shown(), assessment.chances_was
    verdict: dict[str, Any] = {"faults": checked, "grade": grade}
    verdict["p_at_close"] = {f: odds["p"][f] for f in checked}
    if minutes is not None:
        verdict["minutes"] = minutes
    if note:
        verdict["note"] = note
    ending: dict[str, Any] = {"verdict": verdict, "odds": odds}
    session.append(job_id, lambda j, at, uid: jobs.close_event(j, at=at, uid=uid, **ending))
    found = (
        _("{fault}, which stood at {ended}").format(
            fault=standing.fault_words(model, f), ended=percent(ended[f])
        )
        for f in checked
    )
    lines = wrap(
        _("Closed job {job_id}: {checked} ({grade}).").format(
            job_id=job_id, checked="; ".join(found) or _("no verdict"), grade=_(GRADES[grade])
        )
    )
    lines += wrapped(*standing.cured(assessment))
    lines += standing.approximate(assessment)
    if model.closing:
        lines += ["", _("Before it leaves the bench"), *standing.checks(model)]
    said = approximate(assessment)
    return "\n".join(lines), {
        "schema": 1,
        "job": job_id,
        "verdict": verdict,
        "approximate": said,
    }


def write_report(
    session: Session, job_id: str, target: Path | None = None, overwrite: bool = False
) -> str:
    """Write the report of a job, beside where one works if no target is given; says which files."""
    from benchodds import __version__
    from benchodds.reasons.evidence import ledger
    from benchodds.reasons.figures import path_figure
    from benchodds.screens.pages import report_html, svg_text, write_pages
    from benchodds.screens.report import build_report

    assessment = session.assess(session.store.job(job_id))
    try:
        book = ledger(assessment, was=True)
    except TooLargeError:
        assessment = assessment.narrowed()
        book = ledger(assessment, was=True)
    svg = ""
    if book.readings:
        names = {c: s.title for c, s in assessment.machine.model.components.items()}
        tests = {r.id: r.test for r in assessment.job.readings}
        svg = svg_text(path_figure(book, names, tests))
    html = report_html(build_report(assessment, book, __version__), svg)
    paths = write_pages(html, target or Path(f"job-{job_id}"), overwrite)
    return "\n".join(_("Wrote {path}").format(path=path) for path in paths)
