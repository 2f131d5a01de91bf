"""What is asked for when the readings do not fit together, and what is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studies.blunders import moved
from tests.simulate import STACKS, edge, read, round_of, truth_of
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Pass
from waywright.core.next.moves import doubted
from waywright.core.next.scraping import maps
from waywright.core.report import report
from waywright.units import METRIC
from waywright.views.grounds import verdict_why
from waywright.views.moves import how, reason

BOTH = ("over", "end for end")
GOAL = Goal(straightness_um=3.0)


def taken(plan: Job, **u_factor: float) -> Job:
    """Three edges some 20 µm out of true, read in both turns."""
    rng = np.random.default_rng(3)
    return replace(read(plan, truth_of(plan, rng, 8.0), rng, u_factor=u_factor).job, goal=GOAL)


def rough(job: Job, number: int, more_um: float = 9.0) -> Job:
    """The same, one lay-up as rough as a hand in a hurry makes it."""
    setting, noise = job.settings[number], np.random.default_rng(4)
    readings = tuple(moved(r, more_um * float(noise.standard_normal())) for r in setting.readings)
    changed = replace(setting, readings=readings)
    return replace(job, settings=(*job.settings[:number], changed, *job.settings[number + 1 :]))


@pytest.fixture(scope="module")
def plan() -> Job:
    return round_of([edge(n, 600.0, 9) for n in "PQR"], BOTH)


def test_nothing_is_scraped_on_readings_that_do_not_fit(plan: Job) -> None:
    """Three faces outside their limit are to be scraped. With one lay-up rough they are all open, without a chance,
    and the first move is to find out what is wrong with it and take it anew at four places; no map is drawn."""
    honest = taken(plan)
    assert [v.decision for v in report(honest).verdicts] == ["outside"] * 3
    assert {m.act for m in report(honest).moves} == {"scrape"}
    job = rough(honest, 2)
    told = report(job)
    assert [v.decision for v in told.verdicts] == ["open"] * 3
    assert all(verdict_why(v).startswith("the readings do not fit together") for v in told.verdicts)
    assert all(v.chance_inside is None and v.value_um is not None for v in told.verdicts)
    assert doubted(job, told) == {"P", "Q", "R"}
    assert list(maps(job, told, set())) == []
    first, *rest = told.moves
    assert first.act == "measure"
    assert first.faces == job.settings[2].geometry.faces()
    assert how(first).startswith(f"look for what is wrong with {job.settings[2].geometry.words(METRIC)}, as a whole")
    assert "at four places or more" in how(first)
    assert "on the centre line at 0, 225, 375 and 600 mm" in how(first)
    assert first.where_mm == (0.0, 225.0, 375.0, 600.0)
    assert first.minutes == pytest.approx(15 + 4 * 1.5)
    assert not [m for m in rest if m.act != "measure" or "tells most" in reason(m)]


def test_an_instrument_is_checked_before_more_is_read_with_it(plan: Job) -> None:
    """Stacks at four times their claim: what they claim is to be checked, then one lay-up taken anew."""
    job = taken(plan, **{STACKS: 4.0})
    told = report(job)
    assert {v.decision for v in told.verdicts} == {"open"}
    first = told.moves[0]
    assert how(first).startswith(f"check what is claimed for {STACKS}")
    assert "anew as a setting of its own, at four places or more" in how(first)
    assert "times what is claimed" in reason(first)


def test_what_was_cut_since_is_not_to_be_taken_anew(plan: Job) -> None:
    """A rough lay-up of the round before the last pass cannot be laid again: it is to be looked through or left out."""
    again = tuple(
        replace(s, id=f"again {s.id}", readings=tuple(replace(r, id=f"again {r.id}") for r in s.readings))
        for s in plan.settings
    )
    passes = tuple(Pass(f"pass {name}", name, after=plan.settings[-1].id) for name in "PQR")
    job = rough(taken(replace(plan, settings=plan.settings + again, passes=passes)), 2, 4.0)
    told = report(job)
    assert told.past == tuple(s.id for s in job.settings[:6])
    assert [m.setting for m in told.fit.misfits] == [job.settings[2].id]
    first = told.moves[0]
    assert how(first).endswith("its faces were cut since and it cannot be taken anew")
    assert (first.where_mm, first.minutes) == ((), 0.0)


def test_what_is_blind_as_well_is_still_named() -> None:
    """Two faces never tell their bows apart: a verdict open for both reasons says both, and shows no value."""
    plan = round_of([edge(n, 600.0, 9, (-15.0, 15.0)) for n in "PQ"], BOTH)
    told = report(taken(plan, **{STACKS: 5.0}))
    assert told.fit.misfits
    for verdict in told.verdicts:
        assert verdict_why(verdict).startswith("the readings do not fit together; no reading so far sees bow")
