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

from waywright.core.evidence.findings import KNOWN_UM
from waywright.core.evidence.things import FloatArray, IntArray
from waywright.core.judge.minimax import minimax, orthonormal
from waywright.core.judge.spectrum import Spectrum

MOST_UNSEEN = 60  # columns: beyond, the linear program takes minutes
DEPENDENT = 1e-6  # of a column that those before it do not explain
ROUNDING = 1e-12  # of a variance


def seen_part(height_um: FloatArray, apart: Spectrum) -> tuple[FloatArray, FloatArray] | None:
    """Heights (n,) less their unseen shapes, and their sigmas (n,); None where nothing is unseen, or all."""
    unseen = apart.unseen(KNOWN_UM)
    seen = apart.shapes.shape[1] - unseen.shape[1]
    left = np.maximum(apart.variance[:seen], 0.0)
    if unseen.shape[1] == 0 or left.sum() <= ROUNDING * apart.variance.sum():
        return None
    sigma_um = np.sqrt(apart.shapes[:, :seen] ** 2 @ left)
    return height_um - unseen @ (unseen.T @ height_um), sigma_um


def least_zones(draws_um: FloatArray, planes: FloatArray, unseen: FloatArray) -> FloatArray:
    """(m,) the narrowest zone of heights (m, n) about the columns `planes` (n, p), whatever the unseen (n, k) are.

    With the columns of each line in a block of their own, that of the worst line. Of more than MOST_UNSEEN columns only
    that it is no less: twice the RMS of what they do not explain, for no deviation is larger than the largest.
    """
    if planes.shape[1] + unseen.shape[1] >= len(planes):
        return np.zeros(len(draws_um))
    columns = np.column_stack([planes, unseen])
    if columns.shape[1] > MOST_UNSEEN:
        return _no_less(draws_um, columns)
    columns = columns[:, orthonormal(columns, DEPENDENT).kept]
    try:
        return np.asarray(2 * minimax(columns, draws_um).deviation)
    except ArithmeticError:  # columns that explain all but rounding leave nothing that could be settled
        return _no_less(draws_um, columns)


def _no_less(draws_um: FloatArray, columns: FloatArray) -> FloatArray:
    basis = np.linalg.qr(columns)[0]  # of dependent columns it holds more than they: what is left is no larger for it
    left = draws_um - (draws_um @ basis) @ basis.T
    return np.asarray(2 * np.linalg.norm(left, axis=1) / np.sqrt(len(columns)))


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

    At its stations `x_mm` (s,) it is the mean over `nodes` (lines, s) of the face.
    """

    y_mm: float | None
    x_mm: FloatArray
    nodes: IntArray

    def of(self, values: FloatArray) -> FloatArray:
        """(s, …) of it, from values (n, …) at the nodes of the face."""
        return np.asarray(sum(values[i] for i in self.nodes) / len(self.nodes))

    def hidden_um(self, unseen: FloatArray, sigma_um: FloatArray) -> float:
        """How far unseen shapes (n, k) of standard deviations (k,) can bend it."""
        bent = self.of(unseen)
        line = np.linalg.qr(np.column_stack([np.ones_like(self.x_mm), self.x_mm - self.x_mm.mean()]))[0]
        bent -= line @ (line.T @ bent)
        bent *= sigma_um
        return float(2 * np.linalg.norm(bent, axis=1).max(initial=0.0))


def sections(x_mm: FloatArray, y_mm: FloatArray, lines: tuple[IntArray, ...]) -> Iterator[Section]:
    """The mean of the lines at the stations that all of them have, where there are lines to mean; then each line."""
    common = sorted(set.intersection(*(set(x_mm[i].tolist()) for i in lines))) if len(lines) > 1 else []
    if len(common) > 2:
        at = [{float(x_mm[node]): node for node in i} for i in lines]
        yield Section(None, np.array(common), np.array([[nodes[x] for x in common] for nodes in at], np.intp))
    for i in lines:
        yield Section(float(y_mm[i[0]]), x_mm[i], i[None, :])
