"""The next stack: which size to try while a pair still lies there, and what it tells."""

from __future__ import annotations

from dataclasses import replace

import pytest

from waywright import demo, jobfile
from waywright.core.evidence.findings import Improvement, Move
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Pass, Reading, Setting, Typed
from waywright.core.next.measuring import SHARE, put_in, required_sigma_um
from waywright.core.next.next_stack import next_stack
from waywright.core.next.reading_plan import ReadingPlan
from waywright.core.readings import Cross, LayUp
from waywright.core.readings.stacks import USUAL_SET_MM
from waywright.core.report import report
from waywright.views.moves import how

FACES = ("Alder", "Birch", "Rowan")


@pytest.fixture(scope="module")
def three() -> Job:
    """The first three lay-ups of the sample shop, without the reading that is wrong."""
    job = jobfile.loads(demo.shop("three_edges"), "three_edges.toml")
    taken = [s for s in job.settings if isinstance(s.geometry, LayUp)][:3]
    return replace(
        job,
        goal=Goal(straightness_um=6),
        settings=tuple(replace(s, readings=tuple(r for r in s.readings if r.id != "layups[1].gaps[5]")) for s in taken),
    )


def test_while_a_pair_lies_there_the_stack_that_narrows_most_is_told(three: Job) -> None:
    """With brackets of 8 µm and a set of 1 µm steps a stack is proposed, with its blocks; what it tells is exact."""
    job = bracketed(three, 0.008)
    (stack,) = [m for m in report(job).moves if "still lies there" in how(m)]
    assert "try a stack of " in how(stack)
    assert "mm (" in how(stack)
    plan = ReadingPlan(job, FACES, True, required_sigma_um(job))
    found = next_stack(plan, job)
    assert found is not None
    assert stack.gain is not None
    assert found.known == (stack.gain.now, stack.gain.then)
    assert sum(found.blocks_mm) == pytest.approx(found.size_mm)
    assert set(found.blocks_mm) <= set(USUAL_SET_MM)
    last = job.settings[-1]
    halved = {r.id for r in found.readings}
    assert all(
        r.low.to("mm") < found.size_mm < r.high.to("mm") for r in last.readings if r.id in halved and r.low and r.high
    )
    narrow = [
        replace(r, low=Typed(found.size_mm, "mm")) if 2 * found.size_mm < r.low.to("mm") + r.high.to("mm")  # type: ignore[union-attr]
        else replace(r, high=Typed(found.size_mm, "mm"))
        for r in last.readings if r.id in halved
    ]  # fmt: skip
    typed = tuple({r.id: r for r in (*last.readings, *narrow)}.values())
    again = replace(job, settings=(*job.settings[:-1], replace(last, readings=typed)))
    assert ReadingPlan(again, FACES, True, required_sigma_um(job)).known == pytest.approx(found.known[1], abs=1e-9)


def test_no_stack_is_told_once_the_pair_was_lifted_or_nothing_is_wide(three: Job) -> None:
    """Brackets of one step, another reading since, a pass since: there is no stack to try."""
    wide = bracketed(three, 0.008)
    plan = ReadingPlan(wide, FACES, True, required_sigma_um(wide))
    last = wide.settings[-1]
    level = Setting(
        "later",
        Cross("Alder", 28.0),
        (Reading("later 0", "readings", 330.0, key="um_per_m", value=Typed(1.0, "µm/m")),),
    )
    assert next_stack(plan, wide) is not None
    assert next_stack(plan, bracketed(three, 0.001)) is None
    assert next_stack(plan, replace(wide, settings=(*wide.settings, level))) is None
    assert next_stack(plan, replace(wide, passes=(Pass("passes[0]", last.geometry.faces()[0], after=last.id),))) is None


def bracketed(job: Job, width_mm: float) -> Job:
    """A job's gaps as brackets of one width."""

    def told(r: Reading) -> Reading:
        middle = r.value.to("mm") if r.value else (r.low.to("mm") + r.high.to("mm")) / 2 if r.low and r.high else None
        if r.entry != "gaps" or middle is None:
            return r
        low = round(middle - width_mm / 2, 3)
        return replace(r, key=None, value=None, low=Typed(low, "mm"), high=Typed(round(low + width_mm, 3), "mm"))

    return replace(job, settings=tuple(replace(s, readings=tuple(map(told, s.readings))) for s in job.settings))


@pytest.mark.parametrize(("tells", "minutes", "at"), [(0.5, 500.0, 0), (0.2, 1.0, 1), (0.2, 30.0, 2), (0.001, 30.0, 3)])
def test_a_stack_takes_its_place_among_the_moves(tells: float, minutes: float, at: int) -> None:
    """First when it tells most of all, however long it takes; else behind the first, by what it tells a minute."""

    def move(gain: float, takes: float) -> Move:
        return Move(faces=("P",), gain=Improvement(SHARE, "share", 0.0, gain), minutes=takes)

    offered = [move(0.4, 40.0), move(0.3, 10.0), move(0.01, 10.0)]
    stack = move(tells, minutes)
    put_in(offered, stack)
    assert offered.index(stack) == at
