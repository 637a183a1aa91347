"""The report of a job: one page for the customer, the full record for the shop. Numbers only.

Everything the templates show is worked out here, from an assessment and the weights of
evidence of its readings; templates and files are the business of ``pages``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchodds.basics.language import N_, _
from benchodds.basics.quantities import show_value
from benchodds.basics.words import about, limit_words, percent
from benchodds.infer.assess import Assessment
from benchodds.model.jobs import Action, Job, Reading
from benchodds.model.priors import NONE
from benchodds.model.sources import CLOSED, OPENED, brief, changes, opened_with
from benchodds.model.system import Repair, SystemModel, Test
from benchodds.reasons.evidence import Ledger
from benchodds.screens.standing import cured, unsteady
from benchodds.screens.told import GRADES, before_words, complaint_words, technique_words

LEADERS = 6
DECISIVE = 4
"""How many readings the customer's page names as reasons."""


@dataclass(frozen=True)
class Line:
    """One reading in the record."""

    id: str
    at: str
    test: str
    title: str
    shown: str
    how: str
    limit: str
    judged: str
    moved: str
    struck: str
    note: str


@dataclass(frozen=True)
class Reason:
    """A reading that spoke for or against the verdict, for a reader who is no technician."""

    title: str
    shown: str
    words: str


@dataclass(frozen=True)
class Report:
    """All that a report says."""

    job: Job
    machine: str
    complaint: str
    contexts: tuple[str, ...]
    found: tuple[str, ...]
    sure: str
    grade: str
    reasons: tuple[Reason, ...]
    repairs: tuple[str, ...]
    checks: tuple[str, ...]
    minutes: float | None
    leaders: tuple[tuple[str, str, str, str], ...]
    """Fault, in words, chance as it was shown when the job was closed, chance today."""
    done: tuple[tuple[str, str, str, str], ...]
    """When, repair, note, and the leading fault as it was shown then."""
    cured: tuple[str, ...]
    """After a repair: is it cured, does it come back, and what may come and go still."""
    gear: tuple[tuple[str, str], ...]
    lines: tuple[Line, ...]
    cautions: tuple[str, ...]
    versions: tuple[tuple[str, str], ...]
    changed: tuple[str, ...]
    """What is other now than when the job was opened or closed."""
    notice: str
    approximate: str


def build_report(assessment: Assessment, book: Ledger, version: str) -> Report:
    """Work out the report of a job, closed or still open."""
    job, model = assessment.job, assessment.machine.model
    verdict: Mapping[str, Any] = job.closed or {}
    faults = [str(f) for f in verdict.get("faults", ())]
    chances, used = assessment.chances_was, assessment.machine.sources
    shown: Mapping[str, float] = (job.closed_odds or {}).get("p", {})
    ended = {**chances, **shown}  # what the customer was told stands
    named = faults or [max(ended, key=lambda f: ended[f])]
    p = min(ended.get(f, 0.0) for f in named)
    files = (job.closed_odds or {}).get("files", {})
    steps: list[Test | Repair] = [
        *(model.tests[r.test] for r in job.readings if r.test in model.tests),
        *(model.repairs[a.repair] for a in job.actions if a.repair in model.repairs),
    ]
    return Report(
        job=job,
        machine=f"{model.title}, {model.variants[model.variant].title}",
        complaint=complaint_words(model, job),
        contexts=before_words(model, job),
        found=tuple(_spell(model, f) for f in named),
        sure=_("{about} ({percent}) by the readings").format(about=about(p), percent=percent(p)),
        grade=_(GRADES.get(str(verdict.get("grade", "")), N_("the job is still open"))),
        reasons=_reasons(assessment, book, named),
        repairs=tuple(
            model.repairs[a.repair].title if a.repair in model.repairs else a.repair
            for a in job.live_actions
        ),
        cured=(*cured(assessment), *unsteady(assessment)),
        checks=model.closing,
        minutes=verdict.get("minutes"),
        leaders=_leaders(model, shown, chances),
        done=tuple((a.at, _deed(a), a.note or "", _leader(a)) for a in job.actions),
        gear=tuple(
            (f"{_(item)}: {_(state)}", percent(q))
            for item, state, q in assessment.gear
            if state != "ok"
        ),
        lines=tuple(_line(assessment, book, r) for r in job.readings),
        cautions=tuple(dict.fromkeys(c for s in steps for c in model.warnings(s))),
        versions=(
            ("benchodds", version),
            (_("system"), f"{job.system}, {job.variant}"),
            *((name, brief(file)) for name, file in used.items()),
        ),
        changed=tuple(
            change.told(words)
            for words, then in ((OPENED, opened_with(job)), (CLOSED, files))
            for change in changes(then, used)
        ),
        notice=model.notice,
        approximate=assessment.approximate.why if assessment.approximate else "",
    )


