"""Levels and autocollimators on two feet: a published run, seating, and what it says when nothing is known of it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import LEVEL, bench, edge
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.rows import Influence
from waywright.core.evidence.things import SEAT_UM, Face, Instrument
from waywright.core.readings import Cross, Step


def stepped(values: list[float], key: str, unit: str, instrument: Instrument, base_mm: float = 100.0) -> Job:
    """A face stepped from its marked end by a base, one reading a step."""
    face = edge("P", base_mm * len(values), len(values) + 1)
    readings = tuple(
        Reading(f"r{i}", "readings", base_mm * i, key=key, value=Typed(v, unit)) for i, v in enumerate(values)
    )
    setting = Setting("s", Step("P", base_mm), readings, instrument=instrument.name, seat_um=0.0)
    return replace(bench([face]), instruments=(instrument,), settings=(setting,))


def test_published_autocollimator_run() -> None:
    """Six steps of 100 mm, 1″ taken as 0.5 µm, means of forward and back 130, 133, 137, 128, 130, 134″: deviations
    from the ends −1.0, −0.5, +2.0, 0, −1.0 µm, straightness 3 µm (university lecture notes on straightness by
    autocollimator; the datum row 0 repeats row 1 and is no step)."""
    means = [(128 + 132) / 2, (131 + 135) / 2, (135 + 139) / 2, (128 + 128) / 2, (129 + 131) / 2, (134 + 134) / 2]
    half_um = Instrument("autocollimator", "autocollimator", u_um_per_m=1.0, um_per_m_per_div=5.0)
    net = network(stepped(means, "div", "div", half_um))
    solution = Solution(net.unknowns, net.rows)
    h = solution.heights_um(solution.faces[0])
    k = np.arange(7) / 6
    deviation = h - h[0] - k * (h[6] - h[0])
    assert deviation == pytest.approx([0, -1.0, -0.5, 2.0, 0, -1.0, 0], abs=1e-4)
    assert np.ptp(deviation) == pytest.approx(3.0, abs=1e-4)


def test_arc_seconds_are_slopes() -> None:
    """1″ is 4.8481 µm/m (π/648000 rad): 133″ on 100 mm is a rise of 64.48 µm."""
    level = Instrument(LEVEL, "level", u_um_per_m=4.0)
    net = network(stepped([133.0], "um_per_m", "arcsec", level))
    assert net.rows.value_um == pytest.approx([133 * math.pi / 648_000 * 1e5], rel=1e-12)


@pytest.mark.parametrize(("finish", "seat"), [("lapped", 0.3), ("ground", 0.3), ("scraped", 1.0), ("milled", 2.0)])
def test_finish_gives_the_seat(finish: str, seat: float) -> None:
    """A face's finish says what each of the two feet adds (guesses, editable: no source); a setting's own seat comes
    before it."""
    face = replace(edge("P", lines_mm=(-15, 15)), finish=finish)
    reading = Reading("r", "readings", 0.0, key="um_per_m", value=Typed(0.0, "µm/m"))
    setting = Setting("s", Cross("P", 30.0), (reading,), instrument=LEVEL)
    plan = replace(bench([face]), settings=(setting,))
    rows = network(plan).rows
    assert SEAT_UM[finish] == seat
    assert rows.u_um == pytest.approx([math.hypot(4.0 * 0.03, math.sqrt(2) * seat)])
    assert rows.noise_um2[Influence(LEVEL, "seating")] == pytest.approx([2 * seat**2])
    own = network(replace(plan, settings=(replace(setting, seat_um=0.5),)))
    assert own.rows.u_um / 0.03 == pytest.approx([23.9072], abs=1e-4)
    assert own.notes == ()


def test_unknown_seating_is_nothing_and_said() -> None:
    """With neither a finish nor a seat, seating adds nothing, and the result says so and names the face."""
    reading = Reading("r", "readings", 0.0, key="um_per_m", value=Typed(0.0, "µm/m"))
    setting = Setting("s", Cross("P", 30.0), (reading,), instrument=LEVEL)
    net = network(replace(bench([edge("P", lines_mm=(-15, 15))]), settings=(setting,)))
    assert net.rows.u_um / 0.03 == pytest.approx([4.0])
    assert len(net.notes) == 1
    assert "Seating on P is taken as 0" in net.notes[0]


def test_zero_of_the_level_is_free() -> None:
    """A constant added to every reading of a setting, the level's zero or the bed's tilt, changes no height."""
    level = Instrument(LEVEL, "level", u_um_per_m=4.0)
    values = [3.0, -8.0, 5.0, 1.0]
    found = []
    for zero in (0.0, 1234.5):
        net = network(stepped([v + zero for v in values], "um_per_m", "µm/m", level))
        solution = Solution(net.unknowns, net.rows)
        found.append(solution.heights_um(solution.faces[0]))
    np.testing.assert_allclose(found[0], found[1], rtol=0, atol=1e-8)


def test_base_between_stations() -> None:
    """A base that is no multiple of the stations reads between them: linear truth in, the same truth out."""
    face = edge("P", 600.0, 4)
    truth = np.array([0.0, 6.0, -2.0, 0.0])  # at 0, 200, 400, 600

    def h(x: float) -> float:
        return float(np.interp(x, face.stations_mm, truth))

    starts = [0.0, 50.0, 130.0, 210.0, 300.0, 390.0, 450.0]
    readings = tuple(
        Reading(f"r{i}", "readings", x, key="um_per_m", value=Typed((h(x + 150) - h(x)) / 0.15, "µm/m"))
        for i, x in enumerate(starts)
    )
    plan = replace(bench([face]), settings=(Setting("s", Step("P", 150.0), readings, instrument=LEVEL, seat_um=0.0),))
    net = network(plan)
    solution = Solution(net.unknowns, net.rows)
    f = solution.faces[0]
    np.testing.assert_allclose(solution.heights_um(f), f.about_plane(truth[:, None])[:, 0], rtol=0, atol=1e-4)


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (Step("P", 0.0), "base of 0 mm"),
        (Cross("P", -30.0), "base of -30 mm"),
        (Cross("one line", 30.0), "one line"),
        (Step("P", 100.0, from_mm=(0, 0)), "both ends"),
        (Step("P", 100.0, from_mm=(0, 0), to_mm=(0, 0)), "no length"),
    ],
)
def test_slopes_that_cannot_be_are_refused(kind: Step | Cross, words: str) -> None:
    """A base or a line that cannot be is told in one sentence with its key."""
    plan = bench([edge("P", lines_mm=(-15, 15)), edge("one line")])
    with pytest.raises(JobError, match=words):
        kind.check(plan)


def test_feet_off_the_face_are_refused() -> None:
    """A far foot beyond the last station names the reading."""
    reading = Reading("too far", "readings", 550.0, key="um_per_m", value=Typed(0.0, "µm/m"))
    plan = replace(bench([edge("P")]), settings=(Setting("s", Step("P", 100.0), (reading,), instrument=LEVEL),))
    with pytest.raises(JobError, match="650 mm lies outside the stations of face P") as found:
        network(plan)
    assert found.value.place == "too far"


PLATE = Face("P", 600.0, 400.0, (0.0, 150.0, 300.0, 450.0, 600.0), (-200.0, 0.0, 200.0))
DIAGONAL = {"from_mm": (0.0, -200.0), "to_mm": (600.0, 200.0)}


def diagonal(base_mm: float, at_mm: list[float], plane: tuple[float, float] = (0.0, 0.0)) -> Job:
    """A plate stepped from corner to corner; each reading is the slope of a plane of so many µm/m along and across."""
    length = math.hypot(600.0, 400.0)
    slope = (plane[0] * 600.0 + plane[1] * 400.0) / length
    readings = tuple(
        Reading(f"r{i}", "readings", at_mm=at, key="um_per_m", value=Typed(slope, "µm/m")) for i, at in enumerate(at_mm)
    )
    setting = Setting("s", Step("P", base_mm, **DIAGONAL), readings, instrument=LEVEL, seat_um=0.0)
    return replace(bench([PLATE]), settings=(setting,))


@pytest.mark.parametrize("base", [90.14, 90.15, 90.1])
def test_eighths_of_a_diagonal_as_typed_end_on_its_corner(base: float) -> None:
    """An eighth of the 721.11 mm diagonal of a 600 × 400 plate is 90.1388 mm: typed as 90.14 or 90.15 the last foot
    falls 0.01 or 0.09 mm beyond the corner, which is rounding: it stands on the corner. A plane of 1000 µm/m fits all
    steps to a nanometre, however they were rounded."""
    eighth = math.hypot(600.0, 400.0) / 8
    rows = network(diagonal(base, [base * i for i in range(8)], (1000.0, -700.0))).rows
    exact = network(diagonal(eighth, [eighth * i for i in range(8)])).rows
    plane_um = 1e-3 * (1000.0 * PLATE.x_mm - 700.0 * PLATE.y_mm)
    assert rows.matrix[:, : len(plane_um)] @ plane_um == pytest.approx(rows.value_um, abs=1e-3)
    np.testing.assert_allclose(rows.matrix.toarray(), exact.matrix.toarray(), rtol=0, atol=3e-3)


def test_last_foot_of_rounded_steps_along_a_line_stands_on_the_last_station() -> None:
    """A seventh of 600 mm typed as 85.72 ends on the last station, and is proposed and stepped up to there."""
    face = Face("P", 600.0, 40.0, (0.0, 85.72, 171.43, 257.14, 342.86, 428.57, 514.29, 600.0))
    step = Step("P", 85.72)
    assert step.stands_mm(face).tolist() == list(face.stations_mm[:-1])
    readings = tuple(
        Reading(f"r{i}", "readings", x, key="um_per_m", value=Typed(0.0, "µm/m"))
        for i, x in enumerate(face.stations_mm[:-1])
    )
    job = replace(bench([face]), settings=(Setting("s", step, readings, instrument=LEVEL, seat_um=0.0),))
    assert network(job).rows.matrix[6, 7] == pytest.approx(1.0)


@pytest.mark.parametrize(("base", "at"), [(90.14, 631.5), (100.0, 630.0), (5.0, 720.0), (5.0, 721.11), (90.14, -0.5)])
def test_a_foot_truly_beyond_the_end_is_refused(base: float, at: float) -> None:
    """A foot half a millimetre out after eight steps is not rounding, nor is one as far out as a short base is long."""
    with pytest.raises(JobError, match="lies outside"):
        network(diagonal(base, [at]))
