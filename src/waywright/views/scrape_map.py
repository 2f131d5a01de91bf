"""A scraping map for a person: where, how often and to which hand in words, and drawn as the face is chalked.

Drawn twice: face up, seen from above, and as the face lies turned over, rolled over its long edge: x runs the same way,
the near edge is then where the far one was. A square is told by its number and its hatch, never by colour alone.
"""

from __future__ import annotations

import io
import math
import textwrap
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from waywright.core.work.maps import ScrapingMap, Stroke, WorkZone
from waywright.views import palette
from waywright.views.cautions import SCRAPING
from waywright.views.moves import sentence
from waywright.views.numbers import Shown, duration, percent, plural, shown_in
from waywright.views.picture import drawing

WIDTH_IN, LEFT_IN, RIGHT_IN, LEAST_IN, MOST_IN = 9.0, 0.95, 0.35, 0.8, 3.0
_HATCHES = ("", "//", "xx", "xxx--", "xxxx||", "xxxx++")  # by passes; the last for all that are more
_SIGN = {"right": "/", "left": "\\"}
_ORDER = ("first", "second", "third", "fourth", "fifth", "sixth")


@dataclass(frozen=True)
class ScrapeSheet:
    """What a person reads before they take the scraper; all of it empty but `lead` where nothing is to be taken."""

    face: str
    lead: str
    zones: tuple[str, ...]
    strokes: tuple[str, ...]
    expect: tuple[str, ...]
    caution: str


def scrape_sheet(found: ScrapingMap, units: str = "mm") -> ScrapeSheet:
    """The words of a scraping map, rounded once."""
    shown = shown_in(units)
    if found.outcome != "scrape":
        return ScrapeSheet(found.face.name, _nothing(found, shown), (), (), (), "")
    lead = (
        f"Scrape {found.face.name}: {plural(len(found.zones), 'zone')}, at most {plural(found.most, 'pass', 'passes')} "
        f"of {_depth(found.hand.depth_um, shown)}. {sentence(found.reason)}"
    )
    return ScrapeSheet(
        found.face.name,
        lead,
        tuple(zone_words(zone, found.face.width_mm, shown) for zone in found.zones),
        tuple(_stroke(stroke, found.most) for stroke in found.strokes),
        tuple(_expect(found, shown)),
        SCRAPING,
    )


def zone_words(zone: WorkZone, width_mm: float, shown: Shown) -> str:
    """ "from 150 to 225 mm, far half: 2 passes"; a strip by how far from the near edge it lies."""
    where = f"from {shown.lengths(zone.from_mm)} to {shown.length_text(zone.to_mm)}"
    if zone.width == "strip":
        near, far = zone.y_from_mm + width_mm / 2, zone.y_to_mm + width_mm / 2
        where += f", {shown.lengths(near)} to {shown.length_text(far)} from the near edge"
    elif zone.width != "whole":
        where += f", {zone.width} half"
    return f"{where}: {plural(zone.passes, 'pass', 'passes')}"


def _nothing(found: ScrapingMap, shown: Shown) -> str:
    lead = f"Take nothing from {found.face.name}: {found.reason.removeprefix('nothing is to be taken: ')}."
    if found.lighter_um is not None:
        lead += f" Passes of about {_depth(found.lighter_um, shown)} would still help."
    return lead


def _stroke(stroke: Stroke, most: int) -> str:
    """ "first: the zones marked 3, strokes at 45° leaning right /"."""
    order = _ORDER[stroke.number - 1] if stroke.number <= len(_ORDER) else f"number {stroke.number}"
    least = most - stroke.number + 1
    zones = "all zones" if least == 1 else f"the zones marked {least}{' or more' if stroke.number > 1 else ''}"
    return f"{order}: {zones}, strokes at 45° leaning {stroke.lean} {_SIGN[stroke.lean]}"


def _expect(found: ScrapingMap, shown: Shown) -> list[str]:
    low, high = found.after_95_um or (math.nan, math.nan)
    within = (high - low) / 2
    now, then = (shown.height_text(zone, within) for zone in (found.before_um, found.after_um))
    band = f"{shown.heights(low, within)} to {shown.heights(high, within)}"
    words = [f"{found.measure.capitalize()} {now} now, about {then} after it ({band})."]
    if found.chance_inside is not None:
        words.append(f"Inside its limit then with a chance of {percent(found.chance_inside)}.")
    if found.wrong_side is not None:
        words.append(
            f"The middle is then on the side that is not allowed with a chance of {percent(found.wrong_side)}."
        )
    words.append(f"Some {found.metal_g:.2g} g of iron, about {duration(found.minutes)}.")
    words.append(
        f"Below the target, one pass under the lowest place: nowhere with a chance above {_bound(found.chance_below)}."
    )
    return words


def _depth(depth_um: float, shown: Shown) -> str:
    return f"{shown.limit(depth_um)} {shown.height}"


def _bound(chance: float) -> str:
    """A chance rounded up to a whole per cent."""
    return f"{max(1, math.ceil(100 * chance - 1e-9))} %"


# -- the picture


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
