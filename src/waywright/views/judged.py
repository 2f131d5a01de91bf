"""What `judge` finds in a table of heights: one view for the terminal and for machines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from waywright.core.evidence.things import FloatArray
from waywright.core.judge.geometry import twist
from waywright.core.judge.zones import flatness, straightness
from waywright.views.numbers import Shown, plural


@dataclass(frozen=True)
class Judged:
    """Straightness of a line, or flatness of a surface and its twist; µm, µm/m, full precision."""

    points: int
    minimum_zone_um: float
    least_squares_um: float
    end_points_um: float | None = None  # lines only
    twist_um_per_m: float | None = None  # surfaces only, and there only when it can be told
    surface: bool = False

    def json(self) -> dict[str, Any]:
        """The keys of `waywright judge --json`."""
        zones = {"minimum_zone": self.minimum_zone_um, "least_squares": self.least_squares_um}
        if self.surface:
            return {"points": self.points, "flatness_um": zones, "twist_um_per_m": self.twist_um_per_m}
        return {"points": self.points, "straightness_um": {**zones, "end_points": self.end_points_um}}

    def rows(self, shown: Shown) -> list[tuple[str, str, str]]:
        """What, how much and in which words: one row a measure."""
        what = "planes" if self.surface else "lines"
        fit = "plane" if self.surface else "line"
        rows = [
            ("Minimum zone", shown.height_text(self.minimum_zone_um), f"least distance of two parallel {what}"),
            ("Least squares", shown.height_text(self.least_squares_um), f"highest less lowest about its {fit}"),
        ]
        if not self.surface:
            rows.append(("End points", shown.height_text(self.end_points_um), "about the line through both ends"))
        elif self.twist_um_per_m is not None:
            rows.append(("Twist", shown.slope_text(self.twist_um_per_m), "+ when the far edge rises along x"))
        return rows

    def title(self) -> str:
        """ "Straightness of 7 points"."""
        return f"{'Flatness' if self.surface else 'Straightness'} of {plural(self.points, 'point')}"


def judged(x_mm: FloatArray, height_um: FloatArray, y_mm: FloatArray | None = None) -> Judged:
    """Judge a line, or with `y_mm` a surface; all (n,). Raises `ValueError` where nothing can be told."""
    n = len(x_mm)
    if y_mm is None:
        line = straightness(x_mm, height_um)
        return Judged(n, line.minimum_zone_um, line.least_squares_um, line.end_points_um)
    flat = flatness(x_mm, y_mm, height_um)
    slope = float(twist(x_mm, y_mm, height_um, float(np.ptp(y_mm))).um_per_m) if _tells_twist(x_mm, y_mm) else None
    return Judged(n, flat.minimum_zone_um, flat.least_squares_um, None, slope, surface=True)


def _tells_twist(x_mm: FloatArray, y_mm: FloatArray) -> bool:
    """Whether a + b·x + c·y + d·x·y has one answer: not on one line, nor on two that cross."""
    s, t = ((v - v.mean()) / max(float(np.ptp(v)), 1e-12) for v in (x_mm, y_mm))
    return len(s) > 3 and int(np.linalg.matrix_rank(np.column_stack([np.ones_like(s), s, t, s * t]))) == 4
