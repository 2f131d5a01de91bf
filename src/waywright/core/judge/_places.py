"""What zones and geometry share: readings checked at the door, columns of a line and a plane, one line in a plane."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
SAME_MM = 1e-9  # places no farther apart are one place
LARGEST = 1e12  # in mm or µm: beyond any machine, and well before a square overflows


class OneLine(NamedTuple):
    """Places that all lie on one line: how far along it each is (n,), from `centre`, in the unit `direction`."""

    along_mm: Floats
    direction: tuple[float, float]
    centre: tuple[float, float]


def checked_line(x_mm: ArrayLike, height_um: ArrayLike) -> tuple[Floats, Floats]:
    """`x` (n,) and `heights` (m, n), or a ValueError that says what is wrong."""
    x, heights = _checked([x_mm], height_um)
    if x[0].size > 1 and np.ptp(x[0]) <= SAME_MM:
        raise ValueError(f"All {x[0].size} readings are at x = {x[0][0]:g} mm: a line needs at least two places.")
    return x[0], heights


def checked_plane(x_mm: ArrayLike, y_mm: ArrayLike, height_um: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """`x`, `y` (n,) and `heights` (m, n), or a ValueError that says what is wrong."""
    (x, y), heights = _checked([x_mm, y_mm], height_um)
    if x.size > 1 and np.ptp(x) <= SAME_MM and np.ptp(y) <= SAME_MM:
        raise ValueError(
            f"All {x.size} readings are at x = {x[0]:g}, y = {y[0]:g} mm: a face needs at least two places."
        )
    return x, y, heights


def _checked(places: list[ArrayLike], height_um: ArrayLike) -> tuple[list[Floats], Floats]:
    arrays = [np.asarray(place, dtype=float).ravel() for place in places]
    heights = np.atleast_2d(np.asarray(height_um, dtype=float))
    n = arrays[0].size
    if any(array.size != n for array in arrays) or heights.ndim != 2 or heights.shape[1] != n:
        sizes = ", ".join(str(array.size) for array in arrays)
        raise ValueError(f"{sizes} places and heights of shape {np.shape(height_um)}: give one height a place.")
    if n == 0:
        raise ValueError("There are no readings to judge.")
    for array in (*arrays, heights):
        if array.min(initial=0.0) >= -LARGEST and array.max(initial=0.0) <= LARGEST:  # neither holds for a NaN
            continue
        at = np.argwhere(~(np.abs(array) <= LARGEST))[0]
        value, place = float(array[tuple(at)]), f"Reading {int(at[-1]) + 1} of {n}"
        if np.isfinite(value):
            raise ValueError(f"{place} has {value:g}: too large to be.")
        raise ValueError(f"{place} is missing or not a finite number.")
    return arrays, heights


def line_columns(x: Floats) -> Floats:
    """(n, 2): 1, x."""
    return np.stack([np.ones(x.size), x], axis=1)


def plane_columns(x: Floats, y: Floats) -> Floats:
    """(n, 3): 1, x, y."""
    return np.stack([np.ones(x.size), x, y], axis=1)


def one_line(x: Floats, y: Floats) -> OneLine | None:
    """The line on which all places lie, to 1e-9 of its length; None when they spread in both directions."""
    centre = float(x.mean()), float(y.mean())
    across, along = x - centre[0], y - centre[1]
    distance = np.hypot(across, along)
    far = int(distance.argmax())
    if distance[far] == 0.0:
        return OneLine(np.zeros(x.size), (1.0, 0.0), centre)
    u, v = float(across[far] / distance[far]), float(along[far] / distance[far])
    if np.abs(across * v - along * u).max() > 1e-9 * distance[far]:
        return None
    return OneLine(across * u + along * v, (u, v), centre)
