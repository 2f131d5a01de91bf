"""The pencil grid: where lines stand, which squares are read, what bounds the heights in them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.simulate import heights_um
from tests.work.faces import face
from waywright.core.evidence.things import Face
from waywright.core.work.pencil import pencil


def ruled(one: Face, **more: float) -> tuple[list[float], list[float]]:
    """The lines along and across."""
    found = pencil(one, one.x_mm, one.y_mm, **more)  # type: ignore[arg-type]
    return found.x_mm.tolist(), found.y_mm.tolist()


@pytest.mark.parametrize(
    ("length_mm", "last"),
    [(100.0, [75.0, 100.0]), (110.0, [75.0, 110.0]), (113.0, [100.0, 113.0]), (20.0, [0.0, 20.0])],
)
def test_a_short_rest_stays_with_its_neighbour(length_mm: float, last: list[float]) -> None:
    """Lines stand every 25 mm from the marked end; a last piece of less than half a square is not ruled off."""
    assert ruled(face(length_mm, 3))[0][-2:] == last


@pytest.mark.parametrize(
    ("lines", "width_mm", "bands"),
    [
        ((0.0,), 300.0, 1),
        ((-14.0, 14.0), 40.0, 2),
        ((-100.0, 100.0), 250.0, 2),
        ((-15.0, 0.0, 15.0), 40.0, 2),
        ((-30.0, 0.0, 30.0), 75.0, 3),
        ((-190.0, -60.0, 60.0, 190.0), 400.0, 16),
    ],
)
def test_a_width_is_whole_halved_or_squared(lines: tuple[float, ...], width_mm: float, bands: int) -> None:
    """One line: the whole width. Two lines, or less than three squares: near and far half. Else squares of 25 mm."""
    across = ruled(face(lines_mm=lines, width_mm=width_mm))[1]
    assert across == pytest.approx(np.linspace(-width_mm / 2, width_mm / 2, bands + 1))


def test_a_rim_goes_with_the_station_it_is_nearest_to() -> None:
    """Stations 40 to 560 every 40 mm speak of what lies within 20 mm beyond them, and not of the last 20 mm."""
    one = Face("P", 600.0, 40.0, tuple(np.arange(40.0, 561.0, 40.0).tolist()))
    found = pencil(one, one.x_mm, one.y_mm, grid_mm=20.0)
    assert np.flatnonzero(~found.workable).tolist() == [0, 29]


def test_a_rim_as_wide_as_half_a_step_is_worked() -> None:
    """Stations 25 mm from the ends of a face and 50 mm apart: nothing is left standing at the ends."""
    one = Face("P", 600.0, 40.0, tuple(np.arange(25.0, 576.0, 50.0).tolist()))
    assert pencil(one, one.x_mm, one.y_mm).workable.all()


def test_squares_beside_an_unread_node_are_not_workable() -> None:
    """The node at 300 on the near line is not read: its half is closed from 250 to 350, the far half is not."""
    one = face(lines_mm=(-14.0, 14.0))
    read = ~((one.x_mm == 300.0) & (one.y_mm < 0))
    workable = pencil(one, one.x_mm[read], one.y_mm[read]).workable.reshape(2, 24)
    assert np.flatnonzero(~workable[0]).tolist() == [10, 11, 12, 13]
    # the far half reaches to the middle, where the near line has its say
    assert np.flatnonzero(~workable[1]).tolist() == [10, 11, 12, 13]


@given(
    st.integers(0, 1000),
    st.sampled_from([(0.0,), (-14.0, 14.0), (-18.0, -3.0, 11.0), (-160.0, -40.0, 60.0, 170.0)]),
    st.floats(120.0, 900.0),
)
@settings(max_examples=50)
def test_places_bound_the_heights_of_their_square(seed: int, lines: tuple[float, ...], length_mm: float) -> None:
    """Anywhere in a square the height lies between the lowest and the highest of its places."""
    rng = np.random.default_rng(seed)
    width = 40.0 if len(lines) < 4 else 400.0
    inner = np.sort(rng.uniform(5.0, length_mm - 5.0, 5))
    one = Face("P", length_mm, width, (0.0, *inner.tolist(), length_mm), lines)
    nodes = rng.standard_normal(len(one.x_mm))
    grid = pencil(one, one.x_mm, one.y_mm)
    at = grid.weights @ nodes
    low, high = np.minimum.reduceat(at, grid.starts), np.maximum.reduceat(at, grid.starts)
    bands, columns = grid.shape
    for k, number in enumerate(grid.numbers):
        band, column = divmod(int(number), columns)
        x = rng.uniform(grid.x_mm[column], grid.x_mm[column + 1], 8)
        y = rng.uniform(grid.y_mm[band], grid.y_mm[band + 1], 8)
        inside = heights_um(one, nodes, x, y)
        assert low[k] - 1e-9 <= inside.min()
        assert inside.max() <= high[k] + 1e-9
    assert bands * columns == len(grid.area_mm2)
    assert grid.area_mm2.sum() == pytest.approx(length_mm * width)


def test_what_is_uneven_vanishes_at_the_nodes_of_an_even_pattern() -> None:
    """Passes all over leave every place where the nodes say it is; a lone square lowers its own places only."""
    one = face(stations=5)
    grid = pencil(one, one.x_mm, one.y_mm)
    assert grid.uneven @ np.ones(24) == pytest.approx(np.zeros(len(grid.square)), abs=1e-12)
    lone = np.zeros(24)
    lone[2] = 1.0  # 50 to 75 mm: no station there
    assert grid.uneven @ lone == pytest.approx((grid.square == 2).astype(float))
