"""The sample shop: its job files are what the maker makes, and the program finds the shapes they were made from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from waywright import demo, jobfile
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import plane
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.findings import Report
from waywright.core.evidence.job import Job, Reading, Typed
from waywright.core.judge.zones import minimum_zone_lines
from waywright.core.report import report
from waywright.views.grounds import verdict_why

MISREAD = "layups[1].gaps[5]"


@pytest.fixture(scope="module")
def three() -> Job:
    return jobfile.loads(demo.shop("three_edges"), "three_edges.toml")


@pytest.fixture(scope="module")
def result(three: Job) -> Report:
    return report(three)


@pytest.fixture(scope="module")
def two() -> Report:
    return report(jobfile.loads(demo.shop("two_edges"), "two_edges.toml"))


def true_about_plane(name: str) -> np.ndarray:
    edge, heights = demo.face(name), demo.truth()[name]
    basis = plane(edge.x_mm, edge.y_mm)
    return heights - basis @ (basis.T @ heights)


def test_the_shipped_files_are_what_the_maker_makes(tmp_path: Path) -> None:
    """The sample job files are made from the documented shapes and seed, to the byte."""
    demo.write_shop(tmp_path)
    for name in ("three_edges", "two_edges"):
        assert (tmp_path / f"{name}.toml").read_text(encoding="utf-8") == demo.shop(name)


def test_the_planted_misreading_is_the_first_suspect(result: Report) -> None:
    """A stack read 8 µm too large is the one suspect, and its size is told within its uncertainty."""
    assert [s.reading for s in result.suspects] == [MISREAD]
    assert result.suspects[0].off_um == pytest.approx(8.0, abs=3.0)


def test_heights_lie_in_their_bands(result: Report) -> None:
    """Of the 54 heights at least nine in ten lie in their 95 % bands, though one stack was misread."""
    inside = [
        np.abs(shape.height_um - true_about_plane(shape.face)) <= 1.96 * shape.sigma_um for shape in result.shapes
    ]
    assert np.mean(inside) >= 0.9
    assert max(float(shape.sigma_um.max()) for shape in result.shapes) < 0.6


def test_verdicts_hold_the_truth(result: Report) -> None:
    """The 95 % interval of each edge's straightness holds that of its true shape; decisions are right."""
    for verdict in result.verdicts:
        edge, heights = demo.face(verdict.face), demo.truth()[verdict.face]
        true = max(
            float(minimum_zone_lines(edge.x_mm[edge.y_mm == y], heights[edge.y_mm == y])[0]) for y in demo.LINES_MM
        )
        assert verdict.interval_95_um is not None
        assert verdict.interval_95_um[0] <= true <= verdict.interval_95_um[1]
        assert verdict.decision == ("inside" if true <= 6 else "outside")


def test_nothing_is_blind_with_both_turns_and_a_level(result: Report) -> None:
    """Three pairs in both turns and a level across at every station see every shape; a burr is read as the metal."""
    assert [spot.mode for spot in result.blind] == ["burr"]
    assert not result.fit.misfits
    assert not result.untouched


def test_a_correction_replaces_the_suspect(three: Job) -> None:
    """Retaking the misread gap clears the suspects; the old reading is kept and no longer used."""
    net = network(three)
    solution = screen(net).solution
    wrong = net.rows.reading_ids.index(MISREAD)
    matrix = net.rows.matrix[[wrong]][:, solution.old_columns]
    right, _ = solution.predict(matrix)
    settings = list(three.settings)
    gaps = settings[1].readings
    old = next(r for r in gaps if r.id == MISREAD)
    again = Reading(
        "again",
        "gaps",
        old.x_mm,
        old.y_mm,
        key="just_mm",
        value=Typed(round(right[0] / 1e3, 3), "mm"),
        corrects=MISREAD,
    )
    settings[1] = replace(settings[1], readings=(*gaps, again))
    job = replace(three, settings=tuple(settings))
    found = report(job)
    assert not found.suspects
    assert found.corrected == (MISREAD,)
    assert old in job.settings[1].readings


def test_two_edges_know_only_their_sum(two: Report) -> None:
    """One pair in one turn: each edge is blind against the other and every verdict open."""
    blind = {spot.mode: dict(spot.faces) for spot in two.blind}
    assert blind["bow"] in ({"Alder": 1, "Birch": -1}, {"Alder": -1, "Birch": 1})
    assert {"bow", "S", "W", "twist", "bow-across", "S-across", "finer"} <= set(blind)
    assert all(v.decision == "open" and "sees" in verdict_why(v) for v in two.verdicts)
    sum_of_two = two.shapes[0].height_um + two.shapes[1].height_um.reshape(-1, 2)[:, ::-1].ravel()
    true = true_about_plane("Alder") + true_about_plane("Birch").reshape(-1, 2)[:, ::-1].ravel()
    assert np.max(np.abs(sum_of_two - true)) < 3.0


def test_the_report_is_the_same_every_time(three: Job, result: Report) -> None:
    """The same readings give the same report, to the last digit."""
    again = report(three)
    assert again.verdicts == result.verdicts
    assert again.suspects == result.suspects
    assert all(np.array_equal(a.height_um, b.height_um) for a, b in zip(again.shapes, result.shapes, strict=True))
