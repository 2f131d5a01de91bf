"""Riders: a tip over the plane or line of its feet."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from tests.kinds.worlds import edge, flat, height, job_of, nodes_of, random_truth, solved, told, with_readings
from waywright.core.adjust.blind import BLIND, Visibility
from waywright.core.adjust.network import network
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.next.cures import newest_faces
from waywright.core.readings import Rider, Run

P = edge("P")
BRIDGE = Rider("P", ((0.0, 0.0), (200.0, 0.0)), (100.0, 0.0))
PLATE = Face("plate", 600.0, 400.0, tuple(np.linspace(0, 600, 7)), tuple(np.linspace(-200, 200, 5)))
TRIPOD = Rider("plate", ((0.0, -100.0), (0.0, 100.0), (200.0, 0.0)), (100.0, 0.0))


def over_feet(kind: Rider, face: Face, nodes_um: FloatArray, x: float, y: float) -> float:
    """How far the face at the tip stands over the plane (or, two feet in line, the line) through the feet."""
    feet = np.array([[x + fx, y + fy] for fx, fy in kind.feet_mm])
    heights = np.array([height(face, nodes_um, a, b) for a, b in feet])
    tip = np.array([x + kind.tip_mm[0], y + kind.tip_mm[1]])
    if len(feet) == 2:
        along = (feet[1] - feet[0]) / np.linalg.norm(feet[1] - feet[0])
        at = [(f - feet[0]) @ along for f in (feet[0], feet[1], tip)]
        rests = float(np.interp(at[2], *zip(*sorted(zip(at[:2], heights, strict=True)), strict=True)))
    else:
        normal = np.cross(*(np.array([*(feet[i] - feet[0]), heights[i] - heights[0]]) for i in (1, 2)))
        rests = float(heights[0] - normal[:2] @ (tip - feet[0]) / normal[2])
    return height(face, nodes_um, *tip) - rests


def ridden(job: Job, kind: Rider, at: list[tuple[float, float]], nodes_um: FloatArray) -> Job:
    """The tip read with the rider at each place, + when it is pushed in, over a zero of 40 µm."""
    face = job.faces()[kind.face]
    return with_readings(
        job,
        kind,
        "readings",
        at,
        lambda x, y: 40.0 + over_feet(kind, face, nodes_um, x, y),
        key="um",
        unit="µm",
        instrument="dial",
    )


def steps(last: float) -> list[tuple[float, float]]:
    """Every 100 mm as far as the rider stands."""
    return [(100.0 * i, 0.0) for i in range(int(last / 100) + 1)]


def test_a_crown_pushes_the_tip_in() -> None:
    """Between the feet of a bridge a crowned face pushes the tip in: +; h = −k·(x − 300)² reads k·100² everywhere."""
    k = 1e-4
    crowned = -k * (P.x_mm - 300.0) ** 2
    job = ridden(job_of(P), BRIDGE, steps(400), crowned)
    shown = [r.value.number - 40.0 for r in job.settings[0].readings if r.value]
    assert shown == pytest.approx([k * 100.0**2] * 5)
    rows = network(job).rows
    assert rows.matrix[2, 3] == 1.0  # the tip, at 300 mm
    assert rows.matrix[2, 2] == rows.matrix[2, 4] == -0.5  # the feet


def test_a_bridge_with_a_free_zero_does_not_see_the_bow() -> None:
    """A bow reads the same wherever a bridge stands, as its zero does: only the bow is blind on seven stations."""
    job = ridden(job_of(P), BRIDGE, steps(400), np.zeros(7))
    solution = solved(job)
    spots = Visibility(solution, newest_faces(network(job), solution)).find()
    assert [(s.mode, round(s.ratio, 3)) for s in spots] == [("bow", 1.0)]


def test_known_truth_comes_out_of_a_bridge_whose_zero_is_known() -> None:
    """A bridge that also stood on a face known otherwise has its zero: then the bow comes out as well."""
    truth = random_truth(job_of(P), np.random.default_rng(1))["P"]
    job = ridden(job_of(P), BRIDGE, steps(400), truth)
    ends = [nodes_of(P)[i] for i in (0, 3, 6)]  # three heights settle the bow
    job = with_readings(
        job, Run("P"), "readings", ends, lambda x, y: height(P, truth, x, y), key="um", unit="µm", instrument="dial"
    )
    np.testing.assert_allclose(told(solved(job), "P")[0], flat(P, truth), atol=1e-3)


def test_three_feet_carry_a_plate() -> None:
    """A tripod read all over a plate in two directions: whatever shape it sees comes out as it is."""
    truth = random_truth(job_of(PLATE), np.random.default_rng(2))["plate"]
    turned = Rider("plate", ((-100.0, 0.0), (100.0, 0.0), (0.0, 200.0)), (0.0, 100.0))
    job = ridden(job_of(PLATE), TRIPOD, [(x, y) for x in range(0, 401, 100) for y in (-100, 0, 100)], truth)
    job = ridden(job, turned, [(x, y) for x in range(100, 501, 100) for y in (-200, -100, 0)], truth)
    solution = solved(job)
    face = solution.face("plate", 0)
    assert face is not None
    error = solution.heights_um(face) - flat(PLATE, truth)[face.unknown.nodes]
    left, shapes = np.linalg.eigh(solution.face_covariance(face) / face.prior_um**2)
    seen = (left < BLIND**2) & (left > 1e-12)  # 0 is the plane
    assert seen.sum() == np.linalg.matrix_rank(solution.rows.matrix.toarray()) - 2  # without the two zeros
    np.testing.assert_allclose(shapes[:, seen].T @ error, 0.0, atol=1e-3)


@pytest.mark.parametrize(("kind", "face"), [(BRIDGE, P), (TRIPOD, PLATE)])
def test_a_plane_reads_the_same_everywhere(kind: Rider, face: Face) -> None:
    """Lift and tilt the face: no reading changes."""
    at = [(0.0, 0.0), (100.0, 0.0), (300.0, 0.0)]
    net = network(ridden(job_of(face), kind, at, np.zeros(len(face.x_mm))))
    heights = next(u for u in net.unknowns if u.face is not None)
    plane = face.rigid(face.x_mm, face.y_mm) @ [2.0, 0.01, -0.03, 0.7, 0.02]
    np.testing.assert_allclose(net.rows.matrix[:, heights.columns] @ plane, 0.0, atol=1e-12)


def test_every_foot_and_the_tip_seat() -> None:
    """u² = u_dial² + seat²·(1 + Σw²): a bridge 1 + 1.5, a tripod about its middle 1 + 4/3."""
    middle = Rider("plate", ((0.0, 0.0), (300.0, 0.0), (0.0, 200.0)), (100.0, 200 / 3))
    for kind, face, feet in ((BRIDGE, P, 0.5), (middle, PLATE, 1 / 3)):
        scraped = Face(face.name, face.length_mm, face.width_mm, face.stations_mm, face.lines_mm, finish="scraped")
        job = ridden(job_of(scraped), kind, [(0.0, 0.0)], np.zeros(len(face.x_mm)))
        assert network(job).rows.u_um[0] ** 2 == pytest.approx(1.0 + 1.0 + feet)


def test_the_order_of_the_feet_does_not_matter() -> None:
    """Feet named in any order carry the tip alike."""
    for order in itertools.permutations(range(3)):
        kind = Rider("plate", tuple(TRIPOD.feet_mm[i] for i in order), TRIPOD.tip_mm)
        np.testing.assert_allclose(kind.weights(), TRIPOD.weights()[list(order)], atol=1e-12)
