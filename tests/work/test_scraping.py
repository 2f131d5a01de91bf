"""The scraping map: what holds whatever the face."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.work.faces import Drawn, about, drawn, even, face, passes_at
from waywright.core.evidence.things import Face, FloatArray, Hand
from waywright.core.judge.limits import Limit, crown_um
from waywright.core.work.maps import ScrapingMap, Taken
from waywright.core.work.pencil import pencil
from waywright.core.work.plan import crown_weights
from waywright.core.work.scraping import scraping_map
from waywright.views.scrape_sheet import untouched_words

WISHES = st.sampled_from(
    [{}, {"goal_um": 4.0}, {"goal_um": 9.0}, {"side": "hollow only"}, {"side": "middle high only", "goal_um": 6.0}]
)
SURE_HAND = Hand(3.0, 0.1, 0.1)


def mapped(one: Drawn, **wishes: Any) -> ScrapingMap:
    """The map of a face all of whose nodes are read."""
    return scraping_map(one.face, one.face.x_mm, one.face.y_mm, one.height_um, one.draws_um, **wishes)


def places(found: ScrapingMap, one: Drawn) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of each place that bounds the heights of a square: draws there (m, places), passes and target (places,)."""
    grid = pencil(one.face, one.face.x_mm, one.face.y_mm, quarters=found.passes.shape[0] == 4)
    columns = np.stack([np.ones(len(one.height_um)), one.face.x_mm, one.face.y_mm], axis=1)
    free = columns @ np.linalg.pinv(columns, rcond=1e-12)
    level = one.draws_um - one.draws_um @ free.T + free @ one.height_um
    assert found.target is not None
    target = found.target.height_um(grid.at_x_mm, grid.at_y_mm)
    return np.asarray(level @ grid.weights.T), found.passes.ravel()[grid.square].astype(float), target


def turned(one: Drawn, x_mm: FloatArray, y_mm: FloatArray) -> Drawn:
    """The same heights at other places of the same face."""
    order = np.lexsort([y_mm, x_mm])
    return Drawn(one.face, one.height_um[order], one.draws_um[:, order])


@given(drawn(), WISHES)
@settings(max_examples=30)
def test_nothing_is_taken_where_the_draws_are_not_surely_proud(one: Drawn, wishes: dict[str, Any]) -> None:
    """In 95 of 100 draws every square that is scraped stands, all of it, its passes' depth above the target."""
    found = mapped(one, **wishes)
    assume(found.outcome == "scrape")
    draws, passes, target = places(found, one)
    on = passes > 0
    clear = np.all(draws[:, on] - passes[on] * found.hand.depth_um >= target[on] - 1e-6, axis=1)
    assert clear.mean() >= 0.95


@given(drawn(), WISHES)
@settings(max_examples=30)
def test_passes_never_dig_beyond_the_target(one: Drawn, wishes: dict[str, Any]) -> None:
    """Passes times depth leave the likeliest height at or above the target at every place that is worked."""
    found = mapped(one, **wishes)
    assume(found.outcome == "scrape")
    draws, passes, target = places(found, one)
    on = passes > 0
    assert np.all((draws.mean(axis=0) - passes * found.hand.depth_um)[on] >= target[on] - 1e-6)


@given(drawn(), st.floats(1.0, 6.0), st.sampled_from([{}, {"goal_um": 4.0}, {"goal_um": 9.0}]))
@settings(max_examples=40)
def test_more_uncertainty_never_takes_more_metal(one: Drawn, times: float, wishes: dict[str, Any]) -> None:
    """Draws spread wider about the same likeliest shape: no square gets a pass more."""
    wider = replace(one, draws_um=one.height_um + times * (one.draws_um - one.height_um))
    sure, unsure = mapped(one, **wishes), mapped(wider, **wishes)
    assert unsure.metal_mm3 <= sure.metal_mm3 + 1e-9
    if sure.outcome == "scrape":
        assert np.all(unsure.passes <= sure.passes)


