"""A wedge with a coarse block set: the worked example of the trade, the closed form of its u, and a second witness."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from docs.examples import make
from tests.examples.truths import found, job, solved
from waywright.core.adjust.network import network
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.things import Face, Instrument, Piece
from waywright.core.readings import LayUp, Slide
from waywright.core.readings.blocks import block_u_um, usual_stack
from waywright.core.report import report

WEDGES = job("edges-by-wedge")


def worked(stop_mm: float) -> Job:
    """Two edges on piles of 10.0 and 10.1 mm, 200 mm apart, and a pile of 10.05 that stopped at `stop_mm`."""
    two = tuple(Piece(name, (Face(name, 200.0, 30.0, (0.0, 100.0, 200.0)),)) for name in ("P", "Q"))
    places = (("spacers", 0.0, 10.0), ("spacers", 200.0, 10.1), ("stops", stop_mm, 10.05))
    readings = tuple(
        Reading(f"r{i}", entry, x, key="size_mm", value=Typed(size, "mm")) for i, (entry, x, size) in enumerate(places)
    )
    blocks = Instrument("blocks", "gauge blocks", u_um=0.2, feel_um=0.8)
    setting = Setting("slides[0]", Slide("P", "Q", "over"), readings, instrument="blocks")
    return Job("worked", two, (blocks,), (setting,))


def hollow_um(some: Job) -> float:
    """How far the middle of both faces together lies under their ends."""
    solution = solved(some)
    heights = sum((solution.heights_um(face) for face in solution.faces), np.zeros(3))
    return float((heights[0] + heights[2]) / 2 - heights[1])


def test_the_trades_own_example() -> None:
    """On piles of 10.0 and 10.1 mm 200 mm apart, a slope of 1 : 2000, 0.01 mm of height is 20 mm of travel, and a pile
    that stops 8 mm from where it should shows 0.004 mm (worked example of the wedge method as trade pages print it).

    The wide end is at 200: stopping short of the middle, away from it, the gap is larger there than between true faces,
    so both together are hollow. Heights are linear from the ends to the middle, so 80 mm along has 0.8 of its depth.
    """
    assert hollow_um(worked(100.0)) == pytest.approx(0.0, abs=1e-4)
    assert hollow_um(worked(80.0)) * 0.80 == pytest.approx(10.0, abs=1e-3)
    assert hollow_um(worked(92.0)) * 0.92 == pytest.approx(4.0, abs=1e-3)
    assert hollow_um(worked(108.0)) * 0.92 == pytest.approx(-4.0, abs=1e-3)


def test_u_of_a_stop() -> None:
    """u² = u_stack² + feel² + (slope·u_x)²: a slope of 0.25 µm a mm, a place seen to 1 mm (closed form)."""
    rows = network(WEDGES).rows
    for reading, u in zip(rows.reading_ids, rows.u_um, strict=True):
        size = next(r.value.number for _, r in WEDGES.readings() if r.id == reading and r.value is not None)
        stack = sum(block_u_um(block, "1") ** 2 for block in usual_stack(size))
        stop = "stops" in reading
        assert u == pytest.approx(np.sqrt(stack + stop * (0.8**2 + 0.25**2)), rel=1e-9)


def test_the_coarse_set_as_brackets_would_say_little() -> None:
    """Read as goes and does not go, the same blocks give brackets 10 µm wide, u = 10/√12 = 2.9 µm; a stop has 0.9."""
    bracket = Reading("b", "gaps", 180.0, low=Typed(20.04, "mm"), high=Typed(20.05, "mm"))
    beside = replace(WEDGES, settings=(*WEDGES.settings, Setting("flat", LayUp("Hazel", "Holly", "over"), (bracket,))))
    rows = network(beside).rows
    u = dict(zip(rows.reading_ids, rows.u_um, strict=True))
    assert u["b"] == pytest.approx(np.hypot(10 / np.sqrt(12), 0.3), abs=0.05)
    assert 0.8 < u["slides[0].stops[3]"] < 0.95


def test_both_ends_wide_check_each_other() -> None:
    """Wide at the far end alone, three pairs leave next to nothing to spare; wide at either end in turn half of the
    readings are."""
    once = replace(WEDGES, settings=WEDGES.settings[::2])
    assert solved(once).redundancies.sum() < 1
    assert found("edges-by-wedge").fit.redundancy == pytest.approx(24, abs=0.5)


def test_who_agrees_with_whom_by_wedge() -> None:
    """Each pair is told once, though it was wedged both ways; its zone is that of the true sum, within its band."""
    agreements = found("edges-by-wedge").agreements
    assert [(a.lower, a.upper) for a in agreements] == [("Hazel", "Holly"), ("Hazel", "Willow"), ("Holly", "Willow")]
    truth = make.short_edges(0)
    x = make.SHORT[0].x_mm
    for a in agreements:
        total = truth[a.lower] + truth[a.upper]
        assert a.zone_um == pytest.approx(np.ptp(total - np.polyval(np.polyfit(x, total, 1), x)), abs=3 * a.sigma_um)


def test_two_witnesses_agree() -> None:
    """The three edges by wedge are what the first of the three rounds says with fine stacks: of thirty heights nine in
    ten differ by less than both bands allow."""
    rounds = job("edges-round-by-round")
    first = report(replace(rounds, settings=rounds.settings[:6], passes=()))
    apart = [
        np.abs(a.height_um - b.height_um) / np.hypot(a.sigma_um, b.sigma_um)
        for a, b in zip(found("edges-by-wedge").shapes, first.shapes, strict=True)
    ]
    assert np.mean(np.concatenate(apart) <= 1.96) >= 0.9
