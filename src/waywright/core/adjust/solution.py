"""Weighted least squares over rows, free unknowns and rigid bodies without a prior, and what follows from its factor.

Heights have a diffuse prior of 1 mm on the RMS of any shape of a face: with n read nodes each node is
N(rigid body, (1 mm)²·n). The rigid body q of a piece is free: a few of its nodes are pinned at 0 and q is solved for,

    minimise  Σ ((J·h − value)/u)² + Σ |h_f − R_f·q|² / s_f²,     s_f = 1 mm·√n_f,

which is the projected problem exactly. Results are then about each face's own unweighted least-squares plane.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.linalg import lapack

from waywright.core.adjust.columns import Rows, Unknown, compress, orthonormal
from waywright.core.adjust.normal import Body, Normal
from waywright.core.evidence.rows import NOT_READ, Influence, Label
from waywright.core.evidence.things import BoolArray, Face, FloatArray, IntArray

PRIOR_UM = 1000.0  # the RMS of any shape of a face before it is read
AS_MADE = 5.0  # how true a face was made, over that RMS; a choice of ours
AT_A_TIME = 256  # columns of a covariance


def plane(x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """(n, k) orthonormal basis of a + b·x + c·y on places; k is 3, 2 on one line, 1 for one place."""
    columns = np.column_stack([np.ones_like(x_mm), x_mm - x_mm.mean(), y_mm - y_mm.mean()])
    return orthonormal(columns)


@dataclass(frozen=True)
class Heights:
    """One face state in a solution: its unknown and the plane it is told about."""

    unknown: Unknown
    x_mm: FloatArray
    y_mm: FloatArray
    plane: FloatArray  # (n, k) orthonormal
    prior_um: float  # of one node

    def about_plane(self, weights: FloatArray) -> FloatArray:
        """(n, k) weights made blind to lift and tilt of this face."""
        return weights - self.plane @ (self.plane.T @ weights)


class Solution:
    """The estimate of every unknown, with its factor: any weighted sum's sigma, draws, and shares by influence.

    `mean_um` (N,) in the columns of `unknowns`; heights in it stand on the pinned nodes, so ask for them through
    `heights_um`. Weights given to `sigma`, `covariance` and `share` must be blind to the lift and tilt of a piece. With
    `whole` nodes that no row touches are unknowns too; else they are left out.
    """

    def __init__(self, unknowns: Sequence[Unknown], rows: Rows, *, whole: bool = False) -> None:
        self.unknowns, self.rows, self.old_columns = compress(tuple(unknowns), rows, whole)
        self.faces = tuple(_heights(u) for u in self.unknowns if u.face is not None)
        width = self.rows.matrix.shape[1]
        self.weighted = _times(self.rows.matrix, 1 / self.rows.u_um)
        self.normal = Normal(self.weighted, *_beforehand(self.unknowns, self.faces, width), _bodies(self.faces))
        self.mean_um = self.normal.estimate(self.rows.value_um / self.rows.u_um)

    def information(self) -> tuple[FloatArray, IntArray]:
        """(n, n) the information on all unknowns but the pinned nodes, rigid bodies taken out, and their columns.

        Dense: for planning on jobs of some hundreds of nodes.
        """
        return self.normal.information()

    def face(self, name: str, state: int) -> Heights | None:
        """The heights of a face in a state; None when nothing touches it."""
        return next((f for f in self.faces if f.unknown.face.name == name and f.unknown.state == state), None)  # type: ignore[union-attr]

    def heights_um(self, face: Heights) -> FloatArray:
        """(n,) about the least-squares plane of the read nodes."""
        return face.about_plane(self.mean_um[face.unknown.columns][:, None])[:, 0]

    def spread(self, face: Heights, weights: FloatArray) -> FloatArray:
        """Weights on one face (n, k), made blind to its lift and tilt, as weights on all unknowns (N, k)."""
        full = np.zeros((self.rows.matrix.shape[1], weights.shape[1]))
        full[face.unknown.columns] = face.about_plane(weights)
        return full

    def carry(self, weights: FloatArray) -> FloatArray:
        """The covariance of all unknowns times weights, (N, k) → (N, k)."""
        return self.normal.carry(weights)

    def covariance(self, weights: FloatArray) -> FloatArray:
        """(N, k) weights → (k, k) covariance of the weighted sums."""
        found = weights.T @ self.carry(weights)
        return np.asarray(0.5 * (found + found.T))

    def sigma(self, weights: FloatArray) -> FloatArray:
        """(N,) or (N, k) weights → the standard uncertainty of the weighted sum."""
        flat = weights.ndim == 1
        columns = weights[:, None] if flat else weights
        found = np.sqrt(np.maximum(np.einsum("ij,ij->j", columns, self.carry(columns)), 0.0))
        return np.asarray(found[0] if flat else found)

    def face_covariance(self, face: Heights) -> FloatArray:
        """(n, n) of the heights about their plane; some columns at a time, for what is carried is as long as all."""
        n = len(face.x_mm)
        found = np.empty((n, n))
        for start in range(0, n, AT_A_TIME):
            some = slice(start, min(n, start + AT_A_TIME))
            one = np.zeros((n, found[:, some].shape[1]))
            np.fill_diagonal(one[some], 1.0)
            carried = self.carry(self.spread(face, one))
            found[:, some] = face.about_plane(carried[face.unknown.columns])
        found += found.T.copy()
        found *= 0.5
        return found

    def height_sigmas(
        self, face: Heights, against: FloatArray | None = None, carried: FloatArray | None = None
    ) -> FloatArray:
        """(n,) standard uncertainty of each node about the plane; by the selected inverse.

        With `against` (n, j) orthonormal, of what is left when those shapes are taken out as well as the plane's
        (`carried`, if already known, is the covariance times them, (N, j)).
        """
        basis = face.plane if against is None else against
        if carried is None:
            full = np.zeros((self.rows.matrix.shape[1], basis.shape[1]))
            full[face.unknown.columns] = basis
            carried = self.carry(full)
        here = carried[face.unknown.columns]
        within = basis.T @ here
        variance = (
            self.normal.variances[face.unknown.columns]
            - 2 * np.einsum("ij,ij->i", here, basis)
            + np.einsum("ij,jk,ik->i", basis, within, basis)
        )
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    @cached_property
    def residuals(self) -> FloatArray:
        """(n,) value − fitted, over u."""
        return np.asarray(self.rows.value_um / self.rows.u_um - self.weighted @ self.mean_um)

    @cached_property
    def redundancies(self) -> FloatArray:
        """(n,) the part of each reading that the others check, 0 to 1 (Baarda 1968)."""
        return np.clip(1.0 - self.normal.row_variances(), 0.0, 1.0)

    def seen(self, rows: IntArray) -> FloatArray:
        """(n, k) how much what is fitted to each reading follows some (k,) of them, all over their u: columns of the
        hat matrix."""
        return np.asarray(self.weighted @ self.carry(self.weighted[rows].toarray().T))

    def residual_covariance(self, row: int) -> FloatArray:
        """(n,) of the residual of `row` with every other, all over their u."""
        covariance = -self.seen(np.array([row]))[:, 0]
        covariance[row] += 1.0
        return covariance

    def residual_correlation(self, row: int) -> FloatArray:
        """(n,) of the residual of `row` with every other; 0 where either is not checked."""
        size = np.sqrt(self.redundancies * self.redundancies[row])
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(size > 1e-9, self.residual_covariance(row) / size, 0.0)

    def predict(self, matrix: sparse.csr_matrix) -> tuple[FloatArray, FloatArray]:
        """Rows over the unknowns → what they should read, and its sigma without a reading's own noise."""
        return matrix @ self.mean_um, self.sigma(matrix.toarray().T)

    def draws(self, count: int, seed: int) -> FloatArray:
        """(N, count) of all unknowns from their joint distribution, on the pinned nodes."""
        return self.mean_um[:, None] + self.normal.draws(count, seed)

    def share(self, weights: FloatArray) -> Mapping[Influence | Label, float]:
        """How much of a weighted sum's variance comes from each named influence; they add up to 1."""
        carried = self.carry(weights[:, None])[:, 0]
        through = (self.weighted @ carried / self.rows.u_um) ** 2
        parts: dict[Influence | Label, float] = {n: float(through @ part) for n, part in self.rows.noise_um2.items()}
        for unknown in self.unknowns:
            if unknown.face is None and unknown.prior_um is not None:
                parts[unknown.label] = float(carried[unknown.columns][0] ** 2 / unknown.prior_um**2)
        total = float(weights @ carried)
        parts[NOT_READ] = max(0.0, total - sum(parts.values()))
        return {name: part / total for name, part in parts.items() if part > 1e-12 * total}


