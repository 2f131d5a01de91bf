"""Limits and decisions: ISO 14253-1 and JCGM 106 by their published rows, and what a side means."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from waywright.core.evidence.findings import Grounds, Verdict
from waywright.core.judge.decisions import chance_inside, decide
from waywright.core.judge.limits import SIDES, Limit, crown_um, signed_um
from waywright.views.grounds import verdict_why


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "chance"),
    [
        (-5.47, 0.05, -math.inf, -5.40, 0.9192),  # JCGM 106:2012, one upper limit (from memory)
        (509.7, 8.6, 490.0, math.inf, 0.9890),  # JCGM 106:2012, one lower limit (from memory)
        (13.6, 1.8, 12.5, 16.3, 0.6626),  # JCGM 106:2012, two limits (from memory)
    ],
)
def test_conformance_probability(value, u, low, high, chance) -> None:
    """The examples of JCGM 106 come out to the four digits printed."""
    assert_allclose(chance_inside(value, u, low, high), chance, atol=5e-5)


@pytest.mark.parametrize(
    ("r", "chance"),
    [(0, 0.5), (0.83, 0.0485), (1, 0.0228), (1.5, 0.00135)],  # derived; ILAC-G8:2019 lists < 50, < 5, < 2.5, < 0.16 %
)
def test_worst_false_accept_of_a_guard_band(r, chance) -> None:
    """A guard band of r·U, U = 2u, lets through at worst the chance that the normal tail gives."""
    limit, u = 6.0, 0.5
    assert_allclose(1 - chance_inside(limit - r * 2 * u, u, high=limit), chance, rtol=5e-3)


@pytest.mark.parametrize(
    ("level", "z"),
    [(0.8, 0.8416), (0.9, 1.2816), (0.95, 1.6449), (0.975, 1.9600), (0.99, 2.3263), (0.999, 3.0902)],  # derived
)
def test_guard_band_is_the_one_sided_quantile(level, z) -> None:
    """With one limit the guard band is z·u, and the word changes exactly there, on both sides of the limit."""
    u, limit = 0.5, Limit(6.0, "at most")
    guard = decide((3.0, u), limit, level=level).guard_band_um
    assert_allclose(guard, z * u, atol=5e-5)
    words = [
        decide((6.0 + side * (guard + step), u), limit, level=level).word for side in (-1, 1) for step in (1e-9, -1e-9)
    ]
    assert words == ["inside", "open", "outside", "open"]


def test_guarded_at_95_percent_accepts_up_to_5_18() -> None:
    """Limit 6 µm, U = 1 µm, 95 %: inside at 5.17, open at 5.19 and at 6.8, outside at 6.83 (ISO 14253-1:2017)."""
    limit = Limit(6.0, "at most")
    assert [decide((v, 0.5), limit).word for v in (5.17, 5.19, 6.8, 6.83)] == ["inside", "open", "open", "outside"]


def test_simple_rule_counts_the_value_alone() -> None:
    """Simple acceptance: inside up to the limit itself, never open, no guard band; the chance is still told."""
    limit = Limit(6.0, "at most")
    found = [decide((v, 0.5), limit, rule="simple") for v in (6.0, 6.001)]
    assert [f.word for f in found] == ["inside", "outside"]
    assert [f.guard_band_um for f in found] == [0.0, 0.0]
    assert_allclose(found[0].chance_inside, 0.5)


def test_two_limits_count_both_tails() -> None:
    """A value in the middle of ± 1 with u = 0.55 has 93 % inside: open, though each limit alone would be kept."""
    found = decide((0.0, 0.55), Limit(1.0))
    assert found.word == "open"
    assert_allclose(found.chance_inside, math.erf(1 / 0.55 / math.sqrt(2)))
    assert decide((0.0, 0.55), Limit(1.0, "at most")).word == "inside"


def test_explicit_limits() -> None:
    """Two limits of any kind: 12.5 to 16.3, 13.6 with u = 1.8 is open at 66 % (JCGM 106:2012, from memory)."""
    found = decide((13.6, 1.8), Limit(16.3, lower=12.5))
    assert found.word == "open"
    assert_allclose(found.chance_inside, 0.6626, atol=1e-4)


def test_draws_decide_as_their_distribution_does() -> None:
    """Many normal draws give the decision, chance and guard band of the normal value."""
    draws = np.random.default_rng(7).normal(5.3, 0.5, 200_000)
    found, exact = decide(draws, Limit(6.0)), decide((5.3, 0.5), Limit(6.0, "at most"))
    assert found.word == exact.word == "open"
    assert_allclose(found.chance_inside, exact.chance_inside, atol=2e-3)
    assert_allclose(found.guard_band_um, exact.guard_band_um, atol=1e-2)


def test_reasons_are_plain() -> None:
    """The reason names the chance and what is asked, or the wrong side."""

    def why(value: float, limit: Limit, rule: str = "guarded") -> str:
        found = decide((value, 0.5), limit, rule=rule)
        grounds = Grounds(level=found.level, wrong_side=found.wrong_side)
        told = (value, None, limit.value, limit.side, found.chance_inside, found.word, grounds, "")
        return verdict_why(Verdict("P", "straightness", *told))

    assert why(3, Limit(6)) == "it is inside with a chance of more than 99 %; 95 % is asked for"
    assert why(8, Limit(6)) == "it is outside with a chance of more than 99 %; 95 % is asked for"
    assert "chance of 94 %" in why(6 - 0.5 * 1.64, Limit(6, "at most"))  # 94.9 % is not rounded up
    assert why(-4, Limit(6, "middle high only")).startswith("it is hollow, and only a high middle")
    assert why(4, Limit(6, "hollow only"), rule="simple").startswith("its middle is high, and only hollow")


def test_certain_values() -> None:
    """A value without uncertainty is inside or outside, the limit itself being inside."""
    assert decide((6.0, 0.0), Limit(6.0)).word == "inside"
    assert decide((6.0 + 1e-12, 0.0), Limit(6.0)).word == "outside"


@pytest.mark.parametrize(
    ("side", "low", "high"),
    [
        ("between", -6, 6),
        ("at most", -math.inf, 6),
        ("middle high only", 0, 6),
        ("hollow only", -6, 0),
        ("rise only", 0, 6),
    ],
)
def test_sides(side, low, high) -> None:
    """Each side allows its interval, and says what is wrong on the other."""
    limit = Limit(6, side)
    assert limit.interval() == (low, high)
    assert limit.signed == (side not in ("between", "at most"))
    assert limit.wrong_side(-3) == (low == 0)
    assert limit.wrong_side(3) == (high == 0)
    assert not limit.wrong_side(0)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((-1,), "0 or more"),
        ((math.nan,), "0 or more"),
        ((6, "sideways"), "one of between, at most"),
        ((6, "between", 7), "nothing can lie"),
        ((6, "at most", 1), "nothing can lie"),
    ],
)
def test_limits_that_cannot_be(arguments, words) -> None:
    """A limit below zero, of no number, of no side or upside down is refused in a sentence."""
    with pytest.raises(ValueError, match=words):
        Limit(*arguments)


@pytest.mark.parametrize(
    ("values", "options", "words"),
    [
        ((3.0, -1.0), {}, "cannot be decided on"),
        ((math.nan, 1.0), {}, "cannot be decided on"),
        (np.array([1.0, np.nan]), {}, "nothing to decide on"),
        (np.array([]), {}, "nothing to decide on"),
        ((3.0, 1.0), {"rule": "lenient"}, "one of guarded, simple"),
        ((3.0, 1.0), {"level": 1.0}, "between 0.5 and 1"),
    ],
)
def test_what_cannot_be_decided(values, options, words) -> None:
    """Missing numbers, unknown rules and impossible levels are refused in a sentence."""
    with pytest.raises(ValueError, match=words):
        decide(values, Limit(6.0), **options)


@given(st.floats(-20, 20), st.floats(0.01, 5), st.floats(0.1, 10), st.sampled_from(SIDES))
def test_inside_and_outside_never_meet(value, u, size, side) -> None:
    """The word follows from the chance alone, and mirroring value and side mirrors the decision."""
    found = decide((value, u), Limit(size, side))
    assert found.word == (
        "inside" if found.chance_inside >= 0.95 else "outside" if found.chance_inside <= 0.05 else "open"
    )
    mirror = {"middle high only": "hollow only", "hollow only": "middle high only"}
    if side in mirror:
        assert_allclose(decide((-value, u), Limit(size, mirror[side])).chance_inside, found.chance_inside, atol=1e-12)


def test_crown_is_positive_when_the_middle_is_high() -> None:
    """A parabola 5 µm high in the middle has a crown of + 5, a hollow one − 5, tilted or not, uneven or not."""
    x = np.array([0, 30, 200, 350, 360, 600.0])
    bow = 5 * (1 - ((x - 300) / 300) ** 2)
    assert_allclose(crown_um(x, [bow, -bow, bow + 3 - 0.2 * x]), [5, -5, 5])
    assert_allclose(crown_um(x, 2 * x), 0, atol=1e-12)


def test_crown_of_a_surface_is_its_middle_above_its_corners() -> None:
    """A dome 5 µm high has a crown of + 5; on two lines only the bend along can be told; a twist has none."""
    x, y = (place.ravel() for place in np.meshgrid(np.linspace(0, 400, 5), np.linspace(-50, 50, 3)))
    dome = 3 * (1 - ((x - 200) / 200) ** 2) + 2 * (1 - (y / 50) ** 2)
    assert_allclose(crown_um(x, dome, y), 5)
    assert_allclose(crown_um(x, x * y, y), 0, atol=1e-9)
    two = y != 0
    assert_allclose(crown_um(x[two], dome[two], y[two]), 3)


def test_signed_zone() -> None:
    """A zone takes the sign of its crown."""
    assert signed_um([4.0, 3.0, 0.0], [1.0, -0.1, 0.0]).tolist() == [4.0, -3.0, 0.0]
