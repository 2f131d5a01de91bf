"""A setting made as advised is gone on with, empty or read in part; advice does not change because it was made."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import LEVEL, bench, edge, read, truth_of
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Setting
from waywright.core.next.reading_moves import TakeSetting
from waywright.core.report import report
from waywright.views.moves import how


def shop(level: bool) -> Job:
    """Three edges to be straight, nothing read yet."""
    job = replace(bench([edge(n, 600.0, 7) for n in "PQR"]), goal=Goal(straightness_um=2.0 if level else 4.0))
    kit = tuple(i for i in job.instruments if level == (i.name == LEVEL))
    return replace(job, instruments=kit, without=() if level else ("level", "autocollimator"))


def first(job: Job) -> TakeSetting:
    move = report(job, with_cures=False).moves[0]
    assert isinstance(move, TakeSetting)
    return move


@pytest.mark.parametrize("level", [True, False])
def test_an_empty_setting_made_as_advised_is_the_one_to_read_into(level: bool) -> None:
    """The same act, places and minutes as before it was made; it says where to type them, and counts no second one."""
    job = shop(level)
    advised = first(job)
    (setting,) = advised.offer.candidate.settings
    made = Setting(
        "layups[0]", setting.geometry, setting.geometry.rests(setting.readings), instrument=setting.instrument
    )
    again = first(replace(job, settings=(made,)))
    assert again.offer.candidate.settings[0].geometry == setting.geometry
    assert (again.where_mm, again.minutes) == (advised.where_mm, advised.minutes)
    assert again.begun == (made,)
    assert how(again).startswith(how(advised))
    assert "open for it" in how(again)
    assert "of its own" not in how(again)


@pytest.mark.parametrize(("level", "done"), [(True, 1), (False, 1), (False, 3)])
def test_a_setting_read_in_part_is_gone_on_with(level: bool, done: int) -> None:
    """What is asked for is what it has not of what was advised, without setting up again; read so, it is not asked for
    once more."""
    job = shop(level)
    advised = first(job)
    rng = np.random.default_rng(2)
    taken = read(advised.offer.candidate.added_to(job), truth_of(job, rng, 3.0), rng).job
    (whole,) = taken.settings
    kind = whole.geometry
    wanted = {r.id for r in advised.offer.readings}
    places = [r for r in kind.to_read(whole.readings) if r.id in wanted]
    part = replace(whole, readings=(*kind.rests(whole.readings), *places[:done]))
    left = places[done:]
    move = first(replace(taken, settings=(part,)))
    assert move.begun == (part,)
    assert sorted(r.x_mm or 0.0 for r in move.offer.readings) == sorted(r.x_mm or 0.0 for r in left)
    assert move.minutes == pytest.approx(kind.reading_min * len(left))
    assert how(move).startswith("Go on, ")
    after = report(replace(taken, settings=(replace(part, readings=(*part.readings, *left)),)), with_cures=False)
    assert all(not m.begun for m in after.moves if isinstance(m, TakeSetting))


def test_what_was_lifted_is_not_gone_on_with() -> None:
    """Once another setting of its faces was read, the half-read one is left as it is."""
    job = shop(False)
    advised = first(job)
    rng = np.random.default_rng(2)
    taken = read(advised.offer.candidate.added_to(job), truth_of(job, rng, 3.0), rng).job
    (whole,) = taken.settings
    part = replace(whole, id="layups[0]", name=None, readings=whole.readings[:5])
    later = replace(whole, id="layups[1]", geometry=replace(whole.geometry, turn="end for end"))
    later = replace(later, readings=tuple(replace(r, id=f"later {r.id}") for r in later.readings))
    told = report(replace(taken, settings=(part, later)), with_cures=False)
    assert all(part not in m.begun for m in told.moves if isinstance(m, TakeSetting))
