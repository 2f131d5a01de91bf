"""How far a profile departs from a straight line and a surface from a plane: exact minimum zone, least squares, ends.

Deviations are vertical, along the height; for the slopes of machine ways the deviation square to the line differs by
less than 1e-9 of itself. Definitions: ISO 230-1:2012 (minimum zone, least-squares and end-point reference lines);
parameter names: ISO 12780-1:2011 and 12781-1:2011.
Places are given, in any order, never an implied grid. Where a place was read twice the zone holds both readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waywright.core.judge import _arrays
from waywright.core.judge._places import checked_line, checked_plane, line_columns, one_line, plane_columns
from waywright.core.judge.minimax import CHUNK, MANY_NUMBERS, PROVED, minimax, orthonormal
from waywright.kernels import compiled

Floats = NDArray[np.float64]
Indexes = NDArray[np.intp]
Number = TypeVar("Number", float, Floats)


@dataclass(frozen=True)
class Flatness(Generic[Number]):
    """Flatness deviations in µm, never negative: numbers for one surface, (m,) arrays for m draws."""

    minimum_zone_um: Number
    """FLTt, minimum zone: least distance of two parallel planes that hold all readings."""
    least_squares_um: Number
    """FLTt, least squares: highest less lowest about the least-squares plane; peak + valley."""
    peak_um: Number
    """FLTp: highest above the least-squares plane."""
    valley_um: Number
    """FLTv: lowest below it, told as a positive number."""
    rms_um: Number
    """FLTq: root mean square about it."""


@dataclass(frozen=True)
class Straightness(Generic[Number]):
    """Straightness deviations in µm, never negative: numbers for one profile, (m,) arrays for m draws."""

    minimum_zone_um: Number
    """STRt, minimum zone: least distance of two parallel lines that hold all readings."""
    least_squares_um: Number
    """STRt, least squares: highest less lowest about the least-squares line; peak + valley."""
    peak_um: Number
    """STRp: highest above the least-squares line."""
    valley_um: Number
    """STRv: lowest below it, told as a positive number."""
    rms_um: Number
    """STRq: root mean square about it."""
    end_points_um: Number
    """Largest positive plus largest negative deviation about the line through the first and the last place."""


@dataclass(frozen=True)
class Contact:
    """A reading that touches the zone: `weight` > 0 on its upper line or plane, < 0 on the lower."""

    index: int
    weight: float


@dataclass(frozen=True)
class Zone:
    """A minimum zone: every reading lies within ± width/2 of height = middle[0] + middle[1]·x (+ middle[2]·y).

    `width_um` is the sum of weight × height over the contacts; positive weights add up to 1, negative ones to −1: near
    this state the width is that linear functional of the heights. A line has at most three contacts, a plane four;
    a zone of no width has none, for it can only grow. Several zones can be equally narrow (on a regular grid they
    often are): this is one of them.
    """

    width_um: float
    middle: tuple[float, ...]
    contacts: tuple[Contact, ...]

    def weights(self, n: int) -> Floats:
        """(n,) the functional over all n readings: width = weights @ height."""
        all_weights = np.zeros(n)
        for contact in self.contacts:
            all_weights[contact.index] += contact.weight
        return all_weights


def straightness(x_mm: ArrayLike, height_um: ArrayLike) -> Straightness[Any]:
    """Straightness of one profile, `height_um` (n,), or of m draws of it, (m, n), at `x_mm` (n,).

    Fewer than three readings are straight. Raises ValueError when there is none, when all are at one place, and when
    something is not a finite number.
    """
    x, heights = checked_line(x_mm, height_um)
    zone, residual = minimum_zone_lines(x, heights), orthonormal(line_columns(x)).residual(heights)
    numbers = (zone, *_about_least_squares(residual), _end_points(x, heights))
    return Straightness(*(_as_given(number, height_um) for number in numbers))


def flatness(x_mm: ArrayLike, y_mm: ArrayLike, height_um: ArrayLike) -> Flatness[Any]:
    """Flatness of one surface, `height_um` (n,), or of m draws of it, (m, n), at `x_mm`, `y_mm`, both (n,).

    Fewer than four readings are flat; readings all on one line are judged as a profile along it. Raises ValueError
    when there is no reading, when all are at one place, and when something is not a finite number.
    """
    x, y, heights = checked_plane(x_mm, y_mm, height_um)
    line = one_line(x, y)
    columns = plane_columns(x, y) if line is None else line_columns(line.along_mm)
    numbers = (minimum_zone_planes(x, y, heights), *_about_least_squares(orthonormal(columns).residual(heights)))
    return Flatness(*(_as_given(number, height_um) for number in numbers))


def minimum_zone_lines(x_mm: ArrayLike, height_um: ArrayLike) -> Floats:
    """(m,) µm: the minimum zone of each of m profiles, `height_um` (m, n), at `x_mm` (n,)."""
    x, heights = checked_line(x_mm, height_um)
    if x.size < 3:
        return np.zeros(len(heights))
    touch, weights, _ = _line_zones(x, heights)
    return _widths(heights, touch, weights)


def minimum_zone_planes(x_mm: ArrayLike, y_mm: ArrayLike, height_um: ArrayLike) -> Floats:
    """(m,) µm: the minimum zone of each of m surfaces, `height_um` (m, n), at `x_mm`, `y_mm`, both (n,)."""
    x, y, heights = checked_plane(x_mm, y_mm, height_um)
    line = one_line(x, y)
    if line is not None:
        return minimum_zone_lines(line.along_mm, heights)
    if x.size < 4:
        return np.zeros(len(heights))
    return 2.0 * minimax(plane_columns(x, y), heights).deviation


def line_zone(x_mm: ArrayLike, height_um: ArrayLike) -> Zone:
    """The minimum zone of one profile, `height_um` (n,), with its middle line and contacts."""
    x, heights = checked_line(x_mm, height_um)
    _only_one(heights)
    if x.size < 3:
        slope = float(heights[0, -1] - heights[0, 0]) / float(x[-1] - x[0]) if x.size == 2 else 0.0
        return Zone(0.0, (float(heights[0, 0]) - slope * float(x[0]), slope), ())
    touch, weights, slopes = _line_zones(x, heights)
    width, slope = float(_widths(heights, touch, weights)[0]), float(slopes[0])
    upper, lower = (heights[0, touch[0][side]] - slope * x[touch[0][side]] for side in (weights[0] > 0, weights[0] < 0))
    return Zone(width, (float(upper.mean() + lower.mean()) / 2.0, slope), _contacts(width, touch[0], weights[0]))


def plane_zone(x_mm: ArrayLike, y_mm: ArrayLike, height_um: ArrayLike) -> Zone:
    """The minimum zone of one surface, `height_um` (n,), with its middle plane and contacts.

    When all places lie on one line the plane is level across it.
    """
    x, y, heights = checked_plane(x_mm, y_mm, height_um)
    _only_one(heights)
    line = one_line(x, y)
    if line is not None:
        zone = line_zone(line.along_mm, heights)
        b, c = (zone.middle[1] * part for part in line.direction)
        return Zone(zone.width_um, (zone.middle[0] - b * line.centre[0] - c * line.centre[1], b, c), zone.contacts)
    if x.size < 4:
        through = np.linalg.solve(plane_columns(x, y), heights[0])
        return Zone(0.0, tuple(float(number) for number in through), ())
    best = minimax(plane_columns(x, y), heights)
    middle = tuple(float(coefficient) for coefficient in best.coefficients[0])
    width = 2.0 * float(best.deviation[0])
    return Zone(width, middle, _contacts(width, best.touch[0], 2.0 * best.weights[0]))


def _line_zones(x: Floats, heights: Floats) -> tuple[Indexes, Floats, Floats]:
    """Contacts (m, 3), their weights (m, 3) and the slope (m,) of each draw's zone."""
    order = np.argsort(x, kind="stable")
    at, m = x[order], len(heights)
    ordered = heights if (order == np.arange(x.size)).all() else heights[:, order]
    touch, weights, slopes, doubt = np.empty((m, 3), dtype=np.intp), np.empty((m, 3)), np.empty(m), np.empty(m)
    heads, tails = int((at == at[0]).sum()), int((at == at[-1]).sum())
    if compiled(heights.size, MANY_NUMBERS):
        from waywright.core.judge import _loops

        _loops.line_zones(at, heads, tails, np.ascontiguousarray(ordered), touch, weights, slopes, doubt)
    else:
        step = max(1, CHUNK // x.size)
        for part in (slice(i, i + step) for i in range(0, m, step)):
            _arrays.line_zones(at, heads, tails, ordered[part], touch[part], weights[part], slopes[part], doubt[part])
    doubt += np.abs(weights).sum(axis=1) - 2.0  # more when the middle reading does not lie between the others
    unsure = np.flatnonzero(~(doubt <= PROVED))
    if unsure.size:  # some places lie all but on each other
        best = minimax(line_columns(at), ordered[unsure])
        touch[unsure], weights[unsure], slopes[unsure] = best.touch, 2.0 * best.weights, best.coefficients[:, 1]
    return order[touch], weights, slopes


def _widths(heights: Floats, touch: Indexes, weights: Floats) -> Floats:
    """(m,) the weighted sum of the touching heights, never below 0 by rounding."""
    first = np.take_along_axis(heights, touch[:, :1], axis=1)  # weights add up to 0: keeps small zones of steep lines
    rise = np.take_along_axis(heights, touch, axis=1) - first
    return np.asarray(np.maximum((rise * weights).sum(axis=1), 0.0))


def _contacts(width: float, touch: Indexes, weights: Floats) -> tuple[Contact, ...]:
    """In the order of the readings. One that touches without weight may move a little and changes nothing."""
    matter = [i for i in np.argsort(touch) if abs(weights[i]) > 1e-12] if width > 0.0 else []
    return tuple(Contact(int(touch[i]), float(weights[i])) for i in matter)


def _about_least_squares(residual: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Peak to valley, peak, valley, root mean square: (m,) each."""
    peak, valley = np.maximum(residual.max(axis=1), 0.0), np.maximum(-residual.min(axis=1), 0.0)
    return peak + valley, peak, valley, np.sqrt(np.square(residual).mean(axis=1))


def _end_points(x: Floats, heights: Floats) -> Floats:
    """(m,) about the line through the first and the last place, each the mean of what was read there."""
    first, last = x.min(), x.max()
    if first == last:
        return np.zeros(len(heights))
    start, end = (heights[:, x == place].mean(axis=1, keepdims=True) for place in (first, last))
    above = heights - start - (end - start) * ((x - first) / (last - first))
    return np.asarray(np.maximum(above.max(axis=1), 0.0) - np.minimum(above.min(axis=1), 0.0))


def _only_one(heights: Floats) -> None:
    if len(heights) != 1:
        raise ValueError("A zone with its contacts is found for one set of heights at a time.")


def _as_given(numbers: Floats, height_um: ArrayLike) -> Any:
    """A float for one profile or surface, the array for draws."""
    return float(numbers[0]) if np.ndim(height_um) == 1 else numbers
