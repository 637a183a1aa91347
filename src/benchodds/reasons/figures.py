"""Figures of an explained reading: where readings fall, the path of the odds, the evidence.

Every function returns a matplotlib ``Figure`` of its own (no global state); the caller saves
it as SVG or PNG. Lines differ in dash and marker as well as in colour, areas and bars in
hatching, and everything is labelled where it stands, so the figures read in black and white.
Only this module and ``figures_trial`` import matplotlib, when a figure is made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from benchodds.basics.language import _
from benchodds.basics.quantities import show, show_exact
from benchodds.basics.tables import Array
from benchodds.reasons.conformance import odds_db
from benchodds.reasons.evidence import Ledger
from benchodds.reasons.why import Why

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Annotation, Text

INK = "#222222"
PALE = "#d9d9d9"
GOOD, BAD = "#174a7c", "#d0742a"
"""Blue and orange of unlike lightness: told apart by the colour-blind and in grey."""
HUES = ("#174a7c", "#d0742a", "#3f7d58", "#8a3a6b", "#7a6a1e", "#555555")
DASHES: tuple[Any, ...] = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (7, 2, 1, 2)), (0, (1, 1)), "-")
MARKS = ("o", "s", "^", "D", "v", "X")
HATCHES: Mapping[str, str] = {"component": "", "gear": "////", "technique": "...."}
CHANCES = (0.001, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 0.999)
FLOOR_DB = 30.0
"""Log odds are drawn down to 1 in 1000 and up to 999 in 1000."""
FAINT_DB = 1.0
"""The smallest evidence a person notices (Good 1950): lesser bars are left out."""
N_LINES, N_BARS = 6, 10
MOST_STEPS = 200
SEEN = 0.02
"""Share of the highest bin, or of all readings, below which nothing is drawn or said."""
LONG_NAME = 7
"""Test names longer than this are broken at their hyphen."""


def _figure(width: float, height: float, title: str) -> tuple[Figure, Axes]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    engine = ConstrainedLayoutEngine(rect=(0.01, 0.01, 0.975, 0.98))
    figure = Figure(figsize=(width, height), layout=engine)
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(colors=INK, labelsize=9)
    figure.suptitle(title, fontsize=11, color=INK, x=0.02, ha="left")
    return figure, axes


def _number_axis(axes: Axes, unit: str) -> None:
    """A logarithmic x axis with plain numbers at ones, twos and fives."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axes.set_xscale("log")
    low, high = axes.get_xlim()
    decades = np.log10(high / low)
    axes.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5) if decades < 3 else (1,)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: show(float(x), unit).split(" ")[0]))
    if decades >= 3:
        axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: show(float(x), unit)))
    axes.xaxis.set_minor_formatter(NullFormatter())


def _keep_apart(figure: Figure, texts: Sequence[Text], step: float = 2.0) -> None:
    """Move texts up, in points, until none lies on another."""
    figure.draw_without_rendering()
    placed: list[Any] = []
    for text in sorted(texts, key=lambda t: t.get_window_extent().y0):
        for _step in range(MOST_STEPS):
            if not any(text.get_window_extent().overlaps(other) for other in placed):
                break
            x, y = text.get_position()
            text.set_position((x, y + step))
        placed.append(text.get_window_extent().padded(1.0))


