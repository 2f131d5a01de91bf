"""What is drawn of a face, worked out once: pages and pictures both draw from this, each with its own strokes.

A face is a ribbon from the side, each line with its 95 % band, and on two lines or more a map from above, far edge at
the top. Heights are in µm about the face's own plane, + proud; what the readings do not tell is not drawn.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from waywright.core.evidence.findings import BURR, Report, Shape
from waywright.core.evidence.things import Face, FloatArray
from waywright.units import convert
from waywright.views.numbers import BAND, UNKNOWN_UM, Shown
from waywright.views.result import Result
from waywright.views.tables import line_names, usual_band_um
from waywright.views.verdict_lines import verdict_words

STROKES = ("whole line", "long dashes", "dots", "dash and dot", "short dashes")  # of the lines, the near one first
MOST_LINES = len(STROKES)  # that can be told apart from the side; more are drawn from above only
MOST_NUMBERS = 14  # stations whose heights still fit into a map
LEAST_UM = 0.5  # that a ribbon reaches: what is flatter is drawn flat
MOST_UNSEEN = 4  # under one face; the result lists all, each with its cure

T = TypeVar("T")


@dataclass(frozen=True)
class Line:
    """A line of a face with something read on it, from the side: (n,) mm and µm where that is; drawn with `stroke`."""

    stroke: int
    name: str
    x_mm: FloatArray
    height_um: FloatArray
    band_um: FloatArray


@dataclass(frozen=True)
class Cell:
    """One place of a map: its borders, what it is, its height in words, and which share of the largest that is.

    `kind` is "unread", "proud" (hatched: by more than its standard uncertainty), "high" or "low".
    """

    x_mm: tuple[float, float]
    y_mm: tuple[float, float]
    kind: str
    number: str = ""
    share: float = 0.0


@dataclass(frozen=True)
class Ribbon:
    """One face to draw, in one way of showing numbers. Without `lines` its shape is not known: then there is nothing to
    draw but its outline.

    `stations`: where they are and how that is written. `suspects_mm`: where readings disagree. `side_words` and
    `map_words` say what is seen, for who does not see it.
    """

    face: Face
    shown: Shown
    lines: tuple[Line, ...]
    cells: tuple[Cell, ...]
    stations: tuple[tuple[float, str], ...]
    side_words: str
    map_words: str
    suspects_mm: tuple[float, ...] = ()

    @property
    def has_side(self) -> bool:
        """Whether there is an outline to draw, or lines few enough to be told apart from the side."""
        return not self.lines or len(self.face.lines_mm) <= MOST_LINES

    @property
    def hatched(self) -> bool:
        """Whether it is hatched from the side where it is proud; a map tells that of more lines than one."""
        return len(self.face.lines_mm) == 1

    @property
    def numbered(self) -> bool:
        """Whether its heights fit along the map, as numbers."""
        return len(self.stations) <= MOST_NUMBERS


def ribbon_of(face: Face, shape: Shape | None, shown: Shown, suspects_mm: tuple[float, ...] = ()) -> Ribbon:
    """A face as its readings tell it; `shape` may be missing."""
    stations = tuple((x, shown.lengths(x)) for x in face.stations_mm)
    if shape is None or not known(shape):
        return Ribbon(face, shown, (), (), stations, f"Face {face.name} from the side, not known yet", "", suspects_mm)
    told = ", as far as it is seen" if shape.seen_um is not None else ""
    shape = shape.as_seen
    usual = usual_band_um(shape)
    low, high = (shown.heights(float(h), usual, sign=True) for h in _span(shape))
    cells = _cells(face, shape, shown)
    return Ribbon(
        face,
        shown,
        _lines(face, shape, shown),
        cells,
        stations,
        f"Face {face.name} from the side{told}, heights from {low} to {high} {shown.height}",
        f"Face {face.name} from above{told}, far edge at the top; {len(cells)} places with their heights",
        suspects_mm,
    )


def known(shape: Shape) -> bool:
    """Whether the readings tell anything of the shape yet."""
    usual = usual_band_um(shape.as_seen)
    return usual is not None and usual <= UNKNOWN_UM


def extent_um(shapes: Iterable[Shape]) -> float:
    """How far the heights and most of the bands of all ribbons reach, so that all can be drawn to one scale."""
    found = LEAST_UM
    for shape in (each.as_seen for each in shapes):
        usual = usual_band_um(shape)
        if usual is not None and usual <= UNKNOWN_UM and len(shape.lines_mm) <= MOST_LINES:
            height = max(map(abs, _span(shape)))
            found = max(found, height + min(usual, height))
    return found


def round_below(number: float) -> float:
    """The largest of 1, 2, 5, 10 … that is no larger."""
    power = 10.0 ** math.floor(math.log10(number))
    return max(step * power for step in (0.5, 1.0, 2.0, 5.0) if step * power <= number)


def round_above(number: float) -> float:
    """The smallest of 1, 2, 5, 10 … that is no smaller."""
    power = 10.0 ** math.floor(math.log10(number))
    return min(step * power for step in (1.0, 2.0, 5.0, 10.0, 20.0) if step * power >= number)


def scale_bar(room_um: float, shown: Shown) -> tuple[float, str]:
    """A round height that fits into `room_um`: in µm, and as it is written, "+5 µm"."""
    bar = round_below(convert(room_um, "µm", shown.height))
    return convert(bar, shown.height, "µm"), f"+{bar:g} {shown.height}"


def some(each: Sequence[T], most: int) -> Sequence[T]:
    """Every one, or every second, third …, so that there are at most so many."""
    return each[:: max(1, math.ceil(len(each) / most))]


def borders(at_mm: Sequence[float], least: float, most: float) -> FloatArray:
    """Borders of the cells around places: half way between neighbours, the face's own edges outside."""
    at = np.asarray(at_mm, float)
    return np.concatenate([[least], (at[:-1] + at[1:]) / 2, [most]])


