"""The next move: what to measure, retake, scrape or leave alone, best first, each with what its reason is made of.

This is the one place that says what is to be done next. Readings come from `measuring`: the least work, of every
kind's candidates with every instrument owned, that lets the open verdicts fall, the setting that tells most first. A
suspect on which a verdict hangs is taken again before anything is built on it, any other last; nothing is scraped while
its verdict is open, unless the value lies so near its limit that readings to settle it cost more than a light pass, or
cannot be had; and nothing else is done while a setting seems typed wrong, or the readings do not fit together. What is
surely outside is scraped before more is read, unless a shape is not seen at all: readings would be taken anew.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from waywright.core.evidence.findings import Act, Move, Report
from waywright.core.evidence.job import Job
from waywright.core.next.faults import asked, faults
from waywright.core.next.measuring import measuring
from waywright.core.next.reading_moves import OutOfReach
from waywright.core.next.retakes import TakeAgain, retakes
from waywright.core.next.scraping import LetBe, NoPass, maps, scraped, without_metal
from waywright.core.next.standing import standing_moves

SOAK_K = 0.5  # settings that differ by more than this were taken at different shapes
SOAK_MIN = 60.0


@dataclass(frozen=True, kw_only=True)
class Soak(Move):
    """Wait: settings were taken `span_k` apart."""

    act: ClassVar[Act] = "soak"
    span_k: float


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
    readings = list(measuring(job, report, [*undecided, *blocked], in_doubt)) if undecided or blocked else []
    unseen = any(v.unseen for v in undecided)  # else metal comes before readings that would have to be taken anew
    found += standing_moves(job, report, undecided) if limited else ()
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
    return isinstance(move, LetBe | NoPass | OutOfReach)


def _soak(job: Job) -> Iterator[Move]:
    """Settings taken at temperatures too far apart."""
    known = {s.id: s.temperature_c for s in job.settings if s.temperature_c is not None}
    if known and max(known.values()) - min(known.values()) > SOAK_K:
        yield Soak(faces=tuple(job.faces()), minutes=SOAK_MIN, span_k=max(known.values()) - min(known.values()))


def doubted(job: Job, report: Report) -> set[str]:
    """The faces of suspects that are to be taken again before a verdict stands; all of them where the readings do not
    fit together."""
    if not report.fit.holds:
        return set(job.faces())
    return {name for again in retakes(job, report) if again.hangs for name in again.of.geometry.faces()}
