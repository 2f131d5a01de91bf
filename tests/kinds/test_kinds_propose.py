"""What each kind would propose next: with what is owned, and worth what it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.kinds.test_hinges import read_and_pushed
from tests.kinds.test_touching import crossing
from tests.kinds.worlds import BLOCKS, DIAL, MICROMETER, edge, job_of, nodes_of, with_readings
from waywright.core.adjust.network import network
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import Instrument
from waywright.core.next.cures import cures, visibility
from waywright.core.next.programme import programme
from waywright.core.next.reading_plan import ReadingPlan, candidates
from waywright.core.readings import KINDS, Blue, Hinge, LayUp, Rider, Rolls, Run, Slide, Step, Thickness
from waywright.core.report import report
from waywright.views.findings import cure_words
from waywright.views.moves import how
from waywright.views.numbers import METRIC

P, UNDER, Q = edge("P"), edge("P under", side="bottom"), edge("Q")
SET = replace(BLOCKS, blocks_mm=(1.0, 1.005, 1.01, 10.0, 20.0))
LEVEL = Instrument("level", "level", u_um_per_m=4.0)
COMPARED = (Thickness, Run, Rider, Slide)


def shop(*kit: object) -> Job:
    """Two pieces, one with an underside."""
    return job_of((P, UNDER), Q, kit=kit)  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", COMPARED)
def test_nothing_is_proposed_without_its_instrument(kind: type) -> None:
    """A kind is proposed when its instrument is owned, and else not."""
    assert not list(kind.candidates(shop()))  # type: ignore[attr-defined]
    assert list(kind.candidates(shop(DIAL, MICROMETER, SET)))  # type: ignore[attr-defined]


def test_a_wedge_is_proposed_for_a_set_whose_step_is_known() -> None:
    """Blocks that are not listed have no step to rise by."""
    assert not list(Slide.candidates(shop(BLOCKS)))
    first = next(Slide.candidates(shop(SET)))
    spacers = [r for r in first.settings[0].readings if r.entry == "spacers"]
    rise = (spacers[1].value.number - spacers[0].value.number) * 1e3  # type: ignore[union-attr]
    assert rise == pytest.approx(5 * 6)  # 5 µm from station to station, six times


@pytest.mark.parametrize("kind", COMPARED)
def test_proposals_are_jobs_that_can_be_solved(kind: type) -> None:
    """Added to the job, every proposal gives rows, takes minutes, and says what to do."""
    job = shop(DIAL, MICROMETER, SET)
    for candidate in kind.candidates(job):  # type: ignore[attr-defined]
        wider = candidate.added_to(job)
        for setting in candidate.settings:
            setting.geometry.check(wider)
        count = sum(len(s.readings) for s in candidate.settings)
        assert network(wider).rows.matrix.shape[0] == count
        each = sum(len(s.readings) * s.geometry.reading_min for s in candidate.settings)
        assert 0 < each < candidate.minutes
        assert candidate.words(METRIC)[0].isupper()


def test_a_reversal_cures_a_single_edge() -> None:
    """An edge of which nothing but one run on an unknown table is known is cured by turning it over."""
    job = job_of(P, kit=(DIAL,))
    job = with_readings(
        job, Run("P", "mill table"), "readings", nodes_of(P), lambda x, y: 0.0, key="um", unit="µm", instrument="dial"
    )
    spots = visibility(job)[1].find()
    found = cures(job, spots)
    assert set(found) == set(range(len(spots)))
    bow = next(i for i, spot in enumerate(spots) if spot.mode == "bow")  # the finer ones a bridge would show as well
    assert cure_words(found[bow], METRIC).startswith("Run the dial along P on mill table, P rolled over its long edge")


def test_a_first_reversal_needs_both_runs() -> None:
    """On a table not met before one run alone is never proposed: it would show nothing."""
    for candidate in Run.candidates(job_of(P, kit=(DIAL,))):
        assert len(candidate.settings) == 2


@pytest.mark.parametrize("what", ["crossing", "hinge"])
def test_what_is_no_reading_along_the_face_can_be_retaken(what: str) -> None:
    """Faces that would cross, and a hinge that says the opposite, lead to a next move and not to a fault."""
    job = crossing() if what == "crossing" else read_and_pushed(20.0, [290.0])
    told = [how(move) for move in report(job, with_cures=False).moves]
    again = [how for how in told if how.startswith("take it once more. Lay Q on P, marks together")]
    assert again
    assert ("Read the gap " if what == "crossing" else "Push it sideways at P's ") in again[0]


def test_rolls_are_proposed_where_they_were_used() -> None:
    """Rolls that the job knows are proposed at every station they reach; none are invented."""
    faces = (edge("flank"), edge("floor", (100, 300, 500)))
    job = job_of(faces, kit=(MICROMETER,))
    assert not list(Rolls.candidates(job))
    job = with_readings(
        job, Rolls("flank", "floor", 60.0), "readings", [(100.0, 0.0)], lambda x, y: 0.0,
        key="size_mm", unit="mm", instrument="micrometer",
    )  # fmt: skip
    (candidate,) = Rolls.candidates(job)
    assert [r.x_mm for r in candidate.settings[0].readings] == [100.0, 200.0, 300.0, 400.0, 500.0]


@pytest.mark.parametrize("kind", [Blue, Hinge])
def test_what_shows_only_afterwards_is_not_proposed(kind: type) -> None:
    """Where a bluing will touch, or a bar will pivot, is not known beforehand: neither is a candidate."""
    assert not list(kind.candidates(shop(DIAL, MICROMETER, SET)))  # type: ignore[attr-defined]


def test_every_kind_is_registered() -> None:
    """The job file knows ten kinds of blocks."""
    assert set(KINDS) >= {
        "layups", "slides", "steps", "crosses", "thickness", "rolls", "runs", "riders", "blues", "hinges",
    }  # fmt: skip
    assert KINDS["layups"] is LayUp
    assert np.all([k.block == name for name, k in KINDS.items()])


@pytest.mark.parametrize("kind", [LayUp, Step, *COMPARED])
def test_every_instrument_owned_is_proposed(kind: type) -> None:
    """With a second instrument of a kind there are twice the candidates, each named, under ids of its own."""
    one = [LEVEL, DIAL, MICROMETER, SET]
    more = [replace(i, name=f"other {i.name}") for i in one]
    alone = list(kind.candidates(shop(*one)))  # type: ignore[attr-defined]
    both = list(kind.candidates(shop(*one, *more)))  # type: ignore[attr-defined]
    assert len(both) == 2 * len(alone)
    assert len({s.id for c in both for s in c.settings}) == sum(len(c.settings) for c in both)
    assert {s.instrument for c in both for s in c.settings} >= {c.settings[0].instrument for c in alone}
    assert all(f"{c.settings[0].instrument}" in c.words(METRIC) for c in both)


def test_a_set_coarser_than_the_feel_is_read_in_brackets() -> None:
    """A step of 5 µm gives brackets 5 µm wide, one of 1 µm a stack that just goes."""
    coarse = [r for c in LayUp.candidates(shop(SET)) for s in c.settings for r in s.readings]
    assert {round(1e3 * (r.high.number - r.low.number), 6) for r in coarse if r.high and r.low} == {5.0}
    fine = replace(SET, blocks_mm=(1.0, 1.001, 1.002, 10.0, 20.0))
    gaps = [r for c in LayUp.candidates(shop(fine)) for r in c.settings[0].readings if r.entry == "gaps"]
    assert {r.key for r in gaps} == {"just_mm"}


def test_a_lay_up_is_proposed_on_spacers_between_stations() -> None:
    """An edge stands on two spacers near where it sags least, a wider face on three; every station is read besides."""
    for lines, count in (((0.0,), 2), ((-15.0, 15.0), 3), ((-15.0, 0.0, 15.0), 3)):
        faces = edge("P", lines=lines), edge("Q", lines=lines)
        readings = next(LayUp.candidates(job_of(*faces, kit=(BLOCKS,)))).settings[0].readings
        stands = [(r.x_mm, r.y_mm) for r in readings if r.entry == "spacers"]
        assert stands == [(150.0, lines[0]), (450.0, lines[0]), (250.0, lines[-1])][:count]
        assert len(readings) == 7 * len(lines) + count


@pytest.mark.parametrize(("step_mm", "block"), [(0.01, "slides"), (0.001, "layups")])
def test_a_wedge_is_next_when_the_step_is_the_largest_share(step_mm: float, block: str) -> None:
    """With a step of 10 µm the first reading to take is of a wedge; with one of 1 µm it is of an even lay-up."""
    blocks = replace(BLOCKS, blocks_mm=(1.0, 1.0 + step_mm, 1.0 + 2 * step_mm, 10.0, 20.0), u_um=0.2, feel_um=1.0)
    job = job_of(P, Q, edge("R"), kit=(blocks,))
    plan = ReadingPlan(job, ("P", "Q", "R"), True, 3.0)
    first = programme(plan, list(candidates(job, tuple(KINDS.values())))).taken[0]
    assert first.candidate.settings[0].geometry.block == block
