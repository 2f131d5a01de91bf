"""The next move: what to measure, retake, scrape or leave alone, best first, each with what its reason is made of.

This is the one place that says what is to be done next. Readings come from `programme`: the least work, of every
kind's candidates with every instrument owned, that lets the open verdicts fall, the setting that tells most first. A
suspect on which a verdict hangs is taken again before anything is built on it, any other last; nothing is scraped while
its verdict is open, unless the value lies so near its limit that readings to settle it cost more than a light pass, or
cannot be had; and nothing else is done while a setting seems typed wrong, or the readings do not fit together. What is
surely outside is scraped before more is read, unless a shape is not seen at all: readings would be taken anew.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from typing import ClassVar

from waywright.core.evidence.findings import KNOWN_UM, Act, Cure, Improvement, Move, Report, Verdict
from waywright.core.evidence.job import Job, Reading, Setting
from waywright.core.evidence.kind import Candidate
from waywright.core.evidence.rows import STEP, Influence, Label
from waywright.core.next.closer import closer_um, waits_unseen
from waywright.core.next.cures import cures, visibility
from waywright.core.next.faults import asked, faults
from waywright.core.next.next_stack import NextStack, next_stack
from waywright.core.next.programme import TIMES, Programme, programme
from waywright.core.next.reading_plan import Offer, ReadingPlan, candidates
from waywright.core.next.retakes import TakeAgain, retakes
from waywright.core.next.scraping import AtTheLimit, NoPass, at_the_limit, maps, scraped, without_metal
from waywright.core.readings import KINDS
from waywright.core.results.verdicts import STRAIGHTNESS, TWIST, aims
from waywright.core.results.workpiece import diameter_um

PROVEN_BY = 10.0  # a height known to a tenth of the limit lets most verdicts fall; common practice, no source
WITHOUT_LIMIT_UM = 1.0
OFTEN = 2  # times everything was read, after which only metal, or another instrument, is of use
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
    good for. `chance`: that the whole settles an open verdict, where that is not sure. `block_step_share`: how much of
    what is unsure is the step of the blocks; None where no wedge is laid. `once_more`: how often its faces, as they
    are, were laid out like this already.
    """

    offer: Offer
    some: tuple[tuple[Setting, tuple[Reading, ...]], ...]
    settles: tuple[str, ...]
    whole: Programme
    proof: Proof | None = None
    block_step_share: float | None = None
    chance: float | None = None
    once_more: int = 0


@dataclass(frozen=True, kw_only=True)
class TryStack(Move):
    """A stack to try while the pair still lies there."""

    stack: NextStack


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
    mapped = list(maps(job, report, in_doubt))
    blocked, beyond = without_metal(job, report, in_doubt, mapped)
    metal = list(scraped(job, report, in_doubt, mapped))
    readings = list(_measure(job, report, [*undecided, *blocked], in_doubt)) if undecided or blocked else []
    unseen = any(v.unseen for v in undecided)  # else metal comes before readings that would have to be taken anew
    found += [*readings, *metal] if unseen else [*metal, *readings]
    found += [NoPass(faces=(v.face,), verdict=v) for v in beyond]
    found.sort(key=_leads_nowhere)
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


def _leads_nowhere(move: Move) -> bool:
    """Whether it only says that nothing more can be done about a face: that comes behind what can be."""
    return isinstance(move, NoPass | OutOfReach) or (isinstance(move, AtTheLimit) and move.map is None)


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
    """The programme for the faces whose verdict waits for readings, and what only new stations or a new piece cure."""
    few = [v for v in verdicts if not _could_tell(job, v)]
    for face in dict.fromkeys(v.face for v in few):
        yield MoreStations(faces=(face,), measures=tuple(v.measure for v in few if v.face == face))
    faces = tuple(dict.fromkeys(v.face for v in verdicts if v not in few))
    if not faces:
        return
    waiting = [v for v in verdicts if v.face in faces and v.limit_um is not None and v.face not in in_doubt]
    offers = list(candidates(job, tuple(KINDS.values())))
    goal = required_sigma_um(job)
    plan = _plan(job, report, faces, goal)
    found, chance = programme(plan, offers), None
    proving = job.goal.part is not None or not found.reached
    if not found.reached or plan.reached:  # what is usual cannot be had, or was not enough
        if found.taken and not found.reached and found.reach_um > KNOWN_UM:  # nothing shows what is blind
            new = [m for m in _cured(job, report, faces) if m.cure.candidate is not None and m.cure.candidate.pieces]
            yield from new or (OutOfReach(faces=faces, without=job.without),)
            if not _read(job, offers, faces, 1):
                yield from (_setting(report, offer, faces, found) for offer in found.taken)
            return
        ends = {v.face: at_the_limit(job, report, v, plan.worst_um) for v in waiting if v.decision == "open"}
        helps = {name for name, end in ends.items() if end.map is not None}
        closer = None if _read(job, offers, faces, OFTEN) else closer_um(plan, waiting, found.reach_um, helps)
        if closer is not None:
            found = programme(plan.asking(closer[0]), offers)
        if closer is None or not found.reached or found.minutes > closer[2]:
            yield from _given_up(job, report, waiting, faces, ends)
            return
        chance = closer[1]
    offered = [replace(_setting(report, offer, faces, found), chance=chance) for offer in found.taken]
    if offered and proving and found.reach_um < KNOWN_UM:
        offered[0] = replace(offered[0], proof=_proof(job, faces, PROVEN_BY * found.reach_um, plan.twist))
    stack = next_stack(plan, job)
    listed: list[Move] = list(offered)
    if stack is not None and stack.known[1] - stack.known[0] > WORTH:
        put_in(listed, _stack(stack))
    yield from listed
    if not found.taken:
        yield from _cured(job, report, faces)


def _given_up(
    job: Job, report: Report, waiting: Sequence[Verdict], faces: tuple[str, ...], ends: Mapping[str, AtTheLimit]
) -> Iterator[Move]:
    """What is left where no reading would settle what is open."""
    unseen = tuple(dict.fromkeys(v.face for v in waiting if waits_unseen(v)))
    if unseen or not waiting:
        cured: list[Move] = list(_cured(job, report, unseen or faces))
        yield from cured or (OutOfReach(faces=unseen or faces, without=job.without),)
    for verdict in (v for v in waiting if v.face not in unseen):
        yield ends[verdict.face] if verdict.face in ends else NoPass(faces=(verdict.face,), verdict=verdict)


def _read(job: Job, offers: Sequence[Candidate], faces: Collection[str], times: int) -> bool:
    """Whether everything that can be read of these faces, as they are, was read so many times."""
    once = sum(len(s.readings) for c in offers if not c.instruments for s in c.settings)
    return sum(len(s.readings) for s in _bound(job, faces)) >= times * max(once, 1)


def _bound(job: Job, faces: Collection[str]) -> Iterator[Setting]:
    """The settings that bind one of these faces as it is now."""
    states = job.states()
    for number, setting in enumerate(job.settings):
        if any(name in faces and job.state_at(name, number) == states[name] for name in setting.geometry.faces()):
            yield setting


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
        once_more=sum(s.geometry == settings[0].geometry for s in _bound(report.job, settings[0].geometry.faces())),
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
