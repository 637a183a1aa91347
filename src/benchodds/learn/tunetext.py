"""What ``tune`` and ``score`` found, in words and as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from benchodds.basics.language import _, ngettext
from benchodds.basics.words import percent, wrap
from benchodds.learn.drift import Drift, Surprises
from benchodds.learn.learning import Learning
from benchodds.learn.replay import Replay
from benchodds.learn.rolling import FLAT, SHIPPED, TUNED, Rolled, Scores
from benchodds.learn.spreads import Learned
from benchodds.learn.standing import Effect
from benchodds.learn.tally import Tally
from benchodds.learn.tuned import Move
from benchodds.learn.tunework import IN_USE, Review, Tuning, Verdict
from benchodds.learn.worked import Share

SCHEMA = 1
SHOWN = 12
"""Most moved shares of a system that are printed; the file has all."""


def account(tally: Tally) -> list[str]:
    """What became of every row."""
    lines = [
        _(
            "{rows:,} rows of {sources}: {jobs:,} jobs used ({first} to {last}), "
            "{revised:,} joined to the come-back that revises them, {aside:,} set aside, "
            "{left_out:,} left out."
        ).format(
            rows=tally.rows,
            sources=", ".join(tally.sources),
            jobs=tally.jobs,
            first=tally.first,
            last=tally.last,
            revised=tally.revised,
            aside=tally.aside.total(),
            left_out=tally.n_bad,
        )
    ]
    out = wrap(lines[0])
    for reason, n in tally.aside.most_common(10):
        first = (
            ngettext("{n:,} job, first {place}", "{n:,} jobs, first {place}", n).format(
                n=n, place=tally.aside_at[reason]
            )
            if n > 1
            else _("job {place}").format(place=tally.aside_at[reason])
        )
        out += wrap(f"{first}: {_(reason)}", "  " + _("set aside: "), "    ")
    for bad in tally.bad:
        out += wrap(str(bad), "  " + _("left out: "), "    ")
    if tally.n_bad > len(tally.bad):
        out.append("  " + _("and {n:,} more").format(n=tally.n_bad - len(tally.bad)))
    for note, n in sorted(tally.notes.items()):
        out += wrap(f"{n:,} {note}", "  ", "    ")
    return out


def report(found: Tuning, where: Mapping[str, str]) -> str:
    """The whole of ``tune``; ``where`` says, by system, what became of its set."""
    lines = account(found.tally)
    for system, priors in found.sets.items():
        assert priors.tuned is not None
        lines += [
            "",
            f"{system}: "
            + ngettext("{n:,.0f} jobs", "{n:,.0f} jobs", round(priors.tuned.jobs)).format(
                n=priors.tuned.jobs
            ),
        ]
        lines += moves(found.moves[system], priors.tuned.level)
        lines += wrap(says(found.verdicts[system]), "  ")
        if system in found.learned:
            lines += spreads(found.learned[system])
        lines += work(found.worked[system])
        lines += [line for e in found.effects if e.job.system == system for line in effect(e)]
        lines += wrap(where[system], "  ")
    return "\n".join(lines)


def moves(found: Sequence[Move], level: float) -> list[str]:
    """The shares that moved, those that are sure first."""
    ordered = sorted(found, key=lambda m: (not m.sure, -abs(m.after - m.before)))
    shown = [m for m in ordered if m.sure][:SHOWN] or ordered[:3]
    n = sum(m.sure for m in found)
    head = (
        ngettext(
            "{n} shares moved beyond their {level:.0%} interval, largest first:",
            "{n} shares moved beyond their {level:.0%} interval, largest first:",
            n,
        )
        if n
        else _(
            "{n} shares moved beyond their {level:.0%} interval; the largest moves, none of them "
            "sure:"
        )
    )
    lines = ["  " + head.format(n=n, level=level)]
    lines.append(
        f"    {_('per hundred'):<28} {_('before'):>7} {_('now'):>7} "
        f"{_('between'):>15} {_('jobs'):>7}"
    )
    for m in shown:
        between = _("{low:.1f} to {high:.1f}").format(low=m.low, high=m.high)
        name = f"{m.complaint} {m.fault}"
        lines.append(f"    {name:<28} {m.before:7.1f} {m.after:7.1f} {between:>15} {m.jobs:7.1f}")
    return lines


def spreads(found: Learned) -> list[str]:
    """What the readings of proved parts taught."""
    left = found.unsteady and wrap(
        ngettext(
            "{n} job with proof is left out of the measurement side: its fault may have come "
            "and gone.",
            "{n} jobs with proof are left out of the measurement side: their faults may have come "
            "and gone.",
            found.unsteady,
        ).format(n=found.unsteady),
        "  ",
    )
    if not found.tried:
        said = "  " + _("Measurement side: no law has readings of proved parts enough.")
        return [said, *(left or ())]
    lines = [
        *(left or ()),
        f"  {_('measurement side'):<34} {_('times'):>6} {_('between'):>14} {_('jobs'):>5}  "
        + _("on later jobs"),
    ]
    for t in found.tried:
        name = f"{t.law}{f', {t.whose}' if t.whose else ''}"
        between = _("{low:.2f} to {high:.2f}").format(low=t.shift[1], high=t.shift[2])
        word = _("better") if t.taken else _("no better, left as it was")
        lines.append(f"  {name:<34} {t.shift[0]:6.2f} {between:>14} {t.jobs:5}  {word}")
    return lines


def work(found: Sequence[Share]) -> list[str]:
    """What repairs taught of what holds, is a dud and comes back."""
    if not found:
        return []
    lines = [
        f"  {_('work, per hundred'):<34} {_('before'):>6} {_('now'):>6} {_('between'):>14} "
        + _("trials")
    ]
    for s in found:
        between = _("{low:.1f} to {high:.1f}").format(low=100 * s.low, high=100 * s.high)
        before = 100 * float(s.spread.was)
        lines.append(f"  {s.name:<34} {before:6.1f} {100 * s.mean:6.1f} {between:>14} {s.n:6.1f}")
    return lines


def says(v: Verdict) -> str:
    """One sentence on how the set does on jobs it has not seen."""
    if not v.enough:
        return _(
            "Tried on {scored} later jobs closed with proof: too few to say whether it "
            "does better than the {against} set ({least} are needed); it leans on what "
            "was known."
        ).format(scored=v.scored, against=_(v.against), least=v.least)
    said = (
        _(
            "On {scored:,} later jobs closed with proof it forecasts worse than the {against} set: "
            "log loss {gain:.3f} nats a job higher ({low:+.3f} to {high:+.3f})."
        )
        if v.worse
        else _(
            "On {scored:,} later jobs closed with proof it forecasts better than the {against} "
            "set: log loss {gain:.3f} nats a job lower ({low:+.3f} to {high:+.3f})."
        )
    )
    return said.format(
        scored=v.scored, against=_(v.against), gain=abs(v.gain), low=v.low, high=v.high
    )


def effect(e: Effect) -> list[str]:
    """What changes in a standing job."""
    odds = ", ".join(f"{f} {percent(a)} -> {percent(b)}" for f, a, b in e.odds)
    return wrap(f"{e.job.title}: {odds}", "  ", "    ")


def scores(rolled: Rolled, title: str, level: float) -> list[str]:
    """Scores of all sets side by side, and the tuned set's reliability curve."""
    if not rolled.scored:
        return [title, "  " + _("no job could be scored")]
    names = [n for n in (TUNED, SHIPPED, FLAT, IN_USE) if all(n in s.said for s in rolled.scored)]
    tables = {n: rolled.scores(n, level) for n in names}
    lines = [
        f"{title}: "
        + _("{jobs:,} jobs, origins {origins}").format(
            jobs=rolled.jobs, origins=", ".join(rolled.origins)
        )
    ]
    for reason, n in sorted(rolled.left_out.items()):
        lines.append("  " + _("not scored, {reason}: {n:,}").format(reason=reason, n=n))
    lines.append(
        f"  {'':<8} {_('log loss'):>9} {_('Brier'):>7} {_('unreliable'):>11} "
        f"{_('resolution'):>11} {_('better than shipped by'):>24}"
    )
    for name, t in tables.items():
        than = ""
        if name != SHIPPED:
            mean, low, high = rolled.against(SHIPPED, name, level)
            than = _("{mean:+.3f} ({low:+.3f} to {high:+.3f})").format(
                mean=mean, low=low, high=high
            )
        k = t.brier / t.parts.score
        lines.append(
            f"  {_(name):<8} {t.log_loss:9.3f} {t.brier:7.3f} {k * t.parts.reliability:11.4f} "
            f"{k * t.parts.resolution:11.4f} {than:>24}"
        )
    lines += curve(tables[TUNED])
    return lines


