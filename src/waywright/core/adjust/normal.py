"""The normal matrix of readings and priors, factored: nodes not pinned | own unknowns, rigid bodies.

A few nodes of each rigid body are pinned at 0 and its lift and tilts solved for, so that they need no prior. Numbers
only: which columns are heights, how surely each column is known beforehand, and which of them make up a body.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg, sparse

from waywright.core.adjust.arrow import ArrowheadFactor, NotPositive, Selected
from waywright.core.adjust.columns import over
from waywright.core.evidence.things import BoolArray, FloatArray, IntArray

PRECISE = 1e-3  # of what is blind: beyond, the factor is taken from the rows
REFINEMENTS = 4  # at most; each uses the residuals of the rows themselves, so the normal matrix's squaring is undone


@dataclass(frozen=True)
class Body:
    """A rigid body: its columns (n,), the orthonormal shapes of its lift and tilts on them (n, k), and which of the
    columns to pin (k,)."""

    columns: IntArray
    basis: FloatArray
    pins: IntArray


class Normal:
    """The normal matrix of `weighted` rows (k, N), each over its u, and its factor.

    `node` (N,) bool: which columns are heights; `precision` (N,): one over the variance of each column's prior, 0 where
    it has none. All that is asked and told is over the N columns; heights stand on the pinned nodes, which are 0.
    """

    def __init__(
        self, weighted: sparse.csr_matrix, node: BoolArray, precision: FloatArray, bodies: Sequence[Body]
    ) -> None:
        self.width = weighted.shape[1]
        pinned = np.zeros(self.width, bool)
        for body in bodies:
            pinned[body.columns[body.pins]] = True
        self.nodes = np.flatnonzero(node & ~pinned)
        self.own = np.flatnonzero(~node)
        known = np.concatenate([self.nodes, self.own])
        self.packed = over(weighted, known)  # rows over nodes | own unknowns
        self.prior_diagonal = precision[known]
        rigid = [_rigid_prior(body, precision) for body in bodies]
        self.rigid_side = np.column_stack([np.zeros((len(self.nodes), 0)), *(r[0][self.nodes] for r in rigid)])
        self.rigid_corner = linalg.block_diag(*(r[1] for r in rigid)) if rigid else np.zeros((0, 0))
        self._factor(bodies, precision)

    def _factor(self, bodies: Sequence[Body], precision: FloatArray) -> None:
        n, known = len(self.nodes), self.packed.shape[1]
        square = (self.packed.T @ self.packed).T.tocsr()  # symmetric: its transpose is itself, by rows
        inner = over(square[:n], np.arange(n)) + sparse.diags_array(self.prior_diagonal[:n])
        outer = over(square, np.arange(n, known)).toarray()
        side = np.column_stack([outer[:n], self.rigid_side])
        own = outer[n:] + np.diag(self.prior_diagonal[n:])
        # The own unknowns differ by orders of magnitude (a tilt, a power of x): one size for all.
        own_size = 1 / np.sqrt(np.maximum(np.diag(own), 1e-300))
        size = np.concatenate([own_size, np.ones(side.shape[1] - len(self.own))])
        self.border_size = size
        corner = linalg.block_diag(own, self.rigid_corner)
        normal = inner.tocsr(), side * size, corner * size[:, None] * size
        with suppress(NotPositive):
            self.arrow = ArrowheadFactor(*normal)
            if self._precise():
                return
        self.arrow = ArrowheadFactor(*normal, self._all_rows(bodies, precision))

    def _all_rows(self, bodies: Sequence[Body], precision: FloatArray) -> tuple[sparse.csr_matrix, FloatArray]:
        """Readings and priors as rows, over the nodes (k, n) and over the border (k, m): their square is the matrix."""
        n, own, known = len(self.nodes), len(self.own), self.packed.shape[1]
        width = known + self.rigid_side.shape[1]
        read = over(self.packed, np.arange(n, known)).toarray()
        prior = sparse.diags_array(np.sqrt(self.prior_diagonal[n:])).toarray()
        outer = [np.pad(part, ((0, 0), (0, width - known))) for part in (read, prior)]
        inner = [over(self.packed, np.arange(n)), sparse.csr_matrix((own, n))]
        at, place = own, np.full(len(precision), -1)
        place[self.nodes] = np.arange(n)
        for columns, basis in ((body.columns, body.basis) for body in bodies):
            root = np.sqrt(precision[columns])
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
        full = np.zeros((self.width, packed.shape[1]))
        full[self.nodes] = packed[:n]
        full[self.own] = packed[n : n + m]
        return full

    def estimate(self, value: FloatArray) -> FloatArray:
        """(N,) of all unknowns, from the value of each row over its u (k,)."""
        known = len(self.nodes) + len(self.own)
        packed = np.zeros(known + self.rigid_side.shape[1])
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

    def information(self) -> tuple[FloatArray, IntArray]:
        """(n, n) the information on all unknowns but the pinned nodes, rigid bodies taken out, and their columns."""
        total = (self.packed.T @ self.packed).toarray() + np.diag(self.prior_diagonal)
        if self.rigid_side.shape[1]:
            n = len(self.nodes)
            total[:n, :n] -= self.rigid_side @ linalg.solve(self.rigid_corner, self.rigid_side.T, assume_a="pos")
        return total, np.concatenate([self.nodes, self.own])

    def carry(self, weights: FloatArray) -> FloatArray:
        """The covariance of all unknowns times weights, (N, k) → (N, k)."""
        return self._unpack(self._solve(self._pack(weights)))

    def draws(self, count: int, seed: int) -> FloatArray:
        """(N, count) of what all unknowns may be off, from their joint distribution."""
        white = np.random.default_rng(seed).standard_normal((self.arrow.n + self.arrow.m, count))
        packed = self.arrow.colour(white)
        packed[len(self.nodes) :] *= self.border_size[:, None]
        return self._unpack(packed)

    @cached_property
    def _selected(self) -> Selected:
        return self.arrow.selected()

    @cached_property
    def variances(self) -> FloatArray:
        """(N,) of each unknown; by the selected inverse."""
        packed = self.arrow.variances(self._selected)
        packed[len(self.nodes) :] *= self.border_size**2
        return self._unpack(packed[:, None])[:, 0]

    def row_variances(self) -> FloatArray:
        """(k,) of what is fitted to each row, over its u."""
        n, own = len(self.nodes), len(self.own)
        outer = np.zeros((self.packed.shape[0], self.arrow.m))
        outer[:, :own] = over(self.packed, np.arange(n, n + own)).toarray() * self.border_size[:own]
        return self.arrow.row_variances(self._selected, over(self.packed, np.arange(n)), outer)


def _rigid_prior(body: Body, precision: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Border of the normal matrix for the rigid unknowns of a body, scaled so that they are of the size of s."""
    w = precision[body.columns]
    scale = 1 / np.sqrt(w.max())
    side = np.zeros((len(precision), body.basis.shape[1]))
    side[body.columns] = -(w[:, None] * body.basis) * scale
    return side, (body.basis.T * w) @ body.basis * scale**2
