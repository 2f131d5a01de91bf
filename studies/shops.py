"""Does following `next` end well? 200 whole simulated shops, from the first reading to the last word.

Whoever works there does the first move that is listed, and nothing else, and asks again; readings are noise over a
known truth, metal comes off by the hand's own depth. What is asked: that it ends, inside its limits or with the word
that no reading and no pass would help; that no move contradicts a verdict or is asked for twice of the same metal;
that the minutes told with the moves are those of what was set up and read; and how many readings it takes, until no
verdict is open, against a person who reads everything. (That asking again costs no more: `next_moves`.)
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # many small solves

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import groupby
from multiprocessing import Pool

import numpy as np

from studies.next_moves import numbered, proposals, readings
from studies.table import track, write_table
from tests.simulate import read
from waywright.core.evidence.findings import Move, Report
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Pass, PassZone
from waywright.core.evidence.kind import Candidate
from waywright.core.evidence.things import Face, FloatArray, Hand, Instrument, Piece
from waywright.core.judge.zones import minimum_zone_lines, minimum_zone_planes
from waywright.core.next.moves import Stop
from waywright.core.next.programme import TIMES
from waywright.core.next.reading_moves import OutOfReach, TakeSetting
from waywright.core.next.retakes import TakeAgain
from waywright.core.next.scraping import AtTheLimit, LetBe, NoPass, Scrape, TakeTwist
from waywright.core.readings.proposed import BORROWING_MIN
from waywright.core.report import report
from waywright.core.work.maps import ScrapingMap
from waywright.views.moves import how

SEED, SHOPS = 47, 200
MOST_MOVES = 90
SHARE = 0.6  # of a person's readings, at the median
ASTRAY = 0.2  # of the minutes counted may those told be off
ENDS = ("inside", "at the limit", "no pass", "out of reach", "stuck")
NOTES = "*at the limit*: no reading would settle it, nor a pass surely better it; *no pass*: outside, likewise."


@dataclass(frozen=True)
class Shop:
    """A job without readings, its true heights, and the hand that works there."""

    kind: str
    job: Job
    truth_um: Mapping[str, FloatArray]
    depth_um: float


@dataclass
class Walk:
    """What came of following the moves."""

    shop: Shop
    end: str = "stuck"
    readings: int = 0
    minutes: float = 0.0
    minutes_told: float = 0.0
    passes: int = 0
    said: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    decided: int | None = None  # readings when nothing was open any more, for the first time
    judged: int = 0
    wrong: int = 0


def drawn(rng: np.random.Generator) -> Shop:
    """Edges with blocks, edges or plates with a level, or both kinds of instrument; limits near what the faces are."""
    kind = str(rng.choice(["edges", "edges and a level", "plate by level", "plates and both"]))
    length = float(rng.choice([300, 500, 800]))
    stations = tuple(np.linspace(0.0, 1.0, int(rng.choice([5, 7, 9]))) * length)
    wide = kind.startswith("plate")
    lines = (-60.0, 0.0, 60.0) if wide else ((0.0,), (-15.0, 15.0))[int(rng.integers(2))]
    names = ("P",) if kind == "plate by level" else ("P", "Q", "R")
    pieces = tuple(Piece(n, (Face(n, length, 160.0 if wide else 50.0, stations, lines),)) for n in names)
    blocks = Instrument("blocks", "gauge blocks", u_um=0.3, feel_um=float(rng.uniform(0.6, 1.5)))
    level = Instrument("level", "level", u_um_per_m=float(rng.uniform(3, 15)))
    kit = {"edges": (blocks,), "plate by level": (level,)}.get(kind, (blocks, level))
    size_um = float(rng.uniform(2.0, 8.0))
    truth = {}
    for piece in pieces:
        (face,) = piece.faces
        s, t = 2 * face.x_mm / length - 1, 2 * face.y_mm / face.width_mm
        low = [rng.normal() * c for c in (1.0, 0.4, 0.5, 0.3)]
        shape = low[0] * s**2 + low[1] * s**3 + low[2] * s * t + low[3] * t**2 * wide
        truth[face.name] = size_um * (shape - shape.mean()) + 0.08 * size_um * rng.normal(size=len(s))
    job = Job(pieces=pieces, instruments=kit, title=kind)
    measure = "flatness" if len(lines) > 1 and rng.random() < 0.5 else "straightness"
    zones = [zone_um(face, truth[name], measure) for name, face in job.faces().items()]
    limit = float(np.median(zones) * rng.uniform(0.6, 1.6))
    goal = Goal(straightness_um=limit) if measure == "straightness" else Goal(flatness_um=limit)
    return Shop(kind, replace(job, goal=goal), truth, float(rng.uniform(1.5, 3.5)))


def zone_um(face: Face, height_um: FloatArray, measure: str) -> float:
    """The true measure of a face."""
    if measure == "flatness":
        return float(minimum_zone_planes(face.x_mm, face.y_mm, height_um[None])[0])
    on = [face.y_mm == y for y in face.lines_mm]
    return max(float(minimum_zone_lines(face.x_mm[i], height_um[None, i])[0]) for i in on)


def follow(shop: Shop, rng: np.random.Generator) -> Walk:
    """Do the first move and ask again, until there is nothing to do."""
    walk, job, truth = Walk(shop), shop.job, dict(shop.truth_um)
    for number in range(MOST_MOVES):
        found = report(job)
        check(walk, found)
        if walk.decided is None and not any(v.decision in ("open", "not measured") for v in found.verdicts):
            walk.decided = walk.readings
        if not found.moves:
            break
        done = act(walk, found.moves[0], job, truth, number, rng)
        if done is None:
            ended(walk, found, truth)
            return walk
        job = done
    return walk


def by_person(shop: Shop, rng: np.random.Generator) -> int | None:
    """Readings until no verdict is open when everything is read, kind after kind, turn after turn, several times."""
    job, count = shop.job, 0
    for k in range(TIMES):
        for i, (_, together) in enumerate(groupby(sorted(proposals(job), key=_round), key=_round)):
            for j, candidate in enumerate(together):
                if not candidate.instruments:
                    new = numbered(candidate, 10_000 * k + 100 * i + j)
                    job = taken(new.added_to(job), [s.id for s in new.settings], shop.truth_um, rng)
                    count += readings(new)
            if not any(v.decision in ("open", "not measured") for v in report(job, with_cures=False).verdicts):
                return count
    return None


def _round(candidate: Candidate) -> tuple[bool, str, str]:
    kind = candidate.settings[0].geometry
    return kind.lying is None, kind.block, "" if kind.lying is None else kind.lying.turn


def check(walk: Walk, found: Report) -> None:
    """Whether what is asked for goes with what is decided, and is not what was just done."""
    if not found.moves:
        walk.faults.append("nothing is listed")
        return
    decided = {v.face: v.decision for v in found.verdicts}
    for move in found.moves:
        metal = isinstance(move, Scrape | TakeTwist | AtTheLimit)
        if metal and decided[move.faces[0]] == "inside":
            walk.faults.append("takes metal from what is inside")
        if isinstance(move, Scrape | NoPass) and decided[move.faces[0]] != "outside":
            walk.faults.append("scrapes what is not outside")
        if metal and not move.where_mm:
            walk.faults.append("scrapes without places")
        if isinstance(move, Stop) and set(decided.values()) != {"inside"}:
            walk.faults.append("stops before all is inside")
        if isinstance(move, TakeSetting) and all(decided[name] == "inside" for name in move.settles):
            walk.faults.append("reads what is inside")
    words = how(found.moves[0])
    walk.said[words] += 1
    if walk.said[words] > 1:
        walk.faults.append(f"asked again: {words}")


def act(
    walk: Walk, move: Move, job: Job, truth: dict[str, FloatArray], number: int, rng: np.random.Generator
) -> Job | None:
    """The job after a move; None where it ends."""
    walk.minutes_told += move.minutes
    if isinstance(move, TakeSetting):
        new = numbered(move.offer.candidate, number, {r.id for r in move.offer.readings})
        walk.readings += readings(new)
        walk.minutes += sum(
            s.geometry.setting_up_min + s.geometry.reading_min * len(s.geometry.to_read(s.readings))
            for s in new.settings
        ) + BORROWING_MIN * len(new.instruments)
        return taken(new.added_to(job), [s.id for s in new.settings], truth, rng)
    if isinstance(move, TakeAgain):
        of = move.retake
        anew = replace(of.anew, id=f"{of.of.id} anew {number}", name=None)
        anew = replace(anew, readings=tuple(replace(r, id=f"{r.id} {number}", corrects=None) for r in anew.readings))
        walk.readings += len(of.to_read)
        return taken(replace(job, settings=(*job.settings, anew)), [anew.id], truth, rng)
    if isinstance(move, Scrape | AtTheLimit):
        walk.said.clear()
        return scraped(walk, move.faces[0], move.map, job, truth, number, rng)
    return None


def taken(job: Job, new: list[str], truth: Mapping[str, FloatArray], rng: np.random.Generator) -> Job:
    """The job with its new settings read."""
    return read(job, truth, rng, only=frozenset(new)).job


def scraped(
    walk: Walk,
    name: str,
    found: ScrapingMap,
    job: Job,
    truth: dict[str, FloatArray],
    number: int,
    rng: np.random.Generator,
) -> Job:
    """Each square loses its passes by the hand's own depth; the pass is noted as it was."""
    face = job.faces()[name]
    lighter = found.hand.depth_um / Hand().depth_um
    depth = walk.shop.depth_um * lighter * (1 + 0.1 * rng.normal())
    for zone in found.zones:
        y = (-face.width_mm, face.width_mm) if zone.y_from_mm is None else (zone.y_from_mm, zone.y_to_mm)
        inside = (face.x_mm >= zone.from_mm) & (face.x_mm <= zone.to_mm) & (face.y_mm >= y[0]) & (face.y_mm <= y[1])
        truth[face.name] = truth[face.name] - inside * depth * zone.passes
    walk.passes += max((z.passes for z in found.zones), default=0)
    walk.minutes += found.minutes
    noted = tuple(PassZone(z.from_mm, z.to_mm, z.y_from_mm, z.y_to_mm, z.passes) for z in found.zones)
    one = Pass(f"pass {number}", face.name, job.settings[-1].id, zones=noted)
    return replace(job, passes=(*job.passes, one))