@given(drawn(), WISHES, st.floats(-300.0, 300.0), st.floats(-0.5, 0.5), st.floats(-2.0, 2.0))
@settings(max_examples=25)
def test_lift_and_tilt_change_nothing(one: Drawn, wishes: dict[str, Any], a: float, b: float, c: float) -> None:
    """The same face held higher and askew gets the same passes, and its target lies askew with it."""
    plane = a + b * one.face.x_mm + c * one.face.y_mm
    askew = Drawn(one.face, one.height_um + plane, one.draws_um + plane)
    straight, tilted = mapped(one, **wishes), mapped(askew, **wishes)
    assert np.array_equal(straight.passes, tilted.passes)
    if straight.target is not None and tilted.target is not None:
        level = straight.target.height_um(one.face.x_mm, one.face.y_mm)
        assert tilted.target.height_um(one.face.x_mm, one.face.y_mm) == pytest.approx(level + plane, abs=1e-5)


@given(drawn(), WISHES)
@settings(max_examples=25)
def test_a_tilt_of_every_draw_says_nothing(one: Drawn, wishes: dict[str, Any]) -> None:
    """Draws lifted and tilted each by itself give the same passes."""
    rng = np.random.default_rng(3)
    planes = (
        rng.standard_normal((len(one.draws_um), 3))
        * [50.0, 0.2, 1.0]
        @ np.stack([np.ones(len(one.height_um)), one.face.x_mm, one.face.y_mm])
    )
    assert np.array_equal(
        mapped(one, **wishes).passes, mapped(replace(one, draws_um=one.draws_um + planes), **wishes).passes
    )


@given(drawn(), WISHES)
@settings(max_examples=25)
def test_a_face_reversed_is_worked_reversed(one: Drawn, wishes: dict[str, Any]) -> None:
    """With its ends exchanged a face gets the same passes, end for end."""
    back = mapped(turned(one, one.face.length_mm - one.face.x_mm, one.face.y_mm), **wishes)
    assert np.array_equal(mapped(one, **wishes).passes[:, ::-1], back.passes)


@given(drawn(), WISHES)
@settings(max_examples=25)
def test_a_face_mirrored_is_worked_mirrored(one: Drawn, wishes: dict[str, Any]) -> None:
    """With its edges exchanged a face gets the same passes, edge for edge."""
    over = mapped(turned(one, one.face.x_mm, -one.face.y_mm), **wishes)
    assert np.array_equal(mapped(one, **wishes).passes[::-1], over.passes)


@given(drawn(), st.randoms(use_true_random=False))
@settings(max_examples=10)
def test_the_order_of_nodes_does_not_matter(one: Drawn, random: Any) -> None:
    """Nodes may be given in any order."""
    order = list(range(len(one.height_um)))
    random.shuffle(order)
    x, y = one.face.x_mm[order], one.face.y_mm[order]
    mixed = scraping_map(one.face, x, y, one.height_um[order], one.draws_um[:, order])
    assert np.array_equal(mapped(one).passes, mixed.passes)


@given(drawn(), WISHES)
@settings(max_examples=25)
def test_zones_are_the_squares_gathered(one: Drawn, wishes: dict[str, Any]) -> None:
    """Zones lie side by side and cover each square that is worked once, with its number of passes."""
    found = mapped(one, **wishes)
    again = np.zeros_like(found.passes)
    middle_x, middle_y = (found.x_mm[1:] + found.x_mm[:-1]) / 2, (found.y_mm[1:] + found.y_mm[:-1]) / 2
    for zone in found.zones:
        inside = np.outer(
            (middle_y > zone.y_from_mm) & (middle_y < zone.y_to_mm), (middle_x > zone.from_mm) & (middle_x < zone.to_mm)
        )
        assert not again[inside].any()
        again[inside] = zone.passes
    assert np.array_equal(again, found.passes)


