"""Relations that are not a zone of one face: twist, parallelism of two faces, and the length that counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Generic, Literal, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waywright.core.judge._places import checked_plane, plane_columns
from waywright.core.judge.minimax import orthonormal
from waywright.core.judge.zones import plane_zone

Floats = NDArray[np.float64]
Number = TypeVar("Number", float, Floats)


@dataclass(frozen=True)
class Twist(Generic[Number]):
    """Cross slope at the far end less that at the marked end, + when the + y side rises towards the far end.

    The ends are the first and the last place read along x, `length_mm` apart, wherever the face itself ends.
    Numbers for one face, (m,) arrays for m draws.
    """

    um_per_m: Number
    """Of the slope across: µm per metre of width, over the whole `length_mm`."""
    edge_to_edge_um: Number
    """The same over `width_mm`: how much more one edge rises, from end to end, than the other."""
    length_mm: float
    width_mm: float


def tells_twist(x_mm: ArrayLike, y_mm: ArrayLike) -> bool:
    """Whether a + b·x + c·y + d·x·y has one answer at these places: not on one line, nor on two that cross square."""
    x, y = np.asarray(x_mm, dtype=float).ravel(), np.asarray(y_mm, dtype=float).ravel()
    return x.size > 3 and len(orthonormal(_warped_columns(x, y)).kept) == 4


def twist_weights(x_mm: ArrayLike, y_mm: ArrayLike) -> Floats:
    """(n,) the twist as a linear functional: `um_per_m` = weights @ height. ValueError as for `twist`."""
    x, y, _ = checked_plane(x_mm, y_mm, np.zeros(np.size(x_mm)))
    if not tells_twist(x, y):
        raise ValueError("The twist cannot be told: it takes readings on two lines at two places along each.")
    frame = orthonormal(_warped_columns(x, y))
    warp = frame.basis[3] / (frame.mixing[3, 3] * x.size)  # of s·t: only the last column reaches the last basis row
    return np.asarray(warp * 2.0 * (2.0 / np.ptp(y)) * 1e3)


def twist(x_mm: ArrayLike, y_mm: ArrayLike, height_um: ArrayLike, width_mm: float | None = None) -> Twist[Any]:
    """Twist of a face from the least-squares a + b·x + c·y + d·x·y: d times the length read, in µm/m.

    `height_um`: (n,) or m draws (m, n) at `x_mm`, `y_mm`, both (n,). Edge to edge is over `width_mm`, or over the width
    read when it is not given. Raises ValueError when the places cannot tell a twist (see `tells_twist`).
    """
    x, y, heights = checked_plane(x_mm, y_mm, height_um)
    slope = heights @ twist_weights(x, y)
    width = float(np.ptp(y)) if width_mm is None else width_mm
    edges = slope * width / 1e3
    if np.ndim(height_um) == 1:
        return Twist[float](float(slope[0]), float(edges[0]), float(np.ptp(x)), width)
    return Twist[Floats](slope, edges, float(np.ptp(x)), width)


def _warped_columns(x: Floats, y: Floats) -> Floats:
    """(n, 4): 1, s, t, s·t with s and t from −1 to 1 over what was read."""
    spans = [max(float(np.ptp(place)), 1e-300) for place in (x, y)]
    s, t = ((2.0 * place - place.min() - place.max()) / span for place, span in zip((x, y), spans, strict=True))
    return np.stack([np.ones(x.size), s, t, s * t], axis=1)


@dataclass(frozen=True)
class Parallelism(Generic[Number]):
    """How far a face is from parallel to another: numbers for one state, (m,) arrays for m draws."""

    value_um: Number
    """Distance of two planes parallel to the datum plane that hold the face: its form and its tilt together."""
    slope_along_um_per_m: Number
    """Tilt of the face's least-squares plane against the datum plane, + when it rises with x."""
    slope_across_um_per_m: Number
    """The same across, + when it rises with y."""


def parallelism(
    x_mm: ArrayLike,
    y_mm: ArrayLike,
    height_um: ArrayLike,
    datum_x_mm: ArrayLike,
    datum_y_mm: ArrayLike,
    datum_height_um: ArrayLike,
    reference: Literal["least squares", "minimum zone"] = "least squares",
) -> Parallelism[Any]:
    """Parallelism of a face, `height_um` (n,) or (m, n), to a datum face, `datum_height_um` (k,) or (m, k).

    Both in one frame: the same x and y, heights the same way up. For opposite faces of a piece turn the lower one's
    round: its heights are + out of the metal, and its y is mirrored. The datum is represented by its least-squares
    plane, as ISO 230-1 lets a functional surface be, or by the middle plane of its minimum zone; the value is what JIS
    B 0621 calls parallelism: the least distance of two planes parallel to the datum that hold the face.
    Faces on one line each are compared along it. Errors as for `flatness`.
    """
    x, y, heights = checked_plane(x_mm, y_mm, height_um)
    at_x, at_y, datum = checked_plane(datum_x_mm, datum_y_mm, datum_height_um)
    if reference == "minimum zone":
        slopes = np.array([plane_zone(at_x, at_y, one).middle[1:] for one in datum])
    else:
        slopes = _slopes(at_x, at_y, datum)
    own = _slopes(x, y, heights)
    above = heights - slopes[:, :1] * x - slopes[:, 1:] * y
    numbers = (np.ptp(above, axis=1), *(1e3 * (own - slopes)).T)
    if np.ndim(height_um) == 1 and np.ndim(datum_height_um) == 1:
        return Parallelism[float](*(float(number[0]) for number in numbers))
    return Parallelism[Floats](*numbers)


def _slopes(x: Floats, y: Floats, heights: Floats) -> Floats:
    """(m, 2) µm/mm along x and y of the least-squares planes; level across what all lies on one line."""
    columns = plane_columns(x - x.mean(), y - y.mean())
    frame = orthonormal(columns)
    return frame.coefficients(frame.parts(heights))[:, 1:]


def effective(x_mm: ArrayLike, length_mm: float, leave_out_mm: float) -> NDArray[np.bool_]:
    """(n,) which places count when `leave_out_mm` at each end of a face `length_mm` long is left out; the rims count.

    Raises ValueError when nothing of the face is left, or the length to leave out is negative.
    """
    if not 0.0 <= leave_out_mm < length_mm / 2.0:
        raise ValueError(f"Leaving out {leave_out_mm:g} mm at each end of {length_mm:g} mm leaves nothing to judge.")
    x = np.asarray(x_mm, dtype=float)
    rim = 1e-9 * length_mm
    return np.asarray((x >= leave_out_mm - rim) & (x <= length_mm - leave_out_mm + rim))
