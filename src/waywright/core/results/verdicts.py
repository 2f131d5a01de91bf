"""A face against its goal: its heights under the form prior, measured draw by draw, decided on by ISO 14253-1.

Peak-to-valley of noisy heights is biased upward; the mean over draws under the form prior is not (see
docs/tables/verdict-coverage.md). So chances and intervals stand here only, and always with that prior.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from waywright.core.adjust.blind import BLIND, WEAK, Blindness
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.findings import KNOWN_UM, Decided, Fit, Grounds, SeenLine, Share, Verdict
from waywright.core.evidence.goal import Goal
from waywright.core.judge.decisions import decide
from waywright.core.judge.form import FormPosterior, form_posterior, zone_summary
from waywright.core.results.under_test import STRAIGHTNESS, TWIST, Aim, FaceUnderTest, line_measure

SOUND = Fit(0.0, 0.0, ())
NOTICED_UM = 0.05  # what a blind shape must do to a measure to leave it open
DRAWS = 4000
SURE = 0.95
SEED = 1


def form_of(judge: FaceUnderTest, spots: Sequence[Blindness]) -> FormPosterior:
    """The heights of a face under the form prior, which is never laid on what is blind."""
    name = judge.face.name
    blind = [s.shapes_um[name] for s in spots if s.ratio >= BLIND and s.weights and name in s.shapes_um]
    if judge.face.as_made_um is not None:  # what is finer and bounded by it alone
        prior_um = judge.heights.prior_um / np.sqrt(len(judge.height_um))
        blind.append(judge.apart.unseen(min(KNOWN_UM, BLIND * prior_um)))
    return form_posterior(
        judge.heights.x_mm,
        judge.heights.y_mm,
        judge.height_um,
        judge.covariance_um2,
        blind=np.column_stack(blind) if blind else None,
        apart=judge.apart,
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
        return not_measured(judge.face.name, aim, "stations")
    summary = zone_summary(values)
    decision = decide(values, aim.limit, rule=goal.rule) if aim.limit is not None else None
    word: Decided = "open"
    grounds = Grounds(lacks="limit")
    if decision is not None:
        word, grounds = decision.word, Grounds(level=decision.level, wrong_side=decision.wrong_side)
    grounds = replace(grounds, unread=judge.unread)
    blind = blind_for(judge, aim, spots)
    as_made = word == "inside" and bool(blind) and all(s.as_made for s in blind)
    if as_made:  # as bad as it was made it is still good
        blind = []
    slipped = any(judge.face.name in slip.faces for slip in fit.slips)
    doubtful = slipped or bool(fit.misfits)
    if doubtful:
        grounds = replace(grounds, doubt="slip" if slipped else "misfits")
    if blind:
        grounds = replace(grounds, hardly=all(s.ratio < BLIND for s in blind))
    if blind or doubtful:
        word = "open"
    found = Verdict(
        judge.face.name,
        aim.measure,
        summary.mean,
        summary.interval_95,
        aim.limit.value if aim.limit else None,
        aim.limit.side if aim.limit else "between",
        decision.chance_inside if decision and not doubtful else None,
        word,
        grounds,
        form.words,
        aim.grade,
        tuple(dict.fromkeys(s.mode for s in blind)),
        as_made=as_made,
    )
    if not blind or doubtful:
        return found
    return _as_far_as_seen(replace(found, chance_inside=None), judge, aim, form, goal)


def _as_far_as_seen(found: Verdict, judge: FaceUnderTest, aim: Aim, form: FormPosterior, goal: Goal) -> Verdict:
    """An open verdict with what is known all the same; outside, where that is sure whatever the unseen shapes are."""
    lines = tuple(_lines_seen(judge, aim, form, goal)) if aim.measure == STRAIGHTNESS else ()
    least = judge.least(aim, form)
    if least is None:
        return replace(found, seen=lines)
    found = replace(found, at_least_um=float(np.quantile(least, 1 - SURE)), seen=lines)
    if aim.limit is None:
        return found
    reach = max(map(abs, aim.limit.interval())) if np.isfinite(aim.limit.interval()).all() else aim.limit.value
    beyond = float((least > reach).mean())
    if beyond < SURE:
        return found
    return replace(found, decision="outside", chance_inside=1 - beyond)


def _lines_seen(judge: FaceUnderTest, aim: Aim, form: FormPosterior, goal: Goal) -> Iterator[SeenLine]:
    """What nothing unseen bends: the mean of the lines, or single ones."""
    if len(judge.lines) < 2 or form.unseen.shape[1] + judge.heights.plane.shape[1] >= len(judge.height_um):
        return
    sigma_um = np.std(form.hidden_um, axis=0)
    for one in judge.sections():
        if one.hidden_um(form.unseen, sigma_um) > NOTICED_UM:
            continue
        values = line_measure(one.x_mm, one.of(form.draws_um.T).T, aim.limit)
        summary = zone_summary(values)
        chance = decide(values, aim.limit, rule=goal.rule).chance_inside if aim.limit is not None else None
        yield SeenLine(one.y_mm, summary.mean, summary.interval_95, chance)


def not_measured(name: str, aim: Aim, lacks: Literal["readings", "stations"]) -> Verdict:
    """The verdict on a face that nothing, or too little, was read of."""
    limit = aim.limit
    side = limit.side if limit else "between"
    return Verdict(
        name,
        aim.measure,
        None,
        None,
        limit.value if limit else None,
        side,
        None,
        "not measured",
        Grounds(lacks),
        "",
        aim.grade,
    )


def shares(solution: Solution, judge: FaceUnderTest, aim: Aim) -> Iterator[Share]:
    """The uncertainty budget of a measure at the estimate, largest first."""
    functional = judge.functional(aim)
    if functional is None:
        return
    parts = solution.share(solution.spread(judge.heights, functional[:, None])[:, 0])
    for source, share in sorted(parts.items(), key=lambda item: -item[1]):
        yield Share(judge.face.name, aim.measure, source, share)