def spread_figure(why: Why) -> Figure | None:
    """Where readings of units within and outside the limit would fall with this gear.

    Share of readings per doubling of the number, the limits, and this reading; None when the
    test shows no number or its limit is about no true quantity.
    """
    spread, limit, reading = why.spread, why.limit, why.reading
    if spread is None or limit is None:
        return None
    unit, edges = reading.unit, spread.edges
    figure, axes = _figure(7.2, 4.0, f"{reading.id} {reading.test}: {reading.title}")
    width = np.diff(np.log2(edges))
    good, bad = (100 * p[1:-1] / width for p in (spread.good, spread.bad))
    axes.stairs(bad, edges, fill=True, facecolor="none", edgecolor=BAD, hatch="////", lw=0)
    axes.stairs(bad, edges, color=BAD, lw=1.8, linestyle=(0, (5, 1.5)))
    axes.stairs(good, edges, color=GOOD, lw=2.2)
    seen = np.flatnonzero(np.maximum(good, bad) > SEEN * max(good.max(), bad.max()))
    marks = [m for m in (limit.lower, limit.upper, reading.number) if m]
    left = min([float(edges[seen[0]]), *[m / 1.5 for m in marks]])
    right = max([float(edges[seen[-1] + 1]), *[m * 1.5 for m in marks]])
    axes.set_xlim(left, right)
    axes.set_ylim(0, 1.08 * float(max(good.max(), bad.max())))
    _number_axis(axes, unit)
    labels = _flanks(figure, axes, edges, good, bad)
    rows = [(m, _("limit")) for m in (limit.lower, limit.upper) if m]
    for value, name in rows:
        axes.axvline(value, color=INK, lw=1.3, linestyle=(0, (4, 3)))
        side = "center" if len(rows) == 1 else "right" if value == limit.lower else "left"
        _above(axes, value, f"{name} {show_exact(value, unit)}", 1.01, side)
    if reading.number is not None:
        axes.axvline(reading.number, color=INK, lw=2.2)
        written = show(reading.number, unit)
        _above(
            axes,
            reading.number,
            _("this reading {written}").format(written=written),
            1.08,
            "center",
            "bold",
        )
    else:
        _above(
            axes,
            right,
            _("this reading {written}").format(written=", ".join(reading.written)),
            1.08,
            "right",
            "bold",
        )
    shares = [
        (
            _("below {value}").format(value=show(float(edges[0]), unit)),
            spread.good[0],
            spread.bad[0],
        )
    ]
    shares.append((_("no number"), 1 - spread.good.sum(), 1 - spread.bad.sum()))
    under = "; ".join(
        _("{name}: {within:.0f} % within, {outside:.0f} % outside").format(
            name=name, within=100 * a, outside=100 * b
        )
        for name, a, b in shares
        if max(a, b) > SEEN
    )
    under = f"\n{under}" if under else ""
    axes.set_xlabel(_("reading, {unit}").format(unit=unit) + under, fontsize=9, color=INK)
    axes.set_ylabel(_("readings per doubling, %"), fontsize=9, color=INK)
    _keep_apart(figure, labels)
    return figure


def _flanks(figure: Figure, axes: Axes, edges: Array, good: Array, bad: Array) -> list[Annotation]:
    """Name both curves at half their height, on the side where there is room."""
    middle = np.log(np.sqrt(edges[:-1] * edges[1:]))
    width = np.diff(np.log(edges))
    means = [float(middle @ (d * width) / (d @ width)) for d in (good, bad)]
    labels: list[Annotation] = []
    for density, hue, name, left_first in (
        (good, GOOD, _("within the limit"), means[0] < means[1]),
        (bad, BAD, _("outside the limit"), means[0] >= means[1]),
    ):
        if density.max() < SEEN * max(good.max(), bad.max()):
            continue  # shows no number; said below the axis
        high = np.flatnonzero(density > density.max() / 2)
        for is_left in (left_first, not left_first):
            label = axes.annotate(
                _("true value\n{name}").format(name=name),
                (float(edges[high[0]] if is_left else edges[high[-1] + 1]), 0.62 * density.max()),
                xytext=(-6 if is_left else 6, 0),
                textcoords="offset points",
                ha="right" if is_left else "left",
                va="bottom",
                color=hue,
                fontsize=9,
                fontweight="bold",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
            )
            figure.draw_without_rendering()
            if not is_left or label.get_window_extent().x0 > axes.get_window_extent().x0:
                break
            label.remove()
        labels.append(label)
    return labels


def _above(axes: Axes, x: float, text: str, y: float, side: str, weight: str = "normal") -> None:
    axes.text(
        x,
        y,
        text,
        transform=axes.get_xaxis_transform(),
        ha=side,
        va="bottom",
        fontsize=9,
        color=INK,
        fontweight=weight,
    )


def path_figure(
    book: Ledger, names: Mapping[str, str], tests: Mapping[str, str], shaded: str | None = None
) -> Figure:
    """The odds of the likeliest components over the job, reading by reading.

    The six that came nearest to leading at any time, as log odds with chances written at the
    axis; the step of the reading ``shaded`` is. ``names`` are words by component, ``tests``
    the test of every reading.
    """
    chosen = [s for s in book.suspects if s.kind == "component"]
    chosen.sort(key=lambda s: -float(book.p(s).max()))
    chosen = chosen[:N_LINES]
    n = len(book.readings)
    figure, axes = _figure(
        max(6.4, 2.9 + 0.62 * n), 4.4, _("Odds of each part, reading by reading")
    )
    index = {s.name: i for i, s in enumerate(book.suspects)}
    labels = []
    lines = [np.clip(book.odds[:, index[s.name]], -FLOOR_DB, FLOOR_DB) for s in chosen]
    order = np.argsort([y[-1] for y in lines])
    for i in order:
        y = lines[i]
        axes.plot(
            range(n + 1),
            y,
            color=HUES[i],
            linestyle=DASHES[i],
            marker=MARKS[i],
            lw=1.8,
            ms=5.5,
            clip_on=False,
        )
        labels.append(
            axes.annotate(
                names[chosen[i].name],
                (n, float(y[-1])),
                xytext=(9, 0),
                textcoords="offset points",
                va="center",
                color=HUES[i],
                fontsize=9,
            )
        )
    if shaded in book.readings:
        k = book.readings.index(shaded)
        axes.axvspan(k, k + 1, color=PALE, alpha=0.6, lw=0, zorder=0)
    axes.axhline(0, color=INK, lw=0.8, linestyle=(0, (1, 2)))
    axes.set_xlim(-0.2, n + 0.05)
    low = min(-10.0, *(float(y.min()) for y in lines))
    high = max(5.0, *(float(y.max()) for y in lines))
    axes.set_ylim(low - 1.5, high + 1.5)
    ticks = [(odds_db(p, 1 - p), p) for p in CHANCES]
    ticks = [(db, p) for db, p in ticks if low - 1.5 <= db <= high + 1.5]
    axes.set_yticks([db for db, _ in ticks], [f"{100 * p:g} %" for _, p in ticks])
    axes.set_xticks(
        range(n + 1), [_("before"), *(_tick(tests, r) for r in book.readings)], fontsize=8
    )
    axes.set_xlabel(_("readings in the order taken"), fontsize=9, color=INK)
    axes.set_ylabel(_("chance of being at fault (log odds)"), fontsize=9, color=INK)
    _keep_apart(figure, labels)
    return figure


