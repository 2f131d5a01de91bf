"""What weight and warmth add to a solve, and how long a beam takes.

The job of `bench_solve`, its pieces with a section, each lay-up carried and rested, so that every row gains offsets and
named columns: rows, factor, heights, every sigma and blind spots, against the same job of stiff pieces, the best of
several tries each, in turn. A design is a tapered edge: how it hangs, and the three best pairs of places for it,
nothing kept from before.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchmarks.bench_solve import STATIONS, solved, three_faces
from benchmarks.row import Row
from waywright.core.adjust.network import network
from waywright.core.body import beam
from waywright.core.body.bending import bends
from waywright.core.body.places import best
from waywright.core.evidence.bends import Given
from waywright.core.evidence.job import Job
from waywright.core.evidence.material import BUILT_IN
from waywright.core.evidence.section import Hole, IShape, Solid

TRIES = 5


def rows() -> list[Row]:
    """The ratio with weight and warmth to without, and the time of a design."""
    stiff = three_faces(STATIONS).job
    job = carried(stiff)
    plain, bent = float("inf"), float("inf")
    for _ in range(TRIES + 1):  # in turn, so that a busy moment is shared
        plain = min(plain, seconds(lambda: solved(network(stiff))))
        bent = min(bent, seconds(lambda: solved(network(job, Given(bends=bends)))))
    name = f"solve from readings on, 3 faces × {STATIONS} × 5 nodes, with weight and warmth, against without"
    return [
        Row(name, bent, plain, bent / plain, "<= 1.2"),
        Row("beam: a tapered edge, as it hangs and its best places", *design(()), "<= 50", unit="ms"),
        Row("the same with five holes, its web solved", *design(tuple(range(150, 900, 150))), unit="ms"),
    ]


def carried(job: Job) -> Job:
    """With a section and a material for each piece, and supports and a rest for each setting."""
    made = Solid(depth_mm=150.0, width_mm=50.0)
    pieces = tuple(replace(p, material="cast iron", section=made, carried_mm=(450.0, 1540.0)) for p in job.pieces)
    held = tuple((p.name, (450.0, 1540.0)) for p in pieces)
    return replace(
        job, pieces=pieces, settings=tuple(replace(s, carried_mm=held, rested="hours") for s in job.settings)
    )  # fmt: skip


def design(at_mm: tuple[int, ...]) -> tuple[float, None, float]:
    """Milliseconds, with holes at these places."""
    holes = tuple(Hole(float(x), 30.0) for x in at_mm)
    marked = IShape(depth_mm=60.0, width_mm=40.0, web_mm=10.0, flange_mm=12.0, holes=holes)
    sections = (marked, replace(marked, x_mm=1000.0, depth_mm=110.0, holes=()))
    edge = beam.Beam(1000.0, sections, BUILT_IN["cast iron"])

    def once() -> None:
        beam.forget()
        edge.carried((200.0, 800.0)).sag(np.linspace(0.0, 1000.0, 201))
        best(edge)

    found = 1e3 * min(seconds(once) for _ in range(TRIES))
    return found, None, found


def seconds(what: Callable[[], object]) -> float:
    """How long it takes."""
    start = time.perf_counter()
    what()
    return time.perf_counter() - start
