"""The check of the beam where webs have holes: the whole piece in plane stress, with its holes and without.

Four-cornered elements, as thick as the layer they lie in; shear taken at their middle, so that they do not lock; one
that a hole cuts has the share of its stiffness that its metal is. Both solves are of one mesh, and only their ratio is
used: how much softer the holes make the piece, against how much softer the beam has it.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import sparse
from scipy.sparse import linalg

from waywright.core.body.stiffness import rows_mm
from waywright.core.evidence.section import Hole, Section
from waywright.core.evidence.things import FloatArray

ACROSS_A_HOLE = 8  # elements, at least
MOST_COLUMNS = 400
NOTHING = 1e-6  # of the stiffness, where there is no metal
_SIGNS = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)], float)  # of the corners of an element
_ROOT = 1 / np.sqrt(3.0)


@lru_cache(64)
def softened(sections: tuple[Section, ...], holes: tuple[Hole, ...], length_mm: float, poisson: float) -> float:
    """By what factor the holes let it hang further, carried at its ends under an even load along its back."""
    size = min(hole.diameter_mm for hole in holes) / ACROSS_A_HOLE
    x = np.linspace(0.0, length_mm, int(np.clip(np.ceil(length_mm / size), 50, MOST_COLUMNS)) + 1)
    y, thick = rows_mm(sections, x, size)
    metal = _metal(x, y, holes)
    return _hung(x, y, thick * metal, poisson) / _hung(x, y, thick, poisson)


def _metal(x: FloatArray, y: FloatArray, holes: tuple[Hole, ...]) -> FloatArray:
    """(columns, rows) the share of each element that is metal, at four by four places in it."""
    share = np.ones((len(x) - 1, y.shape[1] - 1))
    middle = 0.5 * y[:, [0]] + 0.5 * y[:, [-1]]  # of the depth, where holes are
    inside = np.zeros((*share.shape, 16), bool)
    for number, (u, v) in enumerate((u, v) for u in np.arange(4) / 4 + 0.125 for v in np.arange(4) / 4 + 0.125):
        at = x[:-1] + u * np.diff(x)
        level = (1 - u) * (y - middle)[:-1] + u * (y - middle)[1:]
        down = level[:, :-1] + v * np.diff(level, axis=1)
        for hole in holes:
            radius, straight = 0.5 * hole.diameter_mm, 0.5 * (hole.ends_mm[1] - hole.ends_mm[0] - hole.diameter_mm)
            along = np.maximum(np.abs(at - hole.x_mm) - straight, 0.0)
            inside[..., number] |= along[:, None] ** 2 + down**2 < radius**2
    return np.asarray(np.maximum(share - inside.mean(axis=2), NOTHING))


def _hung(x: FloatArray, y: FloatArray, thick: FloatArray, poisson: float) -> float:
    """How far its middle hangs, E = 1, carried at the middle of either end."""
    columns, rows = thick.shape
    node = np.arange((columns + 1) * (rows + 1)).reshape(columns + 1, rows + 1)
    corners = np.stack([node[:-1, :-1], node[1:, :-1], node[1:, 1:], node[:-1, 1:]], axis=-1).reshape(-1, 4)
    places = np.stack([np.broadcast_to(x[:, None], y.shape), y], axis=-1).reshape(-1, 2)
    each = _elements(places[corners], poisson) * thick.reshape(-1, 1, 1)
    freedoms = np.stack([2 * corners, 2 * corners + 1], axis=-1).reshape(-1, 8)
    i, j = np.repeat(freedoms, 8, axis=1).ravel(), np.tile(freedoms, 8).ravel()
    size = 2 * node.size
    matrix = sparse.csc_matrix((each.ravel(), (i, j)), (size, size))
    load = np.zeros(size)
    load[2 * node[:, -1] + 1] = np.gradient(x)
    ends = [int(2 * node[end, rows // 2] + 1) for end in (0, -1)]
    held = np.array([2 * node[0, rows // 2], *ends])
    free = np.setdiff1d(np.arange(size), held)
    moved = np.zeros(size)
    moved[free] = linalg.spsolve(matrix[free][:, free], load[free])
    return float(moved[2 * node[columns // 2, -1] + 1])


def _elements(at: FloatArray, poisson: float) -> FloatArray:
    """(n, 8, 8) stiffness of elements with corners (n, 4, 2), thickness and E of 1."""
    found = np.zeros((len(at), 8, 8))
    normal = np.array([[1, poisson], [poisson, 1]]) / (1 - poisson**2)
    for u, v in _ROOT * _SIGNS:
        strain, area = _strains(at, u, v)
        found += np.einsum("nia,ij,njb,n->nab", strain[:, :2], normal, strain[:, :2], area)
    strain, area = _strains(at, 0.0, 0.0)
    shear = strain[:, 2]
    return np.asarray(found + 4 / (2 * (1 + poisson)) * np.einsum("na,nb,n->nab", shear, shear, area))


def _strains(at: FloatArray, u: float, v: float) -> tuple[FloatArray, FloatArray]:
    """(n, 3, 8) strains by the movements of the corners at a place in each element, and its area there, a quarter."""
    slopes = 0.25 * np.stack([_SIGNS[:, 0] * (1 + v * _SIGNS[:, 1]), _SIGNS[:, 1] * (1 + u * _SIGNS[:, 0])])
    turn = slopes @ at  # (n, 2, 2)
    by_place = np.linalg.solve(turn, np.broadcast_to(slopes, (len(at), 2, 4)))
    strain = np.zeros((len(at), 3, 8))
    strain[:, 0, 0::2] = strain[:, 2, 1::2] = by_place[:, 0]
    strain[:, 1, 1::2] = strain[:, 2, 0::2] = by_place[:, 1]
    return strain, np.linalg.det(turn)
