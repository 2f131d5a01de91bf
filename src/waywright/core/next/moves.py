"""The next move: what to measure, retake, scrape or leave alone, best first, each with its reason and its gain.

Readings come from `adjust.programme`: the least work, of every kind's candidates with every instrument owned, that lets
the open verdicts fall, the setting that tells most first. A suspect on which a verdict hangs is taken again before
anything is built on it, any other last; nothing is scraped while its verdict is open, and nothing else is done while
the readings do not fit together.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from waywright.core.evidence.findings import Move, Report, Suspect, Verdict
from waywright.core.evidence.job import Job, Reading
from waywright.core.next.cures import cures, visibility
from waywright.core.next.faults import faults
from waywright.core.next.gain import Gain, Offer, candidates
from waywright.core.next.next_stack import NextStack, next_stack
from waywright.core.next.programme import TIMES, Programme, programme
from waywright.core.next.retakes import Retake, retakes
from waywright.core.next.scraping import scraped
from waywright.core.readings import KINDS, Slide
from waywright.core.readings.laid import Laid
from waywright.core.results.verdicts import STRAIGHTNESS, TWIST, aims
from waywright.core.results.workpiece import diameter_um

PROVEN_BY = 10.0  # a height known to a tenth of the limit lets most verdicts fall; common practice, no source
WITHOUT_LIMIT_UM = 1.0
WORTH = 1e-3  # of the share known: less is not worth a stack
SHARE = "share of the shapes known as well as the goal asks"
SOAK_K = 0.5  # settings that differ by more than this were taken at different shapes


def moves(job: Job, report: Report) -> tuple[Move, ...]:
    """The next moves, best first; "stop", with its reason, when there is nothing left to do."""
    if report.fit.misfits:  # more readings or less metal would rest on what is wrong
        return (*faults(job, report), *_soak(job), *(_retake(r) for r in retakes(job, report)))
    open_verdicts = [v for v in report.verdicts if v.decision in ("open", "not measured")]
    again = retakes(job, report)
    found = [*_soak(job), *(_retake(r) for r in again if r.hangs)]
    if open_verdicts:
        found += _measure(job, report, open_verdicts)
    found += scraped(job, report, doubted(job, report))
    found += _stop(report, found)
    found += [_retake(r) for r in again if not r.hangs]
    return tuple(found)


def _soak(job: Job) -> Iterator[Move]:
    """Settings taken at temperatures too far apart."""
    known = {s.id: s.temperature_c for s in job.settings if s.temperature_c is not None}
    if known and max(known.values()) - min(known.values()) > SOAK_K:
        span = max(known.values()) - min(known.values())
        yield Move(
            "soak",
            tuple(job.faces()),
            (),
            "let the pieces lie together until a repeated reading no longer changes",
            f"settings were taken {span:.1f} K apart, and a piece warmer on one side is bent",
            {},
            60.0,
        )


def _retake(retake: Retake) -> Move:
    """What to read, and whether a verdict waits for it."""
    first = retake.suspects[0]
    says = [f"{'it' if len(retake.suspects) == 1 else s.reading} {s.words}" + _like(s) for s in retake.suspects]
    it = "it" if len(retake.suspects) == 1 else "them"
    stays = "" if retake.hangs else f": {'it stays' if it == 'it' else 'they stay'} left out"
    return Move(
        "measure",
        retake.of.geometry.faces(),
        tuple(sorted({p for r in retake.to_read for p in (r.x_mm, r.at_mm) if p is not None})),
        _how_again(retake),
        f"{'; '.join(says)}; {hang_words(retake.hangs, it)}{stays}",
        {"what": "standardised residual", "from": abs(first.standardised), "to": 0.0},
        retake.minutes,
    )


def hang_words(faces: Sequence[str], it: str = "it") -> str:
    """ "the verdict on P hangs on it", or that none does."""
    if not faces:
        return f"no verdict hangs on {it}"
    return f"the verdict{'s' if len(faces) > 1 else ''} on {_listed(faces)} hang{'' if len(faces) > 1 else 's'} on {it}"


def _like(suspect: Suspect) -> str:
    return f" and cannot be told from {_listed(suspect.like)}: one of them is wrong" if suspect.like else ""


def _how_again(retake: Retake) -> str:
    """Read again where it stands; once lifted, in a setting of its own, at as many places as check one another."""
    words, ids = retake.of.geometry.words(), _listed([s.reading for s in retake.suspects])
    at = [_place(r) for r in retake.again if r.x_mm is not None or r.at_mm is not None]
    others = [_place(r) for r in retake.to_read if r not in retake.again]
    if retake.begun is not None:
        return f"go on with {retake.begun.id}, {words}: read also at {_listed([*at, *others])}, to check {ids}"
    laid = isinstance(retake.of.geometry, Laid)
    lay = f"{'lay' if laid else 'take'} {words}, once more"
    if at and others:
        lay += f" and read at {_listed(at)} and, to check that, at {_listed(others)} ({ids})"
    else:
        lay += f", at {_listed(at)} ({ids})" if at else f" ({ids})" if retake.again else f", all of it ({ids})"
    if retake.twice:
        lay = f"where it reads so twice, {_listed(at)}, stone and wipe the faces and check the instrument; then {lay}"
    if retake.stands and at:
        asks = "if it still stands as it was read" if laid else "if nothing was touched since, its zero neither"
        return f"{asks}, read {_listed(at)} again now; {'once lifted' if laid else 'else'}, {lay}"
    return lay


def target_um(job: Job) -> float:
    """How well heights must be known for the goal: a tenth of the smallest limit, of a twist from edge to edge."""
    limits = [
        a.limit.value * (face.width_mm / 1e3 if a.measure == TWIST else 1.0)
        for face in job.faces().values()
        for a in aims(job.goal, face)
        if a.limit is not None
    ]
    return min(limits) / PROVEN_BY if limits else WITHOUT_LIMIT_UM


def _measure(job: Job, report: Report, verdicts: Sequence[Verdict]) -> Iterator[Move]:
    """The programme for the faces whose verdict is open, and what only a new piece can cure."""
    faces = tuple(dict.fromkeys(v.face for v in verdicts))
    goal = target_um(job)
    plan = _plan(job, report, faces, goal)
    if plan.reached:
        yield from _at_the_limit(faces, goal, "the twist" if plan.twist else "every height")
        return
    listed = list(candidates(job, tuple(KINDS.values())))
    found = programme(plan, listed)
    proves = _proves(job, PROVEN_BY * found.reach_um)
    if found.taken and not found.reached:
        yield _beyond(job, faces, PROVEN_BY * found.reach_um, proves)
    stack = next_stack(plan, job)
    offered = [_setting(report, t, faces, found) for t in found.taken]
    if offered and found.reached and job.goal.part is not None:
        offered[0] = replace(offered[0], reason=f"{offered[0].reason}; {proves}")
    if stack is not None and stack.known[1] - stack.known[0] > WORTH:
        put_in(offered, _stack(stack))
    yield from offered
    if not found.taken:
        yield from _cured(job, report, faces)


def _plan(job: Job, report: Report, faces: Sequence[str], goal_um: float) -> Gain:
    """What the limits of these faces ask about: their twist alone, or each line, or the whole of them."""
    left_out = tuple(s.reading for s in report.suspects)
    asked = {a.measure for name in faces for a in aims(job.goal, job.faces()[name])}
    wide = [n for n in faces if min(len(job.faces()[n].lines_mm), len(job.faces()[n].stations_mm)) > 1]
    if asked == {TWIST} and wide:
        return Gain(job, wide, False, goal_um, left_out, report.given, twist=True)
    return Gain(job, faces, asked <= {STRAIGHTNESS}, goal_um, left_out, report.given)


def put_in(offered: list[Move], move: Move) -> None:
    """First if it tells most of all; else behind the first, before what tells less a minute."""

    def gain(move: Move) -> float:
        return float(move.gain["to"]) - float(move.gain["from"])  # type: ignore[arg-type]

    if not offered or gain(move) > gain(offered[0]):
        offered.insert(0, move)
        return
    at = len(offered)
    while at > 1 and gain(offered[at - 1]) / offered[at - 1].minutes < gain(move) / move.minutes:
        at -= 1
    offered.insert(at, move)


def _stack(stack: NextStack) -> Move:
    """The stack to try while the pair still lies there."""
    made = f" ({' + '.join(f'{b:g}' for b in stack.blocks_mm)})" if len(stack.blocks_mm) > 1 else ""
    lay = stack.setting.geometry
    at = {r.x_mm for r in stack.readings if r.x_mm is not None}
    count = "the bracket" if len(stack.readings) == 1 else f"{len(stack.readings)} brackets"
    return Move(
        "measure",
        lay.faces(),
        tuple(sorted(at)),
        f"before {lay.faces()[1]} is lifted, try a stack of {stack.size_mm:.4f}".rstrip("0").rstrip(".")
        + f" mm{made} at {', '.join(map(_place, stack.readings))}; {lay.words()}",
        f"goes or not, it narrows {count} there",
        {"what": SHARE, "from": stack.known[0], "to": stack.known[1]},
        stack.minutes,
    )


def _proves(job: Job, reach_um: float) -> str:
    """What the instruments can prove, and which part that is good for."""
    part = job.goal.part
    good_for = "" if part is None else f", good for a part of {diameter_um(part, reach_um):.2g} µm in diameter"
    return f"with everything read {TIMES} times over these instruments prove about {reach_um:.2g} µm{good_for}"


def _beyond(job: Job, faces: Sequence[str], reach_um: float, proves: str) -> Move:
    """A goal below what the readings can prove is said to be so."""
    return Move(
        "stop",
        tuple(faces),
        (),
        f"ask for no less than {reach_um:.2g} µm, or bring a finer instrument",
        f"{proves}, and no less",
        {"what": "limit that can be proved, µm", "from": PROVEN_BY * target_um(job), "to": reach_um},
        0.0,
    )


def _at_the_limit(faces: Sequence[str], goal_um: float, what: str) -> Iterator[Move]:
    """Known as well as the goal asks, and still open: the value lies at the limit itself."""
    yield Move(
        "scrape",
        tuple(faces),
        (),
        f"take the proud places of {_listed(faces)} down a little: measuring more will not settle it",
        f"{what} is known to {goal_um:.2g} µm, and the value lies too near the limit to tell inside from outside",
        {},
        0.0,
    )


def _cured(job: Job, report: Report, faces: Sequence[str]) -> Iterator[Move]:
    """What a new piece would cure, where no reading of what there is can."""
    _, seen = visibility(job, report.given)
    for words in dict.fromkeys(c.words for c in cures(job, seen.find(), given=report.given).values()):
        yield Move("measure", tuple(faces), (), words, "nothing else lets these faces be told apart", {}, 0.0)


def _setting(report: Report, taken: Offer, faces: Sequence[str], found: Programme) -> Move:
    of = tuple(dict.fromkeys(name for s in taken.candidate.settings for name in s.geometry.faces()))
    places = sorted({p for r in taken.readings for p in (r.x_mm, r.at_mm) if p is not None})
    settings = "1 setting" if len(found.taken) == 1 else f"{len(found.taken)} settings"
    whole = f"{found.readings} readings in {settings}, about {found.minutes / 60:.1f} h in all"
    if found.reached:
        reason = f"with the rest of these it settles {_listed(faces)} with the fewest readings: {whole}"
    else:
        reason = f"it tells most of {_listed(faces)}, though not all that the goal asks"
    if isinstance(taken.candidate.settings[0].geometry, Slide):
        reason += _coarse(report)
    gain = {"what": SHARE, "from": taken.known[0], "to": taken.known[1]}
    return Move("measure", of, tuple(places), _how(taken), reason, gain, taken.minutes)


def _coarse(report: Report) -> str:
    """Why a wedge: the step of the set is the largest share of what is unsure."""
    shares: dict[str, float] = {}
    for share in report.budget:
        shares[share.name] = shares.get(share.name, 0.0) + share.share
    largest = max(shares, key=shares.__getitem__, default="")
    so_far = (
        f", {100 * shares[largest] / sum(shares.values()):.0f} % of what is unsure so far"
        if largest.endswith(", step")
        else ""
    )
    return f"; a wedge reads between the steps of the set{so_far}"


def _how(taken: Offer) -> str:
    """What to do, with the lines and stations when not all of them are worth reading."""
    total = sum(len(s.readings) for s in taken.candidate.settings)
    if len(taken.readings) == total:
        return taken.candidate.words
    kept = {r.id for r in taken.readings}
    parts = []
    for setting in taken.candidate.settings:
        at = [r for r in setting.readings if r.id in kept and r.entry != "spacers"]
        if at:
            parts.append(f"{setting.geometry.words()}: read at {', '.join(map(_place, at))}")
    return "; ".join(parts)


def _place(reading: Reading) -> str:
    """Station and line: "180/-14"."""
    along = reading.x_mm if reading.x_mm is not None else reading.at_mm
    return f"{along:g}" + (f"/{reading.y_mm:g}" if reading.y_mm else "")


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def doubted(job: Job, report: Report) -> set[str]:
    """The faces of suspects that are to be taken again before a verdict stands; all of them where the readings do not
    fit together."""
    if report.fit.misfits:
        return set(job.faces())
    return {name for again in retakes(job, report) if again.hangs for name in again.of.geometry.faces()}


def _stop(report: Report, found: Sequence[Move]) -> Iterator[Move]:
    """Nothing left to do, and why."""
    if found or not report.verdicts:
        return
    if all(v.decision == "inside" for v in report.verdicts):
        chance = min(v.chance_inside or 0.0 for v in report.verdicts)
        faces = tuple(dict.fromkeys(v.face for v in report.verdicts))
        yield Move(
            "stop",
            faces,
            (),
            "stop: more scraping would only move metal",
            f"every face is inside its limit with a chance of {100 * min(chance, 0.999):.1f} % or more",
            {},
            0.0,
        )
