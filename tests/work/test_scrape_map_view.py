"""The scraping map for a person: words and picture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.patches import Rectangle

from tests.work.faces import Drawn, about, even, face
from tests.work.test_scraping import bowed, mapped
from waywright.core.evidence.things import Hand
from waywright.core.judge.limits import Limit
from waywright.core.work.maps import ScrapingMap, Width, WorkZone
from waywright.core.work.scraping import scraping_map
from waywright.views.cautions import SCRAPING
from waywright.views.numbers import shown_in
from waywright.views.scrape_map import scrape_map_figure, scrape_map_svg
from waywright.views.scrape_sheet import scrape_sheet, zone_words


def crooked() -> ScrapingMap:
    """A face bowed and twisted, one node of it not read: zones of every width."""
    one = face(lines_mm=(-14.0, 14.0))
    s = 2 * one.x_mm / 600.0 - 1
    height = even(one.x_mm, one.y_mm, -9.0 * s**2 + 4.0 * s * one.y_mm / 14.0)
    height[6] = np.nan
    draws = about(one.x_mm, one.y_mm, np.nan_to_num(height), 0.3, 1)
    return scraping_map(one, one.x_mm, one.y_mm, height, draws)


@pytest.mark.parametrize(
    ("width", "sides", "words"),
    [
        ("whole", (-20.0, 20.0), "from 150 to 225 mm: 2 passes"),
        ("far", (0.0, 20.0), "from 150 to 225 mm, far half: 2 passes"),
        ("near", (-20.0, 0.0), "from 150 to 225 mm, near half: 2 passes"),
        ("strip", (-10.0, 0.0), "from 150 to 225 mm, 10 to 20 mm from the near edge (y −10 to 0): 2 passes"),
    ],
)
def test_a_zone_in_words(width: Width, sides: tuple[float, float], words: str) -> None:
    """From-to, the part of the width, passes."""
    zone = WorkZone(150.0, 225.0, *sides, width, 2, 0.01)
    assert zone_words(zone, 40.0, shown_in("mm")) == words
    assert zone_words(replace(zone, passes=1), 40.0, shown_in("mm")).endswith(": 1 pass")


def test_a_zone_in_inches() -> None:
    """On an inch grid the words are in whole inches."""
    zone = WorkZone(25.4, 127.0, -20.0, 20.0, "whole", 1, 0.01)
    assert zone_words(zone, 40.0, shown_in("inch")) == "from 1 to 5 in: 1 pass"


def test_the_sheet_says_where_in_which_order_and_what_to_expect() -> None:
    """Each zone once, one line a going-over with its lean, the outcome with its chance, and the caution."""
    found = mapped(bowed(12.0), limit=Limit(8.0))
    sheet = scrape_sheet(found)
    assert sheet.lead.startswith(f"Scrape P: {len(found.zones)} zones, at most {found.most} passes of 3 µm.")
    assert len(sheet.zones) == len(found.zones)
    assert sheet.strokes[0] == f"first: the zones marked {found.most}, strokes at 45° leaning right /"
    assert sheet.strokes[1].endswith("leaning left \\")
    assert "all zones" in sheet.strokes[-1]
    assert sheet.expect[0].startswith("Straightness 12.1 µm now, about ")
    assert any("Inside its limit then with a chance of" in line for line in sheet.expect)
    assert sheet.caution == SCRAPING
    assert "push from the hip" in SCRAPING


def test_a_finished_face_gets_a_sentence_and_no_more() -> None:
    """Nothing to take: why, and nothing to do."""
    sheet = scrape_sheet(mapped(bowed(3.0), limit=Limit(6.0)))
    assert sheet.lead == "Take nothing from P: it is inside with a chance of more than 99 %; 95 % is asked for."
    assert sheet.zones == sheet.strokes == sheet.expect == ()
    assert sheet.caution == ""


def test_a_lighter_pass_is_named() -> None:
    """Where this hand is too heavy the depth that would help stands in the sentence."""
    found = mapped(bowed(5.0, 0.1), hand=Hand(6.0))
    assert f"Passes of about {found.lighter_um:g} µm would still help." in scrape_sheet(found).lead


def test_the_same_map_gives_the_same_bytes() -> None:
    """Two drawings of one map are one file."""
    found = crooked()
    assert scrape_map_svg(found) == scrape_map_svg(found)
    assert scrape_map_svg(found).startswith("<?xml")


def test_both_maps_name_their_edges_and_number_every_zone() -> None:
    """Face up and turned over: every zone has its number and its hatch; turned over the edges change places."""
    found = crooked()
    figure = scrape_map_figure(found)
    up, over = figure.axes
    for axes in (up, over):
        words = [text.get_text() for text in axes.texts]
        assert {"far edge", "near edge", "marked end"} <= set(words)
        assert sorted(w for w in words if w.isdigit()) == sorted(str(zone.passes) for zone in found.zones)
        zones = [p for p in axes.patches if isinstance(p, Rectangle) and p.get_fill()]
        assert len(zones) == len(found.zones)
        assert all(zone.get_hatch() for zone in zones)
    heights = (
        {t.get_text(): t.get_position()[1] for t in up.texts},
        {t.get_text(): t.get_position()[1] for t in over.texts},
    )
    assert heights[0]["far edge"] > heights[0]["near edge"]
    assert heights[1]["far edge"] < heights[1]["near edge"]
    assert up.get_ylim() == over.get_ylim()[::-1]
    assert up.get_xlim() == over.get_xlim()


def test_each_number_of_passes_has_its_own_hatch() -> None:
    """1 to 4 passes can be told apart without colour and without reading the numbers."""
    one = face(lines_mm=(-14.0, 14.0))
    height = 12.0 * (2 * one.x_mm / 600.0 - 1) * one.y_mm / 14.0
    found = mapped(Drawn(one, height, about(one.x_mm, one.y_mm, height, 0.2, 1)))
    assert {zone.passes for zone in found.zones} >= {1, 2, 3, 4}
    axes = scrape_map_figure(found).axes[0]
    hatches = {}
    for zone, patch in zip(found.zones, (p for p in axes.patches if p.get_fill()), strict=True):
        hatches.setdefault(zone.passes, set()).add(patch.get_hatch())
    assert all(len(kinds) == 1 for kinds in hatches.values())
    assert len({hatch for kinds in hatches.values() for hatch in kinds}) == len(hatches)


def test_what_is_not_read_is_marked_to_be_left() -> None:
    """Squares that no reading speaks of are dotted and named in the legend."""
    found = crooked()
    assert not found.read.all()
    figure = scrape_map_figure(found)
    assert any(text.get_text() == "not read: leave it" for text in figure.texts)
    dotted = [p for p in figure.axes[0].patches if p.get_hatch() == "..."]
    assert len(dotted) == int((~found.read).sum())
