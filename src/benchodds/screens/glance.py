"""Answers that are read at a glance: at most twelve lines, words first.

What a screen says, and in which order, stands in DEVELOPERS.md ("What a screen says").
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchodds.basics.language import _, ngettext
from benchodds.basics.quantities import show_value
from benchodds.basics.spelling import was_alternating
from benchodds.basics.words import limit_words, percent, wrap, wrapped
from benchodds.choose.planning import Plan
from benchodds.choose.shop import Shop
from benchodds.choose.weighing import Weighed
from benchodds.infer.assess import Assessment
from benchodds.measure.instrument import Instrument
from benchodds.measure.meter import MeterInstrument
from benchodds.model.jobs import Reading
from benchodds.screens.care import Care, care_lines
from benchodds.screens.render import changed
from benchodds.screens.standing import (
    approximate,
    clash,
    cured,
    ending,
    fault_words,
    gear,
    slip,
    unsteady,
)
from benchodds.screens.step import (
    LEAST_LED,
    RepairStep,
    TestStep,
    must_wait,
    on_or_mend,
    repair_step,
    test_step,
)
from benchodds.screens.told import before_words, complaint_words

LINES = 12
"""Most lines of an answer; cautions that are told in full may take more."""
LEADERS = 3
"""How many faults are named as leading."""
LEAST_FALL = 0.03
"""From which fall of its chance a fault is told of that leads no more."""


@dataclass(frozen=True)
class Part:
    """Some lines of an answer, below what must be heeded (``careful``).

    Where an answer is too long the parts of the greatest ``rank`` are left out first. Cautions
    and those of rank 0 never are; those of rank 1 not for cautions that are told in full.
    """

    lines: list[str]
    rank: int = 0
    careful: Care | None = None

    def __len__(self) -> int:
        """How many lines it is."""
        return len(self.shown())

    def shown(self) -> list[str]:
        """Its lines, cautions in front."""
        return [*(care_lines(self.careful) if self.careful else []), *self.lines]

    @property
    def beyond(self) -> int:
        """Lines of cautions that are told in full."""
        return len(care_lines(Care(self.careful.full, ()))) if self.careful else 0


def fitted(parts: Sequence[Part]) -> list[str]:
    """The lines of the parts, in order, without those that do not fit."""
    kept = [p for p in parts if p.lines]
    for part in sorted(kept, key=lambda p: p.rank)[::-1]:
        beyond = sum(p.beyond for p in kept) if part.rank == 1 else 0
        if part.rank and sum(map(len, kept)) - beyond > LINES:
            kept.remove(part)
    return [line for p in kept for line in p.shown()]


# ---- the next step ------------------------------------------------------------------------------


def next_step(
    assessment: Assessment, plan: Plan, shop: Shop, weighed: Weighed | None = None
) -> list[str]:
    """What to do next: care, do, how, good value, what each outcome would mean, what leads now,
    test on or mend, what must wait."""
    model = assessment.machine.model
    step = step_parts(assessment, plan, shop)
    beside = [Part(changed(assessment)), Part(approximate(assessment))]
    if plan.do != "close":
        beside.append(Part(leads(assessment)))
    if plan.do not in ("close", "change-gear"):
        said = on_or_mend(model, weighed) if weighed is not None else ""
        beside += [Part(wrapped(said), 1), Part(wrapped(must_wait(model, plan)), 5)]
    return fitted([*step, *beside])


def step_parts(
    assessment: Assessment, plan: Plan, shop: Shop, test: str | None = None
) -> list[Part]:
    """The proposed step itself, cautions in front of it; ``test`` takes the place of the plan's."""
    if end := ending(plan, assessment):
        return [Part(end)]
    if plan.do == "repair" and plan.repair:
        return repair_parts(repair_step(assessment, plan, plan.repair, shop), assessment.job.id)
    if name := test or plan.test:
        return test_parts(test_step(assessment, plan, name), _("DO: "))
    words = _("Stop testing: no test left would tell more than its minutes are worth.")
    return [Part(wrap(words))]


def test_parts(step: TestStep, word: str) -> list[Part]:
    """A test: care, do, how, good value, what each outcome would mean."""
    title = f"{step.title} [{step.name}], {step.minutes}"
    first = _("First: {setups}.").format(setups=", ".join(step.first)) if step.first else ""
    how = f"{step.do} {first}".strip()
    good = _("Good: {good}.").format(good=step.good) if step.good else ""
    return [
        Part([*wrap(title, word, "    "), *wrap(how, "    ")], careful=step.care),
        Part(wrap(good, "    ") if good else []),
        *(Part(wrap(m, "  - ", "    "), 1 if i < 2 else 4) for i, m in enumerate(step.meanings)),
    ]


def repair_parts(step: RepairStep, job: str) -> list[Part]:
    """A repair: care, do, why, and what to type when it is done."""
    lines = wrap(f"{step.title} [{step.name}], {step.minutes}", _("DO: "))
    lines += wrap(step.why, "    ")
    if step.again:
        words = _("It was done before: by the odds it did not hold, or the new part is bad.")
        lines += wrap(words, "    ")
    words = _("When it is done: benchodds done {job} {repair}")
    return [
        Part(lines, careful=step.care),
        Part(wrap(words.format(job=job, repair=step.name), "    ")),
    ]


# ---- the odds -----------------------------------------------------------------------------------


