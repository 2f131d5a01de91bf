"""What is drawn of a face: the same on a page as in a picture, and nothing that the readings do not tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.test_views import BAR, EDGE, PLATE, made, shape, texts
from waywright.core.evidence.findings import KNOWN_UM, Shape
from waywright.core.evidence.things import Face, FloatArray, Piece
from waywright.views.numbers import INCH, METRIC, Shown
from waywright.views.picture import ribbons
from waywright.views.result import result
from waywright.views.ribbon import (
    MOST_LINES,
    extent_um,
    known,
    ribbon_of,
    round_above,
    round_below,
    scale_bar,
    some,
)
from waywright.web.drawing import above, named, reach_um, side

WIDE = Face("Wide", 800.0, 500.0, (40.0, 120.0, 200.0, 400.0, 700.0), tuple(80.0 * i for i in range(-3, 4)))


def wave(face: Face, size_um: float = 5.0) -> FloatArray:
    """Heights that differ from place to place."""
    found: FloatArray = size_um * np.sin(face.x_mm / 90) + 0.1 * np.sign(face.y_mm)
    return found


@pytest.mark.parametrize("shown", [METRIC, INCH])
@pytest.mark.parametrize("face", [EDGE, BAR, WIDE], ids=lambda face: face.name)
def test_a_page_and_a_picture_show_the_same_numbers(face: Face, shown: Shown) -> None:
    """Every height, line and place that a picture writes stands in the ribbon, and a page writes no others."""
    one = shape(face, wave(face))
    ribbon, job = ribbon_of(face, one, shown), replace(made().job, pieces=(Piece("a", (face,)),))
    told = texts(ribbons(made(job=job, shapes=(one,)), "inch" if shown is INCH else "mm"))
    numbers = [cell.number for cell in ribbon.cells]
    assert set(numbers) <= set(told)
    assert {words for _, words in ribbon.stations} <= set(told)
    drawn = above(ribbon)
    assert [label.words for label in drawn.labels if label.kind == "number"] == numbers if drawn else not numbers
    if len(face.lines_mm) in range(2, MOST_LINES + 1):
        assert {line.name for line in ribbon.lines} <= set(told)


@pytest.mark.parametrize("sigma_um", [0.98 * KNOWN_UM, 1.02 * KNOWN_UM])
def test_not_known_is_the_same_everywhere(sigma_um: float) -> None:
    """A ribbon has lines, the page more than an outline, the picture heights and the result a table: all or none."""
    one = shape(EDGE, wave(EDGE), sigma_um)
    is_known, report = sigma_um < KNOWN_UM, made(shapes=(one,))
    ribbon = ribbon_of(EDGE, one, METRIC)
    drawn = side(ribbon, 10.0)
    assert drawn is not None
    assert known(one) == bool(ribbon.lines) == bool(ribbon.cells) == (above(ribbon) is not None) == is_known
    assert ("not known yet" in drawn.words) == ("not known yet" in texts(ribbons(report))) == (not is_known)
    assert bool(result(report, METRIC).shapes[0].rows) == is_known


@pytest.mark.parametrize("face", [EDGE, WIDE, PLATE], ids=lambda face: face.name)
def test_the_places_of_a_map_cover_the_face_once(face: Face) -> None:
    """Cells lie edge to edge: their areas add up to the face's, each holds its own node; what is not read is empty."""
    heights = wave(face)
    heights[3] = np.nan
    cells = ribbon_of(face, shape(face, heights), METRIC).cells
    areas = [np.ptp(cell.x_mm) * np.ptp(cell.y_mm) for cell in cells]
    assert sum(areas) == pytest.approx(face.length_mm * face.width_mm)
    for x, y, cell in zip(face.x_mm, face.y_mm, cells, strict=True):
        assert cell.x_mm[0] <= x <= cell.x_mm[1]
        assert cell.y_mm[0] <= y <= cell.y_mm[1]
    assert [k for k, cell in enumerate(cells) if cell.kind == "unread"] == [3]
    assert cells[3].number == ""


def test_what_is_surely_proud_is_hatched_and_said() -> None:
    """Proud by more than its standard uncertainty, a little high, low: three kinds; the share is of the largest."""
    heights = np.array([4.0, 0.2, -1.0, -2.0] + [-1.0] * 10)
    cells = ribbon_of(EDGE, shape(EDGE, heights), METRIC).cells
    assert [(cell.kind, cell.share) for cell in cells[:4]] == [
        ("proud", 1.0),
        ("high", 0.05),
        ("low", 0.25),
        ("low", 0.5),
    ]


def test_many_lines_are_drawn_from_above_alone() -> None:
    """More lines than can be told apart have no side, on a page and in a picture; the map is then high enough for its
    numbers, and no ribbon is drawn to a scale that their heights ask for."""
    one = shape(WIDE, wave(WIDE, 80.0))
    ribbon = ribbon_of(WIDE, one, METRIC)
    drawn = above(ribbon)
    assert side(ribbon, 10.0) is None
    assert drawn is not None
    assert len([label for label in drawn.labels if label.kind == "number"]) == len(drawn.boxes) == 35
    both = (one, shape(BAR, wave(BAR, 2.0)))
    assert extent_um(both) == extent_um(both[1:]) < 10


shapes = st.lists(st.floats(-400, 400), min_size=4, max_size=4).map(lambda h: shape(BAR, np.array(h), 0.3))


@given(shapes)
def test_everything_fits_into_its_ribbon(one: Shape) -> None:
    """Heights and half their bands reach no further than the ribbon, which is at most two and a half times as high."""
    extent, reach = extent_um([one]), reach_um([one])
    assert np.abs(one.height_um).max() <= extent <= reach <= 2.5 * extent * (1 + 1e-9)
    drawn = side(ribbon_of(BAR, one, METRIC), reach)
    assert drawn is not None
    assert drawn.um_per_px > 0


@given(st.floats(1e-6, 1e6))
def test_round_numbers_are_the_nearest_ones(number: float) -> None:
    """1, 2 or 5 times a power of ten, below and above, and none between that is nearer."""
    low, high = round_below(number), round_above(number)
    assert low <= number <= high
    assert high <= 2.5 * low * (1 + 1e-9)
    for found in (low, high):
        assert float(f"{found:.0e}"[0]) in (1, 2, 5)


@pytest.mark.parametrize("shown", [METRIC, INCH])
def test_the_bar_of_the_scale_is_as_long_as_it_says(shown: Shown) -> None:
    """The bar's length in µm is the number beside it, in either unit, and it fits."""
    bar_um, words = scale_bar(7.3, shown)
    assert words == ("+5 µm" if shown is METRIC else "+2 tenths")
    assert bar_um == pytest.approx(5.0 if shown is METRIC else 2 * 2.54)
    assert bar_um <= 7.3


@given(st.integers(1, 200), st.integers(1, 20))
def test_some_are_no_more_than_asked_and_begin_with_the_first(count: int, most: int) -> None:
    """Evenly thinned."""
    found = some(range(count), most)
    assert found[0] == 0
    assert len(found) <= most
    assert len(set(np.diff(found))) <= 1


def test_places_under_a_drawing_never_run_together() -> None:
    """On a telephone a place takes its letters and room beside them: nine in mm, fewer in inches, fewer on a part."""

    def stations(shown: Shown) -> list[tuple[float, str]]:
        return [(x, shown.lengths(x)) for x in np.linspace(30, 630, 9)]

    assert len(named(stations(METRIC))) == 9
    assert len(named(stations(INCH))) == 5
    assert len(named(stations(METRIC), 0.5)) == 5
