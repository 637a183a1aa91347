"""What ``tune`` and ``score`` found, in words and as JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

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

SCHEMA = 1
SHOWN = 12
"""Most moved shares of a system that are printed; the file has all."""


def account(tally: Tally) -> list[str]:
    """What became of every row."""
    lines = [
        f"{tally.rows:,} rows of {', '.join(tally.sources)}: {tally.jobs:,} jobs used"
        f" ({tally.first} to {tally.last}), {tally.revised:,} joined to the come-back that "
        f"revises them, {tally.aside.total():,} set aside, {tally.n_bad:,} left out."
    ]
    out = wrap(lines[0])
    for reason, n in tally.aside.most_common(10):
        first = (
            f"{n:,} jobs, first {tally.aside_at[reason]}"
            if n > 1
            else f"job {tally.aside_at[reason]}"
        )
        out += wrap(f"{first}: {reason}", "  set aside: ", "    ")
    for bad in tally.bad:
        out += wrap(str(bad), "  left out: ", "    ")
    if tally.n_bad > len(tally.bad):
        out.append(f"  and {tally.n_bad - len(tally.bad):,} more")
    for note, n in sorted(tally.notes.items()):
        out += wrap(f"{n:,} {note}", "  ", "    ")
    return out


def report(found: Tuning, where: Mapping[str, str]) -> str:
    """The whole of ``tune``; ``where`` says, by system, what became of its set."""
    lines = account(found.tally)
    for system, priors in found.sets.items():
        assert priors.tuned is not None
        lines += ["", f"{system}: {priors.tuned.jobs:,.0f} jobs"]
        lines += moves(found.moves[system], priors.tuned.level)
        lines += wrap(says(found.verdicts[system]), "  ")
        if system in found.learned:
            lines += spreads(found.learned[system])
        lines += [line for e in found.effects if e.job.system == system for line in effect(e)]
        lines += wrap(where[system], "  ")
    return "\n".join(lines)


def moves(found: Sequence[Move], level: float) -> list[str]:
    """The shares that moved, those that are sure first."""
    ordered = sorted(found, key=lambda m: (not m.sure, -abs(m.after - m.before)))
    shown = [m for m in ordered if m.sure][:SHOWN] or ordered[:3]
    n = sum(m.sure for m in found)
    head = f"  {n} shares moved beyond their {level:.0%} interval"
    lines = [head + (", largest first:" if n else "; the largest moves, none of them sure:")]
    lines.append(f"    {'per hundred':<28} {'before':>7} {'now':>7} {'between':>15} {'jobs':>7}")
    for m in shown:
        between = f"{m.low:.1f} to {m.high:.1f}"
        name = f"{m.complaint} {m.fault}"
        lines.append(f"    {name:<28} {m.before:7.1f} {m.after:7.1f} {between:>15} {m.jobs:7.1f}")
    return lines


def spreads(found: Learned) -> list[str]:
    """What the readings of proved parts taught."""
    if not found.tried:
        return ["  Measurement side: no law has readings of proved parts enough."]
    lines = [f"  {'measurement side':<34} {'times':>6} {'between':>14} {'jobs':>5}  on later jobs"]
    for t in found.tried:
        name = f"{t.law}{f', {t.whose}' if t.whose else ''}"
        between = f"{t.shift[1]:.2f} to {t.shift[2]:.2f}"
        word = "better" if t.taken else "no better, left as it was"
        lines.append(f"  {name:<34} {t.shift[0]:6.2f} {between:>14} {t.jobs:5}  {word}")
    return lines


def says(v: Verdict) -> str:
    """One sentence on how the set does on jobs it has not seen."""
    if not v.enough:
        return (
            f"Tried on {v.scored} later jobs closed with proof: too few to say whether it does "
            f"better than the {v.against} set ({v.least} are needed); it leans on what was known."
        )
    word = "worse" if v.worse else "better"
    return (
        f"On {v.scored:,} later jobs closed with proof it forecasts {word} than the {v.against} "
        f"set: log loss {abs(v.gain):.3f} nats a job {'higher' if v.worse else 'lower'} "
        f"({v.low:+.3f} to {v.high:+.3f})."
    )


def effect(e: Effect) -> list[str]:
    """What changes in a standing job."""
    odds = ", ".join(f"{f} {percent(a)} -> {percent(b)}" for f, a, b in e.odds)
    return wrap(f"{e.job.title}: {odds}", "  ", "    ")


def tuned_json(found: Tuning, where: Mapping[str, str]) -> dict[str, Any]:
    """``tune --json``: account, and by system name, moves, verdict, spreads tried, effects.

    ``gain`` is in nats a job, positive when the tuned set does better; ``became`` says what
    was done with the set.
    """
    return {
        "schema": SCHEMA,
        "account": account_json(found.tally),
        "systems": {
            system: {
                "set": priors.id,
                "became": where[system],
                "strengths": dict(priors.strengths),
                "two_or_more": priors.together.two_or_more,
                "moves": [
                    {
                        "complaint": m.complaint,
                        "fault": m.fault,
                        "before": m.before,
                        "after": m.after,
                        "low": m.low,
                        "high": m.high,
                        "jobs": m.jobs,
                        "sure": m.sure,
                    }
                    for m in found.moves[system]
                ],
                "spreads": [
                    {
                        "law": x.law,
                        "whose": x.whose,
                        "jobs": x.jobs,
                        "factor": x.shift[0],
                        "low": x.shift[1],
                        "high": x.shift[2],
                        "gain": x.gain,
                        "taken": x.taken,
                    }
                    for x in (found.learned[system].tried if system in found.learned else ())
                ],
                "verdict": verdict_json(found.verdicts[system]),
                "standing": [
                    {
                        "title": e.job.title,
                        "odds": [{"fault": f, "before": a, "after": b} for f, a, b in e.odds],
                    }
                    for e in found.effects
                    if e.job.system == system
                ],
            }
            for system, priors in found.sets.items()
        },
    }


def account_json(tally: Tally) -> dict[str, Any]:
    """What became of every row."""
    return {
        "rows": tally.rows,
        "jobs": tally.jobs,
        "revised": tally.revised,
        "left_out": tally.n_bad,
        "set_aside": dict(tally.aside),
        "first": tally.first,
        "until": tally.last,
        "sources": list(tally.sources),
        "bad": [{"source": b.source, "row": b.place, "reason": b.reason} for b in tally.bad],
        "notes": dict(tally.notes),
    }


def verdict_json(v: Verdict) -> dict[str, Any]:
    """A verdict; numbers without a meaning are null."""
    return {
        "against": v.against,
        "scored": v.scored,
        "gain": v.gain,
        "low": v.low if math.isfinite(v.low) else None,
        "high": v.high if math.isfinite(v.high) else None,
        "enough": v.enough,
        "worse": v.worse,
    }


def scores(rolled: Rolled, title: str, level: float) -> list[str]:
    """Scores of all sets side by side, and the tuned set's reliability curve."""
    if not rolled.scored:
        return [title, "  no job could be scored"]
    names = [n for n in (TUNED, SHIPPED, FLAT, IN_USE) if all(n in s.said for s in rolled.scored)]
    tables = {n: rolled.scores(n, level) for n in names}
    lines = [f"{title}: {rolled.jobs:,} jobs, origins {', '.join(rolled.origins)}"]
    for reason, n in sorted(rolled.left_out.items()):
        lines.append(f"  not scored, {reason}: {n:,}")
    lines.append(
        f"  {'':<8} {'log loss':>9} {'Brier':>7} {'unreliable':>11} {'resolution':>11} "
        f"{'better than shipped by':>24}"
    )
    for name, t in tables.items():
        than = ""
        if name != SHIPPED:
            mean, low, high = rolled.against(SHIPPED, name, level)
            than = f"{mean:+.3f} ({low:+.3f} to {high:+.3f})"
        k = t.brier / t.parts.score
        lines.append(
            f"  {name:<8} {t.log_loss:9.3f} {t.brier:7.3f} {k * t.parts.reliability:11.4f} "
            f"{k * t.parts.resolution:11.4f} {than:>24}"
        )
    lines += curve(tables[TUNED])
    return lines


