"""Is a misreading found, and are clean readings left in peace?

Clean jobs: how many raise any suspect. Spoiled jobs: one reading of redundancy 0.3 or more, drawn at random, is off by
ten times its u; found means it is first on the list, or among those that cannot be told from the first.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # many small solves

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from studies.table import track, write_table
from tests.simulate import Mix, drawn
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.job import Job, Reading, Typed

SEED = 20_241
JOBS = 400  # of each kind
FALSE, FOUND = 0.065, 0.95
OFF, REDUNDANCY = 10.0, 0.3

KINDS: Mapping[str, Mix] = {
    "three edges on one line, both turns": Mix(lines=(1, 1), stations=(5, 9)),
    "three edges, both turns and a level, few stations": Mix(lines=(2, 2), stations=(5, 7), level=True),
    "three faces, both turns, some hundred readings": Mix(lines=(2, 3), stations=(7, 15)),
    "three faces, both turns, some thousand readings": Mix(lines=(4, 5), stations=(31, 41)),
    "brackets and stacks that drag": Mix(lines=(1, 3), stations=(5, 21), brackets=0.4),
    "one-sided stacks as well": Mix(lines=(1, 3), stations=(5, 21), brackets=0.2, limits=6),
    "unequal and uneven, offsets, a level": Mix(lines=(1, 4), stations=(5, 21), uneven=True, unequal=True, level=True),
    "four or five faces, all mixed": Mix(
        faces=(4, 5), lines=(1, 3), stations=(5, 15), unequal=True, brackets=0.2, limits=2, level=True
    ),
}


@dataclass(frozen=True)
class Tried:
    """What became of one job, clean and with a blunder (None when no reading of it is checked well enough)."""

    readings: int
    raised: bool
    found: bool | None


def tried(kind: str, number: int) -> Tried:
    """One job of a kind, by its number, clean and then spoiled."""
    rng = np.random.default_rng([SEED, list(KINDS).index(kind), number])
    job = drawn(KINDS[kind], rng).job
    net = network(job)
    clean = screen(net)
    equal = np.flatnonzero(net.rows.sense == 0)
    honest = Solution(net.unknowns, net.rows.take(equal))
    able = np.flatnonzero(honest.redundancies >= REDUNDANCY)
    found = None
    if len(able):
        row = int(rng.choice(able))
        reading = honest.rows.reading_ids[row]
        off_um = float(rng.choice([-1.0, 1.0])) * OFF * float(honest.rows.u_um[row])
        found = _first(spoiled(job, reading, off_um), reading)
    return Tried(len(equal), bool(clean.suspects), found)


def _first(job: Job, reading: str) -> bool:
    suspects = screen(network(job)).suspects
    return bool(suspects) and (suspects[0].reading == reading or reading in suspects[0].like)


def spoiled(job: Job, reading: str, off_um: float) -> Job:
    """`job` with one reading off by `off_um` (a slope by as much over its base)."""
    settings = []
    for setting in job.settings:
        base_m = getattr(setting.geometry, "base_mm", 1e3) / 1e3
        readings = (moved(r, off_um, base_m) if r.id == reading else r for r in setting.readings)
        settings.append(replace(setting, readings=tuple(readings)))
    return replace(job, settings=tuple(settings))


def moved(reading: Reading, off_um: float, base_m: float = 1.0) -> Reading:
    """A reading that says `off_um` more (a slope as much over its base)."""

    def more(typed: Typed | None) -> Typed | None:
        if typed is None:
            return None
        return Typed(typed.number + (off_um / 1e3 if typed.unit == "mm" else off_um / base_m), typed.unit)

    return replace(reading, value=more(reading.value), low=more(reading.low), high=more(reading.high))


def main() -> None:
    """Run every kind, write the table, and hold the promises."""
    rows: list[list[str]] = []
    raised: dict[str, float] = {}
    found: dict[str, float] = {}
    for kind in KINDS:
        all_tried = [tried(kind, i) for i in track(range(JOBS), kind)]
        able = [t.found for t in all_tried if t.found is not None]
        raised[kind] = float(np.mean([t.raised for t in all_tried]))
        found[kind] = float(np.mean(able)) if able else 1.0
        readings = f"{np.median([t.readings for t in all_tried]):.0f}"
        spoilt = [str(len(able)), f"{100 * found[kind]:.1f} %"]
        rows.append([kind, readings, str(JOBS), f"{100 * raised[kind]:.1f} %", *spoilt])
    write_table(
        "blunders",
        "Misreadings found, clean readings left in peace",
        seed=SEED,
        header=["jobs", "readings", "clean jobs", "raised a suspect", "spoiled jobs", "found first"],
        rows=rows,
        notes=NOTES,
    )
    broken = {k: v for k, v in raised.items() if v > FALSE} | {k: v for k, v in found.items() if v < FOUND}
    assert not broken, f"at most {FALSE:.1%} of clean jobs, at least {FOUND:.0%} of blunders: {broken}"


NOTES = """
Jobs are drawn as for the coverage of heights. In a spoiled job one reading of redundancy 0.3 or more is off by ten
times its u, either way; it counts as found when it is first on the list of suspects, or among those that cannot be
told from the first. `readings` is the median of a job. The promise is at most 6.5 % of clean jobs and at least 95 %
of blunders, in every row.
"""


if __name__ == "__main__":
    main()
