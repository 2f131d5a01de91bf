"""The strokes of a face in a picture: from the side as a ribbon, from above as a map, or only its outline.

What is drawn stands in a `Ribbon`; here is only how.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from waywright.core.evidence.things import FloatArray
from waywright.views import palette
from waywright.views.numbers import Shown
from waywright.views.ribbon import Cell, Line, Ribbon, borders, scale_bar, some
from waywright.views.tables import line_place

ROW_IN = 0.17  # of the map: as high as a height needs to stand in it
MOST_NAMED = 13  # stations with their place written under them
_STYLES = ("-", (0, (6, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)), (0, (3, 3)))


def draw_ribbon(axes: Axes, ribbon: Ribbon, reach_um: float) -> None:
    """The face from the side: metal below, what stands proud in blue and hatched, each line with its band."""
    _bare(axes)
    axes.set_xlim(0, ribbon.face.length_mm)
    axes.set_ylim(-reach_um, reach_um)
    many = len(ribbon.face.lines_mm)
    for line in ribbon.lines:
        x, h, band = line.x_mm, line.height_um, line.band_um
        axes.fill_between(x, -reach_um, h, color=palette.METAL, alpha=0.4 / many, linewidth=0)
        if ribbon.hatched:
            _hatch(axes, x, h)
        axes.fill_between(x, h - band, h + band, color=palette.BAND, alpha=0.5 / many**0.5, linewidth=0)
        style = _STYLES[line.stroke]
        axes.plot(x, h, color=palette.HIGH, linewidth=1.1, linestyle=style, solid_joinstyle="round")
        axes.plot(x, h, ".", color=palette.HIGH, markersize=2.6)
    if many > 1:
        _name_lines(axes, ribbon.lines, reach_um)
    axes.axhline(0, color=palette.THIN, linewidth=0.6, linestyle=(0, (1, 2)))
    mark_end(axes, -reach_um * 0.86)
    for at in ribbon.suspects_mm:
        axes.plot([at], [-reach_um * 0.86], "x", markersize=5, color=palette.SUSPECT, markeredgewidth=1.4)
    _height_scale(axes, reach_um, ribbon.shown)
    _stations(axes, ribbon, reach_um, named=not ribbon.cells)


def draw_unknown(axes: Axes, ribbon: Ribbon) -> None:
    """A face whose shape nothing tells yet: its outline, and that in words."""
    _bare(axes)
    length = ribbon.face.length_mm
    axes.set_xlim(0, length)
    axes.set_ylim(-1, 1)
    axes.add_patch(Rectangle((0, -1), length, 1.6, fill=False, hatch="..", edgecolor=palette.THIN, clip_on=False))
    mark_end(axes, -0.62)
    plate: dict[str, Any] = {"facecolor": palette.PAPER, "edgecolor": "none", "boxstyle": "square,pad=0.3"}
    style: dict[str, Any] = {"size": 7.5, "color": palette.INK, "ha": "center", "va": "center"}
    axes.text(length / 2, -0.2, "not known yet", bbox=plate, **style)
    _stations(axes, ribbon, 1.0, named=True)


def draw_map(axes: Axes, ribbon: Ribbon) -> None:
    """The face from above: far edge at the top, proud places blue and hatched, low ones grey, heights as numbers."""
    _bare(axes)
    face, half = ribbon.face, ribbon.face.width_mm / 2
    axes.spines["bottom"].set_visible(False)
    axes.set_xlim(0, face.length_mm)
    axes.set_ylim(-half, half)
    lowest_in = _high_in(axes) * float(np.diff(borders(face.lines_mm, -half, half)).min()) / face.width_mm
    numbers = ribbon.numbered and lowest_in >= ROW_IN
    for cell in ribbon.cells:
        _cell(axes, cell, numbers)
    axes.add_patch(
        Rectangle((0, -half), face.length_mm, face.width_mm, fill=False, edgecolor=palette.THIN, linewidth=0.7)
    )
    outside: dict[str, Any] = {"transform": axes.transAxes, "size": 6.5, "color": palette.INK, "ha": "right"}
    axes.text(-0.012, 0.93, "far edge", va="top", **outside)
    axes.text(-0.012, 0.07, "near edge", va="bottom", **outside)
    if not ribbon.has_side:
        axes.text(-0.012, 0.5, "● marked\nend", va="center", **outside)
        for y in face.lines_mm:
            name = line_place(y, ribbon.shown)
            axes.text(1.012 * face.length_mm, y, name, size=6.5, color=palette.INK, va="center")
    below = -half - 0.03 * face.width_mm / _high_in(axes)
    for x, words in some(ribbon.stations, MOST_NAMED):
        axes.text(x, below, words, size=6.5, color=palette.INK, ha="center", va="top")


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


def _hatch(axes: Axes, x: FloatArray, h: FloatArray) -> None:
    """What stands over the plane."""
    style: dict[str, Any] = {
        "facecolor": "none",
        "hatch": "////",
        "edgecolor": palette.HIGH,
        "alpha": 0.5,
        "linewidth": 0,
    }
    axes.fill_between(x, 0, h, where=h > 0, interpolate=True, **style)


def _name_lines(axes: Axes, lines: Sequence[Line], reach_um: float) -> None:
    """The names of the lines at the right, each with its stroke, joined to the line's last reading."""
    apart = 0.3 * reach_um
    order = sorted(lines, key=lambda line: float(line.height_um[-1]))
    at = [float(line.height_um[-1]) for line in order]
    for k in range(1, len(at)):  # never nearer than a line of text
        at[k] = max(at[k], at[k - 1] + apart)
    shift = max(0.0, at[-1] - 0.9 * reach_um)
    inch, right = _inch_mm(axes), axes.get_xlim()[1]
    for y, line in zip((y - shift for y in at), order, strict=True):
        x, h = float(line.x_mm[-1]), float(line.height_um[-1])
        axes.plot([x, right + 0.08 * inch], [h, y], color=palette.THIN, linewidth=0.5, clip_on=False)
        stroke, style = [right + 0.1 * inch, right + 0.36 * inch], _STYLES[line.stroke]
        axes.plot(stroke, [y, y], color=palette.HIGH, linewidth=1.1, linestyle=style, clip_on=False)
        axes.text(right + 0.42 * inch, y, line.name, size=7, color=palette.INK, va="center")


