"""Eight lines on a plate worked out by hand, as it was done before computers: each line about its own ends, the two
diagonals set level at their crossing, the sides hung from the corners, the centre lines from the middles of the sides.

J. C. Moody, "How to calibrate surface plates in the plant", The Tool Engineer, October 1955, 85-91 (the method as it is
commonly told; the article itself was not at hand). What is left over where the centre lines cross the diagonals is the
closure: two numbers that would be 0 without errors.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from docs.examples import make
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import FloatArray
from waywright.core.readings import Step

Place = tuple[float, float]
FIRST, SECOND, NEAR, FAR, MARKED, END, ALONG, ACROSS = range(8)


@dataclass(frozen=True)
class Line:
    """Steps on one line: where it starts and ends, its base, and the slopes read, (n,) µm/m."""

    start: Place
    end: Place
    base_mm: float
    slope_um_per_m: FloatArray

    @property
    def places(self) -> list[Place]:
        """Where the feet stood, n + 1 of them."""
        parts = np.linspace(0, 1, len(self.slope_um_per_m) + 1)
        return [
            (
                round(self.start[0] + p * (self.end[0] - self.start[0]), 9),
                round(self.start[1] + p * (self.end[1] - self.start[1]), 9),
            )
            for p in parts
        ]

    @property
    def about_ends_um(self) -> FloatArray:
        """(n + 1,) heights with both ends at 0: the level's zero and the plate's lie are gone."""
        rises = np.concatenate([[0.0], np.cumsum(self.slope_um_per_m * self.base_mm / 1e3)])
        return np.asarray(rises - np.linspace(0, 1, len(rises)) * rises[-1])

    @property
    def middle_um(self) -> float:
        """Height of the middle about the ends."""
        return float(self.about_ends_um[len(self.slope_um_per_m) // 2])


def lines_of(job: Job) -> list[Line]:
    """The eight lines of the example's job, in their order."""
    found = []
    for setting in job.settings:
        line = setting.geometry
        assert isinstance(line, Step)
        assert line.from_mm is not None
        assert line.to_mm is not None
        slopes = [r.value.number * 20.0 for r in setting.readings if r.value is not None]  # divisions of 20 µm/m
        found.append(Line(line.from_mm[:2], line.to_mm[:2], line.base_mm, np.array(slopes)))  # type: ignore[arg-type]
    return found


def lines_over(heights_um: Mapping[Place, float]) -> list[Line]:
    """The eight lines as they would read without errors on a plate of such heights at the feet."""
    found = []
    for start, end, base in make.corners_and_lines().values():
        blank = Line(start, end, base, np.zeros(8))
        heights = np.array([heights_um[place] for place in blank.places])
        found.append(Line(start, end, base, np.diff(heights) / base * 1e3))
    return found


def corners(lines: list[Line]) -> dict[Place, float]:
    """Heights of the four corners, the crossing of the diagonals at 0 and each diagonal's ends alike."""
    return {
        place: -lines[diagonal].middle_um
        for diagonal in (FIRST, SECOND)
        for place in (lines[diagonal].start, lines[diagonal].end)
    }


def moody(lines: list[Line]) -> dict[Place, float]:
    """Heights of the feet of the diagonals and sides, µm, by hand: the centre lines are not used."""
    corner = corners(lines)
    heights: dict[Place, float] = {}
    for line in lines[:6]:
        ends = np.linspace(corner[line.start], corner[line.end], len(line.about_ends_um))
        heights |= dict(zip(line.places, (line.about_ends_um + ends).tolist(), strict=True))
    return heights


def closures(lines: list[Line]) -> tuple[float, float]:
    """How far the centre line along, and the one across, pass over the crossing of the diagonals, µm."""
    heights = moody(lines)
    centre = heights[360.0, 0.0]
    found = [
        (heights[line.start] + heights[line.end]) / 2 + line.middle_um - centre
        for line in (lines[ALONG], lines[ACROSS])
    ]
    return found[0], found[1]
