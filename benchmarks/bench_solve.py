"""Solving with the sigma of every node and all blind spots, against numpy's dense least squares, and how it grows.

The job: three faces of five lines, each pair marks together, marks opposite, and moved by three and a half stations (so
that places lie between nodes), and a level across every station. Rows are given; timed are the factor, heights, every
node's sigma and the blind spots, the best of several tries. The reference is `numpy.linalg.lstsq` on the same rows and
the prior's, once: it gives the heights alone. Before timing, heights are held against it to 1e-6 µm, and sigmas against
a dense inverse to 1e-6 of themselves. Growth and memory are read in a process of their own, from 10,000 to
100,000 nodes.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # for both: with more, a busy machine decides the ratio

import itertools
import json
import math
import resource
import subprocess
import sys
import time
from dataclasses import dataclass

import numpy as np

from benchmarks.row import Row
from tests.simulate import bench, planned_gaps, planned_slopes, simulated
from waywright.core.adjust.blind import Visibility
from waywright.core.adjust.network import Network, network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.next.cures import newest_faces
from waywright.core.readings import Cross, LayUp

STATIONS = 200  # of three faces on five lines: 3,000 nodes, 9,540 readings
GROWTH = (667, 2000, 6667)  # 10,000, 30,000 and 100,000 nodes
TRIES = 5
HEIGHTS_UM, SIGMAS = 1e-6, 1e-6


@dataclass(frozen=True)
class Solved:
    """What is timed."""

    solution: Solution
    heights_um: FloatArray
    sigmas_um: FloatArray
    spots: int


def rows() -> list[Row]:
    """The ratio against lstsq, the exponent of growth, and the memory at 100,000 nodes."""
    net = three_faces(STATIONS)
    ours, found = best_of(TRIES, net)
    reference = held_against_dense(found)
    size = f"3 faces × {STATIONS} × 5 nodes, {len(net.rows.value_um):,} readings"
    grown = json.loads(subprocess.run([sys.executable, "-m", "benchmarks.bench_solve"], stdout=-1, check=True).stdout)
    first, last = grown[0], grown[-1]
    exponent = math.log(last["seconds"] / first["seconds"]) / math.log(last["nodes"] / first["nodes"])
    answer = float(found.sigmas_um.sum())
    between = f"{first['nodes']:,} to {last['nodes']:,} nodes"
    return [
        Row(
            f"solve with every sigma and blind spots, {size}, against lstsq",
            *(ours, reference, reference / ours, ">= 20"),
            answer=answer,
        ),
        Row(
            f"the same at {last['nodes']:,} nodes; growth from {between}: exponent",
            last["seconds"],
            None,
            exponent,
            "<= 1.6",
        ),
        Row(f"the same at {last['nodes']:,} nodes: peak memory", last["gb"], None, last["gb"], "<= 2", unit="GB"),
    ]


def three_faces(stations: int) -> Network:
    """The job's rows."""
    lines = (-20.0, -10.0, 0.0, 10.0, 20.0)
    along = tuple(np.linspace(0.0, 10.0 * (stations - 1), stations).tolist())
    faces = [Face(name, along[-1], 50.0, along, lines) for name in "PQR"]
    job = bench(faces, u_um=0.5)
    for (a, b), (turn, offset) in itertools.product(
        itertools.combinations("PQR", 2), (("over", 0.0), ("end for end", 0.0), ("over", 35.0))
    ):
        job = planned_gaps(job, LayUp(a, b, turn, offset))
    for face in faces:
        job = planned_slopes(job, Cross(face.name, 40.0), face.stations_mm)
    return network(simulated(job, seed=1).job)


def solved(net: Network) -> Solved:
    """Factor, heights, every sigma and the blind spots."""
    solution = Solution(net.unknowns, net.rows)
    sight = Visibility(solution, newest_faces(net, solution))
    heights = np.concatenate([solution.heights_um(f) for f in solution.faces])
    return Solved(solution, heights, np.concatenate(list(sight.sigmas_um().values())), len(sight.find()))


def best_of(tries: int, net: Network) -> tuple[float, Solved]:
    """The shortest of several tries after one to warm up, and what it found."""
    found = solved(net)
    seconds = []
    for _ in range(tries):
        del found  # never two at a time: the peak of memory is one's
        start = time.perf_counter()
        found = solved(net)
        seconds.append(time.perf_counter() - start)
    return min(seconds), found


def held_against_dense(found: Solved) -> float:
    """The time of lstsq on the same rows; AssertionError where heights or sigmas differ from the dense ones."""
    solution = found.solution
    matrix, value = dense_rows(solution)
    start = time.perf_counter()
    mean = np.asarray(np.linalg.lstsq(matrix, value, rcond=1e-13)[0], np.float64)
    seconds = time.perf_counter() - start
    heights = np.concatenate([f.about_plane(mean[f.unknown.columns][:, None])[:, 0] for f in solution.faces])
    assert np.abs(heights - found.heights_um).max() < HEIGHTS_UM
    assert np.abs(dense_sigmas(solution, matrix) / found.sigmas_um - 1).max() < SIGMAS
    return seconds


def dense_rows(solution: Solution) -> tuple[FloatArray, FloatArray]:
    """Readings and priors as one dense matrix and its right-hand side, each row over its u."""
    readings = solution.rows.matrix.toarray() / solution.rows.u_um[:, None]
    parts, values = [readings], [solution.rows.value_um / solution.rows.u_um]
    for f in solution.faces:
        n = len(f.x_mm)
        prior = np.zeros((n, readings.shape[1]))
        prior[:, f.unknown.columns] = (np.eye(n) - f.plane @ f.plane.T) / f.prior_um
        parts.append(prior)
        values.append(np.zeros(n))
    return np.concatenate(parts), np.concatenate(values)


def dense_sigmas(solution: Solution, matrix: FloatArray) -> FloatArray:
    """Every node's sigma about its plane, from a dense inverse of the normal matrix with each face's plane held."""
    normal = matrix.T @ matrix
    for f in solution.faces:
        normal[f.unknown.columns, f.unknown.columns] += f.plane @ f.plane.T
    covariance = np.linalg.inv(normal)
    sigmas = []
    for f in solution.faces:
        here = covariance[f.unknown.columns, f.unknown.columns]
        left = here - f.plane @ (f.plane.T @ here)
        sigmas.append(np.sqrt(np.diag(left - (left @ f.plane) @ f.plane.T)))
    return np.concatenate(sigmas)


def grow() -> list[dict[str, float]]:
    """Nodes, seconds and peak memory of each size, in this process, the smallest first."""
    found: list[dict[str, float]] = []
    for stations in GROWTH:
        net = three_faces(stations)
        seconds = best_of(3, net)[0]
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
        found.append({"nodes": 15 * stations, "seconds": seconds, "gb": peak / 1e9})
    return found


if __name__ == "__main__":
    print(json.dumps(grow()))
