"""The things on the bench: faces, the pieces they belong to, and instruments.

A face is seen face up, marked end at the left hand: `x` mm to the right from the marked end, `y` mm from the centre
line, + the far edge; heights are + when proud, out of the metal. A bottom face is seen from outside in the same
way, so its y runs against the top's.

In its piece's cross-section, Y to the rear and Z up, a face has a pose: its centre line lies at a place, and its normal
(0, sin s, cos s) leans to the rear by its slope s; its own y runs along (0, cos s, −sin s).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from waywright.core.evidence.section import Section

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

# What a foot or tip adds when it stands on such a face, µm. Guesses, editable: no source.
SEAT_UM = {"lapped": 0.3, "ground": 0.3, "scraped": 1.0, "milled": 2.0}
SIDES = ("top", "bottom")
SAME_MM = 1e-9  # what computing may put a place beside where it is


class OffTheFace(ValueError):
    """A place outside the first and last station or line: heights are never extrapolated."""


@dataclass(frozen=True)
class Face:
    """One working surface and its nodes: every station (mm from the marked end) on every line (mm across).

    Nodes are numbered with the lines fastest: node = station · len(lines_mm) + line. `place_mm` (Y, Z) is where its
    centre line lies in the piece's cross-section, `slope_deg` how its normal leans to the rear; left out, that of its
    `side`: 0 of a top, 180 of a bottom. `as_made_um`: how true it was made (milled within 50): bounds what no reading
    has seen yet, in place of the millimetre that is assumed otherwise.
    """

    name: str
    length_mm: float
    width_mm: float
    stations_mm: tuple[float, ...]
    lines_mm: tuple[float, ...] = (0.0,)
    side: str = "top"
    finish: str | None = None
    place_mm: tuple[float, ...] = (0.0, 0.0)
    slope_deg: float | None = None
    as_made_um: float | None = None

    @cached_property
    def x_mm(self) -> FloatArray:
        """(nodes,) mm from the marked end."""
        return np.repeat(np.asarray(self.stations_mm, float), len(self.lines_mm))

    @cached_property
    def y_mm(self) -> FloatArray:
        """(nodes,) mm from the centre line, + the far edge."""
        return np.tile(np.asarray(self.lines_mm, float), len(self.stations_mm))

    @property
    def slope(self) -> float:
        """Degrees by which its normal leans from up to the rear, from −180 up to 180."""
        found = self.slope_deg if self.slope_deg is not None else 180.0 if self.side == "bottom" else 0.0
        return 180.0 - (180.0 - found) % 360.0

    def against(self, other: Face) -> float:
        """Degrees between its normal and that of another face of its piece, 0 to 180."""
        return abs(180.0 - (180.0 - self.slope + other.slope) % 360.0)

    def rigid(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """(n, 5) height change of places on this face when its piece is lifted, tilted along, tilted across, shifted to
        the rear and yawed: n·(d + ω × P). How many of these differ is for the faces of the piece to say."""
        sin, cos = exact_sin_cos(self.slope)
        lever = self.place_mm[0] * cos - self.place_mm[1] * sin
        one = np.ones_like(x_mm)
        return np.column_stack([cos * one, cos * x_mm, y_mm + lever, sin * one, sin * x_mm])

    def interpolate(self, x_mm: FloatArray, y_mm: FloatArray) -> tuple[IntArray, FloatArray]:
        """Nodes (n, 4) and weights (n, 4) that give the height at places: linear along and across.

        A face read on one line is taken as level across, from edge to edge wherever the line lies. Raises `OffTheFace`
        for a place outside the nodes, or off the metal.
        """
        i, along = _between(np.asarray(self.stations_mm, float), x_mm, self.name, "stations", "x")
        if len(self.lines_mm) == 1:
            half = self.width_mm / 2
            if len(y_mm) and np.max(np.abs(y_mm)) > half + SAME_MM:
                raise OffTheFace(
                    f"y = {_worst(y_mm, 0.0)} mm lies off face {self.name}, which reaches from {-half:g} to "
                    f"{half:g} mm across; y is counted from its centre line."
                )
            j, across = np.zeros_like(i), np.zeros_like(along)
        else:
            j, across = _between(np.asarray(self.lines_mm, float), y_mm, self.name, "lines", "y")
        lines = len(self.lines_mm)
        i1, j1 = np.minimum(i + 1, len(self.stations_mm) - 1), np.minimum(j + 1, lines - 1)
        nodes = np.column_stack([i * lines + j, i1 * lines + j, i * lines + j1, i1 * lines + j1])
        weights = np.column_stack(
            [(1 - along) * (1 - across), along * (1 - across), (1 - along) * across, along * across]
        )
        return nodes, weights


def exact_sin_cos(degrees: float) -> tuple[float, float]:
    """Sine and cosine, exact at right angles: a level face does not lean by rounding."""
    quarter = {0.0: (0.0, 1.0), 90.0: (1.0, 0.0), 180.0: (0.0, -1.0), -90.0: (-1.0, 0.0)}.get(degrees)
    return quarter or (math.sin(math.radians(degrees)), math.cos(math.radians(degrees)))


def _between(grid: FloatArray, at: FloatArray, name: str, what: str, axis: str) -> tuple[IntArray, FloatArray]:
    """Index of the grid point at or before each place and the fraction towards the next."""
    slack = 1e-9 * max(1.0, float(np.abs(grid).max()))
    if len(at) and (at.min() < grid[0] - slack or at.max() > grid[-1] + slack):
        middle = 0.5 * (grid[0] + grid[-1])
        raise OffTheFace(
            f"{axis} = {_worst(at, middle)} mm lies outside the {what} of face {name}, {grid[0]:g} to {grid[-1]:g} mm."
        )
    if len(grid) == 1:
        return np.zeros(len(at), np.intp), np.zeros(len(at))
    i = np.clip(np.searchsorted(grid, at, side="right") - 1, 0, len(grid) - 2)
    fraction = np.clip((at - grid[i]) / (grid[i + 1] - grid[i]), 0.0, 1.0)
    # A place a hair from a node is the node: 0.1 + 0.2 must not bring in a neighbour.
    fraction[fraction < 1e-9] = 0.0
    fraction[fraction > 1 - 1e-9] = 1.0
    return i, fraction


def _worst(at: FloatArray, middle: float) -> str:
    return f"{at[int(np.argmax(np.abs(at - middle)))]:g}"


@dataclass(frozen=True)
class Piece:
    """One body with its faces; material, section and supports say how it bends and warms.

    `section` is the same all along, or `sections` along the length; `mass_kg` is what it weighed; `carried_mm` are the
    places along it where it stands when a setting does not say.
    """

    name: str
    faces: tuple[Face, ...]
    material: str | None = None
    section: Section | None = None
    sections: tuple[Section, ...] = ()
    mass_kg: float | None = None
    carried_mm: tuple[float, ...] = ()

    @property
    def length_mm(self) -> float:
        """Of its longest face: they all begin at one end."""
        return max((face.length_mm for face in self.faces), default=0.0)

    @property
    def along(self) -> tuple[Section, ...]:
        """Its sections along its length, however they were given; none where nothing is known of them."""
        return self.sections or (() if self.section is None else (self.section,))


INSTRUMENT_KINDS = ("gauge blocks", "feelers", "papers", "indicator", "level", "autocollimator", "micrometer")


@dataclass(frozen=True)
class Instrument:
    """What readings are taken with, and what it claims of itself.

    `u_um` (or `u_um_per_m` for angles) is a standard uncertainty of one reading; gauge blocks may give their ISO
    3650 `grade` instead. `feel_um` is the hand's feel for a stack that drags. `um_per_m_per_div` turns a level's
    divisions into slope.
    """

    name: str
    kind: str
    grade: str | None = None
    u_um: float | None = None
    u_um_per_m: float | None = None
    feel_um: float = 1.0
    um_per_m_per_div: float | None = None
    blocks_mm: tuple[float, ...] = ()


@dataclass(frozen=True)
class Hand:
    """What one pass of a hand takes: `depth_um` on average, known to ± `depth_u_um`; places differ by `scatter` of it.

    `scatter` is a standard deviation, as a share of the depth, over a square of the pencil grid. The numbers to begin
    with are guesses, editable: no source; `core/work` learns them from faces read before and after.
    Raises ValueError for a depth that is not above 0, or a negative uncertainty or scatter.
    """

    depth_um: float = 3.0
    depth_u_um: float = 0.6
    scatter: float = 0.2

    def __post_init__(self) -> None:
        numbers = (self.depth_um, self.depth_u_um, self.scatter)
        if not (all(math.isfinite(n) for n in numbers) and self.depth_um > 0 and min(numbers) >= 0):
            raise ValueError("A pass takes more than 0 µm, and neither its uncertainty nor its scatter is below 0.")

    def variance_um2(self, passes: FloatArray | int) -> FloatArray:
        """Of what is taken at a place in so many passes: each pass's own scatter, and the depth's error in all."""
        n = np.asarray(passes, np.float64)
        return np.asarray(n * (self.scatter * self.depth_um) ** 2 + (n * self.depth_u_um) ** 2)

    def lighter(self, share: float) -> Hand:
        """The same hand pressing less: all three keep their proportions."""
        return Hand(self.depth_um * share, self.depth_u_um * share, self.scatter)
