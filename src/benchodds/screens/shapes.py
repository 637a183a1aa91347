"""The documented JSON shapes of every reading command, ``"schema": 2``.

What schema 1 had is there unchanged; after a repair it speaks of the machine as it is now.

Those of ``tune`` and ``score`` are in :mod:`benchodds.learn.tunetext`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from benchodds.model.jobs import Job
from benchodds.model.sources import changes, opened_with

if TYPE_CHECKING:
    from benchodds.choose.lookahead import Choice
    from benchodds.choose.planning import Plan
    from benchodds.choose.weighing import Weighed
    from benchodds.infer.assess import Assessment
    from benchodds.model.system import SystemModel

SCHEMA = 2


def odds(assessment: Assessment) -> dict[str, Any]:
    """``odds --json``: machine, components, faults_at_once, states, gear, log_evidence,
    approximate and files.

    Every list is sorted by p, descending. ``states`` are the likeliest whole machine states
    (all faults present at once); ``log_evidence`` is a natural logarithm. ``epoch`` is how often
    the machine was worked on; all but ``was`` (what was wrong when it came) is about now.
    ``comes_and_goes`` is the part of ``p`` in which a fault is there in some tries and away in
    others. ``cured`` is the chance that no fault is left, ``comes_back`` that the machine, handed
    out now, is back within a week. ``files`` are those that the odds come from, ``changed`` those
    that were others when the job was opened.
    """
    now = assessment.machine.sources
    machine = [
        dict(zip(("component", "mode", "p"), (*fault.split("."), p), strict=True))
        for fault, p in assessment.chances.items()
    ]
    return {
        "schema": SCHEMA,
        "job": assessment.job.id,
        "epoch": len(assessment.job.live_actions),
        "machine": _sorted(machine, "p"),
        "was": _sorted(
            [{"component": c, "mode": m, "p": p} for (c, m), p in assessment.p_was.items()], "p"
        ),
        "cured": assessment.p_cured,
        "comes_back": assessment.p_comes_back,
        "components": _sorted(
            [{"component": c, "p_fault": p} for c, p in assessment.p_fault.items()], "p_fault"
        ),
        "faults_at_once": dict(assessment.faults_at_once),
        "comes_and_goes": _sorted(
            [
                {"component": c, "mode": m, "p": p}
                for (c, m), p in assessment.p_comes_and_goes.items()
            ],
            "p",
        ),
        "states": [
            {"faults": [f"{c}.{m}" for c, m in state], "p": p}
            for state, p in assessment.states()[:12]
        ],
        "gear": _sorted([{"item": i, "state": s, "p": p} for i, s, p in assessment.gear], "p"),
        "slips": _sorted([{"reading": r, "p": p} for r, p in assessment.slips.items()], "p"),
        "log_evidence": assessment.posterior.log_evidence,
        "approximate": approximate(assessment),
        "files": now,
        "changed": [
            {"file": c.name, "opened": c.then, "now": c.now}
            for c in changes(opened_with(assessment.job), now)
        ],
    }


def approximate(assessment: Assessment) -> dict[str, str] | None:
    """``what`` the odds stand on and ``why``, when exact ones would take too much; else null."""
    found = assessment.approximate
    return asdict(found) if found else None


def _sorted(rows: list[dict[str, Any]], key: str) -> list[dict[str, Any]]:
    return sorted(rows, key=lambda row: -row[key])


def advice(assessment: Assessment, plan: Plan, weighed: Weighed | None = None) -> dict[str, Any]:
    """``next --json``: cautions, advice, ranking, act_now, left_out, weighed, approximate.

    ``advice`` is what is proposed first. ``ranking`` is by bits per minute. What must be heeded
    before a step stands with it, and for the proposed one on top: ``cautions`` are its own and
    those of all its set-ups, ``harm`` (also the first of them) what it can do to parts.
    ``missing`` are the tests that a repair waits for, ``reason`` why it may not be done now.
    ``weighed`` is described at :func:`weighing`; it is null with ``--greedy``, and where a step is
    due before any weighing.
    """
    model = assessment.machine.model
    step = model.tests.get(plan.test or "") or model.repairs.get(plan.repair or "")
    return {
        "schema": SCHEMA,
        "job": assessment.job.id,
        "cautions": list(model.warnings(step)) if step else [],
        "advice": {
            "do": plan.do,
            "test": plan.test,
            "repair": plan.repair,
            "gear": plan.gear,
        },
        "ranking": [
            {
                "test": r.test,
                "cautions": list(model.warnings(model.tests[r.test])),
                "harm": model.tests[r.test].harm,
                "bits": r.bits,
                "minutes": r.minutes,
                "bits_per_minute": r.bits_per_minute,
                "setups": list(r.setups),
                "outcomes": [
                    {"outcome": b.label, "p": b.p, "leader": _leader(b.p_mode)} for b in r.branches
                ],
            }
            for r in plan.ranking
        ],
        "act_now": [
            {
                "repair": a.repair,
                "cautions": list(model.warnings(model.repairs[a.repair])),
                "harm": model.repairs[a.repair].harm,
                "p_cures": a.p_cures,
                "p_needed": a.p_needed,
                "expected_cost": a.expected_cost,
                "ready": a.ready,
                "missing": list(a.permit.waits),
                "reason": a.permit.reason,
            }
            for a in plan.acts
        ],
        "left_out": [{"test": x.test, "reason": x.reason} for x in plan.left_out],
        "weighed": weighing(weighed) if weighed is not None else None,
        "approximate": approximate(assessment),
    }


def weighing(weighed: Weighed) -> dict[str, Any]:
    """Test on or mend now: ``choices`` with their expected cost to the end of the job.

    ``minutes`` and ``money`` (parts, days, come-backs) add up to ``cost`` in ``currency`` by
    ``per_minute``. ``better`` is the step that is proposed, ``other`` the alternative to it (a
    repair against a test, and the reverse), ``saves`` what the former saves, ``either`` all steps
    that cost the same, as far as can be told. ``tips``: where the
    other choice becomes cheaper, ``what`` being p-needed (chance that ``repair`` is wanted),
    price (of its part) or minutes (of ``test``), ``at`` null where nothing tips it. The least
    cost that any way has lies between ``known`` (if the fault were known) and ``acting`` (at
    once); ``left_out`` is the weight of machines not looked at, ``steps`` how many were chosen.
    ``come_back``: P(back within a week) if ``repair`` is done now and its check passes.
    """

    def row(choice: Choice | None) -> dict[str, Any] | None:
        if choice is None:
            return None
        return {
            "kind": choice.step.kind,
            "name": choice.step.name,
            "minutes": choice.minutes,
            "money": choice.money,
            "cost": choice.cost,
        }

    better, other, seen = weighed.better, weighed.other, weighed.foresight
    return {
        "shop": weighed.shop.id,
        "currency": weighed.shop.currency,
        "per_minute": weighed.shop.labour.per_minute,
        "better": row(better),
        "other": row(other),
        "either": [row(c) for c in weighed.either],
        "saves": {
            "minutes": other.minutes - better.minutes,
            "money": other.money - better.money,
            "cost": other.cost - better.cost,
        }
        if other is not None
        else None,
        "test": weighed.test.step.name if weighed.test else None,
        "repair": weighed.repair.step.name if weighed.repair else None,
        "tips": [{"what": t.what, "now": t.now, "at": t.at} for t in weighed.tips],
        "waiting": {"repair": weighed.waiting[0], "tests": list(weighed.waiting[1])}
        if weighed.waiting
        else None,
        "come_back": weighed.come_back,
        "choices": [row(c) for c in seen.choices],
        "known": seen.known,
        "acting": seen.acting,
        "steps": seen.depth.steps,
        "left_out": seen.left_out,
    }


def _leader(p_mode: Mapping[tuple[str, str], float]) -> dict[str, Any] | None:
    if not p_mode:
        return None
    fault, p = max(p_mode.items(), key=lambda item: item[1])
    return {"fault": ".".join(fault), "p": p}


def job_record(job: Job) -> dict[str, Any]:
    """A job and all of its readings, struck ones included."""
    return {
        "schema": SCHEMA,
        "job": job.id,
        "name": job.name,
        "system": job.system,
        "variant": job.variant,
        "complaint": job.complaint,
        "contexts": list(job.contexts),
        "perhaps": dict(job.perhaps),
        "replaced": list(job.replaced),
        "opened_at": job.opened_at,
        "files": opened_with(job),
        "closed": dict(job.closed) if job.closed is not None else None,
        "gear": dict(job.gear),
        "readings": [
            {
                "reading": r.id,
                "epoch": job.epoch(r.seq),
                "test": r.test,
                "values": list(r.values),
                "technique": r.technique.as_data(),
                "at": r.at,
                "struck": r.struck,
                "note": r.note,
            }
            for r in job.readings
        ],
        "actions": [
            {
                "action": a.id,
                "repair": a.repair,
                "back": a.back,
                "at": a.at,
                "struck": a.struck,
                "note": a.note,
            }
            for a in job.actions
        ],
    }


def system(model: SystemModel) -> dict[str, Any]:
    """``systems NAME --json``: what can be named of one system variant."""
    return {
        "schema": SCHEMA,
        "system": model.id,
        "version": model.version,
        "title": model.title,
        "notice": model.notice,
        "variant": model.variant,
        "variants": {k: f"{v.title}, {v.years}" for k, v in model.variants.items()},
        "complaints": dict(model.complaints),
        "contexts": dict(model.contexts),
        "components": {
            c: {"title": s.title, "modes": dict(s.modes)} for c, s in model.components.items()
        },
        "setups": {k: {"title": s.title, "minutes": s.minutes} for k, s in model.setups.items()},
        "tests": {
            k: {
                "title": t.title,
                "minutes": t.minutes,
                "setups": list(model.setups_of(k)),
                "unit": t.unit,
                "limit": {"min": t.limit.min, "max": t.limit.max} if t.limit else None,
                "outcomes": list(t.outcomes),
                "cautions": list(model.warnings(t)),
            }
            for k, t in model.tests.items()
        },
        "repairs": {k: r.title for k, r in model.repairs.items()},
    }
