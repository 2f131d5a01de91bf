"""What a job is for: the limits its faces must come to, or the part that is to be turned."""

from __future__ import annotations

from dataclasses import dataclass

from waywright.core.evidence.fields import FaceName


@dataclass(frozen=True)
class Workpiece:
    """What is to be turned: a diameter within `diameter_um` over `over_mm`, the tool `height_mm` above the ways."""

    diameter_um: float
    over_mm: float
    height_mm: float | None = None


@dataclass(frozen=True)
class Goal:
    """What a face must come to; without `faces` all of them. `part` stands in for a limit: see `results.workpiece`."""

    straightness_um: float | None = None
    flatness_um: float | None = None
    twist_um_per_m: float | None = None
    grade: str | None = None
    side: str = "between"
    leave_out_mm: float = 0.0
    rule: str = "guarded"
    faces: tuple[FaceName, ...] = ()
    part: Workpiece | None = None
