"""Runs of an indicator: on a perfect guide, on an unknown one, and reversed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.kinds.worlds import (
    Truth,
    What,
    edge,
    flat,
    height,
    job_of,
    leverages,
    nodes_of,
    random_truth,
    solved,
    told,
    with_readings,
)
from waywright.core.adjust.blind import Visibility
from waywright.core.adjust.network import network
from waywright.core.evidence.job import Job, JobError
from waywright.core.evidence.things import FloatArray
from waywright.core.next.cures import newest_faces
from waywright.core.readings import Run

P = edge("P")
TABLE = "mill table"


def run(job: Job, kind: Run, what: What, noise: FloatArray | None = None) -> Job:
    """`what` read at every node of the face."""
    return with_readings(
        job,
        kind,
        "readings",
        nodes_of(job.faces()[kind.face]),
        what,
        key="um",
        unit="µm",
        instrument="dial",
        noise=noise,
    )  # type: ignore[arg-type]


def path_um(u: float) -> float:
    """A guide's own path: nothing a polynomial of low order could hide."""
    return 6 * np.sin(u / 90.0) + 4 * np.cos(u / 37.0) + 0.01 * u


def reversal(job: Job, truth: Truth, rng: np.random.Generator | None = None) -> Job:
    """m + s, and m − s with the face turned over and the dial counted the other way."""
    for sign in (1, -1):
        noise = None if rng is None else rng.standard_normal(len(P.x_mm))
        job = run(job, Run("P", TABLE, sign), lambda x, y, s=sign: path_um(x) + s * height(P, truth["P"], x, y), noise)
    return job


def test_on_a_perfect_guide_the_readings_are_the_heights() -> None:
    """Without a guide's path heights are the readings about their line, each with u·√(1 − its leverage)."""
    truth = random_truth(job_of(P), np.random.default_rng(1))
    solution = solved(run(job_of(P), Run("P"), lambda x, y: height(P, truth["P"], x, y)))
    found, sigma = told(solution, "P")
    np.testing.assert_allclose(found, flat(P, truth["P"]), atol=1e-4)
    np.testing.assert_allclose(sigma, np.sqrt(1 - leverages(P)), rtol=1e-5)


def test_reversal_parts_face_and_guide() -> None:
    """s = (r₁ − r₂)/2 with u/√2, whatever the guide's path (Evans, Hocken, Estler, CIRP Annals 45/2, 1996; derived)."""
    truth = random_truth(job_of(P), np.random.default_rng(2))
    job = reversal(job_of(P), truth, np.random.default_rng(3))
    first, second = (np.array([r.value.number for r in s.readings if r.value]) for s in job.settings)
    found, sigma = told(solved(job), "P")
    np.testing.assert_allclose(found, flat(P, (first - second) / 2), atol=1e-4)
    np.testing.assert_allclose(sigma, np.sqrt(0.5) * np.sqrt(1 - leverages(P)), rtol=1e-5)
    solution = solved(job)
    guide = next(f for f in solution.faces if str(f.unknown.label) == f"guide {TABLE}")
    np.testing.assert_allclose(solution.heights_um(guide), flat(P, (first + second) / 2), atol=1e-4)


def dial(indicator_y: float, points: int, face_y: float) -> float:
    """What a dial shows, + when the plunger goes in, held at one place of the shop's Y and pointing towards + or −."""
    return -points * (face_y - indicator_y)


def test_turned_over_is_typed_as_the_dial_shows_it() -> None:
    """An edge on a table, then rolled over and read from the other side: + as plunger in, both times, gives the edge.

    The world: the table's path carries the edge towards +Y by c(x). First the edge faces −Y and the indicator, at
    Y = −100, points to +Y. Then it faces +Y and the indicator stands at Y = +100 and points to −Y.
    """
    truth = random_truth(job_of(P), np.random.default_rng(4))

    def s(x: float) -> float:
        return height(P, truth["P"], x, 0.0)

    job = run(job_of(P), Run("P", TABLE), lambda x, y: dial(-100.0, 1, path_um(x) - s(x)))
    job = run(job, Run("P", TABLE, turned_over=True), lambda x, y: dial(100.0, -1, path_um(x) + s(x)))
    found, _ = told(solved(job), "P")
    np.testing.assert_allclose(found, flat(P, truth["P"]), atol=1e-4)


def test_counted_the_other_way_is_the_same_run() -> None:
    """sign = −1 with every reading negated is turned_over, to the last figure."""
    truth = random_truth(job_of(P), np.random.default_rng(5))
    first = run(job_of(P), Run("P", TABLE), lambda x, y: path_um(x) + height(P, truth["P"], x, y))
    over = run(first, Run("P", TABLE, turned_over=True), lambda x, y: height(P, truth["P"], x, y) - path_um(x))
    counted = run(first, Run("P", TABLE, -1), lambda x, y: path_um(x) - height(P, truth["P"], x, y))
    for a, b in zip(told(solved(over), "P"), told(solved(counted), "P"), strict=True):
        np.testing.assert_allclose(a, b, atol=1e-9)


def test_a_proud_place_pushes_the_plunger_in() -> None:
    """1 µm on the face adds 1 µm to a run, also with the face turned over; counted the other way it takes 1 µm away."""
    for kind, wanted in ((Run("P", TABLE), 1.0), (Run("P", TABLE, turned_over=True), 1.0), (Run("P", TABLE, -1), -1.0)):
        net = network(run(job_of(P), kind, lambda x, y: 0.0))
        face, guide = (next(u for u in net.unknowns if str(u.label) == name) for name in ("P", f"guide {TABLE}"))
        assert net.rows.matrix[3, face.columns.start + 3] == wanted
        assert net.rows.matrix[3, guide.columns.start + 3] == (-1.0 if kind.turned_over else 1.0)


