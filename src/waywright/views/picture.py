"""Faces as ribbons: marked end at the left, exaggeration beside, the 95 % band around, what is not seen in words below.

The same report gives the same bytes: fonts as outlines, a fixed salt for names inside the file, no date.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from waywright.core.evidence.findings import Report, Shape
from waywright.core.evidence.things import Face
from waywright.views import palette
from waywright.views.drawing import Ribbon, draw_map, draw_ribbon, draw_unknown
from waywright.views.numbers import Shown, shown_in
from waywright.views.result import BAND, Result, result

WIDTH_IN = 9.0
LEFT_IN, RIGHT_IN = 0.9, 1.4
TITLE_IN, RIBBON_IN, UNKNOWN_IN, MAP_IN, LINE_IN, GAP_IN = 0.62, 1.3, 0.5, 0.62, 0.19, 0.42
HIGHEST_MAP_IN = 6.0
WORDS_WIDE = 112  # letters in a line of words under a ribbon
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


def ribbons(report: Report, units: str = "mm") -> Figure:
    """The picture of a report: every face that something was read of."""
    shown = shown_in(units)
    view = result(report, shown)
    faces = report.job.faces()
    drawn = [_ribbon(shape, faces[shape.face], report, view) for shape in report.shapes]
    drawn = [ribbon for ribbon in drawn if np.isfinite(ribbon.height_um).any()]
    with drawing():
        return _figure(drawn, view, shown)


@contextmanager
def drawing() -> Iterator[None]:
    """matplotlib's own settings and ours, whatever the user's configuration says."""
    settings: dict[Any, Any] = {k: v for k, v in mpl.rcParamsDefault.items() if not k.startswith("backend")}
    with mpl.rc_context(settings | _RC):
        yield


def _ribbon(shape: Shape, face: Face, report: Report, view: Result) -> Ribbon:
    form = (len(face.stations_mm), len(face.lines_mm))
    words = [
        (palette.LOOK, f"{'Seen only weakly' if one.weak else 'Not seen'}: {one.what}{one.known and ', ' + one.known}.")
        for one, spot in zip(view.unseen, report.blind, strict=True)
        if shape.face in spot.faces
    ]
    at: list[float] = []
    for one in report.suspects:
        for setting, reading in report.job.readings():
            if reading.id == one.reading and setting.geometry.faces()[0] == shape.face and reading.x_mm is not None:
                at.append(reading.x_mm)
                words.append((palette.SUSPECT, f"Suspect: {reading.id} {one.words}."))
    table = next((t for t in view.shapes if t.face == shape.face), None)
    verdicts = [f"{v.measure} {v.decision}" for v in view.verdicts if v.face == shape.face and v.decision != "open"]
    caption = ", ".join(filter(None, [table.caption if table else "", *verdicts]))
    known = table is not None and bool(table.rows)
    heights, sigmas = shape.height_um.reshape(form), shape.sigma_um.reshape(form)
    return Ribbon(face, heights, sigmas, caption, tuple(words), tuple(at), known)


def _figure(drawn: Sequence[Ribbon], view: Result, shown: Shown) -> Figure:
    """All faces under each other, to one scale along and one across."""
    longest = max((ribbon.face.length_mm for ribbon in drawn), default=1.0)
    per_mm = (WIDTH_IN - LEFT_IN - RIGHT_IN) / longest  # inches of paper a mm of face
    high = TITLE_IN + sum(_inches(ribbon, per_mm) for ribbon in drawn) + 0.3
    figure = Figure(figsize=(WIDTH_IN, high), facecolor=palette.PAPER)
    figure.text(LEFT_IN / WIDTH_IN, 1 - 0.3 / high, view.title, size=11, color=palette.INK, va="center")
    if not drawn:
        figure.text(LEFT_IN / WIDTH_IN, 1 - 0.55 / high, "No face was read yet.", color=palette.INK, va="center")
        return figure
    reach_um, times = _scale(drawn, per_mm)
    pen = _Pen(figure, high)
    if times:
        pen.text(WIDTH_IN - 0.25, high - 0.3, f"heights drawn {times:,.0f} times".replace(",", " "), ha="right")
    top = high - TITLE_IN
    for ribbon in drawn:
        _face(pen, ribbon, top, per_mm, reach_um, shown)
        top -= _inches(ribbon, per_mm)
    pen.text(LEFT_IN, 0.22, _legend(shown), size=6.5, color=palette.LOW)
    return figure


def _face(pen: _Pen, ribbon: Ribbon, top: float, per_mm: float, reach_um: float, shown: Shown) -> None:
    """One face: its name, its side, its map from above, and the words under them; `top` in inches."""
    pen.text(LEFT_IN, top - 0.06, ribbon.face.name, size=9.5, weight="bold")
    pen.text(LEFT_IN + 0.1 * len(ribbon.face.name) + 0.15, top - 0.06, ribbon.caption)
    side, wide = _side_in(ribbon), ribbon.face.length_mm * per_mm
    below = top - LINE_IN - side
    if not ribbon.known:
        draw_unknown(pen.axes(below, wide, side), ribbon, shown)
    elif side:
        draw_ribbon(pen.axes(below, wide, side), ribbon, reach_um, shown)
    if ribbon.has_map:
        below -= _map_in(ribbon, per_mm) + 0.14
        draw_map(pen.axes(below, wide, _map_in(ribbon, per_mm)), ribbon, shown)
    for i, (colour, line) in enumerate(_lines(ribbon)):
        y = below - 0.3 - LINE_IN * i
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


def _scale(drawn: Sequence[Ribbon], per_mm: float) -> tuple[float, float]:
    """How many µm reach half way up a ribbon, and the exaggeration: the largest round one that shows all heights.

    Both are 0 when no side is drawn.
    """
    drawn = [ribbon for ribbon in drawn if ribbon.known and ribbon.has_side]
    if not drawn:
        return 0.0, 0.0
    largest = max(float(np.nanmax(np.abs(ribbon.height_um))) for ribbon in drawn)
    usual = float(np.nanmedian(np.concatenate([ribbon.sigma_um.ravel() for ribbon in drawn])))
    wanted = max(largest + min(BAND * usual, largest), 0.2) * 1.12
    half_in = RIBBON_IN / 2
    most = half_in / (wanted / 1e3 * per_mm)
    power = 10.0 ** math.floor(math.log10(most))
    times = max(step * power for step in (1.0, 2.0, 5.0) if step * power <= most)
    return half_in / (times * per_mm) * 1e3, times


def _inches(ribbon: Ribbon, per_mm: float) -> float:
    """How high a face is drawn, with its map and words."""
    above = (_map_in(ribbon, per_mm) + 0.14) * ribbon.has_map
    return _side_in(ribbon) + above + LINE_IN * (1 + len(_lines(ribbon))) + GAP_IN


def _side_in(ribbon: Ribbon) -> float:
    """How high its side is drawn: not at all where its lines are too many to be told apart."""
    return UNKNOWN_IN if not ribbon.known else RIBBON_IN if ribbon.has_side else 0.0


def _map_in(ribbon: Ribbon, per_mm: float) -> float:
    """How high its map is drawn: to scale where that leaves room for numbers, an edge higher than it is."""
    return min(max(ribbon.face.width_mm * per_mm, MAP_IN), HIGHEST_MAP_IN)


def _lines(ribbon: Ribbon) -> list[tuple[str, str]]:
    """The words under a ribbon, broken into lines."""
    return [(colour, line) for colour, text in ribbon.words for line in textwrap.wrap(text, WORDS_WIDE)]
