"""A sparse symmetric positive definite matrix with a dense border, factored, solved and selectively inverted.

    | A  B |      A (n, n) sparse: nodes, which only know their neighbours
    | Bᵀ C |      B (n, m), C (m, m) dense: the few unknowns that many readings share

A is ordered by reverse Cuthill-McKee, which lays stations that read one another side by side (an edge laid end for
end is folded in the middle), and cut into blocks that touch only the next one: block Cholesky, every flop in LAPACK.
The selected inverse (Takahashi, Fagan and Chen 1973, in blocks) gives every entry of the inverse where A has one,
at the price of the factor.

Where the matrix is the square of rows and so nearly singular that squaring them has lost it, the same factor is taken
from the rows themselves, by Householder reflections block after block: some five times the flops, half the digits lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import sparse
from scipy.linalg import lapack
from scipy.sparse.csgraph import reverse_cuthill_mckee

from waywright.core.evidence.things import FloatArray, IntArray

SMALLEST_BLOCK = 96  # below this the overhead of a call outweighs its flops
ONE_BLOCK = 160


class NotPositive(ArithmeticError):
    """The matrix is not positive definite: two unknowns say the same thing."""


def _cholesky(matrix: FloatArray) -> FloatArray:
    lower, info = lapack.dpotrf(matrix, lower=1, clean=1)
    if info:
        raise NotPositive(f"pivot {info} of {len(matrix)}")
    return np.asarray(lower)


def _triangle(rows: FloatArray, size: int) -> FloatArray:
    """(j, n) upper triangle with the square of rows (k, n), the first `size` of its diagonal positive."""
    rows = np.concatenate([rows, np.zeros((max(0, size - len(rows)), rows.shape[1]))])
    upper = np.asarray(np.linalg.qr(rows, mode="r"))
    diagonal = np.diag(upper)[:size]
    if not np.all(np.abs(diagonal) > 0):
        raise NotPositive(f"pivot {int(np.argmin(np.abs(diagonal))) + 1} of {size}")
    upper[:size] *= np.sign(diagonal)[:, None]
    return np.asarray(upper)


def _solve_lower(lower: FloatArray, right: FloatArray, transposed: bool = False) -> FloatArray:
    if right.shape[1] == 0 or len(lower) == 0:
        return right.copy()
    found, _ = lapack.dtrtrs(lower, right, lower=1, trans=int(transposed))
    return np.asarray(found)


@dataclass(frozen=True)
class Selected:
    """Blocks of the inverse: `here[k]` on the diagonal, `ahead[k]` to the next block, `border[k]` to the border."""

    here: tuple[FloatArray, ...]
    ahead: tuple[FloatArray, ...]
    border: tuple[FloatArray, ...]
    corner: FloatArray


class ArrowheadFactor:
    """The factor; of `rows` (k, n | k, m), where they are given, whose square the matrix is. Raises `NotPositive` when
    there is none."""

    def __init__(
        self,
        inner: sparse.csr_matrix,
        side: FloatArray,
        corner: FloatArray,
        rows: tuple[sparse.csr_matrix, FloatArray] | None = None,
    ) -> None:
        self.n, self.m = side.shape
        self.order, self.starts = _blocks(inner)
        self.rank = np.empty(self.n, np.intp)
        self.rank[self.order] = np.arange(self.n)
        self.lower: list[FloatArray] = []
        self.forward: list[FloatArray] = []  # L⁻¹ · (block to the next)
        self.side: list[FloatArray] = []  # L⁻¹ · (block to the border)
        self.corner = self._squared(inner, side, corner.copy()) if rows is None else self._by_rows(*rows)

    def _squared(self, inner: sparse.csr_matrix, side: FloatArray, corner: FloatArray) -> FloatArray:
        """Block Cholesky; returns the corner's."""
        if len(self.starts) > 2:
            inner, side = inner[self.order][:, self.order].tocsr(), side[self.order]
        for k in range(len(self.starts) - 1):
            a, b = self.starts[k], self.starts[k + 1]
            c = self.starts[k + 2] if k + 2 < len(self.starts) else b
            here = inner[a:b, a:c].toarray()
            diagonal, ahead, border = here[:, : b - a], here[:, b - a :], side[a:b]
            if k:
                diagonal = diagonal - self.forward[-1].T @ self.forward[-1]
                border = border - self.forward[-1].T @ self.side[-1]
            lower = _cholesky(diagonal)
            self.lower.append(lower)
            self.forward.append(_solve_lower(lower, ahead))
            self.side.append(_solve_lower(lower, border))
            corner -= self.side[-1].T @ self.side[-1]
        return _cholesky(corner) if self.m else np.zeros((0, 0))

    def _by_rows(self, inner: sparse.csr_matrix, outer: FloatArray) -> FloatArray:
        """The same from the rows: what is left of those of a block goes on to the next."""
        inner, grouped = self._grouped(inner)
        left = np.zeros((0, self.m if len(self.starts) < 2 else self.starts[1] + self.m))
        for k, chosen in enumerate(grouped[:-1]):
            size = self.starts[k + 1] - self.starts[k]
            near = inner[chosen][:, self.starts[k] : self._end(k)].toarray()
            ahead = np.zeros((len(left), near.shape[1] - size))
            carried = np.column_stack([left[:, :size], ahead, left[:, size:]])
            upper = _triangle(np.concatenate([carried, np.column_stack([near, outer[chosen]])]), size)
            self.lower.append(np.asarray(upper[:size, :size].T))
            self.forward.append(upper[:size, size : near.shape[1]])
            self.side.append(upper[:size, near.shape[1] :])
            left = upper[size:, size:]
        return np.asarray(_triangle(np.concatenate([left, outer[grouped[-1]]]), self.m).T)

    def _end(self, k: int) -> int:
        """Where what block k touches ends."""
        return int(self.starts[min(k + 2, len(self.starts) - 1)])

    def _grouped(self, inner: sparse.csr_matrix) -> tuple[sparse.csr_matrix, list[IntArray]]:
        """Rows (k, n) in the factor's order, and those of each block, by their first entry; last those without."""
        if len(self.starts) > 2:
            inner = inner[:, self.order].tocsr()
        first = np.full(inner.shape[0], self.n)
        np.minimum.at(first, np.repeat(np.arange(len(first)), np.diff(inner.indptr)), inner.indices)
        of_block = np.searchsorted(self.starts, first, side="right") - 1
        by_block = np.argsort(of_block, kind="stable")
        cuts = np.searchsorted(of_block[by_block], np.arange(len(self.starts) + 1))
        return inner, [by_block[a:b] for a, b in pairwise(cuts)]

    def solve(self, right: FloatArray) -> FloatArray:
        """(n + m, k) → the inverse times it."""
        return self._backward(*self._forward(right))

    def colour(self, white: FloatArray) -> FloatArray:
        """(n + m, k) independent standard normals → draws whose covariance is the inverse."""
        parts = [white[a:b] for a, b in zip(self.starts[:-1], self.starts[1:], strict=True)]
        return self._backward(parts, white[self.n :])

    def _forward(self, right: FloatArray) -> tuple[list[FloatArray], FloatArray]:
        inner, corner = right[: self.n][self.order], right[self.n :].copy()
        parts: list[FloatArray] = []
        for k, lower in enumerate(self.lower):
            part = inner[self.starts[k] : self.starts[k + 1]]
            if k:
                part = part - self.forward[k - 1].T @ parts[-1]
            parts.append(_solve_lower(lower, part))
            corner -= self.side[k].T @ parts[-1]
        return parts, _solve_lower(self.corner, corner)

    def _backward(self, parts: list[FloatArray], corner: FloatArray) -> FloatArray:
        corner = _solve_lower(self.corner, corner, transposed=True)
        found: list[FloatArray] = [np.zeros(0)] * len(parts)
        for k in range(len(parts) - 1, -1, -1):
            part = parts[k] - self.side[k] @ corner
            if k + 1 < len(parts):
                part = part - self.forward[k] @ found[k + 1]
            found[k] = _solve_lower(self.lower[k], part, transposed=True)
        inner = np.concatenate(found) if found else np.zeros((0, corner.shape[1]))
        return np.concatenate([inner[self.rank], corner])

    def selected(self) -> Selected:
        """The inverse wherever the matrix has an entry."""
        corner = _inverse(self.corner)
        here: list[FloatArray] = []
        ahead: list[FloatArray] = []
        border: list[FloatArray] = []
        for k in range(len(self.lower) - 1, -1, -1):
            lower = self.lower[k]
            side = _solve_lower(lower, self.side[k], transposed=True)
            forward = _solve_lower(lower, self.forward[k], transposed=True)
            to_border, to_next = -side @ corner, np.zeros_like(forward)
            if forward.shape[1]:
                to_border -= forward @ border[-1]
                to_next = -forward @ here[-1] - side @ border[-1].T
            diagonal = _inverse(lower) - to_border @ side.T - to_next @ forward.T
            here.append(0.5 * (diagonal + diagonal.T))
            ahead.append(to_next)
            border.append(to_border)
        return Selected(tuple(here[::-1]), tuple(ahead[::-1]), tuple(border[::-1]), corner)

    def variances(self, selected: Selected) -> FloatArray:
        """(n + m,) the diagonal of the inverse."""
        inner = np.concatenate([*(np.diag(h) for h in selected.here), np.zeros(0)])
        return np.concatenate([inner[self.rank], np.diag(selected.corner)])

    def row_variances(self, selected: Selected, inner: sparse.csr_matrix, outer: FloatArray) -> FloatArray:
        """(k,) the variance of rows over A (k, n) and the border (k, m) whose entries all stand where the matrix has
        one."""
        result = np.zeros(len(outer))
        inner, grouped = self._grouped(inner)
        for k, chosen in enumerate(grouped):
            if not len(chosen):
                continue
            out = outer[chosen]
            if k == len(self.starts) - 1:  # rows of border unknowns only
                result[chosen] = np.einsum("ij,jk,ik->i", out, selected.corner, out)
                continue
            near = inner[chosen][:, self.starts[k] : self._end(k)]
            block = [selected.here[k], selected.ahead[k], selected.border[k]]
            if selected.ahead[k].shape[1]:
                middle = [selected.ahead[k].T, selected.here[k + 1], selected.border[k + 1]]
                last = [selected.border[k].T, selected.border[k + 1].T, selected.corner]
                inverse = np.block([block, middle, last])
            else:
                inverse = np.block([[block[0], block[2]], [block[2].T, selected.corner]])
            width = near.shape[1]
            through = near @ inverse[:width]
            through += out @ inverse[width:]
            row = np.repeat(np.arange(len(chosen)), np.diff(near.indptr))
            inside = np.bincount(row, near.data * through[row, near.indices], len(chosen))
            result[chosen] = inside + np.einsum("ij,ij->i", out, through[:, width:])
        return result