def curve(t: Scores) -> list[str]:
    """A reliability curve as a table."""
    lines = [
        "  when the tuned set said",
        f"    {'odds':>6} {'came true':>10} {'between':>16} jobs",
    ]
    for b in t.curve:
        mark = "" if b.low <= b.said <= b.high else "  off"
        lines.append(
            f"    {b.said:6.1%} {b.came:10.1%} {b.low:7.1%} to {b.high:5.1%} {b.n:,.0f}{mark}"
        )
    return lines


def scores_json(rolled: Rolled, level: float) -> dict[str, Any]:
    """One rolled as JSON: by set log_loss (nats), brier (summed over faults), parts, curve.

    ``parts`` are of single yes-no forecasts, one a fault; ``score = reliability - resolution +
    uncertainty + spread - slope``.
    """
    names = [n for n in (TUNED, SHIPPED, FLAT, IN_USE) if all(n in s.said for s in rolled.scored)]
    out: dict[str, Any] = {
        "jobs": rolled.jobs,
        "origins": list(rolled.origins),
        "not_scored": dict(rolled.left_out),
        "sets": {},
    }
    for name in names if rolled.scored else []:
        t = rolled.scores(name, level)
        mean, low, high = rolled.against(SHIPPED, name, level)
        out["sets"][name] = {
            "log_loss": t.log_loss,
            "brier": t.brier,
            "parts": vars(t.parts),
            "curve": [vars(b) for b in t.curve],
            "better_than_shipped": {
                "mean": mean,
                "low": low if math.isfinite(low) else None,
                "high": high if math.isfinite(high) else None,
            },
        }
    return out


