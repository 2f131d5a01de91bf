"""Which gauge blocks make all the stacks wanted at once, and which stack to try next.

Sizes are counted in half micrometres, the finest step of a usual set, so that sums are exact.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

COUNT_MM = 0.0005
MOST_IN_STACK = 5
MOST_WAYS = 400  # ways of making one stack that are looked at, those of the fewest blocks first
MOST_STEPS = 50_000  # of the search among them

# The usual metric set of 112: 1.0005; 1.001-1.009; 1.01-1.49; 0.5-24.5 by 0.5; 25-100 by 25 (common practice, no
# source).
USUAL_SET_MM: tuple[float, ...] = (
    1.0005,
    *(round(1 + i / 1000, 4) for i in range(1, 10)),
    *(round(1 + i / 100, 4) for i in range(1, 50)),
    *(i / 2 for i in range(1, 50)),
    *(25.0 * i for i in range(1, 5)),
)


class NoStack(ValueError):
    """A stack that the set cannot make; the message says which."""


@dataclass(frozen=True)
class Stacks:
    """For each size wanted the blocks that make it, longest first; no block is used twice."""

    wanted_mm: tuple[float, ...]
    blocks_mm: tuple[tuple[float, ...], ...]

    @property
    def count(self) -> int:
        """How many blocks are used."""
        return sum(map(len, self.blocks_mm))


def stacks_at_once(wanted_mm: Sequence[float], set_mm: Sequence[float]) -> Stacks:
    """The fewest blocks of a set that make every size wanted at the same time; a block may be listed twice if owned.

    Raises `NoStack` for a size that cannot be made, alone or beside the others.
    """
    sizes = [count(mm) for mm in set_mm]
    ways = []
    for mm in wanted_mm:
        found = list(_ways(count(mm), sizes))
        if not found:
            raise NoStack(f"No {MOST_IN_STACK} blocks of this set make {mm:g} mm; the nearest step is another size.")
        ways.append(found)
    chosen = _together(ways)
    if chosen is None:
        raise NoStack("Each size can be made alone, but not all at once; take one of them apart, or own a block twice.")
    blocks = tuple(tuple(sorted((set_mm[i] for i in way), reverse=True)) for way in chosen)
    return Stacks(tuple(wanted_mm), blocks)


def count(size_mm: float) -> int:
    """A size in half micrometres; raises `NoStack` for what lies between two of them."""
    steps = round(size_mm / COUNT_MM)
    if steps <= 0 or abs(steps * COUNT_MM - size_mm) > 1e-7:
        raise NoStack(f"{size_mm:g} mm is no whole number of half micrometres.")
    return steps


def finest_step_mm(set_mm: Iterable[float]) -> float:
    """The smallest step between stacks of a set: the greatest common divisor of its sizes' differences and sizes."""
    return math.gcd(*(count(mm) for mm in set_mm)) * COUNT_MM


def next_stack_mm(brackets_mm: Sequence[tuple[float, float]], step_mm: float) -> float | None:
    """The size that halves the most brackets (goes, does not go) best; None when all are closed to one step.

    What a size is worth at a bracket is the share of it that is left on the narrower side, twice.
    """
    best: tuple[float, float] | None = None
    for size in sorted(_inside(brackets_mm, step_mm)):
        worth = sum(2 * min(size - low, high - size) / (high - low) for low, high in brackets_mm if low < size < high)
        if best is None or worth > best[0] + 1e-9:
            best = (worth, size)
    return best[1] if best else None


def _inside(brackets_mm: Sequence[tuple[float, float]], step_mm: float) -> set[float]:
    found: set[float] = set()
    for low, high in brackets_mm:
        first, last = math.floor(low / step_mm + 1e-6) + 1, math.ceil(high / step_mm - 1e-6) - 1
        middle = (low + high) / 2 / step_mm
        inside = range(first, last + 1) if last - first < 50 else (math.floor(middle), math.ceil(middle))
        found |= {round(i * step_mm, 7) for i in inside}
    return found


def _ways(wanted: int, sizes: Sequence[int]) -> Iterator[tuple[int, ...]]:
    """Ways of making a size, as indices into the set, those of the fewest blocks first."""
    order = sorted(range(len(sizes)), key=lambda i: -sizes[i])
    pairs: dict[int, list[tuple[int, int]]] = {}
    for i, j in combinations(order, 2):
        pairs.setdefault(sizes[i] + sizes[j], []).append((i, j))
    yielded = 0
    seen: set[tuple[int, ...]] = set()
    for way in _by_length(wanted, sizes, order, pairs):
        key = tuple(sorted(way))
        if key not in seen:
            seen.add(key)
            yield key
            yielded += 1
        if yielded >= MOST_WAYS:
            return


def _by_length(
    wanted: int, sizes: Sequence[int], order: Sequence[int], pairs: dict[int, list[tuple[int, int]]]
) -> Iterator[tuple[int, ...]]:
    yield from ((i,) for i in order if sizes[i] == wanted)
    yield from pairs.get(wanted, [])
    for i in order:
        yield from ((i, *pair) for pair in pairs.get(wanted - sizes[i], []) if i not in pair)
    for total, firsts in pairs.items():
        if 2 * total <= wanted:
            for other in pairs.get(wanted - total, []):
                yield from ((*pair, *other) for pair in firsts if not set(pair) & set(other))
    for i in order:
        for total, firsts in pairs.items():
            rest = wanted - sizes[i] - total
            if total <= rest and rest in pairs:
                for other in pairs[rest]:
                    yield from ((i, *pair, *other) for pair in firsts if len({i, *pair, *other}) == MOST_IN_STACK)


def _together(ways: Sequence[Sequence[tuple[int, ...]]]) -> list[tuple[int, ...]] | None:
    """One way for each stack, no block in two of them, the fewest blocks in all; None when there is none."""
    order = sorted(range(len(ways)), key=lambda s: len(ways[s]))
    least = [min(map(len, ways[s])) for s in order]
    best: list[tuple[int, ...]] | None = None
    best_count, steps = math.inf, 0

    def search(at: int, used: frozenset[int], taken: list[tuple[int, ...]], blocks: int) -> None:
        nonlocal best, best_count, steps
        if blocks + sum(least[at:]) >= best_count or steps > MOST_STEPS:
            return
        if at == len(order):
            best, best_count = list(taken), blocks
            return
        for way in ways[order[at]]:
            steps += 1
            if not used & set(way):
                search(at + 1, used | set(way), [*taken, way], blocks + len(way))

    search(0, frozenset(), [], 0)
    if best is None:
        return None
    return [way for _, way in sorted(zip(order, best, strict=True))]
