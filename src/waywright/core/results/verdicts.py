"""A face against its goal: its heights under the form prior, measured draw by draw, decided on by ISO 14253-1.

Peak-to-valley of noisy heights is biased upward; the mean over draws under the form prior is not (see
docs/tables/verdict-coverage.md). So chances and intervals stand here only, and always with that prior.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from waywright.core.adjust.blind import BLIND, WEAK, Blindness, modes
from waywright.core.adjust.solution import Heights, Solution
from waywright.core.evidence.findings import KNOWN_UM, MODE_WORDS, Fit, Measure, SeenLine, Share, Verdict
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import JobError
from waywright.core.evidence.things import Face, FloatArray, IntArray
from waywright.core.evidence.where import joined
from waywright.core.judge.decisions import chance_words, decide
from waywright.core.judge.form import FormPosterior, form_posterior, zone_summary
from waywright.core.judge.geometry import effective, tells_twist, twist, twist_weights
from waywright.core.judge.grades import grade_named, limit_um
from waywright.core.judge.limits import Limit, crown_um, signed_um
from waywright.core.judge.zones import line_zone, minimum_zone_lines, minimum_zone_planes, plane_zone
from waywright.core.results.seen import Section, least_zones, line_planes, sections, unseen_shapes
from waywright.core.results.workpiece import needs

STRAIGHTNESS: Final = "straightness"
FLATNESS: Final = "flatness"
TWIST: Final = "twist"
UNSEEN, HARDLY_SEEN = "no reading so far sees", "the readings so far hardly see"
SLIPPED = "a setting that it rests on seems typed wrong as a whole"
SOUND = Fit(0.0, 0.0, ())
AS_MADE = "what no reading sees is taken for as true as the face was made"
NOTICED_UM = 0.05  # what a blind shape must do to a measure to leave it open
DRAWS = 4000
LEAST_DRAWS = 400  # of which the least is worked out
SURE = 0.95
HARDLY = 0.2  # of the sigma from which a shape counts as not seen: it may be a part of a shape that several faces share
SEED = 1


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

    def measure(self, aim: Aim, draws_um: FloatArray) -> FloatArray | None:
        """(m,) the measure of draws (m, n) of the heights, signed where the limit has a side, or None."""
        x, y = self.heights.x_mm, self.heights.y_mm
        if aim.measure == STRAIGHTNESS:
            if not self.lines:
                return None
            each = np.array([_line_measure(x[i], draws_um[:, i], aim.limit) for i in self.lines])
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

    def least(self, aim: Aim, draws_um: FloatArray, unseen: FloatArray) -> FloatArray | None:
        """(m,) the least a zone of draws (m, n) comes to, without a sign, whatever the unseen shapes (n, k) are."""
        x, y = self.heights.x_mm, self.heights.y_mm
        if aim.measure == STRAIGHTNESS and self.lines:
            at, planes = np.concatenate(self.lines), line_planes(x, self.lines)
        elif aim.measure == FLATNESS and len(self.at):
            at = self.at
            planes = np.column_stack([np.ones(len(at)), *(v[at] / (np.ptp(v[at]) or 1.0) for v in (x, y))])
        else:
            return None
        return least_zones(draws_um[:, at], planes, unseen[at])

    def bent_um(self, aim: Aim) -> float:
        """How far what is not seen of the face bends any of its lines; of flatness no bound: infinite."""
        if aim.measure != STRAIGHTNESS or len(self.lines) < 3:  # fewer lie to each other by lift, tilt and twist alone
            return np.inf
        hidden = unseen_shapes(self.covariance_um2, HARDLY * KNOWN_UM)
        hidden = hidden * np.sqrt(np.einsum("nk,nk->k", hidden, self.covariance_um2 @ hidden))
        return max((one.hidden_um(hidden) for one in self.sections()), default=0.0)

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


def _line_measure(x_mm: FloatArray, draws_um: FloatArray, limit: Limit | None) -> FloatArray:
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


def form_of(judge: FaceUnderTest, spots: Sequence[Blindness]) -> FormPosterior:
    """The heights of a face under the form prior, which is never laid on what is blind."""
    name = judge.face.name
    blind = [s.shapes_um[name] for s in spots if s.ratio >= BLIND and s.weights and name in s.shapes_um]
    if judge.face.as_made_um is not None:  # what is finer and bounded by it alone
        prior_um = judge.heights.prior_um / np.sqrt(len(judge.height_um))
        blind += list(unseen_shapes(judge.covariance_um2, min(KNOWN_UM, BLIND * prior_um)).T)
    return form_posterior(
        judge.heights.x_mm,
        judge.heights.y_mm,
        judge.height_um,
        judge.covariance_um2,
        blind=np.column_stack(blind) if blind else None,
        draws=DRAWS if len(judge.height_um) <= 200 else DRAWS // 4,
        seed=SEED,
    )


def blind_for(judge: FaceUnderTest, aim: Aim, spots: Sequence[Blindness]) -> list[Blindness]:
    """The blind and weak spots that leave this measure of this face open: of either the prior would decide.

    Those bounded by how true the face was made are among them: that is a guess, by which nothing is scraped.
    """
    return [s for s in spots if s.ratio >= WEAK and effect_um(judge, aim, s) > NOTICED_UM]


def effect_um(judge: FaceUnderTest, aim: Aim, spot: Blindness) -> float:
    """What one standard deviation of a blind shape does to the measure of a face."""
    shape = spot.shapes_um.get(judge.face.name)
    if shape is None:
        return 0.0
    if not spot.weights:  # finer: sigmas, not one shape
        if aim.measure == TWIST:
            return judge.twist_by(shape)
        return min(2 * float(shape[judge.at].max(initial=0.0)), judge.bent_um(aim))
    found = judge.measure(Aim(aim.measure, None), shape[None, :])
    return 0.0 if found is None else abs(float(found[0]))


def verdict(
    judge: FaceUnderTest,
    aim: Aim,
    form: FormPosterior,
    spots: Sequence[Blindness],
    goal: Goal,
    fit: Fit = SOUND,
) -> Verdict:
    """One verdict from the draws of the form prior; open, and without a chance, where the readings do not fit."""
    values = judge.measure(aim, form.draws_um)
    if values is None:
        return not_measured(judge.face.name, aim, f"too few stations are read to tell its {aim.measure}")
    summary = zone_summary(values)
    decision = decide(values, aim.limit, rule=goal.rule) if aim.limit is not None else None
    word, why = (decision.word, decision.why) if decision else ("open", "no limit was given")
    blind = blind_for(judge, aim, spots)
    as_made = word == "inside" and bool(blind) and all(s.as_made for s in blind)
    if as_made:  # as bad as it was made it is still good
        blind, why = [], f"{why}; {AS_MADE}"
    if blind:
        sees = UNSEEN if any(s.ratio >= BLIND for s in blind) else HARDLY_SEEN
        word, why = "open", f"{sees} {_modes(blind)}"
    slipped = any(judge.face.name in slip.faces for slip in fit.slips)
    if slipped or fit.misfits:
        first = SLIPPED if slipped else "the readings do not fit together"
        word, why = "open", "; ".join([first, *([why] if blind else [])])
    found = Verdict(
        judge.face.name,
        aim.measure,
        summary.mean,
        summary.interval_95,
        aim.limit.value if aim.limit else None,
        aim.limit.side if aim.limit else "between",
        decision.chance_inside if decision and not (slipped or fit.misfits) else None,
        word,
        why,
        form.words,
        aim.grade,
        tuple(dict.fromkeys(s.mode for s in blind)),
        as_made=as_made,
    )
    if not blind or slipped or fit.misfits:
        return found
    return _as_far_as_seen(replace(found, chance_inside=None), judge, aim, form, goal)


def _modes(blind: Sequence[Blindness]) -> str:
    """Which shapes, for a person: "bow, twist and finer waves"."""
    return joined(list(dict.fromkeys(MODE_WORDS.get(s.mode, s.mode) for s in blind)))


def _as_far_as_seen(found: Verdict, judge: FaceUnderTest, aim: Aim, form: FormPosterior, goal: Goal) -> Verdict:
    """An open verdict with what is known all the same; outside, where that is sure whatever the unseen shapes are."""
    lines = tuple(_lines_seen(judge, aim, form, goal)) if aim.measure == STRAIGHTNESS else ()
    known = form.draws_um - (form.draws_um @ form.unseen) @ form.unseen.T
    least = judge.least(aim, known[:LEAST_DRAWS], form.unseen)
    if least is None:
        return replace(found, seen=lines)
    found = replace(found, at_least_um=float(np.quantile(least, 1 - SURE)), seen=lines)
    if aim.limit is None:
        return found
    reach = max(map(abs, aim.limit.interval())) if np.isfinite(aim.limit.interval()).all() else aim.limit.value
    beyond = float((least > reach).mean())
    if beyond < SURE:
        return found
    return replace(
        found,
        decision="outside",
        chance_inside=1 - beyond,
        why=f"it is outside with a chance of {chance_words(beyond)} whatever the rest is; {found.why}",
    )


def _lines_seen(judge: FaceUnderTest, aim: Aim, form: FormPosterior, goal: Goal) -> Iterator[SeenLine]:
    """What nothing unseen bends: the mean of the lines, or single ones."""
    if len(judge.lines) < 2:
        return
    hidden = form.unseen * np.std(form.draws_um @ form.unseen, axis=0)
    for one in judge.sections():
        if one.hidden_um(hidden) > NOTICED_UM:
            continue
        values = _line_measure(one.x_mm, form.draws_um @ one.weights.T, aim.limit)
        summary = zone_summary(values)
        chance = decide(values, aim.limit, rule=goal.rule).chance_inside if aim.limit is not None else None
        yield SeenLine(one.y_mm, summary.mean, summary.interval_95, chance)


def not_measured(name: str, aim: Aim, why: str) -> Verdict:
    """The verdict on a face that nothing, or too little, was read of."""
    limit = aim.limit
    side = limit.side if limit else "between"
    return Verdict(
        name, aim.measure, None, None, limit.value if limit else None, side, None, "not measured", why, "", aim.grade
    )


def shares(solution: Solution, judge: FaceUnderTest, aim: Aim) -> Iterator[Share]:
    """The uncertainty budget of a measure at the estimate, largest first."""
    functional = judge.functional(aim)
    if functional is None:
        return
    parts = solution.share(solution.spread(judge.heights, functional[:, None])[:, 0])
    for source, share in sorted(parts.items(), key=lambda item: -item[1]):
        yield Share(judge.face.name, aim.measure, source, share)
