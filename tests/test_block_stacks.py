"""Which blocks make all the stacks wanted at once, and which stack to try next."""

from __future__ import annotations

from itertools import combinations, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from waywright.core.readings.stacks import USUAL_SET_MM, NoStack, count, finest_step_mm, next_stack_mm, stacks_at_once

SMALL = st.lists(st.integers(1, 40), min_size=2, max_size=7, unique=True)


def fewest(wanted: list[int], blocks: list[int]) -> int | None:
    """By trying everything: the fewest blocks that make every size at once, None when nothing does."""
    ways = []
    for size in wanted:
        found = [
            w for n in range(1, 6) for w in combinations(range(len(blocks)), n) if sum(blocks[i] for i in w) == size
        ]
        ways.append(found)
    best = None
    for chosen in product(*ways):
        used = [i for way in chosen for i in way]
        if len(used) == len(set(used)) and (best is None or len(used) < best):
            best = len(used)
    return best


@given(blocks=SMALL, wanted=st.lists(st.integers(1, 60), min_size=1, max_size=3))
def test_against_trying_everything(blocks: list[int], wanted: list[int]) -> None:
    """The stacks have the sizes wanted, use no block twice, and as few as any other choice; or there is none."""
    expected = fewest(wanted, blocks)
    sizes, set_mm = [w * 0.5 for w in wanted], [b * 0.5 for b in blocks]
    if expected is None:
        with pytest.raises(NoStack):
            stacks_at_once(sizes, set_mm)
        return
    found = stacks_at_once(sizes, set_mm)
    assert found.count == expected
    used = [block for stack in found.blocks_mm for block in stack]
    assert len(used) == len(set(used))
    assert [sum(stack) for stack in found.blocks_mm] == sizes


def test_usual_set_makes_a_ladder_around_twenty() -> None:
    """Five stacks two micrometres apart from the usual set of 112, all on the table at once."""
    found = stacks_at_once([20.0, 20.002, 20.004, 20.006, 20.008], USUAL_SET_MM)
    used = [block for stack in found.blocks_mm for block in stack]
    assert len(used) == len(set(used))
    for size, stack in zip(found.wanted_mm, found.blocks_mm, strict=True):
        assert sum(map(count, stack)) == count(size)
    assert len(USUAL_SET_MM) == 112


def test_one_half_micrometre_block_serves_one_stack() -> None:
    """The only block with a half micrometre cannot stand in two stacks at once; that is said."""
    with pytest.raises(NoStack, match="not all at once"):
        stacks_at_once([20.0005, 20.0025], USUAL_SET_MM)
    with pytest.raises(NoStack, match="half micrometres"):
        stacks_at_once([20.00025], USUAL_SET_MM)
    with pytest.raises(NoStack, match="No 5 blocks"):
        stacks_at_once([900.0], USUAL_SET_MM)


def test_finest_step() -> None:
    """The finest step is that of the blocks: half a micrometre for the usual set, 10 µm without its thousandths."""
    assert finest_step_mm(USUAL_SET_MM) == 0.0005
    assert finest_step_mm([1.01, 1.02, 5.0, 10.0]) == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("brackets", "size"),
    [
        ([(20.0, 20.008)], 20.004),
        ([(20.0, 20.008), (20.002, 20.006), (20.004, 20.006)], 20.004),
        ([(20.0, 20.002)], None),
        ([], None),
        ([(20.0, 20.004), (20.0, 20.004), (20.004, 20.012)], 20.002),
    ],
)
def test_next_stack_halves_most(brackets: list[tuple[float, float]], size: float | None) -> None:
    """The next stack lies in the middle of most brackets; closed ones ask for none."""
    assert next_stack_mm(brackets, 0.002) == (pytest.approx(size) if size else None)
