"""A level that was not touched, on a face that was not moved: lines in any direction have gravity in common."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import bench
from waywright import jobfile
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.things import Face, FloatArray, Instrument
from waywright.core.readings import Cross, LayUp, Step

BASE = 100.0
PLATE = Face("Plate", 400.0, 400.0, (0, 100, 200, 300, 400), (-200, -100, 0, 100, 200))
LINES = [
    *(Step("Plate", BASE, y) for y in (-200.0, 0.0, 200.0)),
    *(Step("Plate", BASE, from_mm=(x, -200.0), to_mm=(x, 200.0)) for x in (0.0, 200.0, 400.0)),
]


def surveyed(truth_um: FloatArray, zero: float, tilt: tuple[float, float], name: str | None) -> Job:
    """Six lines read with a level whose zero is `zero` µm/m, on a plate that lies tilted in µm/m along and across."""

    def height(x: float, y: float) -> float:
        node = round(x / 100) * 5 + round((y + 200) / 100)
        return float(truth_um[node]) + (tilt[0] * x + tilt[1] * y) / 1e3

    settings = []
    for number, line in enumerate(LINES):
        along = line.from_mm is None
        readings = []
        for i in range(4):
            at = i * BASE
            first, far = (
                ((at, line.y_mm), (at + BASE, line.y_mm))
                if line.from_mm is None
                else ((line.from_mm[0], at - 200), (line.from_mm[0], at - 100))
            )
            slope = (height(*far) - height(*first)) / BASE * 1e3 + zero
            place = {"x_mm": at} if along else {"at_mm": at}
            readings.append(Reading(f"{number}-{i}", "readings", key="um_per_m", value=Typed(slope, "µm/m"), **place))
        settings.append(Setting(f"steps[{number}]", line, tuple(readings), name, "level", seat_um=0.0))
    return replace(
        bench([PLATE]), instruments=(Instrument("level", "level", u_um_per_m=1.0),), settings=tuple(settings)
    )


def solved(job: Job) -> Solution:
    net = network(job)
    return Solution(net.unknowns, net.rows)


@pytest.mark.parametrize("zero", [0.0, 350.0])
@pytest.mark.parametrize("tilt", [(0.0, 0.0), (80.0, -45.0)])
def test_any_zero_and_any_tilt_give_the_shape(zero: float, tilt: tuple[float, float]) -> None:
    """Six lines in one setting give the plate back exactly, however it lies and wherever the bubble's zero is."""
    truth = np.random.default_rng(1).normal(0, 5, 25)
    solution = solved(surveyed(truth, zero, tilt, "one morning"))
    face = solution.faces[0]
    nodes = face.unknown.nodes
    assert nodes is not None
    assert len(nodes) == 21  # the four between the lines are never touched
    np.testing.assert_allclose(
        solution.heights_um(face), face.about_plane(truth[nodes][:, None])[:, 0], rtol=0, atol=1e-4
    )


def test_one_zero_leaves_more_to_spare_than_one_for_each_line() -> None:
    """Of 24 readings 18 go to the shape of 21 nodes, 2 to how the level stands along and across: 4 are to spare. With
    a zero for each line 17 go to the shape, for its twist is in the zeros, and 6 to these: 1 is to spare."""
    truth = np.zeros(25)
    together = solved(surveyed(truth, 0.0, (0.0, 0.0), "one morning"))
    apart = solved(surveyed(truth, 0.0, (0.0, 0.0), None))
    assert together.redundancies.sum() == pytest.approx(4.0, abs=1e-3)
    assert apart.redundancies.sum() == pytest.approx(1.0, abs=1e-3)
    assert together.height_sigmas(together.faces[0]).max() < 0.1
    assert apart.height_sigmas(apart.faces[0]).max() > 500  # a twist goes unseen: the lines have nothing in common


def test_a_line_alone_is_as_it_was() -> None:
    """Lines in one direction need one number: how the face lies is in the zero, and nothing else is asked for."""
    job = surveyed(np.zeros(25), 20.0, (30.0, 0.0), "one morning")
    solution = solved(replace(job, settings=job.settings[:3]))
    assert [str(u.label) for u in solution.unknowns if u.face is None] == ["one morning: zero"]


def test_lines_of_one_face_may_share_a_setting_and_others_may_not() -> None:
    """Steps and crosses of one face share a level's zero; another face, or a lay-up, has a setting of its own."""
    step, cross = LINES[0], Cross("Plate", 100.0)
    assert step.shares(LINES[4])
    assert step.shares(cross)
    assert cross.shares(step)
    assert not step.shares(Step("other", BASE))
    assert not step.shares(LayUp("Plate", "other", "over"))


def test_shared_lines_are_typed_and_read_back() -> None:
    """The job file takes blocks of one `setting` in different directions, and refuses them on different faces."""
    text = """
[instruments.level]
kind = "level"
u_um_per_m = 2
[[pieces]]
name = "P"
[[pieces.faces]]
name = "P"
length_mm = 200
width_mm = 200
stations_mm = [0, 100, 200]
lines_mm = [-100, 0, 100]
[[pieces.faces]]
name = "R"
length_mm = 200
width_mm = 200
stations_mm = [0, 100, 200]
lines_mm = [-100, 0, 100]
[[steps]]
face = "P"
base_mm = 100
setting = "morning"
readings = [ { x_mm = 0, um_per_m = 3 }, { x_mm = 100, um_per_m = 5 } ]
[[crosses]]
face = "P"
base_mm = 200
setting = "morning"
readings = [ { x_mm = 0, um_per_m = 3 }, { x_mm = 100, um_per_m = 4 } ]
"""
    job = jobfile.loads(text, "plate.toml")
    assert {s.group for s in job.settings} == {"morning"}
    assert jobfile.loads(jobfile.dumps(job), "again.toml") == job
    with pytest.raises(jobfile.JobFileError, match="give this block a name of its own"):
        jobfile.loads(text.replace('[[crosses]]\nface = "P"', '[[crosses]]\nface = "R"'), "plate.toml")
