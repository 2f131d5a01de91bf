"""Twist, parallelism and effective length: signs pinned, linear shapes given back, places that cannot tell refused."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from waywright.core.judge.geometry import (
    effective,
    parallelism,
    tells_twist,
    twist,
    twist_weights,
)

X, Y = (place.ravel() for place in np.meshgrid(np.array([0, 100, 250, 400, 600.0]), np.array([-15.0, 15])))


def test_twist_is_positive_when_the_far_edge_rises_towards_the_far_end() -> None:
    """Cross slope 0 at the marked end and 20 µm/m at the far end is a twist of + 20 µm/m, 0.8 µm edge to edge."""
    height = 20e-3 * (X / 600) * Y  # 20 µm/m = 0.02 µm/mm of y at x = 600
    found = twist(X, Y, height, width_mm=40)
    assert_allclose(found.um_per_m, 20.0)
    assert_allclose(found.edge_to_edge_um, 0.8)
    assert (found.length_mm, found.width_mm) == (600.0, 40.0)
    assert_allclose(twist(X, -Y, height).um_per_m, -20.0)
    assert_allclose(twist(600 - X, Y, height).um_per_m, -20.0)


def test_twist_is_over_the_length_and_width_read() -> None:
    """Read from 100 to 500 mm only, the same warp twists 400/600 as much; without a width, edges are those read."""
    inner = (X >= 100) & (X <= 500)
    found = twist(X[inner], Y[inner], (20e-3 * (X / 600) * Y)[inner])
    assert_allclose(found.um_per_m, 20 * 300 / 600)
    assert (found.length_mm, found.width_mm) == (300.0, 30.0)


def test_twist_ignores_lift_tilt_and_bow() -> None:
    """Lift, tilts and a bow along add nothing on full lines; draws give one twist each."""
    height = 1e-4 * X * Y
    draws = np.array([height, height + 7 + 0.3 * X - 2 * Y, -height, height + 1e-4 * X**2])
    found = twist(X, Y, draws)
    assert_allclose(found.um_per_m, np.array([1, 1, -1, 1]) * 1e-4 * 600 * 1e3)
    assert_allclose(found.edge_to_edge_um, found.um_per_m * 30 / 1e3)


def test_twist_is_the_least_squares_coefficient() -> None:
    """For scattered places and any heights the twist is numpy's least-squares d of a + b·x + c·y + d·x·y."""
    rng = np.random.default_rng(1)
    x, y, height = rng.uniform(200, 900, 25), rng.uniform(5, 80, 25), rng.normal(size=25)
    d = np.linalg.lstsq(np.c_[np.ones(25), x, y, x * y], height, rcond=None)[0][3]
    assert_allclose(twist(x, y, height).um_per_m, d * np.ptp(x) * 1e3)
    assert_allclose(twist_weights(x, y) @ height, d * np.ptp(x) * 1e3)


@pytest.mark.parametrize(
    ("x", "y"),
    [
        ([0, 100, 200, 300], [0, 0, 0, 0]),
        ([0, 100, 200], [0, 0, 50]),
        ([0, 100, 200, 100, 100], [0, 0, 0, 50, -50]),
        ([0, 100, 200, 300], [0, 10, 20, 30]),
    ],
    ids=["one line", "three places", "a cross", "a slanted line"],
)
def test_places_that_cannot_tell_a_twist(x, y) -> None:
    """One line, three places and two lines that cross square cannot tell a twist: asked first, or refused."""
    assert not tells_twist(x, y)
    with pytest.raises(ValueError, match="The twist cannot be told"):
        twist(x, y, np.zeros(len(x)))
    assert tells_twist(X, Y)


def test_parallel_faces_differ_by_their_form_only() -> None:
    """A face 3 µm hollow on a datum that is tilted alike is 3 µm out of parallel, whatever the tilt."""
    datum, hollow = 0.05 * X - 0.2 * Y, 3 * ((X - 300) / 300) ** 2
    found = parallelism(X, Y, datum + hollow + 11, X, Y, datum)
    assert_allclose(found.value_um, np.ptp(hollow))
    assert_allclose(found.slope_across_um_per_m, 0, atol=1e-9)


def test_tilt_counts_for_parallelism() -> None:
    """A face true in itself that rises 10 µm/m against the datum is 6 µm out over 600 mm."""
    for reference in ("least squares", "minimum zone"):
        found = parallelism(X, Y, 0.01 * X, X, Y, np.zeros(X.size), reference)
        assert_allclose(found.value_um, 6.0)
        assert_allclose(found.slope_along_um_per_m, 10.0)
        assert_allclose(found.slope_across_um_per_m, 0, atol=1e-9)


def test_datum_is_represented_by_the_plane_asked_for() -> None:
    """A datum with one proud corner tilts differently by least squares and by minimum zone."""
    square = np.array([0, 100, 0, 100.0]), np.array([0, 0, 100, 100.0])
    proud = np.array([0, 0, 0, 4.0])
    by_squares = parallelism(*square, np.zeros(4), *square, proud)
    assert_allclose(by_squares.value_um, 4.0)  # the plane rises 2 µm along and 2 across
    assert_allclose(by_squares.slope_along_um_per_m, -20.0)
    by_zone = parallelism(*square, np.zeros(4), *square, proud, "minimum zone")
    assert_allclose(by_zone.value_um, 4.0)


def test_parallelism_on_one_line_and_for_draws() -> None:
    """Faces read on one line each are compared along it; draws give one value each."""
    x, level = np.array([0, 200, 400.0]), np.zeros(3)
    assert_allclose(parallelism(x, level, [0, 0, 2], x, level + 30, [0, 0, 0]).value_um, 2.0)
    faces, datums = np.array([[0, 0, 2], [0, 1, 0.0]]), np.array([[0, 0, 0], [0, 1, 2.0]])
    together = parallelism(x, level, faces, x, level + 30, datums)
    alone = [parallelism(x, level, *pair[:1], x, level + 30, pair[1]) for pair in zip(faces, datums, strict=True)]
    assert_allclose(together.value_um, [one.value_um for one in alone])
    assert_allclose(together.value_um, [2.0, 2.0])  # the second: 0 0 -2 when the datum's rise of 1 a station is off
    assert_allclose(parallelism(x, level, faces, x, level + 30, datums[1]).value_um, [1.0, 2.0])


def test_effective_length() -> None:
    """10 mm left out at each end of 600: stations at 10 and 590 count, those beyond do not."""
    x = np.array([0, 9.9, 10, 300, 590, 590.1, 600])
    assert effective(x, 600, 10).tolist() == [False, False, True, True, True, False, False]
    assert effective(x, 600, 0).all()
    for leave_out in (-1, 300, np.nan):
        with pytest.raises(ValueError, match="leaves nothing"):
            effective(x, 600, leave_out)
