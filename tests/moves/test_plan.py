"""What a setting not yet taken would do: exact against solving again with it, and worth following."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from waywright import demo, jobfile
from waywright.core.evidence.job import Job
from waywright.core.evidence.kind import Candidate
from waywright.core.next.programme import programme
from waywright.core.next.reading_plan import Offer, ReadingPlan, candidates
from waywright.core.next.thinning import Thinning
from waywright.core.readings import KINDS

FACES = ("Alder", "Birch", "Rowan")


@pytest.fixture(scope="module")
def three() -> Job:
    return jobfile.loads(demo.shop("three_edges"), "three_edges.toml")


def only(job: Job, offer: Offer) -> Job:
    """The job with the readings that an offer keeps."""
    kept = {r.id for r in offer.readings}
    settings = tuple(
        replace(s, readings=tuple(r for r in s.readings if r.id in kept)) for s in offer.candidate.settings
    )
    return replace(offer.candidate, settings=tuple(s for s in settings if s.readings)).added_to(job)


def everything(job: Job) -> list[Candidate]:
    return list(candidates(job, tuple(KINDS.values())))


@pytest.mark.parametrize("taken", [0, 1, 3])
@pytest.mark.parametrize("along", [True, False])
def test_offers_are_what_solving_again_gives(three: Job, taken: int, along: bool) -> None:
    """What each offer says is known after it is what the job solved again with its readings knows, to 1e-6."""
    job = replace(three, settings=three.settings[:taken])
    plan = ReadingPlan(job, FACES, along, 0.5)
    for offer in plan.offers(everything(job)):
        again = ReadingPlan(only(job, offer), FACES, along, 0.5)
        assert again.known == pytest.approx(offer.known[1], abs=1e-6)
        assert again.worst_um == pytest.approx(offer.worst_um[1], rel=1e-5)
        assert plan.known == offer.known[0]


@pytest.mark.parametrize("taken", [0, 1, 2, 3])
@pytest.mark.parametrize("along", [True, False])
def test_the_first_of_a_programme_is_the_best_of_all_solved_again(three: Job, taken: int, along: bool) -> None:
    """No candidate, solved again one by one, leaves less of the goal unsure than the first recommended, to 1e-6."""
    job = replace(three, settings=three.settings[:taken])
    plan = ReadingPlan(job, FACES, along, 0.5)
    first = programme(plan, everything(job)).taken[0]
    solved = ReadingPlan(only(job, first), FACES, along, 0.5).known
    others = [ReadingPlan(c.added_to(job), FACES, along, 0.5).known for c in everything(job) if not c.pieces]
    assert len(others) >= 12
    assert solved >= max(others) - 1e-6


def test_offers_are_ranked_by_what_they_tell_a_minute(three: Job) -> None:
    """No candidate, solved again one by one, tells more of the goal a minute than the first offer does, to 1e-6."""
    job = replace(three, settings=three.settings[:2])
    plan = ReadingPlan(job, FACES, True, 0.5)
    first = plan.offers(everything(job))[0]
    rates = [
        (ReadingPlan(c.added_to(job), FACES, True, 0.5).known - plan.known) / c.minutes
        for c in everything(job)
        if not c.pieces
    ]
    assert first.rate >= max(rates) * (1 - 1e-6)


def test_readings_left_out_say_nothing(three: Job) -> None:
    """A suspect that is left out counts for nothing in the plan: less is known without it."""
    whole = ReadingPlan(three, FACES, True, 0.5)
    without = ReadingPlan(three, FACES, True, 0.5, ("layups[1].gaps[5]",))
    assert without.known < whole.known


def test_unread_faces_are_asked_about(three: Job) -> None:
    """With nothing read nothing is known, every shape has its 1 mm, and every first offer tells something."""
    job = replace(three, settings=())
    plan = ReadingPlan(job, FACES, True, 0.5)
    assert plan.known == pytest.approx(0.0, abs=1e-6)
    assert plan.worst_um > 1000
    assert all(o.known[1] > 0 for o in plan.offers(everything(job)))


@pytest.mark.parametrize("goal_um", [0.3, 0.6])
def test_a_programme_reaches_its_goal_when_solved_again(three: Job, goal_um: float) -> None:
    """The job with the programme's readings reaches the goal; without any one of its later settings it does not."""
    job = replace(three, settings=())
    plan = ReadingPlan(job, FACES, True, goal_um)
    found = programme(plan, everything(job))
    assert found.reached
    assert ReadingPlan(with_(job, found.taken), FACES, True, goal_um).worst_um <= goal_um * (1 + 1e-6)
    for i in range(1, len(found.taken)):
        less = found.taken[:i] + found.taken[i + 1 :]
        assert not ReadingPlan(with_(job, less), FACES, True, goal_um).reached


def test_a_goal_beyond_the_instruments_is_not_reached(three: Job) -> None:
    """A goal of a thousandth of a micrometre is said to be out of reach."""
    plan = ReadingPlan(replace(three, settings=()), FACES, True, 0.001)
    assert not programme(plan, everything(three)).reached


def with_(job: Job, taken: Sequence[Offer]) -> Job:
    """The job with the settings of a programme, under ids of their own."""
    for k, t in enumerate(taken):
        kept = {r.id for r in t.readings}
        settings = tuple(
            replace(
                s,
                id=f"{s.id}{k}",
                name=s.name and f"{s.name}{k}",
                readings=tuple(replace(r, id=f"{r.id}{k}") for r in s.readings if r.id in kept),
            )
            for s in t.candidate.settings
        )
        job = replace(t.candidate, settings=tuple(s for s in settings if s.readings)).added_to(job)
    return job


@pytest.mark.parametrize("along", [True, False])
def test_what_goes_reading_by_reading_is_what_planning_anew_tells(three: Job, along: bool) -> None:
    """After every reading taken out, each node's variance and what losing each reading would cost are those of a plan
    factored anew, to 1e-7; what is left reaches the goal, and nearly half have gone."""
    plan = ReadingPlan(replace(three, settings=three.settings[:1]), FACES, along, 1.5)
    usual = [c for c in everything(three) if not c.moved]
    chosen = [t for c in usual if (t := plan.information_of(c)) is not None and t.readings][:8]
    whole = sum(len(t.readings) for t in chosen)
    thinning = Thinning(plan, chosen, 1)
    while thinning.step():
        left = Thinning(plan, list(chosen), 1)
        left.at, left.setting, left.gone = thinning.at, thinning.setting, thinning.gone
        told = [*left.left()]
        anew = Thinning(plan, told, 1)
        np.testing.assert_allclose(thinning.variance, anew.variance, rtol=1e-7)
        stays = ~thinning.gone
        mine = np.isin(_names(thinning)[stays], _names(anew))
        np.testing.assert_allclose(
            thinning.losses()[stays][mine], anew.losses()[np.isin(_names(anew), _names(thinning)[stays])], atol=1e-9
        )
    left_over = thinning.left()
    assert plan.largest_um(plan.with_these(left_over)) <= 1.5
    assert sum(len(t.readings) for t in left_over) < 0.6 * whole


def _names(thinning: Thinning) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    """Each reading that may go, by its setting and id."""
    every = zip(thinning.setting, thinning.at, strict=True)
    return np.array([f"{s} {thinning.chosen[s].readings[i].id}" for s, i in every])