def curve(t: Scores) -> list[str]:
    """A reliability curve as a table."""
    lines = [
        "  " + _("when the tuned set said"),
        f"    {_('odds'):>6} {_('came true'):>10} {_('between'):>16} {_('jobs')}",
    ]
    for b in t.curve:
        mark = "" if b.low <= b.said <= b.high else "  " + _("off")
        lines.append(
            f"    {b.said:6.1%} {b.came:10.1%} "
            + _("{low:7.1%} to {high:5.1%}").format(low=b.low, high=b.high)
            + f" {b.n:,.0f}{mark}"
        )
    return lines


def review(found: Review) -> str:
    """The whole of ``score``."""
    level = found.learning.check.level
    lines = account(found.tally)
    lines += ["", *scores(found.start, _("Before any reading"), level)]
    lines += ["", *scores(found.read, _("With the readings of each job"), level)]
    lines += ["", *replayed(found.replays, found.learning.replay.sure)]
    lines += ["", *drifted(found.drifts, found.learning), *surprised(found.surprises)]
    return "\n".join(lines)


def replayed(replays: Mapping[str, Sequence[Replay]], sure: float) -> list[str]:
    """Minutes that the advice would have saved or cost."""
    if not replays:
        return [_("No scored job has two readings or more: no minutes to compare.")]
    n = len(next(iter(replays.values())))
    said = _(
        "Minutes until the part at fault stood at {sure}, {n} latest jobs done over "
        "with the tests that were done (tests that nobody did cannot be replayed):"
    ).format(sure=percent(sure), n=n)
    lines = wrap(said)
    lines.append(
        f"  {'':<8} {_('as done'):>8} {_('as advised'):>11} {_('saved a job'):>12}  {_('found')}"
    )
    for name, rows in replays.items():
        done, advised = sum(r.done for r in rows), sum(r.advised for r in rows)
        lines.append(
            f"  {_(name):<8} {done / n:8.1f} {advised / n:11.1f} {(done - advised) / n:+12.1f}  "
            + _("{found} of {n}").format(found=sum(r.found for r in rows), n=n)
        )
    return lines


