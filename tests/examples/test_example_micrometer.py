"""A flat way by micrometer: thickness is the sum of two faces, its slope is parallelism, and a level parts them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from docs.examples import make
from tests.examples.truths import found, job, solved
from waywright.core.adjust.solution import Heights, Solution, plane
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.things import Face, FloatArray, Piece
from waywright.core.judge.geometry import parallelism
from waywright.core.readings import Step, Thickness
from waywright.core.report import report
from waywright.views.findings import cure_words
from waywright.views.numbers import METRIC

ALONE, BOTH = job("way-by-micrometer"), job("way-by-micrometer-and-level")
X, Y = make.RAM_TOP.x_mm, make.RAM_TOP.y_mm
U = float(np.sqrt(1.0**2 + 0.3**2 + 0.3**2))  # the micrometer, and an anvil on each ground face


def sizes_um() -> FloatArray:
    """(18,) what the micrometer showed, µm, at the nodes of the top."""
    return np.array([r.value.to("µm") for r in ALONE.settings[0].readings if r.value is not None])


def faces(solution: Solution) -> tuple[Heights, Heights]:
    top, under = (solution.face(name, 0) for name in ("Ram top", "Ram under"))
    assert top is not None
    assert under is not None
    return top, under


def below(values: FloatArray) -> FloatArray:
    """(18, ...) of the underside, put in the order of the top's nodes over them: its y runs the other way."""
    return np.asarray(values.reshape(9, 2, *values.shape[1:])[:, ::-1].reshape(values.shape))


def about_plane(heights: FloatArray) -> FloatArray:
    basis = plane(X, Y)
    return np.asarray(heights - basis @ (basis.T @ heights))


@pytest.mark.parametrize("levelled", [False, True])
def test_top_and_underside_add_up_to_the_sizes(levelled: bool) -> None:
    """h_top(x, y) + h_under(x, −y) about its plane is the size about its plane, to the last figure typed: no reading
    is to spare on the micrometer's side (closed form)."""
    solution = solved(BOTH if levelled else ALONE)
    top, under = faces(solution)
    total = solution.heights_um(top) + below(solution.heights_um(under))
    np.testing.assert_allclose(total, about_plane(sizes_um()), rtol=0, atol=1e-4)


COLUMNS = np.column_stack([np.ones_like(X), X / 1e3, Y / 1e3])


@pytest.mark.parametrize("name", ["way-by-micrometer", "way-by-micrometer-and-level"])
def test_parallelism_is_the_slope_of_the_sizes(name: str) -> None:
    """How the ram grows thicker along and across is the least-squares slope of the sizes, and its u that of a plane
    through 18 of them; its thickness varies as the sizes do, with √2 of one's u (closed forms). A level on the top adds
    nothing, and the truth lies within."""
    (found_so,) = found(name).parallels
    assert (found_so.face, found_so.to, found_so.opposite) == ("Ram top", "Ram under", True)
    slopes = [found_so.along_um_per_m, found_so.across_um_per_m]
    sigma = [found_so.along_sigma_um_per_m, found_so.across_sigma_um_per_m]
    np.testing.assert_allclose(slopes, np.linalg.lstsq(COLUMNS, sizes_um(), rcond=None)[0][1:], rtol=0, atol=1e-3)
    np.testing.assert_allclose(sigma, U * np.sqrt(np.diag(np.linalg.inv(COLUMNS.T @ COLUMNS))[1:]), rtol=1e-5)
    assert found_so.variation_um == pytest.approx(np.ptp(sizes_um()), abs=1e-3)
    assert found_so.variation_sigma_um == pytest.approx(U * np.sqrt(2), rel=1e-5)
    top, under = make.ram()
    true = np.linalg.lstsq(COLUMNS, top + below(under), rcond=None)[0][1:]
    assert np.all(np.abs(np.subtract(slopes, true)) < 1.96 * np.array(sigma))


def test_judged_by_the_library_it_is_the_same() -> None:
    """`judge.parallelism` of the top over the underside, turned round into the top's frame, has those slopes, and a
    value that holds the top's wear and the tilt together."""
    solution = solved(BOTH)
    top, under = faces(solution)
    over, turned = solution.mean_um[top.unknown.columns], -below(solution.mean_um[under.unknown.columns])
    judged = parallelism(X, Y, over, X, Y, turned)
    (told,) = found("way-by-micrometer-and-level").parallels
    assert judged.slope_along_um_per_m == pytest.approx(told.along_um_per_m, abs=1e-6)
    assert judged.slope_across_um_per_m == pytest.approx(told.across_um_per_m, abs=1e-6)
    true_top, true_under = make.ram()
    true = parallelism(X, Y, true_top, X, Y, -below(true_under)).value_um
    assert judged.value_um == pytest.approx(true, abs=3.0)


