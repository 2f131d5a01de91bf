"""The wedge: unequal spacers and stacks slid in until they stop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.kinds.worlds import BLOCKS, DIAL, Truth, edge, flat, height, job_of, nodes_of, solved, told, with_readings
from waywright.core.adjust.network import network
from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.rows import Influence
from waywright.core.readings import LayUp, Run, Slide

P, Q = edge("P"), edge("Q")
WEDGE = Slide("P", "Q", "over")


def size(entry: str, number: int, x: float, mm: float) -> Reading:
    return Reading(f"slides[0].{entry}[{number}]", entry, x, 0.0, key="size_mm", value=Typed(mm, "mm"))


def gap_mm(truth: Truth, spacers: tuple[float, float], x: float) -> float:
    """The true gap at x when Q stands over P on two spacers at the ends: marks together, so over x lies x."""

    def shape(at: float) -> float:
        return -height(P, truth["P"], at, 0.0) - height(Q, truth["Q"], at, 0.0)

    start, end = 1e3 * spacers[0] - shape(0.0), 1e3 * spacers[1] - shape(600.0)
    return (start + (end - start) * x / 600.0 + shape(x)) / 1e3


def wedged(truth: Truth, stacks: list[float], kind: Slide = WEDGE, rng: np.random.Generator | None = None) -> Job:
    """Q on P on 10 and 10.03 mm, and each stack slid from the far, wide end to where it stops."""
    spacers = (10.0, 10.03)
    readings = [size("spacers", 0, 0.0, spacers[0]), size("spacers", 1, 600.0, spacers[1])]
    for i, stack in enumerate(stacks):
        x = brentq(lambda at, s=stack: gap_mm(truth, spacers, at) - s, 1.0, 599.0)
        readings.append(size("stops", i, x, stack))
    setting = Setting("slides[0]", kind, tuple(readings), instrument="blocks")
    return replace(job_of(P, Q), settings=(setting,))


def smooth() -> Truth:
    """Faces so smooth that every stack stops once."""
    s = P.x_mm / 300.0 - 1
    return {"P": 1.5 * s**2 + 0.5 * s**3, "Q": -0.8 * s**2 + 0.3 * s}


def test_the_places_where_stacks_stop_give_the_gap() -> None:
    """Stacks in 4 µm steps, each slid to where it stops: with Q known, P comes out at its stations."""
    truth = smooth()
    at = [0.0, 100.0, 200.0, 300.0, 400.0, 500.0, 600.0]
    job = wedged(truth, [gap_mm(truth, (10.0, 10.03), x) for x in at[1:-1]])
    sure = replace(DIAL, u_um=1e-3)
    job = replace(job, instruments=(BLOCKS, sure))
    job = with_readings(
        job,
        Run("Q"),
        "readings",
        nodes_of(Q),
        lambda x, y: height(Q, truth["Q"], x, y),
        key="um",
        unit="µm",
        instrument="dial",
    )
    stops = [r.x_mm for r in job.settings[0].readings[2:]]
    assert stops == pytest.approx(at[1:-1], abs=1e-6)
    found, sigma = told(solved(job), "P")
    np.testing.assert_allclose(found, flat(P, truth["P"]), atol=1e-3)
    assert np.all(sigma < 1.1)


def test_u_is_that_of_stack_hand_and_place() -> None:
    """30 µm over 600 mm and a place known to 2 mm: u² = 0.3² + 1² + 0.1²; a spacer has its own 0.3 alone."""
    net = network(wedged(smooth(), [10.01, 10.02], replace(WEDGE, u_x_mm=2.0)))
    np.testing.assert_allclose(net.rows.u_um**2, [0.09, 0.09, 1.1, 1.1], rtol=1e-9)
    assert set(map(str, net.rows.noise_um2)) == {"blocks, size", "blocks, feel", "blocks, step", "blocks, place"}


def test_a_wedge_reads_finer_than_brackets_of_a_coarse_set() -> None:
    """With blocks in 20 µm steps a bracket has u = 20/√12 = 5.8 µm; a stop on a gentle wedge has 1.05 µm."""
    coarse = [10.0 + 0.02 * i for i in range(3)]
    bracket = Reading("layups[0].gaps[0]", "gaps", 300.0, 0.0, low=Typed(coarse[0], "mm"), high=Typed(coarse[1], "mm"))
    beside = Setting("layups[0]", LayUp("P", "Q", "over"), (bracket,), instrument="blocks")
    job = wedged(smooth(), [10.01])
    rows = network(replace(job, settings=(*job.settings, beside))).rows
    u = dict(zip(rows.reading_ids, rows.u_um, strict=True))
    assert u["layups[0].gaps[0]"] == pytest.approx(np.hypot(20 / np.sqrt(12), 0.3))
    assert u["slides[0].stops[0]"] == pytest.approx(np.sqrt(1 + 0.09 + 0.05**2))


def test_the_slope_is_that_of_the_spacers_along_x() -> None:
    """Three spacers on a plate: what they rise across does not make a stop less certain."""
    wide = (edge("P", lines=(-15, 15)), edge("Q", lines=(-15, 15)))
    readings = (
        Reading("s0", "spacers", 0.0, -15.0, key="size_mm", value=Typed(10.0, "mm")),
        Reading("s1", "spacers", 600.0, -15.0, key="size_mm", value=Typed(10.006, "mm")),
        Reading("s2", "spacers", 0.0, 15.0, key="size_mm", value=Typed(10.5, "mm")),
        Reading("t0", "stops", 300.0, -15.0, key="size_mm", value=Typed(10.003, "mm")),
    )
    job = replace(job_of(*wide), settings=(Setting("slides[0]", WEDGE, readings, instrument="blocks"),))
    assert network(job).rows.noise_um2[Influence("blocks", "place")] == pytest.approx([0, 0, 0, 0.01**2])


@pytest.mark.parametrize(
    ("spacers", "match"),
    [
        (((0.0, 10.0), (600.0, 10.0)), "alike"),
        (((0.0, 10.0),), "two places"),
        (((0.0, 10.0), (0.0, 10.02)), "two places"),
    ],
)
def test_what_is_no_wedge_is_refused(spacers: tuple[tuple[float, float], ...], match: str) -> None:
    """Equal spacers, one, or two at one place make no wedge."""
    readings = [size("spacers", i, x, mm) for i, (x, mm) in enumerate(spacers)] + [size("stops", 0, 300.0, 10.01)]
    job = replace(job_of(P, Q), settings=(Setting("slides[0]", WEDGE, tuple(readings), instrument="blocks"),))
    with pytest.raises(JobError, match=match) as caught:
        network(job)
    assert caught.value.place == "slides[0].spacers"