def bowed(crown: float, u_um: float = 0.3, one: Face | None = None) -> Drawn:
    """A face whose middle stands `crown` µm above its ends (negative: hollow), known to `u_um`."""
    one = one or face()
    s = 2 * one.x_mm / one.length_mm - 1
    height = even(one.x_mm, one.y_mm, -crown * s**2)
    return Drawn(one, height, about(one.x_mm, one.y_mm, height, u_um, 1, 2000))


def test_metal_is_passes_times_depth_times_area() -> None:
    """mm³ by hand: 40 mm wide, squares of 25 mm, 3 µm a pass; grams at 7.2 g/cm³."""
    found = mapped(bowed(12.0))
    assert found.metal_mm3 == pytest.approx(found.passes.sum() * 25.0 * 40.0 * 0.003)
    assert found.metal_g == pytest.approx(found.metal_mm3 * 7.2e-3)


def test_a_crowned_face_is_scraped_in_the_middle() -> None:
    """Passes fall from the middle to the ends, where there are none."""
    passes = mapped(bowed(15.0)).passes[0]
    assert passes[11] == passes[12] == passes.max() >= 3
    assert passes[0] == passes[-1] == 0
    assert np.all(np.diff(passes[:12]) >= 0)
    assert np.all(np.diff(passes[12:]) <= 0)


def test_what_is_told_to_be_left_is_less() -> None:
    """A face and a hand known well: one round leaves little more than a pass, and that is what is told."""
    found = mapped(bowed(15.0, 0.05), hand=Hand(3.0, 0.0, 0.0))
    assert found.before_um == pytest.approx(15.0, abs=0.1)
    assert found.after_um is not None
    assert 3.0 <= found.after_um <= 4.5  # a pass, and what the bow falls across a square
    assert found.chance_better == 1.0
    assert found.chance_below == 0.0


def test_a_wide_goal_takes_less_metal_than_a_narrow_one() -> None:
    """With 10 µm allowed only the top comes off; with 5 µm more; as flat as can be takes the most."""
    metal = [mapped(bowed(15.0), goal_um=goal).metal_mm3 for goal in (12.0, 9.0, 7.0)]
    assert 0.0 < metal[0] < metal[1] < metal[2] <= mapped(bowed(15.0)).metal_mm3


def test_a_finished_face_is_left_alone_and_told_why() -> None:
    """Inside its limit with more than the chance asked for: nothing is taken."""
    found = mapped(bowed(3.0), limit=Limit(6.0))
    assert found.outcome == "inside"
    assert not found.passes.any()
    assert found.zones == found.strokes == ()
    assert "it is inside with a chance of more than 99 %" in untouched_words(found)


def test_a_face_most_likely_inside_is_measured_before_it_is_scraped() -> None:
    """The likeliest shape is within the limit but not surely: no metal for what a reading may settle."""
    found = mapped(bowed(4.5, 1.0), limit=Limit(6.0))
    assert found.outcome == "near"
    assert not found.passes.any()
    assert "measure more" in untouched_words(found)


def test_a_shape_no_reading_sees_forbids_scraping() -> None:
    """A bow that nothing has seen (1 mm of it in the draws) leaves nothing surely proud."""
    one = bowed(15.0)
    s = 2 * one.face.x_mm / one.face.length_mm - 1
    unseen = 1000.0 * np.random.default_rng(1).standard_normal((len(one.draws_um), 1)) * s**2
    found = mapped(replace(one, draws_um=one.draws_um + unseen))
    assert found.outcome == "unsure"
    assert not found.passes.any()
    assert "no reading so far sees" in untouched_words(found)