def ended(walk: Walk, found: Report, truth: Mapping[str, FloatArray]) -> None:
    """Why, and whether that is true: faces called inside are held against the truth."""
    move = found.moves[0]
    walk.end = {Stop: "inside", LetBe: "at the limit", NoPass: "no pass", OutOfReach: "out of reach"}.get(
        type(move), f"stuck: {how(move)}"
    )
    for verdict in found.verdicts:
        face = walk.shop.job.faces()[verdict.face]
        true_um = zone_um(face, truth[verdict.face], verdict.measure)
        walk.judged += verdict.decision in ("inside", "outside")
        walk.wrong += verdict.decision != "open" and (true_um <= (verdict.limit_um or 0.0)) != (
            verdict.decision == "inside"
        )


def main() -> None:
    """All shops; the table is docs/tables/shops.md."""
    with Pool() as pool:
        summary(list(track(pool.imap(worked, range(SHOPS)), "shops", SHOPS)))


def worked(number: int) -> tuple[Walk, int | None]:
    """One shop, and what a person reads there until nothing is open."""
    shop = drawn(np.random.default_rng([SEED, number]))
    walk = follow(shop, np.random.default_rng([SEED, number, 1]))
    return walk, by_person(shop, np.random.default_rng([SEED, number, 2]))


