"""Flatness: known surfaces first, then exactness against the linear program, then the laws of the field."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from judge_references import grid, plane, program_zone
from numpy.testing import assert_allclose

from waywright.core.judge.zones import (
    flatness,
    line_zone,
    minimum_zone_planes,
    plane_zone,
    straightness,
)


def test_saddle_on_the_unit_square_is_half() -> None:
    """z = x·y on the unit square has the vertical zone 0.5, held by an edge above and an edge below (derived)."""
    x, y = grid(2, 2)
    zone = plane_zone(x, y, x * y)
    assert_allclose(zone.width_um, 0.5)
    assert_allclose(zone.weights(4), [0.5, -0.5, -0.5, 0.5])
    dense_x, dense_y = grid(41, 41)
    assert_allclose(flatness(dense_x / 40, dense_y / 40, dense_x * dense_y / 1600).minimum_zone_um, 0.5)


def test_bowl_is_as_deep_as_it_is() -> None:
    """z = c·(x² + y²) read to the corners of a square of half-width a has the zone 2·c·a² (derived)."""
    x, y = np.meshgrid(np.linspace(-300, 300, 21), np.linspace(-300, 300, 21))
    found = flatness(x.ravel(), y.ravel(), (1e-5 * (x**2 + y**2)).ravel())
    assert_allclose(found.minimum_zone_um, 2e-5 * 300**2)
    assert_allclose(found.least_squares_um, 2e-5 * 300**2)


def test_a_single_proud_corner_of_four_tilts_half_away() -> None:
    """Four corners, one 4 µm proud: planes 2 µm apart hold them (derived: the weights are ± 1/2)."""
    x, y = grid(2, 2)
    assert_allclose(flatness(x * 400, y * 250, [0, 0, 0, 4]).minimum_zone_um, 2.0)


def test_one_proud_spot_inside_is_its_height() -> None:
    """A lone spot 3 µm proud in the middle of a level face has a minimum zone of 3 µm (derived)."""
    x, y = grid(5, 5)
    height = np.where((x == 2) & (y == 2), 3.0, 0.0)
    found = flatness(x, y, height)
    assert_allclose(found.minimum_zone_um, 3.0)
    assert_allclose([found.peak_um, found.valley_um], [3 * 24 / 25, 3 / 25])


def test_parameters_about_least_squares() -> None:
    """FLTp + FLTv = FLTt about least squares; FLTq is the root mean square of the residuals of numpy's fit."""
    rng = np.random.default_rng(3)
    x, y, height = *rng.uniform(0, 500, (2, 37)), rng.normal(size=37)
    residual = height - plane(x, y) @ np.linalg.lstsq(plane(x, y), height, rcond=None)[0]
    found = flatness(x, y, height)
    assert_allclose([found.peak_um, found.valley_um, found.rms_um], [residual.max(), -residual.min(), residual.std()])
    assert_allclose(found.least_squares_um, np.ptp(residual))


def test_one_line_of_stations_is_judged_as_a_profile() -> None:
    """Readings all on one slanted line have the straightness of that line as their flatness."""
    x = np.array([0, 90, 200, 310, 390, 500.0])
    height = np.array([0, 2, -1, 0.5, 3, 1])
    along, across = 0.6 * x + 20, 0.8 * x - 700
    line, surface = straightness(x, height), flatness(along, across, height)
    for field in ("minimum_zone_um", "least_squares_um", "peak_um", "valley_um", "rms_um"):
        assert_allclose(getattr(surface, field), getattr(line, field))
    zone = plane_zone(along, across, height)
    assert zone.contacts == line_zone(x, height).contacts
    a, b, c = zone.middle
    above = height - a - b * along - c * across
    assert_allclose([above.max(), -above.min()], zone.width_um / 2)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_fewer_than_four_readings_are_flat(n) -> None:
    """A plane goes through any three readings, a line through two."""
    x, y, height = np.array([0.0, 50, 10])[:n], np.array([0.0, 5, 80])[:n], np.array([3.0, -2, 9])[:n]
    zone = plane_zone(x, y, height)
    assert zone.width_um == 0.0
    assert zone.contacts == ()
    assert_allclose(zone.middle @ plane(x, y).T, height)
    found = flatness(x, y, height)
    assert_allclose([found.minimum_zone_um, found.least_squares_um], 0, atol=1e-12)


@pytest.mark.parametrize(
    ("x", "y", "height", "words"),
    [
        ([], [], [], "no readings"),
        ([5, 5], [1, 1], [1, 2], "All 2 readings are at x = 5, y = 1 mm"),
        ([0, 1, 2, 0], [0, 0, 1, 1], [0, 1, 2, np.nan], "Reading 4 of 4"),
        ([0, 1, 2, 0], [0, 0, 1], [0, 1, 2, 3], "one height a place"),
    ],
)
def test_bad_input_is_told_in_one_sentence(x, y, height, words) -> None:
    """What cannot be judged is refused with a sentence that says why."""
    with pytest.raises(ValueError, match=words):
        flatness(x, y, height)
    with pytest.raises(ValueError, match=words):
        plane_zone(x, y, height)


