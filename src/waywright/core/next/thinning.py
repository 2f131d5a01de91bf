"""Single readings taken out of a programme as long as it reaches its goal, the least useful a minute first.

Without reading j of a setting with precision w, what is known of everything falls by a term of rank one: with b =
rowsᵀ·precision_j and C the covariance of the unknowns, C grows by C·b·bᵀ·C/(w_j − bᵀ·C·b), and the b of the setting's
other readings lose w_ij/w_j of it. So nothing is factored again for a reading; only, now and then, for what is left.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import linalg

from waywright.core.evidence.things import FloatArray, IntArray
from waywright.core.next.reading_plan import Information, ReadingPlan

ALIKE = 10  # decimals to which what settings tell is compared: beyond, rounding would choose between equals
AT_A_TIME = 8  # readings tried before the losses are worked out again
LOST = 1e-4  # of a reading's precision: with less left when it is gone, rounding asks for a new factor


def without_readings(plan: ReadingPlan, chosen: Sequence[Information], start: int = 1) -> list[Information]:
    """`chosen`, which reach the goal, without the single readings it does not need; none before `start` is left out."""
    thinning = Thinning(plan, list(chosen), start)
    while thinning.step():
        pass
    return thinning.left()


class Thinning:
    """What the readings that may still go (k,) do to the goal, kept as they go.

    Over the shapes asked about (a,) `toward` (a, k) is their covariance with each b, `known` that over G + g²;
    `between` (k, k) is bᵀ·C·b and `precision` (k, k) w; `variance` (n,) is that of every node or rise.
    """

    def __init__(self, plan: ReadingPlan, chosen: list[Information], start: int) -> None:
        self.plan, self.chosen, self.start = plan, chosen, start
        self.needed: list[set[str]] = [set() for _ in chosen]
        self._work_out()

    def left(self) -> list[Information]:
        """What is left."""
        for s, setting in enumerate(self.chosen):
            gone = self.at[self.gone & (self.setting == s)]
            self.chosen[s] = setting.less(gone) if len(gone) else setting
        return self.chosen

    def _work_out(self) -> None:
        plan, some = self.plan, self.left() if hasattr(self, "gone") else self.chosen
        at = [np.zeros(0, np.intp) if s < self.start else self._may_go(s) for s in range(len(some))]
        self.at, self.setting = np.concatenate(at), np.repeat(np.arange(len(some)), [len(a) for a in at])
        self.gone = np.zeros(len(self.at), bool)
        self.open = ~self.gone
        self.minutes = np.concatenate([t.each_min[a] for t, a in zip(some, at, strict=True)])
        blocks = [t.precision[np.ix_(a, a)] for t, a in zip(some, at, strict=True)]
        self.precision = np.asfortranarray(linalg.block_diag(*blocks))
        b = np.concatenate([t.precision[a] @ t.rows for t, a in zip(some, at, strict=True)])
        information = plan.with_these(some)
        factor = linalg.cho_factor(information, lower=True)
        carried = linalg.cho_solve(factor, b.T)
        self.toward = np.asfortranarray(plan.weights.T @ carried)
        self.between = np.asfortranarray(b @ carried)
        self.known = np.asfortranarray(linalg.cho_solve((plan.factor(plan.covariance(information)), True), self.toward))
        self.variance = plan.variances(information)

    def _may_go(self, s: int) -> IntArray:
        """What it stands on takes no time, and stays."""
        setting = self.chosen[s]
        ids = [r.id not in self.needed[s] for r in setting.readings]
        return np.flatnonzero((setting.each_min > 0) & np.array(ids, bool))

    def step(self) -> bool:
        """Take out one reading; False when none of the least useful may go."""
        own, rest = self._rests()
        rate = np.round(self.losses() / self.minutes, ALIKE)
        order = np.lexsort((np.arange(len(rate)), rate))
        tried = order[self.open[order]][:AT_A_TIME]
        effect = self.plan.told_by @ self.toward[:, tried]
        largest = np.max(self.variance[:, None] + effect**2 / rest[tried], axis=0, initial=0.0)
        for j, variance in zip(tried, largest, strict=True):
            self.open[j] = False
            if variance <= self.plan.required_sigma_um**2:
                self._take_out(j, own[j], rest[j])
                return True
            self.needed[self.setting[j]].add(self.chosen[self.setting[j]].readings[self.at[j]].id)
        return False

    def losses(self) -> FloatArray:
        """(k,) what the share known would lose without each."""
        _, rest = self._rests()
        spread = rest + np.einsum("ij,ij->j", self.toward, self.known)
        return np.asarray(self.plan.share_um2 * np.einsum("ij,ij->j", self.known, self.known) / spread)

    def _rests(self) -> tuple[FloatArray, FloatArray]:
        """(k,) the precision of each reading, and what would be left of it were it known from the others alone."""
        own = np.diag(self.precision)
        return own, np.maximum(own - np.diag(self.between), 1e-14 * np.maximum(own, 1e-286))

    def _take_out(self, j: int, own: float, rest: float) -> None:
        self.gone[j] = True
        if own > 1e-12:  # else the setting's own unknowns had used it up: it said nothing
            if rest < LOST * own or 2 * np.count_nonzero(self.open) < len(self.open):
                self._work_out()
                return
            toward, known, between = self.toward[:, j].copy(), self.known[:, j].copy(), self.between[:, j].copy()
            self.variance = self.variance + (self.plan.told_by @ toward) ** 2 / rest
            shared = (known @ self.toward + (known @ toward / rest) * between) / (rest + known @ toward)
            mine = np.where(self.setting == self.setting[j], self.precision[:, j] / own, 0.0)
            # What the others say grows with what only this reading told; then theirs loses its part.
            grown = 1 + between[j] / rest
            _add(self.toward, toward, between / rest - grown * mine)
            change = between / rest - shared
            _add(self.known, known, change - (1 + change[j]) * mine)
            _add(self.between, between, between / rest - grown * mine)
            _add(self.between, mine, -self.between[j].copy())
            _add(self.precision, self.precision[:, j] / own, -self.precision[j].copy())


def _add(matrix: FloatArray, column: FloatArray, row: FloatArray) -> None:
    """A term of rank one, in place."""
    linalg.blas.dger(1.0, column, row, a=matrix, overwrite_x=False, overwrite_y=False, overwrite_a=True)
