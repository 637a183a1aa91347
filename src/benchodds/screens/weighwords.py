"""Test on, or mend now: the weighing in lines for people."""

from __future__ import annotations

from benchodds.basics.words import percent, wrap
from benchodds.choose.lookahead import Choice
from benchodds.choose.weighing import Tip, Weighed
from benchodds.model.system import SystemModel


def weighing(model: SystemModel, weighed: Weighed) -> list[str]:
    """What testing, mending and ending cost to the end of the job, and what would change it."""
    currency = weighed.shop.currency
    rows = [c for c in (weighed.test, weighed.repair, weighed.end) if c]
    lines = ["Test on, or mend now? Expected to the end of the job, from here:"]
    lines.append(f"  {'first':<32} {'minutes':>8} {'parts, days':>12} {'all, ' + currency:>14}")
    for c in sorted(rows, key=lambda c: c.cost):
        lines.append(f"  {_name(c):<32} {c.minutes:>8.0f} {c.money:>12.0f} {c.cost:>14.0f}")
    better, other = weighed.better, weighed.other
    if other is not None:
        lines += wrap(_saves(weighed, better, other), "  ")
    for tip in weighed.tips:
        lines += wrap(_tip(weighed, tip), "  ", "    ")
    if weighed.waiting:
        repair, tests = weighed.waiting
        lines += wrap(f"{repair} waits for {', '.join(tests)}.", "  ", "    ")
    if better.step.kind == "repair" and weighed.come_back is not None:
        minutes = weighed.shop.proof
        lines += wrap(
            f"After {better.step.name}: the check ({minutes.solid}; {minutes.intermittent} where "
            f"the fault comes and goes). If it passes, the machine comes back within the week "
            f"with {percent(weighed.come_back)}.",
            "  ",
            "    ",
        )
    if weighed.foresight.left_out >= 0.005:
        lines += wrap(
            f"{percent(weighed.foresight.left_out)} of the machines that the readings allow were "
            "not looked at (rare pairs of faults).",
            "  ",
            "    ",
        )
    return lines


def _name(choice: Choice) -> str:
    words = {"test": "test", "repair": "mend", "end": "end:"}
    return f"{words[choice.step.kind]} {choice.step.name}"


def _saves(weighed: Weighed, better: Choice, other: Choice) -> str:
    if weighed.tied:
        return (
            f"{_name(better).capitalize()} first costs no more than {_name(other)}, as far as can "
            "be told; by bits per minute and the model's own thresholds it comes first."
        )
    minutes, money = other.minutes - better.minutes, other.money - better.money
    parts = [
        f"{abs(minutes):.0f} min {'less' if minutes > 0 else 'more'}",
        f"{abs(money):.0f} {weighed.shop.currency} {'less' if money > 0 else 'more'} in parts, "
        "days and come-backs",
    ]
    return (
        f"{_name(better).capitalize()} first, rather than {_name(other)}, saves "
        f"{other.cost - better.cost:.0f} {weighed.shop.currency}: {', '.join(parts)}."
    )


def _tip(weighed: Weighed, tip: Tip) -> str:
    assert weighed.test and weighed.repair
    repair, test = weighed.repair.step.name, weighed.test.step.name
    mends = weighed.better is weighed.repair
    verdict = "Testing first would be right" if mends else "Mending now would be right"
    if weighed.tied and tip.at is not None:
        unit = {"p-needed": "", "price": f" {weighed.shop.currency}", "minutes": " min"}[tip.what]
        at, now = (
            (_chance(x) if tip.what == "p-needed" else f"{x:.0f}") for x in (tip.at, tip.now)
        )
        what = {
            "p-needed": f"{repair} needed",
            "price": f"{repair}, days of waiting included,",
            "minutes": test,
        }[tip.what]
        return f"Both cost the same with {what} at {at}{unit} (now {now})."
    if tip.what == "p-needed":
        if tip.at is None:
            return f"However sure {repair} were, that alone would not change it."
        word = "below" if tip.at < tip.now else "above"
        return f"{verdict} with {repair} needed {word} {percent(tip.at)} (now {percent(tip.now)})."
    if tip.what == "price":
        if tip.at is None:
            if tip.now == 0:
                return f"{repair} costs no part."
            if not mends:
                return f"Not even with the part of {repair} for nothing would mending be right now."
            return f"No price of {repair} alone, up to ten times of now, would change it."
        word = "below" if tip.at < tip.now else "above"
        return (
            f"{verdict} with {repair} {word} {tip.at:.0f} {weighed.shop.currency} "
            f"(now {tip.now:.0f}, days of waiting included)."
        )
    if tip.at is None:
        return f"Not even for nothing would {test} be worth doing first."
    return f"{verdict} if {test} took less than {tip.at:.0f} min (now {tip.now:.0f})."


def _chance(p: float) -> str:
    return percent(p) if 0.02 <= p <= 0.98 else f"{100 * p:.1f} %"