def _leaders(
    model: SystemModel, shown: Mapping[str, float], now: Mapping[str, float]
) -> tuple[tuple[str, str, str, str], ...]:
    """The likeliest faults, as shown at closing (of a job closed then) and as worked out now."""
    ended = {**now, **shown}
    best = sorted(ended, key=lambda f: -ended[f])[:LEADERS]

    def chance(p: Mapping[str, float], fault: str) -> str:
        return percent(p[fault]) if fault in p else "-"

    return tuple((f, _spell(model, f), chance(shown, f), chance(now, f)) for f in best)


def _deed(action: Action) -> str:
    """What was done, in a few words; a struck one says so."""
    text = (
        _("old part back: {repair}").format(repair=action.repair) if action.back else action.repair
    )
    if action.struck:
        text += " " + _("(struck: {reason})").format(reason=action.struck)
    return text


def _leader(action: Action) -> str:
    """The likeliest fault when a repair was done, as it was shown then."""
    p: Mapping[str, float] = (action.odds or {}).get("p", {})
    best = max(p, key=lambda f: p[f], default="")
    return f"{best} {percent(p[best])}" if best else ""


def _spell(model: SystemModel, fault: str) -> str:
    """A fault in words; its name when the model of today does not have it."""
    component, _, mode = fault.partition(".")
    known = fault == NONE or (component, mode) in model.faults()
    return model.title_of(component, mode) if known else fault


def _shown(assessment: Assessment, reading: Reading) -> str:
    tool = assessment.machine.instrument(reading.test)
    return ", ".join(show_value(v) for v in tool.parse(reading.values))


def _line(assessment: Assessment, book: Ledger, reading: Reading) -> Line:
    model = assessment.machine.model
    test = model.tests[reading.test]
    tool = assessment.machine.instrument(reading.test)
    sign = max((tool.sign(v) for v in tool.parse(reading.values)), default=0)
    moved = ""
    if reading.id in book.readings:
        weights = book.weights(reading.id)
        rows = sorted(zip(weights, book.suspects, strict=True), key=lambda row: -abs(row[0]))
        moved = ", ".join(f"{s.name} {w:+.0f}" for w, s in rows[:3] if abs(w) >= 1)
    return Line(
        id=reading.id,
        at=reading.at[:16].replace("T", " "),
        test=reading.test,
        title=test.title,
        shown=_shown(assessment, reading),
        how=technique_words(reading.technique) or _("not said"),
        limit=limit_words(test.limit.min, test.limit.max) if test.limit else "-",
        judged={1: _("within"), -1: _("outside")}.get(sign, "-"),
        moved=moved or "-",
        struck=reading.struck or "",
        note=reading.note or "",
    )


def _reasons(assessment: Assessment, book: Ledger, faults: list[str]) -> tuple[Reason, ...]:
    """The readings that did most for the verdict, in words."""
    model = assessment.machine.model
    wanted = {f.split(".")[0] for f in faults}
    columns = [i for i, s in enumerate(book.suspects) if s.name in wanted]
    others = [i for i, s in enumerate(book.suspects) if s.kind == "component" and i not in columns]
    readings = {r.id: r for r in assessment.job.readings}
    rows = []
    for name in book.readings:
        weights = book.weights(name)
        speaks = float(max((weights[i] for i in columns), default=0.0))
        cleared = min(others, key=lambda i: float(weights[i]), default=None)
        against = float(weights[cleared]) if cleared is not None else 0.0
        title = model.components[book.suspects[cleared].name].title if cleared is not None else ""
        if speaks >= max(1.0, -against):
            # Translators: the end of 'This {does}.': what a reading does.
            rows.append((speaks, name, _("points at it")))
        elif against <= -3.0:
            # Translators: the end of 'This {does}.': what a reading does.
            rows.append((-against, name, _("clears the {title}").format(title=title)))
    rows.sort(reverse=True)
    return tuple(
        Reason(model.tests[readings[n].test].title, _shown(assessment, readings[n]), words)
        for _, n, words in rows[:DECISIVE]
        if n in readings
    )
