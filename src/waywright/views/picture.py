"""Faces as ribbons: marked end at the left, exaggeration beside, the 95 % band around, what is not seen in words below.

The same report gives the same bytes: fonts as outlines, a fixed salt for names inside the file, no date.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from waywright.core.evidence.findings import Report
from waywright.views import palette
from waywright.views.drawing import draw_map, draw_ribbon, draw_unknown
from waywright.views.numbers import Shown, shown_in
from waywright.views.result import Result, result
from waywright.views.ribbon import Ribbon, caption, extent_um, ribbon_of, round_below, said, said_of_all, suspects_mm

WIDTH_IN = 9.0
LEFT_IN, RIGHT_IN = 0.9, 1.4
TITLE_IN, RIBBON_IN, UNKNOWN_IN, MAP_IN, LINE_IN, GAP_IN = 0.62, 1.3, 0.5, 0.62, 0.19, 0.42
HIGHEST_MAP_IN = 6.0
WORDS_WIDE = 112  # letters in a line of words under a ribbon
ROOM = 1.12  # how much more than its heights and bands a ribbon is high
_COLOURS = {"blind": palette.LOOK, "weak": palette.LOOK, "suspect": palette.SUSPECT}
_RC = {
    "font.family": "DejaVu Sans",  # ships with matplotlib, so that every machine draws alike
    "font.size": 8.0,
    "hatch.linewidth": 0.5,
    "axes.linewidth": 0.6,
    "svg.fonttype": "path",
    "svg.hashsalt": "waywright",
}


def ribbons_svg(report: Report, units: str = "mm") -> str:
    """The picture of a report as the text of an SVG file; the same report gives the same bytes."""
    with drawing():
        figure, file = ribbons(report, units), io.StringIO()
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": "Waywright", "Title": report.job.title})
    return file.getvalue()


@dataclass(frozen=True)
class Captioned:
    """One face of a picture: what is drawn of it, its caption, and lines of words under it, each with its colour."""

    ribbon: Ribbon
    caption: str
    words: tuple[tuple[str, str], ...]


def ribbons(report: Report, units: str = "mm") -> Figure:
    """The picture of a report: every face that something was read of."""
    shown = shown_in(units)
    view, faces = result(report, shown), report.job.faces()
    read = [shape for shape in report.shapes if np.isfinite(shape.height_um).any()]
    found = []
    for shape in read:
        name = shape.face
        ribbon = ribbon_of(faces[name], shape, shown, suspects_mm(report, name))
        words = [(_COLOURS[kind], words) for kind, words in said(name, report, view)]
        found.append(Captioned(ribbon, caption(name, view), _wrapped(words)))
    with drawing():
        last = _wrapped([(palette.LOOK, words) for words in said_of_all(report, view)])
        return _figure(found, last, extent_um(read), view, shown)


@contextmanager
def drawing() -> Iterator[None]:
    """matplotlib's own settings and ours, whatever the user's configuration says."""
    settings: dict[Any, Any] = {k: v for k, v in mpl.rcParamsDefault.items() if not k.startswith("backend")}
    with mpl.rc_context(settings | _RC):
        yield


def _wrapped(words: list[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Sentences broken into lines; only the first line of each carries its colour."""
    lines = [(colour, textwrap.wrap(text, WORDS_WIDE)) for colour, text in words]
    return tuple((colour if k == 0 else "", line) for colour, each in lines for k, line in enumerate(each))


def _figure(
    drawn: list[Captioned], last: tuple[tuple[str, str], ...], extent: float, view: Result, shown: Shown
) -> Figure:
    """All faces under each other, to one scale along and one across; `last` is said of all of them."""
    longest = max((one.ribbon.face.length_mm for one in drawn), default=1.0)
    per_mm = (WIDTH_IN - LEFT_IN - RIGHT_IN) / longest  # inches of paper a mm of face
    high = TITLE_IN + sum(_inches(one, per_mm) for one in drawn) + LINE_IN * len(last) + 0.3
    figure = Figure(figsize=(WIDTH_IN, high), facecolor=palette.PAPER)
    figure.text(LEFT_IN / WIDTH_IN, 1 - 0.3 / high, view.title, size=11, color=palette.INK, va="center")
    if not drawn:
        figure.text(LEFT_IN / WIDTH_IN, 1 - 0.55 / high, "No face was read yet.", color=palette.INK, va="center")
        return figure
    reach_um, times = _scale(extent, per_mm)
    pen = _Pen(figure, high)
    if any(one.ribbon.lines and one.ribbon.has_side for one in drawn):
        pen.text(WIDTH_IN - 0.25, high - 0.3, f"heights drawn {times:,.0f} times".replace(",", " "), ha="right")
    top = high - TITLE_IN
    for one in drawn:
        _face(pen, one, top, per_mm, reach_um)
        top -= _inches(one, per_mm)
    _words(pen, last, top)
    pen.text(LEFT_IN, 0.22, _legend(shown), size=6.5, color=palette.LOW)
    return figure


