"""The strokes of a face on a page, as frozen data that one template turns into SVG: from the side and from above. What
is drawn stands in a `Ribbon`; here is only how.

A drawing is as wide as its place on the page: positions along are shares of the width, positions across are pixels, so
that letters and strokes keep their size from a telephone to a sheet of paper.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from waywright.core.evidence.findings import Shape
from waywright.core.evidence.things import Face, FloatArray
from waywright.views.ribbon import Line, Ribbon, extent_um, round_above, scale_bar, some

RIBBON_PX, UNKNOWN_PX, MAP_PX, TEXT_PX = 120, 46, 78, 18
ROW_PX, NUMBER_PX, MOST_MAP_PX = 24, 15, 360  # a row of a map with many lines; the least for a number; the highest map
ACROSS = 1000  # the width of a stretched part in its own units
BAR = 0.6  # of what a ribbon reaches upwards: the room for the bar of its scale
NARROW_PX, LETTER_PX, APART_PX = 330, 6.2, 10  # a drawing on a telephone; a letter of a place; between two places


@dataclass(frozen=True)
class Stroke:
    """A line or area of the stretched part, `d` in 0 … 1000 along and pixels down."""

    kind: str
    d: str


@dataclass(frozen=True)
class Label:
    """Words at a share of the width (%), pixels down."""

    at: float
    y: float
    words: str
    kind: str = ""
    anchor: str = "middle"


@dataclass(frozen=True)
class Spot:
    """A mark of its own size: "end" (the marked end), "suspect", "tick", "touch" (two faces meet), "held", "support",
    "face"."""

    kind: str
    at: float
    y: float


@dataclass(frozen=True)
class Box:
    """A rectangle: shares of the width along, pixels down; `shade` 0 to 5."""

    kind: str
    at: float
    y: float
    wide: float
    high: float
    shade: int = 0


@dataclass(frozen=True)
class Drawing:
    """One picture: what it is in words (read aloud in its stead), and its parts, first drawn first."""

    words: str
    high: int
    strokes: tuple[Stroke, ...] = ()
    boxes: tuple[Box, ...] = ()
    spots: tuple[Spot, ...] = ()
    labels: tuple[Label, ...] = ()
    length_mm: float = 0.0  # with um_per_px: how many times heights are drawn larger is told beside it
    um_per_px: float = 0.0


def reach_um(shapes: Iterable[Shape]) -> float:
    """How many µm half a ribbon reaches: a round number that holds every height and most of its band."""
    return round_above(extent_um(shapes))


def side(ribbon: Ribbon, reach_um: float) -> Drawing | None:
    """A face from the side, marked end at the left: each line with its 95 % band, proud places hatched; None where its
    lines are too many to be told apart."""
    if not ribbon.lines:
        return _unknown(ribbon)
    if not ribbon.has_side:
        return None
    face, middle = ribbon.face, RIBBON_PX / 2
    per_um = (middle - 6) / reach_um
    strokes = [stroke for line in ribbon.lines for stroke in _line(line, ribbon, per_um, middle)]
    bar_um, bar = scale_bar(BAR * reach_um, ribbon.shown)
    top = middle - bar_um * per_um
    strokes += [Stroke("scale", f"M4 {middle} V{top:.1f}"), Stroke("level", f"M0 {middle} H{ACROSS}")]
    spots = [Spot("suspect", _share(x, face), RIBBON_PX - 9) for x in ribbon.suspects_mm]
    return Drawing(
        ribbon.side_words,
        RIBBON_PX + TEXT_PX,
        tuple(strokes),
        (),
        (_end(RIBBON_PX), *spots, *_ticks(ribbon, RIBBON_PX)),
        (_marked(RIBBON_PX), Label(1.4, max(top, 12), bar, "small", "start"), *_stations(ribbon, RIBBON_PX)),
        face.length_mm,
        1 / per_um,
    )


def _line(line: Line, ribbon: Ribbon, per_um: float, middle: float) -> list[Stroke]:
    """Metal, what is proud of it, band and line."""
    x = line.x_mm / ribbon.face.length_mm * ACROSS
    y, band = middle - line.height_um * per_um, line.band_um * per_um
    found = [Stroke("metal", f"{_path(x, y)} V{RIBBON_PX} H{x[0]:.1f} Z")]
    if ribbon.hatched:
        found.append(Stroke("proud", f"{_path(x, np.minimum(y, middle))} V{middle} H{x[0]:.1f} Z"))
    found.append(Stroke("band", f"{_path(x, y - band)} L{_path(x[::-1], (y + band)[::-1])[1:]} Z"))
    return [*found, Stroke(f"line line-{line.stroke}", _path(x, y))]


def _unknown(ribbon: Ribbon) -> Drawing:
    """A face whose shape nothing tells yet: its outline, and that in words."""
    strokes = (Stroke("unknown", f"M0 2 H{ACROSS} V{UNKNOWN_PX} H0 Z"),)
    labels = (_marked(UNKNOWN_PX), Label(50, 25, "not known yet"), *_stations(ribbon, UNKNOWN_PX))
    spots = (_end(UNKNOWN_PX), *_ticks(ribbon, UNKNOWN_PX))
    return Drawing(ribbon.side_words, UNKNOWN_PX + TEXT_PX, strokes, (), spots, labels)


def above(ribbon: Ribbon) -> Drawing | None:
    """A face from above: far edge at the top, proud places blue and hatched, heights as numbers; None on one line."""
    if not ribbon.cells:
        return None
    face = ribbon.face
    high = max(MAP_PX, min(ROW_PX * len(face.lines_mm), MOST_MAP_PX))
    boxes, labels = [], []
    for cell in ribbon.cells:
        left, right = (_share(x, face) for x in cell.x_mm)
        bottom, top = (high * (0.5 - y / face.width_mm) for y in cell.y_mm)
        boxes.append(Box(cell.kind, left, top, right - left, bottom - top, math.ceil(5 * cell.share)))
        if ribbon.numbered and cell.number and bottom - top >= NUMBER_PX:
            labels.append(Label((left + right) / 2, (top + bottom) / 2 + 4, cell.number, "number"))
    labels += _stations(ribbon, high)
    return Drawing(ribbon.map_words, high + TEXT_PX, (), tuple(boxes), (), tuple(labels))


def _share(x_mm: float, face: Face) -> float:
    """Per cent of the width."""
    return 100 * x_mm / face.length_mm


def _end(bottom: int) -> Spot:
    return Spot("end", 1.2, bottom - 9)


def _marked(bottom: int) -> Label:
    return Label(2.6, bottom - 5, "marked end", "small", "start")


def _ticks(ribbon: Ribbon, y: float) -> list[Spot]:
    return [Spot("tick", _share(x, ribbon.face), y) for x, _ in ribbon.stations]


def named(stations: Sequence[tuple[float, str]], wide: float = 1.0) -> Sequence[tuple[float, str]]:
    """Those of the stations whose places can be written under a drawing as narrow as a telephone; `wide`: the share of
    the drawing they stand on."""
    longest = max((len(words) for _, words in stations), default=1)
    return some(stations, max(1, int(wide * NARROW_PX / (LETTER_PX * longest + APART_PX))))


def _stations(ribbon: Ribbon, bottom: int) -> list[Label]:
    """The places of some of the stations, under them."""
    found = []
    for x, words in named(ribbon.stations):
        at = _share(x, ribbon.face)
        anchor = "start" if at < 4 else "end" if at > 96 else "middle"
        found.append(Label(at, bottom + 13, words, "small", anchor))
    return found


def _path(x: FloatArray, y: FloatArray) -> str:
    return "M" + " L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True))
