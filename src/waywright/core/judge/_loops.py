"""The zone kernels as loops, for numba. `_arrays` holds the same algorithms in numpy, with the argument for them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from waywright.kernels import njit

Floats = NDArray[np.float64]
Indexes = NDArray[np.intp]
STALLED = 200  # steps without gain after which the exchange gives up, as in `_arrays`


@njit
def line_zones(
    x: Floats, heads: int, tails: int, heights: Floats, touch: Indexes, weights: Floats, slopes: Floats, doubt: Floats
) -> None:
    """Fill `touch` and `weights`, both (m, 3), `slopes` and `doubt`, both (m,): see `_arrays.line_zones`."""
    draws, n = heights.shape
    above = np.empty(n)
    for draw in range(draws):
        y = heights[draw]
        tilt = (y[n - 1] - y[0]) / (x[n - 1] - x[0])
        size = 0.0
        for i in range(n):
            above[i] = (y[i] - y[0]) - tilt * (x[i] - x[0])
            size = max(size, abs(above[i]))
        up_left, low_left, up_right, low_right = n - tails, 0, 0, n - tails
        for i in range(heads):
            up_right = i if above[i] > above[up_right] else up_right
            low_left = i if above[i] < above[low_left] else low_left
        for i in range(n - tails, n):
            up_left = i if above[i] > above[up_left] else up_left
            low_right = i if above[i] < above[low_right] else low_right

        for _ in range(4 * n + 8):
            a, b, c, sign, slope = _corner(x, above, up_left, low_left, up_right, low_right)
            share = (x[c] - x[b]) / (x[a] - x[b])
            bound = sign * (above[a] - above[c] - slope * (x[a] - x[c]))
            p, q, width = _extremes(x, above, slope)
            doubt[draw] = (width - bound) / size if size > 0.0 else 0.0
            if doubt[draw] <= 1e-15:
                break
            if x[p] == x[q]:
                a, b, c, sign, share, doubt[draw] = p, p, q, 1.0, 1.0, 0.0
                break
            if x[q] < x[p]:
                if p == up_left and q == low_left:
                    break
                up_left, low_left = p, q
            else:
                if p == up_right and q == low_right:
                    break
                up_right, low_right = p, q
        touch[draw, 0], touch[draw, 1], touch[draw, 2] = a, b, c
        weights[draw, 0], weights[draw, 1], weights[draw, 2] = sign * share, sign * (1.0 - share), -sign
        slopes[draw] = tilt + slope


@njit
def _corner(
    x: Floats, above: Floats, up_left: int, low_left: int, up_right: int, low_right: int
) -> tuple[int, int, int, float, float]:
    """Two readings on one side, one on the other, + 1 if the two are above, and the slope: where the bound is least."""
    up_bend, low_bend = -np.inf, np.inf
    if x[up_left] != x[up_right]:
        up_bend = (above[up_left] - above[up_right]) / (x[up_left] - x[up_right])
    if x[low_left] != x[low_right]:
        low_bend = (above[low_left] - above[low_right]) / (x[low_left] - x[low_right])
    if up_bend <= low_bend:
        two_up = x[low_left] >= x[up_right]
        c = low_left if two_up else up_right
    else:
        two_up = x[low_right] < x[up_left]
        c = low_right if two_up else up_left
    if two_up:
        return up_left, up_right, c, 1.0, up_bend
    return low_left, low_right, c, -1.0, low_bend


@njit
def _extremes(x: Floats, above: Floats, slope: float) -> tuple[int, int, float]:
    """The highest and the lowest reading once the profile is turned by `slope`, and how far they are apart."""
    high, low, p, q = -np.inf, np.inf, 0, 0
    for i in range(x.size):
        v = above[i] - slope * x[i]
        if v > high:
            high, p = v, i
        if v < low:
            low, q = v, i
    return p, q, high - low


@njit
def exchange(
    basis: Floats,
    values: Floats,
    start: Indexes,
    signs: Floats,
    touch: Indexes,
    weights: Floats,
    fit: Floats,
    doubt: Floats,
) -> None:
    """Fill `touch` and `weights`, both (m, k + 1), `fit` (m, k) and `doubt` (m,): see `_arrays.exchange`."""
    k, n = basis.shape
    e = k + 1
    matrix, inverse = np.empty((e, e)), np.empty((e, e))
    at_reference, solution, residual = np.empty(e), np.empty(e), np.empty(n)
    for draw in range(values.shape[0]):
        y = values[draw]
        size = 0.0
        for i in range(n):
            size = max(size, abs(y[i]))
        reference, sign = start.copy(), signs.copy()
        best, stall = -1.0, 0  # nothing known yet: the signs may still turn over
        while True:
            for i in range(e):
                for c in range(k):
                    matrix[i, c] = basis[c, reference[i]]
                matrix[i, k] = sign[i]
                at_reference[i] = y[reference[i]]
            _invert(matrix, inverse)
            _refined_solution(matrix, inverse, at_reference, solution)
            _refined_last_row(matrix, inverse)
            if best < 0.0 and solution[k] < 0.0:
                solution[k] = -solution[k]
                for i in range(e):
                    sign[i] = -sign[i]
                    inverse[k, i] = -inverse[k, i]
            level = float(solution[k])

            worst, enter = _deviate(basis, y, solution, residual)
            stall = 0 if level > best + 2e-16 * size else stall + 1
            best = max(best, level)
            slack = 7e-15 * size * (1.0 + stall)
            if worst - level <= slack or stall > STALLED:
                break
            careful = stall > 2 * e
            if careful:
                enter = 0
                while abs(residual[enter]) - level <= slack:
                    enter += 1
            side = 1.0 if residual[enter] >= 0.0 else -1.0
            leave = _leaving(basis, inverse, reference, sign, enter, side, careful)
            if leave < 0:
                break
            reference[leave], sign[leave] = enter, side
        doubt[draw] = (worst - level) / size if size > 0.0 else 0.0
        fit[draw] = solution[:k]
        for i in range(e):
            touch[draw, i], weights[draw, i] = reference[i], inverse[k, i]


@njit
def _deviate(basis: Floats, y: Floats, solution: Floats, residual: Floats) -> tuple[float, int]:
    """Fill `residual` with what the fit leaves; the largest deviation and the reading that has it."""
    residual[:] = y
    for c in range(basis.shape[0]):
        for i in range(y.size):
            residual[i] -= solution[c] * basis[c, i]
    worst, enter = -1.0, 0
    for i in range(y.size):
        v = abs(residual[i])
        if v > worst:
            worst, enter = v, i
    return worst, enter


@njit
def _leaving(
    basis: Floats, inverse: Floats, reference: Indexes, sign: Floats, enter: int, side: float, careful: bool
) -> int:
    """Which of the reference makes room so that all weights stay positive; −1 when none can."""
    k = basis.shape[0]
    leave, least, largest = -1, np.inf, 0.0
    for i in range(k + 1):
        mix = inverse[k, i] * side
        for c in range(k):
            mix += inverse[c, i] * basis[c, enter]
        mix *= sign[i] * side
        if mix <= 1e-11:
            continue
        ratio = max(inverse[k, i] * sign[i], 0.0) / mix
        tie = abs(ratio - least) <= 1e-13
        preferred = reference[i] < reference[leave] if careful else mix > largest
        if (tie and preferred) or (not tie and ratio < least):
            leave, least, largest = i, ratio, mix
    return leave


@njit
def _invert(matrix: Floats, inverse: Floats) -> None:
    """Gauss-Jordan with row pivots; not numbers when a pivot is 0."""
    work = matrix.copy()
    e = work.shape[0]
    for i in range(e):
        for j in range(e):
            inverse[i, j] = 1.0 if i == j else 0.0
    for i in range(e):
        pivot = i
        for r in range(i + 1, e):
            if abs(work[r, i]) > abs(work[pivot, i]):
                pivot = r
        for j in range(e):
            work[i, j], work[pivot, j] = work[pivot, j], work[i, j]
            inverse[i, j], inverse[pivot, j] = inverse[pivot, j], inverse[i, j]
        scale = 1.0 / work[i, i] if work[i, i] != 0.0 else np.nan
        for j in range(e):
            work[i, j] *= scale
            inverse[i, j] *= scale
        for r in range(e):
            factor = work[r, i]
            if r != i and factor != 0.0:
                for j in range(e):
                    work[r, j] -= factor * work[i, j]
                    inverse[r, j] -= factor * inverse[i, j]


@njit
def _refined_solution(matrix: Floats, inverse: Floats, right: Floats, solution: Floats) -> None:
    """solution of matrix @ solution = right, corrected once by what it leaves."""
    e = len(right)
    rest = right.copy()
    for i in range(e):
        solution[i] = 0.0
    for _ in range(2):
        for i in range(e):
            for j in range(e):
                solution[i] += inverse[i, j] * rest[j]
        for i in range(e):
            rest[i] = right[i]
            for j in range(e):
                rest[i] -= matrix[i, j] * solution[j]


@njit
def _refined_last_row(matrix: Floats, inverse: Floats) -> None:
    """The last row w of the inverse, w @ matrix = (0, ..., 0, 1), corrected once by what it leaves."""
    e = len(matrix)
    rest = np.zeros(e)
    rest[e - 1] = 1.0
    for i in range(e):
        for j in range(e):
            rest[j] -= inverse[e - 1, i] * matrix[i, j]
    row = inverse[e - 1].copy()
    for i in range(e):
        for j in range(e):
            row[j] += rest[i] * inverse[i, j]
    inverse[e - 1] = row
