"""Gauge blocks: ISO 3650 as printed, and stacks that a usual set can make."""

from __future__ import annotations

import math
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from waywright.core.readings.blocks import GRADES, block_u_um, limit_deviation_um, usual_stack

# ISO 3650:1998, limit deviation t_e in µm: over, up to and including (mm); grades K (from memory), 0, 1, 2 (two pages)
ISO_3650 = [
    (0.5, 10, (0.20, 0.12, 0.20, 0.45)),
    (10, 25, (0.30, 0.14, 0.30, 0.60)),
    (25, 50, (0.40, 0.20, 0.40, 0.80)),
    (50, 75, (0.50, 0.25, 0.50, 1.00)),
    (75, 100, (0.60, 0.30, 0.60, 1.20)),
    (100, 150, (0.80, 0.40, 0.80, 1.60)),
    (150, 200, (1.00, 0.50, 1.00, 2.00)),
    (200, 250, (1.20, 0.60, 1.20, 2.40)),
    (250, 300, (1.40, 0.70, 1.40, 2.80)),
    (300, 400, (1.80, 0.90, 1.80, 3.60)),
    (400, 500, (2.20, 1.10, 2.20, 4.40)),
    (900, 1000, (4.20, 2.00, 4.20, 8.00)),
]


@pytest.mark.parametrize(("over", "up_to", "limits"), ISO_3650)
def test_limit_deviations(over, up_to, limits) -> None:
    """Every row of ISO 3650 comes out just above its lower and at its upper end."""
    for grade, limit in zip(("K", "0", "1", "2"), limits, strict=True):
        assert limit_deviation_um(up_to, grade) == limit
        assert limit_deviation_um(over + 0.0005, grade) == limit
        assert_allclose(block_u_um(up_to, grade), limit / math.sqrt(3))


def test_stack_rule() -> None:
    """1.005 + 1.4 + 20 + 50 of grade 1: worst case 1.10 µm, u = 0.3317 µm (derived from ISO 3650)."""
    stack = (1.005, 1.4, 20.0, 50.0)
    assert_allclose(sum(limit_deviation_um(size, "1") for size in stack), 1.10)
    assert_allclose(math.hypot(*(block_u_um(size, "1") for size in stack)), 0.3317, atol=5e-5)


@pytest.mark.parametrize(
    ("size", "grade", "words"),
    [
        (10, "3", "the grades are K, 0, 1, 2"),
        (1001, "1", "reach 1000 mm"),
        (0, "1", "above 0"),
        (math.nan, "1", "above 0"),
    ],
)
def test_blocks_that_cannot_be(size, grade, words) -> None:
    """Unknown grades and impossible sizes are refused in a sentence."""
    with pytest.raises(ValueError, match=words):
        limit_deviation_um(size, grade)
    assert "3" not in GRADES


# The usual metric set of 112 (common practice, no source), in half micrometres
SET = {
    2001,
    *range(2002, 2020, 2),
    *range(2020, 3000, 20),
    *range(1000, 50_000, 1000),
    50_000,
    100_000,
    150_000,
    200_000,
}


def test_the_set_has_112_blocks() -> None:
    """1 + 9 + 49 + 49 + 4."""
    assert len(SET) == 112


@pytest.mark.parametrize(
    ("size", "stack"),
    [
        (10.0, (10.0,)),
        (1.0005, (1.0005,)),
        (20.0065, (1.0005, 1.006, 18.0)),
        (20.0043, (20.0043,)),  # not to half a micrometre: no stack, one odd block
        (72.405, (1.005, 1.4, 50.0, 20.0)),
        (225.0, (100.0, 75.0, 50.0)),
        (0.3, (0.3,)),  # thinner than any block of the set
        (900.0, (900.0,)),  # more than the whole set
    ],
)
def test_usual_stacks(size, stack) -> None:
    """Stacks as one would wring them; sizes that the set cannot make are one odd block."""
    assert usual_stack(size) == stack


@given(st.integers(4_010, 500_000))
def test_a_stack_adds_up_from_blocks_of_the_set(steps) -> None:
    """Any size to half a micrometre from 2 to 250 mm is made of different blocks of the set, or is a short odd one."""
    stack = [round(2000 * block) for block in usual_stack(steps / 2000)]
    assert sum(stack) == steps
    if len(stack) > 1 or stack[0] in SET:
        assert set(stack) <= SET
        assert len(set(stack)) == len(stack)
    else:
        assert steps < 8_000  # shorter than the three or four blocks that its figures ask for


def test_a_stack_has_the_fewest_blocks() -> None:
    """No stack of fewer blocks of the set makes the size: every pair, and pairs added to each block, looked through."""
    ordered = sorted(SET)
    pairs = {a + b for a, b in combinations(ordered, 2)}
    for steps in range(4_000, 320_000, 397):
        stack = usual_stack(steps / 2000)
        made = {round(2000 * block) for block in stack} <= SET
        if steps in SET:
            assert len(stack) == 1
        elif steps in pairs:
            assert len(stack) == 2
        elif not made or len(stack) > 3:
            assert not any(steps - a in pairs and 2 * a != steps and _different(a, steps - a) for a in ordered)


def _different(first: int, rest: int) -> bool:
    """Whether `rest` is a pair of blocks of the set other than `first`."""
    return any(rest - b in SET and len({first, b, rest - b}) == 3 for b in SET)
