"""Whole answers: from a job to its report with verdicts, and to the next moves; seconds and peak memory.

The sample is the command itself, `waywright solve` of the shop's three edges, against the import of the libraries it
stands on; both are whole processes, started alternately, medians. The other jobs are made here: faces compared
pairwise, each lay-up on two spacers and read at every station. Each runs in a process of its own, so that its peak
memory is its own; the median of several tries, one of those that take long.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # with more, a busy machine decides

import itertools
import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.row import Row
from tests.simulate import bench, planned_gaps, simulated
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Reading, Typed
from waywright.core.evidence.things import Face
from waywright.core.readings import LayUp
from waywright.demo import shop_path

REPEATS = 11
LIBRARIES = "import numpy, scipy.sparse.linalg"
PITCH_MM, ACROSS_MM = 15.0, 10.0


@dataclass(frozen=True)
class Size:
    """A made job: so many faces of stations × lines, laid in these turns; what it must keep, and for what."""

    faces: int
    stations: int
    lines: int
    turns: tuple[str, ...]
    within_s: float | None
    within_gb: float | None = None
    moves: bool = False
    u_um: float = 0.5
    size_um: float = 5.0  # of the faces' errors
    limit_um: float = 6.0
    tries: int = 3

    @property
    def words(self) -> str:
        """For the table."""
        if self.moves:
            return f"next, {self.faces} × {self.stations} × {self.lines}, straightness asked"
        return f"report, {self.faces} × {self.stations} × {self.lines}"


BOTH = ("over", "end for end")
SIZES = {
    "three": Size(3, 200, 5, BOTH, 3.0),
    "pair": Size(2, 500, 5, ("over",), 8.0, 0.6),
    "line": Size(2, 3000, 1, ("over",), 15.0, 1.0, tries=1),
    "plate": Size(3, 200, 20, BOTH, None, u_um=0.1, tries=1),
    "next": Size(3, 41, 3, ("over",), 2.0, moves=True, u_um=1.0),
    "next line": Size(3, 500, 1, ("over",), 8.0, moves=True, u_um=1.0, size_um=1.0, limit_um=3.0, tries=1),
}


def rows() -> list[Row]:
    """The sample against its libraries, then the made jobs."""
    ours, reference = _sample()
    found = [
        Row("waywright solve of the sample, against its libraries' import", ours, reference, ours / reference, "<= 2.5")
    ]
    for name, size in SIZES.items():
        seconds, gb = measured(name)
        required = "" if size.within_s is None else f"<= {size.within_s:g}"
        found.append(Row(size.words, seconds, None, seconds, required))
        if size.within_gb is not None:
            found.append(Row(f"{size.words}: peak memory", gb, None, gb, f"<= {size.within_gb:g}", unit="GB"))
    return found


def job_of(size: Size) -> Job:
    """A made job, read."""
    along = tuple((PITCH_MM * np.arange(size.stations)).tolist())
    lines = tuple((ACROSS_MM * (np.arange(size.lines) - (size.lines - 1) / 2)).tolist())
    faces = [Face(name, along[-1], lines[-1] - lines[0] + 20.0, along, lines) for name in "PQR"[: size.faces]]
    job = bench(faces, u_um=size.u_um)
    for (a, b), turn in itertools.product(itertools.combinations("PQR"[: size.faces], 2), size.turns):
        job = _on_spacers(planned_gaps(job, LayUp(a, b, turn)), (0.22 * along[-1], 0.78 * along[-1]))
    return replace(simulated(job, seed=1, size_um=size.size_um).job, goal=Goal(straightness_um=size.limit_um))


def _on_spacers(job: Job, x_mm: Sequence[float]) -> Job:
    """The last lay-up on a spacer at each place along."""
    setting = job.settings[-1]
    spacers = [
        Reading(f"{setting.id}.spacers[{i}]", "spacers", x, 0.0, key="size_mm", value=Typed(20.0, "mm"))
        for i, x in enumerate(x_mm)
    ]
    whole = replace(setting, readings=(*spacers, *setting.readings))
    return replace(job, settings=(*job.settings[:-1], whole))


def measured(name: str) -> tuple[float, float]:
    """Median seconds and peak memory in GB of a made job, in a process of its own."""
    command = [sys.executable, "-m", "benchmarks.bench_whole", name]
    seconds, gb = json.loads(subprocess.run(command, stdout=subprocess.PIPE, check=True).stdout)
    return seconds, gb


def _timed(size: Size) -> tuple[float, float]:
    """In the child process: seconds, and GB at the end of the first."""
    from waywright.core.report import report

    job, seconds, peaks = job_of(size), [], []
    for _ in range(size.tries):
        start = time.perf_counter()
        found = report(job)
        if size.moves:
            start = time.perf_counter()
            assert found.moves
        seconds.append(time.perf_counter() - start)
        peaks.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024))
        del found
    return statistics.median(seconds), peaks[0] / 1e9


def _sample() -> tuple[float, float]:
    """Median wall times of the command and of the import of its libraries."""
    solve = [sys.executable, "-m", "waywright", "solve", str(shop_path("three_edges"))]
    ours, reference = [], []
    for _ in range(REPEATS):
        ours.append(_wall_s(solve))
        reference.append(_wall_s([sys.executable, "-c", LIBRARIES]))
    return statistics.median(ours), statistics.median(reference)


def _wall_s(arguments: list[str]) -> float:
    """Wall time of one process, from start to end."""
    start = time.perf_counter()
    subprocess.run(arguments, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - start


if __name__ == "__main__":
    print(json.dumps(_timed(SIZES[sys.argv[1]])))