def summary(walks: list[tuple[Walk, int | None]]) -> None:
    """The table, and what must hold."""
    kinds = dict.fromkeys(walk.shop.kind for walk, _ in walks)
    rows = []
    for kind in [*kinds, "all"]:
        of = [(w, p) for w, p in walks if kind in (w.shop.kind, "all")]
        shares = [w.decided / p for w, p in of if w.decided and p]
        ends = Counter(w.end if w.end in ENDS else "stuck" for w, _ in of)
        rows.append(
            [
                kind,
                f"{len(of)}",
                *(f"{ends[end]}" for end in ENDS),
                f"{sum(len(w.faults) for w, _ in of)}",
                f"{np.median(shares):.2f}" if shares else "-",
                f"{np.median([w.minutes_told / w.minutes for w, _ in of if w.minutes]):.2f}",
                f"{sum(w.wrong for w, _ in of)} of {sum(w.judged for w, _ in of)}",
            ]
        )
    write_table(
        "shops",
        f"Following the first move, again and again, in {len(walks)} simulated shops",
        seed=SEED,
        header=[
            "shops",
            "count",
            *ENDS,
            "contradictions",
            "readings until nothing is open, share of a person's, median",
            "minutes told over counted",
            "wrong verdicts at the end",
        ],
        rows=rows,
        notes=NOTES,
    )
    assert not [fault for walk, _ in walks for fault in walk.faults]
    assert all(walk.end in ENDS[:-1] for walk, _ in walks)
    assert np.median([w.decided / p for w, p in walks if w.decided and p]) <= SHARE
    assert all(abs(w.minutes_told - w.minutes) <= ASTRAY * w.minutes for w, _ in walks)


if __name__ == "__main__":
    main()
