"""What passes already made took: where a face was gone over, what the hand takes, what is uneven between stations."""

from __future__ import annotations

import numpy as np

from waywright.core.adjust.solution import Solution
from waywright.core.evidence.job import Job, Pass, PassZone
from waywright.core.evidence.things import Face, FloatArray, Hand
from waywright.core.results.agreements import cuts
from waywright.core.work.depth import depth_learned
from waywright.core.work.maps import ScrapingMap, Taken
from waywright.core.work.pencil import ruled

SCRAPE = "scrape"  # the act of a pass that speaks of the hand
_HAIR_MM = 1e-3


def as_drawn(found: ScrapingMap) -> tuple[PassZone, ...]:
    """The zones of a map as a pass notes them."""
    whole = found.face.width_mm / 2
    return tuple(
        PassZone(z.from_mm, z.to_mm, passes=z.passes)
        if (z.y_from_mm, z.y_to_mm) == (-whole, whole)
        else PassZone(z.from_mm, z.to_mm, z.y_from_mm, z.y_to_mm, z.passes)
        for z in found.zones
    )


def strokes(job: Job, face: str) -> int:
    """How often a face was scraped over in all: each time the strokes lean to the other hand."""
    made = (p for p in job.passes if p.face == face and p.act == SCRAPE)
    return sum(max((z.passes for z in p.zones), default=1) for p in made)


def gone_over(cut: Pass, face: Face, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """(n,) how often places were gone over: the mean where zones meet, and across the width of a face of one line."""
    if len(face.lines_mm) == 1:
        return np.asarray(np.mean([_within(cut, face, x_mm + d, None) for d in (-_HAIR_MM, _HAIR_MM)], axis=0))
    corners = [(dx, dy) for dx in (-_HAIR_MM, _HAIR_MM) for dy in (-_HAIR_MM, _HAIR_MM)]
    return np.asarray(np.mean([_within(cut, face, x_mm + dx, y_mm + dy) for dx, dy in corners], axis=0))


def _within(cut: Pass, face: Face, x_mm: FloatArray, y_mm: FloatArray | None) -> FloatArray:
    """(n,) passes at places, which are moved onto the face; without y, zones count by their share of its width."""
    half = face.width_mm / 2
    x = np.clip(x_mm, _HAIR_MM, face.length_mm - _HAIR_MM)
    found = np.zeros(len(x))
    for zone in cut.zones:
        low, high = across(zone, face)
        if y_mm is None:
            share: FloatArray | float = (high - low) / face.width_mm
        else:
            y = np.clip(y_mm, _HAIR_MM - half, half - _HAIR_MM)
            share = ((low <= y) & (y <= high)).astype(float)
        found += zone.passes * share * ((zone.from_mm <= x) & (x <= zone.to_mm))
    return found


def across(zone: PassZone, face: Face) -> tuple[float, float]:
    """From where to where a zone lies across, mm."""
    half = face.width_mm / 2
    return (
        -half if zone.y_from_mm is None else max(-half, zone.y_from_mm),
        half if zone.y_to_mm is None else min(half, zone.y_to_mm),
    )


def hand_learned(job: Job, solution: Solution) -> Hand:
    """The hand of a job: as it was told, and then what each scraping took whose face was read before and after."""
    hand = job.hand or Hand()
    for cut in cuts(job, solution):
        if cut.cut.act != SCRAPE or not cut.cut.zones:
            continue
        at = cut.before
        count = gone_over(cut.cut, at.unknown.face, at.x_mm, at.y_mm)  # type: ignore[arg-type]
        hand = depth_learned(
            np.zeros(len(count)),
            cut.height_um,
            count * _full(cut.cut, hand),
            at.x_mm,
            at.y_mm,
            solution.covariance(cut.weights),
            believed=hand,
        )
    return hand


def _full(cut: Pass, hand: Hand) -> float:
    """How many full passes of the hand one of these is."""
    return 1.0 if cut.depth_um is None else cut.depth_um / hand.depth_um


def removed_so_far(job: Job, face: Face, hand: Hand) -> Taken | None:
    """What scraping noted by zones took from each square since the face was last lapped or machined as a whole."""
    made = [p for p in job.passes if p.face == face.name]
    last = max((i for i, p in enumerate(made) if not p.zones and p.act != SCRAPE), default=-1)
    made = [p for p in made[last + 1 :] if p.zones and p.act == SCRAPE]
    if not made:
        return None
    lines_x, lines_y = ruled(face)
    edges = {e for p in made for z in p.zones for e in across(z, face)}
    if any(np.abs(lines_y - e).min() > _HAIR_MM for e in edges):
        lines_x, lines_y = ruled(face, quarters=True)
    found = Taken(*(np.zeros((len(lines_y) - 1, len(lines_x) - 1)) for _ in range(2)))
    for cut in made:
        n = _squares(cut, face, lines_x, lines_y) * _full(cut, hand)
        found += Taken(n * hand.depth_um, np.sqrt(n) * hand.scatter * hand.depth_um)
    return found


def _squares(cut: Pass, face: Face, lines_x: FloatArray, lines_y: FloatArray) -> FloatArray:
    """(bands, columns) how often each square was gone over, on the mean over its area."""
    n = np.zeros((len(lines_y) - 1, len(lines_x) - 1))
    for zone in cut.zones:
        n += zone.passes * np.outer(_share(lines_y, *across(zone, face)), _share(lines_x, zone.from_mm, zone.to_mm))
    return n


def _share(lines: FloatArray, low: float, high: float) -> FloatArray:
    """(n,) how much of each stretch between lines lies between low and high."""
    return np.asarray(np.clip(np.minimum(lines[1:], high) - np.maximum(lines[:-1], low), 0.0, None) / np.diff(lines))