def _face(pen: _Pen, one: Captioned, top: float, per_mm: float, reach_um: float) -> None:
    """One face: its name, its side, its map from above, and the words under them; `top` in inches."""
    ribbon = one.ribbon
    pen.text(LEFT_IN, top - 0.06, ribbon.face.name, size=9.5, weight="bold")
    pen.text(LEFT_IN + 0.1 * len(ribbon.face.name) + 0.15, top - 0.06, one.caption)
    side, wide = _side_in(ribbon), ribbon.face.length_mm * per_mm
    below = top - LINE_IN - side
    if not ribbon.lines:
        draw_unknown(pen.axes(below, wide, side), ribbon)
    elif side:
        draw_ribbon(pen.axes(below, wide, side), ribbon, reach_um)
    if ribbon.cells:
        below -= _map_in(ribbon, per_mm) + 0.14
        draw_map(pen.axes(below, wide, _map_in(ribbon, per_mm)), ribbon)
    _words(pen, one.words, below - 0.3)


def _words(pen: _Pen, lines: tuple[tuple[str, str], ...], top: float) -> None:
    """Lines of words under each other, the first one's middle at `top`."""
    for i, (colour, line) in enumerate(lines):
        y = top - LINE_IN * i
        if colour:
            pen.bar(LEFT_IN - 0.13, y - 0.06, 0.05, 0.13, colour)
        pen.text(LEFT_IN, y, line, size=7.5)


def _legend(shown: Shown) -> str:
    return (
        f"Places in {shown.length} from the marked end; heights in {shown.height}, + proud, about its own plane. "
        "Band: 95 %. Hatched: proud."
    )


@dataclass(frozen=True)
class _Pen:
    """Puts things on the sheet in inches from its lower left corner."""

    figure: Figure
    high: float

    def text(self, x: float, y: float, text: str, size: float = 8.0, **more: Any) -> None:
        style = {"color": palette.INK, "va": "center"} | more
        self.figure.text(x / WIDTH_IN, y / self.high, text, size=size, **style)

    def bar(self, x: float, y: float, wide: float, high: float, colour: str) -> None:
        corner = (x / WIDTH_IN, y / self.high)
        self.figure.add_artist(Rectangle(corner, wide / WIDTH_IN, high / self.high, color=colour))

    def axes(self, y: float, wide: float, high: float) -> Axes:
        return self.figure.add_axes((LEFT_IN / WIDTH_IN, y / self.high, wide / WIDTH_IN, high / self.high))


def _scale(extent: float, per_mm: float) -> tuple[float, float]:
    """How many µm reach half way up a ribbon, and the exaggeration: the largest round one that shows all heights."""
    half_in = RIBBON_IN / 2
    times = round_below(half_in / (ROOM * extent / 1e3 * per_mm))
    return half_in / (times * per_mm) * 1e3, times


def _inches(one: Captioned, per_mm: float) -> float:
    """How high a face is drawn, with its map and words."""
    above = (_map_in(one.ribbon, per_mm) + 0.14) * bool(one.ribbon.cells)
    return _side_in(one.ribbon) + above + LINE_IN * (1 + len(one.words)) + GAP_IN


def _side_in(ribbon: Ribbon) -> float:
    """How high its side is drawn: not at all where its lines are too many to be told apart."""
    return UNKNOWN_IN if not ribbon.lines else RIBBON_IN if ribbon.has_side else 0.0


def _map_in(ribbon: Ribbon, per_mm: float) -> float:
    """How high its map is drawn: to scale where that leaves room for numbers, an edge higher than it is."""
    return min(max(ribbon.face.width_mm * per_mm, MAP_IN), HIGHEST_MAP_IN)
