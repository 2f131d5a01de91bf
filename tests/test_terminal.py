"""What is printed: no number is cut off or broken, however long; and what a band holds is said under it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import LEVEL, edge, read, round_of, truth_of
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job
from waywright.core.report import report
from waywright.views.numbers import METRIC
from waywright.views.result import result
from waywright.views.terminal import show_report


def edges(lines: tuple[float, ...], name: str = "P", size_um: float = 3.0, without: bool = True) -> Job:
    """Three edges in both turns; blocks alone, or with a level struck out."""
    plan = round_of([edge(n, 600.0, 5, lines, 400.0) for n in (name, "Q", "R")], ("over", "end for end"))
    rng = np.random.default_rng(3)
    job = read(plan, truth_of(plan, rng, size_um), rng).job
    kit = tuple(i for i in job.instruments if i.name != LEVEL)
    return replace(job, instruments=kit, without=("level",) if without else (), goal=Goal(straightness_um=8.0))


def test_no_number_is_cut_however_long(capsys: pytest.CaptureFixture[str]) -> None:
    """A plate of seven lines far off flat and a face of a long name: every height with its band, every value and every
    interval stands whole on one line of 80 columns."""
    lines = (-180.125, -120.125, -60.125, 0.0, 60.125, 120.125, 180.125)
    told = report(edges(lines, "Way of the planer, front left, as found", 900.0), with_cures=False)
    show_report(told, "mm")
    printed = capsys.readouterr().out
    assert max(map(len, printed.splitlines())) <= 80
    view = result(told, METRIC)
    for shape in view.shapes:
        for row in shape.rows:
            for height, band in row.cells:
                assert f"{height} ± {band}" in printed
    plain = " ".join(printed.split())
    for verdict in view.verdicts:
        assert all(word in plain for word in verdict.face.split())
        assert f" {verdict.value} " in plain
        assert verdict.decision in plain
    assert not re.search(r"\w[…]", printed)


def test_verdicts_too_long_for_columns_are_told_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    """Short ones stay in columns."""
    job = edges((0.0,))
    show_report(report(job, with_cures=False), "mm")
    assert "face  measure       value" in capsys.readouterr().out
    long = edges((0.0,), "Straightedge-of-the-grinding-shop-upstairs")
    show_report(report(long, with_cures=False), "mm")
    printed = " ".join(capsys.readouterr().out.split())
    assert "face measure value" not in printed
    assert re.search(r"Straightedge-of-the-grinding-shop-upstairs, straightness: [\d.]+ µm; 95 %: ", printed)


def test_what_is_unseen_is_told_to_be_left_out_of_the_band(capsys: pytest.CaptureFixture[str]) -> None:
    """Under the heights of a face that is seen in part, and only there."""
    said = "What no reading sees of the shape is left out of the heights and of the band."
    show_report(report(edges((-20.0, 20.0)), with_cures=False), "mm")
    assert said in capsys.readouterr().out
    show_report(report(edges((0.0,)), with_cures=False), "mm")
    assert said not in capsys.readouterr().out
