"""What the pages draw, as frozen data that one template turns into SVG: faces from the side, two facing each other, and
from above.

A drawing is as wide as its place on the page: positions along are shares of the width, positions across are pixels, so
that letters and strokes keep their size from a telephone to a sheet of paper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from waywright.core.evidence.findings import Shape
from waywright.core.evidence.things import Face, FloatArray
from waywright.units import convert
from waywright.views.numbers import Shown
from waywright.views.result import BAND, UNKNOWN_UM

RIBBON_PX, UNKNOWN_PX, MAP_PX, TEXT_PX = 120, 46, 78, 18
ACROSS = 1000  # the width of a stretched part in its own units
MOST_NUMBERS = 14


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
    """A mark of its own size: "end" (the marked end), "suspect", "tick", "touch" (two faces meet), "held", "face"."""

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


def known(shape: Shape) -> bool:
    """Whether the readings tell anything of the shape yet."""
    read = np.isfinite(shape.sigma_um)
    return bool(read.any()) and BAND * float(np.nanmedian(shape.sigma_um)) <= UNKNOWN_UM


def reach_um(shapes: list[Shape]) -> float:
    """How many µm half a ribbon reaches: a round number that holds every height and most of its band."""
    largest = 0.5
    for shape in shapes:
        if known(shape):
            height = float(np.nanmax(np.abs(shape.height_um)))
            largest = max(largest, height + min(BAND * float(np.nanmedian(shape.sigma_um)), height))
    power = 10.0 ** math.floor(math.log10(largest))
    return min(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= largest)


def side(face: Face, shape: Shape | None, reach: float, shown: Shown, suspects_mm: tuple[float, ...] = ()) -> Drawing:
    """A face from the side, marked end at the left: each line with its 95 % band, proud places hatched."""
    if shape is None or not known(shape):
        return _unknown(face, shown)
    middle = RIBBON_PX / 2
    per_um = (middle - 6) / reach
    strokes: list[Stroke] = []
    spots = [Spot("end", 1.2, RIBBON_PX - 9)]
    labels = [Label(2.6, RIBBON_PX - 5, "marked end", "small", "start")]
    for j, height, sigma, read in _lines(face, shape):
        x = np.asarray(face.stations_mm)[read] / face.length_mm * ACROSS
        y, band = middle - height * per_um, BAND * sigma * per_um
        strokes.append(Stroke("metal", f"{_path(x, y)} V{RIBBON_PX} H{x[0]:.1f} Z"))
        if len(face.lines_mm) == 1:
            strokes.append(Stroke("proud", f"{_path(x, np.minimum(y, middle))} V{middle} H{x[0]:.1f} Z"))
        strokes.append(Stroke("band", f"{_path(x, y - band)} L{_path(x[::-1], (y + band)[::-1])[1:]} Z"))
        strokes.append(Stroke(f"line line-{j % 4}", _path(x, y)))
    words = f"Face {face.name} from the side, heights from {_span(shape, shown)}"
    labels += _scale(reach, per_um, middle, shown)
    strokes.append(Stroke("scale", f"M4 {middle} V{middle - _bar(reach, shown)[0] * per_um:.1f}"))
    strokes.append(Stroke("level", f"M0 {middle} H{ACROSS}"))
    spots += [Spot("suspect", 100 * x / face.length_mm, RIBBON_PX - 9) for x in suspects_mm]
    spots += _ticks(face, RIBBON_PX)
    labels += _stations(face, shown, RIBBON_PX + 13)
    return Drawing(
        words, RIBBON_PX + TEXT_PX, tuple(strokes), (), tuple(spots), tuple(labels), face.length_mm, 1 / per_um
    )


def _unknown(face: Face, shown: Shown) -> Drawing:
    """A face whose shape nothing tells yet: its outline, and that in words."""
    strokes = (Stroke("unknown", f"M0 2 H{ACROSS} V{UNKNOWN_PX} H0 Z"),)
    spots = (Spot("end", 1.2, UNKNOWN_PX - 9), *(_ticks(face, UNKNOWN_PX)))
    labels = [Label(2.6, UNKNOWN_PX - 5, "marked end", "small", "start"), Label(50, 25, "not known yet")]
    words = f"Face {face.name} from the side, not known yet"
    labels += _stations(face, shown, UNKNOWN_PX + 13)
    return Drawing(words, UNKNOWN_PX + TEXT_PX, strokes, (), spots, tuple(labels))


def _ticks(face: Face, y: float) -> list[Spot]:
    return [Spot("tick", 100 * x / face.length_mm, y) for x in face.stations_mm]


def above(face: Face, shape: Shape, shown: Shown) -> Drawing | None:
    """A face from above: far edge at the top, proud places blue and hatched, heights as numbers; None on one line."""
    if len(face.lines_mm) < 2 or not known(shape):
        return None
    half = face.width_mm / 2
    along = _borders(np.asarray(face.stations_mm), 0.0, face.length_mm) / face.length_mm * 100
    across = (half - _borders(np.asarray(face.lines_mm), -half, half)) / face.width_mm * MAP_PX
    heights, sigmas = (v.reshape(-1, len(face.lines_mm)) for v in (shape.height_um, shape.sigma_um))
    largest = float(np.nanmax(np.abs(heights))) or 1.0
    usual = BAND * float(np.nanmedian(sigmas))
    boxes, labels = [], []
    for i, j in np.ndindex(heights.shape):
        h, u = float(heights[i, j]), float(sigmas[i, j])
        top, bottom = float(across[j + 1]), float(across[j])
        place = (float(along[i]), top, float(along[i + 1] - along[i]), bottom - top)
        if not math.isfinite(h):
            boxes.append(Box("unread", *place))
            continue
        kind = "proud" if h > u else "high" if h > 0 else "low"
        boxes.append(Box(kind, *place, shade=math.ceil(5 * abs(h) / largest)))
        if len(face.stations_mm) <= MOST_NUMBERS and len(face.lines_mm) <= 4:
            words = shown.heights(h, usual, sign=True)
            labels.append(Label(place[0] + place[2] / 2, place[1] + place[3] / 2 + 4, words, "number"))
    labels += _stations(face, shown, MAP_PX + 13)
    return Drawing(
        f"Face {face.name} from above, far edge at the top; {len(boxes)} places with their heights",
        MAP_PX + TEXT_PX,
        (),
        tuple(boxes),
        (),
        tuple(labels),
    )


def _lines(face: Face, shape: Shape) -> list[tuple[int, FloatArray, FloatArray, np.ndarray]]:
    """Each line with something read on it: number, heights and sigmas where read, and where that is."""
    found = []
    for j in range(len(face.lines_mm)):
        height, sigma = (v.reshape(-1, len(face.lines_mm))[:, j] for v in (shape.height_um, shape.sigma_um))
        read = np.isfinite(height)
        if read.any():
            found.append((j, height[read], sigma[read], read))
    return found


def _path(x: FloatArray, y: FloatArray) -> str:
    return "M" + " L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True))


def _span(shape: Shape, shown: Shown) -> str:
    usual = BAND * float(np.nanmedian(shape.sigma_um))
    low, high = float(np.nanmin(shape.height_um)), float(np.nanmax(shape.height_um))
    return f"{shown.heights(low, usual, sign=True)} to {shown.heights(high, usual, sign=True)} {shown.height}"


def _bar(reach: float, shown: Shown) -> tuple[float, str]:
    """A round height no longer than `reach`: in µm, and as it is written."""
    most = convert(reach, "µm", shown.height) * 0.6
    power = 10.0 ** math.floor(math.log10(most))
    bar = max((s * power for s in (1.0, 2.0, 5.0) if s * power <= most), default=most)
    return convert(bar, shown.height, "µm"), f"{bar:g} {shown.height}"


def _scale(reach: float, per_um: float, middle: float, shown: Shown) -> list[Label]:
    bar_um, words = _bar(reach, shown)
    return [Label(1.4, max(middle - bar_um * per_um, 12), f"+{words}", "small", "start")]


def _stations(face: Face, shown: Shown, y: float) -> list[Label]:
    every = max(1, math.ceil(len(face.stations_mm) / 8))
    found = []
    for x in face.stations_mm[::every]:
        at = 100 * x / face.length_mm
        anchor = "start" if at < 4 else "end" if at > 96 else "middle"
        found.append(Label(at, y, shown.lengths(x), "small", anchor))
    return found


def _borders(at: FloatArray, least: float, most: float) -> FloatArray:
    """Borders of the cells around places: half way between neighbours, the face's own edges outside."""
    return np.concatenate([[least], (at[:-1] + at[1:]) / 2, [most]])