def _tick(tests: Mapping[str, str], reading: str) -> str:
    test = tests.get(reading, "")
    test = test.replace("-", "-\n", 1) if len(test) > LONG_NAME else test
    return f"{reading}\n{test}".rstrip()


def weights_figure(why: Why) -> Figure:
    """Weights of evidence of the reading, as bars: for to the right, against to the left.

    The bar is the weight when the reading was taken, the diamond its weight beside all other
    readings. Gear and technique are hatched. Weights beyond the axis are cut off and written.
    """
    rows = [w for w in why.weights if max(abs(w.taken), abs(w.left_out)) >= FAINT_DB][:N_BARS]
    rows.sort(key=lambda w: w.taken)
    title = _("{reading} {test}: what it says for and against").format(
        reading=why.reading.id, test=why.reading.test
    )
    figure, axes = _figure(7.2, 1.9 + 0.34 * max(len(rows), 1), title)
    own = [abs(x) for w in rows if w.kind == "component" for x in (w.taken, w.left_out)]
    bound = 1.1 * max([10.0, *own])
    for i, w in enumerate(rows):
        x = float(np.clip(w.taken, -bound, bound))
        hue = BAD if w.taken > 0 else GOOD
        hatch = HATCHES[w.kind]
        axes.barh(
            i, x, height=0.62, facecolor="white" if hatch else hue, edgecolor=hue, hatch=hatch
        )
        other = float(np.clip(w.left_out, -bound, bound))
        axes.plot([other], [i], marker="D", ms=6, color=INK, mec="white", clip_on=False, lw=0)
        for at, value in ((1.09, w.taken), (1.22, w.left_out)):
            _beside(axes, at, i, f"{value:+.0f}".replace("-0", "0").replace("+0", "0"))
    if not rows:
        axes.text(0, 0, _("no evidence to speak of"), ha="center", va="center", fontsize=9)
    for at, head in ((1.09, _("taken")), (1.22, _("beside"))):
        _beside(axes, at, max(len(rows), 1) - 0.2, head)
    axes.axvline(0, color=INK, lw=1.0)
    axes.set_xlim(-bound, bound)
    axes.set_ylim(-0.6, max(len(rows), 1) - 0.2)
    axes.set_yticks(range(len(rows)), [_label(why, w.name) for w in rows])
    axes.set_xlabel(
        _("weight of evidence, decibans (+10: odds times ten)"),
        fontsize=9,
        color=INK,
    )
    figure.supxlabel(
        _("bar: when it was taken; diamond: beside all other readings; hatched: gear, technique"),
        fontsize=8.5,
        color=INK,
    )
    for x, word in ((-0.02, _("against")), (0.02, _("for"))):
        axes.text(
            0.5 + x,
            1.01,
            word,
            transform=axes.transAxes,
            ha="right" if x < 0 else "left",
            va="bottom",
            fontsize=9,
            color=INK,
            fontweight="bold",
        )
    return figure


def _beside(axes: Axes, x: float, y: float, text: str) -> None:
    """A number in a column to the right of the bars."""
    axes.text(
        x,
        y,
        text,
        transform=axes.get_yaxis_transform(),
        ha="right",
        va="center" if text[-1].isdigit() else "bottom",
        fontsize=9,
        color=INK,
    )


def _label(why: Why, name: str) -> str:
    if name.startswith("hookup "):
        return _("hook-up of {name} not sound").format(name=name.removeprefix("hookup "))
    return why.titles.get(
        name, {"adapter": _("adapter dead"), "meter": _("meter off")}.get(name, _(name))
    )
