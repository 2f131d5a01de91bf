"""What a setting not yet taken would do: exact against solving again with it, and worth following."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from waywright import demo, jobfile
from waywright.core.adjust.plan import Offer, Plan, candidates
from waywright.core.evidence import Candidate, Job
from waywright.core.readings import KINDS

FACES = ("Alder", "Birch", "Rowan")


@pytest.fixture(scope="module")
def three() -> Job:
    return jobfile.loads(demo.shop("three_edges"), "three_edges.toml")


def only(job: Job, offer: Offer) -> Job:
    """The job with the readings that an offer keeps."""
    kept = {r.id for r in offer.order}
    settings = tuple(
        replace(s, readings=tuple(r for r in s.readings if r.id in kept)) for s in offer.candidate.settings
    )
    return replace(offer.candidate, settings=tuple(s for s in settings if s.readings)).added_to(job)


def everything(job: Job) -> list[Candidate]:
    return list(candidates(job, tuple(KINDS.values())))


@pytest.mark.parametrize("taken", [0, 1, 3])
@pytest.mark.parametrize("along", [True, False])
def test_offers_are_what_solving_again_gives(three: Job, taken: int, along: bool) -> None:
    """Each offer's spread and worst sigma after it are those of the job solved again with its readings, to 1e-6."""
    job = replace(three, settings=three.settings[:taken])
    plan = Plan(job, FACES, along)
    for offer in plan.offers(everything(job), 0.5):
        again = Plan(only(job, offer), FACES, along)
        assert again.spread_um == pytest.approx(offer.spread_um[1], rel=1e-6)
        assert again.worst_um == pytest.approx(offer.worst_um[1], rel=1e-5)
        assert plan.spread_um == pytest.approx(offer.spread_um[0], rel=1e-9)


def test_the_first_offer_is_the_best_of_all_solved_again(three: Job) -> None:
    """No candidate, solved again one by one, lowers the goal's uncertainty more a minute than the first offer does."""
    job = replace(three, settings=three.settings[:2])
    plan = Plan(job, FACES, True)
    first = plan.offers(everything(job), 0.0)[0]
    size = plan.weights.shape[1]
    rates = []
    for candidate in everything(job):
        again = Plan(candidate.added_to(job), FACES, True)
        rates.append(size * np.log(plan.spread_um / again.spread_um) / candidate.minutes)
    assert first.rate >= max(rates) * (1 - 1e-6)


def test_readings_left_out_say_nothing(three: Job) -> None:
    """A suspect that is left out counts for nothing in the plan: the spread is never smaller without it."""
    whole = Plan(three, FACES, True)
    without = Plan(three, FACES, True, ("layups[1].gaps[5]",))
    assert without.spread_um > whole.spread_um


def test_unread_faces_are_asked_about(three: Job) -> None:
    """With nothing read every shape has its 1 mm, and every first offer lowers it."""
    job = replace(three, settings=())
    plan = Plan(job, FACES, True)
    nodes = len(demo.face("Alder").x_mm)
    assert plan.spread_um == pytest.approx(1000 * np.sqrt(nodes), rel=1e-6)
    assert all(o.spread_um[1] < o.spread_um[0] for o in plan.offers(everything(job), 0.5))
