"""Gauge blocks: how true a graded block is, and which blocks a stack is usually made of.

Limit deviations t_e of ISO 3650:1998, table 5 (as reproduced in published pages; grade K from memory: it has the t_e
of grade 1). The rows between 500 and 900 mm could not be read: the row for 900-1000 stands for them, too wide and never
too narrow. A block's standard uncertainty is t_e/√3: its deviation is somewhere within the limits.
"""

from __future__ import annotations

import math
from functools import lru_cache

GRADES = ("K", "0", "1", "2")

# Up to and including this nominal length in mm: t_e in µm for grades K, 0, 1, 2.
_LIMITS: tuple[tuple[float, tuple[float, float, float, float]], ...] = (
    (10, (0.20, 0.12, 0.20, 0.45)),
    (25, (0.30, 0.14, 0.30, 0.60)),
    (50, (0.40, 0.20, 0.40, 0.80)),
    (75, (0.50, 0.25, 0.50, 1.00)),
    (100, (0.60, 0.30, 0.60, 1.20)),
    (150, (0.80, 0.40, 0.80, 1.60)),
    (200, (1.00, 0.50, 1.00, 2.00)),
    (250, (1.20, 0.60, 1.20, 2.40)),
    (300, (1.40, 0.70, 1.40, 2.80)),
    (400, (1.80, 0.90, 1.80, 3.60)),
    (500, (2.20, 1.10, 2.20, 4.40)),
    (1000, (4.20, 2.00, 4.20, 8.00)),
)


def limit_deviation_um(size_mm: float, grade: str) -> float:
    """t_e of a block of nominal length `size_mm`, + and − about it; raises ValueError for an unknown grade or size.

    A range reaches over its lower and up to and including its upper end: 10 mm belongs to the first row. A size below
    the standard's 0.5 mm is taken by the first row too.
    """
    if not size_mm > 0.0:
        raise ValueError(f"A gauge block of {size_mm:g} mm cannot be; give a size above 0.")
    if grade not in GRADES:
        raise ValueError(f"Grade {grade!r} is not one of ISO 3650; the grades are {', '.join(GRADES)}.")
    for up_to, limits in _LIMITS:
        if size_mm <= up_to:
            return limits[GRADES.index(grade)]
    raise ValueError(f"A gauge block of {size_mm:g} mm cannot be; they reach 1000 mm.")


def block_u_um(size_mm: float, grade: str) -> float:
    """Standard uncertainty of one block, t_e/√3."""
    return limit_deviation_um(size_mm, grade) / math.sqrt(3)


@lru_cache(maxsize=4096)
def usual_stack(size_mm: float) -> tuple[float, ...]:
    """The fewest blocks that make a stack of `size_mm` from the usual metric set of 112, each taken once.

    The set: 1.0005; 1.001-1.009; 1.01-1.49; 0.5-24.5 by 0.5; 25, 50, 75, 100 (common practice, no source). The last
    figure of what is left always needs a block of its own, so it is taken off first; the long blocks do the rest.
    A size that the set cannot make is taken as one block.
    """
    steps = round(size_mm * 2000)  # of 0.5 µm
    if not 0 < steps <= 2_000_000 or abs(steps / 2000 - size_mm) > 1e-7:
        return (size_mm,)
    stack: list[int] = []
    for finer, coarser in ((1, 2), (2, 20), (20, 1000)):  # half micrometres, micrometres, hundredths up to 0.49
        figure = (steps - sum(stack)) % coarser // finer * finer
        if figure:
            stack.append(2000 + figure)
    left = steps - sum(stack)
    for long in (200_000, 150_000, 100_000, 50_000):
        if left >= long:
            stack.append(long)
            left -= long
    for short in range(49_000, 0, -1000):
        if left >= short:
            stack.append(short)
            left -= short
    return tuple(block / 2000 for block in stack) if left == 0 else (size_mm,)
