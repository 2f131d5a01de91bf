"""Every sign and every direction of gaps, lay-ups and slopes, each pinned by one thing seen on the bench."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.simulate import bench, edge, heights_um, on_upper, planned_gaps, planned_slopes, round_of, under
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.rows import within
from waywright.core.evidence.things import Face, FloatArray, OffTheFace
from waywright.core.readings import Cross, LayUp, Step

ROOT = Path(__file__).resolve().parents[2]
LINES = (-15.0, 15.0)
P, Q = edge("P", lines_mm=LINES), edge("Q", lines_mm=LINES)
PLATE = Face("P", 200.0, 200.0, (0.0, 50.0, 100.0, 150.0, 200.0), (-100.0, -50.0, 0.0, 50.0, 100.0))


def would_read(job: Job, heights: Mapping[str, FloatArray]) -> FloatArray:
    """(n,) µm: what the rows say of these heights, with nothing lifted or tilted."""
    net = network(job)
    unknowns = np.zeros(net.rows.matrix.shape[1])
    for unknown in net.unknowns:
        if unknown.face is not None:
            unknowns[unknown.columns] = heights.get(unknown.face.name, 0.0)
    return np.asarray(net.rows.matrix @ unknowns)


def proud(face: Face, x_mm: float, y_mm: float, by_um: float = 3.0) -> dict[str, FloatArray]:
    """One node stands out of the metal, all else is true."""
    return {face.name: np.where((face.x_mm == x_mm) & (face.y_mm == y_mm), by_um, 0.0)}


def changed(job: Job, heights: Mapping[str, FloatArray]) -> dict[tuple[float | None, float | None], float]:
    """The places of the first setting where these heights show, and by how much."""
    readings = job.settings[0].readings
    read = would_read(job, heights)
    return {(r.x_mm, r.y_mm): round(float(v), 9) for r, v in zip(readings, read, strict=True) if abs(v) > 1e-9}


# -- gaps: what is proud takes light away


def test_proud_lower_closes_the_gap() -> None:
    """A node of the lower that stands 3 µm proud makes the gap above it, and no other, 3 µm smaller."""
    job = planned_gaps(bench([P, Q]), LayUp("P", "Q", "over"))
    assert changed(job, proud(P, 200.0, 15.0)) == {(200.0, 15.0): -3.0}


def test_rolled_over_the_far_edge_lies_over_the_near() -> None:
    """Rolled over its long edge, marks together, x runs the same way and the upper's far edge lies over the near."""
    job = planned_gaps(bench([P, Q]), LayUp("P", "Q", "over"))
    assert changed(job, proud(Q, 200.0, 15.0)) == {(200.0, -15.0): -3.0}


def test_end_for_end_the_marked_end_lies_at_the_far() -> None:
    """Marks opposite, the upper's x runs the other way and its far edge lies over the far edge."""
    job = planned_gaps(bench([P, Q]), LayUp("P", "Q", "end for end"))
    assert changed(job, proud(Q, 200.0, 15.0)) == {(400.0, 15.0): -3.0}


@pytest.mark.parametrize(
    ("turn", "offset_mm", "at"),
    [("over", 100.0, (300.0, -15.0)), ("over", -100.0, (100.0, -15.0)), ("end for end", 100.0, (500.0, 15.0))],
)
def test_offset_is_where_the_upper_begins(turn: str, offset_mm: float, at: tuple[float, float]) -> None:
    """The offset is where the upper's marked end, or end for end its far end, lies along the lower."""
    job = planned_gaps(bench([P, Q]), LayUp("P", "Q", turn, offset_mm))
    assert changed(job, proud(Q, 200.0, 15.0)) == {at: -3.0}


@pytest.mark.parametrize(("turn", "across"), [("over", -1.0), ("end for end", 1.0)])
def test_offset_across(turn: str, across: float) -> None:
    """On plates the upper's centre line lies at offset_y on the lower, whichever way it was turned."""
    upper = Face("Q", 200.0, 200.0, PLATE.stations_mm, PLATE.lines_mm)
    job = planned_gaps(bench([PLATE, upper]), LayUp("P", "Q", turn, 0.0, 50.0))
    assert changed(job, proud(upper, 100.0, 50.0)) == {(100.0, 50.0 + across * 50.0): -3.0}


