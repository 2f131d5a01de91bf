"""Least width of bodies: the regular solids, whatever their attitude, and plates as thin as a flatness deviation."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from waywright.core.judge.widths import normal_width
from waywright.core.judge.zones import minimum_zone_planes

GOLDEN = (1 + np.sqrt(5)) / 2
# Edge 1. Derived widths; contact of the two planes: edge-edge for the tetrahedron (testing faces alone gives 0.8165),
# face-face for the others.
SOLIDS = {
    "tetrahedron": (np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(8), 0.7071067812),
    "octahedron": (np.vstack([np.eye(3), -np.eye(3)]) / np.sqrt(2), 0.8164965809),
    "icosahedron": (
        np.array([np.roll([0, a, b * GOLDEN], k) for k in range(3) for a, b in product((-1, 1), repeat=2)]) / 2,
        1.5115226281,
    ),
    "cube": (np.array(list(product((0.0, 1.0), repeat=3))), 1.0),
}


@pytest.mark.parametrize("solid", SOLIDS)
@pytest.mark.parametrize("attitude", range(4))
def test_regular_solids(solid, attitude) -> None:
    """The regular solids have their known widths in any attitude, size and place."""
    corners, width = SOLIDS[solid]
    turned = 7.0 * Rotation.random(rng=attitude).apply(corners) + [1000, -20, 3]
    found = normal_width(turned)
    assert_allclose(found.width / 7.0, width, atol=1e-10)
    assert_allclose(np.ptp(turned @ found.normal), found.width)
    assert_allclose(np.linalg.norm(found.normal), 1.0)


def test_flat_bodies_have_no_width() -> None:
    """One, two, three points and a level square are held by planes without distance."""
    corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0.0]])
    for n in range(1, 5):
        found = normal_width(corners[:n])
        assert_allclose(found.width, 0, atol=1e-15)
        assert_allclose(np.ptp(corners[:n] @ found.normal), 0, atol=1e-15)


def every_direction(points: np.ndarray) -> float:
    """Width by trying the normal of every two differences of points: no hull, no geometry, slow."""
    chords = np.array([points[i] - points[j] for i in range(len(points)) for j in range(i)])
    normals = np.array([np.cross(chords[i], chords[j]) for i in range(len(chords)) for j in range(i)])
    length = np.linalg.norm(normals, axis=1)
    normals = normals[length > 1e-9] / length[length > 1e-9, None]
    return float(np.ptp(normals @ points.T, axis=1).min())


@given(st.integers(0, 10**6), st.integers(4, 10), st.sampled_from([1.0, 0.01]), st.booleans())
@settings(max_examples=60, deadline=None)
def test_any_body_is_as_narrow_as_the_best_of_all_directions(seed, n, thin, whole) -> None:
    """No pair of faces and edges is missed, for round and thin bodies and for whole-number corners."""
    rng = np.random.default_rng(seed)
    points = rng.integers(0, 4, size=(n, 3)).astype(float) if whole else rng.normal(size=(n, 3)) * [1, 1, thin]
    if np.linalg.matrix_rank(points - points.mean(axis=0)) == 3:
        assert_allclose(normal_width(points).width, every_direction(points), rtol=1e-10)


@pytest.mark.parametrize("kind", ["noise", "bowl", "saddle"])
def test_plates_have_the_vertical_zone_as_their_width(kind) -> None:
    """For a plate 600 mm wide and micrometres out of flat, the vertical and the normal zone agree to 1e-9."""
    rng = np.random.default_rng(2)
    x, y = rng.uniform(-300, 300, size=(2, 1500))
    height_mm = {"noise": 1e-3 * rng.normal(size=1500), "bowl": 1e-7 * (x**2 + y**2), "saddle": 1e-7 * x * y}[kind]
    assert_allclose(normal_width(np.c_[x, y, height_mm]).width, minimum_zone_planes(x, y, height_mm)[0], rtol=1e-9)


@pytest.mark.parametrize("points", [np.empty((0, 3)), np.ones((4, 2)), [[0, 0, np.nan]]])
def test_bad_points_are_refused(points) -> None:
    """No points, points of a plane and missing coordinates are told in a sentence."""
    with pytest.raises(ValueError, match=r"A body is given|finite number"):
        normal_width(points)
