"""Straightness: published examples first, then exactness against references, then the laws of the field."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from judge_references import hull_zone, line, program_zone
from numpy.testing import assert_allclose

from waywright.core.judge.zones import line_zone, minimum_zone_lines, straightness

# University lecture notes on straightness by autocollimator: 100 mm base, 1″ taken as 0.5 µm. Position: mean of the
# forward and backward seconds above 2′. Position 0 is the datum row. Published answer: 2 + |−1| = 3 µm.
AUTOCOLLIMATOR_S = [130, 130, 133, 137, 128, 130, 134]


def test_autocollimator_example_gives_the_published_3_um() -> None:
    """Seven positions by autocollimator: end points 3 µm as published; minimum zone and least squares computed."""
    x = np.arange(7) * 100.0
    height = np.cumsum((np.array(AUTOCOLLIMATOR_S) - 130) * 0.5)
    assert_allclose(height, [0, 0, 1.5, 5, 4, 4, 6])
    found = straightness(x, height)
    assert_allclose(found.end_points_um, 3.0, rtol=1e-14)  # published
    assert_allclose(found.minimum_zone_um, 3.0, rtol=1e-14)  # computed from the published readings
    assert_allclose(found.least_squares_um, 3.035714, atol=5e-7)
    assert_allclose(found.rms_um, 0.94153, atol=5e-6)
    assert_allclose([found.peak_um, found.valley_um], [2.071429, 0.964286], atol=5e-7)


def test_five_stations() -> None:
    """Five heights 2 −1 0 −2 3: end points 4.75, least squares 4.9, minimum zone 4.75.

    A teaching example; data published, answers computed. The end-point line is already a minimum zone line.
    """
    found = straightness([0, 1, 2, 3, 4], [2, -1, 0, -2, 3])
    assert_allclose([found.end_points_um, found.least_squares_um, found.minimum_zone_um], [4.75, 4.9, 4.75])


def test_minimax_line_of_a_numerical_library() -> None:
    """Seven points: intercept −0.5, slope 1, residual 1.5 (IMSL manual, minimax regression; from memory)."""
    x, y = np.array([1, 4, 2, 2, 3, 3, 4]), np.array([1, 5, 0, 2, 1.5, 2.5, 2])
    zone = line_zone(x, y)
    assert_allclose(zone.width_um, 3.0)
    assert_allclose(zone.middle, [-0.5, 1.0])
    assert_allclose(straightness(x, y).minimum_zone_um, 3.0)


@pytest.mark.parametrize(
    ("shape", "low", "high", "zone", "least_squares", "end_points", "tolerance"),
    [
        # derived: Chebyshev T3/4, Legendre P3·2/5, and 4/(3√3)
        (lambda x: x**3, -1, 1, 0.5, 0.8, 4 / (3 * np.sqrt(3)), 1e-6),
        (lambda x: x**2, -1, 1, 1.0, 1.0, 1.0, 1e-6),  # derived
        # textbook minimax lines (Süli & Mayers; zones from memory, recomputation agrees)
        (np.exp, 0, 1, 0.211867, None, None, 1e-6),
        (np.sqrt, 0, 1, 0.25, None, None, 1e-6),
    ],
    ids=["cubic", "square", "exponential", "root"],
)
def test_smooth_profiles(shape, low, high, zone, least_squares, end_points, tolerance) -> None:
    """Densely sampled smooth profiles have the zones that approximation theory gives."""
    x = np.linspace(low, high, 20001)
    found = straightness(x, shape(x))
    assert_allclose(found.minimum_zone_um, zone, atol=tolerance)
    if least_squares is not None:
        assert_allclose(found.least_squares_um, least_squares, atol=2e-4)  # the sum stands for an integral
        assert_allclose(found.end_points_um, end_points, atol=tolerance)


def test_exponential_line() -> None:
    """The minimax line of exp on [0, 1] is 0.8941 + 1.7183 x (Süli & Mayers; from memory)."""
    x = np.linspace(0, 1, 20001)
    assert_allclose(line_zone(x, np.exp(x)).middle, [0.8941, 1.7183], atol=5e-5)


def test_root_line() -> None:
    """The minimax line of the square root on [0, 1] is 1/8 + x (Süli & Mayers; from memory)."""
    x = np.linspace(0, 1, 20001)
    assert_allclose(line_zone(x, np.sqrt(x)).middle, [0.125, 1.0], atol=5e-5)


def test_parabola_is_the_same_by_all_three() -> None:
    """A pure bow c·(x − L/2)² read to both ends is c·L²/4 by zone, least squares and end points (derived)."""
    x = np.linspace(0, 600, 41)
    found = straightness(x, 2e-5 * (x - 300) ** 2)
    assert_allclose([found.minimum_zone_um, found.least_squares_um, found.end_points_um], 2e-5 * 600**2 / 4, rtol=1e-12)


@pytest.mark.parametrize("n", [1, 2])
def test_fewer_than_three_readings_are_straight(n) -> None:
    """One or two readings show no deviation."""
    found = straightness(np.arange(n), np.arange(n) * 7.0)
    assert_allclose([found.minimum_zone_um, found.least_squares_um, found.end_points_um], 0, atol=1e-12)
    zone = line_zone(np.arange(n), np.arange(n) * 7.0)
    assert zone.width_um == 0.0
    assert zone.contacts == ()


def test_three_in_a_line_are_straight() -> None:
    """Three collinear points give 0, however steep and far off."""
    found = straightness([100.3, 200.6, 401.2], [1e6, 2e6, 4e6])
    assert_allclose([found.minimum_zone_um, found.least_squares_um, found.end_points_um], 0, atol=1e-8)


def test_all_heights_equal() -> None:
    """A level profile gives exactly 0, with repeated places too."""
    assert straightness([0, 0, 1, 2, 2, 5], [3.3] * 6).minimum_zone_um == 0.0


def test_a_place_read_twice_is_held_by_the_zone() -> None:
    """x 0 1 1 2, heights 0 5 −1 0: the two readings at 1 differ by 6, and no line brings the zone below that."""
    zone = line_zone([0, 1, 1, 2], [0, 5, -1, 0])
    assert_allclose(zone.width_um, 6.0)
    assert [contact.index for contact in zone.contacts] == [1, 2]
    assert [contact.weight for contact in zone.contacts] == [1.0, -1.0]


def test_end_places_read_twice_count_by_their_mean() -> None:
    """x 0 0 1 2, heights −1 1 3 0: the end-point line starts at 0, so + 3 and − 1 make 4."""
    assert_allclose(straightness([0, 0, 1, 2], [-1, 1, 3, 0]).end_points_um, 4.0)


@pytest.mark.parametrize(
    ("x", "height", "words"),
    [
        ([], [], "no readings"),
        ([5, 5, 5], [1, 2, 3], "All 3 readings are at x = 5 mm"),
        ([0, 1, 2], [0, np.nan, 1], "Reading 2 of 3"),
        ([0, np.inf, 2], [0, 1, 1], "Reading 2 of 3"),
        ([0, 1, 2], [0, 1], "one height a place"),
        ([0, 1, 2], [0, 1, -1e300], "Reading 3 of 3 has -1e\\+300: too large to be"),
        ([0, 1e-320, 1e-310], [0, 1, 2], "a line needs at least two places"),
    ],
)
def test_bad_input_is_told_in_one_sentence(x, height, words) -> None:
    """What cannot be judged is refused with a sentence that says why."""
    with pytest.raises(ValueError, match=words):
        straightness(x, height)
    with pytest.raises(ValueError, match=words):
        line_zone(x, height)


def test_draws_equal_one_by_one() -> None:
    """Judging m draws at once gives each draw's own numbers."""
    rng = np.random.default_rng(5)
    x, draws = np.sort(rng.uniform(0, 600, 23)), rng.normal(size=(300, 23))
    together = straightness(x, draws)
    for field in vars(together):
        alone = [getattr(straightness(x, draw), field) for draw in draws]
        assert_allclose(getattr(together, field), alone, rtol=1e-12)


