"""What a face is held to, and the face as it is held to it: its read nodes, line by line, and what they measure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from waywright.core.adjust.blind import modes
from waywright.core.adjust.solution import Heights, Solution
from waywright.core.evidence.findings import KNOWN_UM, Measure
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import JobError
from waywright.core.evidence.things import Face, FloatArray, IntArray
from waywright.core.judge.form import FormPosterior
from waywright.core.judge.geometry import effective, tells_twist, twist, twist_weights
from waywright.core.judge.grades import grade_named, limit_um
from waywright.core.judge.limits import Limit, crown_um, signed_um
from waywright.core.judge.spectrum import Spectrum, spectrum
from waywright.core.judge.zones import line_zone, minimum_zone_lines, minimum_zone_planes, plane_zone
from waywright.core.results.seen import Section, least_zones, line_planes, sections
from waywright.core.results.workpiece import needs

STRAIGHTNESS: Final = "straightness"
FLATNESS: Final = "flatness"
TWIST: Final = "twist"
LEAST_DRAWS = 400  # of which the least is worked out
HARDLY = 0.2  # of the sigma from which a shape counts as not seen: it may be a part of a shape that several faces share


@dataclass(frozen=True)
class Aim:
    """One measure a face is held to; `limit` None when only the value is wanted."""

    measure: Measure
    limit: Limit | None
    grade: str | None = None


def aims(goal: Goal, face: Face) -> list[Aim]:
    """What `face` is held to by the goal; without one, its straightness or flatness as it is."""
    if goal.faces and face.name not in goal.faces:
        return []
    found = []
    if goal.straightness_um is not None:
        found.append(Aim(STRAIGHTNESS, Limit(goal.straightness_um, goal.side)))
    if goal.flatness_um is not None:
        found.append(Aim(FLATNESS, Limit(goal.flatness_um, goal.side)))
    if goal.twist_um_per_m is not None:
        found.append(Aim(TWIST, Limit(goal.twist_um_per_m, "between")))
    if goal.grade is not None:
        grade = grade_named(goal.grade)
        length = face.length_mm - 2 * goal.leave_out_mm
        try:
            limit = limit_um(goal.grade, length, face.width_mm)
        except ValueError as error:
            raise JobError(f"Face {face.name}: {error}", "goal.grade") from None
        found.append(Aim(grade.measure, Limit(limit, goal.side), goal.grade))
    if goal.part is not None and not found:
        found.append(Aim(STRAIGHTNESS, Limit(needs(goal.part).reference_um, goal.side)))
    if not found:
        found.append(Aim(FLATNESS if len(face.lines_mm) > 1 else STRAIGHTNESS, None))
    return found


@dataclass(frozen=True)
class FaceUnderTest:
    """The read nodes of one face as they are judged, `at` (k,) of them within the effective length, line by line."""

    heights: Heights
    height_um: FloatArray
    covariance_um2: FloatArray
    at: IntArray
    lines: tuple[IntArray, ...]  # of nodes, in order along, each with three or more

    @property
    def face(self) -> Face:
        """The face itself."""
        assert self.heights.unknown.face is not None
        return self.heights.unknown.face

    def all_seen(self, least_um: float) -> bool:
        """Whether surely no shape is left with an RMS of `least_um`: all of them together are not."""
        return bool(np.trace(self.covariance_um2) < len(self.height_um) * least_um**2)

    @property
    def unread(self) -> int:
        """At how many of its places nothing was read."""
        return len(self.face.x_mm) - len(self.height_um)

    @cached_property
    def apart(self) -> Spectrum:
        """Its covariance in its own shapes, beside the plane."""
        return spectrum(self.covariance_um2, self.heights.plane)

    def measure(self, aim: Aim, draws_um: FloatArray) -> FloatArray | None:
        """(m,) the measure of draws (m, n) of the heights, signed where the limit has a side, or None."""
        x, y = self.heights.x_mm, self.heights.y_mm
        if aim.measure == STRAIGHTNESS:
            if not self.lines:
                return None
            each = np.array([line_measure(x[i], draws_um[:, i], aim.limit) for i in self.lines])
            worst = np.argmax(np.abs(each), axis=0)
            return np.asarray(each[worst, np.arange(len(worst))])
        if aim.measure == FLATNESS:
            return self._flatness(aim.limit, draws_um)
        if not tells_twist(x[self.at], y[self.at]):
            return None
        return np.asarray(twist(x[self.at], y[self.at], draws_um[:, self.at], self.face.width_mm).um_per_m)

    def _flatness(self, limit: Limit | None, draws_um: FloatArray) -> FloatArray | None:
        x, y, heights = self.heights.x_mm[self.at], self.heights.y_mm[self.at], draws_um[:, self.at]
        if len(np.unique(y)) < 2 or len(self.at) < 4:
            return None
        zone = minimum_zone_planes(x, y, heights)
        return zone if limit is None or not limit.signed else signed_um(zone, crown_um(x, heights, y))

    def least(self, aim: Aim, form: FormPosterior) -> FloatArray | None:
        """(m,) the least a zone of some draws comes to, without a sign, whatever the unseen shapes are."""
        x, y = self.heights.x_mm, self.heights.y_mm
        if aim.measure == STRAIGHTNESS and self.lines:
            at, planes = np.concatenate(self.lines), line_planes(x, self.lines)
        elif aim.measure == FLATNESS and len(self.at):
            at = self.at
            planes = np.column_stack([np.ones(len(at)), *(v[at] / (np.ptp(v[at]) or 1.0) for v in (x, y))])
        else:
            return None
        if planes.shape[1] + form.unseen.shape[1] >= len(at):  # they may be anything
            return np.zeros(LEAST_DRAWS)
        return least_zones(form.known_um(LEAST_DRAWS)[:, at], planes, form.unseen[at])

    def bent_um(self, aim: Aim) -> float:
        """How far what is not seen of the face bends any of its lines; of flatness no bound: infinite."""
        if aim.measure != STRAIGHTNESS or len(self.lines) < 3:  # fewer lie to each other by lift, tilt and twist alone
            return np.inf
        return self._lines_bent_um

    @cached_property
    def _lines_bent_um(self) -> float:
        if self.all_seen(HARDLY * KNOWN_UM):
            return 0.0
        unseen, sigma_um = (of(HARDLY * KNOWN_UM) for of in (self.apart.unseen, self.apart.unseen_um))
        return max((one.hidden_um(unseen, sigma_um) for one in self.sections()), default=0.0)

    def sections(self) -> Iterator[Section]:
        """The mean of its lines, where there are several, and each line."""
        return sections(self.heights.x_mm, self.heights.y_mm, self.lines)

    def twist_by(self, finer_um: FloatArray) -> float:
        """At most what shapes finer than the named ones, by their sigmas (n,), do to the twist: mostly nothing."""
        x, y = self.heights.x_mm, self.heights.y_mm
        if not tells_twist(x[self.at], y[self.at]):
            return 0.0
        weights = np.zeros(len(x))
        weights[self.at] = twist_weights(x[self.at], y[self.at])
        named = np.column_stack([self.heights.plane, *modes(self.heights).values()])
        named /= np.linalg.norm(named, axis=0)
        left = weights - named @ (named.T @ weights)
        return float(np.abs(left) @ finer_um) if left @ left > 1e-12 * (weights @ weights) else 0.0

    def functional(self, aim: Aim) -> FloatArray | None:
        """(n,) weights whose sum with the heights is the measure near the estimate; None for what is not one."""
        x, y, h = self.heights.x_mm, self.heights.y_mm, self.height_um
        weights = np.zeros(len(h))
        if aim.measure == STRAIGHTNESS and self.lines:
            zones = [line_zone(x[i], h[i]) for i in self.lines]
            worst = max(range(len(zones)), key=lambda k: zones[k].width_um)
            weights[self.lines[worst]] = zones[worst].weights(len(self.lines[worst]))
        elif aim.measure == FLATNESS and len(self.at) >= 4:
            weights[self.at] = plane_zone(x[self.at], y[self.at], h[self.at]).weights(len(self.at))
        return weights if np.any(weights) else None


def line_measure(x_mm: FloatArray, draws_um: FloatArray, limit: Limit | None) -> FloatArray:
    zone = minimum_zone_lines(x_mm, draws_um)
    return zone if limit is None or not limit.signed else signed_um(zone, crown_um(x_mm, draws_um))


def face_under_test(solution: Solution, heights: Heights, leave_out_mm: float) -> FaceUnderTest:
    """Gather what is known of one face for judging."""
    face = heights.unknown.face
    assert face is not None
    inside = np.flatnonzero(effective(heights.x_mm, face.length_mm, leave_out_mm))
    y = heights.y_mm
    lines = tuple(i for line in np.unique(y) if len(i := inside[y[inside] == line]) > 2)
    return FaceUnderTest(heights, solution.heights_um(heights), solution.face_covariance(heights), inside, lines)
