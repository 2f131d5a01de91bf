"""The pencil grid on a face: squares along and across, the places that bound the heights in each, and what is read.

Heights are linear between nodes, along and across, and a pass takes the same all over a square; so what is highest and
lowest in a square lies at its corners or where a station or line runs through it. Those are its *places*.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from waywright.core.evidence.things import Face, FloatArray, IntArray
from waywright.core.judge.geometry import effective

GRID_MM = 25.0  # as far apart as pencil lines are drawn; common practice, no source
_SAME_MM = 1e-6


@dataclass(frozen=True)
class Pencil:
    """Squares numbered band · columns + column, bands from the near edge, columns from the marked end.

    `x_mm` (columns + 1,), `y_mm` (bands + 1,): the pencil lines, the face's own edges included. `workable` (squares,):
    whether all of a square is read well enough to be scraped. Of the workable squares, in order: `square` (places,)
    each place's square, `at_x_mm`, `at_y_mm` (places,), `weights` (places, nodes read) heights there from those of
    the nodes read, `counts` (places,) within the length that is judged.
    """

    face: Face
    x_mm: FloatArray
    y_mm: FloatArray
    workable: NDArray[np.bool_]
    square: IntArray
    at_x_mm: FloatArray
    at_y_mm: FloatArray
    weights: sparse.csr_array
    counts: NDArray[np.bool_]
    node_squares: sparse.csr_array  # (nodes read, squares): each node's share in the squares it touches

    @property
    def shape(self) -> tuple[int, int]:
        """Bands and columns."""
        return len(self.y_mm) - 1, len(self.x_mm) - 1

    @cached_property
    def area_mm2(self) -> FloatArray:
        """(squares,) of each square."""
        return np.outer(np.diff(self.y_mm), np.diff(self.x_mm)).ravel()

    @cached_property
    def starts(self) -> IntArray:
        """(workable squares,) where each one's places begin, for ufunc.reduceat."""
        return np.flatnonzero(np.r_[True, np.diff(self.square) > 0]) if len(self.square) else np.zeros(0, np.intp)

    @cached_property
    def numbers(self) -> IntArray:
        """(workable squares,) their numbers."""
        return self.square[self.starts]

    @cached_property
    def span_mm(self) -> tuple[float, float]:
        """From where to where along x is judged."""
        return _ends(self.at_x_mm[self.counts]) or (0.0, self.face.length_mm)

    @cached_property
    def across_mm(self) -> tuple[float, float] | None:
        """The same across; None on a face read on one line."""
        return _ends(self.at_y_mm[self.counts])

    @cached_property
    def s(self) -> FloatArray:
        """(places,) along: −1 and 1 at the ends of the length that is judged."""
        return np.asarray((2.0 * self.at_x_mm - sum(self.span_mm)) / (self.span_mm[1] - self.span_mm[0]))

    @cached_property
    def t(self) -> FloatArray:
        """(places,) across: −1 and 1 at the outermost places; 0 on a face read on one line."""
        if self.across_mm is None:
            return np.zeros(len(self.at_y_mm))
        return np.asarray((2.0 * self.at_y_mm - sum(self.across_mm)) / (self.across_mm[1] - self.across_mm[0]))

    @cached_property
    def owner(self) -> IntArray:
        """(places,) the position of each place's square among the workable ones."""
        return np.asarray(np.searchsorted(self.numbers, self.square), np.intp)

    @cached_property
    def uneven(self) -> sparse.csr_array:
        """(places, squares): what a pattern of passes does to a place beyond what it does to the nodes around it."""
        size = (len(self.square), len(self.area_mm2))
        own = sparse.csr_array((np.ones(size[0]), (np.arange(size[0]), self.square)), shape=size)
        return sparse.csr_array(own - self.weights @ self.node_squares)


def pencil(
    face: Face,
    x_mm: FloatArray,
    y_mm: FloatArray,
    *,
    leave_out_mm: float = 0.0,
    grid_mm: float = GRID_MM,
    quarters: bool = False,
) -> Pencil:
    """Rule `face`, read at the nodes `x_mm`, `y_mm` (n,), into squares of about `grid_mm`.

    Along, lines stand every `grid_mm` from the marked end; a last piece of less than half is left with its neighbour.
    Across, a face read on one line has one band; one narrower than three squares, or read on two lines, its near and
    far half, or `quarters` where a half is too steep across; others bands of about `grid_mm`.
    A square is workable when every node that speaks of it is read and half of its length or more lies between the
    first and the last station or within half a step beyond: a rim goes with the station it is nearest to, lest it be
    left standing.
    Raises ValueError when a place is no node of the face, or nothing of the length is judged.
    """
    lines_x, lines_y = ruled(face, grid_mm, quarters=quarters)
    square, px, py = _places(face, lines_x, lines_y, leave_out_mm)
    nodes, share = face.interpolate(px, py)
    read = _read(face, x_mm, y_mm)
    workable = np.zeros((len(lines_y) - 1) * (len(lines_x) - 1), bool)
    workable[square] = True
    workable[square[np.any((share > 0) & (read[nodes] < 0), axis=1)]] = False
    kept = workable[square]
    square, px, py, nodes, share = square[kept], px[kept], py[kept], nodes[kept], share[kept]
    place, corner = np.nonzero(share > 0)
    weights = sparse.csr_array((share[place, corner], (place, read[nodes[place, corner]])), shape=(len(px), len(x_mm)))
    counts = effective(px, face.length_mm, leave_out_mm)
    shares = _node_squares(lines_x, lines_y, x_mm, y_mm)
    return Pencil(face, lines_x, lines_y, workable, square, px, py, weights, counts, shares)


