"""An instrument that is not to be had is struck out of all advice, and what it had already read still counts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import edge, read, round_of, truth_of
from waywright import demo, jobfile
from waywright.core.evidence.findings import Report
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import INSTRUMENT_KINDS
from waywright.core.next.reading_moves import MakePiece, OutOfReach, TakeSetting, TryStack
from waywright.core.next.retakes import TakeAgain
from waywright.core.readings import KINDS
from waywright.core.report import report
from waywright.jobfile import JobFileError
from waywright.views.moves import borrowed_kinds, how, reason

STACKS = ("gauge blocks", "feelers", "papers")


@pytest.fixture(scope="module")
def two() -> Job:
    return jobfile.loads(demo.shop("two_edges"), "two_edges")


def used(told: Report) -> Iterator[str]:
    """The kind of instrument of every setting that the report advises, in moves and in cures."""
    offered = [m.offer.candidate for m in told.moves if isinstance(m, TakeSetting)]
    cured = [m.cure.candidate for m in told.moves if isinstance(m, MakePiece)]
    cured += [spot.cure.candidate for spot in told.blind if spot.cure is not None]
    for candidate in (*offered, *(c for c in cured if c is not None)):
        wider = candidate.added_to(told.job)
        for setting in candidate.settings:
            instrument = wider.instrument(setting)
            assert instrument is not None
            yield instrument.kind
    for move in told.moves:
        if isinstance(move, TryStack):
            yield "gauge blocks"
        if isinstance(move, TakeAgain) and move.retake.kit is not None:
            yield move.retake.kit.kind


def test_a_level_to_be_borrowed_is_offered_until_there_is_none(two: Job) -> None:
    """Said not to be had it is in no move and no cure; what is left is the other turn, then what a third face shows."""
    told = report(two)
    assert borrowed_kinds(told.moves) == ("level",)
    assert "level" in set(used(told))
    none = report(replace(two, without=("level",)))
    assert borrowed_kinds(none.moves) == ()
    assert "level" not in set(used(none))
    assert how(none.moves[0]).startswith("Lay Birch on Alder, marks opposite")
    assert how(none.moves[1]).startswith("Make a third face like Alder")
    assert reason(none.moves[1]).startswith("you said that you have no level")
    assert none.moves[1].minutes is not None
    assert none.moves[1].minutes > 1800.0


@pytest.mark.parametrize("kind", INSTRUMENT_KINDS)
def test_what_is_listed_and_not_to_be_had_is_in_no_advice(kind: str) -> None:
    """Of the sample shop, whose blocks and level are listed; the suspect's lay-up is not asked for again without
    stacks, and no shape moves."""
    job = jobfile.loads(demo.shop("three_edges"), "three_edges")
    before, after = report(job), report(replace(job, without=(kind,)))
    assert kind not in set(used(after))
    for one, other in zip(before.shapes, after.shapes, strict=True):
        assert np.array_equal(one.height_um, other.height_um, equal_nan=True)


def test_where_nothing_is_left_that_is_said(two: Job) -> None:
    """Without stacks and a level nothing tells two edges: said truthfully, and no limit of a whole millimetre."""
    told = report(replace(two, without=(*STACKS, "level", "autocollimator")))
    (move,) = [m for m in told.moves if isinstance(m, OutOfReach)]
    assert move.faces == ("Alder", "Birch")
    assert "these instruments cannot tell Alder and Birch" in how(move)
    assert "you said that you have no gauge blocks, feelers, papers, level and autocollimator" in reason(move)


def test_every_kind_of_reading_follows(two: Job) -> None:
    """Without any instrument no kind proposes anything."""
    faces = [edge(n, 600.0, 9) for n in "PQ"]
    plan = round_of(faces)
    rng = np.random.default_rng(1)
    for job in (two, read(plan, truth_of(plan, rng), rng).job):
        bare = replace(job, without=INSTRUMENT_KINDS)
        assert [c for kind in KINDS.values() for c in kind.candidates(bare)] == []


def test_it_stands_in_the_job_file(two: Job) -> None:
    """Read, written and read again; a kind that is none, and one said twice, are refused in a sentence."""
    text = demo.shop("two_edges").replace("title =", 'without = ["level"]\ntitle =', 1)
    job = jobfile.loads(text)
    assert job.without == ("level",)
    assert jobfile.loads(jobfile.dumps(job)).without == ("level",)
    for bad, why in (('["spoon"]', "'spoon' is not known"), ('["level", "level"]', "twice"), ("3", "without")):
        with pytest.raises(JobFileError, match=why):
            jobfile.loads(text.replace('["level"]', bad, 1))


def test_a_goal_is_not_in_reach_of_what_is_blind(two: Job) -> None:
    """No limit is said to be provable of faces of which a shape stays blind whatever is read."""
    for goal in (6.0, 0.5):
        told = report(replace(two, goal=Goal(straightness_um=goal), without=("level",)))
        assert not any(isinstance(m, TakeSetting) and m.proof is not None for m in told.moves)
        assert not any("e+0" in words for m in told.moves for words in (how(m), reason(m)))
