"""The zone kernels in numpy, all draws at once, and the argument for them. `_loops` holds the same as loops.

Both return which readings touch the zone and with what weights: the width is the weighted sum of the touching
heights, so a zone hands its own linear functional to an uncertainty budget.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Indexes = NDArray[np.intp]
STALLED = 200  # steps without gain after which the exchange gives up


def line_zones(
    x: Floats, heads: int, tails: int, heights: Floats, touch: Indexes, weights: Floats, slopes: Floats, doubt: Floats
) -> None:
    """Fill `touch`, `weights` (m, 3), `slopes`, `doubt` (m,): the minimum zone of each of the profiles, (m, n).

    `x`: (n,) ascending, x[0] < x[-1]; the first `heads` are equal, and so are the last `tails`.

    The width at a slope b, max(h − b·x) − min(h − b·x), is convex and made of straight pieces. Left and right of the
    best slope we hold the reading that tops and the one that bottoms the profile there. These four lines bound the
    width from below; the bound is least where two upper ones (or two lower ones) cross, with a single reading between
    them on the other side. Try that slope: either the width equals the bound and is the minimum, or a new reading
    replaces one side. Each round brings a line not held before, so the search ends; mostly after four to seven rounds.
    Readings that share an x may also settle it: the width can then be no less than their difference.

    `doubt`: by how much the width found may be too small, as a part of the largest deviation from the end-point line;
    1e-15 or so, unless places lie all but on each other.
    """
    n = x.size
    tilt = (heights[:, -1:] - heights[:, :1]) / (x[-1] - x[0])
    above = (heights - heights[:, :1]) - tilt * (x - x[0])
    size = np.abs(above).max(axis=1)
    up_left = n - tails + above[:, n - tails :].argmax(axis=1)
    low_right = n - tails + above[:, n - tails :].argmin(axis=1)
    up_right = above[:, :heads].argmax(axis=1)
    low_left = above[:, :heads].argmin(axis=1)

    left = np.arange(len(above))  # draws still searching; the arrays below are cut down with it
    for _ in range(4 * n + 8):
        rows = np.arange(left.size)
        a, b, c, sign, slope = _corner(x, above, up_left, low_left, up_right, low_right)
        share = (x[c] - x[b]) / (x[a] - x[b])
        bound = sign * (above[rows, a] - above[rows, c] - slope * (x[a] - x[c]))
        turned = above - slope[:, None] * x
        p, q = turned.argmax(axis=1), turned.argmin(axis=1)
        gap = np.divide(turned[rows, p] - turned[rows, q] - bound, size, out=np.zeros(rows.size), where=size > 0)
        ends = gap <= 1e-15
        pinned = ~ends & (x[p] == x[q])
        a, b, c = np.where(pinned, p, a), np.where(pinned, p, b), np.where(pinned, q, c)
        sign, share = np.where(pinned, 1.0, sign), np.where(pinned, 1.0, share)
        touch[left] = np.stack([a, b, c], axis=1)
        weights[left] = np.stack([sign * share, sign * (1.0 - share), -sign], axis=1)
        slopes[left], doubt[left] = tilt[left, 0] + slope, np.where(pinned, 0.0, gap)

        falls = x[q] < x[p]
        known = np.where(falls, (p == up_left) & (q == low_left), (p == up_right) & (q == low_right))
        go = ~(ends | pinned | known)
        if not go.any():
            return
        up_left, low_left = np.where(falls, p, up_left)[go], np.where(falls, q, low_left)[go]
        up_right, low_right = np.where(falls, up_right, p)[go], np.where(falls, low_right, q)[go]
        above, size, left = above[go], size[go], left[go]


def _corner(
    x: Floats, above: Floats, up_left: Indexes, low_left: Indexes, up_right: Indexes, low_right: Indexes
) -> tuple[Indexes, Indexes, Indexes, Floats, Floats]:
    """Two readings on one side, one on the other, + 1 if the two are above, and the slope: where the bound is least."""
    rows = np.arange(len(above))

    def bend(one: Indexes, other: Indexes, never: float) -> Floats:
        run = x[one] - x[other]
        rise = above[rows, one] - above[rows, other]
        return np.asarray(np.divide(rise, run, out=np.full(rows.size, never), where=run != 0))

    up_bend, low_bend = bend(up_left, up_right, -np.inf), bend(low_left, low_right, np.inf)
    up_first = up_bend <= low_bend
    two_up = np.where(up_first, x[low_left] >= x[up_right], x[low_right] < x[up_left])
    a, b = np.where(two_up, up_left, low_left), np.where(two_up, up_right, low_right)
    c = np.where(up_first, np.where(two_up, low_left, up_right), np.where(two_up, low_right, up_left))
    return a, b, c, np.where(two_up, 1.0, -1.0), np.where(two_up, up_bend, low_bend)


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
    """Fill `touch`, `weights` (m, k + 1), `fit` (m, k) and `doubt` (m,): the least possible largest deviations.

    `basis`: (k, n) columns of the fit as rows, well conditioned; `values`: (m, n). `start`: k + 1 readings whose
    columns have rank k, `signs`: the signs of their null vector. The least possible largest deviation from any
    `fit` @ `basis` is the weighted sum of the draw, sum |weights| = 1. `doubt` is by how much some reading still
    exceeds it, as a part of the largest value: 1e-14 or so, unless places lie all but on a line.

    On any k + 1 readings the best fit deviates by the same amount, the level, at all of them, with signs from their
    null vector: a lower bound. Let the reading that deviates most come in and send that one out which keeps all
    weights positive: the level rises, so no set comes back and the search ends (it is the dual simplex method).
    On regular grids a weight may be 0 and the level stands still; after a few such steps the first reading in
    order comes in and, of equals, the first goes out (Bland 1977), which cannot run in circles. What counts as
    "exceeds" grows a little with each such step, so that rounding cannot keep it going. Readings that lie all but on
    a line make a system near to singular, so its solutions are corrected once by what they leave.
    """
    k, m = len(basis), len(values)
    size = np.abs(values).max(axis=1)
    reference, sign = np.tile(start, (m, 1)), np.tile(signs, (m, 1))
    best, stall = np.full(m, -1.0), np.zeros(m, dtype=np.intp)
    left = np.arange(m)
    while True:
        rows = np.arange(left.size)
        solution, inverse = _best_at(basis, values, reference, sign)
        turn = np.where((best < 0.0) & (solution[:, k] < 0.0), -1.0, 1.0)
        level, sign = turn * solution[:, k], turn[:, None] * sign
        inverse[:, k] *= turn[:, None]

        residual = values.copy()
        for c in range(k):
            residual -= solution[:, c, None] * basis[c]
        deviation = np.abs(residual)
        enter = deviation.argmax(axis=1)
        excess = deviation[rows, enter] - level
        stall = np.where(level > best + 2e-16 * size, 0, stall + 1)
        best = np.maximum(best, level)
        slack = 7e-15 * size * (1.0 + stall)
        touch[left], weights[left], fit[left] = reference, inverse[:, k], solution[:, :k]
        doubt[left] = np.divide(excess, size, out=np.zeros(left.size), where=size > 0)
        go = (excess > slack) & (stall <= STALLED)
        if not go.any():
            return
        careful = stall > 2 * (k + 1)
        if (careful & go).any():
            first = (deviation - level[:, None] > slack[:, None]).argmax(axis=1)
            enter = np.where(careful, first, enter)
        side = np.where(residual[rows, enter] >= 0.0, 1.0, -1.0)
        leave, can = _leaving(basis, inverse, reference, sign, enter, side, careful)
        go &= can
        reference[rows, leave], sign[rows, leave] = enter, side
        reference, sign, values, size = reference[go], sign[go], values[go], size[go]
        best, stall, left = best[go], stall[go], left[go]


def _best_at(basis: Floats, values: Floats, reference: Indexes, sign: Floats) -> tuple[Floats, Floats]:
    """Fit and level (m, k + 1) that are best at the reference, and the inverses whose last rows are its weights.

    Solution and weights are corrected once by what they leave.
    """
    matrix = np.concatenate([basis.T[reference], sign[:, :, None]], axis=2)
    try:
        inverse = np.asarray(np.linalg.inv(matrix), dtype=float)
    except np.linalg.LinAlgError:  # one is singular to the last bit: its doubt will tell that nothing came of it
        inverse = np.asarray(np.linalg.pinv(matrix), dtype=float)
    at_reference = np.take_along_axis(values, reference, axis=1)
    solution = _times(inverse, at_reference)
    solution += _times(inverse, at_reference - _times(matrix, solution))
    unit = np.eye(len(basis) + 1)[-1]
    inverse[:, -1] += _times(inverse.transpose(0, 2, 1), unit - _times(matrix.transpose(0, 2, 1), inverse[:, -1]))
    return solution, inverse


def _leaving(
    basis: Floats,
    inverse: Floats,
    reference: Indexes,
    sign: Floats,
    enter: Indexes,
    side: Floats,
    careful: NDArray[np.bool_],
) -> tuple[Indexes, NDArray[np.bool_]]:
    """Which of the reference makes room so that all weights stay positive (m,), and whether one can."""
    incoming = np.concatenate([basis.T[enter], side[:, None]], axis=1)
    mix = _times(inverse.transpose(0, 2, 1), incoming) * sign * side[:, None]
    ratio = np.full(mix.shape, np.inf)
    np.divide(np.maximum(inverse[:, -1] * sign, 0.0), mix, out=ratio, where=mix > 1e-11)
    least = ratio.min(axis=1)
    preference = np.where(careful[:, None], -reference.astype(float), mix)
    leave = np.where(ratio <= least[:, None] + 1e-13, preference, -np.inf).argmax(axis=1)
    return leave, least < np.inf


def _times(matrices: Floats, vectors: Floats) -> Floats:
    """(m, e): each of the matrices (m, e, e) times its vector (m, e)."""
    return np.asarray((matrices @ vectors[:, :, None])[:, :, 0])
