"""What is drawn of one face: from the side as a ribbon, from above as a map, or only its outline."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from waywright.core.evidence.things import Face, FloatArray
from waywright.units import convert
from waywright.views import palette
from waywright.views.numbers import Shown
from waywright.views.result import BAND

MOST_NUMBERS = 14  # stations whose heights still fit into the map
MOST_LINES = 5  # lines that can still be told apart from the side; more are drawn from above only
ROW_IN = 0.17  # of the map: as high as a height needs to stand in it
_STYLES = ("-", (0, (6, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)), (0, (3, 3)))


@dataclass(frozen=True)
class Ribbon:
    """One face to draw: (stations, lines) heights in µm about its plane, NaN where nothing was read.

    `known` is False while the readings do not tell its shape: then there is nothing to draw but the face.
    """

    face: Face
    height_um: FloatArray
    sigma_um: FloatArray
    caption: str
    words: tuple[tuple[str, str], ...]  # a colour and a sentence each
    suspects_mm: tuple[float, ...]
    known: bool = True

    @property
    def x_mm(self) -> FloatArray:
        """(stations,) mm from the marked end."""
        return np.asarray(self.face.stations_mm, float)

    @property
    def has_map(self) -> bool:
        """Whether it has width, and something to show there from above."""
        return self.known and len(self.face.lines_mm) > 1

    @property
    def has_side(self) -> bool:
        """Whether its lines are few enough to be drawn from the side."""
        return len(self.face.lines_mm) <= MOST_LINES


def draw_ribbon(axes: Axes, ribbon: Ribbon, reach_um: float, shown: Shown) -> None:
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
    mark_end(axes, -reach_um * 0.86)
    for at in ribbon.suspects_mm:
        axes.plot([at], [-reach_um * 0.86], "x", markersize=5, color=palette.SUSPECT, markeredgewidth=1.4)
    _height_scale(axes, reach_um, shown)
    _stations(axes, ribbon, reach_um, shown, labels=not ribbon.has_map)


def draw_unknown(axes: Axes, ribbon: Ribbon, shown: Shown) -> None:
    """A face whose shape nothing tells yet: its outline, and that in words."""
    _bare(axes)
    axes.set_xlim(0, ribbon.face.length_mm)
    axes.set_ylim(-1, 1)
    axes.add_patch(
        Rectangle((0, -1), ribbon.face.length_mm, 1.6, fill=False, hatch="..", edgecolor=palette.THIN, clip_on=False)
    )
    mark_end(axes, -0.62)
    words = {"facecolor": palette.PAPER, "edgecolor": "none", "boxstyle": "square,pad=0.3"}
    axes.text(
        ribbon.face.length_mm / 2,
        -0.2,
        "not known yet",
        size=7.5,
        color=palette.INK,
        ha="center",
        va="center",
        bbox=words,
    )
    _stations(axes, ribbon, 1.0, shown, labels=True)


def mark_end(axes: Axes, y: float) -> None:
    """A punch mark at the left end, and what it is."""
    inch = _inch_mm(axes)
    axes.plot([0.09 * inch], [y], "o", markersize=3.2, color=palette.INK, clip_on=False)
    paper = {"facecolor": palette.PAPER, "edgecolor": "none", "alpha": 0.7, "boxstyle": "square,pad=0.1"}
    axes.text(0.17 * inch, y, "marked end", size=6.5, color=palette.INK, va="center", bbox=paper)


def _inch_mm(axes: Axes) -> float:
    """How many mm of face one inch of paper shows."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    return float(axes.get_xlim()[1]) / (float(axes.get_position().width) * float(figure.get_figwidth()))


def _high_in(axes: Axes) -> float:
    """How high it stands on paper, in inches."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    return float(axes.get_position().height) * float(figure.get_figheight())


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
    inch, right = _inch_mm(axes), axes.get_xlim()[1]
    for k, j in enumerate(order):
        y, (x, h) = at[k] - shift, ends[j]
        axes.plot([x, right + 0.08 * inch], [h, y], color=palette.THIN, linewidth=0.5, clip_on=False)
        stroke = [right + 0.1 * inch, right + 0.36 * inch]
        axes.plot(stroke, [y, y], color=palette.HIGH, linewidth=1.1, linestyle=_STYLES[j % len(_STYLES)], clip_on=False)
        axes.text(right + 0.42 * inch, y, names[j], size=7, color=palette.INK, va="center")


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


def draw_map(axes: Axes, ribbon: Ribbon, shown: Shown) -> None:
    """The face from above: far edge at the top, proud places blue and hatched, low ones grey, heights as numbers."""
    _bare(axes)
    face = ribbon.face
    axes.spines["bottom"].set_visible(False)
    half = face.width_mm / 2
    axes.set_xlim(0, face.length_mm)
    axes.set_ylim(-half, half)
    along, across = _edges(ribbon.x_mm, 0.0, face.length_mm), _edges(np.asarray(face.lines_mm), -half, half)
    largest = float(np.nanmax(np.abs(ribbon.height_um))) or 1.0
    usual = BAND * float(np.nanmedian(ribbon.sigma_um))
    lowest_in = _high_in(axes) * float(np.diff(across).min()) / face.width_mm
    numbers = len(ribbon.x_mm) <= MOST_NUMBERS and lowest_in >= ROW_IN
    for i, j in np.ndindex(ribbon.height_um.shape):
        h, u = float(ribbon.height_um[i, j]), float(ribbon.sigma_um[i, j])
        corner = (float(along[i]), float(across[j]))
        wide, high = float(along[i + 1]) - corner[0], float(across[j + 1]) - corner[1]
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
                shown.heights(h, usual, sign=True),
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
    if not ribbon.has_side:
        axes.text(
            -0.012, 0.5, "● marked\nend", transform=axes.transAxes, size=6.5, color=palette.INK, ha="right", va="center"
        )
        for y in face.lines_mm:
            axes.text(1.012 * face.length_mm, y, f"y {shown.lengths(y)}", size=6.5, color=palette.INK, va="center")
    below = -half - 0.03 * face.width_mm / _high_in(axes)
    for x in _some(ribbon.x_mm):
        axes.text(x, below, shown.lengths(x), size=6.5, color=palette.INK, ha="center", va="top")


def _edges(at_mm: FloatArray, least: float, most: float) -> FloatArray:
    """Borders of the cells around places: half way between neighbours, the face's own edges outside."""
    return np.concatenate([[least], (at_mm[:-1] + at_mm[1:]) / 2, [most]])
