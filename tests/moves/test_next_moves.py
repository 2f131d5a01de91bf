"""The study of the next move on a few of its shops; the full 200 are `make proof FLAGS=next_moves`."""

from __future__ import annotations

import numpy as np
import pytest

from studies.next_moves import AGAIN, SEED, compare, numbered, proposals, shop
from waywright.core.next import programme as planning
from waywright.core.next.programme import programme
from waywright.core.next.reading_plan import ReadingPlan

SMALL = (3, 5, 7, 11, 12, 14, 15, 18)  # shops of the study that are quickly done


def test_following_the_next_move_reads_less_than_reading_everything() -> None:
    """Asked once or again and again, in no shop more readings than reading all, at the median six in ten or fewer; and
    asked again never more than 1.2 times asked once."""
    found = np.array([compare(np.random.default_rng([SEED, k])) for k in SMALL])
    assert np.all(found[:, 2] <= AGAIN * found[:, 1])
    share = found[:, 1:] / found[:, :1]
    assert share.max() <= 1.0
    assert np.all(np.median(share, axis=0) <= 0.6)


@pytest.mark.parametrize("k", SMALL)
def test_in_every_shop_the_first_move_is_the_best_of_all_solved_again(k: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """At any stage of a shop no candidate, solved again, leaves less of the goal unsure than the first of the
    programme, to 1e-6, unless that reaches the goal with fewer readings, or all of it costs a tenth less than any
    programme that begins with what tells most, and no reading more."""
    rng = np.random.default_rng([SEED, k, 1])
    job = shop(rng)
    faces, goal_um = tuple(job.faces()), float(rng.uniform(0.5, 3.0))
    for stage in range(4):
        plan = ReadingPlan(job, faces, True, goal_um)
        if plan.reached:
            return
        found = programme(plan, proposals(job))
        first = found.taken[0]
        kept = {r.id for r in first.readings}
        then = ReadingPlan(numbered(first.candidate, 50 + stage, kept).added_to(job), faces, True, goal_um)
        owned = [c for c in proposals(job) if not c.instruments and not c.pieces]
        if first.candidate.instruments:  # what is owned could not reach the goal
            owned = [c for c in proposals(job) if not c.pieces]
        best = max(ReadingPlan(c.added_to(job), faces, True, goal_um).known for c in owned)
        if not then.reached and then.known < best - 1e-6:
            with monkeypatch.context() as patched:
                patched.setattr(planning, "CHEAPER", 0.0)
                usual = programme(plan, proposals(job))
            assert found.minutes < 0.9 * usual.minutes + 1e-9
            assert found.readings <= usual.readings
        job = numbered(owned[int(rng.integers(len(owned)))], stage).added_to(job)
