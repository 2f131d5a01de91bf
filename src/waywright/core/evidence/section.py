"""The cross-section of a piece, as it is drawn: what it is along its length, its back below its face.

Sections of one shape are linear between the places they are given at; two at one place are a step. Before the first and
behind the last it goes on as it is.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Literal


@dataclass(frozen=True)
class Hole:
    """A hole through the web, at half its depth: round, or with `length_mm` a slot with round ends, along the piece."""

    x_mm: float
    diameter_mm: float
    length_mm: float | None = None

    @property
    def ends_mm(self) -> tuple[float, float]:
        """Where along the piece it begins and ends."""
        half = 0.5 * (self.diameter_mm if self.length_mm is None else self.length_mm)
        return self.x_mm - half, self.x_mm + half


@dataclass(frozen=True, kw_only=True)
class Solid:
    """A rectangle."""

    shape: Literal["solid"] = "solid"
    x_mm: float = 0.0
    depth_mm: float
    width_mm: float


@dataclass(frozen=True, kw_only=True)
class Webbed:
    """A web between or under flanges; `holes` are through the web."""

    x_mm: float = 0.0
    depth_mm: float
    width_mm: float
    web_mm: float
    flange_mm: float
    holes: tuple[Hole, ...] = ()

    @property
    def webs(self) -> int:
        """How many stand side by side."""
        return 1

    @property
    def flanges(self) -> int:
        """One at the face, or one at the back as well."""
        return 2

    @property
    def clear_mm(self) -> float:
        """How deep the web is between flanges."""
        return self.depth_mm - self.flanges * self.flange_mm


@dataclass(frozen=True, kw_only=True)
class IShape(Webbed):
    """A web between two flanges."""

    shape: Literal["I"] = "I"


@dataclass(frozen=True, kw_only=True)
class TShape(Webbed):
    """A web under one flange, whose outside is the face."""

    shape: Literal["T"] = "T"

    @property
    def flanges(self) -> int:
        """One, at the face."""
        return 1


@dataclass(frozen=True, kw_only=True)
class Box(Webbed):
    """Two walls of `web_mm` between two flanges."""

    shape: Literal["box"] = "box"

    @property
    def webs(self) -> int:
        """Two walls."""
        return 2


@dataclass(frozen=True, kw_only=True)
class Computed:
    """What a person worked out: area, second moment, and the area that carries shear where it is known.

    `depth_mm` is from the face to the back: what warmth needs.
    """

    shape: Literal["given"] = "given"
    x_mm: float = 0.0
    area_mm2: float
    inertia_mm4: float
    shear_mm2: float | None = None
    depth_mm: float | None = None


Section = Solid | IShape | TShape | Box | Computed


def sizes(section: Section) -> dict[str, float]:
    """The numbers of a section that change along a piece, by their names; the same names for sections alike."""
    values = {section.shape: 0.0} | {f.name: getattr(section, f.name) for f in fields(section) if f.name != "x_mm"}
    return {name: value for name, value in values.items() if isinstance(value, float | int)}


def unfit(sections: Sequence[Section], length_mm: float) -> tuple[str, int] | None:
    """Why these are not the sections of a piece so long, in a sentence, and which one; None if they are."""
    for i, section in enumerate(sections):
        if not 0 <= section.x_mm <= length_mm:
            return f"A section at {section.x_mm:g} mm lies off a piece of {length_mm:g} mm.", i
        if isinstance(section, Webbed) and (wrong := _unfit_web(section, length_mm)):
            return wrong, i
    for i, (one, other) in enumerate(itertools.pairwise(sections), 1):
        if other.x_mm < one.x_mm:
            return f"Sections increase along the piece: {other.x_mm:g} mm comes after {one.x_mm:g} mm.", i
        if other.x_mm > one.x_mm and sizes(one).keys() != sizes(other).keys():
            return "Between sections of two shapes nothing is known; give both at the place where one ends.", i
    return None


def _unfit_web(section: Webbed, length_mm: float) -> str:
    """Why a web does not fit between its flanges, or a hole into the web; "" if they do."""
    clear_mm = section.clear_mm
    if section.webs * section.web_mm > section.width_mm:
        return f"A web of {section.web_mm:g} mm does not fit into a width of {section.width_mm:g} mm."
    if clear_mm <= 0:
        return f"Flanges of {section.flange_mm:g} mm leave no web in a depth of {section.depth_mm:g} mm."
    for hole in section.holes:
        if hole.length_mm is not None and hole.length_mm < hole.diameter_mm:
            return "A slot is at least as long as it is deep; give its whole length, or leave it out."
        if not 0 <= hole.ends_mm[0] <= hole.ends_mm[1] <= length_mm:
            return f"The hole at {hole.x_mm:g} mm reaches beyond a piece of {length_mm:g} mm."
        if hole.diameter_mm >= clear_mm:
            return f"A hole of {hole.diameter_mm:g} mm is deeper than the web, which is {clear_mm:g} mm deep."
    for one, other in itertools.pairwise(sorted(section.holes, key=lambda hole: hole.x_mm)):
        if one.ends_mm[1] > other.ends_mm[0]:
            return f"The holes at {one.x_mm:g} and {other.x_mm:g} mm overlap; give them as one slot."
    return ""
