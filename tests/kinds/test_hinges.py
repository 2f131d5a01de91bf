"""The hinge: where a bar pushed at one end pivots, and what that says of the faces under it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar

from tests.kinds.worlds import BLOCKS, edge, height, job_of, nodes_of, solved, told, with_readings
from waywright.core.adjust.network import network
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.readings import Hinge, LayUp
from waywright.core.readings.bearing import EVEN_PIVOT, bearing, hinge_mm, pivot_mm

ENDS = np.array([0.0, 600.0])
FINE = np.linspace(0.0, 600.0, 601)
P, Q = edge("P"), edge("Q")


# -- the pivot of a load


def test_an_even_bearing_pivots_at_0_2929_of_the_length() -> None:
    """Moments about the pushed end: (L − z)²/2 = L²/2 − (L − z)²/2, so z = (1 − 1/√2)·L from the far end (derived)."""
    assert pytest.approx(0.292893, abs=1e-6) == EVEN_PIVOT
    assert pivot_mm(ENDS, np.ones(2), 600.0) == pytest.approx(600 * (1 - 1 / np.sqrt(2)), rel=1e-12)
    assert pivot_mm(ENDS, np.ones(2), 0.0) == pytest.approx(600 / np.sqrt(2), rel=1e-12)


def test_loads_with_closed_forms() -> None:
    """A load rising towards the push pivots in the middle, one falling towards it at (1 − 2^(−1/3))·L (derived)."""
    assert pivot_mm(ENDS, np.array([0.0, 1.0]), 600.0) == pytest.approx(300.0, rel=1e-12)  # ∫x(L − x): symmetric
    assert pivot_mm(ENDS, np.array([1.0, 0.0]), 600.0) == pytest.approx(600 * (1 - 0.5 ** (1 / 3)), rel=1e-12)


def test_all_load_at_the_ends_or_in_the_middle() -> None:
    """A bar that bears only at its ends pivots at the far one; one that bears only in its middle pivots there."""
    ends = np.where((FINE < 6) | (FINE > 594), 1.0, 0.0)
    middle = np.where(np.abs(FINE - 300) < 6, 1.0, 0.0)
    assert pivot_mm(FINE, ends, 600.0) < 6.0
    assert pivot_mm(FINE, middle, 600.0) == pytest.approx(300.0, abs=0.1)


@given(load=st.lists(st.floats(0.0, 10.0), min_size=3, max_size=9), pushed=st.sampled_from([0.0, 600.0, 750.0]))
@settings(max_examples=60)
def test_the_pivot_is_where_the_push_is_least(load: list[float], pushed: float) -> None:
    """Of all pivots the bar takes the one that the push overcomes most easily: ∫p·|x − z|dx / |pushed − z| is least.

    The kinematic theorem of limit analysis; apart from the moments the code works with.
    """
    p = np.array(load)
    if p.max() < 0.1:
        return
    x = np.linspace(0.0, 600.0, len(p))
    fine = np.linspace(0.0, 600.0, 6001)
    at = np.interp(fine, x, p)

    def push(z: float) -> float:
        return float(np.trapezoid(at * np.abs(fine - z), fine) / abs(pushed - z))

    found = pivot_mm(x, p, pushed)
    inside = np.linspace(1.0, 599.0, 400)
    inside = inside[np.abs(inside - pushed) > 0.5]
    assert push(found) <= min(push(z) for z in inside) * (1 + 1e-5)


@given(load=st.lists(st.floats(0.01, 10.0), min_size=3, max_size=9))
@settings(max_examples=50)
def test_mirrored_and_scaled_loads_pivot_alike(load: list[float]) -> None:
    """Turned end for end the pivot is mirrored; a heavier bar pivots where it did."""
    p, x = np.array(load), np.linspace(0.0, 600.0, len(load))
    there = pivot_mm(x, p, 600.0)
    assert pivot_mm(x, p[::-1].copy(), 0.0) == pytest.approx(600.0 - there, abs=1e-7)
    assert pivot_mm(x, 7.3 * p, 600.0) == pytest.approx(there, abs=1e-7)


# -- the bearing of a shape


def line(apart: FloatArray, give_um: float) -> tuple[FloatArray, FloatArray]:
    part = np.full(len(FINE), 1.0)
    part[[0, -1]] = 0.5
    return bearing(FINE, np.zeros(len(FINE)), apart, part / part.sum(), give_um)


def test_a_slight_bow_bears_all_along() -> None:
    """With all of it bearing the load is 1 + (B/give)·(s² − 1/3) for a pair hollow by B (derived)."""
    s = FINE / 300 - 1
    load, gap = line(0.4 * (1 - s**2), give_um=1.0)
    np.testing.assert_allclose(load, 1 + 0.4 * (s**2 - 1 / 3), atol=1e-5)
    assert np.all(gap == 0)


def test_a_strong_crown_bears_on_its_middle() -> None:
    """A crown of k bears on |s| < c only, with load (k/give)·(c² − s²): its sum gives c³ = 3·give/(2k) (derived)."""
    s = FINE / 300 - 1
    k, give = 20.0, 1.0
    load, gap = line(k * s**2, give)
    c = (1.5 * give / k) ** (1 / 3)
    np.testing.assert_allclose(load, np.maximum(k * (c**2 - s**2) / give, 0.0), atol=2e-3)
    np.testing.assert_allclose(gap, np.maximum(k * (s**2 - c**2), 0.0), atol=2e-3)


@given(seed=st.integers(0, 10_000), give=st.floats(0.05, 20.0))
@settings(max_examples=80)
def test_load_balances_the_weight_and_never_pulls(seed: int, give: float) -> None:
    """On any plate loads add up to the weight about its middle, none is negative, and where it bears is no gap."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 600, 60), rng.uniform(-100, 100, 60)
    part = rng.uniform(0.2, 1.0, 60)
    part /= part.sum()
    load, gap = bearing(x, y, rng.normal(0, 5, 60) + 0.02 * x, part, give)
    assert part @ load == pytest.approx(1.0, abs=1e-8)
    assert part @ (load * x) == pytest.approx(part @ x, abs=1e-5)
    assert part @ (load * y) == pytest.approx(part @ y, abs=1e-5)
    assert np.all(load >= 0)
    assert np.all(load * gap == 0)


