"""How faces of one piece lie to each other: the piece is one rigid body, so that what ties two of its faces tells it.

Opposite faces: how much thicker the piece grows, along and across, and how its thickness changes from place to place.
Faces of the same side: how much the one rises against the other. This can be known where both shapes are blind: a
micrometer alone tells it.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
from scipy import sparse

from waywright.core.adjust.solution import Heights, Solution
from waywright.core.evidence.findings import Parallel
from waywright.core.evidence.job import Job
from waywright.core.evidence.rows import within
from waywright.core.evidence.things import BoolArray, Face, FloatArray

Pair = tuple[float | None, float | None]  # a number and its sigma, where there is one


def parallels(job: Job, solution: Solution) -> Iterator[Parallel]:
    """One for each two faces of a piece whose normals are parallel, in their newest states, of one body."""
    states = job.states()
    for piece in job.pieces:
        for one, other in combinations(piece.faces, 2):
            if one.against(other) not in (0.0, 180.0):
                continue
            top, under = (other, one) if abs(one.slope) > abs(other.slope) else (one, other)
            first, second = solution.face(top.name, states[top.name]), solution.face(under.name, states[under.name])
            if first is not None and second is not None and first.unknown.body == second.unknown.body:
                found = _parallel(solution, (top, first), (under, second))
                if found is not None:
                    yield found


def _parallel(solution: Solution, one: tuple[Face, Heights], other: tuple[Face, Heights]) -> Parallel | None:
    """`one` against `other`; of opposite faces the one that looks up more is the top."""
    (face, heights), (to, to_heights) = one, other
    opposite = face.against(to) == 180.0
    slopes, to_slopes = _slopes(heights), _slopes(to_heights)
    if slopes[0] is None or to_slopes[0] is None:
        return None
    # A bottom face is seen rolled over: its heights point the other way, and so do its y; hence the signs.
    along = _weights(solution, (heights, slopes[0]), (to_heights, to_slopes[0] if opposite else -to_slopes[0]))
    rises = _told(solution, along)
    leans: Pair = (None, None)
    if slopes[1] is not None and to_slopes[1] is not None:
        leans = _told(solution, _weights(solution, (heights, slopes[1]), (to_heights, -to_slopes[1])))
    varies: Pair = _variation(solution, face, to, heights, to_heights) if opposite else (None, None)
    return Parallel(face.name, to.name, opposite, *rises, *leans, *varies)


def _slopes(heights: Heights) -> tuple[FloatArray | None, FloatArray | None]:
    """(n,) weights that give the slope of the least-squares plane, µm/m, along and across; None what is not told."""
    x, y = heights.x_mm / 1e3, heights.y_mm / 1e3
    places = [np.ones_like(x), *(place for place in (x, y) if np.ptp(place) > 0)]
    columns = np.column_stack(places)
    if np.linalg.matrix_rank(columns - columns.mean(axis=0)) < len(places) - 1:
        return None, None  # on one line aslant: along and across are not told apart
    rows = iter(np.linalg.pinv(columns)[1:])
    return (next(rows) if np.ptp(x) > 0 else None), (next(rows) if np.ptp(y) > 0 else None)


def _weights(solution: Solution, *parts: tuple[Heights, FloatArray]) -> FloatArray:
    """(N,) weights on all unknowns from those on two faces; lift and tilt stay in, for the piece's own cancel."""
    full = np.zeros(solution.rows.matrix.shape[1])
    for heights, weights in parts:
        full[heights.unknown.columns] = weights
    return full


def _told(solution: Solution, weights: FloatArray) -> tuple[float, float]:
    return float(weights @ solution.mean_um), float(solution.sigma(weights))


def _variation(solution: Solution, face: Face, to: Face, heights: Heights, to_heights: Heights) -> Pair:
    """Greatest less least of the thickness wherever both faces are known, µm, and its sigma.

    What lies under (x, y) is at (x, −y): the bottom is seen rolled over. Both are linear between their read nodes, so
    the thickness is greatest and least where stations of either cross lines of either. A face known on one line tells
    of that line alone where the other is known on several: off it the piece's roll would change the one and not the
    other.
    """
    single = [line for known, line in _only_lines(face, to) if known]
    x = np.union1d(heights.x_mm, to_heights.x_mm)
    y = np.array(single) if single else np.union1d(heights.y_mm, -to_heights.y_mm)
    x, y = np.repeat(x, len(y)), np.tile(y, len(x))
    above, known = _at(solution, heights, face, x, y)
    below, known_too = _at(solution, to_heights, to, x, -y)
    weights = (above + below)[np.flatnonzero(known & known_too)]
    if weights.shape[0] < 2:
        return None, None
    thickness = weights @ solution.mean_um
    most, least = (weights[[int(at)]].toarray()[0] for at in (np.argmax(thickness), np.argmin(thickness)))
    return _told(solution, most - least)


def _only_lines(face: Face, to: Face) -> Iterator[tuple[bool, float]]:
    """Of each face whether its one line, y in mm on `face`, is all that tells of the thickness."""
    several = max(len(face.lines_mm), len(to.lines_mm)) > 1
    yield several and len(face.lines_mm) == 1, face.lines_mm[0]
    yield several and len(to.lines_mm) == 1, -to.lines_mm[0]


def _at(
    solution: Solution, heights: Heights, face: Face, x_mm: FloatArray, y_mm: FloatArray
) -> tuple[sparse.csr_matrix, BoolArray]:
    """Weights (n, N) on all unknowns that give the height of `face` at places (n,), and where it is known: on its read
    nodes and between them."""
    read = np.zeros(len(face.x_mm), bool)
    read[heights.unknown.nodes] = True
    column = np.cumsum(read) - 1 + heights.unknown.columns.start
    places = np.flatnonzero(within(face, x_mm, y_mm))
    nodes, shares = face.interpolate(x_mm[places], y_mm[places])
    known = np.zeros(len(x_mm), bool)
    known[places] = (read[nodes] | (shares == 0)).all(axis=1)
    shape = (len(x_mm), solution.rows.matrix.shape[1])
    used = read[nodes] & (shares != 0)
    at = np.broadcast_to(places[:, None], nodes.shape)[used]
    return sparse.csr_matrix((shares[used], (at, column[nodes][used])), shape=shape), known