@pytest.mark.parametrize(("turn", "at"), [("over", (150.0, 50.0)), ("end for end", (50.0, -50.0))])
def test_quarter_turn_is_counter_clockwise(turn: str, at: tuple[float, float]) -> None:
    """At 90° an upper rolled over points its far end to + y and its far edge to + x; end for end both to the other
    side. It is turned about its own x = y = 0."""
    upper = Face("Q", 200.0, 200.0, PLATE.stations_mm, PLATE.lines_mm)
    # Its zero stands at x = 100 of the lower: over that is the offset, end for end the offset is one length before.
    offset = 100.0 if turn == "over" else -100.0
    layup = LayUp("P", "Q", turn, offset, 0.0, 90.0)
    x, y = PLATE.x_mm, PLATE.y_mm
    inside = under(layup, upper, x, y)
    job = planned_gaps(bench([PLATE, upper]), layup, x[inside], y[inside])
    assert changed(job, proud(upper, 50.0, 50.0)) == {at: -3.0}


@given(
    turn=st.sampled_from(["over", "end for end"]),
    offset=st.floats(-300, 300),
    across=st.floats(-50, 50),
    angle=st.floats(-180, 180),
    x=st.floats(0, 600),
    y=st.floats(-60, 60),
)
def test_any_lay_up_is_where_the_axes_of_the_upper_put_it(
    turn: str, offset: float, across: float, angle: float, x: float, y: float
) -> None:
    """At any offset and angle, places correspond as the directions of the turned face's own axes say, and back."""
    layup = LayUp("P", "Q", turn, offset, across, angle)
    place = np.array([x]), np.array([y])
    found = layup.on_upper(Q, *place)
    np.testing.assert_allclose(found, on_upper(layup, 600.0, *place), rtol=0, atol=1e-9)
    np.testing.assert_allclose(layup.on_lower(Q, *found), place, rtol=0, atol=1e-9)


@pytest.mark.parametrize("turn", ["over", "end for end"])
@pytest.mark.parametrize("angle", [-140.0, -1e-6, 0.0, 1e-6, 33.0, 180.0])
def test_the_page_of_signs_says_where_a_turned_upper_lies(turn: str, angle: float) -> None:
    """The lines of docs/units-and-signs.md, worked out as they stand, give the places that lie over one another."""
    page = (ROOT / "docs/units-and-signs.md").read_text(encoding="utf-8")
    (line,) = re.findall(rf"^{turn}: +X = (.*?)   +x′ = (.*?)   +y′ = (.*)$", page, re.MULTILINE)
    across, *formulas = (
        part.replace("−", "-").replace("·", "*") for part in (re.findall(r"^Y = (.*)$", page, re.MULTILINE)[0], *line)
    )
    x, y = np.array([0.0, 250.0, 600.0]), np.array([-15.0, 3.0, 15.0])
    known = {"x": x, "y": y, "offset": 70.0, "offset_y": -20.0, "L_upper": Q.length_mm, "θ": np.radians(angle)}
    known |= {"cos": np.cos, "sin": np.sin, "__builtins__": {}}
    known |= {"X": eval(formulas[0], known), "Y": eval(across, known)}
    said = [eval(formula, known) for formula in formulas[1:]]
    np.testing.assert_allclose(LayUp("P", "Q", turn, 70.0, -20.0, angle).on_upper(Q, x, y), said, rtol=0, atol=1e-9)


@given(
    turn=st.sampled_from(["over", "end for end"]),
    offset=st.floats(-300, 300),
    across=st.floats(-50, 50),
    angle=st.floats(-180, 180),
)
def test_an_angle_turns_the_upper_about_its_own_zero(turn: str, offset: float, across: float, angle: float) -> None:
    """Whatever the angle, the upper's zero stays where it lay at none: at the offset, end for end one length beyond;
    and what a hair of an angle moves, it moves by a hair: no place by more than its distance from there times that."""
    lies = LayUp("P", "Q", turn, offset, across, angle)
    zero = np.array(lies.on_lower(Q, np.zeros(1), np.zeros(1))).ravel()
    assert zero == pytest.approx([offset if turn == "over" else offset + Q.length_mm, across], abs=1e-9)
    x, y = np.array([0.0, 300.0, 600.0]), np.array([-15.0, 0.0, 15.0])
    hair = replace(lies, angle_deg=angle + 1e-4)
    moved = np.hypot(*(np.subtract(hair.on_lower(Q, x, y), lies.on_lower(Q, x, y))))
    assert moved == pytest.approx(np.hypot(x, y) * math.radians(1e-4), abs=1e-9)


