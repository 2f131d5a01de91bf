"""Start from the part: how true the ways must be for it, and how true the reference that they are judged by.

A tool moved sideways by e changes a diameter by 2e; a bed that twists by φ moves a tool at height H above the ways by
H·φ sideways, 2·H·φ on the diameter (geometry; vertical errors count only by v²/R and are left out). The part's
tolerance is shared between the two as a root sum of squares, half the variance each. The reference is to be four times
better than what is judged by it (ASME B89.3.7: a test uncertainty ratio of 4 for simple acceptance).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from waywright.core.evidence.goal import Workpiece

RATIO = 4.0


@dataclass(frozen=True)
class Needs:
    """What a part asks of the machine: straightness of the ways sideways over the part's length, twist over it where
    the tool's height is known, and straightness of the reference."""

    ways_um: float
    twist_um_per_m: float | None
    reference_um: float


def diameter_um(part: Workpiece, reference_um: float) -> float:
    """The diameter that could be held with a reference proved to `reference_um`: `needs` the other way round."""
    return part.diameter_um * reference_um / needs(part).reference_um


def needs(part: Workpiece) -> Needs:
    """Work back from a part to the ways and the reference."""
    shared = 1 / math.sqrt(2) if part.height_mm is not None else 1.0
    ways = part.diameter_um / 2 * shared
    twist = None if part.height_mm is None else part.diameter_um / 2 * shared / part.height_mm * 1e3
    return Needs(ways, twist, ways / RATIO)