@st.composite
def surfaces(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Grids and scattered places, some read twice, with whole-number heights (many ties) or any heights."""
    if draw(st.booleans()):
        x, y = grid(draw(st.integers(2, 6)), draw(st.integers(1, 4)))
    else:
        places = draw(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 4)), min_size=2, max_size=16))
        x, y = np.array([(0, 0), *places, (6, 1)], dtype=float).T
    element = draw(st.sampled_from([st.integers(-3, 3), st.floats(-100, 100, allow_nan=False)]))
    return x, y, np.array(draw(st.lists(element, min_size=x.size, max_size=x.size)), dtype=float)


@given(surfaces())
@settings(max_examples=300, deadline=None)
def test_zone_is_exact(surface) -> None:
    """The zone equals the linear program's, its plane holds all readings, its contacts make it linear."""
    x, y, height = surface
    zone = plane_zone(x, y, height)
    scale = 1e-9 * (1 + np.abs(height).max())
    assert_allclose(zone.width_um, program_zone(plane(x, y), height), atol=scale)
    assert_allclose(flatness(x, y, height).minimum_zone_um, zone.width_um, atol=scale)
    above = height - plane(x, y) @ zone.middle
    assert_allclose([above.max(), -above.min()], zone.width_um / 2, atol=scale)
    weights = zone.weights(x.size)
    assert_allclose(weights @ height, zone.width_um, atol=scale)
    assert_allclose(weights @ plane(x, y), 0, atol=1e-9)
    for contact in zone.contacts:
        assert_allclose(above[contact.index], np.sign(contact.weight) * zone.width_um / 2, atol=scale)


@given(surfaces(), st.floats(-50, 50), st.floats(-50, 50), st.floats(0.1, 10))
@settings(max_examples=150, deadline=None)
def test_laws(surface, lift, tilt, factor) -> None:
    """Zone ≤ least squares; lift, tilt, turning, mirroring and order change neither; scaling scales both."""
    x, y, height = surface
    found = flatness(x, y, height)
    numbers = np.array([found.minimum_zone_um, found.least_squares_um])
    small = 1e-10 * (1 + np.abs(height).max() + abs(lift) + 10 * abs(tilt))
    assert found.minimum_zone_um <= found.least_squares_um + small

    def two(x: np.ndarray, y: np.ndarray, height: np.ndarray) -> list[float]:
        again = flatness(x, y, height)
        return [again.minimum_zone_um, again.least_squares_um]

    order = np.random.default_rng(0).permutation(x.size)
    assert_allclose(two(x, y, height + lift + tilt * x - tilt * y / 3), numbers, atol=small)
    assert_allclose(two(-x, y, height), numbers, atol=small)
    assert_allclose(two(y, x, -height), numbers, atol=small)
    assert_allclose(two(0.8 * x - 0.6 * y, 0.6 * x + 0.8 * y, height), numbers, atol=small)
    assert_allclose(two(x[order], y[order], height[order]), numbers, atol=small)
    assert_allclose(two(x, y, factor * height), factor * numbers, atol=small * factor)
    assert_allclose(two(factor * x - 300, 3 * y, height), numbers, atol=small)


@pytest.mark.parametrize("kind", ["noise", "bowl", "saddle", "twist and noise", "whole numbers", "step"])
def test_large_grids_match_the_linear_program(kind) -> None:
    """On 900 nodes, regular and full of collinear triples, the zone equals the linear program's."""
    rng = np.random.default_rng(21)
    x, y = grid(45, 20)
    noise = rng.normal(size=x.size)
    height = {
        "noise": noise,
        "bowl": 0.01 * ((x - 22) ** 2 + (y - 9.5) ** 2),
        "saddle": 0.01 * (x - 22) * (y - 9.5),
        "twist and noise": 0.01 * x * y + 0.3 * noise,
        "whole numbers": np.round(noise),
        "step": 2.0 * (x > 30) + 1.0 * (y > 8),
    }[kind]
    assert_allclose(minimum_zone_planes(x, y, height)[0], program_zone(plane(x, y), height), rtol=1e-9)


def test_draws_equal_one_by_one() -> None:
    """Judging m draws at once gives each draw's own numbers."""
    rng = np.random.default_rng(5)
    x, y = grid(13, 3)
    draws = rng.normal(size=(150, 39)) + 0.1 * x * y
    together = flatness(x, y, draws)
    for field in vars(together):
        alone = [getattr(flatness(x, y, draw), field) for draw in draws]
        assert_allclose(getattr(together, field), alone, rtol=1e-12)