SMALL = Face("A", 100.0, 20.0, (0.0, 100.0), (-10.0, 10.0))


def test_signs_of_parallelism() -> None:
    """A piece that measures 2 µm more at the far end, 100 mm on, and 1 µm more at the far edge, 20 mm over, is thicker
    towards the far end by 20 µm/m and towards the far edge by 50; its thickness varies by 3 µm."""
    sizes = {(0.0, -10.0): 0.0, (100.0, -10.0): 2.0, (0.0, 10.0): 1.0, (100.0, 10.0): 3.0}
    readings = tuple(
        Reading(f"r{i}", "readings", x, y, key="size_mm", value=Typed(30.0 + um / 1e3, "mm"))
        for i, ((x, y), um) in enumerate(sizes.items())
    )
    setting = Setting("s", Thickness("A", "B"), readings, instrument="micrometer", seat_um=0.0)
    piece = Piece("P", (SMALL, replace(SMALL, name="B", side="bottom")))
    (told,) = report(Job("two", (piece,), BOTH.instruments, (setting,))).parallels
    numbers = (told.along_um_per_m, told.across_um_per_m, told.variation_um)
    assert numbers == pytest.approx((20.0, 50.0, 3.0), abs=1e-3)


def test_faces_that_nothing_ties_are_not_compared() -> None:
    """A level on each of two faces of a piece, in settings of their own, says nothing of how they lie to each other."""
    settings = tuple(
        Setting(
            name,
            Step(name, 100.0),
            (Reading(name, "readings", 0.0, key="um_per_m", value=Typed(5.0, "µm/m")),),
            instrument="level",
            seat_um=0.3,
        )
        for name in ("A", "B")
    )
    piece = Piece("P", (SMALL, replace(SMALL, name="B")))
    assert not report(Job("two", (piece,), BOTH.instruments, settings)).parallels


def test_alone_it_tells_the_sum_and_says_so() -> None:
    """Every shape of one face against the other is blind, and what they share across; the verdict is open, nothing is
    checked, and the cheapest cure is a level along the way."""
    report = found("way-by-micrometer")
    bow = next(spot for spot in report.blind if spot.mode == "bow")
    assert dict(bow.faces) == {"Ram top": 1, "Ram under": -1}
    assert bow.ratio == pytest.approx(1.0, abs=0.01)
    assert bow.cure is not None
    assert cure_words(bow.cure, METRIC).startswith("Step a level along Ram top")
    assert [v.decision for v in report.verdicts] == ["open"]
    assert len(report.unchecked) == 18


def test_the_level_knows_the_top_and_the_micrometer_the_rest() -> None:
    """The top is what the level alone says of it; the underside is the sizes less that, its variance that of both."""
    solution = solved(BOTH)
    top, under = faces(solution)
    level = solved(replace(BOTH, settings=BOTH.settings[1:]))
    (alone,) = level.faces
    np.testing.assert_allclose(solution.heights_um(top), level.heights_um(alone), rtol=0, atol=1e-4)
    np.testing.assert_allclose(solution.height_sigmas(top), level.height_sigmas(alone), rtol=1e-4)
    rest = about_plane(sizes_um()) - solution.heights_um(top)
    np.testing.assert_allclose(below(solution.heights_um(under)), rest, rtol=0, atol=1e-4)
    leverage = (plane(X, Y) ** 2).sum(axis=1)
    wanted = np.sqrt(level.height_sigmas(alone) ** 2 + U**2 * (1 - leverage))
    np.testing.assert_allclose(below(solution.height_sigmas(under)), wanted, rtol=1e-4)


def test_one_zero_lets_the_level_check_itself() -> None:
    """Two lines and nine crosses with one zero leave 25 − 15 − 2 readings to spare, 8, all of them the level's."""
    assert found("way-by-micrometer-and-level").fit.redundancy == pytest.approx(8.0, abs=1e-2)
    unchecked = found("way-by-micrometer-and-level").unchecked
    assert all(reading.startswith("thickness") for reading in unchecked)
