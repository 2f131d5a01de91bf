"""Does following the next move save readings? 200 simulated shops, against a person who reads everything.

The person reads in rounds: every station of every pair, marks together; then marks opposite; then a level across every
station of each face; then all of it again, and looks after each round whether the goal's uncertainty is reached.
Waywright is followed instead, in two ways: asked once, all that it lists is done; or it is asked again after every
setting. Only how many readings each needs is compared, spacers not counted: what a reading says changes none of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from studies.table import track, write_table
from waywright.core.evidence.job import Job
from waywright.core.evidence.kind import Candidate
from waywright.core.evidence.things import Face, Instrument, Piece
from waywright.core.next.programme import programme, read
from waywright.core.next.reading_plan import ReadingPlan, candidates
from waywright.core.readings import KINDS, Cross, LayUp

SEED, SHOPS = 31, 200
MOST_ROUNDS = 30
AGAIN = 1.2  # times what following the list costs: asking again after each setting costs no more


def shop(rng: np.random.Generator) -> Job:
    """Three edges of one size and a block set; half of the shops own a level."""
    length = float(rng.choice([300, 500, 800, 1200]))
    stations = tuple(np.linspace(0.03, 0.97, int(rng.choice([5, 7, 9]))) * length)
    lines = ((0.0,), (-15.0, 15.0))[int(rng.integers(2))]
    pieces = tuple(Piece(n, (Face(n, length, 50.0, stations, lines),)) for n in ("P", "Q", "R"))
    blocks = Instrument("blocks", "gauge blocks", u_um=0.3, feel_um=float(rng.uniform(0.6, 2.0)))
    level = (Instrument("level", "level", u_um_per_m=float(rng.uniform(4, 20))),) if rng.random() < 0.5 else ()
    return Job(pieces=pieces, instruments=(blocks, *level))


def numbered(candidate: Candidate, taken: int, kept: set[str] | None = None) -> Candidate:
    """The candidate under ids of its own, with only the readings kept."""
    settings = tuple(
        replace(
            s,
            id=f"{s.id} {taken}",
            name=s.name and f"{s.name} {taken}",
            readings=tuple(replace(r, id=f"{r.id} {taken}") for r in s.readings if kept is None or r.id in kept),
        )
        for s in candidate.settings
    )
    return replace(candidate, settings=tuple(s for s in settings if s.readings))


def proposals(job: Job) -> list[Candidate]:
    """What every kind proposes."""
    return list(candidates(job, tuple(KINDS.values())))


def person(job: Job) -> Iterator[list[Candidate]]:
    """Round after round, everything at every station, for ever."""
    while True:
        for turn in ("over", "end for end"):
            yield [c for c in LayUp.candidates(job) if getattr(c.settings[0].geometry, "turn", None) == turn]
        level = list(Cross.candidates(job))
        if level:
            yield level


def taken(job: Job, whole: list[Candidate], k: int) -> Job:
    """The job after a round."""
    for candidate in whole:
        job = numbered(candidate, k).added_to(job)
    return job


def readings(candidate: Candidate) -> int:
    """How many readings it is; what it stands on is known beforehand."""
    return len(candidate.to_read(r for s in candidate.settings for r in s.readings))


def compare(rng: np.random.Generator) -> tuple[int, int, int]:
    """Readings needed by the person, by the next moves asked for once, and asked again after every setting."""
    start = shop(rng)
    faces, along = tuple(start.faces()), bool(rng.random() < 0.6)
    # A goal that reading everything once reaches: in both turns, and a level across where there is width.
    job, whole = start, person(start)
    for k in range(3 if len(start.faces()["P"].lines_mm) > 1 else 2):
        job = taken(job, next(whole), k)
    goal_um = ReadingPlan(job, faces, along, 1.0).worst_um * float(rng.uniform(1.0, 1.6))
    question = (start, faces, along, goal_um)
    return by_person(*question), by_moves(*question, again=False), by_moves(*question, again=True)


def by_person(start: Job, faces: tuple[str, ...], along: bool, goal_um: float) -> int:
    """Readings until the goal is reached, everything at every station."""
    job, count = start, 0
    for k, whole in enumerate(person(start)):
        job = taken(job, whole, k)
        count += sum(readings(c) for c in whole)
        if ReadingPlan(job, faces, along, goal_um).reached:
            return count
    raise AssertionError("the person never gives up")


def by_moves(start: Job, faces: tuple[str, ...], along: bool, goal_um: float, *, again: bool) -> int:
    """Readings until the goal is reached: all that is listed, or only the first of it and asked `again`."""
    job, count = start, 0
    for k in range(MOST_ROUNDS):
        plan = ReadingPlan(job, faces, along, goal_um)
        if plan.reached:
            return count
        listed = programme(plan, proposals(job)).taken
        for i, offer in enumerate(listed[:1] if again else listed):
            job = numbered(offer.candidate, 100 * k + i, {r.id for r in offer.readings}).added_to(job)
            count += read(offer)
    raise AssertionError("the next moves never reach the goal")


def main() -> None:
    """All shops; the table is docs/tables/next-moves.md."""
    found = np.array([compare(np.random.default_rng([SEED, k])) for k in track(range(SHOPS), "shops")])
    share = found / found[:, :1]
    rows = [
        ["readings, median", *(f"{count:.0f}" for count in np.median(found, axis=0))],
        ["share of the person's, median", *(f"{part:.2f}" for part in np.median(share, axis=0))],
        ["share of the person's, largest", *(f"{part:.2f}" for part in share.max(axis=0))],
        ["over asking once, largest", "", "", f"{np.max(found[:, 2] / found[:, 1]):.2f}"],
    ]
    write_table(
        "next-moves",
        f"Following the next moves in {SHOPS} simulated shops",
        seed=SEED,
        header=["", "a person reading everything", "moves asked for once", "asked again after every setting"],
        rows=rows,
        notes="The goal is reached in all; the person reads every station of every pair in both turns, then a level.",
    )
    assert np.all(found[:, 2] <= AGAIN * found[:, 1])
    assert share.max() <= 1.0
    assert np.all(np.median(share, axis=0)[1:] <= 0.6)


if __name__ == "__main__":
    main()