def test_tilt_and_lift_between_faces_change_nothing() -> None:
    """Only the shape between two faces matters to how they bear."""
    s = FINE / 300 - 1
    a = line(2.0 * s**2, 1.0)
    b = line(2.0 * s**2 + 40 - 0.3 * FINE, 1.0)
    np.testing.assert_allclose(a[0], b[0], atol=1e-7)


@pytest.mark.parametrize("bow", [0.3, 0.9])
def test_a_hollow_pair_pivots_nearer_the_end_by_the_cubic(bow: float) -> None:
    """Bearing all along with 1 + b·(s² − 1/3), the pivot solves ∫p·(L − x) half way: a root by quadrature agrees."""
    s = np.linspace(-1, 1, 401)
    for sign in (1, -1):
        apart = sign * bow * (1 - s**2)

        def moment(z: float, b: float = sign * bow) -> float:
            return quad(lambda t: (1 + b * (t * t - 1 / 3)) * (1 - t), -1, z)[0]

        z = brentq(lambda at, m=moment: m(at) - m(1.0) / 2, -1, 1)
        found = hinge_mm(300 * (s + 1), apart, 600.0, give_um=1.0)
        assert found == pytest.approx(300 * (z + 1), abs=0.01)
        assert (found < 600 * EVEN_PIVOT) == (sign > 0)


def test_the_more_crowned_the_nearer_the_middle() -> None:
    """From hollow to crowned the pivot moves from the far end through 0.2929 L to the middle."""
    x = np.linspace(0, 600, 13)
    s = x / 300 - 1
    pivots = [hinge_mm(x, bow * (1 - s**2), 600.0) for bow in (30.0, 3.0, 0.3, 0.0, -0.3, -3.0, -30.0, -300.0)]
    assert np.all(np.diff(pivots) > 0)
    assert pivots[3] == pytest.approx(600 * EVEN_PIVOT, abs=0.01)
    assert pivots[-1] == pytest.approx(300.0, abs=15.0)
    assert pivots[0] < 60.0


# -- as evidence


def bowed(bow_um: float) -> dict[str, FloatArray]:
    """Both faces hollow by half of `bow_um` (ends proud), so that the pair is apart by all of it in the middle."""
    s = P.x_mm / 300 - 1
    return dict.fromkeys(("P", "Q"), 0.5 * bow_um * s**2)


def read_and_pushed(bow_um: float, pivots: list[float], pushed: str = "far end", **more: object) -> Job:
    """Q on P read by stacks without noise, and the hinge."""
    truth = bowed(bow_um)
    job = with_readings(
        job_of(P, Q, kit=(BLOCKS,)),
        LayUp("P", "Q", "over"),
        "gaps",
        nodes_of(P),
        lambda x, y: 20_000 - height(P, truth["P"], x, y) - height(Q, truth["Q"], x, -y),
        key="gap_mm",
        unit="mm",
        instrument="blocks",
    )
    readings = tuple(
        Reading(f"hinges[0].readings[{i}]", "readings", key="pivot_mm", value=Typed(z, "mm"))
        for i, z in enumerate(pivots)
    )
    kind = Hinge("P", "Q", "over", pushed=pushed, **more)  # type: ignore[arg-type]
    return replace(job, settings=(*job.settings, Setting("hinges[0]", kind, readings)))