def _inverse(lower: FloatArray) -> FloatArray:
    if not len(lower):
        return np.zeros((0, 0))
    found, _ = lapack.dpotri(lower, lower=1)
    return np.asarray(np.tril(found) + np.tril(found, -1).T)


def _blocks(inner: sparse.csr_matrix) -> tuple[IntArray, IntArray]:
    """An order of the nodes and the starts of blocks such that no entry reaches beyond the next block."""
    n = inner.shape[0]
    if n <= ONE_BLOCK:
        return np.arange(n, dtype=np.intp), np.array([0, n] if n else [0], np.intp)
    order = np.asarray(reverse_cuthill_mckee(inner, symmetric_mode=True), np.intp)
    rank = np.empty(n, np.intp)
    rank[order] = np.arange(n)
    reach = np.zeros(n, np.intp)  # the furthest column each row, in the new order, has an entry in
    rows = np.repeat(np.arange(n), np.diff(inner.indptr))
    np.maximum.at(reach, rank[rows], rank[inner.indices])
    reach = np.maximum.accumulate(reach)
    starts = [0, min(SMALLEST_BLOCK, n)]
    while starts[-1] < n:
        starts.append(min(n, max(int(reach[starts[-1] - 1]) + 1, starts[-1] + SMALLEST_BLOCK)))
    return order, np.array(starts, np.intp)
