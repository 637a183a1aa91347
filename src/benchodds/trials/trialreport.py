"""What a simulation found: every measure of every policy with its interval, as plain data.

``simulate --json`` prints ``schema`` (1), ``setting`` (all that rows depend on, with the fixed
order that was trained), ``bits_lost`` by test (what telling few outcomes apart loses before any
reading) and ``natures``: by kind of nature and policy ``jobs``, ``measures`` (see MEASURES; each
with ``value``, ``low``, ``high``: a 95 % bootstrap interval over jobs), ``leading_verdict``,
``parts_at_the_end``, ``cured`` and ``comes_back`` (``n``, ``reliability_error``,
``error_by_chance_alone``, ``brier``, ``log_score``, ``curve``), and ``look_ahead_needs_less``
(shares, the same jobs in both).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from benchodds.basics.language import N_, _
from benchodds.trials.scores import (
    Estimate,
    brier,
    by_chance,
    curve,
    estimate,
    log_loss,
    pooled,
    ratio,
    tallies,
)
from benchodds.trials.simulate import Row

SCHEMA = 1
REFERENCE = "look-ahead"
WITHOUT_ODDS = ("by-limits",)

ODDS = {
    "leading_verdict": "stated",
    "parts_at_the_end": "parts",
    "cured": "cured",
    "comes_back": "comes_back",
}
"""Stated odds that are tried against the truth, and where rows have them."""

MEASURES = {
    "correct": N_("share of machines that left without a fault"),
    "minutes": N_("minutes at the bench for each correct verdict, repair and proof included"),
    "search": N_("minutes for each correct verdict before the repair that cured began"),
    "cost": N_("cost of a job in the shop's money"),
    "tests": N_("tests in a job"),
    "wrong_parts": N_("parts bought in a job that were not wanted and cannot go back"),
    "come_backs": N_("come-backs in a job"),
}


def measures(rows: Sequence[Row]) -> dict[str, Estimate]:
    """Every measure of one policy."""
    correct = np.array([r.correct for r in rows], dtype=float)
    out = {}
    for name in MEASURES:
        x = np.array([getattr(r, name) for r in rows], dtype=float)
        per = correct if name in ("minutes", "search") else np.ones(len(rows))
        out[name] = estimate(ratio, np.stack([x, per], axis=1))
    return out


def compared(rows: Sequence[Row], reference: Sequence[Row]) -> dict[str, Estimate]:
    """How much less the reference needs than this policy, as a share; the same jobs in both.

    Zero where this policy needs nothing at all.
    """
    out = {}
    for name in ("minutes", "search", "cost", "wrong_parts"):
        x = np.array([[getattr(r, name), r.correct] for r in reference], dtype=float)
        y = np.array([[getattr(r, name), r.correct] for r in rows], dtype=float)
        if name not in ("minutes", "search"):
            x[:, 1] = y[:, 1] = 1.0

        def less(both: np.ndarray[Any, np.dtype[np.float64]]) -> float:
            other = ratio(both[:, 2:])
            return 1.0 - ratio(both[:, :2]) / other if other else 0.0

        out[name] = estimate(less, np.concatenate([x, y], axis=1))
    return out


def calibration(pairs: Sequence[Sequence[tuple[float, int]]]) -> dict[str, Any]:
    """Reliability, Brier and log score of stated chances; intervals over jobs."""
    p, y = pooled(pairs)
    jobs = np.stack([tallies(*pooled([job])) for job in pairs])
    whole = curve(jobs.sum(axis=0))
    error = estimate(lambda some: curve(some.sum(axis=0)).error, jobs)
    return {
        "n": len(p),
        "reliability_error": error.to_dict(),
        "error_by_chance_alone": by_chance(jobs),
        "brier": brier(p, y),
        "log_score": log_loss(p, y),
        "curve": {"stated": whole.stated, "true": whole.true, "n": whole.n},
    }


def summary(rows: Mapping[str, Sequence[Row]]) -> dict[str, Any]:
    """All policies of one kind of nature; ``rows`` by policy, jobs in the same order."""
    out: dict[str, Any] = {}
    for policy, mine in rows.items():
        out[policy] = {
            "jobs": len(mine),
            "measures": {k: v.to_dict() for k, v in measures(mine).items()},
        }
        if policy not in WITHOUT_ODDS:
            stated = {name: [getattr(r, pairs) for r in mine] for name, pairs in ODDS.items()}
            out[policy] |= {name: calibration(p) for name, p in stated.items() if any(p)}
        if policy != REFERENCE and REFERENCE in rows:
            less = compared(mine, rows[REFERENCE])
            out[policy]["look_ahead_needs_less"] = {k: v.to_dict() for k, v in less.items()}
    return out


def by_nature(rows: Sequence[tuple[str, Row]]) -> dict[str, dict[str, list[Row]]]:
    """Rows by nature and policy, in the order of jobs; only jobs that every policy has."""
    out: dict[str, dict[str, dict[int, Row]]] = {}
    for nature, row in rows:
        out.setdefault(nature, {}).setdefault(row.policy, {})[row.job] = row
    full = {}
    for nature, policies in out.items():
        jobs = sorted(set.intersection(*(set(r) for r in policies.values())))
        full[nature] = {policy: [r[j] for j in jobs] for policy, r in policies.items()}
    return full


def table(report: Mapping[str, Any]) -> str:
    """The report as CSV: a line for each nature, policy and measure."""
    out = io.StringIO()
    lines = csv.writer(out)
    lines.writerow(("nature", "policy", "jobs", "measure", "value", "low", "high"))
    for nature, policies in report["natures"].items():
        for policy, found in policies.items():
            named = dict(found["measures"])
            named |= {
                f"look-ahead needs less {k}": v
                for k, v in found.get("look_ahead_needs_less", {}).items()
            }
            for part in ODDS:
                if part in found:
                    said = found[part]
                    named[f"{part} reliability_error"] = said["reliability_error"]
                    for k in ("error_by_chance_alone", "brier", "log_score"):
                        named[f"{part} {k}"] = {"value": said[k], "low": "", "high": ""}
            for measure, v in named.items():
                row = (nature, policy, found["jobs"], measure, v["value"], v["low"], v["high"])
                lines.writerow(row)
    return out.getvalue()


def text(report: Mapping[str, Any]) -> str:
    """The report for people."""
    lines = []
    for nature, policies in report["natures"].items():
        jobs = max((p["jobs"] for p in policies.values()), default=0)
        off = (
            _("as the model says")
            if nature == "none"
            else _("off the model: {nature}").format(nature=nature)
        )
        lines += [_("nature {nature}, {jobs} jobs").format(nature=off, jobs=jobs), ""]
        head = (
            f"  {_('policy'):17}{_('correct'):>8}{_('minutes'):>9}{_('search'):>8}{_('cost'):>8}"
            f"{_('tests'):>7}{_('wrong'):>7}{_('backs'):>7}{_('off by'):>8}"
        )
        lines.append(head)
        for policy, found in policies.items():
            m = {k: v["value"] for k, v in found["measures"].items()}
            odds = found.get("leading_verdict")
            error = f"{odds['reliability_error']['value']:8.3f}" if odds else f"{'':>8}"
            lines.append(
                f"  {policy:17}{m['correct']:8.1%}{m['minutes']:9.1f}{m['search']:8.1f}"
                f"{m['cost']:8.1f}{m['tests']:7.1f}{m['wrong_parts']:7.2f}{m['come_backs']:7.3f}"
                + error
            )
        lines += ["", *_reliability(policies)]
        for policy, found in policies.items():
            less = found.get("look_ahead_needs_less")
            if less:
                said = ", ".join(f"{_(k.replace('_', ' '))} {_share(v)}" for k, v in less.items())
                lines.append(
                    "  "
                    + _("look-ahead needs less than {policy}: {said}").format(
                        policy=policy, said=said
                    )
                )
        lines.append("")
    return "\n".join(lines).rstrip()


def _reliability(policies: Mapping[str, Any]) -> list[str]:
    """What was stated of repairs, all policies that know odds together, in bins."""
    lines = []
    titles = {
        "cured": _("stated that a repair has cured, and how often it had"),
        "comes_back": _("stated that a machine that goes out comes back, and how often it did"),
    }
    for name, title in titles.items():
        for policy, found in policies.items():
            if name not in found:
                continue
            said = found[name]
            error = said["reliability_error"]
            lines += [
                f"  {policy}, {title}: "
                + _(
                    "{n} times, Brier {brier:.3f}, off by {error:.3f} ({low:.3f} to "
                    "{high:.3f}), by chance alone about {chance:.3f}"
                ).format(
                    n=said["n"],
                    brier=said["brier"],
                    error=error["value"],
                    low=error["low"],
                    high=error["high"],
                    chance=said["error_by_chance_alone"],
                )
            ]
            rows = zip(*(said["curve"][k] for k in ("stated", "true", "n")), strict=True)
            lines += [f"    {p:6.1%} {y:7.1%} {n:6}" for p, y, n in rows]
    return [*lines, ""] if lines else []


def _share(v: Mapping[str, float]) -> str:
    return _("{value:.0%} ({low:.0%} to {high:.0%})").format(
        value=v["value"], low=v["low"], high=v["high"]
    )
