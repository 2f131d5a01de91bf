"""The next move: what to measure, retake, scrape or leave alone, best first, each with what its reason is made of.

This is the one place that says what is to be done next. Readings come from `programme`: the least work, of every
kind's candidates with every instrument owned, that lets the open verdicts fall, the setting that tells most first. A
suspect on which a verdict hangs is taken again before anything is built on it, any other last; nothing is scraped while
its verdict is open, unless the value lies so near its limit that no reading will settle it; and nothing else is done
while a setting seems typed wrong, or the readings do not fit together.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from waywright.core.evidence.findings import KNOWN_UM, Act, Cure, Improvement, Move, Report, Verdict
from waywright.core.evidence.job import Job, Reading, Setting
from waywright.core.evidence.rows import STEP, Influence, Label
from waywright.core.next.cures import cures, visibility
from waywright.core.next.faults import asked, faults
from waywright.core.next.next_stack import NextStack, next_stack
from waywright.core.next.programme import TIMES, Programme, programme
from waywright.core.next.reading_plan import Offer, ReadingPlan, candidates
from waywright.core.next.retakes import TakeAgain, retakes
from waywright.core.next.scraping import scraped
from waywright.core.readings import KINDS
from waywright.core.results.verdicts import STRAIGHTNESS, TWIST, aims
from waywright.core.results.workpiece import diameter_um

PROVEN_BY = 10.0  # a height known to a tenth of the limit lets most verdicts fall; common practice, no source
WITHOUT_LIMIT_UM = 1.0
WORTH = 1e-3  # of the share known: less is not worth a stack
SHARE = "share of the shapes known as well as the goal asks"
SOAK_K = 0.5  # settings that differ by more than this were taken at different shapes
SOAK_MIN = 60.0
SURELY = 3.0  # sigmas of a height from a limit at which most verdicts fall; a guess, no source
WORTH_READING = 0.2  # of the usual sigma: nobody reads everything 25 times over
PROUD = 0.5  # of the greatest height: what is higher is named as proud


@dataclass(frozen=True, kw_only=True)
class Soak(Move):
    """Wait: settings were taken `span_k` apart."""

    act: ClassVar[Act] = "soak"
    span_k: float


@dataclass(frozen=True)
class Proof:
    """What is proved with everything read `times` times over: a limit, of a `twist` in µm/m, and, where a part is the
    goal, to how much of its diameter that is good for, µm."""

    times: int
    limit: float
    twist: bool
    diameter_um: float | None


@dataclass(frozen=True, kw_only=True)
class TakeSetting(Move):
    """A setting, or several that belong together, to take. `some`: of each, the readings to take, where not all are.

    `settles` are the faces it is for; where the `whole` programme reaches the goal of a part, `proof` says what that is
    good for. `block_step_share`: how much of what is unsure is the step of the blocks; None where no wedge is
    laid.
    """

    offer: Offer
    some: tuple[tuple[Setting, tuple[Reading, ...]], ...]
    settles: tuple[str, ...]
    whole: Programme
    proof: Proof | None = None
    block_step_share: float | None = None


@dataclass(frozen=True, kw_only=True)
class TryStack(Move):
    """A stack to try while the pair still lies there."""

    stack: NextStack


@dataclass(frozen=True, kw_only=True)
class AskForLess(Move):
    """The goal is below what can be proved."""

    act: ClassVar[Act] = "stop"
    proof: Proof


@dataclass(frozen=True, kw_only=True)
class AtTheLimit(Move):
    """Known to `known_um`, as well as the goal asks, and still open: the value lies at the limit itself."""

    act: ClassVar[Act] = "scrape"
    known_um: float
    twist: bool


@dataclass(frozen=True, kw_only=True)
class MoreStations(Move):
    """The face has too few stations or lines to tell what is asked of it."""

    measures: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class MakePiece(Move):
    """No reading of what there is cures what is blind: a piece to make, or nothing that is known."""

    cure: Cure


@dataclass(frozen=True, kw_only=True)
class OutOfReach(Move):
    """Nothing that is to be had tells more of these faces: the kinds of instruments `without` which that is so."""

    act: ClassVar[Act] = "stop"
    without: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SetGoal(Move):
    """Without a limit there is nothing to decide."""

    act: ClassVar[Act] = "stop"


@dataclass(frozen=True, kw_only=True)
class Stop(Move):
    """Every face with a limit is inside it, with a chance of `chance` or more."""

    act: ClassVar[Act] = "stop"
    chance: float


def moves(report: Report) -> Iterator[Move]:
    """The next moves, best first; "stop", with its reason, when there is nothing left to do."""
    job = report.job
    asked_for = tuple(retakes(job, report))
    again = tuple(r for r in asked_for if job.to_be_had(r.kit))
    if report.fit.slips:  # answered first: who is suspect depends on it
        yield from (*asked(job, report), *_soak(job))
        return
    if report.fit.misfits:  # more readings or less metal would rest on what is wrong
        yield from (*faults(job, report), *_soak(job), *map(TakeAgain.of, again))
        return
    found: list[Move] = [*_soak(job), *(TakeAgain.of(r) for r in again if r.hangs)]
    limited = [v for v in report.verdicts if v.limit_um is not None]
    in_doubt = doubted(job, report)
    undecided = [v for v in limited if v.decision in ("open", "not measured")]
    if not limited:  # without one only what is not seen at all asks for readings
        undecided = [v for v in report.verdicts if v.unseen or v.decision == "not measured"]
    if undecided:
        found += _measure(job, report, undecided, in_doubt)
    found += scraped(job, report, in_doubt)
    if not found and limited and all(v.decision == "inside" for v in limited):
        faces = tuple(dict.fromkeys(v.face for v in limited))
        found.append(Stop(faces=faces, chance=min(v.chance_inside or 0.0 for v in limited)))
    if not limited:
        found.append(SetGoal(faces=tuple(job.faces())))
    if not found and (undecided or any(r.hangs for r in asked_for)):
        waiting = [*(v.face for v in undecided), *(name for r in asked_for for name in r.hangs)]
        found.append(OutOfReach(faces=tuple(dict.fromkeys(waiting)), without=job.without))
    yield from found
    yield from (TakeAgain.of(r) for r in again if not r.hangs)


def _soak(job: Job) -> Iterator[Move]:
    """Settings taken at temperatures too far apart."""
    known = {s.id: s.temperature_c for s in job.settings if s.temperature_c is not None}
    if known and max(known.values()) - min(known.values()) > SOAK_K:
        yield Soak(faces=tuple(job.faces()), minutes=SOAK_MIN, span_k=max(known.values()) - min(known.values()))


def required_sigma_um(job: Job) -> float:
    """How well heights must be known for the goal: a tenth of the smallest limit, of a twist from edge to edge."""
    limits = [
        a.limit.value * (face.width_mm / 1e3 if a.measure == TWIST else 1.0)
        for face in job.faces().values()
        for a in aims(job.goal, face)
        if a.limit is not None
    ]
    return min(limits) / PROVEN_BY if limits else WITHOUT_LIMIT_UM


def _measure(job: Job, report: Report, verdicts: Sequence[Verdict], in_doubt: Set[str]) -> Iterator[Move]:
    """The programme for the faces whose verdict is open, and what only new stations or a new piece can cure."""
    few = [v for v in verdicts if not _could_tell(job, v)]
    for face in dict.fromkeys(v.face for v in few):
        yield MoreStations(faces=(face,), measures=tuple(v.measure for v in few if v.face == face))
    faces = tuple(dict.fromkeys(v.face for v in verdicts if v not in few))
    if not faces:
        return
    offers = list(candidates(job, tuple(KINDS.values())))
    goal = required_sigma_um(job)
    plan = _plan(job, report, faces, goal)
    if plan.reached:  # known as well as is usual: only what lies near its limit asks for more
        asked = [v for v in verdicts if v.face in faces and v.limit_um is not None and v.face not in in_doubt]
        closer_um = min((_from_limit_um(job, v) / SURELY for v in asked), default=0.0)
        if WORTH_READING * goal < closer_um < plan.worst_um:
            plan = _plan(job, report, faces, closer_um)
        if plan.reached or not (found := programme(plan, offers)).reached:
            yield from (_at_the_limit(report, v, goal) for v in asked)
            return
    else:
        found = programme(plan, offers)
    proof = _proof(job, faces, PROVEN_BY * found.reach_um, plan.twist)
    blind = bool(found.taken) and not found.reached and found.reach_um > KNOWN_UM
    if blind:  # of what is not seen at all no limit can be proved
        new = [m for m in _cured(job, report, faces) if m.cure.candidate is not None and m.cure.candidate.pieces]
        yield from new or (OutOfReach(faces=faces, without=job.without),)
    elif found.taken and not found.reached:
        alike = [v.limit_um for v in verdicts if v.limit_um is not None and (v.measure == TWIST) == plan.twist]
        now = min(alike, default=PROVEN_BY * goal)
        yield AskForLess(
            faces=faces,
            proof=proof,
            gain=Improvement("limit that can be proved", "µm/m" if plan.twist else "µm", now, proof.limit),
        )
    offered = [_setting(report, offer, faces, found) for offer in found.taken]
    if offered and found.reached and job.goal.part is not None:
        offered[0] = replace(offered[0], proof=proof)
    stack = next_stack(plan, job)
    listed: list[Move] = list(offered)
    if stack is not None and stack.known[1] - stack.known[0] > WORTH:
        put_in(listed, _stack(stack))
    yield from listed
    if not found.taken:
        yield from _cured(job, report, faces)


def _could_tell(job: Job, verdict: Verdict) -> bool:
    """Whether the nodes of a face, were all of them read, tell what is asked: two places are always in line."""
    face = job.faces()[verdict.face]
    inside = [x for x in face.stations_mm if job.goal.leave_out_mm <= x <= face.length_mm - job.goal.leave_out_mm]
    stations, lines = len(inside), len(face.lines_mm)
    if verdict.measure == STRAIGHTNESS:
        return stations > 2
    return stations > 1 and lines > 1


def _plan(job: Job, report: Report, faces: Sequence[str], goal_um: float) -> ReadingPlan:
    """What the limits of these faces ask about: their twist alone, or each line, or the whole of them."""
    left_out = tuple(s.reading for s in report.suspects)
    asked = {a.measure for name in faces for a in aims(job.goal, job.faces()[name])}
    wide = [n for n in faces if min(len(job.faces()[n].lines_mm), len(job.faces()[n].stations_mm)) > 1]
    if asked == {TWIST} and wide:
        return ReadingPlan(job, wide, False, goal_um, left_out, report.given, twist=True)
    return ReadingPlan(job, faces, asked <= {STRAIGHTNESS}, goal_um, left_out, report.given)


def _from_limit_um(job: Job, verdict: Verdict) -> float:
    """How far a value lies from its limit; of a twist from edge to edge."""
    off = abs(abs(verdict.value_um or 0.0) - (verdict.limit_um or 0.0))
    return off * job.faces()[verdict.face].width_mm / 1e3 if verdict.measure == TWIST else off


def _at_the_limit(report: Report, verdict: Verdict, known_um: float) -> AtTheLimit:
    """Where the face stands proudest; nothing of a limit with a side, or of a twist, which tell more than that."""
    shape = next(s for s in report.shapes if s.face == verdict.face)
    most = np.nanmax(shape.height_um, initial=0.0)
    plain = verdict.side in ("between", "at most") and verdict.measure != TWIST and most > 0
    proud = np.nan_to_num(shape.height_um) >= PROUD * most if plain else np.zeros(len(shape.x_mm), bool)
    at = tuple(sorted(set(shape.x_mm[proud].tolist())))
    return AtTheLimit(faces=(verdict.face,), where_mm=at, known_um=known_um, twist=verdict.measure == TWIST)


def put_in(offered: list[Move], move: Move) -> None:
    """First if it tells most of all; else behind the first, before what tells less a minute."""

    def gain(move: Move) -> float:
        assert move.gain is not None
        assert move.gain.then is not None
        return move.gain.then - move.gain.now

    if not offered or gain(move) > gain(offered[0]):
        offered.insert(0, move)
        return
    at = len(offered)
    while at > 1 and gain(offered[at - 1]) / offered[at - 1].minutes < gain(move) / move.minutes:
        at -= 1
    offered.insert(at, move)


def _stack(stack: NextStack) -> TryStack:
    """The stack to try while the pair still lies there."""
    return TryStack(
        faces=stack.setting.geometry.faces(),
        where_mm=tuple(sorted({r.x_mm for r in stack.readings if r.x_mm is not None})),
        gain=Improvement(SHARE, "share", *stack.known),
        minutes=stack.minutes,
        stack=stack,
    )


def _proof(job: Job, faces: Sequence[str], limit_um: float, twist: bool) -> Proof:
    """What the instruments can prove, and which part that is good for."""
    part = job.goal.part
    good_for = None if part is None else diameter_um(part, limit_um)
    narrowest_mm = min(job.faces()[name].width_mm for name in faces)
    return Proof(TIMES, 1e3 * limit_um / narrowest_mm if twist else limit_um, twist, good_for)


def _cured(job: Job, report: Report, faces: tuple[str, ...]) -> Iterator[MakePiece]:
    """What a new piece would cure, where no reading of what there is can."""
    _, seen = visibility(job, report.given)
    found = cures(job, seen.find(), given=report.given).values()
    for cure in {cure.candidate: cure for cure in found}.values():
        yield MakePiece(faces=faces, cure=cure)


def _setting(report: Report, offer: Offer, faces: tuple[str, ...], found: Programme) -> TakeSetting:
    """One step of the programme."""
    settings = offer.candidate.settings
    kept = {r.id for r in offer.readings}
    some = tuple((s, s.geometry.to_read(r for r in s.readings if r.id in kept)) for s in settings)
    all_of_it = len(offer.readings) == sum(len(s.readings) for s in settings)
    return TakeSetting(
        faces=tuple(dict.fromkeys(name for s in settings for name in s.geometry.faces())),
        where_mm=tuple(sorted({p for r in offer.readings for p in (r.x_mm, r.at_mm) if p is not None})),
        gain=Improvement(SHARE, "share", *offer.known),
        minutes=offer.minutes,
        offer=offer,
        some=() if all_of_it else tuple((s, readings) for s, readings in some if readings),
        settles=faces,
        whole=found,
        block_step_share=_coarse(report) if settings[0].geometry.between_steps else None,
    )


def _coarse(report: Report) -> float:
    """How much of what is unsure so far is the step of the set, where that is the largest part; else 0."""
    shares: dict[Influence | Label, float] = {}
    for share in report.budget:
        shares[share.source] = shares.get(share.source, 0.0) + share.share
    largest = max(shares, key=shares.__getitem__, default=None)
    step = isinstance(largest, Influence) and largest.part == STEP
    return shares[largest] / sum(shares.values()) if largest is not None and step else 0.0


def doubted(job: Job, report: Report) -> set[str]:
    """The faces of suspects that are to be taken again before a verdict stands; all of them where the readings do not
    fit together."""
    if not report.fit.holds:
        return set(job.faces())
    return {name for again in retakes(job, report) if again.hangs for name in again.of.geometry.faces()}
