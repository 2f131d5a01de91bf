"""A scraping map drawn as the face is chalked.

Drawn twice: face up, seen from above, and as the face lies turned over, rolled over its long edge: x runs the same way,
the near edge is then where the far one was. A square is told by its number and its hatch, never by colour alone.
"""

from __future__ import annotations

import io
import math
import textwrap
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from waywright.core.work.maps import ScrapingMap, WorkZone
from waywright.views import palette
from waywright.views.numbers import Shown, plural, shown_in
from waywright.views.picture import drawing
from waywright.views.scrape_sheet import scrape_sheet

WIDTH_IN, LEFT_IN, RIGHT_IN, LEAST_IN, MOST_IN = 9.0, 0.95, 0.35, 0.8, 3.0
_HATCHES = ("", "//", "xx", "xxx--", "xxxx||", "xxxx++")  # by passes; the last for all that are more


def scrape_map_svg(found: ScrapingMap, units: str = "mm") -> str:
    """The picture as the text of an SVG file; the same map gives the same bytes."""
    with drawing():
        figure, file = scrape_map_figure(found, units), io.StringIO()
        title = f"Scraping map of {found.face.name}"
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": "Waywright", "Title": title})
    return file.getvalue()


def scrape_map_figure(found: ScrapingMap, units: str = "mm") -> Figure:
    """Both maps, one above the other, with what the hatches mean under them."""
    shown = shown_in(units)
    face = found.face
    wide = WIDTH_IN - LEFT_IN - RIGHT_IN
    each = min(max(wide * face.width_mm / face.length_mm, LEAST_IN), MOST_IN)
    lead = textwrap.wrap(scrape_sheet(found, units).lead, 110)
    high = 0.62 + 0.18 * len(lead) + 2 * (each + 0.72) + 0.35
    with drawing():
        figure = Figure(figsize=(WIDTH_IN, high), facecolor=palette.PAPER)
        left, top = LEFT_IN / WIDTH_IN, high - 0.28
        figure.text(left, top / high, f"Scraping map: {face.name}", size=11, color=palette.INK, va="center")
        for i, line in enumerate(lead):
            figure.text(left, (top - 0.26 - 0.18 * i) / high, line, size=8, color=palette.INK, va="center")
        top -= 0.26 + 0.18 * len(lead)
        for turned in (False, True):
            top -= each + 0.36
            axes = figure.add_axes((left, top / high, wide / WIDTH_IN, each / high))
            _draw(axes, found, shown, turned=turned)
            top -= 0.36
        _legend(figure, found, high, shown)
    return figure


def _draw(axes: Axes, found: ScrapingMap, shown: Shown, *, turned: bool) -> None:
    """One map. Turned over, + y is drawn downwards."""
    face, half = found.face, found.face.width_mm / 2
    axes.set_xlim(0, face.length_mm)
    axes.set_ylim(*((half, -half) if turned else (-half, half)))
    axes.set_facecolor(palette.METAL + "30")
    _rule(axes, found)
    for zone in found.zones:
        _zone(axes, zone)
    _borders(axes, found)
    for band, column in np.argwhere(~found.read):
        x, y = found.x_mm[column : column + 2], found.y_mm[band : band + 2]
        box = Rectangle((x[0], y[0]), float(np.ptp(x)), float(np.ptp(y)))
        box.set(fill=False, hatch="...", edgecolor=palette.THIN, linewidth=0.4)
        axes.add_patch(box)
    _name_sides(axes, found, shown, turned=turned)


def _rule(axes: Axes, found: ScrapingMap) -> None:
    """Pencil lines."""
    ends = -found.face.width_mm / 2, found.face.width_mm / 2
    for x in found.x_mm[1:-1]:
        axes.plot([x, x], ends, color=palette.THIN, linewidth=0.4)
    for y in found.y_mm[1:-1]:
        axes.plot([0, found.face.length_mm], [y, y], color=palette.THIN, linewidth=0.4)
    for spine in axes.spines.values():
        spine.set(color=palette.INK, linewidth=0.8)


