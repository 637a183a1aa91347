"""The blank sheet to take to the bench: tests in the proposed order, set-ups grouped."""

from __future__ import annotations

from dataclasses import dataclass

from benchodds.basics.language import _
from benchodds.basics.words import limit_words
from benchodds.choose.planning import Ranked
from benchodds.infer.assess import Assessment
from benchodds.model.system import SystemModel

FEW = 40
"""Tests on a sheet at the most."""


@dataclass(frozen=True)
class SheetTest:
    """One row of the sheet."""

    name: str
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
    """The sheet of a job: the ranked tests, then those that are not offered yet.

    Tests are grouped by the set-ups they need, in the order in which the best of each group
    stands in the ranking; a group that needs no more than those before it joins them.
    """
    job, model = assessment.job, assessment.machine.model
    ranked = [r.test for r in ranking]
    order = [*ranked, *(t for t in model.tests if t not in ranked)][:FEW]
    opened: list[str] = []
    groups: list[tuple[list[str], list[str]]] = []
    left = list(order)
    while left:
        new = [s for s in model.setups_of(left[0]) if s not in opened]
        opened += new
        members = [t for t in left if set(model.setups_of(t)) <= set(opened)]
        groups.append((new, members))
        left = [t for t in left if t not in members]
    tools = dict.fromkeys(
        x.strip() for t in order for x in model.tests[t].tools.split(",") if x.strip()
    )
    cautions = dict.fromkeys(c for t in order for c in model.tests[t].cautions)
    cautions.update(dict.fromkeys(c for s in opened for c in model.setups[s].cautions))
    wanted = [c for c in model.cautions if c in cautions or c == "literature"]
    return Worksheet(
        system=model.id,
        title=model.title,
        variant=f"{model.variants[model.variant].title}, {model.variants[model.variant].years}",
        complaint=model.complaints.get(job.complaint, job.complaint),
        contexts=tuple(model.contexts.get(c, c) for c in job.contexts),
        notice=model.notice,
        tools=tuple(tools),
        cautions=tuple(model.cautions[c] for c in wanted),
        groups=tuple(
            Group(_title(model, new), tuple(_row(model, t) for t in members))
            for new, members in groups
        ),
        closing=model.closing,
    )


def _title(model: SystemModel, setups: list[str]) -> str:
    if not setups:
        return _("Without opening anything")
    return _("; then ").join(f"{model.setups[s].title} ({model.setups[s].minutes})" for s in setups)


def _row(model: SystemModel, name: str) -> SheetTest:
    test = model.tests[name]
    limit = limit_words(test.limit.min, test.limit.max) if test.limit else ""
    if test.outcomes:
        limit = " / ".join(test.outcomes)
    if test.kind == "spark":
        limit = _("sparks of {tries}").format(tries=test.tries)
    return SheetTest(name, test.do, test.minutes.removesuffix(" min"), limit)
