"""Minimum zones: straightness of many draws against scipy's convex hull, flatness of many points against HiGHS.

Ours is the best of several tries, kernels warm; the reference is taken between them. A reference that works draw by
draw is timed on every tenth draw, or on fifty, and multiplied up. Before anything is timed the two must agree to 1e-9.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from benchmarks.row import Row
from waywright.core.judge.zones import minimum_zone_lines, minimum_zone_planes

Floats = NDArray[np.float64]
TRIES = 7


def rows() -> list[Row]:
    """Straightness of draws, flatness of three large surfaces, flatness of draws."""
    return [*_straightness(), *_flatness(), *_flatness_of_draws()]


def _straightness() -> list[Row]:
    """10,000 draws of a bowed and rough profile at 101 stations."""
    rng = np.random.default_rng(1)
    x = np.linspace(0, 1000, 101)
    draws = 8 * (1 - ((x - 480) / 500) ** 2) + rng.normal(size=(10_000, 101))
    draws += np.cumsum(rng.normal(size=draws.shape), axis=1) / 4
    searches = (("Python", edges_in_python, ">= 100"), ("numpy", edges_in_numpy, ">= 40"))
    return [
        _compare(
            f"straightness, 10,000 draws × 101 stations, against scipy's ConvexHull and an edge search in {told}",
            partial(minimum_zone_lines, x, draws),
            partial(_one_by_one, search, (x,), draws[::10]),
            required,
            every=10,
        )
        for told, search, required in searches
    ]


def _flatness() -> list[Row]:
    """100,000 points: noise at scattered places, a bowl and a saddle on a regular grid."""
    rng = np.random.default_rng(2)
    scattered = rng.uniform(-500, 500, size=(2, 100_000))
    grid = np.array([place.ravel() for place in np.meshgrid(np.linspace(-500, 500, 400), np.linspace(-300, 300, 250))])
    surfaces = {
        "noise": (scattered, rng.normal(size=100_000)),
        "a bowl": (grid, 1e-5 * (grid**2).sum(axis=0)),
        "a saddle": (grid, 1e-5 * grid[0] * grid[1]),
    }
    return [
        _compare(
            f"flatness, 100,000 points, {name}, against the linear program in HiGHS",
            partial(minimum_zone_planes, place[0], place[1], height),
            partial(_one_by_one, linear_program, (place[0], place[1]), height[None, :]),
            ">= 10",
        )
        for name, (place, height) in surfaces.items()
    ]


def _flatness_of_draws() -> list[Row]:
    """2,000 draws of a twisted and rough face at 13 × 5 nodes."""
    rng = np.random.default_rng(3)
    x, y = (place.ravel() for place in np.meshgrid(np.linspace(0, 600, 13), np.linspace(-50, 50, 5)))
    draws = 1e-4 * x * y + rng.normal(size=(2_000, 65))
    row = _compare(
        "flatness, 2,000 draws × 65 nodes, against a loop over the linear program in HiGHS",
        partial(minimum_zone_planes, x, y, draws),
        partial(_one_by_one, linear_program, (x, y), draws[::40]),
        "",
        every=40,
    )
    return [row]


def _compare(
    name: str, ours: Callable[[], Floats], reference: Callable[[], Floats], required: str, every: int = 1
) -> Row:
    """Time both, alternately; `reference` gives every so-manieth of our numbers. SystemExit when they differ."""
    zones = ours()  # loads and compiles
    times: list[float] = []
    other: list[float] = []
    for turn in range(TRIES):
        start = time.perf_counter()
        ours()
        times.append(time.perf_counter() - start)
        if turn % 3 == 0:
            start = time.perf_counter()
            check = reference()
            other.append((time.perf_counter() - start) * every)
            if not np.allclose(zones[::every], check, rtol=1e-9, atol=0.0):
                raise SystemExit(f"{name}: the two disagree by {np.abs(zones[::every] / check - 1).max():.1e}.")
    return Row(name, min(times), min(other), min(other) / min(times), required, answer=float(zones.sum()))


def _one_by_one(zone: Callable[..., float], place: tuple[Floats, ...], draws: Floats) -> Floats:
    return np.array([zone(*place, draw) for draw in draws])


def edges_in_python(x: Floats, height: Floats) -> float:
    """The minimum zone of one profile: each edge of its hull tried in turn."""
    corners = ConvexHull(np.column_stack([x, height])).vertices
    best = np.inf
    for i in range(len(corners)):
        a, b = corners[i - 1], corners[i]
        if x[a] != x[b]:
            above = height - (height[b] - height[a]) / (x[b] - x[a]) * x
            best = min(best, above.max() - above.min())
    return float(best)


def edges_in_numpy(x: Floats, height: Floats) -> float:
    """The minimum zone of one profile: all edges of its hull tried at once."""
    corners = ConvexHull(np.column_stack([x, height])).vertices
    x, height = x[corners], height[corners]
    slope = (height - np.roll(height, 1)) / (x - np.roll(x, 1))
    return float(np.ptp(height - slope[:, None] * x, axis=1).min())


def linear_program(x: Floats, y: Floats, height: Floats) -> float:
    """The minimum zone as the least h with −h ≤ z − a − b·x − c·y ≤ h, twice."""
    columns = np.column_stack([np.ones(x.size), x, y])
    less = np.column_stack([np.vstack([columns, -columns]), -np.ones(2 * x.size)])
    bounds = [(None, None)] * 3 + [(0, None)]
    found = linprog([0, 0, 0, 1], A_ub=less, b_ub=np.r_[height, -height], bounds=bounds, method="highs")
    return 2 * float(found.fun)


if __name__ == "__main__":
    for row in rows():
        print(row)
