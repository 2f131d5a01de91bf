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

from waywright.core.findings import Report, Shape
from waywright.core.things import Face, FloatArray
from waywright.units import convert
from waywright.views import palette
from waywright.views.numbers import Shown, shown_in
from waywright.views.result import BAND, Result, result

WIDTH_IN = 9.0
LEFT_IN, RIGHT_IN = 0.9, 1.15
TITLE_IN, RIBBON_IN, MAP_IN, LINE_IN, GAP_IN = 0.62, 1.3, 0.62, 0.19, 0.42
WORDS_WIDE = 112  # letters in a line of words under a ribbon
MOST_NUMBERS = 14  # stations whose heights still fit into the map
_STYLES = ("-", (0, (6, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)), (0, (3, 3)))
_RC = {
    "font.family": "DejaVu Sans",  # ships with matplotlib, so that every machine draws alike
    "font.size": 8.0,
    "hatch.linewidth": 0.5,
    "axes.linewidth": 0.6,
    "svg.fonttype": "path",
    "svg.hashsalt": "waywright",
}


@dataclass(frozen=True)
class Ribbon:
    """One face to draw: (stations, lines) heights in µm about its plane, NaN where nothing was read."""

    face: Face
    height_um: FloatArray
    sigma_um: FloatArray
    caption: str
    words: tuple[tuple[str, str], ...]  # a colour and a sentence each
    suspects_mm: tuple[float, ...]

    @property
    def x_mm(self) -> FloatArray:
        """(stations,) mm from the marked end."""
        return np.asarray(self.face.stations_mm, float)

    @property
    def inches(self) -> float:
        """How high it is drawn."""
        return RIBBON_IN + (MAP_IN + 0.14) * self.has_map + LINE_IN * (1 + len(self.lines())) + GAP_IN

    @property
    def has_map(self) -> bool:
        """Whether it has width enough to be seen from above."""
        return len(self.face.lines_mm) > 1

    def lines(self) -> list[tuple[str, str]]:
        """The words under it, broken into lines."""
        return [(colour, line) for colour, text in self.words for line in textwrap.wrap(text, WORDS_WIDE)]


def ribbons_svg(report: Report, units: str = "mm") -> str:
    """The picture of a report as the text of an SVG file; the same report gives the same bytes."""
    with _drawing():
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
    with _drawing():
        return _figure(drawn, view, shown)


@contextmanager
def _drawing() -> Iterator[None]:
    """matplotlib's own settings and ours, whatever the user's configuration says."""
    defaults = {key: value for key, value in mpl.rcParamsDefault.items() if not key.startswith("backend")}
    with mpl.rc_context(defaults | _RC):
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
    return Ribbon(face, shape.height_um.reshape(form), shape.sigma_um.reshape(form), caption, tuple(words), tuple(at))


def _figure(drawn: Sequence[Ribbon], view: Result, shown: Shown) -> Figure:
    """All ribbons under each other, to one scale along and one across."""
    high = TITLE_IN + sum(ribbon.inches for ribbon in drawn) + 0.3
    figure = Figure(figsize=(WIDTH_IN, high), facecolor=palette.PAPER)
    figure.text(LEFT_IN / WIDTH_IN, 1 - 0.3 / high, view.title, size=11, color=palette.INK, va="center")
    if not drawn:
        figure.text(LEFT_IN / WIDTH_IN, 1 - 0.55 / high, "No face was read yet.", color=palette.INK, va="center")
        return figure
    longest = max(ribbon.face.length_mm for ribbon in drawn)
    per_mm = (WIDTH_IN - LEFT_IN - RIGHT_IN) / longest  # inches of paper a mm of face
    reach_um, times = _scale(drawn, per_mm)
    pen = _Pen(figure, high)
    pen.text(WIDTH_IN - 0.25, high - 0.3, f"heights drawn {times:,.0f} times".replace(",", " "), ha="right")
    top = high - TITLE_IN
    for ribbon in drawn:
        pen.text(LEFT_IN, top - 0.06, ribbon.face.name, size=9.5, weight="bold")
        pen.text(LEFT_IN + 0.1 * len(ribbon.face.name) + 0.15, top - 0.06, ribbon.caption)
        wide, below = ribbon.face.length_mm * per_mm, top - LINE_IN - RIBBON_IN
        _draw_ribbon(pen.axes(below, wide, RIBBON_IN), ribbon, reach_um, shown)
        if ribbon.has_map:
            below -= MAP_IN + 0.14
            _draw_map(pen.axes(below, wide, MAP_IN), ribbon, shown)
        for i, (colour, line) in enumerate(ribbon.lines()):
            y = below - 0.3 - LINE_IN * i
            pen.bar(LEFT_IN - 0.13, y - 0.06, 0.05, 0.13, colour)
            pen.text(LEFT_IN, y, line, size=7.5)
        top -= ribbon.inches
    pen.text(LEFT_IN, 0.22, _legend(shown), size=6.5, color=palette.LOW)
    return figure


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
    """How many µm reach half way up a ribbon, and the exaggeration: the largest round one that shows all heights."""
    largest = max(float(np.nanmax(np.abs(ribbon.height_um))) for ribbon in drawn)
    usual = float(np.nanmedian(np.concatenate([ribbon.sigma_um.ravel() for ribbon in drawn])))
    wanted = max(largest + min(BAND * usual, largest), 0.2) * 1.12
    half_in = RIBBON_IN / 2
    most = half_in / (wanted / 1e3 * per_mm)
    power = 10.0 ** math.floor(math.log10(most))
    times = max(step * power for step in (1.0, 2.0, 5.0) if step * power <= most)
    return half_in / (times * per_mm) * 1e3, times


