"""A scraping map in words: where, how often and to which hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

from waywright.core.work.maps import ScrapingMap, Stroke, WorkZone
from waywright.views.cautions import SCRAPING
from waywright.views.grounds import chance_why
from waywright.views.numbers import Shown, duration, percent, plural, sentence, shown_in

_SIGN = {"right": "/", "left": "\\"}
PROMISES = {
    "inside": "this brings the face inside its limit, with the least metal",
    "likely inside": "this most likely brings the face inside its limit; read it again after it",
    "as flat as it gets": "no goal was given: this leaves the face as flat as this hand can in one round",
    "goal": "this brings the likeliest shape to the goal, with the least metal; read it again after it",
    "on the way": "the goal is not reached in one round: this is the most useful one; read the face again after it",
}
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
        f"of {_depth(found.hand.depth_um, shown)}. {sentence(PROMISES[found.promise])}"
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
        across = f"y {shown.lengths(zone.y_from_mm)} to {shown.lengths(zone.y_to_mm)}"
        where += f", {shown.lengths(near)} to {shown.length_text(far)} from the near edge ({across})"
    elif zone.width != "whole":
        where += f", {zone.width} half"
    return f"{where}: {plural(zone.passes, 'pass', 'passes')}"


def untouched_words(found: ScrapingMap) -> str:
    """Why a map takes nothing, as a phrase."""
    if found.outcome == "inside":
        return chance_why(found.chance_inside or 0.0, found.level)
    if found.outcome == "near":
        return "most likely it is as good as it is to be: measure more to be sure, rather than take metal"
    if found.outcome == "unread":
        return "too few stations beside each other are read: read them first"
    if found.outcome == "coarse" and found.lighter_um is not None:
        return "a full pass of this hand would not surely leave less than there is: take lighter ones"
    if found.outcome == "coarse":
        return "no pass, however light, would surely leave less than there is: measure more, or rub"
    if found.unseen:
        return "nothing is surely proud: no reading so far sees the whole shape; measure what is not seen first"
    return "nothing is surely proud: the heights are not known well enough for a pass of this depth; measure more first"


def _nothing(found: ScrapingMap, shown: Shown) -> str:
    lead = f"Take nothing from {found.face.name}: {untouched_words(found)}."
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
