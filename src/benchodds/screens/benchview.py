"""What the page shows of a job, and what its form means. No web in here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchodds.basics.errors import ReadingError
from benchodds.basics.language import _
from benchodds.basics.words import about, percent
from benchodds.choose.benchstate import open_setups
from benchodds.choose.permits import Permits
from benchodds.keep.session import Session
from benchodds.model.jobs import Job
from benchodds.model.system import SystemModel, Test
from benchodds.screens import standing
from benchodds.screens.advising import advise
from benchodds.screens.step import test_step
from benchodds.screens.told import before_words, complaint_words, technique_words

UNITS = {"V": ("V", "mV", "kV"), "ohm": ("ohm", "kohm", "Mohm")}
MOST_READINGS = 60


@dataclass(frozen=True)
class TestForm:
    """The form for one test."""

    __test__ = False

    name: str
    title: str
    do: str
    kind: str
    minutes: str
    first: tuple[str, ...]
    why: tuple[str, ...]
    careful: tuple[str, ...]
    barred: str
    limit: str
    units: tuple[str, ...]
    outcomes: tuple[str, ...]
    tries: int
    cranked: bool
    circuit: str


@dataclass(frozen=True)
class Shown:
    """One reading in the list."""

    id: str
    test: str
    values: str
    how: str
    struck: str


@dataclass(frozen=True)
class JobView:
    """All that the page of a job says."""

    id: str
    title: str
    said: str
    closed: bool
    of: str
    """The token of the event that opened it: another store may have a job of the same name."""
    events: int
    leads: tuple[tuple[str, str, str, str], ...]
    several: str
    approximate: str
    gear: tuple[str, ...]
    ending: tuple[str, ...]
    cured: str
    unsteady: str
    do: str
    repair: str
    repair_title: str
    repair_careful: tuple[str, ...]
    form: TestForm | None
    proposed: bool
    skip: str
    skipped: tuple[str, ...]
    tests: tuple[tuple[str, str], ...]
    readings: tuple[Shown, ...]
    setups: tuple[tuple[str, str, bool], ...]
    repairs: tuple[tuple[str, str], ...]
    methods: tuple[tuple[str, str], ...]
    last_how: str
    last_meter: str


def job_view(
    session: Session, job_id: str, test: str | None, skipped: Sequence[str], sure: bool = False
) -> JobView:
    """Work out the page of a job; ``test`` is the form asked for, else the proposed one's.

    What may not be done now is shown with its reason (``TestForm.barred``) and without a form,
    unless whoever asks is ``sure``: what was done all the same must be recorded.

    Raises
    ------
    UnknownNameError
        No such job, or no such test.
    """
    job = session.store.job(job_id)
    assessment = session.assess(job)
    step, _weighed = advise(assessment, greedy=True)
    model = assessment.machine.model
    wanted = step.test if step.test and step.test not in skipped else None
    wanted = wanted or next((r.test for r in step.ranking if r.test not in skipped), None)
    asked = model.find_test(test) if test else None
    name = asked or wanted
    rows = {r.test: r for r in step.ranking}
    form = None
    if name is not None:
        spec, row = model.tests[name], rows.get(name)
        said = test_step(assessment, step, name)
        tool = assessment.machine.instrument(name)
        form = TestForm(
            name=name,
            title=said.title,
            do=said.do,
            kind=spec.kind,
            minutes=said.minutes,
            first=said.first,
            why=said.meanings,
            careful=model.warnings(spec),
            barred="" if row or sure else Permits(assessment).test(name).reason,
            limit=said.good if spec.limit else "",
            units=_units(spec) if spec.kind in ("peak", "meter") else (),
            outcomes=tool.expect().words,
            tries=spec.tries,
            cranked=tool.cranked,
            circuit=spec.unplug,
        )
    opened = open_setups(model, job)
    ending = tuple(line.strip() for line in standing.ending(step, assessment))
    top = sorted(assessment.p_mode.items(), key=lambda row: -row[1])[:4]
    used = [t.technique for t in assessment.taken]
    return JobView(
        id=job.id,
        title=f"{model.title}, {model.variants[model.variant].title}",
        said="; ".join([complaint_words(model, job), *before_words(model, job)]),
        closed=job.is_closed,
        of=job.events[0].uid,
        events=len(job.events),
        leads=tuple((f"{c}.{m}", model.title_of(c, m), percent(p), about(p)) for (c, m), p in top),
        several=standing.clash(assessment),
        approximate=assessment.approximate.why if assessment.approximate else "",
        gear=tuple(line.strip() for line in standing.gear(assessment)),
        do=step.do,
        ending=ending,
        cured=" ".join(standing.cured(assessment)),
        unsteady=" ".join(standing.unsteady(assessment)),
        repair=step.repair or "",
        repair_title=model.repairs[step.repair].title if step.repair else "",
        repair_careful=model.warnings(model.repairs[step.repair]) if step.repair else (),
        form=form,
        proposed=name is not None and name == wanted and not ending,
        skip=wanted or "",
        skipped=tuple(skipped),
        tests=tuple((t, s.title) for t, s in model.tests.items()),
        readings=_shown(job, model),
        setups=tuple((s, spec.title, s in opened) for s, spec in model.setups.items()),
        repairs=tuple((r, spec.title) for r, spec in model.repairs.items()),
        methods=tuple((m, spec.title) for m, spec in assessment.machine.bench.cranking.items()),
        last_how=next((t.how for t in reversed(used) if t.how), ""),
        last_meter=next((t.meter for t in reversed(used) if t.meter), ""),
    )


def _shown(job: Job, model: SystemModel) -> tuple[Shown, ...]:
    """What was read and done, the latest first."""
    rows = [
        (
            r.seq,
            Shown(
                r.id,
                r.test,
                ", ".join(r.values),
                technique_words(r.technique),
                r.struck or "",
            ),
        )
        for r in job.readings
    ]
    for a in job.actions:
        word = _("old part back") if a.back else _("done")
        title = model.repairs[a.repair].title if a.repair in model.repairs else a.repair
        rows.append((a.seq, Shown(a.id, word, title, a.note or "", a.struck or "")))
    return tuple(shown for _seq, shown in sorted(rows, key=lambda r: -r[0])[:MOST_READINGS])


def _units(spec: Test) -> tuple[str, ...]:
    """Units to choose from; ohms that are read as a drop are volts first."""
    units = UNITS.get(spec.unit, (spec.unit,))
    return ("V", "mV", units[0]) if spec.through else units


def typed_values(
    values: Sequence[str], unit: str, hits: str, tries: str, mark: str
) -> tuple[str, ...]:
    """What a form means, written as it would be in the terminal.

    ``mark`` is one of OL, unstable, not-taken, refused, impossible or a look's outcome and
    stands for the whole reading; numbers take the unit chosen beside them unless they bring
    their own; sparks are counted out of tries.

    Raises
    ------
    ReadingError
        Nothing was filled in.
    """
    if mark:
        return (mark,)
    if hits or tries:
        if not hits or not tries:
            raise ReadingError(_("say both how many sparks were seen and out of how many tries"))
        return (f"{hits}/{tries}",)
    filled = [v.strip() for v in values if v.strip()]
    if not filled:
        raise ReadingError(_("nothing was filled in; write what the test showed, or choose a word"))
    return tuple(f"{v} {unit}" if _is_bare(v) and unit else v for v in filled)


def _is_bare(text: str) -> bool:
    return text.replace(",", ".", 1).replace(".", "", 1).isdigit()
