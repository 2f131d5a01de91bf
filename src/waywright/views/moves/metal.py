"""Metal to take, or to leave, in words."""

from __future__ import annotations

from waywright.core.evidence.findings import Verdict
from waywright.core.next.scraping import AtTheLimit, LetBe, NoMap, NoPass, Scrape, TakeTwist
from waywright.core.work.maps import ScrapingMap
from waywright.views.grounds import verdict_why
from waywright.views.moves.phrases import all_of, how_words, why_words
from waywright.views.numbers import Shown
from waywright.views.scrape_sheet import zone_words


@how_words.register
def _(move: Scrape, shown: Shown) -> str:
    return f"scrape {move.verdict.face}, {_passes(move.map, shown)}"


@why_words.register
def _(move: Scrape, shown: Shown) -> str:
    v = move.verdict
    value, limit = shown.about(v.value_um or 0.0, "µm"), f"{shown.limit(v.limit_um or 0.0)} {shown.height}"
    return f"its {v.measure} is {value} and the limit {limit}; nothing is taken where it is not surely proud"


@how_words.register
def _(move: NoPass, shown: Shown) -> str:
    value = shown.about(move.verdict.value_um or 0.0, "µm")
    return f"lap {all_of(move.faces)}, or ask for no less of it than {value}"


@why_words.register
def _(move: NoPass, shown: Shown) -> str:
    return f"its {move.verdict.measure} is outside, but no pass of this hand would surely leave less than there is"


@how_words.register
def _(move: TakeTwist, shown: Shown) -> str:
    ends = ("far", "near") if move.far_up else ("near", "far")
    corners = f"the {ends[0]} edge at the far end and the {ends[1]} edge at the marked end"
    depth = shown.about(move.corner_um, "µm")
    return f"take {all_of(move.faces)} down at two corners, {corners}: {depth} there, ever less towards the other two"


@why_words.register
def _(move: TakeTwist, shown: Shown) -> str:
    v = move.verdict
    within = None if v.interval_95_um is None else (v.interval_95_um[1] - v.interval_95_um[0]) / 2
    twist = shown.slope_text(abs(v.value_um or 0.0), within)
    return f"its twist is {twist} and the limit {shown.limit(v.limit_um or 0.0, slope=True)} {shown.slope}"


@how_words.register
def _(move: NoMap, shown: Shown) -> str:
    return f"correct {all_of(move.faces)} by its own numbers: no map is drawn for a limit of {move.verdict.side}"


@why_words.register
def _(move: NoMap, shown: Shown) -> str:
    return f"its {move.verdict.measure} is outside: {verdict_why(move.verdict)}"


@how_words.register
def _(move: AtTheLimit, shown: Shown) -> str:
    return f"take {all_of(move.faces)} a little further inside its limit: {_passes(move.map, shown)}"


@why_words.register
def _(move: AtTheLimit, shown: Shown) -> str:
    return f"{_near(move.verdict, shown)}; to prove it inside by readings alone would most likely take longer"


@how_words.register
def _(move: LetBe, shown: Shown) -> str:
    face = all_of(move.faces)
    instead = f"let {face} be as it is, or bring a finer instrument"
    if move.times is None:
        return f"{instead}: measuring more with these will hardly settle it"
    over = "once more" if move.times == 1 else f"{move.times} times over"
    return f"{instead}: with these, everything would have to be read {over} for an even chance to settle it"


@why_words.register
def _(move: LetBe, shown: Shown) -> str:
    return f"{_near(move.verdict, shown)}: too near it for these readings to tell inside from outside"


def _near(v: Verdict, shown: Shown) -> str:
    """ "its straightness is 4.4 ± 0.8 µm at a limit of 3.9 µm"."""
    twist = v.measure == "twist"
    low, high = v.interval_95_um or (0.0, 0.0)
    within = (high - low) / 2
    number, text = (shown.slopes, shown.slope_text) if twist else (shown.heights, shown.height_text)
    limit = f"{shown.limit(v.limit_um or 0.0, twist)} {shown.slope if twist else shown.height}"
    return f"its {v.measure} is {number(v.value_um, within)} ± {text(within, within)} at a limit of {limit}"


def _passes(found: ScrapingMap, shown: Shown) -> str:
    zones = "; ".join(zone_words(z, found.face.width_mm, shown) for z in found.zones)
    return f"passes of about {shown.about(found.hand.depth_um, 'µm')}: {zones}"
