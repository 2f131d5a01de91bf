"""Weighted least squares over rows, free unknowns and rigid bodies without a prior, and what follows from its factor.

Heights have a diffuse prior of 1 mm on the RMS of any shape of a face: with n read nodes each node is
N(rigid body, (1 mm)²·n). The rigid body q of a piece is free: a few of its nodes are pinned at 0 and q is solved for,

    minimise  Σ ((J·h − value)/u)² + Σ |h_f − R_f·q|² / s_f²,     s_f = 1 mm·√n_f,

which is the projected problem exactly. Results are then about each face's own unweighted least-squares plane.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg, sparse
from scipy.linalg import lapack

from waywright.core.adjust.arrow import ArrowheadFactor, NotPositive, Selected
from waywright.core.adjust.columns import Rows, Unknown, compress, orthonormal, over
from waywright.core.evidence.rows import NOT_READ, Influence, Label
from waywright.core.evidence.things import Face, FloatArray, IntArray

PRIOR_UM = 1000.0  # the RMS of any shape of a face before it is read
PRECISE = 1e-3  # of what is blind: beyond, the factor is taken from the rows
AS_MADE = 5.0  # how true a face was made, over that RMS; a choice of ours
AT_A_TIME = 256  # columns of a covariance
REFINEMENTS = 4  # at most; each uses the residuals of the rows themselves, so the normal matrix's squaring is undone


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
        self._assemble()
        self.mean_um = self._estimate()

    # -- the normal matrix, in the order: nodes not pinned | own unknowns, rigid bodies

    def _assemble(self) -> None:
        width = self.rows.matrix.shape[1]
        bodies = _bodies(self.faces)
        pinned = np.zeros(width, bool)
        node = np.zeros(width, bool)
        inverse_s2 = np.zeros(width)
        for face in self.faces:
            node[face.unknown.columns] = True
            inverse_s2[face.unknown.columns] = face.prior_um**-2
        for columns, _, pins in bodies:
            pinned[columns[pins]] = True
        self.nodes = np.flatnonzero(node & ~pinned)
        self.own = np.flatnonzero(~node)
        own_prior = np.zeros(width)
        for unknown in self.unknowns:
            if unknown.face is None and unknown.prior_um is not None:
                own_prior[unknown.columns] = unknown.prior_um**-2
        self.weighted = _times(self.rows.matrix, 1 / self.rows.u_um)
        self.packed = over(self.weighted, np.concatenate([self.nodes, self.own]))  # rows over nodes | own unknowns
        n = len(self.nodes)
        normal = (self.packed.T @ self.packed).T.tocsr()  # symmetric: its transpose is itself, by rows
        inner = over(normal[:n], np.arange(n)) + sparse.diags_array(inverse_s2[self.nodes])
        outer = over(normal, np.arange(n, n + len(self.own))).toarray()
        rigid = [_rigid_prior(columns, basis, inverse_s2) for columns, basis, _ in bodies]
        self.rigid_side = np.column_stack([np.zeros((n, 0)), *(r[0][self.nodes] for r in rigid)])
        self.rigid_corner = linalg.block_diag(*(r[1] for r in rigid)) if rigid else np.zeros((0, 0))
        side = np.column_stack([outer[:n], self.rigid_side])
        own = outer[n:] + np.diag(own_prior[self.own])
        # The own unknowns differ by orders of magnitude (a tilt, a power of x): one size for all.
        self.own_size = 1 / np.sqrt(np.maximum(np.diag(own), 1e-300))
        size = np.concatenate([self.own_size, np.ones(side.shape[1] - len(self.own))])
        self.border_size = size
        corner = linalg.block_diag(own, self.rigid_corner)
        self.prior_diagonal = np.concatenate([inverse_s2[self.nodes], own_prior[self.own]])
        normal = inner.tocsr(), side * size, corner * size[:, None] * size
        with suppress(NotPositive):
            self.arrow = ArrowheadFactor(*normal)
            if self._precise():
                return
        self.arrow = ArrowheadFactor(*normal, self._all_rows(bodies, inverse_s2))

    def _all_rows(self, bodies: Sequence[_Body], inverse_s2: FloatArray) -> tuple[sparse.csr_matrix, FloatArray]:
        """Readings and priors as rows, over the nodes (k, n) and over the border (k, m): their square is the matrix."""
        n, own, known = len(self.nodes), len(self.own), self.packed.shape[1]
        width = known + self.rigid_side.shape[1]
        read = over(self.packed, np.arange(n, known)).toarray()
        prior = sparse.diags_array(np.sqrt(self.prior_diagonal[n:])).toarray()
        outer = [np.pad(part, ((0, 0), (0, width - known))) for part in (read, prior)]
        inner = [over(self.packed, np.arange(n)), sparse.csr_matrix((own, n))]
        at, place = own, np.full(len(inverse_s2), -1)
        place[self.nodes] = np.arange(n)
        for columns, basis, _ in bodies:
            root = np.sqrt(inverse_s2[columns])
            free = np.flatnonzero(place[columns] >= 0)
            shape = (len(columns), n)
            inner.append(sparse.csr_matrix((root[free], (free, place[columns[free]])), shape=shape))
            rigid = np.zeros((len(columns), width - n))
            rigid[:, at : at + basis.shape[1]] = -root[:, None] * basis / root.max()
            outer.append(rigid)
            at += basis.shape[1]
        return sparse.vstack(inner, format="csr"), np.concatenate(outer) * self.border_size

    def _precise(self) -> bool:
        """Whether the factor inverts what is blind, too: there the normal matrix holds the square of (1 mm·√n)/u."""
        probe = np.random.default_rng(0).standard_normal(self.arrow.n + self.arrow.m)
        found = self._solve(probe[:, None])[:, 0]
        change = self._solve((probe + self._left(np.zeros(self.packed.shape[0]), found))[:, None])[:, 0]
        n = self.arrow.n
        return bool(np.max(np.abs(change[:n]), initial=0.0) <= PRECISE * np.max(np.abs(found[:n]), initial=0.0))

    def _left(self, value: FloatArray, packed: FloatArray) -> FloatArray:
        """(nodes | own | rigid) the right side of `value` less the matrix times `packed`, by the rows' residuals."""
        n, known = len(self.nodes), self.packed.shape[1]
        nodes, rigid = packed[:n], packed[known:]
        gradient = self.packed.T @ (value - self.packed @ packed[:known]) - self.prior_diagonal * packed[:known]
        gradient[:n] -= self.rigid_side @ rigid
        return np.concatenate([gradient, -(self.rigid_side.T @ nodes + self.rigid_corner @ rigid)])

    def _solve(self, right: FloatArray) -> FloatArray:
        """Right-hand sides (nodes | own | rigid, k) → the inverse times them."""
        n = len(self.nodes)
        scaled = np.concatenate([right[:n], right[n:] * self.border_size[:, None]])
        found = self.arrow.solve(scaled)
        found[n:] *= self.border_size[:, None]
        return found

    def _pack(self, weights: FloatArray) -> FloatArray:
        """(N, k) over the unknowns → (nodes | own | rigid, k)."""
        return np.concatenate(
            [weights[self.nodes], weights[self.own], np.zeros((self.rigid_side.shape[1], weights.shape[1]))]
        )

    def _unpack(self, packed: FloatArray) -> FloatArray:
        """(nodes | own | rigid, k) → (N, k), pinned nodes 0."""
        n, m = len(self.nodes), len(self.own)
        full = np.zeros((self.rows.matrix.shape[1], packed.shape[1]))
        full[self.nodes] = packed[:n]
        full[self.own] = packed[n : n + m]
        return full

    def _estimate(self) -> FloatArray:
        known = len(self.nodes) + len(self.own)
        packed = np.zeros(known + self.rigid_side.shape[1])
        value = self.rows.value_um / self.rows.u_um
        last = np.inf
        for _ in range(1 + REFINEMENTS):
            change = self._solve(self._left(value, packed)[:, None])[:, 0]
            size = float(np.max(np.abs(change[:known]), initial=0.0))
            if size >= last:  # rounding is all that is left
                break
            packed = packed + change
            last = size
            if size <= 1e-13 * float(np.max(np.abs(packed), initial=0.0)):
                break
        return self._unpack(packed[:, None])[:, 0]

    # -- what follows

    def information(self) -> tuple[FloatArray, IntArray]:
        """(n, n) the information on all unknowns but the pinned nodes, rigid bodies taken out, and their columns.

        Dense: for planning on jobs of some hundreds of nodes.
        """
        total = (self.packed.T @ self.packed).toarray() + np.diag(self.prior_diagonal)
        if self.rigid_side.shape[1]:
            n = len(self.nodes)
            total[:n, :n] -= self.rigid_side @ linalg.solve(self.rigid_corner, self.rigid_side.T, assume_a="pos")
        return total, np.concatenate([self.nodes, self.own])

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
        return self._unpack(self._solve(self._pack(weights)))

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
            carried = self.carry(self.spread(face, np.eye(n)[:, some]))
            found[:, some] = face.about_plane(carried[face.unknown.columns])
        return np.asarray(0.5 * (found + found.T))

    @cached_property
    def _selected(self) -> Selected:
        return self.arrow.selected()

    @cached_property
    def _variances(self) -> FloatArray:
        packed = self.arrow.variances(self._selected)
        packed[len(self.nodes) :] *= self.border_size**2
        return self._unpack(packed[:, None])[:, 0]

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
            self._variances[face.unknown.columns]
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
        n = len(self.nodes)
        outer = np.zeros((self.packed.shape[0], self.arrow.m))
        outer[:, : len(self.own)] = over(self.packed, np.arange(n, self.packed.shape[1])).toarray() * self.own_size
        inner = over(self.packed, np.arange(n))
        return np.clip(1.0 - self.arrow.row_variances(self._selected, inner, outer), 0.0, 1.0)

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
        white = np.random.default_rng(seed).standard_normal((self.arrow.n + self.arrow.m, count))
        packed = self.arrow.colour(white)
        packed[len(self.nodes) :] *= self.border_size[:, None]
        return self.mean_um[:, None] + self._unpack(packed)

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


