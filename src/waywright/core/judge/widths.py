"""The least width of a body: how far apart two parallel planes must be, whatever their direction, to hold it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from scipy.spatial import ConvexHull

Floats = NDArray[np.float64]

BLOCK = 2_000_000  # pairs looked at at once
ROUNDING = 1e-12


@dataclass(frozen=True)
class NormalWidth:
    """`width` in the unit of the points; `normal`: (3,) unit vector square to both planes, its largest part > 0."""

    width: float
    normal: Floats


def normal_width(points: ArrayLike) -> NormalWidth:
    """The least distance of two parallel planes in any direction that hold all `points`, (n, 3). Exact.

    Planes of least width touch a face and a corner, or an edge each (Houle & Toussaint 1988): all of either kind that
    could be narrowest are looked at. Raises ValueError when there is no point or a coordinate is not a finite number.
    """
    given = np.asarray(points, dtype=float)
    if given.ndim != 2 or given.shape[1] != 3 or given.size == 0:
        raise ValueError(f"A body is given by points of shape (n, 3), not {given.shape}.")
    if not np.isfinite(given).all():
        raise ValueError("A coordinate is missing or not a finite number: leave that point out.")
    body = given - given.mean(axis=0)
    axes = np.linalg.svd(body, full_matrices=len(body) < 3)  # of one or two points any normal will do
    if len(body) < 4 or axes.S[2] <= ROUNDING * axes.S[0]:
        return _width(body, axes.Vh[2])
    from scipy.spatial import ConvexHull  # here: it takes a tenth of a second to load

    # Which faces and edges can be touched together does not change when the body is stretched: look at a round one.
    stretch = (axes.Vh.T / axes.S) * np.sqrt(len(body))
    hull = ConvexHull(body @ stretch)
    corners = body[hull.vertices]
    normals = _unit(hull.equations[:, :3] @ stretch.T)
    faces = _widths(corners, normals)
    normals = np.vstack([normals[faces.argmin()], _edge_normals(hull, stretch, corners, float(faces.min()))])
    return _width(body, normals[_widths(corners, normals).argmin()])


def _width(body: Floats, normal: Floats) -> NormalWidth:
    normal = normal * (1.0 if normal[np.abs(normal).argmax()] > 0 else -1.0)
    return NormalWidth(float(np.ptp(body @ normal)), normal)


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


def _widths(corners: Floats, normals: Floats) -> Floats:
    """(d,) how wide the body is in each of d directions."""
    step = max(1, BLOCK // len(corners))
    return np.concatenate([np.ptp(normals[i : i + step] @ corners.T, axis=1) for i in range(0, len(normals), step)])


def _edge_normals(hull: ConvexHull, stretch: Floats, corners: Floats, width: float) -> Floats:
    """(d, 3) unit normals of the plane pairs that touch an edge each and could be narrower than `width`.

    Among all normals, seen as a sphere, an edge is the arc between the normals of its two faces; planes touch two
    edges where the arc of one crosses the mirror image of the other's. A crossing found by mistake does no harm: its
    true width is taken afterwards.
    """
    one, other = _arcs(hull)
    keep = _could_be_narrower(one @ stretch.T, other @ stretch.T, corners, width)
    one, other = one[keep], other[keep]
    pole = np.cross(one, other)
    pole /= np.linalg.norm(pole, axis=1, keepdims=True)
    found = [np.empty((0, 3))]
    step = max(1, BLOCK // max(1, len(one)))
    for i in range(0, len(one), step):
        here = slice(i, i + step)
        # arc ab meets the mirrored arc cd where c, d lie either side of ab, a, b either side of cd, all in one half
        c, d = -(pole[here] @ one.T), -(pole[here] @ other.T)
        a, b = one[here] @ pole.T, other[here] @ pole.T
        meet = (c * d <= ROUNDING) & (a * b <= ROUNDING) & (c * b >= -ROUNDING) & (a * d >= -ROUNDING)
        first, second = np.nonzero(meet)
        once = second > first + i
        found.append(np.cross(pole[i + first[once]], pole[second[once]]))
    crossings = np.concatenate(found)
    crossings = crossings[np.linalg.norm(crossings, axis=1) > ROUNDING]  # arcs on one circle end at faces
    return _unit(crossings @ stretch.T)


def _arcs(hull: ConvexHull) -> tuple[Floats, Floats]:
    """Outward normals (e, 3) and (e, 3) of the faces beside each edge, without the seams within a flat face."""
    face, beside = np.repeat(np.arange(len(hull.simplices)), 3), hull.neighbors.ravel()
    face, beside = face[face < beside], beside[face < beside]
    one, other = hull.equations[face, :3], hull.equations[beside, :3]
    bent = np.linalg.norm(np.cross(one, other), axis=1) > ROUNDING
    return one[bent], other[bent]


def _could_be_narrower(one: Floats, other: Floats, corners: Floats, width: float) -> NDArray[np.intp]:
    """Which arcs hold a normal in which the body could be narrower than `width`.

    The body is at least as wide as the distance of any two of its corners seen along the normal. Unit normals between
    the ends of an arc see no less than the lesser of what the ends see, if both see it the same way round.
    First with some long chords for all, then for each arc with the two corners that its middle touches.
    """
    one, other, kept = _unit(one), _unit(other), np.arange(len(one))
    limit = width * (1.0 + ROUNDING)

    def cut(chords: Floats) -> None:
        nonlocal one, other, kept
        at_one, at_other = np.einsum("ij,ij->i", one, chords), np.einsum("ij,ij->i", other, chords)
        keep = (np.minimum(at_one, at_other) <= limit) & (np.maximum(at_one, at_other) >= -limit)
        one, other, kept = one[keep], other[keep], kept[keep]

    axes = np.linalg.svd(corners - corners.mean(axis=0), full_matrices=False).Vh
    for axis in (axes[0], axes[1], axes[0] + axes[1], axes[0] - axes[1]):
        along = corners @ axis
        cut(np.broadcast_to(corners[along.argmax()] - corners[along.argmin()], one.shape))
    middle, step = one + other, max(1, BLOCK // len(corners))
    own = np.empty((len(middle), 3))
    for i in range(0, len(middle), step):
        reach = middle[i : i + step] @ corners.T
        own[i : i + step] = corners[reach.argmax(axis=1)] - corners[reach.argmin(axis=1)]
    cut(own)
    return kept
