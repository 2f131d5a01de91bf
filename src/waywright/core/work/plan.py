"""Where the target lies and how often each square is gone over, from the likeliest shape alone.

Uncertainty has no say here: it can only take passes away afterwards (`scraping`). So more of it never takes more metal.

Two surfaces, parallel but for a wanted bend, hold the plan: the *roof*, under which everything is to come, and the
target, one pass under the lowest place. A square is gone over as often as its highest place needs to come under the
roof, and never so often that its lowest falls below the target; so a first pass asks that a place stand above the
lowest, and it is the height above that which must be sure.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from waywright.core.evidence.things import FloatArray, Hand, IntArray
from waywright.core.judge.limits import crown_um
from waywright.core.judge.zones import line_zone, plane_zone
from waywright.core.work.pencil import Pencil

COARSE, COARSE_PLANE = 17, 9  # tilts tried on each axis at first, on a line and on a plane
FINE, ROUNDS = 5, 4  # and when looking closer, and how often
ROOFS = 12  # at most
SPREAD = 1.5  # scatters of the hand, up and down, by which it widens what is left
WORTH = 0.1  # µm of zone that a µm of metal off the whole face must be worth when the goal is out of reach
CROWN_SPARE = 0.5  # of a pass: how far on the allowed side the middle is planned, but no more than a third of the goal


@dataclass(frozen=True)
class Task:
    """What is to be planned. `height_um` (places,): the likeliest; `goal_um` None: as flat as this hand can.

    `side`: +1 when the middle may not stand high, −1 when it may not lie low, 0 when either will do.
    """

    pencil: Pencil
    height_um: FloatArray
    hand: Hand
    goal_um: float | None
    side: int
    most: int

    @cached_property
    def zone_um(self) -> float:
        """Minimum zone of the likeliest shape."""
        inside = self.pencil.counts
        x, y, h = self.pencil.at_x_mm[inside], self.pencil.at_y_mm[inside], self.height_um[inside]
        if len(np.unique(y)) == 1:
            return line_zone(x, h).width_um
        return plane_zone(x, y, h).width_um

    @cached_property
    def bent(self) -> FloatArray:
        """(places,) 1 in the middle, 0 at the ends: what a wanted bend looks like."""
        s, t = self.pencil.s, self.pencil.t
        across = len(self.pencil.face.lines_mm) > 2
        return np.asarray(np.maximum(1.0 - (s**2 + t**2) / 2 if across else 1.0 - s**2, 0.0))

    @cached_property
    def crown(self) -> FloatArray:
        """(places,) weights that give how high the middle stands."""
        return crown_weights(self.pencil)


@dataclass(frozen=True)
class Planned:
    """A target and the passes that go with it. `target_um` (places,): below it nothing is taken.

    `passes` (workable squares,). `zone_um`: what is expected to be left, the hand's scatter counted. `level_um`,
    `along_um`, `across_um`, `bend_um`: target = level + along·s + across·t + bend·(1 in the middle, 0 at the ends).
    `reaches`: whether the goal is met by the likeliest shape.
    """

    passes: IntArray
    target_um: FloatArray
    zone_um: float
    level_um: float
    along_um: float
    across_um: float
    bend_um: float
    reaches: bool


def crown_weights(grid: Pencil) -> FloatArray:
    """(places,) weights that give how high the middle stands above the ends (`judge.limits.crown_um`)."""
    weights = np.zeros(len(grid.counts))
    inside = np.flatnonzero(grid.counts)
    x, y = grid.at_x_mm[inside], grid.at_y_mm[inside]
    one_line = len(np.unique(y)) == 1
    weights[inside] = crown_um(x, np.eye(len(inside)), None if one_line else y)
    return weights


def planned(task: Task) -> Planned:
    """The target that reaches the goal with the least metal; where none does, the one that leaves least for its metal.

    The same face reversed, mirrored or tilted is planned the same. Ties go to the target nearest the face's own plane.
    """
    reach = max(task.zone_um / 2, 1e-9)
    flat = not np.any(task.pencil.t)
    axis = np.linspace(-1.0, 1.0, COARSE if flat else COARSE_PLANE) * reach
    best = min(_tries(task, _tilts(np.zeros(2), axis, flat)), key=lambda one: one[0])
    step = axis[1] - axis[0]
    for _ in range(ROUNDS):
        near = np.linspace(-1.0, 1.0, FINE) * step
        best = min([best, *_tries(task, _tilts(best[1], near, flat))], key=lambda one: one[0])
        step = near[1] - near[0]
    _, tilt, bend, roof = best
    return _laid(task, tilt, bend, roof)


Key = tuple[float, ...]
Try = tuple[Key, FloatArray, float, float]  # how good (least is best), tilt, bend, roof above the lowest place


def _tilts(about: FloatArray, steps: FloatArray, flat: bool) -> FloatArray:
    """(k, 2) along and across; a face read on one line tilts along only."""
    across = np.zeros(1) if flat else steps
    return np.stack([np.repeat(about[0] + steps, len(across)), np.tile(about[1] + across, len(steps))], axis=1)


def _roofs(task: Task) -> FloatArray:
    """Heights of the roof above the lowest place worth trying, highest first; never less than one pass."""
    d = task.hand.depth_um
    most = 2 * d if task.goal_um is None else max(task.goal_um, d)
    count = min(ROOFS, 1 + math.ceil((most - d) / (d / 4) - 1e-9))
    return np.linspace(most, d, count)


def _bends(task: Task) -> FloatArray:
    """Wanted bends, none first; the middle is taken a little more, or less, where a side asks for it."""
    if not task.side:
        return np.zeros(1)
    d = task.hand.depth_um
    most = d if task.goal_um is None else max(task.goal_um / 2, d / 4)
    return -task.side * np.linspace(0.0, min(most, 2 * d), 7)


def _tries(task: Task, tilts: FloatArray) -> Iterator[Try]:
    """The best tilt for each bend and roof."""
    for bend in _bends(task):
        for roof in _roofs(task):
            keys = _keys(task, tilts, float(bend), float(roof))
            i = int(np.lexsort(keys.T[::-1])[0])
            yield tuple(keys[i]), tilts[i], float(bend), float(roof)


def _keys(task: Task, tilts: FloatArray, bend: float, roof: float) -> FloatArray:
    """(tilts, 5) how good each is: the goal met; metal, or what is left and its metal; zone; bend; tilt."""
    grid, d = task.pencil, task.hand.depth_um
    tilted, passes, _ = _passes(task, tilts, bend, roof)
    at = passes[:, task.pencil.owner]
    blur = SPREAD * task.hand.scatter * d * np.sqrt(at)
    left = tilted - d * at
    zone = (left + blur)[:, grid.counts].max(axis=1) - (left - blur)[:, grid.counts].min(axis=1)
    metal = passes @ grid.area_mm2[grid.numbers] * d
    wrong = np.zeros(len(tilts))
    if task.side:
        crown = (task.height_um - d * at) @ task.crown
        spare = CROWN_SPARE * d if task.goal_um is None else min(CROWN_SPARE * d, task.goal_um / 3)
        wrong = np.maximum(task.side * crown + spare, 0.0)
    goal = -1.0 if task.goal_um is None else task.goal_um
    missed = (zone > goal + 1e-9) | (wrong > 1e-9)
    cost = np.where(missed, zone + 2 * wrong + WORTH * metal / grid.area_mm2.sum(), metal)
    off = (tilts**2).sum(axis=1)
    bends = np.full(len(off), abs(bend))
    return np.stack([missed, np.round(cost, 6), np.round(zone, 6), bends, np.round(off, 9)], axis=1)


def _passes(task: Task, tilts: FloatArray, bend: float, roof: float) -> tuple[FloatArray, IntArray, FloatArray]:
    """Heights about each tilt (tilts, places), passes (tilts, workable squares) and the roof's level (tilts,)."""
    grid, d = task.pencil, task.hand.depth_um
    tilted = task.height_um - tilts[:, :1] * grid.s - tilts[:, 1:] * grid.t
    above = tilted - bend * task.bent
    level = above[:, grid.counts].min(axis=1) + roof
    top = np.maximum.reduceat(above, grid.starts, axis=1) - level[:, None]
    low = np.minimum.reduceat(above, grid.starts, axis=1) - level[:, None]
    needed, allowed = np.ceil(top / d - 1e-9), np.floor((low + roof) / d + 1.0 + 1e-9)
    return tilted, np.clip(np.minimum(needed, allowed), 0, task.most).astype(np.intp), level


def _laid(task: Task, tilt: FloatArray, bend: float, roof: float) -> Planned:
    grid, d = task.pencil, task.hand.depth_um
    _, passes, level = _passes(task, tilt[None, :], bend, roof)
    key = _keys(task, tilt[None, :], bend, roof)[0]
    target = float(level[0]) - roof - d
    at = target + tilt[0] * grid.s + tilt[1] * grid.t + bend * task.bent
    return Planned(passes[0], at, float(key[2]), target, float(tilt[0]), float(tilt[1]), bend, not key[0])
