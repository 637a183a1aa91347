"""The figures of an explanation: nothing cut off, nothing overlapping, readable without colour."""

from __future__ import annotations

import io
import itertools
from collections.abc import Callable

import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from benchodds.reasons import figures
from benchodds.reasons.explain import explain_reading
from benchodds.reasons.why import Why
from test_explain import DRILL, KICK, assessed, why


def texts(figure: Figure, monkeypatch: pytest.MonkeyPatch) -> list[Text]:
    """Every text that is drawn (tick labels beyond an axis are not)."""
    found: list[Text] = []
    draw = Text.draw

    def noted(self: Text, *args: object, **kwargs: object) -> None:
        if self.get_visible() and self.get_text().strip() and self not in found:
            found.append(self)
        draw(self, *args, **kwargs)

    with monkeypatch.context() as patch:
        patch.setattr(Text, "draw", noted)
        figure.canvas.draw()
    return found


def check(figure: Figure, monkeypatch: pytest.MonkeyPatch) -> None:
    """No text beyond the edge, none on another, and both formats can be saved."""
    found = texts(figure, monkeypatch)
    assert len(found) > 5
    width, height = figure.bbox.width, figure.bbox.height
    for t in found:
        box = t.get_window_extent()
        assert box.x0 >= 0 and box.y0 >= 0, t.get_text()
        assert box.x1 <= width and box.y1 <= height, (t.get_text(), box)
    for a, b in itertools.combinations(found, 2):
        one, other = a.get_window_extent().padded(-0.5), b.get_window_extent().padded(-0.5)
        assert not one.overlaps(other), (a.get_text(), b.get_text())
    for kind in ("svg", "png"):
        out = io.BytesIO()
        figure.savefig(out, format=kind)
        assert len(out.getvalue()) > 5000


def _path(found: Why) -> Figure:
    return figures.path_figure(found.ledger, found.titles, found.tests, found.reading.id)


MAKERS: tuple[Callable[[Why], Figure | None], ...] = (
    figures.spread_figure,
    _path,
    figures.weights_figure,
)


@pytest.mark.parametrize("reading", ["R1", "R2", "R3", "R4", "R5"])
@pytest.mark.parametrize("make", MAKERS)
def test_every_text_has_its_place(
    make: Callable[[Why], Figure | None], reading: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All figures of a job of five readings: nothing cut off, nothing overlapping."""
    figure = make(why(reading))
    assert figure is not None
    check(figure, monkeypatch)


def test_short_jobs_and_readings_without_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    """One reading, no limit, no number: the figures that apply are drawn, the others are not."""
    found = explain_reading(assessed(("plug-vis", ("clean",), {})), "R1")
    assert figures.spread_figure(found) is None
    check(_path(found), monkeypatch)
    check(figures.weights_figure(found), monkeypatch)


def test_many_lines_meeting_in_one_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """Labels of lines that end together are moved apart."""
    found = explain_reading(assessed(("vexc", ("130",), DRILL), ("vpul", ("3.0",), KICK)), "R2")
    check(_path(found), monkeypatch)


def test_figures_read_without_colour() -> None:
    """Every line of the path has a dash or marker of its own; gear and technique are hatched."""
    (axes,) = _path(why("R4")).axes
    lines = [ln for ln in axes.get_lines() if ln.get_marker() not in ("None", None, "")]
    looks = {(str(ln.get_linestyle()), ln.get_marker()) for ln in lines}
    assert len(looks) == len(lines) == figures.N_LINES
    (axes,) = figures.weights_figure(why("R4")).axes
    hatched = [p.get_hatch() for p in axes.patches]
    assert any(hatched) and not all(hatched)


def test_axes_name_their_units() -> None:
    """Every axis says what it shows and in which unit."""
    spread = figures.spread_figure(why("R4"))
    assert spread is not None
    (axes,) = spread.axes
    assert "V" in axes.get_xlabel() and "%" in axes.get_ylabel()
    (axes,) = _path(why("R4")).axes
    assert "log odds" in axes.get_ylabel() and "order" in axes.get_xlabel()
    (axes,) = figures.weights_figure(why("R4")).axes
    assert "decibans" in axes.get_xlabel()


def test_colours_differ_in_lightness() -> None:
    """Good and faulty differ in lightness, so a grey print tells them apart."""

    def lightness(colour: str) -> float:
        r, g, b = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
        return 0.2126 * r + 0.7152 * g + 0.0722 * b  # relative luminance weights, ITU-R BT.709

    assert abs(lightness(figures.GOOD) - lightness(figures.BAD)) > 0.2
