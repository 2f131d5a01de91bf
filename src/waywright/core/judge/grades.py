"""Grades of straightedges, square blades and surface plates: what a standard allows for a size.

Each carries its source and how it is known: S=S, read in a published page and confirmed by a second page or by its
formula; M+, from memory, confident and self-consistent, and said so. What is known less surely is not here: neither
DIN 874-1 nor BS 5204 nor GOST 8026, whose tables could not be read. Rounding is to the step a table prints, halves up.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Measure = Literal["straightness", "flatness"]
Mark = Literal["S=S", "M+"]
INCH_MM, MICROINCH_UM = 25.4, 0.0254


class UnknownGrade(ValueError):
    """No grade has this name; the message names those near it."""


class OutsideGrade(ValueError):
    """The standard says nothing of this size, or needs a width that is missing."""


@dataclass(frozen=True)
class Grade:
    """One grade. `rule` gives µm for a length (the longer side of a plate) and a width in mm.

    `from_mm` to `to_mm`: the lengths that the source covers. `formula`: the rule in words, with L and d in mm.
    """

    name: str
    measure: Measure
    source: str
    mark: Mark
    formula: str
    rule: Callable[[float, float], float]
    from_mm: float = 0.0
    to_mm: float = math.inf
    needs_width: bool = False

    def limit_um(self, length_mm: float, width_mm: float | None = None) -> float:
        """The limit for a size; raises `OutsideGrade` where the source has none."""
        if not (math.isfinite(length_mm) and length_mm > 0.0):
            raise OutsideGrade(f"A length of {length_mm:g} mm has no limit.")
        if self.needs_width and not (width_mm is not None and math.isfinite(width_mm) and width_mm > 0.0):
            raise OutsideGrade(f"{self.name} goes by the diagonal: give the width as well.")
        width = width_mm if width_mm is not None else 0.0
        longer = max(length_mm, width) if self.measure == "flatness" else length_mm
        if not self.from_mm <= longer <= self.to_mm:
            range_mm = f"from {self.from_mm:g} to {self.to_mm:g} mm" if self.from_mm else f"up to {self.to_mm:g} mm"
            raise OutsideGrade(f"{self.name} is known for lengths {range_mm}, not for {longer:g} mm.")
        return self.rule(longer, min(length_mm, width))


def grade_named(name: str) -> Grade:
    """The grade, however it is spaced and capitalised; raises `UnknownGrade` with near matches."""
    wanted = _key(name)
    if wanted in _BY_KEY:
        return _BY_KEY[wanted]
    near = difflib.get_close_matches(wanted, _BY_KEY, n=4, cutoff=0.5)
    names = list(dict.fromkeys(_BY_KEY[key].name for key in near))
    hint = f"near it are {', '.join(names)}" if names else f"known are {', '.join(GRADES)}"
    raise UnknownGrade(f"No grade is named {name!r}; {hint}.")


def limit_um(grade: str, length_mm: float, width_mm: float | None = None) -> float:
    """What the named grade allows for a size, in µm; raises `UnknownGrade` or `OutsideGrade`, both ValueErrors."""
    return grade_named(grade).limit_um(length_mm, width_mm)


def _key(name: str) -> str:
    """Letters and digits only, without the word grade or class, and with GGG-P-463c as the standard that follows it."""
    bare = re.sub(r"\b(grade|class)\b", "", name.casefold())
    key = re.sub(r"[^a-z0-9]", "", bare)
    return re.sub(r"^gggp463c?", "asmeb8937", key)


def _halves_up(value: float, step: float) -> float:
    return round(math.floor(value / step + 0.5 + 1e-9) * step, 6)  # 4.8 and not 4.800000000000001


def _linear(
    name: str,
    measure: Measure,
    source: str,
    base: float,
    per_mm: float,
    lengths_mm: tuple[float, float],
    step: float = 1.0,
    mark: Mark = "S=S",
) -> Grade:
    """base + L/per_mm, rounded to `step`."""

    def rule(length_mm: float, _: float) -> float:
        return _halves_up(base + length_mm / per_mm, step)

    return Grade(name, measure, source, mark, f"{base:g} + L/{per_mm:g}", rule, *lengths_mm)


def _iso_8512(grade: str, per_mm: float, base: float, step: float) -> Grade:
    """per_mm · d + base with the diagonal d rounded up to the next 100 mm."""
    source = "ISO 8512-1:1990, cast-iron surface plates; from memory, table and formula agree"
    formula = f"{base:g} + {per_mm:g}·d, d the diagonal rounded up to the next 100"

    def rule(length_mm: float, width_mm: float) -> float:
        diagonal = 100.0 * math.ceil(math.hypot(length_mm, width_mm) / 100.0 - 1e-9)
        return _halves_up(base + per_mm * diagonal, step)

    return Grade(f"ISO 8512-1 {grade}", "flatness", source, "M+", formula, rule, 160, 2500, needs_width=True)


# ASME B89.3.7 grade AA: rows read, longer and shorter side in inches: microinches.
_ASME_ROWS: Mapping[tuple[int, int], int] = MappingProxyType(
    {(12, 12): 50, (18, 12): 50, (24, 18): 75, (36, 24): 100, (48, 36): 200, (72, 48): 350, (96, 48): 500}
)


def _asme_b89_3_7(grade: str, times: int) -> Grade:
    """The table for its sizes, to the 2 mm by which metric plates of an inch size may be off; else the formula."""
    source = "ASME B89.3.7-2013, granite surface plates, revises GGG-P-463c; its table, for other sizes its formula"

    def rule(length_mm: float, width_mm: float) -> float:
        for (longer, shorter), microinch in _ASME_ROWS.items():
            if abs(length_mm - longer * INCH_MM) <= 2.0 and abs(width_mm - shorter * INCH_MM) <= 2.0:
                return times * microinch * MICROINCH_UM
        diagonal = math.hypot(length_mm, width_mm) / INCH_MM
        return times * (40.0 + diagonal**2 / 25.0) * MICROINCH_UM

    formula = f"{times} × (40 + D²/25) µin, D the diagonal in inches"
    return Grade(f"ASME B89.3.7 {grade}", "flatness", source, "S=S", formula, rule, needs_width=True)


_JIS = "JIS B 7514-1977, table 1 and its formulas; L is the effective length; the same limit governs parallelism"
_DIN_874_2 = "DIN 874-2:2003-11, knife-edge straightedges up to 1000 mm; table and formula agree"
_DIN_875_1 = "DIN 875-1, flatness of square blades; table read, formulas inferred from it"
_DIN_876 = "DIN 876, surface plates; L is the longer side"

GRADES: Mapping[str, Grade] = MappingProxyType(
    {
        grade.name: grade
        for grade in (
            _linear("JIS B 7514 Special", "straightness", _JIS, 1, 500, (300, 3000), 0.1),
            _linear("JIS B 7514 A", "straightness", _JIS, 2, 250, (300, 3000)),
            _linear("JIS B 7514 B", "straightness", _JIS, 4, 50, (300, 3000)),
            _linear("DIN 874-2", "straightness", _DIN_874_2, 2, 250, (0, 1000)),
            _linear("DIN 875-1 00", "flatness", _DIN_875_1, 2, 250, (75, 1000)),
            _linear("DIN 875-1 0", "flatness", _DIN_875_1, 2, 100, (75, 1000)),
            _linear("DIN 875-1 1", "flatness", _DIN_875_1, 4, 50, (75, 1000)),
            _linear("DIN 875-1 2", "flatness", _DIN_875_1, 8, 25, (75, 1000)),
            _linear("DIN 876 00", "flatness", f"{_DIN_876}; from memory", 2, 500, (200, 6500), 0.1, "M+"),
            _linear("DIN 876 0", "flatness", _DIN_876, 4, 250, (200, 6500), 0.1),
            _linear("DIN 876 I", "flatness", _DIN_876, 10, 100, (200, 6500), 0.1),
            _linear("DIN 876 II", "flatness", _DIN_876, 20, 50, (200, 6500), 0.1),
            _linear("DIN 876 III", "flatness", _DIN_876, 40, 25, (200, 6500), 0.1),
            _iso_8512("0", 0.003, 2.5, 0.5),
            _iso_8512("1", 0.006, 5, 1),
            _iso_8512("2", 0.012, 10, 1),
            _iso_8512("3", 0.024, 20, 1),
            _asme_b89_3_7("AA", 1),
            _asme_b89_3_7("A", 2),
            _asme_b89_3_7("B", 4),
        )
    }
)
_BY_KEY: Mapping[str, Grade] = MappingProxyType(
    {_key(name): grade for name, grade in GRADES.items()}
    | {_key(f"DIN 876 {arabic}"): GRADES[f"DIN 876 {'I' * arabic}"] for arabic in (1, 2, 3)}
)
