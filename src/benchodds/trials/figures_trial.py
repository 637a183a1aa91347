"""Figures of a simulation: what policies cost, and whether stated odds come true."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from benchodds.reasons.figures import DASHES, INK, MARKS, PALE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANELS = (
    ("cost", "cost of a job"),
    ("search", "minutes to the verdict"),
    ("wrong_parts", "wrong parts in a job"),
)
LINES = ("solid, dots", "dashed, squares")
NATURES = {
    "none": "as the model says",
    "priors": "faults a factor off",
    "spreads": "wider spreads",
    "operator": "another operator",
    "meter": "another meter",
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
    title = f"{report['setting']['system']}: {jobs} drawn jobs, nature {NATURES[nature]}"
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
    title = "stated odds, and how often right"
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
                f"{policy}, off by {error:.3f} ({LINES[i]})",
                (0.02, 0.97 - 0.07 * i),
                fontsize=8,
                color=INK,
                va="top",
            )
        ax.set_xlim(0, 1)
        ax.set_ylim(0, 1)
        ax.set_title(NATURES[kind], fontsize=9, color=INK, loc="left")
        ax.set_xlabel("stated chance of the leading verdict", fontsize=9, color=INK)
    axes[0].set_ylabel("share that was right", fontsize=9, color=INK)
    return figure
