"""Thickness: a micrometer over two opposite faces of one piece."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.kinds.worlds import (
    KIT,
    Truth,
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
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import Face, Instrument
from waywright.core.next.cures import newest_faces
from waywright.core.readings import Run, Thickness
from waywright.core.results.parallels import parallels

TOP = edge("P", lines=(-15, 15))
UNDER = edge("P under", lines=(-15, 15), side="bottom")
ONE_LINE = (edge("P"), edge("P under", side="bottom"))


def measured(job: Job, truth: Truth, noise: np.ndarray | None = None) -> Job:
    """Every node of the top measured over the bottom under it; seen from below the bottom's y runs the other way."""
    top, under = job.faces()["P"], job.faces()["P under"]

    def size(x: float, y: float) -> float:
        return 60_000 + height(top, truth["P"], x, y) + height(under, truth["P under"], x, -y)

    return with_readings(
        job,
        Thickness("P", "P under"),
        "readings",
        nodes_of(top),
        size,
        key="size_mm",
        unit="mm",
        instrument="micrometer",
        noise=noise,
    )


def run_along(job: Job, name: str, truth: Truth, instrument: str) -> Job:
    """A run on a perfect guide."""
    face = job.faces()[name]
    return with_readings(
        job,
        Run(name),
        "readings",
        nodes_of(face),
        lambda x, y: height(face, truth[name], x, y),
        key="um",
        unit="µm",
        instrument=instrument,
    )


def test_only_the_sum_of_the_two_faces_is_seen() -> None:
    """A micrometer tells the sum of two faces at each place, y turned round below, and nothing of their difference."""
    job = job_of((TOP, UNDER))
    truth = random_truth(job, np.random.default_rng(1))
    solution = solved(measured(job, truth))
    (top, _), (under, _) = told(solution, "P"), told(solution, "P under")
    mirrored = under.reshape(-1, 2)[:, ::-1].ravel()
    wanted = flat(TOP, truth["P"]) + flat(UNDER, truth["P under"]).reshape(-1, 2)[:, ::-1].ravel()
    np.testing.assert_allclose(top + mirrored, wanted, atol=1e-4)
    spots = Visibility(solution, newest_faces(network(measured(job, truth)), solution)).find()
    bow = next(s for s in spots if s.mode == "bow")
    assert bow.ratio == pytest.approx(1.0, abs=0.01)
    assert bow.faces == {"P": 1, "P under": -1}


def test_a_known_top_gives_the_bottom() -> None:
    """With the top known from elsewhere the bottom follows, each node with u·√(1 − its leverage)."""
    sure = Instrument("sure", "indicator", u_um=1e-3)
    job = job_of(ONE_LINE, kit=(*KIT[1:], sure))
    truth = random_truth(job, np.random.default_rng(2))
    solution = solved(run_along(measured(job, truth), "P", truth, "sure"))
    found, sigma = told(solution, "P under")
    np.testing.assert_allclose(found, flat(ONE_LINE[1], truth["P under"]), atol=1e-4)
    np.testing.assert_allclose(sigma, 1.0 * np.sqrt(1 - leverages(ONE_LINE[1])), rtol=1e-5)


@pytest.mark.parametrize(("face", "y", "felt_at"), [("P", 15.0, 15.0), ("P under", 15.0, -15.0)])
def test_a_proud_place_makes_the_size_larger_where_it_is(face: str, y: float, felt_at: float) -> None:
    """A place 7 µm proud adds 7 µm to the size; the far edge of the bottom lies under the near one of the top."""
    job = job_of((TOP, UNDER))
    net = network(measured(job, {name: np.zeros(14) for name in job.faces()}))
    unknown = next(u for u in net.unknowns if u.face is not None and u.face.name == face)
    truth = np.zeros(net.rows.matrix.shape[1])
    at = np.flatnonzero((unknown.face.x_mm == 300) & (unknown.face.y_mm == y))[0]  # type: ignore[union-attr]
    truth[unknown.columns.start + at] = 7.0
    change = net.rows.matrix @ truth
    places = nodes_of(TOP)
    assert {places[i]: change[i] for i in np.flatnonzero(change)} == {(300.0, felt_at): 7.0}


