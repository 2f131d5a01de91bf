"""Where faces lie in their piece: what moves them together, and what of their lie to each other readings tell."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.kinds.worlds import edge, job_of, nodes_of, random_truth, solved, with_readings
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.readings import Rolls, Thickness
from waywright.core.report import report
from waywright.jobfile import JobFileError, dumps, loads

FINITE = st.floats(-200, 200).map(lambda v: round(v, 3))


def normal_and_place(face: Face, x: float, y: float) -> tuple[FloatArray, FloatArray]:
    """The outward normal of a face and a place of it, X to the far end, Y to the rear, Z up."""
    s = math.radians(face.slope)
    across = np.array([0.0, math.cos(s), -math.sin(s)])
    return np.array([0.0, math.sin(s), math.cos(s)]), np.array([x, *face.place_mm]) + y * across


@given(st.floats(-180, 180).map(lambda v: round(v, 2)), FINITE, FINITE, FINITE, FINITE)
def test_a_rigid_motion_moves_a_place_along_its_normal(slope: float, y0: float, z0: float, x: float, y: float) -> None:
    """The five motions of a piece change a height by n·(d + ω × P): lift, tilt along (+ far end up), tilt across
    (+ rear up), to the rear, yaw (+ far end to the rear)."""
    face = replace(edge("F", lines=(-20.0, 20.0)), place_mm=(y0, z0), slope_deg=slope)
    normal, place = normal_and_place(face, x, y)
    up, rear, along = np.array([0.0, 0, 1]), np.array([0.0, 1, 0]), np.array([1.0, 0, 0])
    moved = [up, np.cross(-rear, place), np.cross(along, place), rear, np.cross(up, place)]
    expected = [float(normal @ m) for m in moved]
    assert face.rigid(np.array([x]), np.array([y]))[0] == pytest.approx(expected, abs=1e-9)


def test_a_bottom_is_a_face_with_a_slope_of_180() -> None:
    """`side = "bottom"` and `slope_deg = 180` (or −180) are the same face, exactly."""
    under = edge("F", lines=(-20.0, 20.0), side="bottom")
    for slope in (180.0, -180.0):
        other = replace(under, side="top", slope_deg=slope)
        assert (other.rigid(other.x_mm, other.y_mm) == under.rigid(under.x_mm, under.y_mm)).all()
    assert under.rigid(under.x_mm, under.y_mm)[:, 3:].tolist() == [[0.0, 0.0]] * 14


SLOPES = [
    ((0.0,), 3),  # one face on two lines
    ((0.0, 180.0), 3),  # top and bottom: parallel
    ((0.0, 0.0), 3),
    ((0.0, -45.0, 45.0), 5),  # a flat and a vee
    ((-45.0, 45.0), 5),
]


@pytest.mark.parametrize(("slopes", "rank"), SLOPES)
def test_a_body_has_as_many_motions_as_its_faces_can_tell(slopes: tuple[float, ...], rank: int) -> None:
    """Parallel faces have three, a vee with or without a flat five."""
    faces = [
        replace(edge(f"F{i}", lines=(-10.0, 10.0)), place_mm=(60.0 * i, 0.0), slope_deg=slope)
        for i, slope in enumerate(slopes)
    ]
    moved = np.concatenate([f.rigid(f.x_mm, f.y_mm) / [1, 1000, 1000, 1, 1000] for f in faces])
    assert np.linalg.matrix_rank(moved, tol=1e-6) == rank


def dovetail(slopes: tuple[float | None, ...]) -> Job:
    """The lower part of a dovetail slide, 55° both sides: front floor, front flank, rear flank, rear floor."""
    names, places = ("front floor", "front flank", "rear flank", "rear floor"), ((-70, 0), (-45, 12), (45, 12), (70, 0))
    faces = [
        replace(edge(name), place_mm=tuple(map(float, place)), slope_deg=slope)
        for name, place, slope in zip(names, places, slopes, strict=True)
    ]
    return job_of(faces)


POSED = (0.0, 55.0 - 180.0, 180.0 - 55.0, 0.0)
BOTH = Rolls("rear flank", "rear floor", 55.0, "front flank", "front floor")


def rolled(job: Job, kind: Rolls, truth: dict[str, FloatArray]) -> Job:
    """Sizes over both rolls: what a caliper would show, worked out by circles in the corners' displaced planes."""

    def size(x: float, _: float) -> float:
        i = int(x // 100)
        sine, cot = math.sin(math.radians(55)), 1 / math.tan(math.radians(55))
        return 80_000 + sum(
            truth[f"{side} flank"][i] / sine + truth[f"{side} floor"][i] * cot for side in ("front", "rear")
        )

    at = [(x, None) for x in job.faces()["rear flank"].stations_mm]
    return with_readings(job, kind, "readings", at, size, key="size_mm", unit="mm", instrument="micrometer")  # type: ignore[arg-type]


def test_rolls_over_faces_with_their_poses_tie_them_into_one_body() -> None:
    """With the slopes of a 55° dovetail the four faces are one body of five motions; no reading changes with them."""
    job = dovetail(POSED)
    truth = random_truth(job, np.random.default_rng(2))
    net = network(rolled(job, BOTH, truth))
    bodies = {u.body for u in net.unknowns if u.face is not None}
    assert len(bodies) == 1
    assert not any("lie to each other" in note for note in net.notes)


@pytest.mark.parametrize("slopes", [(None,) * 4, (0.0, 50.0 - 180.0, 180.0 - 50.0, 0.0)])
def test_without_the_right_slopes_each_face_is_on_its_own_and_it_is_said(slopes: tuple[float | None, ...]) -> None:
    """A job without slopes is solved as before: each face has its own lift and tilt, and a note says so."""
    job = rolled(dovetail(slopes), BOTH, random_truth(dovetail(slopes), np.random.default_rng(2)))
    net = network(job)
    assert len({u.body for u in net.unknowns if u.face is not None}) == 4
    assert any("slope_deg" in note for note in net.notes)


def test_poses_make_rolls_tell_how_faces_lie() -> None:
    """Thicknesses that tie the floors of a slide to one underside, and rolls over both sides: with poses the solution
    has fewer free motions than with faces on their own, and what it tells is true."""
    under = replace(edge("under"), side="bottom", place_mm=(0.0, -40.0))
    found = {}
    for slopes in (POSED, (0.0, None, None, 0.0)):
        job = dovetail(slopes)
        job = replace(job, pieces=(replace(job.pieces[0], faces=(*job.pieces[0].faces, under)),))
        truth = random_truth(job, np.random.default_rng(3))
        done = rolled(job, BOTH, truth)
        for name in ("front floor", "rear floor"):
            h = {n: job.faces()[n] for n in (name, "under")}
            at = nodes_of(h[name])
            done = with_readings(
                done, Thickness(name, "under"), "readings", at,
                lambda x, y, a=truth[name], b=truth["under"]: 60_000 + a[int(x // 100)] + b[int(x // 100)],
                key="size_mm", unit="mm", instrument="micrometer",
            )  # fmt: skip
        solution = solved(done)
        found[slopes] = solution.normal.rigid_side.shape[1]
        assert _told_truly(solution, truth)
    assert found[POSED] == 5
    assert found[(0.0, None, None, 0.0)] > found[POSED]


def _told_truly(solution: Solution, truth: dict[str, FloatArray]) -> bool:
    """What both floors and the underside are seen to have together is what they have."""
    heights = {f.unknown.face.name: f for f in solution.faces if f.unknown.face is not None}
    x = heights["under"].x_mm
    line = np.column_stack([np.ones_like(x), x])
    flat = np.eye(len(x)) - line @ np.linalg.pinv(line)
    said = solution.heights_um(heights["front floor"]) + solution.heights_um(heights["under"])
    return bool(np.abs(said - flat @ (truth["front floor"] + truth["under"])).max() < 1e-6)


def test_faces_at_an_angle_are_not_called_parallel() -> None:
    """Of a body with a flat, a vee and an underside only what is parallel is told of its parallelism."""
    job = dovetail(POSED)
    under = replace(edge("under"), side="bottom", place_mm=(0.0, -40.0))
    job = replace(job, pieces=(replace(job.pieces[0], faces=(*job.pieces[0].faces, under)),))
    truth = random_truth(job, np.random.default_rng(3))
    job = rolled(job, BOTH, truth)
    pairs = {(p.face, p.to): p.opposite for p in report(job, with_cures=False).parallels}
    assert pairs == {("front floor", "rear floor"): False}
    for one, other in itertools.combinations(job.faces().values(), 2):
        assert one.against(other) == pytest.approx(other.against(one))


FILE = """
[[pieces]]
name = "bed"
[[pieces.faces]]
name = "front flank"
length_mm = 1200
width_mm = 20
stations_mm = [0, 1200]
place_mm = [-160, 0]
slope_deg = -45
"""


def test_poses_go_through_the_job_file() -> None:
    """`place_mm` and `slope_deg` are read, written and read again; what cannot be is one sentence."""
    job = loads(FILE)
    face = job.faces()["front flank"]
    assert (face.place_mm, face.slope_deg, face.slope) == ((-160.0, 0.0), -45.0, -45.0)
    assert loads(dumps(job)) == job
    assert dumps(job, onto=FILE) == FILE
    for good, bad, says in (
        ("[-160, 0]", "[-160]", "place_mm = \\[y, z\\]"),
        ("slope_deg = -45", 'slope_deg = -45\nside = "bottom"', "either side or slope_deg"),
    ):
        with pytest.raises(JobFileError, match=says):
            loads(FILE.replace(good, bad))