def _draw_ribbon(axes: Axes, ribbon: Ribbon, reach_um: float, shown: Shown) -> None:
    """The face from the side: metal below, what stands proud in blue and hatched, each line with its band."""
    _bare(axes)
    length = ribbon.face.length_mm
    axes.set_xlim(0, length)
    axes.set_ylim(-reach_um, reach_um)
    lines = ribbon.height_um.shape[1]
    ends, names = [], []
    for j in range(lines):
        read = np.isfinite(ribbon.height_um[:, j])
        x, h, u = ribbon.x_mm[read], ribbon.height_um[read, j], ribbon.sigma_um[read, j]
        if not len(x):
            continue
        axes.fill_between(x, -reach_um, h, color=palette.METAL, alpha=0.4 / lines, linewidth=0)
        if lines == 1:
            axes.fill_between(
                x,
                0,
                h,
                where=h > 0,
                interpolate=True,
                facecolor="none",
                hatch="////",
                edgecolor=palette.HIGH,
                alpha=0.5,
                linewidth=0,
            )
        axes.fill_between(x, h - BAND * u, h + BAND * u, color=palette.BAND, alpha=0.5 / lines**0.5, linewidth=0)
        axes.plot(x, h, color=palette.HIGH, linewidth=1.1, linestyle=_STYLES[j % len(_STYLES)], solid_joinstyle="round")
        axes.plot(x, h, ".", color=palette.HIGH, markersize=2.6)
        ends.append((float(x[-1]), float(h[-1])))
        names.append(_edge(ribbon.face.lines_mm[j], shown))
    if lines > 1:
        _name_lines(axes, ends, reach_um, names)
    axes.axhline(0, color=palette.THIN, linewidth=0.6, linestyle=(0, (1, 2)))
    axes.plot([length * 0.012], [-reach_um * 0.86], "o", markersize=3.2, color=palette.INK, clip_on=False)
    axes.text(length * 0.024, -reach_um * 0.86, "marked end", size=6.5, color=palette.INK, va="center")
    for x in ribbon.suspects_mm:
        axes.plot([x], [-reach_um * 0.86], "x", markersize=5, color=palette.SUSPECT, markeredgewidth=1.4)
    _height_scale(axes, reach_um, shown)
    _stations(axes, ribbon, reach_um, shown, labels=not ribbon.has_map)


def _bare(axes: Axes) -> None:
    axes.set_facecolor("none")
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(palette.THIN)
    axes.set_xticks([])
    axes.set_yticks([])


def _name_lines(axes: Axes, ends: Sequence[tuple[float, float]], reach_um: float, names: Sequence[str]) -> None:
    """The names of the lines at the right, each with its stroke, joined to the line's last reading."""
    apart = 0.3 * reach_um
    order = sorted(range(len(ends)), key=lambda j: ends[j][1])
    at = [ends[j][1] for j in order]
    for k in range(1, len(at)):  # never nearer than a line of text
        at[k] = max(at[k], at[k - 1] + apart)
    shift = max(0.0, at[-1] - 0.9 * reach_um)
    right = axes.get_xlim()[1]
    for k, j in enumerate(order):
        y, (x, h) = at[k] - shift, ends[j]
        axes.plot([x, right * 1.012], [h, y], color=palette.THIN, linewidth=0.5, clip_on=False)
        axes.plot(
            [right * 1.016, right * 1.05],
            [y, y],
            color=palette.HIGH,
            linewidth=1.1,
            linestyle=_STYLES[j % len(_STYLES)],
            clip_on=False,
        )
        axes.text(right * 1.058, y, names[j], size=7, color=palette.INK, va="center")


def _edge(y_mm: float, shown: Shown) -> str:
    name = "far" if y_mm > 0 else "near" if y_mm < 0 else "middle"
    return f"{name}, y {shown.lengths(y_mm)}"


