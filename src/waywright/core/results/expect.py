"""What a lay-up should show before it is made: where the blue takes, where metal shines, where the pair pivots.

From the shapes as they are known, with the load that weight alone gives (`readings.bearing`). Drawn before, it can be
answered "the same" or "not the same here": the answer becomes marks (`answered`), evidence like any.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from waywright.core.evidence.findings import KNOWN_UM, Shape
from waywright.core.evidence.job import Job, JobError, Reading, Setting
from waywright.core.evidence.lying import Lying
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.readings.bearing import EVEN_PIVOT, GIVE_UM, bearing, hinge_mm
from waywright.core.readings.blue import FILMS_UM, MARKS, THROUGH, Blue


@dataclass(frozen=True)
class Expected:
    """One lay-up, upper blued, as it should be found. Places (n,) mm on the lower face, where nodes of both meet.

    `load` is 1 on average; `gap_um` 0 where it bears. `marks` are "bright", "blue" or "bare". Pivots are x on the lower
    face, pushed at its marked end and at its far end; an even load pivots at `even_mm`.
    """

    layup: Lying
    film: str
    x_mm: FloatArray
    y_mm: FloatArray
    gap_um: FloatArray
    load: FloatArray
    marks: tuple[str, ...]
    pivots_mm: tuple[float, float]
    even_mm: tuple[float, float]

    @property
    def bears(self) -> Literal["hollow", "crowned", "even"]:
        """What the pivot at its far end tells of the pair."""
        off = (self.pivots_mm[1] - self.even_mm[1]) / float(np.ptp(self.x_mm))
        return "hollow" if off < -0.02 else "crowned" if off > 0.02 else "even"


def expected(job: Job, shapes: Sequence[Shape], layup: Lying, film: str = "normal") -> Expected:
    """What `layup` should show, from the shapes of a report.

    Raises `JobError` when a face is not known, or not well enough to expect anything, or the two do not meet.
    """
    faces = job.faces()
    for name in (layup.lower, layup.upper):
        if name not in faces:
            raise JobError(f"There is no face called {name!r}; the faces are {', '.join(faces)}.", name)
    layup.check(job)
    lower, upper = (_height(shapes, name) for name in (layup.lower, layup.upper))
    x, y = layup.facing(faces[layup.lower], faces[layup.upper])
    over = layup.on_upper(faces[layup.upper], x, y)
    apart = -_at(faces[layup.lower], lower, x, y) - _at(faces[layup.upper], upper, *over)
    seen = np.isfinite(apart)
    x, y, apart = x[seen], y[seen], apart[seen]
    if len(np.unique(x)) < 2:
        raise JobError("The two faces meet at fewer than two stations that are read; nothing can be expected.", "")
    load, gap = bearing(x, y, apart, _shares(x, y), GIVE_UM)
    thick = FILMS_UM[film]
    marks = tuple(np.where(gap <= THROUGH * thick, "bright", np.where(gap <= thick, "blue", "bare")).tolist())
    along = np.unique(x)
    mean = np.array([apart[x == at].mean() for at in along])
    pivots = (hinge_mm(along, mean, float(along[0])), hinge_mm(along, mean, float(along[-1])))
    start, end = float(along[0]), float(along[-1])
    even = (end - EVEN_PIVOT * (end - start), start + EVEN_PIVOT * (end - start))
    return Expected(layup, film, x, y, gap, load, marks, pivots, even)


def answered(found: Expected, differs: Mapping[tuple[float, float], str], setting: str) -> Setting:
    """The answer as marks to add to a job: as expected everywhere but at `differs`, (x, y) mm → the mark seen there.

    Raises `JobError` for a place that was not expected anything of, and for a mark that is none.
    """
    places = list(zip(found.x_mm.tolist(), found.y_mm.tolist(), strict=True))
    for place, mark in differs.items():
        if place not in places:
            raise JobError(f"Nothing was expected at x = {place[0]:g}, y = {place[1]:g} mm.", setting)
        if mark not in MARKS:
            raise JobError(f"A mark is {', '.join(MARKS)}, not {mark!r}.", setting)
    lay = found.layup
    blue = Blue(
        lay.lower, lay.upper, lay.turn, lay.offset_mm, lay.offset_y_mm, lay.angle_deg, carried="upper", film=found.film
    )
    readings = tuple(
        Reading(f"{setting}.readings[{i}]", "readings", x, y, mark=differs.get((x, y), expected_mark))
        for i, ((x, y), expected_mark) in enumerate(zip(places, found.marks, strict=True))
    )
    return Setting(setting, blue, readings)


def _height(shapes: Sequence[Shape], name: str) -> FloatArray:
    shape = next((s for s in shapes if s.face == name), None)
    if shape is None or not np.isfinite(shape.height_um).any():
        raise JobError(f"Nothing is known of {name} yet; read it first.", name)
    if np.nanmax(shape.sigma_um) > KNOWN_UM:
        raise JobError(f"{name} has a shape that no reading sees yet, so nothing can be expected of it.", name)
    return shape.height_um


def _at(face: Face, height_um: FloatArray, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """Heights at places, NaN where a node they stand on is not known."""
    nodes, weights = face.interpolate(x_mm, y_mm)
    return np.asarray(np.where(weights > 0, height_um[nodes] * weights, 0.0).sum(axis=1))


def _shares(x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """The share of the area that each place stands for: half the way to its neighbours along, times across."""
    share = np.ones(len(x_mm))
    for axis in (x_mm, y_mm):
        grid = np.unique(axis)
        if len(grid) > 1:
            width = np.diff(grid)
            each = 0.5 * (np.concatenate([width, [0.0]]) + np.concatenate([[0.0], width]))
            share *= each[np.searchsorted(grid, axis)]
    return np.asarray(share / share.sum())