def test_a_blind_twist_does_not_hinder_straightness() -> None:
    """A twist that nothing has seen is no matter where the straightness of each line is asked, but for flatness."""
    one = bowed(15.0, one=face(lines_mm=(-14.0, 14.0)))
    s, t = 2 * one.face.x_mm / one.face.length_mm - 1, one.face.y_mm / 14.0
    twisted = replace(one, draws_um=one.draws_um + 1000.0 * np.random.default_rng(1).standard_normal((2000, 1)) * s * t)
    assert mapped(twisted, measure="straightness").outcome == "scrape"
    assert mapped(twisted, measure="flatness").outcome == "unsure"


def test_twist_is_left_where_straightness_is_asked() -> None:
    """A face that is only twisted has straight lines: nothing to take for straightness, much for flatness."""
    one = face(lines_mm=(-14.0, 14.0))
    height = 12.0 * (2 * one.x_mm / 600.0 - 1) * one.y_mm / 14.0
    twisted = Drawn(one, height, about(one.x_mm, one.y_mm, height, 0.2, 1))
    assert mapped(twisted, measure="straightness", limit=Limit(4.0)).outcome == "inside"
    assert mapped(twisted, measure="flatness", limit=Limit(4.0)).outcome == "scrape"


def test_a_steep_half_is_ruled_in_quarters() -> None:
    """A half that falls across by more than a pass is ruled once more, and its edge gets the more passes."""
    one = face(lines_mm=(-14.0, 14.0))
    height = 12.0 * (2 * one.x_mm / 600.0 - 1) * one.y_mm / 14.0
    found = mapped(Drawn(one, height, about(one.x_mm, one.y_mm, height, 0.2, 1)))
    assert found.passes.shape[0] == 4
    assert found.passes[3, -1] > found.passes[2, -1]
    assert found.passes[0, 0] > found.passes[1, 0]
    assert mapped(bowed(8.0, one=one)).passes.shape[0] == 2


def test_a_hand_too_heavy_is_told_a_lighter_pass() -> None:
    """5 µm of bow under a hand that takes 6 µm: nothing is taken, and a depth that would help is named."""
    found = mapped(bowed(5.0, 0.1), hand=Hand(6.0))
    assert found.outcome == "coarse"
    assert found.lighter_um is not None
    lighter = mapped(bowed(5.0, 0.1), hand=Hand(found.lighter_um, 0.2 * found.lighter_um))
    assert lighter.outcome == "scrape"


@pytest.mark.parametrize("limit", [None, Limit(6.0, "hollow only")])
def test_a_reference_that_may_be_hollow_is_not_left_crowned(limit: Limit | None) -> None:
    """The middle of a crowned reference is taken a little more than without a side, so that it ends hollow."""
    one = bowed(12.0)
    either = mapped(one, hand=SURE_HAND)
    hollow = mapped(one, side="hollow only", limit=limit, hand=SURE_HAND)
    left = one.height_um - 3.0 * passes_at(hollow, one.face)
    assert crown_um(one.face.x_mm, left)[0] < 0.0
    assert hollow.wrong_side is not None
    assert hollow.wrong_side < 0.2
    assert hollow.passes[0, 12] >= either.passes[0, 12]
    assert hollow.target is not None
    assert hollow.target.bend_um < 0.0


def test_a_face_that_may_be_high_in_the_middle_is_not_left_hollow() -> None:
    """The ends of a hollow face are taken until its middle stands a little high."""
    one = bowed(-12.0)
    found = mapped(one, side="middle high only", hand=SURE_HAND)
    left = one.height_um - 3.0 * passes_at(found, one.face)
    assert crown_um(one.face.x_mm, left)[0] > 0.0
    assert found.wrong_side is not None
    assert found.wrong_side < 0.2