def _zone(axes: Axes, zone: WorkZone) -> None:
    wide, high = zone.to_mm - zone.from_mm, zone.y_to_mm - zone.y_from_mm
    box = Rectangle((zone.from_mm, zone.y_from_mm), wide, high)
    box.set(facecolor=_tint(zone.passes), edgecolor=palette.HIGH, linewidth=0.0, hatch=_hatch(zone.passes))
    axes.add_patch(box)
    axes.text(
        zone.from_mm + wide / 2,
        zone.y_from_mm + high / 2,
        str(zone.passes),
        size=8,
        weight="bold",
        color=palette.INK,
        ha="center",
        va="center",
        bbox={"boxstyle": "round,pad=0.16", "facecolor": palette.PAPER, "edgecolor": "none"},
    )


def _borders(axes: Axes, found: ScrapingMap) -> None:
    """A line wherever the number of passes changes."""
    line: dict[str, Any] = {"color": palette.HIGH, "linewidth": 1.1, "solid_capstyle": "butt"}
    for band, column in np.argwhere(np.diff(found.passes, axis=1)):
        x = float(found.x_mm[column + 1])
        axes.plot([x, x], found.y_mm[band : band + 2], **line)
    for band, column in np.argwhere(np.diff(found.passes, axis=0)):
        y = float(found.y_mm[band + 1])
        axes.plot(found.x_mm[column : column + 2], [y, y], **line)


def _hatch(passes: int) -> str:
    return _HATCHES[min(passes, len(_HATCHES) - 1)]


def _tint(passes: int) -> tuple[float, float, float]:
    """Paper, and more of the blue the more passes."""
    share = min(0.07 * passes, 0.35)
    blue, paper = (tuple(int(c[i : i + 2], 16) / 255 for i in (1, 3, 5)) for c in (palette.HIGH, palette.PAPER))
    red, green, last = (share * b + (1 - share) * p for b, p in zip(blue, paper, strict=True))
    return red, green, last


def _name_sides(axes: Axes, found: ScrapingMap, shown: Shown, *, turned: bool) -> None:
    face = found.face
    title = "Turned over, rolled over its long edge" if turned else "Face up, seen from above"
    axes.set_title(title, size=8.5, loc="left", color=palette.INK, pad=5)
    upper, lower = ("near edge", "far edge") if turned else ("far edge", "near edge")
    style: dict[str, Any] = {"transform": axes.transAxes, "size": 7, "color": palette.INK, "ha": "right"}
    axes.text(-0.012, 1.0, upper, va="top", **style)
    axes.text(-0.012, 0.0, lower, va="bottom", **style)
    axes.text(-0.026, 0.5, "marked end", va="center", **style)
    axes.plot([-0.016], [0.5], "o", transform=axes.transAxes, markersize=3.6, color=palette.INK, clip_on=False)
    axes.set_yticks([])
    every = max(1, math.ceil(len(found.x_mm) / 14))
    at = [*found.x_mm[:-1:every].tolist(), face.length_mm]
    if len(at) > 2 and at[-1] - at[-2] < 0.6 * (at[1] - at[0]):
        del at[-2]
    axes.set_xticks(at, [shown.lengths(x) for x in at])
    axes.set_xticks(found.x_mm, minor=True)
    axes.tick_params(axis="x", length=3, labelsize=7, colors=palette.INK, width=0.5, labelcolor=palette.INK)
    axes.tick_params(axis="x", which="minor", length=2, width=0.4, colors=palette.THIN)


def _legend(figure: Figure, found: ScrapingMap, high: float, shown: Shown) -> None:
    """A patch for each number of passes, and for what is not read."""
    kinds = [(plural(n, "pass", "passes"), n) for n in sorted({zone.passes for zone in found.zones})]
    if not found.read.all():
        kinds.append(("not read: leave it", -1))
    x = LEFT_IN
    for words, passes in kinds:
        box = Rectangle((x / WIDTH_IN, 0.16 / high), 0.3 / WIDTH_IN, 0.17 / high)
        if passes > 0:
            box.set(facecolor=_tint(passes), edgecolor=palette.HIGH, linewidth=0.6, hatch=_hatch(passes))
        else:
            box.set(fill=False, edgecolor=palette.THIN, linewidth=0.6, hatch="...")
        figure.add_artist(box)
        figure.text((x + 0.38) / WIDTH_IN, 0.245 / high, words, size=7, color=palette.INK, va="center")
        x += 0.62 + 0.07 * len(words)
    end = f"places from the marked end, {shown.length}"
    figure.text(1 - RIGHT_IN / WIDTH_IN, 0.245 / high, end, size=6.5, color=palette.LOW, ha="right", va="center")