_Body = tuple[IntArray, FloatArray, IntArray]


def _bodies(faces: Sequence[Heights]) -> list[_Body]:
    """For each rigid body: its columns, the orthonormal shapes of its lift and tilts on them, and the nodes to pin."""
    found = []
    for body in dict.fromkeys(f.unknown.body for f in faces):
        members = [f for f in faces if f.unknown.body == body]
        columns = np.concatenate([np.arange(f.unknown.columns.start, f.unknown.columns.stop) for f in members])
        rigid = np.concatenate([f.unknown.face.rigid(f.x_mm, f.y_mm) for f in members])  # type: ignore[union-attr]
        basis = orthonormal(rigid)
        # The nodes that hold the rigid body best: pivots of its shapes.
        _, pivots, *_ = lapack.dgeqp3(basis.T)
        found.append((columns, basis, np.asarray(pivots[: basis.shape[1]], np.intp) - 1))
    return found


def _rigid_prior(columns: IntArray, basis: FloatArray, inverse_s2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Border of the normal matrix for the rigid unknowns of a body, scaled so that they are of the size of s."""
    w = inverse_s2[columns]
    scale = 1 / np.sqrt(w.max())
    side = np.zeros((len(inverse_s2), basis.shape[1]))
    side[columns] = -(w[:, None] * basis) * scale
    return side, (basis.T * w) @ basis * scale**2