def ruled(face: Face, grid_mm: float = GRID_MM, *, quarters: bool = False) -> tuple[FloatArray, FloatArray]:
    """The pencil lines of a face, (columns + 1,) and (bands + 1,) mm."""
    return _lines_along(face.length_mm, grid_mm), _lines_across(face, grid_mm, quarters)


def _places(
    face: Face, lines_x: FloatArray, lines_y: FloatArray, leave_out_mm: float
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Squares of which the stations speak, place by place, and where each place is; none beyond the outer nodes."""
    first, last, (least, greatest) = face.stations_mm[0], face.stations_mm[-1], _reach(face)
    marks = (*face.stations_mm, leave_out_mm, face.length_mm - leave_out_mm)
    across = [
        _between(low, high, face.lines_mm, face.lines_mm[0], face.lines_mm[-1]) for low, high in pairwise(lines_y)
    ]
    squares, xs, ys = [np.zeros(0, np.intp)], [np.zeros(0)], [np.zeros(0)]
    columns = len(lines_x) - 1
    spoken_of = np.minimum(lines_x[1:], greatest) - np.maximum(lines_x[:-1], least)
    worked = np.flatnonzero(spoken_of >= np.diff(lines_x) / 2 - _SAME_MM)
    along = {i: _between(lines_x[i], lines_x[i + 1], marks, first, last) for i in worked.tolist()}
    for j, y in enumerate(across):
        for i, x in along.items():
            squares.append(np.full(len(x) * len(y), j * columns + i, np.intp))
            xs.append(np.repeat(x, len(y)))
            ys.append(np.tile(y, len(x)))
    return np.concatenate(squares), np.concatenate(xs), np.concatenate(ys)


def _reach(face: Face) -> tuple[float, float]:
    """From where to where the stations speak: half a step beyond the first and the last."""
    x = face.stations_mm
    return (x[0] - (x[1] - x[0]) / 2, x[-1] + (x[-1] - x[-2]) / 2) if len(x) > 1 else (x[0], x[0])


def _lines_along(length_mm: float, grid_mm: float) -> FloatArray:
    if not grid_mm > 0:
        raise ValueError("The pencil grid is more than 0 mm wide.")
    whole = int(length_mm / grid_mm + 1e-9)
    lines = np.append(np.arange(whole + 1) * grid_mm, length_mm)
    rest = length_mm - whole * grid_mm
    if rest < _SAME_MM:
        lines = np.append(np.arange(whole) * grid_mm, length_mm)
    elif rest < grid_mm / 2 and whole:
        lines = np.delete(lines, -2)
    return lines


def _lines_across(face: Face, grid_mm: float, quarters: bool) -> FloatArray:
    half = face.width_mm / 2
    bands = int(face.width_mm / grid_mm + 1e-9)
    if len(face.lines_mm) == 1:
        bands = 1
    elif len(face.lines_mm) == 2 or bands < 3:
        bands = 4 if quarters else 2
    return np.linspace(-half, half, bands + 1)


def _read(face: Face, x_mm: FloatArray, y_mm: FloatArray) -> IntArray:
    """(nodes of the face,) the number of each among those read, −1 where it is not."""
    stations, lines = np.asarray(face.stations_mm), np.asarray(face.lines_mm)
    i = np.abs(stations[:, None] - x_mm).argmin(axis=0)
    j = np.abs(lines[:, None] - y_mm).argmin(axis=0)
    if np.any(np.abs(stations[i] - x_mm) > _SAME_MM) or np.any(np.abs(lines[j] - y_mm) > _SAME_MM):
        raise ValueError(f"A height is given where face {face.name} has no node: give stations and lines as they are.")
    read = np.full(len(face.x_mm), -1, np.intp)
    read[i * len(lines) + j] = np.arange(len(x_mm))
    return read


def _between(low: float, high: float, at: tuple[float, ...], first: float, last: float) -> FloatArray:
    """The ends of a stretch and the marks inside it, none beyond the first and last that are read."""
    inside = [a for a in at if low + _SAME_MM < a < high - _SAME_MM]
    return np.unique(np.clip([low, *inside, high], first, last))


def _node_squares(lines_x: FloatArray, lines_y: FloatArray, x_mm: FloatArray, y_mm: FloatArray) -> sparse.csr_array:
    """What stands on a node feels the mean of the squares that meet there."""
    touches_x = (x_mm[:, None] >= lines_x[:-1] - _SAME_MM) & (x_mm[:, None] <= lines_x[1:] + _SAME_MM)
    if len(lines_y) == 2:
        touches_y = np.ones((len(y_mm), 1), bool)
    else:
        touches_y = (y_mm[:, None] >= lines_y[:-1] - _SAME_MM) & (y_mm[:, None] <= lines_y[1:] + _SAME_MM)
    both = (touches_y[:, :, None] & touches_x[:, None, :]).reshape(len(x_mm), -1).astype(float)
    return sparse.csr_array(both / np.maximum(both.sum(axis=1, keepdims=True), 1.0))


def _ends(places: FloatArray) -> tuple[float, float] | None:
    return (float(places.min()), float(places.max())) if len(places) and np.ptp(places) > 0 else None
