"""An edge by reversal on a mill's table: the closed form, the other way of typing it, and a second witness."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from docs.examples import make
from tests.examples.truths import found, job, solved
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.job import Job, Typed
from waywright.core.evidence.things import FloatArray
from waywright.core.readings import Run
from waywright.core.report import report
from waywright.views.findings import cure_words
from waywright.views.numbers import METRIC

HAZEL = job("edge-by-reversal")
TABLE = "guide mill table"


def shown(some: Job) -> list[tuple[int, FloatArray]]:
    """Each run's sign and what its dial showed, (10,) µm."""
    found = []
    for setting in some.settings:
        assert isinstance(setting.geometry, Run)
        readings = np.array([r.value.number for r in setting.readings if r.value is not None])
        found.append((setting.geometry.sign, readings))
    return found


def told(solution: Solution, label: str) -> tuple[FloatArray, FloatArray]:
    """Heights about the line and their sigmas of a face or a guide."""
    face = next(f for f in solution.faces if str(f.unknown.label) == label)
    return solution.heights_um(face), solution.height_sigmas(face)


def about_line(heights: FloatArray) -> FloatArray:
    """(10,) about the least-squares line through the stations."""
    x = make.SHORT[0].x_mm
    return np.asarray(heights - np.polyval(np.polyfit(x, heights, 1), x))


def test_edge_and_table_are_half_the_difference_and_half_the_sum() -> None:
    """s = (r₁ − r₂)/2 and m = (r₁ + r₂)/2 of the means of the runs either way, about their lines (C. J. Evans, R. J.
    Hocken, W. T. Estler, CIRP Annals 45/2, 1996; derived)."""
    up, down = (np.mean([r for sign, r in shown(HAZEL) if sign == way], axis=0) for way in (1, -1))
    solution = solved(HAZEL)
    np.testing.assert_allclose(told(solution, "Hazel")[0], about_line((up - down) / 2), atol=1e-4)
    np.testing.assert_allclose(told(solution, TABLE)[0], about_line((up + down) / 2), atol=1e-4)


@pytest.mark.parametrize(("runs", "factor"), [(2, np.sqrt(1 / 2)), (4, np.sqrt(1 / 4))])
def test_u_is_that_of_the_mean_of_the_runs(runs: int, factor: float) -> None:
    """One run each way gives each height u/√2, two each way u/2, with the dial's 0.5 and the tip's 0.3 µm in u; a node
    takes part in its own line, so √(1 − its leverage) of that is left (derived)."""
    solution = solved(replace(HAZEL, settings=HAZEL.settings[:runs]))
    x = make.SHORT[0].x_mm
    leverage = 1 / len(x) + (x - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum()
    wanted = np.hypot(0.5, 0.3) * factor * np.sqrt(1 - leverage)
    for label in ("Hazel", TABLE):
        np.testing.assert_allclose(told(solution, label)[1], wanted, rtol=1e-5)


def test_typed_as_the_dial_shows_it() -> None:
    """`turned_over = true` with + as plunger in gives what sign = -1 with + as plunger out gives: for that all readings
    of the run change sign, and nothing else."""
    settings = []
    for setting in HAZEL.settings:
        assert isinstance(setting.geometry, Run)
        if setting.geometry.sign < 0:
            readings = tuple(
                replace(r, value=Typed(-r.value.number, r.value.unit)) for r in setting.readings if r.value is not None
            )
            setting = replace(setting, geometry=replace(setting.geometry, sign=1, turned_over=True), readings=readings)
        settings.append(setting)
    for label in ("Hazel", TABLE):
        for a, b in zip(
            told(solved(HAZEL), label), told(solved(replace(HAZEL, settings=tuple(settings))), label), strict=True
        ):
            np.testing.assert_allclose(a, b, rtol=0, atol=1e-9)


def test_the_tables_path_is_parted_from_the_edge() -> None:
    """The table strays five times as far as the edge, and is found on the way: nine of ten places lie in its band."""
    heights, sigma = told(solved(HAZEL), TABLE)
    true = about_line(make.table_um(make.SHORT[0].x_mm))
    assert np.ptp(true) > 5 * np.ptp(about_line(make.short_edges(2)["Hazel"]))
    assert np.mean(np.abs(heights - true) <= 1.96 * sigma) >= 0.9


def test_one_way_alone_shows_nothing() -> None:
    """Both runs as the edge lies, and none turned over: every shape is blind, table and edge are not told apart, and
    the verdict is open; what would help is the other half."""
    one_way = replace(HAZEL, settings=(HAZEL.settings[0], HAZEL.settings[3]))
    result = report(one_way)
    assert {spot.mode for spot in result.blind if not spot.weak} >= {"bow", "S", "W"}
    assert [v.decision for v in result.verdicts] == ["open"]
    bow = next(spot for spot in result.blind if spot.mode == "bow")
    assert bow.cure is not None
    assert "rolled over its long edge" in cure_words(bow.cure, METRIC)


def test_two_witnesses_agree() -> None:
    """Hazel by reversal is Hazel by three edges and three rounds: of ten heights nine or more differ by less than both
    bands allow, though the two have no reading, block or guide in common."""
    alone, among = found("edge-by-reversal").shapes[0], found("edges-round-by-round").shapes[0]
    assert alone.face == among.face == "Hazel"
    apart = np.abs(alone.height_um - among.height_um) / np.hypot(alone.sigma_um, among.sigma_um)
    assert np.mean(apart <= 1.96) >= 0.9
