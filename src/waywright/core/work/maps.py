"""What a scraping map says: the target, how often each square is gone over, zones as a person chalks them, strokes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waywright.core.evidence.things import Face, FloatArray, Hand, IntArray

Outcome = Literal["scrape", "inside", "near", "coarse", "unsure", "unread"]
Width = Literal["whole", "near", "far", "strip"]
Promise = Literal["", "inside", "likely inside", "as flat as it gets", "goal", "on the way"]
LEANS = ("right", "left")  # of the strokes seen from above: / leans right, \ leans left


@dataclass(frozen=True)
class Target:
    """The surface below which nothing is taken: a + b·x + c·y + d·x·y, and a wanted bend where a limit has a side.

    In the frame of the heights it was made from. d is the twist that is left as it is where straightness alone is asked
    of several lines; else 0. `bend_um` is added in the middle of `span_mm` (and of `across_mm`,
    where the bend runs across too) and falls to nothing at its ends, as a parabola.
    """

    a_um: float
    b_um_per_mm: float
    c_um_per_mm: float
    d_um_per_mm2: float = 0.0
    bend_um: float = 0.0
    span_mm: tuple[float, float] = (0.0, 1.0)
    across_mm: tuple[float, float] | None = None

    def height_um(self, x_mm: ArrayLike, y_mm: ArrayLike) -> FloatArray:
        """(n,) its height at places (n,)."""
        x, y = np.asarray(x_mm, np.float64), np.asarray(y_mm, np.float64)
        s = _from_middle(x, self.span_mm)
        bent = 1.0 - s**2 if self.across_mm is None else 1.0 - (s**2 + _from_middle(y, self.across_mm) ** 2) / 2
        even = self.a_um + self.b_um_per_mm * x + self.c_um_per_mm * y + self.d_um_per_mm2 * x * y
        return np.asarray(even + self.bend_um * np.maximum(bent, 0.0))


def _from_middle(place: FloatArray, ends: tuple[float, float]) -> FloatArray:
    return np.asarray((2.0 * place - ends[0] - ends[1]) / (ends[1] - ends[0]))


@dataclass(frozen=True)
class Taken:
    """What maps took from each square: (bands, columns) µm, and by how much places differ from that (one sigma).

    Add up what one map after another took since a face was last even between its stations.
    """

    um: FloatArray
    scatter_um: FloatArray

    def __add__(self, other: Taken) -> Taken:
        bands = max(len(self.um), len(other.um))
        one, two = self.ruled(bands), other.ruled(bands)
        return Taken(one.um + two.um, np.hypot(one.scatter_um, two.scatter_um))

    def ruled(self, bands: int) -> Taken:
        """The same on squares ruled finer across; ValueError where that is not a whole number of them for one."""
        if bands % len(self.um):
            raise ValueError(f"What was taken from {len(self.um)} bands cannot be told of {bands}.")
        times = bands // len(self.um)
        return Taken(np.repeat(self.um, times, axis=0), np.repeat(self.scatter_um, times, axis=0))


@dataclass(frozen=True)
class WorkZone:
    """A rectangle that is gone over equally often; x from the marked end, y from the centre line, + far.

    `width` names the whole of it or a half; any other "strip" is told by its y. `chance_below` is
    the chance that, at the place of the zone where that is likeliest, more is taken than down to the target.
    """

    from_mm: float
    to_mm: float
    y_from_mm: float
    y_to_mm: float
    width: Width
    passes: int
    chance_below: float


@dataclass(frozen=True)
class Stroke:
    """One going-over: which squares (bands, columns), and to which hand the strokes lean at 45°, seen from above."""

    number: int
    lean: str
    squares: NDArray[np.bool_]


@dataclass(frozen=True)
class ScrapingMap:
    """Where a face is scraped next, how often, and what to expect; or why nothing is taken.

    `outcome`: "scrape", or nothing because the face is "inside" its limit, "near" (most likely as good as it is to be),
    "coarse" (a pass of this hand would not surely leave less; `lighter_um` is the depth of one that would), "unsure"
    (nothing is surely proud) or "unread". `x_mm` (columns + 1,), `y_mm` (bands + 1,): pencil lines. `passes` (bands,
    columns), the nearest band first; `read` (bands, columns): squares read well enough to be worked.

    `measure`: the straightness of the worst line, or flatness. `goal_um`: what the plan aims at; None is as flat as the
    hand can. `before_um`, `after_um`: the measure's mean over the draws, the hand's scatter counted in the second.
    `chance_inside`: that it is then inside the limit, None without one; `chance_better`: that it is less than it was;
    `wrong_side`: that the middle is then on the side that is not allowed; `level`: the chance that was asked for.
    `promise`: what the round is good for. `unseen`: nothing is surely proud because no reading sees the whole shape.
    """

    face: Face
    outcome: Outcome
    target: Target | None
    x_mm: FloatArray
    y_mm: FloatArray
    passes: IntArray
    read: NDArray[np.bool_]
    zones: tuple[WorkZone, ...]
    strokes: tuple[Stroke, ...]
    hand: Hand
    measure: str
    goal_um: float | None
    before_um: float | None
    after_um: float | None
    after_95_um: tuple[float, float] | None
    chance_inside: float | None
    wrong_side: float | None
    metal_mm3: float
    metal_g: float
    minutes: float
    level: float
    promise: Promise = ""
    unseen: bool = False
    lighter_um: float | None = None
    chance_better: float | None = None

    @property
    def chance_below(self) -> float:
        """The chance that the place where that is likeliest is taken below the target."""
        return max((zone.chance_below for zone in self.zones), default=0.0)

    @property
    def most(self) -> int:
        """How often the square that needs it most is gone over."""
        return int(self.passes.max(initial=0))

    @property
    def taken(self) -> Taken:
        """What the passes are expected to take."""
        n = self.passes.astype(np.float64)
        return Taken(n * self.hand.depth_um, np.sqrt(n) * self.hand.scatter * self.hand.depth_um)


def zones(x_mm: FloatArray, y_mm: FloatArray, passes: IntArray, below: FloatArray) -> tuple[WorkZone, ...]:
    """Squares gathered to rectangles, along first, then across; from the marked end, near before far.

    `passes`, `below` (bands, columns): how often, and each square's chance of being taken below the target.
    """
    found = []
    runs = [list(_runs(row)) for row in passes]
    for band, row in enumerate(runs):
        for run in row:
            if band and run in runs[band - 1]:
                continue  # already part of one that began nearer
            last = band
            while last + 1 < len(runs) and run in runs[last + 1]:
                last += 1
            start, stop, count = run
            ends = float(x_mm[start]), float(x_mm[stop])
            sides = float(y_mm[band]), float(y_mm[last + 1])
            chance = float(below[band : last + 1, start:stop].max())
            found.append(WorkZone(*ends, *sides, _width(band, last, len(runs)), count, chance))
    return tuple(sorted(found, key=lambda z: (z.from_mm, z.y_from_mm)))


def _runs(row: IntArray) -> Iterator[tuple[int, int, int]]:
    """(first column, one past the last, passes) of squares in a row that are gone over equally often, never 0."""
    edges = np.flatnonzero(np.r_[True, np.diff(row) != 0, True])
    for start, stop in pairwise(edges):
        if row[start]:
            yield int(start), int(stop), int(row[start])


def _width(first: int, last: int, bands: int) -> Width:
    if last - first + 1 == bands:
        return "whole"
    if 2 * (last - first + 1) == bands and (first == 0 or last == bands - 1):
        return "near" if first == 0 else "far"
    return "strip"


def strokes(passes: IntArray, before: int) -> tuple[Stroke, ...]:
    """Each going-over: the highest squares first, all of them in the last, so that it blends the borders.

    `before`: how often the face was gone over until now; each pass leans to the other hand than the one before it.
    """
    most = int(passes.max(initial=0))
    return tuple(Stroke(number + 1, LEANS[(before + number) % 2], passes >= most - number) for number in range(most))