@given(st.floats(-14.0, -2.0), st.floats(0.1, 1.5), st.integers(0, 1000))
@settings(max_examples=30)
def test_a_hollow_reference_is_never_made_crowned(crown: float, u_um: float, seed: int) -> None:
    """However its ends are scraped: the chance that the middle then stands high stays as small as it was, or 1 %."""
    one = bowed(crown, u_um)
    rough = one.height_um + np.random.default_rng(seed).standard_normal(len(one.height_um))
    one = replace(one, height_um=rough, draws_um=one.draws_um + rough - one.height_um)
    found = mapped(one, side="hollow only", goal_um=3.0)
    grid = pencil(one.face, one.face.x_mm, one.face.y_mm)
    before = float((one.draws_um[:1000] @ grid.weights.T @ crown_weights(grid) > 0).mean())
    assert found.wrong_side is not None
    assert found.wrong_side <= max(0.01, before) + 1e-9


def test_an_untouched_node_is_never_scraped() -> None:
    """Squares that a node speaks of which no reading touches are left, and the map says so."""
    one = bowed(15.0)
    height = one.height_um.copy()
    height[6] = np.nan
    found = scraping_map(one.face, one.face.x_mm, one.face.y_mm, height, one.draws_um)
    assert not found.read[0, 10:14].any()
    assert not found.passes[0, 10:14].any()
    assert found.read[0, :10].all()
    assert found.passes.any()


def test_nodes_left_out_are_nodes_not_given() -> None:
    """A height that is not a number and one that is missing say the same."""
    one = bowed(15.0)
    height = one.height_um.copy()
    height[6] = np.nan
    kept = np.arange(13) != 6
    x, y = one.face.x_mm, one.face.y_mm
    without = scraping_map(one.face, x[kept], y[kept], height[kept], one.draws_um[:, kept])
    assert np.array_equal(scraping_map(one.face, x, y, height, one.draws_um).passes, without.passes)


def test_a_face_hardly_read_is_told_to_be_read() -> None:
    """Three nodes that do not follow each other give no square to work on."""
    one = bowed(15.0)
    some = [0, 5, 12]
    found = scraping_map(one.face, one.face.x_mm[some], one.face.y_mm[some], one.height_um[some], one.draws_um[:, some])
    assert found.outcome == "unread"
    assert found.before_um is None


def test_low_ends_that_are_left_out_do_not_lower_the_target() -> None:
    """Ends worn low by 24 µm within the length left out are no reason to bring the rest down; high ones come off."""
    one = face(stations=25)
    ends = 3.0 * np.maximum(np.abs(np.arange(25) - 12.0) - 8.0, 0.0)  # to 12 µm over the last 100 mm
    low, high = -2.0 * ends, ends
    found = {}
    for name, height in (("low", low), ("high", high)):
        drawn = Drawn(one, height, about(one.x_mm, one.y_mm, height, 0.1, 1))
        found[name] = mapped(drawn, leave_out_mm=100.0, goal_um=4.0)
    assert not found["low"].passes.any()
    assert found["high"].passes[0, 0] == found["high"].passes[0, -1] > 0


def test_each_going_over_leans_to_the_other_hand() -> None:
    """Strokes alternate from where the face's last pass left off; the highest squares first, all in the last."""
    found = mapped(bowed(15.0))
    again = mapped(bowed(15.0), passes_before=1)
    assert [s.lean for s in found.strokes] == ["right", "left", "right", "left"][: found.most]
    assert [s.lean for s in again.strokes] == ["left", "right", "left", "right"][: found.most]
    assert np.array_equal(sum(s.squares.astype(int) for s in found.strokes), found.passes)
    assert np.array_equal(found.strokes[-1].squares, found.passes > 0)


def test_what_earlier_maps_did_between_stations_is_counted() -> None:
    """Stations read level; 9 µm taken from two squares between them leave all else proud of those."""
    one = face(stations=5)  # every 150 mm
    height = np.zeros(5)
    level = Drawn(one, height, about(one.x_mm, one.y_mm, height, 0.1, 1))
    taken = np.zeros((1, 24))
    taken[0, 8:10] = 9.0  # 200 to 250 mm, touching no station
    assert mapped(level).outcome == "coarse"
    found = mapped(level, taken=Taken(taken, np.zeros_like(taken)))
    assert found.passes[0, 8:10].max() == 0
    assert np.delete(found.passes[0], [8, 9]).min() >= 1


