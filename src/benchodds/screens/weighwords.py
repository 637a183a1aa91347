"""Test on, or mend now: the weighing in lines for people."""

from __future__ import annotations

from benchodds.basics.language import _
from benchodds.basics.words import percent, wrap
from benchodds.choose.lookahead import Choice
from benchodds.choose.weighing import Tip, Weighed


def weighing(weighed: Weighed) -> list[str]:
    """What testing, mending and ending cost to the end of the job, and what would change it."""
    currency = weighed.shop.currency
    rows = [c for c in (weighed.test, weighed.repair, weighed.end) if c]
    lines = [_("Test on, or mend now? Expected to the end of the job, from here:")]
    lines.append(
        f"  {_('first'):<32} {_('minutes'):>8} {_('parts, days'):>12}"
        f" {_('all, {currency}').format(currency=currency):>14}"
    )
    for c in sorted(rows, key=lambda c: c.cost):
        lines.append(f"  {_name(c):<32} {c.minutes:>8.0f} {c.money:>12.0f} {c.cost:>14.0f}")
    better, other = weighed.better, weighed.other
    if other is not None:
        lines += wrap(_saves(weighed, better, other), "  ")
    for tip in weighed.tips:
        lines += wrap(_tip(weighed, tip), "  ", "    ")
    if weighed.waiting:
        repair, tests = weighed.waiting
        lines += wrap(
            _("{repair} waits for {tests}.").format(repair=repair, tests=", ".join(tests)),
            "  ",
            "    ",
        )
    if better.step.kind == "repair" and weighed.come_back is not None:
        minutes = weighed.shop.proof
        lines += wrap(
            _(
                "After {step}: the check ({solid}; {intermittent} where the fault comes and "
                "goes). If it passes, the machine comes back within the week with "
                "{come_back}."
            ).format(
                step=better.step.name,
                solid=minutes.solid,
                intermittent=minutes.intermittent,
                come_back=percent(weighed.come_back),
            ),
            "  ",
            "    ",
        )
    if weighed.foresight.left_out >= 0.005:
        lines += wrap(
            _(
                "{left_out} of the machines that the readings allow were not looked at (rare "
                "pairs of faults)."
            ).format(left_out=percent(weighed.foresight.left_out)),
            "  ",
            "    ",
        )
    return lines


def _name(choice: Choice) -> str:
    # Translators: before the name of a step: test stop-r, mend connectors, end: hand-back.
    words = {"test": _("test"), "repair": _("mend"), "end": _("end:")}
    return f"{words[choice.step.kind]} {choice.step.name}"


def _saves(weighed: Weighed, better: Choice, other: Choice) -> str:
    if weighed.tied:
        return _("Either: {better} or {other} first costs the same, as far as can be told.").format(
            better=_name(better), other=_name(other)
        )
    minutes, money = other.minutes - better.minutes, other.money - better.money
    parts = [
        (_("{minutes:.0f} min less") if minutes > 0 else _("{minutes:.0f} min more")).format(
            minutes=abs(minutes)
        ),
        (
            _("{money:.0f} {currency} less in parts, days and come-backs")
            if money > 0
            else _("{money:.0f} {currency} more in parts, days and come-backs")
        ).format(money=abs(money), currency=weighed.shop.currency),
    ]
    return _("{better} first, rather than {other}, saves {cost:.0f} {currency}: {parts}.").format(
        better=_name(better).capitalize(),
        other=_name(other),
        cost=other.cost - better.cost,
        currency=weighed.shop.currency,
        parts=", ".join(parts),
    )


def _tip(weighed: Weighed, tip: Tip) -> str:
    assert weighed.test and weighed.repair
    repair, test = weighed.repair.step.name, weighed.test.step.name
    mends = weighed.better is weighed.repair
    verdict = _("Testing first would be right") if mends else _("Mending now would be right")
    if weighed.tied and tip.at is not None:
        unit = {"p-needed": "", "price": f" {weighed.shop.currency}", "minutes": _(" min")}[
            tip.what
        ]
        at, now = (
            (_chance(x) if tip.what == "p-needed" else f"{x:.0f}") for x in (tip.at, tip.now)
        )
        what = {
            "p-needed": _("{repair} needed").format(repair=repair),
            "price": _("{repair}, days of waiting included,").format(repair=repair),
            "minutes": test,
        }[tip.what]
        return _("Both cost the same with {what} at {at}{unit} (now {now}).").format(
            what=what, at=at, unit=unit, now=now
        )
    if tip.what == "p-needed":
        if tip.at is None:
            return _("However sure {repair} were, that alone would not change it.").format(
                repair=repair
            )
        word = _("below") if tip.at < tip.now else _("above")
        return _("{verdict} with {repair} needed {word} {at} (now {now}).").format(
            verdict=verdict, repair=repair, word=word, at=percent(tip.at), now=percent(tip.now)
        )
    if tip.what == "price":
        if tip.at is None:
            if tip.now == 0:
                return _("{repair} costs no part.").format(repair=repair)
            if not mends:
                return _(
                    "Not even with the part of {repair} for nothing would mending be right now."
                ).format(repair=repair)
            return _("No price of {repair} alone, up to ten times of now, would change it.").format(
                repair=repair
            )
        word = _("below") if tip.at < tip.now else _("above")
        return _(
            "{verdict} with {repair} {word} {at:.0f} {currency} (now {now:.0f}, days of "
            "waiting included)."
        ).format(
            verdict=verdict,
            repair=repair,
            word=word,
            at=tip.at,
            currency=weighed.shop.currency,
            now=tip.now,
        )
    if tip.at is None:
        return _("Not even for nothing would {test} be worth doing first.").format(test=test)
    return _("{verdict} if {test} took less than {at:.0f} min (now {now:.0f}).").format(
        verdict=verdict, test=test, at=tip.at, now=tip.now
    )


def _chance(p: float) -> str:
    return percent(p) if 0.02 <= p <= 0.98 else f"{100 * p:.1f} %"