def _height_scale(axes: Axes, reach_um: float, shown: Shown) -> None:
    """A bar of a round height at the left."""
    bar_um, words = scale_bar(reach_um, shown)
    across = axes.get_yaxis_transform()
    pen: dict[str, Any] = {"transform": across, "color": palette.INK, "linewidth": 1.0, "clip_on": False}
    axes.plot([-0.02, -0.02], [0, bar_um], **pen)
    for y in (0.0, bar_um):
        axes.plot([-0.026, -0.014], [y, y], **pen)
    style: dict[str, Any] = {"size": 7, "color": palette.INK, "ha": "right", "va": "center"}
    axes.text(-0.034, bar_um / 2, words.replace(" ", "\n"), transform=across, **style)


def _stations(axes: Axes, ribbon: Ribbon, reach_um: float, named: bool) -> None:
    """Ticks at the stations; the first and some after it with their place."""
    for x, _ in ribbon.stations:
        axes.plot([x, x], [-reach_um, -reach_um * 0.95], color=palette.THIN, linewidth=0.6)
    for x, words in some(ribbon.stations, MOST_NAMED) if named else ():
        axes.text(x, -reach_um * 1.05, words, size=6.5, color=palette.INK, ha="center", va="top")


def _cell(axes: Axes, cell: Cell, number: bool) -> None:
    """One place of the map; hatched where it is proud, so that no colour is needed to see it."""
    (left, right), (low, high) = cell.x_mm, cell.y_mm
    place = (left, low), right - left, high - low
    if cell.kind == "unread":
        axes.add_patch(Rectangle(*place, fill=False, edgecolor=palette.THIN, linewidth=0.4, linestyle=":"))
        return
    colour = palette.LOW if cell.kind == "low" else palette.HIGH
    axes.add_patch(Rectangle(*place, facecolor=colour, alpha=0.08 + 0.45 * cell.share, linewidth=0))
    if cell.kind == "proud":
        hatch: dict[str, Any] = {"hatch": "////", "edgecolor": palette.HIGH, "alpha": 0.35, "linewidth": 0}
        axes.add_patch(Rectangle(*place, fill=False, **hatch))
    if number:
        plate: dict[str, Any] = {
            "boxstyle": "square,pad=0.12",
            "facecolor": palette.PAPER,
            "alpha": 0.75,
            "linewidth": 0,
        }
        style: dict[str, Any] = {"size": 6.5, "color": palette.INK, "ha": "center", "va": "center"}
        axes.text((left + right) / 2, (low + high) / 2, cell.number, bbox=plate, **style)
