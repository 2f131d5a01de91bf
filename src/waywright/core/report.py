"""From a job to its report: the one place, with `moves`, that knows all rooms."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from waywright.core.adjust.blind import FINER, Blindness, Visibility
from waywright.core.adjust.burrs import burr
from waywright.core.adjust.network import Network, network
from waywright.core.adjust.solution import Solution
from waywright.core.adjust.suspects import Screened, screen
from waywright.core.body.bending import bends as as_they_stood
from waywright.core.body.bending import stiffness_label
from waywright.core.body.soak import soaked
from waywright.core.body.told import left_out
from waywright.core.evidence.bends import Bending, Given
from waywright.core.evidence.findings import (
    KNOWN_UM,
    BlindSpot,
    Cure,
    Note,
    Report,
    Shape,
    Share,
    StiffnessLearned,
    Verdict,
)
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.judge.form import FormPosterior
from waywright.core.judge.geometry import tells_twist, twist
from waywright.core.judge.zones import minimum_zone_lines, minimum_zone_planes
from waywright.core.next.cures import cures, newest_faces
from waywright.core.next.hanging import Hanging
from waywright.core.next.moves import moves
from waywright.core.results import verdicts
from waywright.core.results.agreements import agreements, changes
from waywright.core.results.parallels import parallels
from waywright.core.results.seen import seen_part
from waywright.core.results.under_test import FaceUnderTest, aims, face_under_test
from waywright.core.work.done import hand_learned
from waywright.progress import each, part


@dataclass(frozen=True)
class Solved:
    """The readings solved, and nothing judged yet: what a person who types waits for.

    `judges` are the faces some reading touches, in their newest states, by name.
    """

    net: Network
    screened: Screened
    visibility: Visibility
    judges: Mapping[str, FaceUnderTest]
    given: Given

    @property
    def job(self) -> Job:
        """The job it is of."""
        return self.net.job

    def shapes(self, heights_um: Mapping[str, FloatArray], sigmas_um: Mapping[str, FloatArray]) -> tuple[Shape, ...]:
        """Every face with these heights and sigmas at its read nodes, NaN at the others and without its zones."""
        found, states = [], self.job.states()
        for name, face in self.job.faces().items():
            height, sigma = np.full(len(face.x_mm), np.nan), np.full(len(face.x_mm), np.nan)
            if name in self.judges:
                nodes = self.judges[name].heights.unknown.nodes
                height[nodes], sigma[nodes] = heights_um[name], sigmas_um[name]
            none = (None,) * len(face.lines_mm)
            found.append(Shape(name, states[name], face.x_mm, face.y_mm, height, sigma, face.lines_mm, none))
        return tuple(found)

    def as_read(self) -> tuple[Shape, ...]:
        """The shapes as the readings alone tell them, without their zones."""
        told = self.shapes({name: judge.height_um for name, judge in self.judges.items()}, self.visibility.sigmas_um())
        return tuple(self._seen(shape) if shape.face in self.judges else shape for shape in told)

    def _seen(self, shape: Shape) -> Shape:
        """With the part of it that is seen."""
        judge = self.judges[shape.face]
        found = None if judge.all_seen(KNOWN_UM) else seen_part(judge.height_um, judge.apart)
        if found is None:
            return shape
        whole = np.full((2, len(shape.x_mm)), np.nan)
        whole[:, judge.heights.unknown.nodes] = found
        return replace(shape, seen_um=whole[0], seen_sigma_um=whole[1])


def solve_readings(job: Job, bends: Bending = as_they_stood) -> Solved:
    """Solve the readings of `job`; raises `JobError`, with the place, for readings that cannot be.

    `bends` says how pieces bend in each setting.
    """
    for setting in job.settings:
        setting.geometry.check(job)
    screened = screen(network(job, Given(bends=bends)), bends)
    net = screened.net
    faces = newest_faces(net, screened.solution)
    judges = {f.unknown.face.name: face_under_test(screened.solution, f, job.goal.leave_out_mm) for f in faces}  # type: ignore[union-attr]
    carrying = frozenset(reading for one in screened.standing for reading in one.carrying)
    return Solved(net, screened, Visibility(screened.solution, faces), judges, Given(carrying, bends))


def report(job: Job, *, form_prior: bool = False, with_cures: bool = True, bends: Bending = as_they_stood) -> Report:
    """Everything the readings of `job` say: shapes, blind spots, suspects, verdicts and the budget.

    Heights and sigmas are what the readings alone say unless `form_prior`; verdicts always use the form prior and
    say so. Raises `JobError`, with the place, for readings that cannot be.
    """
    with part(0.0, 0.2):
        seen = solve_readings(job, bends)
    with part(0.2, 1.0):
        return report_of(seen, form_prior=form_prior, with_cures=with_cures)


def report_of(seen: Solved, *, form_prior: bool = False, with_cures: bool = True) -> Report:
    """The report on readings that were solved already."""
    job, solution, judges = seen.job, seen.screened.solution, seen.judges
    spots = seen.visibility.find()
    with part(0.0, 0.7):
        forms = {name: verdicts.form_of(judges[name], spots) for name in each(judges)}
    shapes = seen.as_read()
    if form_prior:
        draws = {name: form.draws_um for name, form in forms.items()}
        shapes = seen.shapes(*({n: getattr(d, part)(axis=0) for n, d in draws.items()} for part in ("mean", "std")))
    with part(0.7, 0.85):
        found_cures = cures(job, spots, given=seen.given) if with_cures and spots else {}
    untouched = tuple(name for name in job.faces() if name not in judges)
    with part(0.85, 0.95):
        found, budget = _judge(job, seen.screened, judges, forms, spots)
    with part(0.95, 1.0):
        suspects = Hanging(seen.screened, seen.given, judges, spots, found).suspects()
    return Report(
        job=job,
        shapes=tuple(_with_zones(job.faces()[shape.face], shape) for shape in shapes),
        blind=_with_burr(
            seen, _ranked(job, judges, spots, found_cures) + tuple(_everything(name) for name in untouched)
        ),
        suspects=suspects,
        unchecked=seen.screened.unchecked,
        untouched=untouched,
        past=job.past(),
        fit=seen.screened.fit,
        verdicts=found,
        budget=budget,
        notes=_notes(seen.net, seen.screened),
        corrected=tuple(sorted(job.corrected())),
        agreements=tuple(agreements(job, solution)),
        changes=tuple(changes(job, solution)),
        parallels=tuple(parallels(job, solution)),
        hand=hand_learned(job, solution),
        standing=seen.screened.standing,
        given=seen.given,
        draws_um={name: form.draws_um for name, form in forms.items()},
        advise=moves,
    )


def _with_zones(face: Face, shape: Shape) -> Shape:
    """A shape with the zones of its heights as they stand."""
    lines, flat, twisted = _zones(face, shape.height_um)
    return replace(shape, straightness_um=lines, flatness_um=flat, twist_um_per_m=twisted)


def _zones(face: Face, height_um: FloatArray) -> tuple[tuple[float | None, ...], float | None, float | None]:
    """Straightness of each line, flatness and twist of heights with NaN where nothing is known."""
    read = np.isfinite(height_um)
    lines: list[float | None] = []
    for line in face.lines_mm:
        i = read & (face.y_mm == line)
        lines.append(float(minimum_zone_lines(face.x_mm[i], height_um[i])[0]) if i.sum() > 2 else None)
    x, y, h = face.x_mm[read], face.y_mm[read], height_um[read]
    if len(face.lines_mm) < 2 or len(h) < 4 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return tuple(lines), None, None
    flat = float(minimum_zone_planes(x, y, h[None, :])[0])
    twisted = float(twist(x, y, h, face.width_mm).um_per_m) if tells_twist(x, y) else None
    return tuple(lines), flat, twisted


def _judge(
    job: Job,
    screened: Screened,
    judges: Mapping[str, FaceUnderTest],
    forms: Mapping[str, FormPosterior],
    spots: Sequence[Blindness],
) -> tuple[tuple[Verdict, ...], tuple[Share, ...]]:
    found: list[Verdict] = []
    budget: list[Share] = []
    for name in each(job.faces()):
        for aim in aims(job.goal, job.faces()[name]):
            judge = judges.get(name)
            if judge is None:
                found.append(verdicts.not_measured(name, aim, "readings"))
                continue
            found.append(verdicts.verdict(judge, aim, forms[name], spots, job.goal, screened.fit))
            budget += verdicts.shares(screened.solution, judge, aim)
    return tuple(found), tuple(budget)


def _ranked(
    job: Job, judges: Mapping[str, FaceUnderTest], spots: Sequence[Blindness], found: Mapping[int, Cure]
) -> tuple[BlindSpot, ...]:
    """Blind spots, most harmful to the goal first."""
    ranked = []
    for number, spot in enumerate(spots):
        effects = [
            verdicts.effect_um(judges[name], aim, spot)
            for name in spot.faces
            for aim in aims(job.goal, job.faces()[name])
        ]
        effect = max(effects, default=0.0)
        ranked.append(
            BlindSpot(spot.mode, spot.faces, spot.ratio, spot.sigma_um, effect, found.get(number), spot.count)
        )
    # What is finer has no one shape to measure: it comes after those that have.
    return tuple(sorted(ranked, key=lambda s: (s.weak, s.mode == FINER, -round(s.effect_um, 6))))


def _with_burr(seen: Solved, spots: tuple[BlindSpot, ...]) -> tuple[BlindSpot, ...]:
    """With what lay-ups take for metal, last; not while something worse is not seen."""
    if not all(spot.weak for spot in spots):
        return spots
    found = burr(seen.net, [judge.heights for judge in seen.judges.values()])
    return spots if found is None else (*spots, found)


def _everything(name: str) -> BlindSpot:
    """A face that no reading touches."""
    return BlindSpot("everything", {name: 1}, 1.0, 1000.0, 1000.0, Cure(0.0, 0.0, face=name))


def _notes(net: Network, screened: Screened) -> tuple[Note, ...]:
    """What was assumed."""
    notes: list[Note] = list(net.notes)
    notes += [*left_out(net.job), *_stiffness(net.job, screened.solution), *soaked(net.job)]
    notes += [s for s in screened.fit.instruments if s.factor > 1]
    if net.job.goal.part is not None:
        notes.insert(0, net.job.goal.part)
    if net.repeated:
        notes.append(f"{len(net.repeated)} readings say the same as another of their setting and count once.")
    return tuple(dict.fromkeys(notes))


def _stiffness(job: Job, solution: Solution) -> Iterator[StiffnessLearned]:
    """What the readings tell of how stiff pieces of each material and section are."""
    labels: dict[str, list[str]] = {}
    for piece in job.pieces:
        labels.setdefault(stiffness_label(job, piece), []).append(piece.name)
    for unknown in solution.unknowns:
        if unknown.face is None and unknown.prior_um and (pieces := labels.get(str(unknown.label))):
            weights = np.zeros(len(solution.mean_um))
            weights[unknown.columns] = 1.0
            share, sigma = float(weights @ solution.mean_um), float(solution.sigma(weights))
            yield StiffnessLearned(tuple(pieces), share, sigma, unknown.prior_um)