floats = st.floats(-100, 100, allow_nan=False)


@st.composite
def profiles(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Uneven places, some read twice, with whole-number heights (many ties) or any heights."""
    n = draw(st.integers(3, 14))
    x = np.array(draw(st.lists(st.integers(0, 12), min_size=n, max_size=n)), dtype=float)
    x[0], x[1] = 0.0, 12.0
    element = draw(st.sampled_from([st.integers(-5, 5), floats]))
    return x, np.array(draw(st.lists(element, min_size=n, max_size=n)), dtype=float)


@given(profiles())
@settings(max_examples=300, deadline=None)
def test_zone_is_exact(profile) -> None:
    """The zone equals the linear program's, and its line really holds all readings within that width."""
    x, height = profile
    zone = line_zone(x, height)
    scale = 1e-9 * (1 + np.abs(height).max())
    assert_allclose(zone.width_um, program_zone(line(x), height), atol=scale)
    above = height - zone.middle[0] - zone.middle[1] * x
    assert_allclose([above.max(), -above.min()], zone.width_um / 2, atol=scale)


@given(profiles())
@settings(max_examples=300, deadline=None)
def test_contacts_make_the_zone_a_linear_functional(profile) -> None:
    """Weights reproduce the width, ignore lift and tilt, add up to ±1 and sit on readings that touch."""
    x, height = profile
    zone = line_zone(x, height)
    weights = zone.weights(x.size)
    scale = 1e-9 * (1 + np.abs(height).max())
    assert_allclose(weights @ height, zone.width_um, atol=scale)
    assert_allclose([weights.sum(), weights @ x], 0, atol=1e-9)
    if zone.width_um == 0.0:
        assert zone.contacts == ()
        return
    assert_allclose(weights[weights > 0].sum(), 1.0)
    above = height - zone.middle[0] - zone.middle[1] * x
    for contact in zone.contacts:
        assert_allclose(above[contact.index], np.sign(contact.weight) * zone.width_um / 2, atol=scale)
    assert 2 <= len(zone.contacts) <= 3


def test_functional_is_the_zone_of_near_states() -> None:
    """A small change of heights changes the zone by weights @ change."""
    rng = np.random.default_rng(8)
    x, height = np.linspace(0, 1000, 31), rng.normal(size=31)
    zone, change = line_zone(x, height), 1e-6 * rng.normal(size=31)
    grown = line_zone(x, height + change).width_um - zone.width_um
    assert_allclose(grown, zone.weights(31) @ change, atol=1e-13)


@given(profiles(), st.floats(-50, 50), st.floats(-50, 50), st.floats(0.1, 10))
@settings(max_examples=200, deadline=None)
def test_laws(profile, lift, tilt, factor) -> None:
    """Zone ≤ least squares, zone ≤ end points; lift, tilt, reversal and order change none; scaling scales all."""
    x, height = profile
    found = straightness(x, height)
    numbers = np.array([found.minimum_zone_um, found.least_squares_um, found.end_points_um])
    small = 1e-10 * (1 + np.abs(height).max() + abs(lift) + 12 * abs(tilt))
    assert found.minimum_zone_um <= found.least_squares_um + small
    assert found.minimum_zone_um <= found.end_points_um + small + np.ptp(height[x == 0]) + np.ptp(height[x == 12])
    assert_allclose(found.peak_um + found.valley_um, found.least_squares_um)

    def three(x: np.ndarray, height: np.ndarray) -> list[float]:
        again = straightness(x, height)
        return [again.minimum_zone_um, again.least_squares_um, again.end_points_um]

    order = np.random.default_rng(0).permutation(x.size)
    assert_allclose(three(x, height + lift + tilt * x), numbers, atol=small)
    assert_allclose(three(-x, height), numbers, atol=small)
    assert_allclose(three(x, -height), numbers, atol=small)
    assert_allclose(three(x[order], height[order]), numbers, atol=small)
    assert_allclose(three(x, factor * height), factor * numbers, atol=small * factor)
    assert_allclose(three(factor * x + 7, height), numbers, atol=small)


@pytest.mark.parametrize("kind", ["noise", "walk", "bow", "waves", "steps"])
def test_long_profiles_match_the_hull(kind) -> None:
    """At 101 stations the zone equals the one found by trying every hull edge."""
    rng = np.random.default_rng(12)
    x = np.linspace(0, 2000, 101)
    for _ in range(30):
        noise = rng.normal(size=101)
        height = {
            "noise": noise,
            "walk": np.cumsum(noise),
            "bow": 1e-5 * (x - 900) ** 2 + 0.2 * noise,
            "waves": np.sin(x / 70) + 0.05 * noise,
            "steps": 3.0 * (x > 730) + 0.1 * np.round(noise),
        }[kind]
        assert_allclose(minimum_zone_lines(x, height)[0], hull_zone(x, height), rtol=1e-12)


def test_small_zone_on_a_steep_line() -> None:
    """A zone of a thousandth of a micrometre survives a tilt of a metre's worth of micrometres."""
    x = np.linspace(0, 1000, 11)
    height = np.where(np.arange(11) % 2, 0.001, 0.0) + 100.0 * x
    assert_allclose(straightness(x, height).minimum_zone_um, 0.001, rtol=1e-6)
