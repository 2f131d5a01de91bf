"""What one pass takes, learned from faces read before and after."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.work.faces import even, face
from waywright.core.evidence.things import Hand
from waywright.core.work.depth import depth_learned

ONE = face()
X, Y = ONE.x_mm, ONE.y_mm
PASSES = np.array([0, 0, 1, 1, 2, 2, 3, 2, 2, 1, 1, 0, 0], float)


def scraped(depth_um: float, u_um: float, scatter: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Heights before and after, as read, each about its own line."""
    shape = 5.0 * rng.standard_normal() * (2 * X / 600.0 - 1) ** 2 + rng.standard_normal(len(X))
    taken = depth_um * PASSES + scatter * depth_um * np.sqrt(PASSES) * rng.standard_normal(len(X))
    before, after = (h + u_um / np.sqrt(2) * rng.standard_normal(len(X)) for h in (shape, shape - taken))
    return even(X, Y, before), even(X, Y, after)


def test_truth_in_truth_out() -> None:
    """Readings without noise of a hand that takes 4.2 µm, believed to take 3: 4.2 comes out."""
    before, after = scraped(4.2, 0.0, 0.0, np.random.default_rng(1))
    found = depth_learned(before, after, PASSES, X, Y, np.full(13, 1e-3), believed=Hand(3.0, 1.0, 0.0))
    assert found.depth_um == pytest.approx(4.2, abs=1e-4)
    assert found.depth_u_um < 1e-3


def test_against_the_weighted_mean_by_hand() -> None:
    """With no scatter it is the weighted mean of the belief and of the least-squares slope on the passes."""
    before, after = scraped(3.5, 0.7, 0.0, np.random.default_rng(2))
    found = depth_learned(before, after, PASSES, X, Y, np.full(13, 0.7), believed=Hand(3.0, 0.5, 0.0))
    pattern, taken = even(X, Y, PASSES), before - after
    slope, u = float(pattern @ taken / (pattern @ pattern)), 0.7 / np.linalg.norm(pattern)
    weight = np.array([0.5**-2, u**-2])
    assert found.depth_um == pytest.approx(float(weight @ [3.0, slope] / weight.sum()), rel=1e-6)
    assert found.depth_u_um == pytest.approx(float(weight.sum() ** -0.5), rel=1e-6)


def test_a_face_gone_over_evenly_teaches_nothing() -> None:
    """The same number of passes everywhere, or rising as a slope, cannot be told from lift and tilt."""
    before, after = scraped(4.0, 0.3, 0.1, np.random.default_rng(3))
    for passes in (np.full(13, 2.0), X / 300.0):
        assert depth_learned(before, after, passes, X, Y, np.full(13, 0.3)) == Hand()


@given(st.floats(-50.0, 50.0), st.floats(-0.1, 0.1))
def test_lift_and_tilt_change_nothing(a: float, b: float) -> None:
    """Either reading may be told about any line."""
    before, after = scraped(4.0, 0.3, 0.1, np.random.default_rng(4))
    u = np.full(13, 0.3)
    straight = depth_learned(before, after, PASSES, X, Y, u)
    askew = depth_learned(before, after + a + b * X, PASSES, X, Y, u)
    assert askew.depth_um == pytest.approx(straight.depth_um, abs=1e-6)


def test_coverage_of_the_depth() -> None:
    """Of 400 hands drawn as believed, 92 to 98 % lie within 1.96 of the uncertainty found (3 sigma of the count)."""
    rng = np.random.default_rng(5)
    inside, errors = 0, []
    for _ in range(400):
        true, scatter = 3.0 + 0.75 * rng.standard_normal(), 0.2 * np.exp(0.5 * rng.standard_normal())
        before, after = scraped(true, 0.8, scatter, rng)
        found = depth_learned(before, after, PASSES, X, Y, np.full(13, 0.8), believed=Hand(3.0, 0.75, 0.2))
        inside += abs(found.depth_um - true) <= 1.96 * found.depth_u_um
        errors.append(found.depth_um - true)
    assert 0.92 * 400 <= inside <= 0.98 * 400
    assert abs(np.mean(errors)) < 0.05  # no bias beyond 3 standard errors


def test_a_rough_hand_is_found_rough() -> None:
    """Over many rounds the scatter believed moves from 0.2 to that of the hand, either way."""
    rng = np.random.default_rng(6)
    for scatter in (0.05, 0.6):
        believed = Hand(3.0, 0.6, 0.2)
        for _ in range(40):
            before, after = scraped(3.0, 0.2, scatter, rng)
            believed = depth_learned(before, after, PASSES, X, Y, np.full(13, 0.2), believed=believed)
        assert believed.scatter == pytest.approx(scatter, rel=0.35)
        assert believed.depth_um == pytest.approx(3.0, abs=0.3)


def test_what_does_not_fit_is_refused() -> None:
    """Lists of different lengths and numbers that are none are refused in a sentence."""
    good = np.zeros(13)
    with pytest.raises(ValueError, match="lists of one length"):
        depth_learned(good, good, PASSES[:5], X, Y, good)
    with pytest.raises(ValueError, match="not a finite number"):
        depth_learned(good, good * np.nan, PASSES, X, Y, good)
    with pytest.raises(ValueError, match="more than 0 µm"):
        Hand(-1.0)
