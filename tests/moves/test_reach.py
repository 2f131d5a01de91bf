"""What is called out of reach is so: every candidate taken, all at once and many times over, leaves it open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import LEVEL, edge, planned_gaps, read, round_of, truth_of
from waywright.core.adjust.blind import WEAK
from waywright.core.evidence.findings import Grounds, Verdict
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job
from waywright.core.next.cures import visibility
from waywright.core.next.reach import TIMES_OVER, tellable, times_over
from waywright.core.next.reading_moves import MakePiece, OutOfReach, TakeSetting
from waywright.core.next.reading_plan import ReadingPlan, candidates
from waywright.core.next.scraping import LetBe
from waywright.core.readings import KINDS, LayUp
from waywright.core.report import report
from waywright.views.moves import how


def bench(names: str, lays: list[LayUp], goal_um: float = 6.0) -> Job:
    """Edges of one line and blocks alone, these lay-ups read; no level is to be had."""
    plan = round_of([edge(n, 600.0, 7) for n in names], ())
    for lay in lays:
        plan = planned_gaps(plan, lay)
    rng = np.random.default_rng(5)
    job = read(plan, truth_of(plan, rng, 3.0), rng).job
    kit = tuple(i for i in job.instruments if i.name != LEVEL)
    return replace(job, instruments=kit, without=("level", "autocollimator"), goal=Goal(straightness_um=goal_um))


def everything(job: Job) -> Job:
    """With all that any kind proposes."""
    for candidate in list(candidates(job, KINDS.values())):
        if not candidate.pieces:
            job = candidate.added_to(job)
    return job


def test_what_was_read_over_and_over_is_no_reason_to_give_up() -> None:
    """One lay-up of three edges read forty times, more than all that can be read twice: the others still show what it
    does not, and are asked for."""
    job = bench("PQR", [LayUp("P", "Q", "over")] * 40, goal_um=1.5)
    told = report(job, with_cures=False)
    assert any(v.unseen for v in told.verdicts)
    assert not [m for m in told.moves if isinstance(m, OutOfReach | MakePiece)]
    first = told.moves[0]
    assert isinstance(first, TakeSetting)
    assert first.whole.reached


@pytest.mark.parametrize("lays", [[], ["over"], ["end for end"], ["over", "end for end"]])
def test_two_edges_stay_blind_whatever_is_read_of_them(lays: list[str]) -> None:
    """Where a new piece is asked for, the job with every candidate added leaves the same shape unseen; the readings
    that tell the rest come first, each once, and the piece has its minutes."""
    job = bench("PQ", [LayUp("P", "Q", turn) for turn in lays])
    told = report(job, with_cures=False)
    *before, last = told.moves
    assert isinstance(last, MakePiece)
    assert last.minutes == last.cure.minutes > 1800.0
    assert all(isinstance(m, TakeSetting) for m in before)
    assert len(before) == 2 - len(lays)
    assert {spot.mode for spot in visibility(everything(job))[1].find() if spot.ratio >= WEAK} >= {"bow"}


def test_what_two_cannot_tell_a_third_can() -> None:
    """A third edge lets two be told that by themselves cannot."""
    job = bench("PQR", [])
    plan = ReadingPlan(job, ("P", "Q", "R"), True, 0.6)
    verdicts = [Verdict(n, "straightness", None, None, 6.0, "between", None, "open", Grounds(), "") for n in "PQR"]
    offers = list(candidates(job, KINDS.values()))
    assert tellable(plan, offers, verdicts) == {"P", "Q", "R"}
    only = [c for c in offers if set(c.settings[0].geometry.faces()) == {"P", "Q"}]
    assert tellable(plan, only, verdicts) == set()


def test_near_a_limit_it_is_told_how_often_all_must_be_read() -> None:
    """Four times as often halves what is unsure: what lies 1.645 of that from the limit then falls as often as not."""
    job = bench("PQR", [LayUp(a, b, t) for a, b in ("PQ", "PR", "QR") for t in ("over", "end for end")])
    plan = ReadingPlan(job, ("P", "Q", "R"), True, 0.6)
    offers = [c for c in candidates(job, KINDS.values()) if not c.instruments and not c.moved]
    u = 0.4

    def near(room: float) -> Verdict:
        value = 6.0 - room * u
        about = (value - 1.96 * u, value + 1.96 * u)
        return Verdict("P", "straightness", value, about, 6.0, "between", None, "open", Grounds(), "")

    times = [times_over(plan, offers, near(room)) for room in (0.0, 0.4, 0.8, 1.2)]
    told = [t for t in times if t is not None]
    assert len(told) == 4
    assert told == sorted(told, reverse=True)
    assert told[0] > told[-1]
    assert all(t in TIMES_OVER for t in told)
    words = {n: how(LetBe(faces=("P",), verdict=near(0.0), times=n)) for n in (None, 1, 6)}
    assert "will hardly settle it" in words[None]
    assert "read once more for an even chance" in words[1]
    assert "read 6 times over" in words[6]