def drifted(drifts: Sequence[Drift], learning: Learning) -> list[str]:
    """Whether recent jobs still look like the prior."""
    days = learning.drift.recent_days
    if not drifts:
        least = learning.drift.least_jobs
        return wrap(
            _(
                "Drift: no complaint has {least} jobs in the last {days:g} days; nothing can "
                "be said."
            ).format(least=least, days=days)
        )
    lines = [_("Jobs of the last {days:g} days against what was learned before:").format(days=days)]
    for d in drifts:
        word = _("no longer look like the prior") if d.alarmed else _("look as expected")
        head = _("{system} {complaint}, {jobs} jobs: {word} (chance {chance:.2g})").format(
            system=d.system, complaint=d.complaint, jobs=d.jobs, word=word, chance=d.p
        )
        unlike = "; ".join(
            _("{fault} named {n}, expected {expected:.1f}").format(fault=f, n=n, expected=e)
            for f, n, e in d.unlike
        )
        lines += wrap(f"{head}. {unlike}", "  ", "    ")
    return lines


def surprised(found: Surprises) -> list[str]:
    """Readings that the model finds surprising."""
    if not found.jobs:
        return [_("No recent job has readings.")]
    lines = [_("Readings of the {jobs} latest kinds of jobs:").format(jobs=found.jobs)]
    for (system, test), (n, expected, slips) in sorted(
        found.tests.items(), key=lambda item: item[1][1] - item[1][2]
    )[:5]:
        if slips > expected + 1:
            lines.append(
                "  "
                + _(
                    "{system} {test}: {slips:.1f} of {n} readings surprise, {expected:.1f} expected"
                ).format(system=system, test=test, slips=slips, n=n, expected=expected)
            )
    for s in found.readings[:8]:
        shown = ", ".join(s.values)
        lines.append(
            "  "
            + _("{period} {system} {test} = {shown}: a slip at {chance}").format(
                period=s.period, system=s.system, test=s.test, shown=shown, chance=percent(s.p)
            )
        )
    if len(lines) == 1:
        lines[0] += " " + _("none is surprising.")
    if found.not_read:
        lines.append(
            "  "
            + ngettext(
                "{n} jobs have readings that no machine state explains",
                "{n} jobs have readings that no machine state explains",
                found.not_read,
            ).format(n=found.not_read)
        )
    return lines
