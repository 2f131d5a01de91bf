"""What a lay-up should show before it is made, and what an answer to it says."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from waywright import demo, jobfile
from waywright.cli import cli
from waywright.core.evidence.findings import Shape
from waywright.core.evidence.job import Job, JobError
from waywright.core.evidence.things import Face, Piece
from waywright.core.readings import LayUp
from waywright.core.readings.laid import Laid
from waywright.core.report import report
from waywright.core.results.expect import answered, expected
from waywright.views.expected import expected_figure, expected_svg

STATIONS = tuple(np.linspace(0, 600, 13))


def pair(lines: tuple[float, ...] = (0.0,)) -> Job:
    return Job(pieces=tuple(Piece(n, (Face(n, 600.0, 40.0, STATIONS, lines),)) for n in "PQ"))


def shape(name: str, height_um: np.ndarray, job: Job) -> Shape:
    face = job.faces()[name]
    return Shape(name, 0, face.x_mm, face.y_mm, height_um, np.full(len(height_um), 0.3), face.lines_mm, ())


def bowed(job: Job, crown_um: float) -> list[Shape]:
    s = job.faces()["P"].x_mm / 300 - 1
    return [shape("P", crown_um * (1 - s**2), job), shape("Q", np.zeros(len(s)), job)]


def test_even_faces_bear_everywhere_and_pivot_at_0_293() -> None:
    """Two true faces shine all over and pivot at 1 − 1/√2 of the length from the far end (derived)."""
    job = pair()
    found = expected(job, bowed(job, 0.0), Laid("P", "Q", "over"))
    assert set(found.marks) == {"bright"}
    assert found.pivots_mm[0] == pytest.approx(600 - 0.292893 * 600, abs=1)
    assert found.pivots_mm[1] == pytest.approx(0.292893 * 600, abs=1)


def test_a_hollow_pair_marks_at_its_ends_and_a_crowned_one_in_the_middle() -> None:
    """Hollow: bare in the middle, pivot nearer the end; crowned: bare at the ends, pivot nearer the middle."""
    job = pair()
    hollow = expected(job, bowed(job, -20.0), Laid("P", "Q", "over"))
    crowned = expected(job, bowed(job, 20.0), Laid("P", "Q", "over"))
    assert hollow.marks[6] == "bare"
    assert hollow.marks[0] != "bare"
    assert crowned.marks[6] != "bare"
    assert crowned.marks[0] == "bare"
    assert hollow.pivots_mm[1] < hollow.even_mm[1] < crowned.pivots_mm[1]
    assert (hollow.bears, crowned.bears) == ("hollow", "crowned")


def test_a_pair_of_equal_and_opposite_bows_shines_all_over() -> None:
    """Rose: plates of equal opposite curve bear all over, though neither is true."""
    job = pair()
    s = STATIONS / np.float64(300) - 1
    shapes = [shape("P", 15 * s**2, job), shape("Q", -15 * s**2, job)]
    assert set(expected(job, shapes, Laid("P", "Q", "over")).marks) == {"bright"}


def test_a_thicker_film_marks_no_less() -> None:
    """With more blue on the same pair no place that was blue becomes bare."""
    job = pair()
    order = {"bright": 0, "blue": 1, "bare": 2}
    thin, heavy = (expected(job, bowed(job, 6.0), Laid("P", "Q", "over"), film) for film in ("thin", "heavy"))
    assert all(order[h] <= order[t] for h, t in zip(heavy.marks, thin.marks, strict=True))


def test_the_load_carries_the_weight() -> None:
    """The load is 1 on average and nowhere negative, and there is no gap where it bears."""
    job = pair((-15.0, 0.0, 15.0))
    rng = np.random.default_rng(4)
    n = len(job.faces()["P"].x_mm)
    shapes = [shape(name, rng.normal(0, 3, n), job) for name in "PQ"]
    found = expected(job, shapes, Laid("P", "Q", "end for end"))
    assert np.all(found.load >= 0)
    assert np.all(found.gap_um[found.load > 1e-9] == 0)


def test_what_is_not_known_is_not_expected() -> None:
    """A face with a blind shape, or never read, is refused in a sentence."""
    two = jobfile.loads(demo.shop("two_edges"), "two_edges.toml")
    with pytest.raises(JobError, match="no reading sees"):
        expected(two, report(two).shapes, LayUp("Alder", "Birch", "over"))
    job = pair()
    with pytest.raises(JobError, match="Nothing is known"):
        expected(job, [shape("P", np.zeros(13), job)], Laid("P", "Q", "over"))


def test_the_same_agrees_and_not_the_same_here_is_doubted() -> None:
    """Answered "the same" the sample shop's blue raises no new suspect; the barest place called bright does."""
    three = jobfile.loads(demo.shop("three_edges"), "three_edges.toml")
    first = report(three)
    found = expected(three, first.shapes, Laid("Alder", "Rowan", "end for end"), "thin")
    same = report(replace(three, settings=(*three.settings, answered(found, {}, "blues[0]"))))
    assert {s.reading for s in same.suspects} == {s.reading for s in first.suspects}
    far = int(np.argmax(found.gap_um))
    place = (float(found.x_mm[far]), float(found.y_mm[far]))
    assert found.marks[far] == "bare"
    other = answered(found, {place: "bright"}, "blues[0]")
    doubted = report(replace(three, settings=(*three.settings, other)))
    assert f"blues[0].readings[{far}]" in {s.reading for s in doubted.suspects}