def test_one_run_on_an_unknown_guide_shows_nothing() -> None:
    """Face and guide share every shape evenly: what is left of each shape of the face is 1/√2 of the prior, blind."""
    truth = random_truth(job_of(P), np.random.default_rng(6))
    job = run(job_of(P), Run("P", TABLE), lambda x, y: path_um(x) + height(P, truth["P"], x, y))
    solution = solved(job)
    spots = Visibility(solution, newest_faces(network(job), solution)).find()
    assert [s.mode for s in spots] == ["bow", "S", "W", "finer"]
    for spot in spots:
        assert spot.ratio == pytest.approx(np.sqrt(0.5), abs=1e-3)


def test_faces_run_on_one_guide_are_compared() -> None:
    """Two edges run on the same unknown table: their difference is seen, what they share is blind."""
    q = edge("Q")
    job = job_of(P, q)
    truth = random_truth(job, np.random.default_rng(7))
    for face in (P, q):
        job = run(job, Run(face.name, TABLE), lambda x, y, f=face: path_um(x) + height(f, truth[f.name], x, y))
    solution = solved(job)
    (p, _), (other, _) = told(solution, "P"), told(solution, "Q")
    np.testing.assert_allclose(p - other, flat(P, truth["P"]) - flat(q, truth["Q"]), atol=1e-4)
    bow = next(s for s in Visibility(solution, newest_faces(network(job), solution)).find() if s.mode == "bow")
    assert bow.faces == {"P": 1, "Q": 1}


@pytest.mark.parametrize(("offset", "end_for_end"), [(0.0, True), (200.0, False), (-100.0, True)])
def test_the_face_lies_anywhere_on_its_guide(offset: float, end_for_end: bool) -> None:
    """Set further along, or end for end, the guide's path is met elsewhere; known from a first reversal, it cancels."""
    truth = random_truth(job_of(P, edge("Q")), np.random.default_rng(8))
    q = edge("Q")
    job = job_of(edge("long", [100.0 * i for i in range(-3, 13)]), P)
    assert q.name == "Q"
    long = job.faces()["long"]
    truth["long"] = 3 * np.cos(long.x_mm / 50.0)
    for sign in (1, -1):
        job = run(
            job, Run("long", TABLE, sign), lambda x, y, s=sign: path_um(x) + s * height(long, truth["long"], x, y)
        )
    kind = Run("P", TABLE, guide_offset_mm=offset, end_for_end=end_for_end)

    def shown(x: float, y: float) -> float:
        return path_um(offset + (600.0 - x if end_for_end else x)) + height(P, truth["P"], x, y)

    found, sigma = told(solved(run(job, kind, shown)), "P")
    np.testing.assert_allclose(found, flat(P, truth["P"]), atol=1e-3)
    np.testing.assert_allclose(sigma, np.sqrt(1.5) * np.sqrt(1 - leverages(P)), rtol=1e-4)


def test_a_run_over_several_lines_is_free_to_roll() -> None:
    """Readings on several lines of one run tell no tilt across: a tilted face reads the same."""
    wide = edge("W", lines=(-15, 0, 15))
    job = job_of(wide)
    truth = random_truth(job, np.random.default_rng(9))
    found, _ = told(solved(run(job, Run("W"), lambda x, y: height(wide, truth["W"], x, y) + 0.3 * y)), "W")
    np.testing.assert_allclose(found, flat(wide, truth["W"]), atol=1e-4)


@settings(max_examples=25)
@given(lift=st.floats(-1e3, 1e3), tilt=st.floats(-5, 5), bend=st.floats(-20, 20))
def test_what_the_guide_does_alike_in_both_runs_never_matters(lift: float, tilt: float, bend: float) -> None:
    """Any lift, tilt or bend of the guide leaves the face of a reversal where it was."""
    truth = random_truth(job_of(P), np.random.default_rng(10))
    straight = told(solved(reversal(job_of(P), truth)), "P")[0]
    job = job_of(P)
    for sign in (1, -1):

        def shown(x: float, y: float, s: int = sign) -> float:
            return lift + tilt * x + bend * (x / 600) ** 2 + path_um(x) + s * height(P, truth["P"], x, y)

        job = run(job, Run("P", TABLE, sign), shown)
    np.testing.assert_allclose(told(solved(job), "P")[0], straight, atol=1e-4)


def test_a_guide_is_read_once_for_places_a_hair_apart() -> None:
    """Places on a guide that differ by rounding are one node, so that both runs meet there."""
    job = reversal(job_of(P), random_truth(job_of(P), np.random.default_rng(11)))
    second = job.settings[1]
    moved = replace(second, readings=tuple(replace(r, x_mm=(r.x_mm or 0.0) * (1 - 1e-12)) for r in second.readings))
    net = network(replace(job, settings=(job.settings[0], moved)))
    guide = next(u for u in net.unknowns if str(u.label) == f"guide {TABLE}")
    assert guide.columns.stop - guide.columns.start == 7


def test_a_face_and_a_guide_of_one_name_are_kept_apart() -> None:
    """A face called as a guide is labelled is refused in a sentence; one called as the guide is no trouble."""
    table = edge(TABLE)
    assert network(run(job_of(P, table), Run("P", TABLE), lambda x, y: 0.0)).rows.matrix.shape == (7, 17)
    clash = edge(f"guide {TABLE}")
    with pytest.raises(JobError, match="cannot be told from the guide"):
        network(run(job_of(P, clash), Run("P", TABLE), lambda x, y: 0.0))