def _times(matrix: sparse.csr_matrix, factor: FloatArray) -> sparse.csr_matrix:
    """Each row times its factor."""
    data = matrix.data * np.repeat(factor, np.diff(matrix.indptr))
    return sparse.csr_matrix((data, matrix.indices, matrix.indptr), shape=matrix.shape)


def _heights(unknown: Unknown) -> Heights:
    face, nodes = unknown.face, unknown.nodes
    assert face is not None
    assert nodes is not None
    x, y = face.x_mm[nodes], face.y_mm[nodes]
    return Heights(unknown, x, y, plane(x, y), shape_prior_um(face) * np.sqrt(len(nodes)))


def shape_prior_um(face: Face) -> float:
    """The RMS of any shape of a face before it is read, µm: a millimetre, or a fifth of how true it is said to be made
    (which is taken as five standard deviations from peak to valley)."""
    return PRIOR_UM if face.as_made_um is None else face.as_made_um / AS_MADE


def _beforehand(unknowns: Sequence[Unknown], faces: Sequence[Heights], width: int) -> tuple[BoolArray, FloatArray]:
    """(N,) which columns are heights, and (N,) one over the variance of each column's prior, 0 where it has none."""
    node, precision = np.zeros(width, bool), np.zeros(width)
    for face in faces:
        node[face.unknown.columns] = True
        precision[face.unknown.columns] = face.prior_um**-2
    for unknown in unknowns:
        if unknown.face is None and unknown.prior_um is not None:
            precision[unknown.columns] = unknown.prior_um**-2
    return node, precision


def _bodies(faces: Sequence[Heights]) -> list[Body]:
    """Each rigid body, pinned at the nodes that hold it best."""
    found = []
    for body in dict.fromkeys(f.unknown.body for f in faces):
        members = [f for f in faces if f.unknown.body == body]
        columns = np.concatenate([np.arange(f.unknown.columns.start, f.unknown.columns.stop) for f in members])
        rigid = np.concatenate([f.unknown.face.rigid(f.x_mm, f.y_mm) for f in members])  # type: ignore[union-attr]
        basis = orthonormal(rigid)
        _, pivots, *_ = lapack.dgeqp3(basis.T)  # pivots of its shapes
        found.append(Body(columns, basis, np.asarray(pivots[: basis.shape[1]], np.intp) - 1))
    return found
