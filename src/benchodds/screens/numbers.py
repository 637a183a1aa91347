"""What stands behind --numbers: tables with names and codes, and a glossary of their words."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from benchodds.basics.language import N_, _
from benchodds.basics.words import percent, wrap, wrapped
from benchodds.choose.permits import LOOKED
from benchodds.choose.planning import Act, Plan, Ranked
from benchodds.choose.shop import Shop
from benchodds.choose.weighing import Weighed
from benchodds.infer.assess import Assessment
from benchodds.model.system import Repair, SystemModel, Test
from benchodds.reasons.clashes import clashes
from benchodds.reasons.sentences import clash_sentences
from benchodds.screens.care import Care, care_lines
from benchodds.screens.render import heading, story
from benchodds.screens.standing import approximate, cured, ending, fault_words, gear, unsteady
from benchodds.screens.step import LEAST_LIKELY, repair_step, test_step
from benchodds.screens.weighwords import weighing

GLOSSARY: Mapping[str, str] = {
    r"\bbits?\b": N_(
        "bit: how much an outcome tells; one bit halves the machines it may be, 0.1 is little."
    ),
    r"\bdecibans?\b": N_(
        "deciban: weight of evidence; +10 makes the odds of a fault ten times what they were, "
        "+3 twice, -10 a tenth."
    ),
    r"\baccept\b": N_(
        "accept, reject: the limit moved by what the reading may be off (guard band), so that "
        "whoever goes by it is right so often."
    ),
    r"\bbits/min\b": N_("bits/min: what the tests are ranked by."),
    r"\bcures\salone\b": N_("cures alone: nothing else is at fault beside it."),
}
"""What the words mean that a bench has no use for, by what they are found by."""


def glossary(lines: Sequence[str], model: SystemModel | None = None) -> list[str]:
    """What the words in some lines mean, and the letters of set-ups where they stand there."""
    text = " ".join(lines)
    out = [line for found, words in GLOSSARY.items() if re.search(found, text)
           for line in wrap(_(words), "  ", "    ")]  # fmt: skip
    if model and "bits/min" in text:
        letters = "; ".join(f"{s} {spec.title}" for s, spec in model.setups.items())
        out += wrap(_("set-ups: {letters}.").format(letters=letters), "  ", "    ")
    return ["", _("What the words mean"), *out] if out else []


def _headed(title: str, lines: list[str]) -> list[str]:
    return ["", title, *lines] if lines else []


def odds(assessment: Assessment, top: int = 8) -> str:
    """All that is known of a job, with the names of faults."""
    model, job = assessment.machine.model, assessment.job
    lines = heading(assessment)
    if told := story(job):
        lines += ["", *told]
    mended = bool(job.live_actions)
    lines += ["", _("What leads now") if mended else _("What leads")]
    rows = sorted(assessment.chances.items(), key=lambda row: -row[1])[:top]
    wide = max(14, *(len(name) for name, _p in rows))
    for name, p in rows:
        title = fault_words(model, name, mended=mended)
        lines += wrap(f"{percent(p):>9}  {name:<{wide}} {title}", "", " " * (12 + wide))
    n = assessment.faults_at_once
    lines += [
        "",
        _("How many faults at once: none {none}, one {one}, more {more}").format(
            none=percent(n["0"]), one=percent(n["1"]), more=percent(n["2+"])
        ),
    ]
    lines += wrapped(*unsteady(assessment), *cured(assessment))
    lines += _headed(_("Gear and technique"), gear(assessment))
    lines += clashing(assessment)
    return "\n".join(lines + _headed("", approximate(assessment))[1:])


def clashing(assessment: Assessment) -> list[str]:
    """Readings that contradict each other, with the least surprising explanations."""
    return _headed(_("Readings that clash"), clash_sentences(clashes(assessment)))


def moved(
    after: Assessment, rows: Sequence[tuple[str, float, float]], understood: str
) -> list[str]:
    """What a reading did to the odds, by the names of faults."""
    lines = [understood]
    lines += [f"  {f:<14} {percent(a):>9} -> {percent(b)}" for f, a, b in rows]
    if not rows:
        lines.append(_("Moved nothing by more than 1 in 100."))
    lines += _headed(_("Gear and technique"), gear(after)) + clashing(after)
    return lines + approximate(after)


def next_step(
    assessment: Assessment, plan: Plan, shop: Shop, weighed: Weighed | None = None, top: int = 6
) -> str:
    """What to do next, why, what it costs, what to be careful of, and the runners-up."""
    model = assessment.machine.model
    lines = [*heading(assessment), ""]
    if step := ending(plan, assessment):
        return "\n".join([*lines, *step, *approximate(assessment)])
    if plan.do == "repair" and plan.repair:
        lines += _repair_lines(assessment, plan, plan.repair, shop)
    elif plan.test:
        row = next(r for r in plan.ranking if r.test == plan.test)
        proves, first = plan.do == "prove-gear", row is plan.ranking[0]
        lines += _test_lines(assessment, plan, row, proves, first)
    else:
        lines += wrap(_("Stop testing: no test left would tell more than its minutes are worth."))
    if weighed is not None:
        usual, better = weighed.foresight.usual, weighed.better
        if usual is not None and usual is not better:
            words = _(
                "Rather than {usual}, the usual step: foreseen to save {saved:.0f} {currency} "
                "to the end of the job."
            )
            told = {"usual": usual.step.name, "saved": usual.cost - better.cost}
            lines += wrap(words.format(**told, currency=weighed.shop.currency))
        lines += ["", *weighing(weighed)]
    lines += approximate(assessment)
    likely = [a for a in plan.acts if a.p_needed >= LEAST_LIKELY][:4]
    lines += _others([r for r in plan.ranking if r.test != plan.test][:top])
    lines += _repairs(likely, shop) + _not_offered(plan, likely)
    return "\n".join(lines + glossary(lines, model))


def in_full(model: SystemModel, step: Test | Repair) -> list[str]:
    """Every caution of a step, in full."""
    return care_lines(Care(model.warnings(step), ()))


def _repair_lines(assessment: Assessment, plan: Plan, name: str, shop: Shop) -> list[str]:
    model = assessment.machine.model
    step = repair_step(assessment, plan, name, shop)
    lines = in_full(model, model.repairs[name])
    lines += wrap(f"{name} - {step.title}, {step.minutes}", _("DO: "))
    lines += wrap(step.why, _("Why: "))
    if step.again:
        words = _("It was done before: by the odds it did not hold, or the new part is bad.")
        lines += wrap(words)
    return lines


def _test_lines(
    assessment: Assessment, plan: Plan, row: Ranked, proves: bool, first: bool
) -> list[str]:
    model = assessment.machine.model
    step = test_step(assessment, plan, row.test)
    lines = in_full(model, model.tests[row.test])
    lines += wrap(f"{row.test} - {step.title}", _("DO: "))
    lines += wrap(step.do, "    ")
    lines += wrap(_("Good: {good}.").format(good=step.good), "    ") if step.good else []
    text = step.minutes
    if row.setups:
        opened = ", ".join(
            f"{s} {model.setups[s].title} {model.setups[s].minutes}" for s in row.setups
        )
        own = model.minutes(row.test)
        text += _(": {own:.0f} min and, first, {opened}").format(own=own, opened=opened)
    lines += wrap(text, _("Costs: "))
    why = _("{bits:.2f} bit about the machine, {bits_per_minute:.3f} a minute").format(
        bits=row.bits, bits_per_minute=row.bits_per_minute
    )
    why += _(": the most on offer.") if first else "."
    if proves:
        why += _(" It tells whether earlier readings can be believed.")
    lines += wrap(why, _("Why: "))
    for meaning in step.meanings:
        lines += wrap(meaning, "  - ")
    return lines


def _others(rows: Sequence[Ranked]) -> list[str]:
    lines = [
        f"  {r.test:<16} {r.minutes:>7.0f} {r.bits:>8.2f} {r.bits_per_minute:>9.3f}  "
        f"{' '.join(r.setups) or '-'}"
        for r in rows
    ]
    return _headed(_("Other tests        minutes     bits  bits/min  set-ups to open"), lines)


def _repairs(likely: Sequence[Act], shop: Shop) -> list[str]:
    lines = []
    for a in likely:
        lines += wrap(
            f"  {a.repair:<16} {percent(a.p_needed):>7} {percent(a.p_cures):>12} "
            f"{a.expected_cost * shop.parts.per_plug:>9.0f}  {', '.join(a.permit.waits) or '-'}",
            "",
            " " * 51,
        )
    if lines:
        words = _("(cost in {currency}: part, labour, and the part again where it would be wasted)")
        lines += wrap(words.format(currency=shop.currency), "  ")
    return _headed(_("Repairs            needed  cures alone  cost now  before buying"), lines)


def _not_offered(plan: Plan, likely: Sequence[Act]) -> list[str]:
    refused = [(x.test, x.reason) for x in plan.left_out if x.reason != _(LOOKED)]
    refused += [(a.repair, a.permit.reason) for a in likely if not a.permit.allowed]
    lines = [line for name, reason in refused for line in wrap(f"{name}: {reason}", "  ", "    ")]
    return _headed(_("Not offered now"), lines)