def test_spacer_is_a_gap() -> None:
    """A spacer's row is that of a gap of its size where it stands."""
    gap = planned_gaps(bench([P, Q]), LayUp("P", "Q", "over"), np.array([100.0, 500.0]), np.array([0.0, 0.0]))
    readings = tuple(
        Reading(f"s{i}", "spacers", x, 0.0, key="size_mm", value=Typed(20.0, "mm"))
        for i, x in enumerate((100.0, 500.0))
    )
    spacer = Job(
        "t", gap.pieces, gap.instruments, (Setting("s", LayUp("P", "Q", "over"), readings, instrument="stacks"),)
    )
    one, other = network(gap).rows, network(spacer).rows
    np.testing.assert_array_equal(one.matrix.toarray(), other.matrix.toarray())
    np.testing.assert_array_equal(other.value_um, [20_000.0, 20_000.0])
    np.testing.assert_array_equal(one.u_um, other.u_um)


def test_light_in_the_middle_is_hollow() -> None:
    """Three pairs that all show light in the middle are three hollow edges: their middles come out below their ends."""
    plan = round_of([edge(n, 400.0, 3) for n in "PQR"])
    settings = tuple(
        Setting(
            s.id,
            s.geometry,
            tuple(
                Reading(
                    r.id, "gaps", r.x_mm, 0.0, key="gap_mm", value=Typed(20.0 + (0.01 if r.x_mm == 200 else 0.0), "mm")
                )
                for r in s.readings
            ),
            instrument="stacks",
        )
        for s in plan.settings
    )
    net = network(Job("t", plan.pieces, plan.instruments, settings))
    solution = Solution(net.unknowns, net.rows)
    for f in solution.faces:
        assert solution.heights_um(f) == pytest.approx([5 / 3, -10 / 3, 5 / 3], abs=1e-4)


# -- slopes


def test_step_is_positive_when_the_far_foot_is_higher() -> None:
    """A node 3 µm proud is a rise of 3 µm with the far foot of 100 mm on it, and a fall with the near foot on it."""
    job = planned_slopes(bench([edge("P")]), Step("P", 100.0), np.arange(0, 600, 100.0))
    assert would_read(job, proud(edge("P"), 300.0, 0.0)).tolist() == [0, 0, 3, -3, 0, 0]
    assert network(job).rows.value_um.tolist() == [0] * 6


def test_cross_is_positive_when_the_far_edge_is_higher() -> None:
    """A node 3 µm proud on the far (+ y) edge reads + at its station, one on the near edge −."""
    job = planned_slopes(bench([P]), Cross("P", 30.0), [100.0, 200.0])
    assert would_read(job, proud(P, 200.0, 15.0)).tolist() == [0, 3]
    assert would_read(job, proud(P, 200.0, -15.0)).tolist() == [0, -3]


def test_a_slope_is_its_rise_over_the_base() -> None:
    """+ 30 µm/m on 100 mm is a row of + 3 µm, 2.5 divisions of 12 µm/m the same; the zero enters as slope · base."""
    level = bench([edge("P")]).instruments[1]
    divisions = type(level)(level.name, level.kind, u_um_per_m=4.0, um_per_m_per_div=12.0)
    readings = (
        Reading("a", "readings", 0.0, key="um_per_m", value=Typed(30.0, "µm/m")),
        Reading("b", "readings", 100.0, key="div", value=Typed(2.5, "div")),
    )
    job = Job("t", bench([edge("P")]).pieces, (divisions,), (Setting("s", Step("P", 100.0), readings),))
    net = network(job)
    assert net.rows.value_um.tolist() == pytest.approx([3.0, 3.0])
    zero = next(u for u in net.unknowns if u.face is None)
    assert net.rows.matrix[:, zero.columns].toarray().ravel().tolist() == pytest.approx([0.1, 0.1])


