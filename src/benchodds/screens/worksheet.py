"""The blank sheet to take to the bench: tests in the proposed order, set-ups grouped."""

from __future__ import annotations

from dataclasses import dataclass

from benchodds.basics.language import _
from benchodds.basics.words import limit_words
from benchodds.choose.permits import Permits
from benchodds.choose.planning import Ranked
from benchodds.choose.rules import leading
from benchodds.infer.assess import Assessment
from benchodds.model.system import SystemModel
from benchodds.screens.told import before_words, complaint_words

FEW = 40
"""Tests on a sheet at the most."""


@dataclass(frozen=True)
class SheetTest:
    """One row of the sheet: ``careful`` are numbers of the sheet's cautions, ``only`` why it may
    not be done yet."""

    name: str
    careful: tuple[int, ...]
    harm: str
    only: str
    do: str
    minutes: str
    limit: str


@dataclass(frozen=True)
class Group:
    """Tests that are done with the same set-ups open."""

    title: str
    tests: tuple[SheetTest, ...]


@dataclass(frozen=True)
class Worksheet:
    """All that a sheet says."""

    system: str
    title: str
    variant: str
    complaint: str
    contexts: tuple[str, ...]
    notice: str
    tools: tuple[str, ...]
    cautions: tuple[str, ...]
    groups: tuple[Group, ...]
    closing: tuple[str, ...]


def build_worksheet(assessment: Assessment, ranking: tuple[Ranked, ...]) -> Worksheet:
    """The sheet of a job: the ranked tests, then those that may not be done yet.

    Tests are grouped by the set-ups they need, in the order in which the best of each group
    stands in the ranking; a group that needs no more than those before it joins them. What a
    test waits for stands before it; what will not be done on this job is left out.
    """
    job, model, permits = assessment.job, assessment.machine.model, Permits(assessment)
    order = _in_order(permits, [r.test for r in ranking])[:FEW]
    opened: list[str] = []
    groups: list[tuple[list[str], list[str]]] = []
    left = list(order)
    while left:
        new = [s for s in model.setups_of(left[0]) if s not in opened]
        opened += new
        members: list[str] = []
        for t in left:
            waits = {n for g in permits.rules[t].groups for n in g} & set(left) - set(members)
            if t == left[0] or (set(model.setups_of(t)) <= set(opened) and not waits):
                members.append(t)
        groups.append((new, members))
        left = [t for t in left if t not in members]
    tools = dict.fromkeys(
        x.strip() for t in order for x in model.tests[t].tools.split(",") if x.strip()
    )
    said = dict.fromkeys(text for t in order for text in model.warnings(model.tests[t]))
    literature = model.cautions.get("literature")
    cautions = tuple(c for c in model.cautions.values() if c in said or c == literature)
    return Worksheet(
        system=model.id,
        title=model.title,
        variant=f"{model.variants[model.variant].title}, {model.variants[model.variant].years}",
        complaint=complaint_words(model, job),
        contexts=before_words(model, job),
        notice=model.notice,
        tools=tuple(tools),
        cautions=cautions,
        groups=tuple(
            Group(_title(model, new), tuple(_row(permits, cautions, t) for t in members))
            for new, members in groups
        ),
        closing=model.closing,
    )


def _title(model: SystemModel, setups: list[str]) -> str:
    if not setups:
        return _("Without opening anything")
    return _("; then ").join(f"{model.setups[s].title} ({model.setups[s].minutes})" for s in setups)


def _in_order(permits: Permits, ranked: list[str]) -> list[str]:
    """The ranked tests and the others of the model, each behind all that it waits for."""
    tests = permits.assessment.machine.model.tests
    out: list[str] = []
    begun = set(permits.gone)

    def put(name: str) -> None:
        if name not in begun:
            begun.add(name)
            before = leading(permits.rules, permits.rules[name])
            for first in (t for t in (*ranked, *tests) if t in before):
                put(first)
            out.append(name)

    for name in [*ranked, *tests]:
        put(name)
    return out


def _row(permits: Permits, cautions: tuple[str, ...], name: str) -> SheetTest:
    model = permits.assessment.machine.model
    test = model.tests[name]
    limit = limit_words(test.limit.min, test.limit.max) if test.limit else ""
    if test.outcomes:
        limit = " / ".join(test.outcomes)
    if test.kind == "spark":
        limit = _("sparks of {tries}").format(tries=test.tries)
    return SheetTest(
        name,
        tuple(i for i, text in enumerate(cautions, 1) if text in model.warnings(test)),
        test.harm,
        permits.test(name).reason,
        test.do,
        test.minutes.removesuffix(" min"),
        limit,
    )