def leads(assessment: Assessment, before: Mapping[str, float] | None = None) -> list[str]:
    """What leads now, and what it was before, where that is given and another figure."""
    model, mended = assessment.machine.model, bool(assessment.job.live_actions)
    rows = sorted(assessment.chances.items(), key=lambda row: -row[1])[:LEADERS]
    named = []
    for fault, p in rows:
        if p < LEAST_LED:
            continue
        text = f"{fault_words(model, fault, mended=mended)} {percent(p)}"
        if before and fault in before and percent(before[fault]) != percent(p):
            text += " " + _("(was {chance})").format(chance=percent(before[fault]))
        named.append(text)
    return wrapped(_("Leads now: {faults}.").format(faults=", ".join(named))) if named else []


def odds(assessment: Assessment) -> list[str]:
    """What leads, how sure, how many faults, and what the gear may have done."""
    model, job = assessment.machine.model, assessment.job
    mended, n = bool(job.live_actions), len(job.live_readings)
    about = "; ".join([complaint_words(model, job), *before_words(model, job)])
    head = ngettext("{about}. After {n} reading:", "{about}. After {n} readings:", n)
    rows = sorted(assessment.chances.items(), key=lambda row: -row[1])[:LINES]
    listed = [
        Part(
            wrap(fault_words(model, fault, mended=mended), f"{percent(p):>9}  ", " " * 11),
            0 if i < LEADERS else LINES + i,
        )
        for i, (fault, p) in enumerate(rows)
        if p >= LEAST_LED
    ]
    at_once = assessment.faults_at_once
    number = _("One fault {one}, several {more}, none {none}.").format(
        none=percent(at_once["0"]), one=percent(at_once["1"]), more=percent(at_once["2+"])
    )
    return fitted(
        [
            Part(wrap(head.format(about=about[:1].upper() + about[1:], n=n))),
            *listed,
            Part(changed(assessment)),
            Part(wrapped(number), 4),
            Part(wrapped(*cured(assessment))),
            Part(wrapped(*unsteady(assessment)), 3),
            Part(wrapped(clash(assessment))),
            Part(gear(assessment)[:3], 2),
            Part(approximate(assessment)),
        ]
    )


# ---- a reading ----------------------------------------------------------------------------------


def recorded(before: Mapping[str, float], after: Assessment, reading: Reading) -> list[Part]:
    """What a reading showed, low or good, whether it is taken as a slip, and what leads now."""
    tool = after.machine.instrument(reading.test)
    parts = [Part(wrapped(f"{reading.id}: {value_words(tool, reading)}"))]
    if not any(t.table is not None for t in after.taken if t.reading.id == reading.id):
        return [*parts, Part([_("Noted; it says nothing about the machine.")])]
    if isinstance(tool, MeterInstrument) and any(map(tool.is_whole, tool.parse(reading.values))):
        words = _(
            "Taken as read over the path, which is open then; when it is the volts at one "
            "end, strike it and write those at both, as in 12.4-12.1."
        )
        parts.append(Part(wrapped(words)))
    if tool.test.kind == "peak" and any(map(was_alternating, reading.values)):
        words = _(
            "Taken as the peak that adapter or max-hold shows; a bare meter on AC shows something "
            "else: strike it then."
        )
        parts.append(Part(wrapped(words)))
    said = slip(after, reading.id) or clash(after)
    return [
        *parts,
        Part(wrapped(said)),
        Part(leads(after, before)),
        Part(_fell(before, after), 4),
        Part(gear(after)[:2], 2),
        Part(approximate(after)),
    ]


def _fell(before: Mapping[str, float], after: Assessment) -> list[str]:
    """The fault that a reading spoke against most, where it leads no more."""
    lead = sorted(after.chances, key=lambda f: -after.chances[f])[:LEADERS]
    falls = {f: before.get(f, 0.0) - p for f, p in after.chances.items() if f not in lead}
    worst = max(falls, key=lambda f: falls[f], default="")
    if not worst or falls[worst] < LEAST_FALL:
        return []
    words = _("Less likely now: {fault} {now} (was {then}).")
    title = fault_words(after.machine.model, worst, mended=bool(after.job.live_actions))
    now, then = percent(after.chances[worst]), percent(before[worst])
    return wrap(words.format(fault=title, now=now, then=then), "", "  ")


def value_words(tool: Instrument, reading: Reading) -> str:
    """A reading in a sentence: what was measured, what it showed, and how that compares."""
    values = tool.parse(reading.values)
    shown = ", ".join(show_value(v) for v in values)
    judged = judgement(tool, reading)
    limit = tool.test.limit
    text = f"{tool.test.title}: {shown}"
    if judged:
        text += f", {judged}"
    if limit:
        text += " " + _("(limit: {limit})").format(limit=limit_words(limit.min, limit.max))
    return text + "."


def judgement(tool: Instrument, reading: Reading) -> str:
    """Good, low, high or not good, by a bare comparison; empty where that cannot say."""
    values = tool.parse(reading.values)
    signs = [tool.sign(v) for v in values]
    best = max(signs) if tool.test.kind == "peak" else min(signs)
    if best > 0:
        return _("good")
    if best == 0:
        return ""
    numbers = [v.number for v in values if v.number is not None]
    if tool.limit_min is not None and numbers and max(numbers) < tool.limit_min:
        return _("low")
    return _("high") if tool.limit_max is not None else _("not good")
