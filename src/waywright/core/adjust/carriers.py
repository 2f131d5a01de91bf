"""On which of its spacers an upper face can stand, by the balance of its weight alone.

A rigid upper comes down until as many spacers as hold it carry: two along a line, three where they lie about an area.
Their reactions are the barycentric coordinates of the place where the weight acts; none can pull.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from waywright.core.evidence.rows import Rests
from waywright.core.evidence.things import BoolArray, FloatArray, IntArray

PULLS = -0.05  # of the weight: nobody knows its place better
NARROW_MM = 1.0  # spacers that lie so nearly on one line hold along it only; a block is wider
IN_LINE_MM = 1e-3  # so nearly that they are on it
MOST = 24  # spacers under one face beyond which nothing is worked out; nobody has laid so many


@dataclass(frozen=True)
class Carriers:
    """One set of spacers (k,) that can carry, numbered in their group.

    `spread` is what they make of lift and tilts: the size of the determinant of (1, x, y) at them. `narrow`: three so
    nearly on one line that a block's own width decides: it may stand on them, but nothing is built on that it does.
    """

    at: tuple[int, ...]
    spread: float
    narrow: bool = False


@dataclass(frozen=True)
class Group:
    """All spacers of one setting: their rows in the network (k,), places (k,) mm, and where the weight acts."""

    setting: str
    rows: IntArray
    x_mm: FloatArray
    y_mm: FloatArray
    load_mm: tuple[tuple[float, float], tuple[float, float]]

    def renumbered(self, new: IntArray) -> Group:
        """The same after rows were left out: `new` (n,) gives each old row's number, −1 where it is gone."""
        rows = new[self.rows]
        return replace(self, rows=rows).only(rows >= 0)

    def only(self, stay: BoolArray) -> Group:
        """Some of its spacers (k,)."""
        return replace(self, rows=self.rows[stay], x_mm=self.x_mm[stay], y_mm=self.y_mm[stay])

    @cached_property
    def sets(self) -> tuple[Carriers, ...]:
        """Every set it could stand on; a lone spacer carries, as the faces themselves then bear the rest."""
        if not 1 < len(self.rows) <= MOST:
            return tuple(Carriers((i,), 1.0) for i in range(len(self.rows)) if len(self.rows) == 1)
        places, loads = self._frame()
        found = []
        for at in itertools.combinations(range(len(places)), places.shape[1]):
            corners = places[list(at)]
            spread = abs(float(np.linalg.det(corners)))
            longest = _longest(corners)
            if spread <= IN_LINE_MM * longest:
                continue
            reactions = np.asarray(np.linalg.solve(corners.T, loads.T), np.float64)
            if _bears(reactions):
                found.append(Carriers(at, spread, spread <= NARROW_MM * longest))
        return tuple(found)

    @property
    def sure(self) -> tuple[int, ...]:
        """The spacers that carry whatever the shapes are: where there is one set only."""
        return self.sets[0].at if len(self.sets) == 1 and not self.sets[0].narrow else ()

    def _frame(self) -> tuple[FloatArray, FloatArray]:
        """The spacers (k, d) and both ends of the load (2, d) as (1, x, y), or (1, along) where they lie on a line."""
        spots, loads = np.column_stack([self.x_mm, self.y_mm]), np.array(self.load_mm)
        middle = spots.mean(axis=0)
        _, _, axes = np.linalg.svd(spots - middle, full_matrices=False)
        across = (spots - middle) @ axes[1] if len(axes) > 1 else np.zeros(1)
        axes = axes if np.abs(across).max() > NARROW_MM else axes[:1]
        return tuple(np.column_stack([np.ones(len(p)), (p - middle) @ axes.T]) for p in (spots, loads))  # type: ignore[return-value]


def _longest(corners: FloatArray) -> float:
    """The longest side of a triangle, in mm; 1 for two places, whose determinant is their distance itself."""
    if corners.shape[1] == 2:
        return 1.0
    return max(float(np.hypot(*(a - b)[1:])) for a, b in itertools.combinations(corners, 2))


def _bears(reactions: FloatArray) -> bool:
    """Whether somewhere between both ends of the load (k, 2) no reaction pulls."""
    start, change = reactions[:, 0] - PULLS, reactions[:, 1] - reactions[:, 0]
    low, high = 0.0, 1.0
    for at, slope in zip(start, change, strict=True):
        if abs(slope) < 1e-12:
            if at < 0:
                return False
        elif slope > 0:
            low = max(low, -at / slope)
        else:
            high = min(high, -at / slope)
    return low <= high + 1e-12


def grouped(said: Sequence[tuple[str, Rests]]) -> tuple[Group, ...]:
    """The spacers of every setting, from all its blocks; rows are the network's."""
    found: dict[str, list[Rests]] = {}
    for setting, rests in said:
        found.setdefault(setting, []).append(rests)
    return tuple(
        Group(
            setting,
            np.concatenate([p.rows for p in parts]),
            np.concatenate([p.x_mm for p in parts]),
            np.concatenate([p.y_mm for p in parts]),
            (
                min(p.load_mm[0] for p in parts),
                max(p.load_mm[1] for p in parts),
            ),
        )
        for setting, parts in found.items()
    )
