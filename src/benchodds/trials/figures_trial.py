"""Figures of a simulation: what policies cost, and whether stated odds come true."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from benchodds.basics.language import N_, _
from benchodds.reasons.figures import DASHES, INK, MARKS, PALE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANELS = (
    ("cost", N_("cost of a job")),
    ("search", N_("minutes to the verdict")),
    ("wrong_parts", N_("wrong parts in a job")),
)
LINES = (N_("solid, dots"), N_("dashed, squares"))
NATURES = {
    "none": N_("as the model says"),
    "priors": N_("faults a factor off"),
    "spreads": N_("wider spreads"),
    "operator": N_("another operator"),
    "meter": N_("another meter"),
}


def _figure(width: float, height: float, title: str, n: int) -> tuple[Figure, list[Axes]]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    axes = list(np.ravel(figure.subplots(1, n, sharey=True)))
    for ax in axes:
        for side in ("top", "right"):
            ax.spines[side].set_visible(False)
        ax.tick_params(colors=INK, labelsize=9)
    figure.suptitle(title, fontsize=11, color=INK, x=0.02, ha="left")
    return figure, axes


def costs_figure(report: Mapping[str, Any]) -> Figure:
    """Cost, minutes and wrong parts of every policy with their intervals, nature as first told."""
    nature, policies = next(iter(report["natures"].items()))
    names = sorted(policies, key=lambda p: -policies[p]["measures"]["cost"]["value"])
    jobs = max(policies[p]["jobs"] for p in names)
    title = f"{report['setting']['system']}: " + _("{jobs} drawn jobs, nature {nature}").format(
        jobs=jobs, nature=_(NATURES[nature])
    )
    figure, axes = _figure(9.5, 0.9 + 0.42 * len(names), title, len(PANELS))
    for ax, (measure, label) in zip(axes, PANELS, strict=True):
        for y, name in enumerate(names):
            v = policies[name]["measures"][measure]
            ax.barh(y, v["value"], height=0.55, color=PALE, edgecolor=INK, linewidth=0.8)
            ax.plot([v["low"], v["high"]], [y, y], color=INK, linewidth=2)
            digits = 2 if measure == "wrong_parts" else 0
            ax.annotate(
                f"{v['value']:.{digits}f}",
                (max(v["high"], v["value"]), y),
                xytext=(4, 0),
                textcoords="offset points",
                va="center",
                fontsize=9,
                color=INK,
            )
        ax.set_title(label, fontsize=9, color=INK, loc="left")
        ax.margins(x=0.15)
        ax.set_xlim(left=0)
    axes[0].set_yticks(range(len(names)), names)
    return figure


def reliability_figure(report: Mapping[str, Any]) -> Figure:
    """Stated chance of the leading verdict against how often it was right, by policy."""
    natures = {
        kind: {p: f for p, f in found.items() if "leading_verdict" in f}
        for kind, found in report["natures"].items()
    }
    title = _("stated odds, and how often right")
    figure, axes = _figure(3.4 * len(natures) + 0.6, 3.9, title, len(natures))
    for ax, (kind, policies) in zip(axes, natures.items(), strict=True):
        ax.plot([0, 1], [0, 1], color=PALE, linewidth=3, zorder=0)
        first = [p for p in ("look-ahead", "bits-per-minute") if p in policies]
        shown = first or list(policies)[:2]
        for i, policy in enumerate(shown):
            found = policies[policy]["leading_verdict"]
            line = found["curve"]
            ax.plot(
                line["stated"],
                line["true"],
                linestyle=DASHES[i],
                marker=MARKS[i],
                markersize=4,
                color=INK,
                linewidth=1.2,
            )
            error = found["reliability_error"]["value"]
            ax.annotate(
                _("{policy}, off by {error:.3f} ({line})").format(
                    policy=policy, error=error, line=_(LINES[i])
                ),
                (0.02, 0.97 - 0.07 * i),
                fontsize=8,
                color=INK,
                va="top",
            )
        ax.set_xlim(0, 1)
        ax.set_ylim(0, 1)
        ax.set_title(_(NATURES[kind]), fontsize=9, color=INK, loc="left")
        ax.set_xlabel(_("stated chance of the leading verdict"), fontsize=9, color=INK)
    axes[0].set_ylabel(_("share that was right"), fontsize=9, color=INK)
    return figure
