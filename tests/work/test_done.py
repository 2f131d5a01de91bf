"""What passes already made say: where a face was gone over, what the hand takes, what stays uneven between stations."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings

from tests.kinds.worlds import DIAL, height, job_of, nodes_of, with_readings
from tests.work.faces import Drawn, drawn, face, passes_at
from tests.work.test_scraping import WISHES, mapped
from waywright.core.evidence.job import Job, Pass, PassZone
from waywright.core.evidence.things import FloatArray, Hand
from waywright.core.readings import Run
from waywright.core.report import report
from waywright.core.work.done import as_drawn, gone_over, removed_so_far, strokes

ZONES = (PassZone(100, 250, passes=2), PassZone(350, 400, 0.0, 20.0), PassZone(475, 600, passes=3))


@given(drawn(6.0), WISHES)
@settings(max_examples=15)
def test_a_pass_done_as_drawn_took_what_the_map_takes(one: Drawn, wishes: dict[str, Any]) -> None:
    """The zones a map is noted by give back its passes over any node, and what it takes from every square."""
    found = mapped(one, **wishes)
    cut = Pass("passes[0]", "P", zones=as_drawn(found))
    assert gone_over(cut, one.face, one.face.x_mm, one.face.y_mm) == pytest.approx(passes_at(found, one.face))
    told = removed_so_far(replace(job_of(one.face), passes=(cut,)), one.face, found.hand)
    if not cut.zones:
        assert told is None
        return
    assert told is not None
    bands = max(len(told.um), len(found.taken.um))
    assert told.ruled(bands).um == pytest.approx(found.taken.ruled(bands).um)
    assert told.ruled(bands).scatter_um == pytest.approx(found.taken.ruled(bands).scatter_um)


def test_each_pass_leans_to_the_other_hand_than_the_one_before() -> None:
    """A face gone over three times and once more without zones begins its fifth stroke."""
    job = replace(job_of(face()), passes=(Pass("a", "P", zones=ZONES), Pass("b", "P"), Pass("c", "Q")))
    assert strokes(job, "P") == 4


def test_a_face_lapped_as_a_whole_is_even_again() -> None:
    """What zones left uneven counts until the face is lapped, rubbed, stoned or machined as a whole."""
    one = face()
    scraped = Pass("a", "P", zones=ZONES)
    for last, uneven in ((Pass("b", "P", act="lap"), False), (Pass("b", "P"), True)):
        found = removed_so_far(replace(job_of(one), passes=(scraped, last)), one, Hand())
        assert (found is not None) == uneven
    twice = removed_so_far(replace(job_of(one), passes=(scraped, replace(scraped, id="b", depth_um=1.5))), one, Hand())
    once = removed_so_far(replace(job_of(one), passes=(scraped,)), one, Hand())
    assert twice is not None
    assert once is not None
    assert twice.um == pytest.approx(1.5 * once.um)


def read_twice(depth_um: float, cut: Pass, rng: np.random.Generator) -> Job:
    """A face run along with a dial on a perfect guide, gone over in zones, and run along again."""
    one = face()
    truth = 6.0 * (1 - (2 * one.x_mm / 600 - 1) ** 2)

    def after(nodes_um: FloatArray) -> FloatArray:
        n = gone_over(cut, one, one.x_mm, one.y_mm)
        return np.asarray(nodes_um - depth_um * (n + 0.2 * np.sqrt(n) * rng.standard_normal(len(n))))

    job = job_of(one, kit=(replace(DIAL, u_um=0.3),))
    for heights in (truth, after(truth)):
        job = with_readings(
            job, Run("P"), "readings", nodes_of(one), lambda x, y, h=heights: height(one, h, x, y),  # type: ignore[misc]
            key="um", unit="µm", instrument="dial", noise=rng.normal(0, 0.3, len(one.x_mm)),
        )  # fmt: skip
    return replace(job, passes=(cut,))


@pytest.mark.slow
def test_what_a_hand_takes_is_learned_from_its_passes() -> None:
    """Hands that take 1.5 to 5 µm are told to within their stated uncertainty, far better than they were guessed."""
    rng = np.random.default_rng(20_270)
    inside, off = 0, []
    for _ in range(60):
        depth = float(rng.uniform(1.5, 5.0))
        job = replace(
            read_twice(depth, Pass("passes[0]", "P", after="runs[0]", zones=ZONES), rng), hand=Hand(3.0, 1.2, 0.2)
        )
        found = report(job, with_cures=False).hand
        inside += abs(found.depth_um - depth) <= 1.96 * found.depth_u_um
        off.append(found.depth_um - depth)
        assert found.depth_u_um < 0.8
    assert inside >= 52  # of 60 at 95 %: fewer than one chance in a hundred
    assert np.sqrt(np.mean(np.square(off))) < 0.6


def test_lighter_passes_teach_what_a_full_one_takes() -> None:
    """Passes noted as half as deep, which took half as much, tell of the same hand; zones not noted teach nothing."""
    light = Pass("passes[0]", "P", after="runs[0]", zones=ZONES, depth_um=1.5)
    full = replace(light, depth_um=None)
    found = report(read_twice(2.0, light, np.random.default_rng(5)), with_cures=False).hand
    same = report(read_twice(4.0, full, np.random.default_rng(5)), with_cures=False).hand
    assert found.depth_um == pytest.approx(same.depth_um, abs=0.5)
    assert found.depth_um > 3.3
    unknown = replace(read_twice(4.0, full, np.random.default_rng(5)), passes=(replace(full, zones=()),))
    assert report(unknown, with_cures=False).hand == Hand()


def test_only_scraping_speaks_of_the_hand() -> None:
    """A place lapped or stoned teaches nothing of what the scraper takes, leans no strokes and adds to no map."""
    lapped = Pass("passes[0]", "P", after="runs[0]", act="lap", zones=ZONES)
    job = read_twice(4.0, lapped, np.random.default_rng(5))
    assert report(job, with_cures=False).hand == Hand()
    assert strokes(job, "P") == 0
    assert removed_so_far(job, job.faces()["P"], Hand()) is None
