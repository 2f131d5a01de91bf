"""Small worlds with a known truth: faces, jobs on them, and what an instrument would show, worked out apart from the
code under test."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution, plane
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.things import Face, FloatArray, Instrument, Piece

DIAL = Instrument("dial", "indicator", u_um=1.0)
MICROMETER = Instrument("micrometer", "micrometer", u_um=1.0)
BLOCKS = Instrument("blocks", "gauge blocks", u_um=0.3)
KIT = (DIAL, MICROMETER, BLOCKS)

Truth = dict[str, FloatArray]  # heights at the nodes of each face
Place = tuple[float, float]
What = Callable[[float, float], float]  # what is read at x, y


def edge(
    name: str,
    stations: Sequence[float] = (0, 100, 200, 300, 400, 500, 600),
    lines: Sequence[float] = (0.0,),
    side: str = "top",
) -> Face:
    """A face 40 mm wide from its first station's zero to its last station."""
    return Face(name, float(stations[-1]), 40.0, tuple(map(float, stations)), tuple(map(float, lines)), side)


def job_of(*pieces: Face | Sequence[Face], kit: Sequence[Instrument] = KIT) -> Job:
    """Each argument a piece: one face, or several of it."""
    made = [(p,) if isinstance(p, Face) else tuple(p) for p in pieces]
    return Job("world", tuple(Piece(faces[0].name, faces) for faces in made), tuple(kit))


def with_readings(
    job: Job,
    kind: Kind,
    entry: str,
    at: Sequence[Place],
    what: What,
    *,
    key: str,
    unit: str,
    instrument: str | None,
    noise: FloatArray | None = None,
    name: str | None = None,
) -> Job:
    """`job` and one more setting: `what` µm is read at each place, plus noise (n,) µm, typed in `unit`."""
    sid = f"{kind.block}[{sum(s.geometry.block == kind.block for s in job.settings)}]"
    extra = np.zeros(len(at)) if noise is None else noise
    scale = 1e-3 if unit == "mm" else 1.0
    readings = tuple(
        Reading(f"{sid}.{entry}[{i}]", entry, x, y, key=key, value=Typed(scale * (what(x, y) + float(e)), unit))
        for i, ((x, y), e) in enumerate(zip(at, extra, strict=True))
    )
    return replace(job, settings=(*job.settings, Setting(sid, kind, readings, name=name, instrument=instrument)))


def height(face: Face, nodes_um: FloatArray, x: float, y: float) -> float:
    """True height at a place: linear along each line, then across; level across one line."""
    grid = nodes_um.reshape(len(face.stations_mm), len(face.lines_mm))
    on_lines = [np.interp(x, face.stations_mm, grid[:, j]) for j in range(len(face.lines_mm))]
    return float(np.interp(y, face.lines_mm, on_lines))


def random_truth(job: Job, rng: np.random.Generator, size_um: float = 5.0) -> Truth:
    """Bow, S, twist and roughness of some `size_um`, lift and tilt as well: they must not matter."""
    found = {}
    for name, face in job.faces().items():
        s, t = 2 * face.x_mm / face.length_mm - 1, 2 * face.y_mm / face.width_mm
        shapes = np.column_stack([np.ones_like(s), s, t, s**2, s**3, s * t])
        found[name] = shapes @ rng.normal(0, size_um, 6) + 0.3 * size_um * rng.standard_normal(len(s))
    return found


def nodes_of(face: Face) -> list[Place]:
    """Every node."""
    return list(zip(face.x_mm.tolist(), face.y_mm.tolist(), strict=True))


def solved(job: Job) -> Solution:
    """The solution of a job's equations, nothing set aside."""
    net = network(job)
    return Solution(net.unknowns, net.rows.take(np.flatnonzero(net.rows.sense == 0)))


def told(solution: Solution, name: str, state: int = 0) -> tuple[FloatArray, FloatArray]:
    """Heights about the plane and their sigmas, (n,) each."""
    face = solution.face(name, state)
    assert face is not None
    return solution.heights_um(face), solution.height_sigmas(face)


def flat(face: Face, nodes_um: FloatArray) -> FloatArray:
    """(n,) true heights about their plane."""
    basis = plane(face.x_mm, face.y_mm)
    return np.asarray(nodes_um - basis @ (basis.T @ nodes_um))


def leverages(face: Face) -> FloatArray:
    """(n,) of each node on the plane of all."""
    return np.asarray((plane(face.x_mm, face.y_mm) ** 2).sum(axis=1))
