"""Where to take metal next: the scraping map of each face that is outside its limit, as a move and as it is drawn."""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from waywright.core.evidence.findings import Act, Improvement, Move, Report, Verdict
from waywright.core.evidence.job import Job
from waywright.core.judge.limits import Limit
from waywright.core.results.under_test import FLATNESS, STRAIGHTNESS, TWIST
from waywright.core.work.done import removed_so_far, strokes
from waywright.core.work.maps import ScrapingMap
from waywright.core.work.scraping import scraping_map

MOST_ROUNDS = 6  # after so many a hand does not come nearer; a guess, no source
FURTHER = 2 / 3  # of the limit, to which a face at its very limit is brought
MAPPED = ("between", "at most", "middle high only", "hollow only")  # sides that a map is drawn for


def maps(job: Job, report: Report, doubted: Set[str], face: str | None = None) -> Iterator[tuple[Verdict, ScrapingMap]]:
    """One for each verdict that is outside, of one face if named; none while a reading is in doubt on the face, or a
    shape of it is not seen: where the metal stands proud is not known then."""
    for verdict in report.verdicts:
        asked = face is None or verdict.face == face
        mapped = verdict.measure != TWIST and verdict.side in MAPPED
        sure = verdict.decision == "outside" and not verdict.unseen and verdict.face not in doubted
        if asked and mapped and sure:
            found = map_for(job, report, verdict)
            if found is not None:
                yield verdict, found


def map_for(
    job: Job,
    report: Report,
    verdict: Verdict,
    share: float = 1.0,
    goal_um: float | None = None,
    surely: bool = False,
) -> ScrapingMap | None:
    """The scraping map of the face of a verdict, None where nothing of it is read.

    With what this hand takes as far as it is known, and what earlier passes left uneven between the stations.
    `share`: of the usual depth of a pass. Where a full pass is too coarse, the map is drawn with lighter ones.
    `goal_um`: the zone to come to, where it is not left to the limit. `surely`: as if the likeliest shape were known.
    """
    face = job.faces()[verdict.face]
    shape = next(s for s in report.shapes if s.face == face.name)
    draws = report.draws_um.get(face.name)
    if draws is None:
        return None
    if surely:
        draws = draws.mean(axis=0, keepdims=True)
    read = np.isfinite(shape.height_um)
    hand = report.hand.lighter(share)
    found = scraping_map(
        face,
        shape.x_mm[read],
        shape.y_mm[read],
        shape.height_um[read],
        draws,
        hand=hand,
        limit=None if verdict.limit_um is None else Limit(verdict.limit_um, verdict.side),
        side=verdict.side,
        goal_um=goal_um,
        measure=verdict.measure if verdict.measure in (STRAIGHTNESS, FLATNESS) else None,
        leave_out_mm=job.goal.leave_out_mm,
        passes_before=strokes(job, face.name),
        taken=removed_so_far(job, face, report.hand),
    )
    if found.outcome == "coarse" and found.lighter_um is not None and share == 1.0:
        return map_for(job, report, verdict, found.lighter_um / hand.depth_um, goal_um, surely)
    return found


@dataclass(frozen=True, kw_only=True)
class Scrape(Move):
    """Take metal as the map says, because of the verdict."""

    act: ClassVar[Act] = "scrape"
    verdict: Verdict
    map: ScrapingMap


@dataclass(frozen=True, kw_only=True)
class NoPass(Move):
    """A face is outside, and no pass of this hand would surely better it, nor readings tell more."""

    act: ClassVar[Act] = "rub"
    verdict: Verdict


@dataclass(frozen=True, kw_only=True)
class AtTheLimit(Move):
    """Still open, for its value lies near the limit itself, and cheaper brought surely inside than read on: `map`."""

    act: ClassVar[Act] = "scrape"
    verdict: Verdict
    map: ScrapingMap


@dataclass(frozen=True, kw_only=True)
class LetBe(Move):
    """Still open, for its value lies near the limit itself: no pass would surely better it, nor is it worth reading on.

    `times`: how often everything were to be read until it most likely falls; None where that would not do.
    """

    act: ClassVar[Act] = "stop"
    verdict: Verdict
    times: int | None = None


@dataclass(frozen=True, kw_only=True)
class TakeTwist(Move):
    """A face is twisted by more than it may be: `corner_um` comes off at the two corners that stand proud, and ever
    less towards the two others. `far_up`: the far edge is proud at the far end, and the near edge at the marked end.
    """

    act: ClassVar[Act] = "scrape"
    verdict: Verdict
    corner_um: float
    far_up: bool


@dataclass(frozen=True, kw_only=True)
class NoMap(Move):
    """A face is outside a limit of which no map is drawn."""

    act: ClassVar[Act] = "scrape"
    verdict: Verdict


Mapped = tuple[Verdict, ScrapingMap]


def without_metal(
    job: Job, report: Report, doubted: Set[str], mapped: Sequence[Mapped]
) -> tuple[list[Verdict], list[Verdict]]:
    """The verdicts that are outside though no metal is surely to be taken: those that wait for readings, since with
    heights known there would be; and those that do not, since no pass of this hand would better them.
    """
    waiting = [v for v in report.verdicts if v.decision == "outside" and v.unseen and v.face not in doubted]
    beyond: list[Verdict] = []
    for verdict, found in mapped:
        if found.outcome == "scrape":
            continue
        known = map_for(job, report, verdict, surely=True)
        (beyond if known is not None and known.outcome == "coarse" else waiting).append(verdict)
    return waiting, beyond


def at_the_limit(job: Job, report: Report, verdict: Verdict) -> AtTheLimit | LetBe:
    """For a verdict that is open, known as well as the goal asks."""
    often = sum(p.face == verdict.face for p in job.passes) >= MOST_ROUNDS
    plain = not often and verdict.measure != TWIST and verdict.side in MAPPED and verdict.limit_um is not None
    found = map_for(job, report, verdict, goal_um=FURTHER * (verdict.limit_um or 0.0)) if plain else None
    if found is None or found.outcome != "scrape":
        return LetBe(faces=(verdict.face,), verdict=verdict)
    return AtTheLimit(
        faces=(verdict.face,), where_mm=_where_mm(found), minutes=found.minutes, verdict=verdict, map=found
    )


def _where_mm(found: ScrapingMap) -> tuple[float, ...]:
    return tuple(sorted({p for z in found.zones for p in (z.from_mm, z.to_mm)}))


def scraped(job: Job, report: Report, doubted: Set[str], mapped: Sequence[Mapped]) -> Iterator[Move]:
    """A map for each face that is outside; or why none is drawn."""
    for verdict in report.verdicts:
        if verdict.decision != "outside" or verdict.unseen or verdict.face in doubted:
            continue
        if verdict.measure == TWIST:
            face, twist = job.faces()[verdict.face], verdict.value_um or 0.0
            yield TakeTwist(
                faces=(face.name,),
                where_mm=(0.0, face.length_mm),
                gain=Improvement(TWIST, "µm/m", abs(twist), 0.0),
                verdict=verdict,
                corner_um=abs(twist) * face.width_mm / 1e3 / 2,
                far_up=twist > 0,
            )
        elif verdict.side not in MAPPED:
            yield NoMap(faces=(verdict.face,), verdict=verdict)
    for verdict, found in mapped:
        if found.outcome != "scrape":
            continue
        yield Scrape(
            faces=(verdict.face,),
            where_mm=_where_mm(found),
            gain=Improvement(verdict.measure, "µm", found.before_um or 0.0, found.after_um),
            minutes=found.minutes,
            verdict=verdict,
            map=found,
        )
