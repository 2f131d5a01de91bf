"""Where to take metal next: the scraping map of each face that is outside its limit, as a move and as it is drawn."""

from __future__ import annotations

from collections.abc import Iterator, Set

import numpy as np

from waywright.core.evidence.findings import Move, Report, Verdict
from waywright.core.evidence.job import Job
from waywright.core.judge.limits import Limit
from waywright.core.results.verdicts import FLATNESS, STRAIGHTNESS
from waywright.core.work.done import removed_so_far, strokes
from waywright.core.work.maps import ScrapingMap, WorkZone
from waywright.core.work.scraping import scraping_map


def maps(job: Job, report: Report, doubted: Set[str], face: str | None = None) -> Iterator[tuple[Verdict, ScrapingMap]]:
    """One for each verdict that is outside, of one face if named; none while a reading is in doubt on the face."""
    for verdict in report.verdicts:
        asked = face is None or verdict.face == face
        if asked and verdict.decision == "outside" and verdict.face not in doubted:
            found = map_for(job, report, verdict)
            if found is not None:
                yield verdict, found


def map_for(job: Job, report: Report, verdict: Verdict, share: float = 1.0) -> ScrapingMap | None:
    """The scraping map of the face of a verdict, None where nothing of it is read.

    With what this hand takes as far as it is known, and what earlier passes left uneven between the stations.
    `share`: of the usual depth of a pass. Where a full pass is too coarse, the map is drawn with lighter ones.
    """
    face = job.faces()[verdict.face]
    shape = next(s for s in report.shapes if s.face == face.name)
    draws = report.draws_um.get(face.name)
    if draws is None:
        return None
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
        measure=verdict.measure if verdict.measure in (STRAIGHTNESS, FLATNESS) else None,
        leave_out_mm=job.goal.leave_out_mm,
        passes_before=strokes(job, face.name),
        taken=removed_so_far(job, face, report.hand),
    )
    if found.outcome == "coarse" and found.lighter_um is not None and share == 1.0:
        return map_for(job, report, verdict, found.lighter_um / hand.depth_um)
    return found


def scraped(job: Job, report: Report, doubted: Set[str]) -> Iterator[Move]:
    """A map for each face that is outside, in words; or why none is drawn."""
    for verdict, found in maps(job, report, doubted):
        if found.outcome != "scrape":
            yield Move("measure", (verdict.face,), (), f"measure {verdict.face} again", found.reason, {}, found.minutes)
            continue
        zones = [zone_words(z) for z in found.zones]
        yield Move(
            "scrape",
            (verdict.face,),
            tuple(sorted({p for z in found.zones for p in (z.from_mm, z.to_mm)})),
            f"scrape {verdict.face}, passes of about {found.hand.depth_um:.2g} µm: " + "; ".join(zones),
            f"its {verdict.measure} is {verdict.value_um:.2g} µm and the limit {verdict.limit_um:g} µm; "
            "nothing is taken where it is not surely proud",
            {"what": f"{verdict.measure}, µm", "from": found.before_um, "to": found.after_um},
            found.minutes,
        )


def zone_words(zone: WorkZone) -> str:
    """ "from 150 to 225 mm, far half: 2 passes"."""
    where = {"whole": "whole width", "near": "near half", "far": "far half"}.get(
        zone.width, f"y {zone.y_from_mm:g} to {zone.y_to_mm:g} mm"
    )
    times = "1 pass" if zone.passes == 1 else f"{zone.passes} passes"
    return f"from {zone.from_mm:g} to {zone.to_mm:g} mm, {where}: {times}"
