"""Rolls in the corner of a flank and a floor, against circles laid in displaced corners."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import fsolve

from tests.kinds.worlds import edge, flat, height, job_of, leverages, random_truth, solved, told, with_readings
from waywright.core.adjust.network import network
from waywright.core.evidence.job import Job
from waywright.core.readings import Rolls, Run

FACES = ("flank", "floor", "other flank", "other floor")


def centre(angle_deg: float, radius: float, flank_out: float, floor_up: float) -> float:
    """How far out the centre of a roll lies that just touches a floor raised and a flank moved out of its metal.

    By the distances of the centre from the two displaced lines, each given by two points; found by iteration.
    """
    angle = math.radians(angle_deg)
    along = np.array([math.cos(angle), math.sin(angle)])
    out = np.array([math.sin(angle), -math.cos(angle)])  # from the flank's metal to the side of the floor that is free
    flank = (out * flank_out, out * flank_out + along)
    floor = (np.array([0.0, floor_up]), np.array([1.0, floor_up]))

    def short(point: np.ndarray) -> list[float]:
        found = []
        for a, b in (flank, floor):
            (dx, dy), (px, py) = b - a, point - a
            found.append(abs(dx * py - dy * px) / math.hypot(dx, dy) - radius)
        return found

    start = [radius / math.tan(angle / 2), radius]
    return float(fsolve(short, start, xtol=1e-13)[0])


def coefficients(kind: Rolls) -> dict[str, float]:
    """What 1 µm of each face adds to a size, from the rows."""
    job = over(job_of([edge(name) for name in (*FACES, "back")]), kind, lambda x, y: 0.0)
    net = network(job)
    return {str(u.label): float(net.rows.matrix[3, u.columns].sum()) for u in net.unknowns if u.face is not None}


def over(job: Job, kind: Rolls, what: object) -> Job:
    """A size at each station."""
    at = [(x, None) for x in job.faces()["flank"].stations_mm]
    return with_readings(job, kind, "readings", at, what, key="size_mm", unit="mm", instrument="micrometer")  # type: ignore[arg-type]


@pytest.mark.parametrize("angle_deg", [45.0, 55.0, 60.0, 90.0, 120.0, 150.0])
@pytest.mark.parametrize("radius", [3.0, 10.0])
def test_a_roll_moves_as_circles_do(angle_deg: float, radius: float) -> None:
    """A flank or floor 1 µm proud moves a roll out by 1/sin α and cot α, as a circle in the displaced corner does."""
    still = centre(angle_deg, radius, 0.0, 0.0)
    flank = (centre(angle_deg, radius, 1e-3, 0.0) - still) * 1e3
    floor = (centre(angle_deg, radius, 0.0, 1e-3) - still) * 1e3
    found = coefficients(Rolls("flank", "floor", angle_deg))
    assert found["flank"] == pytest.approx(flank, abs=1e-6)
    assert found["floor"] == pytest.approx(floor, abs=1e-6)


def test_a_proud_flank_pushes_the_roll_out() -> None:
    """On a 60° dovetail a µm on the flank adds 1.1547 µm, one on the floor 0.5774 µm; between rolls both take away."""
    outside = coefficients(Rolls("flank", "floor", 60.0))
    inside = coefficients(Rolls("flank", "floor", 60.0, measured="between"))
    assert outside == pytest.approx({"flank": 1.1547005, "floor": 0.5773503})
    assert inside == pytest.approx({name: -value for name, value in outside.items()})


def test_both_sides_add_up_and_a_plain_side_counts_once() -> None:
    """Two rolls add what each side adds; against a plain face that face adds itself."""
    both = coefficients(Rolls("flank", "floor", 55.0, "other flank", "other floor", 90.0))
    assert both["other flank"] == pytest.approx(1.0)
    assert both.get("other floor", 0.0) == pytest.approx(0.0, abs=1e-12)
    assert coefficients(Rolls("flank", "floor", 55.0, against="back"))["back"] == pytest.approx(1.0)


def test_known_truth_comes_out() -> None:
    """With floors and one flank known, sizes over rolls give the other flank's straightness, whatever the taper."""
    kind = Rolls("flank", "floor", 55.0, "other flank", "other floor")
    job = job_of([edge(name) for name in FACES])
    truth = random_truth(job, np.random.default_rng(3))
    faces = job.faces()

    def size(x: float, y: float) -> float:
        found = 80_000 + 0.03 * x
        for side in ("", "other "):
            flank, floor = (
                height(faces[side + part], truth[side + part], x, 0.0) * 1e-3 for part in ("flank", "floor")
            )
            found += 1e3 * (centre(55.0, 5.0, flank, floor) - centre(55.0, 5.0, 0.0, 0.0))
        return found

    job = over(job, kind, size)
    for name in ("flank", "floor", "other floor"):
        at = [(x, 0.0) for x in faces[name].stations_mm]
        job = with_readings(
            job,
            Run(name),
            "readings",
            at,
            lambda x, y, n=name: height(faces[n], truth[n], x, y),
            key="um",
            unit="µm",
            instrument="dial",
        )
    found, sigma = told(solved(job), "other flank")
    np.testing.assert_allclose(found, flat(faces["other flank"], truth["other flank"]), atol=2e-3)
    # u = 1 for every reading: of the size, of the other side's two faces and of this side's floor.
    other, own = (1 / math.sin(math.radians(55))) ** 2, (1 / math.tan(math.radians(55))) ** 2
    wanted = np.sqrt((1 + other + 2 * own) / other)
    np.testing.assert_allclose(sigma, wanted * np.sqrt(1 - leverages(faces["other flank"])), rtol=1e-5)
