"""What ``tune`` and ``score`` found, as JSON for scripts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from benchodds.learn.rolling import FLAT, SHIPPED, TUNED, Rolled
from benchodds.learn.tally import Tally
from benchodds.learn.tunetext import SCHEMA
from benchodds.learn.tunework import IN_USE, Review, Tuning, Verdict


def tuned_json(found: Tuning, where: Mapping[str, str]) -> dict[str, Any]:
    """``tune --json``: account, and by system name, moves, verdict, spreads tried, shares of work,
    effects. ``spreads_left_out`` are jobs whose fault may have come and gone.

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
                "spreads_left_out": (
                    found.learned[system].unsteady if system in found.learned else 0
                ),
                "work": [
                    {
                        "key": s.spread.key,
                        "before": float(s.spread.was),
                        "after": s.mean,
                        "low": s.low,
                        "high": s.high,
                        "trials": s.n,
                        "came_true": s.true,
                    }
                    for s in found.worked[system]
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
