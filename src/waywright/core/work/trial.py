"""Trying passes on the shapes a face may have: what must be withheld, what is left, and on which side."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from waywright.core.evidence.things import FloatArray, Hand, IntArray
from waywright.core.judge.limits import Limit, signed_um
from waywright.core.judge.zones import minimum_zone_lines, minimum_zone_planes
from waywright.core.work.maps import Taken
from waywright.core.work.pencil import Pencil
from waywright.core.work.plan import Planned, crown_weights

LINE_DRAWS, PLANE_DRAWS = 1000, 250  # whose zones are measured
GUARD = 1.25  # times the band: draws under the form prior are narrow in their tails where a face was cut in steps
WRONG_SIDE = 0.01  # chance of it that a round may leave where there was none: never, as near as draws can tell
SEED = 5
_SURE_UM = 1e-9


@dataclass(frozen=True)
class Trial:
    """A face as it is known on its pencil grid, and the hand that is to work it.

    `draws_um` (m, places): each about its own plane, linear between the nodes. `taken`: what earlier maps took
    since the face was last even between its stations; it is counted here, with what is not known of it.
    """

    grid: Pencil
    draws_um: FloatArray
    taken: Taken | None
    hand: Hand
    measure: str  # "straightness" of the worst line, or "flatness"
    limit: Limit | None
    side: int  # as in `plan.Task`
    chance: float

    @cached_property
    def mean_um(self) -> FloatArray:
        """(places,) the likeliest heights."""
        even = np.asarray(self.draws_um.mean(axis=0))
        return even if self.taken is None else np.asarray(even - self.grid.uneven @ self.taken.um.ravel())

    @cached_property
    def variance_um2(self) -> FloatArray:
        """(places,) of the heights, what earlier passes did between the nodes included."""
        even = np.asarray(self.draws_um.var(axis=0))
        if self.taken is None:
            return even
        uneven, share = self.grid.uneven, self.hand.depth_u_um / self.hand.depth_um
        rough = uneven.multiply(uneven) @ self.taken.scatter_um.ravel() ** 2
        return np.asarray(even + rough + (share * (uneven @ self.taken.um.ravel())) ** 2)

    @cached_property
    def band(self) -> float:
        """How many sigmas under the mean no place lies, with the stated chance for all of them at once."""
        sigma = self.draws_um.std(axis=0)
        known = sigma > _SURE_UM
        least = float(ndtri(self.chance))
        if not known.any():
            return GUARD * least
        off = (self.draws_um.mean(axis=0)[known] - self.draws_um[:, known]) / sigma[known]
        return GUARD * max(float(np.quantile(off.max(axis=1), self.chance)), least)

    def withheld(self, plan: Planned) -> IntArray:
        """(workable squares,) the plan's passes, less those that might take a place below the target."""
        kept = np.zeros_like(plan.passes)
        for n in range(1, int(plan.passes.max(initial=0)) + 1):
            spare = self.band * np.sqrt(self.variance_um2 + self.hand.variance_um2(n))
            clear = self.mean_um - n * self.hand.depth_um - spare - plan.target_um
            fits = np.minimum.reduceat(clear, self.grid.starts) >= -1e-9
            kept[(plan.passes >= n) & fits] = n
        return self._on_the_right_side(kept)

    def _on_the_right_side(self, passes: IntArray) -> IntArray:
        """The same without the passes that would leave the middle on the side that is not allowed.

        Those of lowest squares go first. A face that is there already is not held back, and not made worse.
        """
        if not self.side:
            return passes
        kept = passes.copy()
        pull = np.add.reduceat(-self.side * self._crown, self.grid.starts)  # of a pass, towards the wrong side
        low = np.minimum.reduceat(self.mean_um, self.grid.starts)
        allowed = max(WRONG_SIDE, self.wrong_side(self.start_um))
        while self.wrong_side(self.after(kept)) > allowed:
            against = np.flatnonzero((kept > 0) & (pull > 1e-12))
            if not len(against):
                return np.zeros_like(kept)
            kept[against[np.argmin(low[against] - self.hand.depth_um * kept[against])]] -= 1
        return kept

    @cached_property
    def _crown(self) -> FloatArray:
        return crown_weights(self.grid)

    def chances_below(self, plan: Planned, passes: IntArray) -> FloatArray:
        """(workable squares,) the chance that its likeliest place is taken below the target; 0 where nothing is."""
        n = passes[self.grid.owner].astype(np.float64)
        on = np.flatnonzero(n)
        draws = self.draws_um[: 2 * LINE_DRAWS, on]
        more = self.hand.variance_um2(n[on]) + self.variance_um2[on] - self.draws_um[:, on].var(axis=0)
        fall = self.mean_um[on] - self.draws_um[:, on].mean(axis=0) - self.hand.depth_um * n[on] - plan.target_um[on]
        below = np.zeros(len(n))
        below[on] = ndtr(-(draws + fall) / np.sqrt(np.maximum(more, 1e-18))).mean(axis=0)
        return np.asarray(np.maximum.reduceat(below, self.grid.starts))

    # -- the zones of draws, before and after

    @cached_property
    def _some(self) -> int:
        return min(len(self.draws_um), PLANE_DRAWS if self.measure == "flatness" else LINE_DRAWS)

    @cached_property
    def _hand(self) -> FloatArray:
        """(draws,) what this hand truly takes, as a share of what is believed."""
        white = np.random.default_rng(SEED).standard_normal(self._some)
        return np.asarray(1.0 + self.hand.depth_u_um / self.hand.depth_um * white)

    @cached_property
    def _rank(self) -> IntArray:
        """(squares,) by mean height: chance is dealt in this order, so that a face turned round is dealt the same."""
        height = np.zeros(len(self.grid.area_mm2))
        count = np.bincount(self.grid.owner)
        height[self.grid.numbers] = np.add.reduceat(self.mean_um, self.grid.starts) / count
        return np.asarray(np.argsort(np.argsort(np.round(height, 6), kind="stable"), kind="stable"), np.intp)

    def _removed(self, um: FloatArray, scatter_um: FloatArray, stream: int) -> FloatArray:
        """(draws, squares) what is taken where `um` (squares,) is expected, µm."""
        white = np.random.default_rng([SEED, stream]).standard_normal((self._some, len(um)))
        return np.asarray(np.maximum(self._hand[:, None] * um + scatter_um * white[:, self._rank], 0.0))

    @cached_property
    def start_um(self) -> FloatArray:
        """(draws, places) heights before the round."""
        even = np.asarray(self.draws_um[: self._some])
        if self.taken is None:
            return even
        removed = self._removed(self.taken.um.ravel(), self.taken.scatter_um.ravel(), 1)
        return np.asarray(even - removed @ self.grid.uneven.T)

    def after(self, passes: IntArray) -> FloatArray:
        """(draws, places) heights after so many passes over each workable square."""
        n, depth = spread_over(self.grid, passes).ravel(), self.hand
        removed = self._removed(n * depth.depth_um, np.sqrt(n) * depth.scatter * depth.depth_um, 2)
        return np.asarray(self.start_um - removed[:, self.grid.square])

    def zones(self, heights_um: FloatArray) -> FloatArray:
        """(draws,) what is judged, without a sign."""
        grid, inside = self.grid, self.grid.counts
        if self.measure == "flatness":
            return np.asarray(minimum_zone_planes(grid.at_x_mm[inside], grid.at_y_mm[inside], heights_um[:, inside]))
        worst = np.zeros(len(heights_um))
        for y in self.grid.face.lines_mm:
            on = inside & (np.abs(grid.at_y_mm - y) < 1e-6)
            if len(np.unique(grid.at_x_mm[on])) > 2:
                worst = np.maximum(worst, minimum_zone_lines(grid.at_x_mm[on], heights_um[:, on]))
        return worst

    def overhang(self, heights_um: FloatArray) -> FloatArray:
        """(draws,) how far what is left out at the ends stands above all that is judged: a piece would lie on it."""
        inside = self.grid.counts
        if inside.all():
            return np.zeros(len(heights_um))
        above = heights_um[:, ~inside].max(axis=1) - heights_um[:, inside].max(axis=1)
        return np.asarray(np.maximum(above, 0.0))

    def values(self, heights_um: FloatArray) -> FloatArray:
        """(draws,) what is held against the limit: signed where that has a side."""
        zones = self.zones(heights_um)
        if self.limit is None or not self.limit.signed:
            return zones
        return signed_um(zones, heights_um @ self._crown)

    def chance_inside(self, heights_um: FloatArray) -> float | None:
        """The chance that what is judged is inside the limit; None without one."""
        if self.limit is None:
            return None
        low, high = self.limit.interval()
        values = self.values(heights_um)
        return float(((values >= low) & (values <= high)).mean())

    def on_wrong_side(self, heights_um: FloatArray) -> NDArray[np.bool_]:
        """(draws,) whether the middle is on the side that is not allowed."""
        return np.asarray(self.side * (heights_um @ self._crown) > 0)

    def wrong_side(self, heights_um: FloatArray) -> float:
        """The chance of it."""
        return float(self.on_wrong_side(heights_um).mean())


def spread_over(grid: Pencil, of_workable: NDArray[Any]) -> NDArray[Any]:
    """(bands, columns) from a value for each workable square; 0 elsewhere."""
    full = np.zeros(len(grid.area_mm2), of_workable.dtype)
    full[grid.numbers] = of_workable
    return full.reshape(grid.shape)
