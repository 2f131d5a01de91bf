"""Readings as moves: which to take for the verdicts that wait for them, and what is left where none would help.

Three things are decided in turn. What can be had usually: a programme that lets most verdicts fall. What closer
readings are worth, where that is not enough or cannot be had. And what is left: a new piece, a finer instrument, metal
after all, or nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace

from waywright.core.evidence.findings import KNOWN_UM, Improvement, Move, Report, Verdict
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.kind import Candidate
from waywright.core.evidence.rows import STEP, Influence, Label
from waywright.core.next.closer import closer_um, waits_unseen
from waywright.core.next.cures import cures, visibility
from waywright.core.next.going_on import open_for, standing
from waywright.core.next.next_stack import NextStack, next_stack
from waywright.core.next.programme import TIMES, Programme, programme
from waywright.core.next.reach import PROVEN_BY, tellable, times_over
from waywright.core.next.reading_moves import MakePiece, MoreStations, OutOfReach, Proof, TakeSetting, TryStack
from waywright.core.next.reading_plan import Offer, ReadingPlan, candidates
from waywright.core.next.scraping import AtTheLimit, LetBe, NoPass, at_the_limit
from waywright.core.readings import KINDS
from waywright.core.results.under_test import STRAIGHTNESS, TWIST, aims
from waywright.core.results.workpiece import diameter_um
from waywright.progress import part

WITHOUT_LIMIT_UM = 1.0
OFTEN = 2  # times everything was read, after which only metal, or another instrument, is of use
WORTH = 1e-3  # of the share known: less is not worth a stack
SHARE = "share of the shapes known as well as the goal asks"


def required_sigma_um(job: Job) -> float:
    """How well heights must be known for the goal: a tenth of the smallest limit, of a twist from edge to edge."""
    limits = [
        a.limit.value * (face.width_mm / 1e3 if a.measure == TWIST else 1.0)
        for face in job.faces().values()
        for a in aims(job.goal, face)
        if a.limit is not None
    ]
    return min(limits) / PROVEN_BY if limits else WITHOUT_LIMIT_UM


@dataclass(frozen=True)
class _Wait:
    """Faces that wait for readings: the verdicts against a limit among theirs that rest on no suspect, everything that
    could be read, and what the limits ask about."""

    job: Job
    report: Report
    faces: tuple[str, ...]
    verdicts: tuple[Verdict, ...]
    offers: tuple[Candidate, ...]
    plan: ReadingPlan

    def was_read(self, times: int) -> bool:
        """Whether everything that can be read of these faces, as they are and laid as usual, was read so many times."""
        usual = (c for c in self.offers if not c.instruments and not c.moved)
        once = sum(len(s.readings) for c in usual for s in c.settings)
        return sum(len(s.readings) for s in _bound(self.job, self.faces)) >= times * max(once, 1)


def measuring(job: Job, report: Report, verdicts: Sequence[Verdict], in_doubt: Set[str]) -> Iterator[Move]:
    """The programme for the faces whose verdict waits for readings, and what only new stations or a new piece cure."""
    few = [v for v in verdicts if not _could_tell(job, v)]
    for face in dict.fromkeys(v.face for v in few):
        yield MoreStations(faces=(face,), measures=tuple(v.measure for v in few if v.face == face))
    faces = tuple(dict.fromkeys(v.face for v in verdicts if v not in few))
    if not faces:
        return
    waiting = tuple(v for v in verdicts if v.face in faces and v.limit_um is not None and v.face not in in_doubt)
    offers = tuple(candidates(job, tuple(KINDS.values())))
    plan = _plan(job, report, faces, required_sigma_um(job))
    wait = _Wait(job, report, faces, waiting, offers, plan)
    with part(0.0, 0.3):
        begun = tuple(_begun(wait))
    if begun:
        yield from begun
        return
    with part(0.3, 0.6):
        usual = programme(plan, offers)
    if usual.reached and not plan.reached:
        yield from _programme_of(wait, usual, proving=job.goal.part is not None)
        return
    told = tellable(plan, offers, verdicts)
    if told and told < set(faces):  # what is out of reach of one face keeps no other from being read
        for some in (told, set(faces) - told):
            yield from measuring(job, report, [v for v in verdicts if v.face in some], in_doubt)
    elif usual.taken and not usual.reached and usual.reach_um > KNOWN_UM and not told:
        yield from _unshown(wait, usual)
    else:  # what is usual cannot be had, or was not enough
        yield from _closer(wait, usual, told)


def _begun(wait: _Wait) -> Iterator[TakeSetting]:
    """What is still to be read of the setting that stands, where the readings before it ask for it; then the rest."""
    stands = standing(wait.job)
    if stands is None or wait.plan.reached or not stands.is_part_of(wait.offers):
        return
    plan = wait.plan.again(stands.before)
    advised = programme(plan, wait.offers)
    unshown = not advised.reached and advised.reach_um > KNOWN_UM
    if not advised.reached and not unshown and any(map(waits_unseen, wait.verdicts)):
        closer = closer_um(plan, wait.verdicts, advised.reach_um, ())
        plan = plan if closer is None else plan.asking(closer[0])
        advised = programme(plan, wait.offers)
    rest = stands.rest_of(advised.taken[0]) if advised.taken and (advised.reached or unshown) else None
    if rest is None:
        return
    now = plan.again(stands.after(wait.job, rest))
    rest = replace(rest, known=(wait.plan.known, now.known), worst_um=(wait.plan.worst_um, now.worst_um))
    further = programme(now, wait.offers)
    whole = Programme((rest, *further.taken), further.reached or now.reached, further.reach_um)
    yield replace(_setting(wait.report, rest, wait.faces, whole), begun=stands.blocks, once_more=0)
    later = (_setting(wait.report, offer, wait.faces, whole) for offer in further.taken)
    yield from (move for move in later if whole.reached or not move.once_more)


def _unshown(wait: _Wait, furthest: Programme) -> Iterator[Move]:
    """Where nothing that can be had shows what is blind: what tells the rest, unless it was read; then a new piece."""
    settings = [_setting(wait.report, offer, wait.faces, furthest) for offer in furthest.taken]
    yield from (move for move in settings if not move.once_more)
    read = wait.job
    for offer in furthest.taken:
        read = offer.candidate.added_to(read)
    cured = _cured(read, wait.report, wait.faces)
    new = [m for m in cured if m.cure.candidate is not None and m.cure.candidate.pieces]
    yield from new or (OutOfReach(faces=wait.faces, without=wait.job.without),)


def _closer(wait: _Wait, usual: Programme, told: Set[str]) -> Iterator[Move]:
    """Closer readings, where they are worth what they cost, or still show what is not seen; else what is left."""
    job, report, plan = wait.job, wait.report, wait.plan
    ends = {v.face: at_the_limit(job, report, v) for v in wait.verdicts if v.decision == "open"}
    helps = {name for name, end in ends.items() if isinstance(end, AtTheLimit)}
    shown = any(waits_unseen(v) and v.face in told for v in wait.verdicts)
    closer = None if wait.was_read(OFTEN) and not shown else closer_um(plan, wait.verdicts, usual.reach_um, helps)
    if closer is not None:
        sigma_um, chance, most_min = closer
        with part(0.6, 1.0):
            found = programme(plan.asking(sigma_um), wait.offers)
        if found.reached and found.minutes <= most_min:
            proving = job.goal.part is not None or not usual.reached
            yield from _programme_of(wait, found, proving=proving, chance=chance)
            return
    yield from _given_up(wait, ends)


def _programme_of(wait: _Wait, found: Programme, *, proving: bool, chance: float | None = None) -> Iterator[Move]:
    """Its settings, with a stack to try among them; where it holds none, what a new piece would cure.

    `proving`: what the instruments prove is told with the first. `chance`: that it settles an open verdict.
    """
    listed: list[Move] = []
    for offer in found.taken:
        first = proving and not listed and found.reach_um < KNOWN_UM
        proof = _proof(wait.job, wait.faces, PROVEN_BY * found.reach_um, wait.plan.twist) if first else None
        listed.append(replace(_setting(wait.report, offer, wait.faces, found), proof=proof, chance=chance))
    stack = next_stack(wait.plan, wait.job)
    if stack is not None and stack.known[1] - stack.known[0] > WORTH:
        put_in(listed, _stack(stack))
    yield from listed
    if not found.taken:
        yield from _cured(wait.job, wait.report, wait.faces)


def _given_up(wait: _Wait, ends: Mapping[str, AtTheLimit | LetBe]) -> Iterator[Move]:
    """What is left where no reading would settle what is open."""
    unseen = tuple(dict.fromkeys(v.face for v in wait.verdicts if waits_unseen(v)))
    if unseen or not wait.verdicts:
        faces = unseen or wait.faces
        cured: list[Move] = list(_cured(wait.job, wait.report, faces))
        yield from cured or (OutOfReach(faces=faces, without=wait.job.without),)
    for verdict in (v for v in wait.verdicts if v.face not in unseen):
        end = ends.get(verdict.face)
        if isinstance(end, LetBe):
            end = replace(end, times=times_over(wait.plan, wait.offers, verdict))
        yield end or NoPass(faces=(verdict.face,), verdict=verdict)


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
        yield MakePiece(faces=faces, minutes=cure.minutes, cure=cure, without=job.without)


def _setting(report: Report, offer: Offer, faces: tuple[str, ...], found: Programme) -> TakeSetting:
    """One step of the programme."""
    settings = offer.candidate.settings
    kept = {r.id for r in offer.readings}
    some = tuple((s, s.geometry.to_read(r for r in s.readings if r.id in kept)) for s in settings)
    all_of_it = len(offer.readings) == sum(len(s.readings) for s in settings)
    begun = open_for(report.job, offer.candidate)
    alike = sum(s.geometry == settings[0].geometry for s in _bound(report.job, settings[0].geometry.faces()))
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
        once_more=0 if begun else alike,
        begun=begun,
    )


def _coarse(report: Report) -> float:
    """How much of what is unsure so far is the step of the set, where that is the largest part; else 0."""
    shares: dict[Influence | Label, float] = {}
    for share in report.budget:
        shares[share.source] = shares.get(share.source, 0.0) + share.share
    largest = max(shares, key=shares.__getitem__, default=None)
    step = isinstance(largest, Influence) and largest.part == STEP
    return shares[largest] / sum(shares.values()) if largest is not None and step else 0.0