def _span(shape: Shape) -> tuple[float, float]:
    """Its lowest and highest height."""
    return float(np.nanmin(shape.height_um)), float(np.nanmax(shape.height_um))


def _lines(face: Face, shape: Shape, shown: Shown) -> tuple[Line, ...]:
    x_mm = np.asarray(face.stations_mm, float)
    heights, sigmas = (v.reshape(-1, len(face.lines_mm)) for v in (shape.height_um, shape.sigma_um))
    names, found = line_names(face.lines_mm, shown), []
    for j in range(len(face.lines_mm)):
        read = np.isfinite(heights[:, j])
        if read.any():
            band_um = BAND * sigmas[read, j]
            found.append(Line(j % MOST_LINES, names[j], x_mm[read], heights[read, j], band_um))
    return tuple(found)


def _cells(face: Face, shape: Shape, shown: Shown) -> tuple[Cell, ...]:
    """Station by station, from the near line to the far one; none on a face with one line."""
    if len(face.lines_mm) < 2:
        return ()
    half, usual = face.width_mm / 2, usual_band_um(shape)
    along = borders(face.stations_mm, 0.0, face.length_mm).tolist()
    across = borders(face.lines_mm, -half, half).tolist()
    largest = max(map(abs, _span(shape))) or 1.0
    heights, sigmas = (v.reshape(-1, len(face.lines_mm)) for v in (shape.height_um, shape.sigma_um))
    found = []
    for i, j in np.ndindex(heights.shape):
        h, u = float(heights[i, j]), float(sigmas[i, j])
        place = (along[i], along[i + 1]), (across[j], across[j + 1])
        if not math.isfinite(h):
            found.append(Cell(*place, "unread"))
            continue
        kind = "proud" if h > u else "high" if h > 0 else "low"
        found.append(Cell(*place, kind, shown.heights(h, usual, sign=True), abs(h) / largest))
    return tuple(found)


# -- the words beside it


def caption(name: str, view: Result) -> str:
    """Behind the name of a face: what is decided of it."""
    table = next((t for t in view.shapes if t.face == name), None)
    return table.caption if table else verdict_words(name, view.verdicts)


def said(name: str, report: Report, view: Result) -> tuple[tuple[str, str], ...]:
    """Under a face, a kind ("blind", "weak", "suspect") and a sentence each: what is not seen of it, and which of its
    readings disagree."""
    found = [
        ("weak" if spot.weak else "blind", f"{'Weak' if spot.weak else 'Blind'}: {unseen.words}")
        for spot, unseen in zip(report.blind, view.unseen, strict=True)
        if name in spot.faces and spot.mode != BURR  # one line for the job, not one a face
    ]
    if len(found) > MOST_UNSEEN:
        rest = f"And {len(found) - MOST_UNSEEN + 1} more that no reading sees well."
        found = [*found[: MOST_UNSEEN - 1], (found[MOST_UNSEEN - 1][0], rest)]
    laid = {s.id for s in report.job.settings if name in s.geometry.faces()}
    of = {s.reading for s in report.suspects if s.setting in laid}
    return tuple(found + [("suspect", f"Suspect: {r.where} {r.words}.") for r in view.retakes if r.reading in of])


def said_of_all(report: Report, view: Result) -> tuple[str, ...]:
    """What no face alone is to blame for: burrs that every lay-up reads alike."""
    return tuple(
        f"{'Weak' if spot.weak else 'Blind'}: {unseen.words}"
        for spot, unseen in zip(report.blind, view.unseen, strict=True)
        if spot.mode == BURR
    )


def suspects_mm(report: Report, name: str) -> tuple[float, ...]:
    """Where along a face readings disagree; on an upper face, under which they were taken, nowhere."""
    suspects = {suspect.reading for suspect in report.suspects}
    return tuple(
        reading.x_mm
        for setting, reading in report.job.readings()
        if reading.id in suspects and reading.x_mm is not None and setting.geometry.faces()[:1] == (name,)
    )