@pytest.mark.parametrize(
    ("bow", "pivot", "pushed", "doubted"),
    [
        (20.0, 40.0, "far end", False),  # hollow, pivots near the far end of the push
        (20.0, 290.0, "far end", True),
        (-20.0, 290.0, "far end", False),  # crowned, pivots near the middle
        (-20.0, 40.0, "far end", True),
        (20.0, 560.0, "marked end", False),
        (-20.0, 560.0, "marked end", True),
        (20.0, 176.0, "far end", False),  # evenly: says neither
        (-20.0, 176.0, "far end", False),
    ],
)
def test_a_hinge_is_held_against_the_result(bow: float, pivot: float, pushed: str, doubted: bool) -> None:
    """A hinge that tells hollow of a crowned pair, or crowned of a hollow one, is a suspect; one that agrees is not."""
    found = screen(network(read_and_pushed(bow, [pivot], pushed))).suspects
    assert [s.reading for s in found] == (["hinges[0].readings[0]"] if doubted else [])
    told_of = "crowned" if bow > 0 else "hollow"
    assert all(s.doubt and s.doubt.words.startswith(f"tells of a {told_of} pair") for s in found)


def test_the_hinge_to_expect_agrees_with_the_hinge_as_evidence() -> None:
    """The pivot expected of a bowed pair, typed in as read, is never a suspect; of the opposite bow it always is."""
    x = np.linspace(0, 600, 7)
    for bow in (15.0, -15.0):
        expected = hinge_mm(x, bow * (1 - (x / 300 - 1) ** 2), 600.0)
        assert not screen(network(read_and_pushed(bow, [expected]))).suspects
        assert screen(network(read_and_pushed(-bow, [expected]))).suspects


def test_a_hinge_moves_nothing_by_itself() -> None:
    """Heights and sigmas are the same to the last figure with and without hinges."""
    job = read_and_pushed(5.0, [40.0, 60.0, 300.0])
    without = replace(job, settings=job.settings[:1])
    for name in ("P", "Q"):
        for a, b in zip(told(solved(job), name), told(solved(without), name), strict=True):
            np.testing.assert_array_equal(a, b)


def test_a_hinge_alone_makes_a_job_without_result() -> None:
    """With nothing else read there is nothing to hold a hinge against: no shape, no suspect, no error."""
    job = read_and_pushed(5.0, [40.0])
    screened = screen(network(replace(job, settings=job.settings[1:])))
    assert not screened.suspects
    assert not screened.solution.faces


def test_a_neutral_hinge_is_said_to_be_one() -> None:
    """Within what the eye sees of 0.2929 L a hinge says neither, and the result says that."""
    net = network(read_and_pushed(5.0, [180.0]))
    assert any("bears evenly" in note for note in net.notes)


def test_a_short_edge_off_the_middle_pivots_by_its_own_ends() -> None:
    """A short edge lying from 150 to 450 mm, pushed at the far end, pivots evenly at 150 + 0.2929·300 mm."""
    short = Face("Q", 300.0, 40.0, (0.0, 100.0, 200.0, 300.0))
    kind = Hinge("P", "Q", "end for end", 150.0, pushed="far end")
    reading = Reading("h", "readings", key="pivot_mm", value=Typed(150 + 300 * EVEN_PIVOT, "mm"))
    job = replace(job_of(P, short), settings=(Setting("hinges[0]", kind, (reading,)),))
    assert any("bears evenly" in note for note in network(job).notes)


def test_an_overhanging_edge_loads_its_support_unevenly() -> None:
    """Overhanging by a tenth the load falls off along x and the even pivot moves with it; by a half it says nothing."""
    kind = Hinge("P", "Q", "over", 60.0, pushed="far end")
    x = np.linspace(60.0, 600.0, 2001)
    off = 6 * (360 - 330) / 540
    load = 1 + off * (2 * (x - 60) / 540 - 1)
    z = minimize_scalar(
        lambda at: np.trapezoid(load * np.abs(x - at), x) / (660 - at), bounds=(60, 600), method="bounded"
    )
    reading = Reading("h", "readings", key="pivot_mm", value=Typed(float(z.x), "mm"))
    job = replace(job_of(P, Q), settings=(Setting("hinges[0]", replace(kind, u_x_mm=0.5), (reading,)),))
    assert any("bears evenly" in note for note in network(job).notes)
    far = replace(job, settings=(replace(job.settings[0], geometry=replace(kind, offset_mm=350.0)),))
    with pytest.raises(JobError, match="overhangs too far"):
        network(far)
