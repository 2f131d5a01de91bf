"""The best fit in the largest deviation: any linear model, exactly, for one set of values or many draws of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waywright.core.judge import _arrays
from waywright.kernels import compiled

Floats = NDArray[np.float64]
Indexes = NDArray[np.intp]

MANY_NUMBERS = 500_000  # heights in all: below, the plain kernel is done before the compiled one is loaded
PROVED = 1e-10  # the part of the largest deviation to which the exchange must be proved; else a linear program is asked
CHUNK = 100_000  # numbers handled at once in numpy, so that they stay in the processor's cache


@dataclass(frozen=True)
class Minimax:
    """Best fits of m draws of n values by k columns.

    `deviation`: (m,) the largest deviation, as small as it can be. `coefficients`: (m, k).
    `touch`, `weights`: (m, k + 1) the readings that deviate so much, and deviation = sum weights·values[touch];
    a weight's sign is the side, sum |weights| = 1.
    """

    deviation: Floats
    coefficients: Floats
    touch: Indexes
    weights: Floats


class Orthonormal(NamedTuple):
    """Columns made orthonormal: columns[:, kept].T = mixing @ basis and basis @ basis.T = n·1.

    `basis`: (r, n); `mixing`: (r, r), lower triangular; `kept`: the r columns that those before them do not explain.
    """

    basis: Floats
    mixing: Floats
    kept: list[int]
    columns: int

    def parts(self, values: Floats) -> Floats:
        """(m, r) least-squares fit of values (m, n), in terms of the basis."""
        return np.asarray(values @ self.basis.T / self.basis.shape[1])

    def residual(self, values: Floats) -> Floats:
        """(m, n) what the least-squares fit leaves of values (m, n)."""
        return np.asarray(values - self.parts(values) @ self.basis)

    def coefficients(self, parts: Floats) -> Floats:
        """(m, columns) of the columns as they were given; 0 for those not kept."""
        found = np.zeros((len(parts), self.columns))
        found[:, self.kept] = np.linalg.solve(self.mixing.T, parts.T).T
        return found


def orthonormal(columns: Floats, rank_tolerance: float = 1e-9) -> Orthonormal:
    """Gram-Schmidt on `columns` (n, k), twice over, left to right.

    A column that the ones before it explain to within `rank_tolerance` of its size is not kept.
    """
    n, k = columns.shape
    basis, mixing, kept = np.empty((k, n)), np.zeros((k, k)), list[int]()
    for j in range(k):
        rank = len(kept)
        row = basis[rank]
        row[:] = columns[:, j]
        size = np.sqrt(_dot(row, row))
        mixing[rank] = 0.0
        for _ in range(2):
            for i in range(rank):
                part = _dot(basis[i], row) / n
                mixing[rank, i] += part
                row -= part * basis[i]
        rest = np.sqrt(_dot(row, row))
        if rest > rank_tolerance * size:
            mixing[rank, rank] = rest / np.sqrt(n)
            row *= np.sqrt(n) / rest
            kept.append(j)
    rank = len(kept)
    return Orthonormal(basis[:rank], mixing[:rank, :rank], kept, k)


def _dot(left: Floats, right: Floats) -> float:
    """Without BLAS: its threads cost more than they bring on a single long row."""
    return float(np.einsum("n,n->", left, right))


def minimax(columns: ArrayLike, values: ArrayLike) -> Minimax:
    """Fit `values`, (n,) or (m, n), by `columns`, (n, k), so that the largest deviation is as small as possible.

    The constant is a column like any other. Exact to rounding. Raises ValueError when the columns are dependent,
    when there are not more readings than columns, or when something is not a finite number.
    """
    columns, values = np.asarray(columns, dtype=float), np.atleast_2d(np.asarray(values, dtype=float))
    n, k = columns.shape
    if values.ndim != 2 or values.shape[1] != n:
        raise ValueError(f"There are {n} places and values of shape {values.shape}: give one value a place.")
    if n <= k:
        raise ValueError(f"{n} readings cannot be judged by a fit with {k} free numbers: take more than {k}.")
    if not (np.isfinite(columns).all() and np.isfinite(values).all()):
        raise ValueError("A value is missing or not a finite number: leave that reading out or take it again.")
    frame = orthonormal(columns)
    if len(frame.kept) < k:
        raise ValueError("The fit is not determined: its columns depend on each other at these places.")
    parts = frame.parts(values)
    residual = values - parts @ frame.basis
    touch, weights, fit = _exchange(frame.basis, residual)
    deviation = (np.take_along_axis(residual, touch, axis=1) * weights).sum(axis=1)
    return Minimax(np.maximum(deviation, 0.0), frame.coefficients(parts + fit), touch, weights)


def _exchange(basis: Floats, values: Floats) -> tuple[Indexes, Floats, Floats]:
    """Run the kernel on all draws, each from the readings that settle their mean; hand over what it cannot settle."""
    k, n = basis.shape
    m = len(values)
    touch, weights = np.empty((m, k + 1), dtype=np.intp), np.empty((m, k + 1))
    fit, doubt = np.empty((m, k)), np.empty(m)
    start = _spread(basis, np.abs(values).max(axis=0))
    if m > 1:
        mean, one = values.mean(axis=0, keepdims=True), slice(0, 1)
        _arrays.exchange(basis, mean, start, _signs(basis, start), touch[one], weights[one], fit[one], doubt[one])
        start = touch[0].copy()
    signs = _signs(basis, start)
    if compiled(values.size, MANY_NUMBERS):
        from waywright.core.judge import _loops

        _loops.exchange(basis, np.ascontiguousarray(values), start, signs, touch, weights, fit, doubt)
    else:
        step = max(1, CHUNK // n)
        for part in (slice(i, i + step) for i in range(0, m, step)):
            _arrays.exchange(basis, values[part], start, signs, touch[part], weights[part], fit[part], doubt[part])
    # Any weights prove a lower bound if their columns cancel and the |weights| add up to 1 (duality): see how nearly.
    doubt += np.abs(weights).sum(axis=1) - 1.0 + np.abs(np.einsum("kme,me->mk", basis[:, touch], weights)).sum(axis=1)
    for draw in np.flatnonzero(~(doubt <= PROVED)):
        touch[draw], weights[draw], fit[draw] = _program(basis, values[draw])
    return touch, weights, fit


def _program(basis: Floats, value: Floats) -> tuple[Indexes, Floats, Floats]:
    """One draw as the textbook linear program: slow, but at home with places that lie all but on a line."""
    from scipy.optimize import linprog

    k, n = basis.shape
    size = np.abs(value).max()
    bands = np.column_stack([np.vstack([basis.T, -basis.T]), -np.ones(2 * n)])
    found = linprog(
        np.append(np.zeros(k), 1.0),
        A_ub=bands,
        b_ub=np.append(value, -value) / size,
        bounds=[(None, None)] * k + [(0.0, None)],
        method="highs",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},  # as fine as it goes
    )
    if found.status != 0:
        raise ArithmeticError("The zone could not be settled: the places lie too close together, or all but on a line.")
    weights = found.ineqlin.marginals[:n] - found.ineqlin.marginals[n:]
    touch = np.sort(np.argsort(-np.abs(weights), kind="stable")[: k + 1])
    return touch, weights[touch] / np.abs(weights[touch]).sum(), found.x[:k] * size


def _spread(basis: Floats, deviation: Floats) -> Indexes:
    """k readings as independent as possible (each farthest from those before), and the one that deviates most."""
    rest, chosen = basis.copy(), []
    for _ in range(len(basis)):
        size = np.einsum("kn,kn->n", rest, rest)
        chosen.append(int(size.argmax()))
        direction = rest[:, chosen[-1]] / np.sqrt(size[chosen[-1]])
        rest -= np.outer(direction, direction @ rest)
    free = deviation.copy()
    free[chosen] = -1.0
    return np.array([*chosen, int(free.argmax())], dtype=np.intp)


def _signs(basis: Floats, reference: Indexes) -> Floats:
    """(k + 1,) the signs of the null vector of the columns at k + 1 readings: how the best fit to them alternates."""
    null = np.linalg.svd(basis[:, reference])[2][-1]
    return np.where(null < 0.0, -1.0, 1.0)
