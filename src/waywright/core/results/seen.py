"""What is known of a face although readings leave shapes of it unseen: the part of its heights that is seen, the least
that a measure comes to whatever the rest is, and lines of which nothing is hidden.

Unseen are the shapes whose uncertainty is still of the size of what was assumed before any reading; the rest of the
heights is a projection. The least is a linear program over the unseen, in its dual form a best fit in the largest
deviation (`judge.minimax`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from waywright.core.evidence.findings import KNOWN_UM
from waywright.core.evidence.things import FloatArray, IntArray
from waywright.core.judge.minimax import minimax, orthonormal

MOST_UNSEEN = 60  # columns: beyond, the linear program takes minutes
DEPENDENT = 1e-6  # of a column that those before it do not explain
ROUNDING = 1e-12  # of a variance


def unseen_shapes(covariance_um2: FloatArray, least_um: float = KNOWN_UM) -> FloatArray:
    """(n, k) orthonormal shapes of a face of which the covariance (n, n) leaves an RMS of `least_um` or more."""
    most = len(covariance_um2) * least_um**2
    if np.trace(covariance_um2) < most:
        return np.zeros((len(covariance_um2), 0))
    variance, shapes = np.linalg.eigh(covariance_um2)
    return np.asarray(shapes[:, variance >= most])


def seen_part(height_um: FloatArray, covariance_um2: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Heights (n,) less their unseen shapes, and their sigmas (n,); None where nothing is unseen, or all."""
    most, whole = len(height_um) * KNOWN_UM**2, float(np.trace(covariance_um2))
    if whole < most:
        return None
    variance, shapes = np.linalg.eigh(covariance_um2)
    unseen = shapes[:, variance >= most]
    left = np.maximum(variance[variance < most], 0.0)
    if unseen.shape[1] == 0 or left.sum() <= ROUNDING * whole:
        return None
    sigma_um = np.sqrt(shapes[:, variance < most] ** 2 @ left)
    return height_um - unseen @ (unseen.T @ height_um), sigma_um


def least_zones(draws_um: FloatArray, planes: FloatArray, unseen: FloatArray) -> FloatArray:
    """(m,) the narrowest zone of heights (m, n) about the columns `planes` (n, p), whatever the unseen (n, k) are.

    With the columns of each line in a block of their own, that of the worst line. Of more than MOST_UNSEEN columns only
    that it is no less: twice the RMS of what they do not explain, for no deviation is larger than the largest.
    """
    columns = np.column_stack([planes, unseen])
    if columns.shape[1] > MOST_UNSEEN:
        return _no_less(draws_um, columns)
    columns = columns[:, orthonormal(columns, DEPENDENT).kept]
    if columns.shape[1] >= len(columns):
        return np.zeros(len(draws_um))
    try:
        return np.asarray(2 * minimax(columns, draws_um).deviation)
    except ArithmeticError:  # columns that explain all but rounding leave nothing that could be settled
        return _no_less(draws_um, columns)


def _no_less(draws_um: FloatArray, columns: FloatArray) -> FloatArray:
    n = len(columns)
    if columns.shape[1] >= n:
        return np.zeros(len(draws_um))
    basis = np.linalg.qr(columns)[0]  # of dependent columns it holds more than they: what is left is no larger for it
    left = draws_um - (draws_um @ basis) @ basis.T
    return np.asarray(2 * np.linalg.norm(left, axis=1) / np.sqrt(n))


def line_planes(x_mm: FloatArray, lines: tuple[IntArray, ...]) -> FloatArray:
    """(n, 2·lines) a level and a tilt for each line, of the lines' nodes one after the other."""
    nodes = np.cumsum([0, *(len(i) for i in lines)])
    columns = np.zeros((int(nodes[-1]), 2 * len(lines)))
    for j, i in enumerate(lines):
        columns[nodes[j] : nodes[j + 1], 2 * j] = 1.0
        columns[nodes[j] : nodes[j + 1], 2 * j + 1] = (x_mm[i] - x_mm[i].mean()) / (np.ptp(x_mm[i]) or 1.0)
    return columns


@dataclass(frozen=True)
class Section:
    """A line that is judged for itself: a line of the face at `y_mm`, or, None, the mean of all its lines.

    `weights` (s, n) take the heights of the face to those at its stations `x_mm` (s,).
    """

    y_mm: float | None
    x_mm: FloatArray
    weights: sparse.csr_matrix

    def hidden_um(self, unseen_um: FloatArray) -> float:
        """How far unseen shapes (n, k), one standard deviation each, can bend it."""
        bent = self.weights @ unseen_um
        line = np.column_stack([np.ones_like(self.x_mm), self.x_mm - self.x_mm.mean()])
        bent -= line @ np.linalg.lstsq(line, bent, rcond=None)[0]
        return float(2 * np.sqrt((bent**2).sum(axis=1)).max(initial=0.0))


def sections(x_mm: FloatArray, y_mm: FloatArray, lines: tuple[IntArray, ...]) -> Iterator[Section]:
    """The mean of the lines at the stations that all of them have, where there are lines to mean; then each line."""
    n = len(x_mm)
    common = sorted(set.intersection(*(set(x_mm[i].tolist()) for i in lines))) if len(lines) > 1 else []
    if len(common) > 2:
        at = [{float(x_mm[node]): node for node in i} for i in lines]
        each = [_picked(np.array([nodes[x] for x in common], np.intp), n) for nodes in at]
        weights = sparse.csr_matrix(sum(each[1:], each[0]) / len(lines))
        yield Section(None, np.array(common), weights)
    for i in lines:
        yield Section(float(y_mm[i[0]]), x_mm[i], _picked(i, n))


def _picked(nodes: IntArray, n: int) -> sparse.csr_matrix:
    """(k, n) rows that pick a node each."""
    return sparse.csr_matrix((np.ones(len(nodes)), (np.arange(len(nodes)), nodes)), shape=(len(nodes), n))
