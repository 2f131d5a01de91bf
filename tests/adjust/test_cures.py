"""Every cure named, when it is taken, removes its blind spot."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulate import LEVEL, bench, edge, planned_gaps, read, round_of, truth_of
from waywright.core.adjust.blind import WEAK, Visibility
from waywright.core.adjust.network import network
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.job import Job
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.things import Face
from waywright.core.next.cures import candidates, cures, newest_faces, visibility
from waywright.core.readings import Cross, LayUp, Step
from waywright.views.findings import cure_words
from waywright.views.numbers import METRIC

KINDS: tuple[type[Kind], ...] = (LayUp, Step, Cross)
OVER, BOTH = ("over",), ("over", "end for end")


def faces(count: int, *lines: float) -> list[Face]:
    return [edge(name, 600.0, 7, lines) for name in "PQRS"[:count]]


def two_apart() -> Job:
    """Two pairs that nothing joins."""
    job = bench(faces(4, 0.0))
    return planned_gaps(planned_gaps(job, LayUp("P", "Q", "over")), LayUp("R", "S", "over"))


PLANS = {
    "a pair on one line": round_of(faces(2, 0.0), OVER),
    "a pair in both turns": round_of(faces(2, -15, 15), BOTH),
    "three faces marks together": round_of(faces(3, -15, 15), OVER),
    "three faces marks opposite": round_of(faces(3, -15, 15), ("end for end",)),
    "three faces in both turns": round_of(faces(3, -15, 15), BOTH),
    "three edges marks opposite on three lines": round_of(faces(3, -15, 0, 15), ("end for end",)),
    "two pairs that nothing joins": two_apart(),
}


@pytest.mark.parametrize("with_level", [True, False], ids=["a level in the shop", "no level"])
@pytest.mark.parametrize("plan", PLANS)
def test_each_cure_taken_removes_its_blind_spot(plan: str, with_level: bool) -> None:
    """Taken and solved with the rest, the readings a cure asks for show the spot, and the heights are the true ones."""
    rng = np.random.default_rng(17)
    job = PLANS[plan]
    if not with_level:
        job = Job(job.title, job.pieces, tuple(i for i in job.instruments if i.name != LEVEL), job.settings)
    truth = truth_of(job, rng)
    job = read(job, truth, rng).job
    spots = visibility(job)[1].find()
    found = cures(job, spots, KINDS)
    assert set(found) == set(range(len(spots))), "a spot of these plans has no cure"
    for number, cure in found.items():
        candidate = cure.candidate
        assert candidate is not None
        larger = candidate.added_to(job)
        known = truth | truth_of(larger, rng) | truth
        new = frozenset(s.id for s in candidate.settings)
        screened = screen(network(read(larger, known, rng, only=new).job))
        seen = Visibility(screened.solution, newest_faces(network(larger), screened.solution))
        spot = spots[number]
        assert seen.ratio(spot.mode, spot.weights) < WEAK
        alike = [b for b in seen.find() if b.mode == spot.mode and set(b.faces) & set(spot.faces)]
        assert alike == []
        sigmas = seen.sigmas_um()
        for f in seen.faces:
            name = f.unknown.face.name  # type: ignore[union-attr]
            true = f.about_plane(known[name][:, None])[:, 0]
            assert np.all(np.abs(screened.solution.heights_um(f) - true) < 5 * sigmas[name])


def test_the_cheapest_is_named_first() -> None:
    """Candidates come by their minutes, and a cure is the first of them that works."""
    job = PLANS["three faces in both turns"]
    spots = visibility(job)[1].find()
    minutes = [c.minutes for c in candidates(job, KINDS)]
    assert minutes == sorted(minutes)
    for number, cure in cures(job, spots, KINDS).items():
        for candidate in candidates(job, KINDS):
            if candidate.minutes >= cure.minutes:
                break
            ratio = visibility(candidate.added_to(job))[1].ratio(spots[number].mode, spots[number].weights)
            assert ratio >= WEAK


def test_what_was_taken_is_not_named_again() -> None:
    """A lay-up already read on the faces as they are, told from either face, is no candidate."""
    job = bench(faces(2, 0.0))
    job = planned_gaps(job, LayUp("Q", "P", "over"))
    asked = [c.settings[0].geometry for c in candidates(job, (LayUp,)) if len(c.settings) == 1]
    assert [lay for lay in asked if not lay.lying.offset_mm] == [LayUp("P", "Q", "end for end")]


def test_a_pair_alone_is_given_a_third_face() -> None:
    """Without a level, what a pair cannot see is cured by a third face, in the same words as everywhere."""
    plan = PLANS["a pair on one line"]
    job = Job(plan.title, plan.pieces, (plan.instruments[0],), plan.settings)
    spots = visibility(job)[1].find()
    found = cures(job, spots, (LayUp,))
    assert found, "nothing cures it"
    words = {number: cure_words(cure, METRIC) for number, cure in found.items()}
    assert all("third face" in one or "marks opposite" in one or "mm from P's" in one for one in words.values())
    assert (
        "Make a third face like P, here called third. Lay third on P, marks together"
        in words[[s.mode for s in spots].index("bow")]
    )