def test_step_along_any_line() -> None:
    """From one corner to the other, the far foot stands `at + base` along the line, + when it is higher."""
    plate = PLATE
    job = bench([plate])
    ends = {"from_mm": (0.0, -100.0), "to_mm": (200.0, 100.0)}
    base = math.hypot(50.0, 50.0)
    readings = tuple(
        Reading(f"r{i}", "readings", at_mm=i * base, key="um_per_m", value=Typed(0.0, "µm/m")) for i in range(4)
    )
    job = Job("t", job.pieces, job.instruments, (Setting("s", Step("P", base, **ends), readings, seat_um=0.0),))
    assert would_read(job, proud(plate, 100.0, 0.0)) == pytest.approx([0, 3, -3, 0], abs=1e-9)


# -- places between nodes


@pytest.mark.parametrize("line", [0.0, 12.0, -20.0])
def test_one_line_stands_for_the_metal_and_no_further(line: float) -> None:
    """A face 40 mm wide read on one line is level across from edge to edge, wherever the line lies: 20 mm either side
    of its centre line is on the metal, and 20.1 and 38 mm are off it."""
    face = Face("P", 600.0, 40.0, (0.0, 300.0, 600.0), (line,))
    for y in (-20.0, 0.0, 20.0):
        nodes, weights = face.interpolate(np.array([300.0]), np.array([y]))
        assert weights[nodes == 1].sum() == 1.0
    for y in (20.1, -20.1, 38.0, -38.0):
        assert not within(face, np.array([300.0]), np.array([y]))[0]
        with pytest.raises(OffTheFace, match=r"lies off face P, which reaches from -20 to 20 mm across"):
            face.interpolate(np.array([300.0]), np.array([y]))


@pytest.mark.parametrize("turn", ["over", "end for end"])
def test_an_edge_at_an_angle_on_a_plate_covers_what_lies_under_its_metal(turn: str) -> None:
    """An edge 40 mm wide across a plate at 30° faces only places less than 20 mm from its centre line: none of those
    at which touching faces are held not to cross is further, and a gap read 25 mm off it is refused."""
    plate = Face("P", 200.0, 200.0, PLATE.stations_mm, PLATE.lines_mm)
    rule = Face("Q", 200.0, 40.0, (0.0, 40.0, 80.0, 120.0, 160.0, 200.0))
    layup = LayUp("P", "Q", turn, 10.0, -30.0 if turn == "over" else 50.0, 30.0)
    x, y = layup.facing(plate, rule)
    assert len(x) > 5
    assert np.abs(layup.on_upper(rule, x, y)[1]).max() <= 20.0 + 1e-9
    on = layup.on_lower(rule, np.array([100.0, 100.0]), np.array([19.0, 25.0]))
    network(planned_gaps(bench([plate, rule]), layup, on[0][:1], on[1][:1]))
    with pytest.raises(JobError, match="lies off face Q"):
        network(planned_gaps(bench([plate, rule]), layup, *on))


@given(
    x=st.lists(st.floats(0, 600), min_size=1, max_size=5), seed=st.integers(0, 999), lines=st.sampled_from([1, 2, 4])
)
def test_places_between_nodes_are_linear_along_and_across(x: list[float], seed: int, lines: int) -> None:
    """The height at any place is what scipy's interpolator gives for the nodes around it."""
    rng = np.random.default_rng(seed)
    face = Face("P", 600.0, 40.0, (0.0, 70.0, 260.0, 300.0, 600.0), tuple(np.linspace(-14.0, 17.0, lines).tolist()))
    if lines == 1:
        face = Face("P", 600.0, 40.0, face.stations_mm, (3.0,))
    h = rng.normal(size=len(face.x_mm))
    at = np.array(x)
    y = rng.uniform(-14.0, 17.0, len(at))
    nodes, weights = face.interpolate(at, y)
    np.testing.assert_allclose((h[nodes] * weights).sum(axis=1), heights_um(face, h, at, y), rtol=0, atol=1e-8)