def review(found: Review) -> str:
    """The whole of ``score``."""
    level = found.learning.check.level
    lines = account(found.tally)
    lines += ["", *scores(found.start, "Before any reading", level)]
    lines += ["", *scores(found.read, "With the readings of each job", level)]
    lines += ["", *replayed(found.replays, found.learning.replay.sure)]
    lines += ["", *drifted(found.drifts, found.learning), *surprised(found.surprises)]
    return "\n".join(lines)


def replayed(replays: Mapping[str, Sequence[Replay]], sure: float) -> list[str]:
    """Minutes that the advice would have saved or cost."""
    if not replays:
        return ["No scored job has two readings or more: no minutes to compare."]
    n = len(next(iter(replays.values())))
    said = (
        f"Minutes until the part at fault stood at {percent(sure)}, {n} latest jobs done over "
        "with the tests that were done (tests that nobody did cannot be replayed):"
    )
    lines = wrap(said)
    lines.append(f"  {'':<8} {'as done':>8} {'as advised':>11} {'saved a job':>12}  found")
    for name, rows in replays.items():
        done, advised = sum(r.done for r in rows), sum(r.advised for r in rows)
        lines.append(
            f"  {name:<8} {done / n:8.1f} {advised / n:11.1f} {(done - advised) / n:+12.1f}"
            f"  {sum(r.found for r in rows)} of {n}"
        )
    return lines


def drifted(drifts: Sequence[Drift], learning: Learning) -> list[str]:
    """Whether recent jobs still look like the prior."""
    days = learning.drift.recent_days
    if not drifts:
        least = learning.drift.least_jobs
        return wrap(
            f"Drift: no complaint has {least} jobs in the last {days:g} days; nothing can be said."
        )
    lines = [f"Jobs of the last {days:g} days against what was learned before:"]
    for d in drifts:
        word = "no longer look like the prior" if d.alarmed else "look as expected"
        head = f"{d.system} {d.complaint}, {d.jobs} jobs: {word} (chance {d.p:.2g})"
        unlike = "; ".join(f"{f} named {n}, expected {e:.1f}" for f, n, e in d.unlike)
        lines += wrap(f"{head}. {unlike}", "  ", "    ")
    return lines


def surprised(found: Surprises) -> list[str]:
    """Readings that the model finds surprising."""
    if not found.jobs:
        return ["No recent job has readings."]
    lines = [f"Readings of the {found.jobs} latest kinds of jobs:"]
    for (system, test), (n, expected, slips) in sorted(
        found.tests.items(), key=lambda item: item[1][1] - item[1][2]
    )[:5]:
        if slips > expected + 1:
            lines.append(
                f"  {system} {test}: {slips:.1f} of {n} readings surprise, {expected:.1f} expected"
            )
    for s in found.readings[:8]:
        shown = ", ".join(s.values)
        lines.append(f"  {s.period} {s.system} {s.test} = {shown}: a slip at {percent(s.p)}")
    if len(lines) == 1:
        lines[0] += " none is surprising."
    if found.not_read:
        lines.append(f"  {found.not_read} jobs have readings that no machine state explains")
    return lines


def review_json(found: Review) -> dict[str, Any]:
    """``score --json``: account, before_readings, with_readings, minutes, drift, surprises."""
    level = found.learning.check.level
    return {
        "schema": SCHEMA,
        "account": account_json(found.tally),
        "before_readings": scores_json(found.start, level),
        "with_readings": scores_json(found.read, level),
        "minutes": {
            name: {
                "jobs": len(rows),
                "done": sum(r.done for r in rows),
                "advised": sum(r.advised for r in rows),
                "found": sum(r.found for r in rows),
            }
            for name, rows in found.replays.items()
        },
        "drift": [
            {
                "system": d.system,
                "complaint": d.complaint,
                "jobs": d.jobs,
                "p": d.p,
                "alarm": d.alarmed,
                "unlike": [{"fault": f, "named": n, "expected": e} for f, n, e in d.unlike],
            }
            for d in found.drifts
        ],
        "surprises": [
            {
                "period": s.period,
                "system": s.system,
                "test": s.test,
                "values": list(s.values),
                "p_slip": s.p,
            }
            for s in found.surprises.readings
        ],
        "surprising_tests": [
            {"system": k[0], "test": k[1], "readings": n, "expected": e, "slips": x}
            for k, (n, e, x) in found.surprises.tests.items()
        ],
    }