def _height_scale(axes: Axes, reach_um: float, shown: Shown) -> None:
    """A bar of a round height at the left."""
    reach = convert(reach_um, "µm", shown.height)
    power = 10.0 ** math.floor(math.log10(reach))
    bar = max((s * power for s in (1.0, 2.0, 5.0) if s * power <= reach), default=reach)
    bar_um = convert(bar, shown.height, "µm")
    axes.plot(
        [-0.02, -0.02],
        [0, bar_um],
        transform=axes.get_yaxis_transform(),
        color=palette.INK,
        linewidth=1.0,
        clip_on=False,
    )
    for y in (0.0, bar_um):
        axes.plot(
            [-0.026, -0.014],
            [y, y],
            transform=axes.get_yaxis_transform(),
            color=palette.INK,
            linewidth=1.0,
            clip_on=False,
        )
    axes.text(
        -0.034,
        bar_um / 2,
        f"+{bar:g}\n{shown.height}",
        transform=axes.get_yaxis_transform(),
        size=7,
        color=palette.INK,
        ha="right",
        va="center",
    )


def _stations(axes: Axes, ribbon: Ribbon, reach_um: float, shown: Shown, labels: bool) -> None:
    """Ticks at the stations; the first and last, and some between, with their place."""
    for x in ribbon.x_mm:
        axes.plot([x, x], [-reach_um, -reach_um * 0.95], color=palette.THIN, linewidth=0.6)
    if labels:
        for x in _some(ribbon.x_mm):
            axes.text(x, -reach_um * 1.05, shown.lengths(x), size=6.5, color=palette.INK, ha="center", va="top")


def _some(x_mm: FloatArray, most: int = 13) -> FloatArray:
    step = math.ceil(len(x_mm) / most)
    return x_mm[::step]


def _draw_map(axes: Axes, ribbon: Ribbon, shown: Shown) -> None:
    """The face from above: far edge at the top, proud places blue and hatched, low ones grey, heights as numbers."""
    _bare(axes)
    face = ribbon.face
    axes.spines["bottom"].set_visible(False)
    half = face.width_mm / 2
    axes.set_xlim(0, face.length_mm)
    axes.set_ylim(-half, half)
    along, across = _edges(ribbon.x_mm, 0.0, face.length_mm), _edges(np.asarray(face.lines_mm), -half, half)
    largest = float(np.nanmax(np.abs(ribbon.height_um))) or 1.0
    numbers = len(ribbon.x_mm) <= MOST_NUMBERS and len(face.lines_mm) <= 3
    for i, j in np.ndindex(ribbon.height_um.shape):
        h, u = float(ribbon.height_um[i, j]), float(ribbon.sigma_um[i, j])
        corner, wide, high = (along[i], across[j]), along[i + 1] - along[i], across[j + 1] - across[j]
        if not math.isfinite(h):
            axes.add_patch(
                Rectangle(corner, wide, high, fill=False, edgecolor=palette.THIN, linewidth=0.4, linestyle=":")
            )
            continue
        share = abs(h) / largest
        colour = palette.HIGH if h > 0 else palette.LOW
        axes.add_patch(Rectangle(corner, wide, high, facecolor=colour, alpha=0.08 + 0.45 * share, linewidth=0))
        if h > u:  # likely proud: hatched, so that no colour is needed to see it
            axes.add_patch(
                Rectangle(corner, wide, high, fill=False, hatch="////", edgecolor=palette.HIGH, alpha=0.35, linewidth=0)
            )
        if numbers:
            axes.text(
                (along[i] + along[i + 1]) / 2,
                (across[j] + across[j + 1]) / 2,
                shown.heights(h, u, sign=True),
                size=6.5,
                color=palette.INK,
                ha="center",
                va="center",
                bbox={"boxstyle": "square,pad=0.12", "facecolor": palette.PAPER, "alpha": 0.75, "linewidth": 0},
            )
    axes.add_patch(
        Rectangle((0, -half), face.length_mm, face.width_mm, fill=False, edgecolor=palette.THIN, linewidth=0.7)
    )
    axes.text(-0.012, 0.93, "far edge", transform=axes.transAxes, size=6.5, color=palette.INK, ha="right", va="top")
    axes.text(-0.012, 0.07, "near edge", transform=axes.transAxes, size=6.5, color=palette.INK, ha="right", va="bottom")
    for x in _some(ribbon.x_mm):
        axes.text(x, -half - 0.05 * face.width_mm, shown.lengths(x), size=6.5, color=palette.INK, ha="center", va="top")


def _edges(at_mm: FloatArray, least: float, most: float) -> FloatArray:
    """Borders of the cells around places: half way between neighbours, the face's own edges outside."""
    return np.concatenate([[least], (at_mm[:-1] + at_mm[1:]) / 2, [most]])