def test_quarters_and_halves_taken_before_are_told_either_way() -> None:
    """What was taken may be told by halves on a face now ruled in quarters; a face ruled in quarters stays so."""
    one = face(lines_mm=(-14.0, 14.0))
    height = 12.0 * (2 * one.x_mm / 600.0 - 1) * one.y_mm / 14.0
    twisted = Drawn(one, height, about(one.x_mm, one.y_mm, height, 0.2, 1))
    halves = Taken(np.zeros((2, 24)), np.zeros((2, 24)))
    halves.um[1, 3:9] = 3.0
    assert np.array_equal(mapped(twisted, taken=halves).passes, mapped(twisted, taken=halves.ruled(4)).passes)
    assert mapped(bowed(8.0, one=one), taken=halves.ruled(4)).passes.shape[0] == 4


def test_what_maps_took_adds_up() -> None:
    """Two maps after each other: µm add up, scatters in quadrature; halves and quarters mix."""
    first, second = mapped(bowed(12.0)).taken, mapped(bowed(6.0), hand=Hand(1.5, 0.3)).taken
    both = first + second
    assert np.array_equal(both.um, first.um + second.um)
    assert both.scatter_um**2 == pytest.approx(first.scatter_um**2 + second.scatter_um**2)
    assert (Taken(np.ones((2, 3)), np.ones((2, 3))) + Taken(np.ones((4, 3)), np.ones((4, 3)))).um.shape == (4, 3)
    with pytest.raises(ValueError, match="cannot be told"):
        Taken(np.ones((2, 3)), np.ones((2, 3))).ruled(3)


def test_one_round_has_no_more_passes_than_allowed() -> None:
    """However high the middle stands, the face is read again after so many passes."""
    assert mapped(bowed(60.0), most=4).most == 4


def test_a_hand_known_badly_is_given_fewer_passes() -> None:
    """A hand of 3 ± 1.5 µm may have taken twice what was thought: it gets fewer passes before the next reading."""
    known, guessed = (mapped(bowed(30.0), hand=Hand(depth_u_um=u)) for u in (0.05, 1.5))
    assert guessed.most < known.most


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"side": "rise only"}, "middle high only, hollow only or either way"),
        ({"measure": "twist"}, "straightness or its flatness"),
        ({"chance": 0.3}, "between 0.5 and 1"),
        ({"goal_um": 0.0}, "more than 0 µm"),
        ({"most": 0}, "at least one pass"),
        ({"grid_mm": 0.0}, "more than 0 mm"),
        ({"leave_out_mm": 300.0}, "leaves nothing to judge"),
        ({"taken": Taken(np.ones((1, 5)), np.ones((1, 5)))}, "of each square, 1 bands of 24"),
        ({"taken": Taken(-np.ones((1, 24)), np.ones((1, 24)))}, "of each square"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(wrong: dict[str, Any], words: str) -> None:
    """A number out of its range is refused by one plain sentence."""
    with pytest.raises(ValueError, match=words):
        mapped(bowed(10.0), **wrong)


def test_shapes_that_do_not_fit_are_refused() -> None:
    """Places, heights and draws must be of one length, finite, and at the face's own nodes."""
    one = bowed(10.0)
    x, y = one.face.x_mm, one.face.y_mm
    with pytest.raises(ValueError, match="lists of one length"):
        scraping_map(one.face, x, y, one.height_um, one.draws_um[:, :5])
    with pytest.raises(ValueError, match="not a finite number"):
        scraping_map(one.face, x, y, one.height_um, np.where(np.arange(13) == 3, np.nan, one.draws_um))
    with pytest.raises(ValueError, match="no node"):
        scraping_map(one.face, x + 1.0, y, one.height_um, one.draws_um)
