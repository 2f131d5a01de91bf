"""One line of the speed table, and what a benchmark module owes the runner."""

from __future__ import annotations

import operator
import re
from dataclasses import dataclass

_REQUIRED = re.compile(r"(>=|<=)\s*([0-9.]+)")
_HOLDS = {">=": operator.ge, "<=": operator.le}


@dataclass(frozen=True)
class Row:
    """What `rows()` of a `bench_*.py` returns a list of.

    `name`       what is measured, one short line; unique within the table.
    `ours`       our figure, in `unit` (the median or the best of several tries; say which in the module).
    `reference`  the other way's figure in the same run and unit, None where nothing is compared.
    `ratio`      the number that `required` speaks of: reference / ours for "times as fast", ours / reference for
                 "no slower than", or a plain figure such as a growth exponent or a peak memory.
    `required`   ">= 100" or "<= 1.6"; empty where nothing is promised.
    `unit`       "s" (shown as s, ms or µs) or any other unit, shown as it is.
    `answer`     a number that the compiled and the plain path must both arrive at, to 1e-9 relative; None for none.
    """

    name: str
    ours: float
    reference: float | None
    ratio: float
    required: str = ""
    unit: str = "s"
    answer: float | None = None

    def __post_init__(self) -> None:
        if self.required and not _REQUIRED.fullmatch(self.required):
            raise ValueError(f"Row {self.name!r}: required is {self.required!r}; write it as '>= 100' or '<= 1.6'.")

    @property
    def holds(self) -> bool:
        """Whether the ratio keeps what is required; True where nothing is."""
        found = _REQUIRED.fullmatch(self.required)
        return found is None or bool(_HOLDS[found[1]](self.ratio, float(found[2])))

    def same_answer(self, other: Row) -> bool:
        """Whether two runs of this row arrived at the same number, to 1e-9 relative."""
        if self.answer is None or other.answer is None:
            return self.answer is other.answer
        return abs(self.answer - other.answer) <= 1e-9 * max(1.0, abs(self.answer))