def test_answers_about_nothing_are_refused() -> None:
    """An answer at a place nothing was expected of, or with a mark that is none, is refused."""
    job = pair()
    found = expected(job, bowed(job, 5.0), Laid("P", "Q", "over"))
    with pytest.raises(JobError, match="Nothing was expected"):
        answered(found, {(1.0, 0.0): "blue"}, "blues[0]")
    with pytest.raises(JobError, match="A mark is"):
        answered(found, {(0.0, 0.0): "purple"}, "blues[0]")


def test_the_picture_names_every_mark_and_is_the_same_every_time() -> None:
    """The drawing has the edges, the marked end and a mark for each place, and the same bytes every time."""
    job = pair((-15.0, 15.0))
    n = len(job.faces()["P"].x_mm)
    shapes = [shape("P", np.linspace(0, 4, n) ** 2, job), shape("Q", np.zeros(n), job)]
    found = expected(job, shapes, Laid("P", "Q", "over"))
    face = job.faces()["P"]
    assert expected_svg(found, face) == expected_svg(found, face)
    axes = expected_figure(found, face).axes[0]
    drawn = [line for line in axes.lines if str(line.get_label()).split(" ")[0] in ("bright", "blue", "bare")]
    assert sum(len(line.get_xdata()) for line in drawn) == len(found.marks)  # type: ignore[arg-type]
    assert {"far edge", "near edge", "marked end"} <= {text.get_text() for text in axes.texts}


def test_the_command_says_it_draws_it_and_refuses_in_a_sentence(tmp_path: Path) -> None:
    """`waywright expect` prints words or JSON and draws; an unknown face is one sentence and exit 2."""
    job = tmp_path / "three.toml"
    job.write_text(demo.shop("three_edges"), encoding="utf-8")
    run = CliRunner().invoke(cli, ["expect", str(job), "Alder", "Rowan", "--picture", str(tmp_path / "e.svg")])
    assert run.exit_code == 0
    assert "pivot" in run.stdout
    assert (tmp_path / "e.svg").read_text(encoding="utf-8").startswith("<?xml")
    marks = json.loads(CliRunner().invoke(cli, ["expect", str(job), "Alder", "Rowan", "--json"]).stdout)["marks"]
    assert set(marks) <= {"bright", "blue", "bare"}
    bad = CliRunner().invoke(cli, ["expect", str(job), "Alder", "Nope"])
    assert bad.exit_code == 2
    assert "There is no face called 'Nope'" in bad.stderr
