"""A burr that every lay-up reads alike, and the shifted lay-up that does not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from studies.blunders import moved
from tests.simulate import Simulated, bench, edge, on_upper, planned_gaps, planned_slopes, read, round_of, truth_of
from waywright.core.adjust.burrs import burr
from waywright.core.adjust.network import network
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.findings import BlindSpot
from waywright.core.evidence.job import Job, Setting
from waywright.core.next.cures import newest_faces
from waywright.core.readings import Cross, LayUp
from waywright.core.report import report
from waywright.views.findings import cure_words
from waywright.views.numbers import METRIC

BOTH = ("over", "end for end")
EDGES = [edge(n, 600.0, 7) for n in "PQR"]
BURR_UM, AT_MM = 10.0, 300.0


def with_burr(taken: Simulated) -> Job:
    """Every gap that is read over or under the burr, which sits on P, is smaller by it."""
    length = taken.job.faces()["P"].length_mm

    def met(setting: Setting, x_mm: float) -> bool:
        layup = setting.geometry
        assert isinstance(layup, LayUp)
        if layup.lower == "P":
            return x_mm == AT_MM
        return layup.upper == "P" and on_upper(layup, length, np.array([x_mm]), np.zeros(1))[0][0] == AT_MM

    settings = []
    for setting in taken.job.settings:
        readings = (moved(r, -BURR_UM) if met(setting, r.x_mm or 0.0) else r for r in setting.readings)
        settings.append(replace(setting, readings=tuple(readings)))
    return replace(taken.job, settings=tuple(settings))


def spoken(extra: Sequence[tuple[float, Sequence[float]]]) -> int:
    """Of 30 jobs with a burr, and more lay-ups at offsets, how many raise a suspect, scatter or the gate."""
    found = 0
    for seed in range(30):
        plan = round_of(EDGES, BOTH)
        for offset_mm, x_mm in extra:
            plan = planned_gaps(plan, LayUp("P", "Q", "over", offset_mm), np.array(x_mm), np.zeros(len(x_mm)))
        rng = np.random.default_rng(seed)
        screened = screen(network(with_burr(read(plan, truth_of(plan, rng), rng))))
        fit = screened.fit
        found += bool(screened.suspects or fit.misfits or any(s.factor > 1 for s in fit.instruments))
    return found


@pytest.mark.slow
def test_only_a_reading_between_stations_contradicts_a_burr() -> None:
    """A burr of 10 u at a station is taken for the face's own in every lay-up of a round, and in one shifted by a whole
    station: no more is said than of clean jobs. Shifted by half a station and read at the stations of both faces, it
    is contradicted in most jobs."""
    assert spoken(()) <= 4
    assert spoken([(100.0, np.arange(100.0, 601.0, 100.0))]) <= 4
    assert spoken([(50.0, np.arange(50.0, 601.0, 50.0))]) >= 24


def told(job: Job) -> BlindSpot | None:
    """What is said of burrs on the readings of a job."""
    screened = screen(network(job))
    return burr(screened.net, newest_faces(screened.net, screened.solution))


def test_the_cure_meets_every_face_from_between() -> None:
    """A round of three is told that a burr is not seen on any of them; two lay-ups shifted by half a station cure it,
    and when they are taken nothing is told any more."""
    rng = np.random.default_rng(1)
    plan = round_of(EDGES, BOTH)
    spot = told(read(plan, truth_of(plan, rng), rng).job)
    assert spot is not None
    assert spot.weak
    assert dict(spot.faces) == {"P": 1, "Q": 1, "R": 1}
    assert spot.cure is not None
    words = cure_words(spot.cure, METRIC)
    assert words == (
        "lay Q on P, marks together, its marked end 50 mm from P's marked end; lay R on P, marks together, its marked "
        "end 50 mm from P's marked end; each on blocks between the stations, and read at the stations of both faces"
    )
    assert spot.cure.minutes == pytest.approx(2 * 15 + 24 * 1.5)
    both = np.arange(50.0, 601.0, 50.0)
    for upper in "QR":
        plan = planned_gaps(plan, LayUp("P", upper, "over", 50.0), both, np.zeros(len(both)))
    assert told(read(plan, truth_of(plan, rng), rng).job) is None


def test_no_cure_is_told_with_what_is_not_to_be_had() -> None:
    """Whoever has no stacks any more cannot lay anything anew: the burr is told without a cure."""
    rng = np.random.default_rng(1)
    plan = round_of(EDGES, BOTH)
    job = read(plan, truth_of(plan, rng), rng).job
    spot = told(replace(job, without=tuple(i.kind for i in job.instruments)))
    assert spot is not None
    assert spot.cure is None


def test_a_burr_is_told_last_once_and_opens_nothing() -> None:
    """It stands last among the weak ones, one for the job; not while something is blind, and no verdict is open."""
    plan = round_of([edge(n, 600.0, 7, (-15.0, 15.0)) for n in "PQR"], BOTH)
    rng = np.random.default_rng(1)
    blind = report(read(plan, truth_of(plan, rng), rng).job)
    assert any(not spot.weak for spot in blind.blind)
    assert all(spot.mode != "burr" for spot in blind.blind)
    plan = round_of(EDGES, BOTH)
    job = read(plan, truth_of(plan, rng), rng).job
    seen = report(replace(job, goal=replace(job.goal, straightness_um=100.0)))
    assert [spot.mode for spot in seen.blind] == ["burr"]
    assert {v.decision for v in seen.verdicts} == {"inside"}


def test_faces_that_only_a_level_reads_are_left_alone() -> None:
    """No lay-up, no word of what lay-ups read alike."""
    plan = planned_slopes(bench([edge("P", 600.0, 7, (-15.0, 15.0))]), Cross("P", 30.0), EDGES[0].stations_mm)
    rng = np.random.default_rng(1)
    assert told(read(plan, truth_of(plan, rng), rng).job) is None
