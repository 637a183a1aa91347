"""The record of a job, and what there is to choose from, in lines of 80 columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from benchodds.basics.language import _
from benchodds.basics.words import limit_words, wrap
from benchodds.model.jobs import Action, Job, Reading
from benchodds.model.sources import OPENED, changes, opened_with
from benchodds.screens.told import before_words, complaint_words, technique_words

if TYPE_CHECKING:
    from benchodds.infer.assess import Assessment
    from benchodds.model.system import SystemModel


def heading(assessment: Assessment) -> list[str]:
    """Who this is about, and what has become of the files that it was opened with."""
    job, model = assessment.job, assessment.machine.model
    parts = [_("Job {job}").format(job=job.id), model.title, model.variants[model.variant].title]
    parts += [complaint_words(model, job), *before_words(model, job)]
    return [*wrap("; ".join(parts)), *changed(assessment)]


def changed(assessment: Assessment) -> list[str]:
    """What has become of the files that a job was opened with."""
    found = changes(opened_with(assessment.job), assessment.machine.sources)
    return [line for change in found for line in wrap(change.told(OPENED))]


def reading_line(reading: Reading) -> str:
    """One reading as written, with how it was taken."""
    said = technique_words(reading.technique)
    text = f"{reading.id} {reading.test} = {', '.join(reading.values)}"
    text += f"  ({said})" if said else ""
    return text + (
        "  " + _("STRUCK: {struck}").format(struck=reading.struck) if reading.struck else ""
    )


def action_line(action: Action) -> str:
    """One repair as written down."""
    said = _("{id} old part back: {repair}") if action.back else _("{id} done: {repair}")
    text = said.format(id=action.id, repair=action.repair)
    text += f" ({action.note})" if action.note else ""
    return text + (
        "  " + _("STRUCK: {struck}").format(struck=action.struck) if action.struck else ""
    )


def story(job: Job) -> list[str]:
    """What was read and done, in order."""
    rows = [(r.seq, reading_line(r)) for r in job.readings]
    rows += [(a.seq, action_line(a)) for a in job.actions]
    return [line for _seq, text in sorted(rows) for line in wrap(text, "  ", "     ")]


def record(job: Job) -> list[str]:
    """The whole record of a job."""
    lines = wrap(
        _(
            "Job {job}: {system}, {variant}, {complaint}, opened {opened_at}, model "
            "{model_version}, priors {prior_set} {prior_version}"
        ).format(
            job=job.id,
            system=job.system,
            variant=job.variant,
            complaint=job.complaint,
            opened_at=job.opened_at,
            model_version=job.model_version,
            prior_set=job.prior_set,
            prior_version=job.prior_version,
        )
    )
    if before := before_words(None, job):
        lines += wrap("; ".join(before), "  ", "  ")
    rows = [(r.seq, r.at, reading_line(r), r.note) for r in job.readings]
    rows += [(a.seq, a.at, action_line(a), None) for a in job.actions]
    for _seq, at, text, remark in sorted(rows, key=lambda row: row[0]):
        lines += wrap(f"{at[:16].replace('T', ' ')}  {text}", "  ", "     ")
        lines += wrap(_("note: {note}").format(note=remark), "     ") if remark else []
    for note in job.notes:
        lines += wrap(
            _("{at}  note: {text}").format(at=note.at[:16].replace("T", " "), text=note.text),
            "  ",
            "     ",
        )
    if job.closed is not None:
        verdict = job.closed
        lines += wrap(
            _("{closed_at}  closed: {faults} ({grade})").format(
                closed_at=(job.closed_at or "")[:16].replace("T", " "),
                faults=", ".join(verdict.get("faults", [])) or _("no verdict"),
                grade=verdict.get("grade", _("no grade")),
            ),
            "  ",
            "     ",
        )
    return lines


def systems(models: Sequence[SystemModel]) -> str:
    """The systems there are, with variants, complaints and contexts."""
    lines: list[str] = []
    for model in models:
        lines += wrap(
            _("{model} - {title} (version {version})").format(
                model=model.id, title=model.title, version=model.version
            )
        )
        lines += wrap(model.notice, "  ")
        for name, variant in model.variants.items():
            lines += wrap(
                _("variant {name}: {title}, {years}").format(
                    name=name, title=variant.title, years=variant.years
                ),
                "  ",
                "    ",
            )
        lines += wrap(_("complaints: ") + ", ".join(model.complaints), "  ", "    ")
        lines += wrap(_("contexts: ") + ", ".join(model.contexts), "  ", "    ")
        lines.append("")
    return "\n".join(lines).rstrip()


def system(model: SystemModel) -> str:
    """One system in full: components, set-ups, tests."""
    lines = systems([model]).splitlines()
    lines += ["", _("Components")]
    for name, c in model.components.items():
        lines += wrap(f"{name:<6} {c.title}: {', '.join(c.modes)}", "  ", " " * 9)
    lines += ["", _("Set-ups")]
    for name, s in model.setups.items():
        lines.append(f"  {name:<6} {s.minutes:>7}  {s.title}")
    lines += ["", _("Tests               minutes  set-ups    limit")]
    for name, t in model.tests.items():
        limit = limit_words(t.limit.min, t.limit.max) if t.limit else ""
        lines.append(
            f"  {name:<16} {t.minutes:>9}  {' '.join(model.setups_of(name)) or '-':<9}  {limit}"
        )
        lines += wrap(t.title, "      ")
    return "\n".join(lines)
