"""Lay-ups moved along by a station: advised where nothing laid as usual tells what is asked, and then they do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import LEVEL, edge, read, round_of, truth_of
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job
from waywright.core.next.cures import cures, visibility
from waywright.core.next.programme import programme
from waywright.core.next.reading_moves import TakeSetting
from waywright.core.next.reading_plan import ReadingPlan, candidates
from waywright.core.readings import KINDS, LayUp
from waywright.core.report import report

WITHOUT = ("level", "autocollimator", "indicator", "micrometer", "feelers", "papers")


def three_on_two_lines(seed: int = 3, stations: int = 7) -> Job:
    """Three edges on two lines and blocks alone: all six lay-ups read."""
    faces = [edge(n, 600.0, stations, (-20.0, 20.0)) for n in "PQR"]
    plan = round_of(faces, ("over", "end for end"))
    rng = np.random.default_rng(seed)
    job = read(plan, truth_of(plan, rng, 3.0), rng).job
    kit = tuple(i for i in job.instruments if i.name != LEVEL)
    return replace(job, instruments=kit, without=WITHOUT, goal=Goal(straightness_um=60.0))


def test_blocks_alone_settle_lines_where_faces_are_moved_along() -> None:
    """What is odd along and across alike on all three is seen by no usual lay-up; moved ones show it, and the verdicts
    fall when just what is advised is read."""
    job = three_on_two_lines()
    before = report(job, with_cures=False)
    assert all(v.unseen for v in before.verdicts)
    moves = [m for m in before.moves if isinstance(m, TakeSetting)]
    assert moves
    assert moves[0].whole.reached
    assert all(m.offer.candidate.moved for m in moves)
    for move in moves:
        candidate = move.offer.candidate
        if move.some:
            kept = [(s, (*s.geometry.rests(s.readings), *readings)) for s, readings in move.some]
            candidate = candidate.of(replace(s, readings=readings) for s, readings in kept)
        job = candidate.added_to(job)
    rng = np.random.default_rng(3)
    new = frozenset(s.id for s in job.settings if s.id.startswith("next "))
    job = read(job, truth_of(job, rng, 3.0), rng, only=new).job
    after = report(job, with_cures=False)
    assert [v.decision for v in after.verdicts] == ["inside"] * 3


def test_what_only_very_many_moved_lay_ups_would_tell_is_read_with_what_is_borrowed() -> None:
    """Blocks would reach a height known to 0.24 µm, in more settings than anybody makes: a level does in a few."""
    job = replace(three_on_two_lines(), without=())
    plan = ReadingPlan(job, ("P", "Q", "R"), True, 0.24)
    found = programme(plan, list(candidates(job, KINDS.values())))
    assert found.reached
    assert len(found.taken) < 10
    assert any(offer.candidate.instruments for offer in found.taken)


def test_a_lay_up_moved_along_may_be_the_cure() -> None:
    """Of each shape along lines that the six lay-ups leave blind."""
    job = three_on_two_lines()
    spots = visibility(job)[1].find()
    found = cures(job, spots)
    assert any(c.candidate is not None and c.candidate.moved for c in found.values())


@pytest.mark.parametrize("lengths", [(600.0, 600.0), (600.0, 400.0), (1000.0, 300.0)])
@pytest.mark.parametrize("stations", [4, 5, 7, 12])
@pytest.mark.parametrize("lines", [(0.0,), (-20.0, 20.0)])
def test_what_is_moved_stands_safely(lengths: tuple[float, float], stations: int, lines: tuple[float, ...]) -> None:
    """The upper's middle lies well between its spacers, and each spacer lies under it and on the lower."""
    faces = [edge(n, long, stations, lines) for n, long in zip("PQ", lengths, strict=True)]
    for candidate in LayUp.candidates(round_of(faces)):
        (setting,) = candidate.settings
        lay = setting.geometry
        assert isinstance(lay, LayUp)
        if not candidate.moved:
            continue
        lower, upper = (next(f for f in faces if f.name == name) for name in (lay.lower, lay.upper))
        rests = lay.rests(setting.readings)
        at = np.array([(r.x_mm, r.y_mm or 0.0) for r in rests], float)
        start, end = lay.ends_mm(lower, upper)
        assert np.all((at[:, 0] > start) & (at[:, 0] < end))
        middle = lay.on_lower(upper, np.array([upper.length_mm / 2]), np.zeros(1))[0][0]
        held = np.column_stack([np.ones(len(at)), at]).T[: len(at)]  # 1, x and, on three, y
        share = np.linalg.solve(held, np.array([1.0, middle, 0.0])[: len(at)])
        assert np.all(share > 0.1)
