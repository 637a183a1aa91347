"""The next step as plain data: what to do, what is good, what each outcome would mean.

Terminal, bench and page say the same because all of them take it from here.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchodds.basics.language import _, ngettext
from benchodds.basics.words import about, limit_words, percent
from benchodds.choose.lookahead import Choice
from benchodds.choose.planning import Act, Branch, Plan
from benchodds.choose.shop import Shop
from benchodds.choose.weighing import Weighed
from benchodds.infer.assess import Assessment
from benchodds.model.system import SystemModel, Test
from benchodds.screens.care import Care, care

LEAST_LIKELY = 0.05
"""Chance of an outcome from which it is told what it would mean, and of being needed from which
a repair is told of."""

LEAST_LED = 0.02
"""Chance from which a fault is named as leading."""


@dataclass(frozen=True)
class TestStep:
    """One test as it is proposed, in words; ``name`` is what is typed for it."""

    __test__ = False

    name: str
    title: str
    care: Care
    do: str
    minutes: str
    first: tuple[str, ...]
    """Set-ups to open first."""
    good: str
    """What passes; empty where nothing says so."""
    meanings: tuple[str, ...]
    """What each outcome would mean, the likeliest first."""


@dataclass(frozen=True)
class RepairStep:
    """One repair as it is proposed, in words; ``name`` is what is typed for it."""

    name: str
    title: str
    care: Care
    minutes: str
    why: str
    again: bool
    """Whether it was done before."""


def test_step(assessment: Assessment, plan: Plan, name: str) -> TestStep:
    """A test of a job, with what a plan found for it."""
    model = assessment.machine.model
    test = model.tests[name]
    row = next((r for r in plan.ranking if r.test == name), None)
    return TestStep(
        name=name,
        title=test.title,
        care=care(model, assessment.job, test),
        do=test.do,
        minutes=_("{minutes:.0f} min").format(minutes=row.minutes) if row else test.minutes,
        first=tuple(model.setups[s].title for s in row.setups) if row else (),
        good=good_value(test),
        meanings=tuple(
            f"{outcome_words(test, b)} ({percent(b.p)}): {leader_words(model, b)}"
            for b in (row.branches if row else ())
            if b.p >= LEAST_LIKELY
        )[:3],
    )


def good_value(test: Test) -> str:
    """What passes, as the limit is written."""
    if test.limit:
        told = f" ({test.limit.conditions})" if test.limit.conditions else ""
        return limit_words(test.limit.min, test.limit.max) + told
    if test.kind == "spark":
        # Translators: 'strong' is typed and stays as it is.
        return _("strong, on 9 tries of 10 or more")
    return _(" or ").join(test.passes)


def outcome_words(test: Test, branch: Branch) -> str:
    """A group of outcomes in a word: good, low, high, or as it is written down."""
    if branch.judged > 0:
        return _("good")
    if branch.judged < 0 and test.limit:
        if not test.limit.max:
            return _("low")
        return _("low or high") if test.limit.min else _("high")
    return branch.label


def leader_words(model: SystemModel, branch: Branch) -> str:
    """What would lead after an outcome."""
    if not branch.p_mode:
        return _("nothing electrical")
    fault, p = max(branch.p_mode.items(), key=lambda item: item[1])
    if p < LEAST_LED:
        return _("nothing is left to suspect")
    return _("{fault} leads, {chance}").format(fault=model.title_of(*fault), chance=percent(p))


def repair_step(assessment: Assessment, plan: Plan, name: str, shop: Shop) -> RepairStep:
    """A repair of a job: how likely it is needed, what it costs, and whether it can go back."""
    model = assessment.machine.model
    spec = model.repairs[name]
    act = next(a for a in plan.acts if a.repair == name)
    price = shop.price(model.id, name, spec)
    back = "" if spec.returnable else _("; it cannot go back once fitted")
    why = _("{about} that it is needed, {p_cures} that it cures alone.").format(
        about=likely(act.p_needed), p_cures=percent(act.p_cures)
    )
    if price:
        words = _("The part is {price:.0f} {currency}{back}.")
        why += " " + words.format(price=price, currency=shop.currency, back=back)
    return RepairStep(
        name=name,
        title=spec.title,
        care=care(model, assessment.job, spec),
        minutes=spec.minutes,
        why=why,
        again=act.again,
    )


def likely(p: float) -> str:
    """A chance in words and figures, to begin a sentence with."""
    words = about(p)
    return f"{words[:1].upper()}{words[1:]} ({percent(p)})"


def on_or_mend(model: SystemModel, weighed: Weighed) -> str:
    """Test on, or mend now: one sentence; empty where there is no choice."""
    better, other = weighed.better, weighed.other
    if other is None:
        return ""
    rival = other if better.step.kind == "test" else better
    what = _name(model, rival)
    told = {"cost": other.cost - better.cost, "currency": weighed.shop.currency, "what": what}
    if weighed.tied:
        return _("Test on or mend now ({what}): both come to about the same.").format(**told)
    if better.step.kind == "test":
        if rival.step.kind == "end":
            words = _("Test on: to stop here would cost {cost:.0f} {currency} more.")
        else:
            words = _("Test on: to mend now ({what}) would cost {cost:.0f} {currency} more.")
        return words.format(**told)
    if better.step.kind == "end":
        return _("Stop: to test on would cost {cost:.0f} {currency} more.").format(**told)
    return _("Mend: to test on first would cost {cost:.0f} {currency} more.").format(**told)


def _name(model: SystemModel, choice: Choice) -> str:
    name = choice.step.name
    if choice.step.kind == "test":
        return model.tests[name].title
    return model.repairs[name].title if name in model.repairs else name


def must_wait(model: SystemModel, plan: Plan) -> str:
    """Likely repairs that must not be done yet; empty where there are none."""
    told = []
    for act in waiting(plan):
        title, n = model.repairs[act.repair].title, len(act.permit.waits)
        if n == 1 and (test := act.permit.waits[0]) in model.tests:
            words = _("{title} (first: {test})")
            told.append(words.format(title=title, test=model.tests[test].title))
        elif n:
            words = ngettext("{title} ({n} test first)", "{title} ({n} tests first)", n)
            told.append(words.format(title=title, n=n))
        else:
            told.append(_("{title} (it could be ruined)").format(title=title))
    return _("Must wait: {what}.").format(what="; ".join(told)) if told else ""


def waiting(plan: Plan) -> tuple[Act, ...]:
    """Repairs that are likely to be needed and may not be done now."""
    return tuple(a for a in plan.acts[:4] if a.p_needed >= LEAST_LIKELY and not a.permit.allowed)
