"""Places in words that a person can walk to: "on the near line (y −14) at 30 and 105 mm; on the far line (y 14) every
75 mm from 30 to 630 mm". Equal steps are told by their ends; what is told is all there is, and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from waywright.units import Showing

RUN = 4  # places in equal steps that are told by their ends
EQUAL = 1e-6  # of a step: what adding steps up makes of them
TWO = 2

Spot = tuple[float, float | None]  # along, and across where a line must be named


def number(mm: float, shown: Showing) -> str:
    """A place without its unit, with the minus of print."""
    return shown.number(mm, "mm").replace("-", "−")


def length(mm: float, shown: Showing) -> str:
    """A place or length with its unit."""
    return f"{number(mm, shown)} {shown.unit('mm')}"


def line(y_mm: float, shown: Showing) -> str:
    """Which line of a face: "the near line (y −14)"."""
    if not y_mm:
        return "the centre line"
    return f"the {'far' if y_mm > 0 else 'near'} line (y {number(y_mm, shown)})"


def distinct(y_mm: Sequence[float], shown: Showing) -> list[str]:
    """Each by a name of its own: where two lie on one side of the middle, "the line y −150", not "the near line"."""
    by_number = any(sum(y * side > 0 for y in y_mm) > 1 for side in (-1, 1))
    return [f"the line y {number(y, shown)}" if by_number and y else line(y, shown) for y in y_mm]


def lines(y_mm: Sequence[float], shown: Showing) -> str:
    """Several: "the near line (y −14) and the far line (y 14)", "the lines y −40, 0 and 40"."""
    if len(y_mm) > TWO:
        return f"the lines y {joined([number(y, shown) for y in y_mm])}"
    return joined(distinct(y_mm, shown))


def along(at_mm: Iterable[float], shown: Showing) -> str:
    """Places along a line: "at 30 and 105 mm", "every 75 mm from 30 to 630 mm"."""
    parts: list[str] = []
    single: list[float] = []
    for run in _runs(sorted(set(at_mm))):
        if len(run) < RUN:
            single += run
            continue
        if single:
            parts.append(_singly(single, shown))
        single = []
        step = (run[-1] - run[0]) / (len(run) - 1)
        parts.append(f"every {length(step, shown)} from {number(run[0], shown)} to {length(run[-1], shown)}")
    if single:
        parts.append(_singly(single, shown))
    return ", then ".join(parts)


def spots(at: Iterable[Spot], shown: Showing, on: str = "on") -> str:
    """Places on a face, line by line; lines with the same places are told together."""
    by_line: dict[float | None, list[float]] = {}
    for x, y in at:
        by_line.setdefault(y, []).append(x)
    alike: dict[tuple[float, ...], list[float | None]] = {}
    for y in sorted(by_line, key=lambda y: (y is not None, y or 0.0)):
        alike.setdefault(tuple(sorted(set(by_line[y]))), []).append(y)
    every = [y for y in by_line if y is not None]
    names = dict(zip(every, distinct(every, shown), strict=True))
    told = []
    for at_mm, ys in alike.items():
        named = [y for y in ys if y is not None]
        which = lines(named, shown) if len(named) > TWO else joined([names[y] for y in named]) if named else ""
        told.append(f"{f'{on} {which} ' if named else ''}{along(at_mm, shown)}")
    return "; ".join(told)


def _runs(x: Sequence[float]) -> list[list[float]]:
    """As few stretches of equal steps as going from left to right gives."""
    found: list[list[float]] = []
    rest = list(x)
    while rest:
        last = min(len(rest), TWO)
        while last < len(rest) and abs(rest[last] - 2 * rest[last - 1] + rest[last - 2]) <= EQUAL * (rest[1] - rest[0]):
            last += 1
        if last < RUN:
            last = 1
        found.append(rest[:last])
        rest = rest[last:]
    return found


def _singly(x: Sequence[float], shown: Showing) -> str:
    return f"at {joined([number(each, shown) for each in x])} {shown.unit('mm')}"


def joined(names: Sequence[str]) -> str:
    """ "A", "A and B", "A, B and C"."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