def test_a_tilted_piece_reads_the_same() -> None:
    """Lifting and tilting the piece moves both faces and changes no size."""
    job = job_of((TOP, UNDER))
    net = network(measured(job, {name: np.zeros(14) for name in job.faces()}))
    moved = np.zeros(net.rows.matrix.shape[1])
    for unknown in net.unknowns:
        if unknown.face is not None:
            face = unknown.face
            moved[unknown.columns] = face.rigid(face.x_mm, face.y_mm) @ [3.0, 0.02, -0.1, 0.7, 0.02]
    np.testing.assert_allclose(net.rows.matrix @ moved, 0.0, atol=1e-12)
    assert len({u.body for u in net.unknowns if u.face is not None}) == 1


def test_both_anvils_seat() -> None:
    """An anvil on each face adds that face's seat: u² = 1² + 1.0² + 2.0² on a scraped top and a milled bottom."""
    job = job_of((replace(TOP, finish="scraped"), replace(UNDER, finish="milled")))
    net = network(measured(job, {name: np.zeros(14) for name in job.faces()}))
    np.testing.assert_allclose(net.rows.u_um**2, 1 + 1 + 4)
    assert not net.notes


COARSE, FINE = (0, 300, 600), (0, 100, 200, 300, 400, 500, 600)
TWO, ONE = (-15, 15), (0,)


@pytest.mark.parametrize(
    ("above", "below"),
    [
        ((FINE, TWO), (FINE, TWO)),
        ((COARSE, TWO), (FINE, TWO)),
        ((FINE, TWO), (COARSE, TWO)),
        ((FINE, TWO), ((100, 250, 500, 600), (-10, 5))),
        ((FINE, TWO), (COARSE, ONE)),
        ((COARSE, ONE), (FINE, TWO)),
        ((COARSE, ONE), (FINE, ONE)),
    ],
)
@pytest.mark.parametrize("seed", [3, 4])
def test_thickness_varies_as_the_metal_does(
    above: tuple[tuple[int, ...], ...], below: tuple[tuple[int, ...], ...], seed: int
) -> None:
    """Greatest less least of the true thickness wherever both faces are known, whichever of them is read more densely;
    on its line where one is known on a single line and the other on several."""
    top, under = edge("P", *above), replace(edge("P under", *below, side="bottom"), length_mm=600.0)
    job = job_of((top, under))
    truth = random_truth(job, np.random.default_rng(seed))

    def size(x: float, y: float) -> float:
        return 60_000 + height(top, truth["P"], x, y) + height(under, truth["P under"], x, -y)

    def across(face: Face, sign: float) -> np.ndarray:
        return sign * np.array(face.lines_mm)

    low, high = max(top.stations_mm[0], under.stations_mm[0]), min(top.stations_mm[-1], under.stations_mm[-1])
    near = max(across(top, 1.0).min(), across(under, -1.0).min())
    far = min(across(top, 1.0).max(), across(under, -1.0).max())
    crossings = [
        (float(x), float(y))
        for x in np.union1d(top.stations_mm, under.stations_mm)
        for y in np.unique(np.clip(np.union1d(across(top, 1.0), across(under, -1.0)), near, far))
        if low <= x <= high
    ]
    key = {"key": "size_mm", "unit": "mm", "instrument": "micrometer"}
    job = with_readings(job, Thickness("P", "P under"), "readings", crossings, size, **key)
    for face in (top, under):  # every node of each, so that all of it is known
        job = run_along(job, face.name, truth, "dial")
    (found,) = parallels(job, solved(job))
    metal = [size(float(x), float(y)) for x in np.linspace(low, high, 241) for y in np.linspace(near, far, 31)]
    assert found.variation_um == pytest.approx(np.ptp(metal), abs=1e-3)
    assert found.variation_sigma_um is not None
    assert found.variation_sigma_um < 2.0
