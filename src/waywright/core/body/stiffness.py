"""What a section is worth along a piece: its area, second moment, the area that carries shear, and its depth.

A drawn section is a stack of rectangular layers, from the face to the back. Shear is carried as its energy says,
A_s = I² / ∫ Q²/b dy (Timoshenko): five sixths of a rectangle. Across a hole what is above and what is below share it;
that these bend by themselves over a wide one is left to a solve of the whole `web`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from waywright.core.evidence.section import Computed, Hole, Section, Webbed, sizes
from waywright.core.evidence.things import FloatArray

_ABOVE, _BELOW = slice(0, 2), slice(3, None)  # a hole among the layers of a web
_THREE = np.polynomial.legendre.leggauss(3)  # exact for the squares of parabolas


@dataclass(frozen=True)
class Stiffness:
    """At places along a piece, (n,) each: mm², mm⁴, mm², mm; the depth is NaN where nobody said it."""

    area_mm2: FloatArray
    inertia_mm4: FloatArray
    shear_mm2: FloatArray
    depth_mm: FloatArray


def stiffness(sections: Sequence[Section], x_mm: FloatArray, *, holes: bool = True) -> Stiffness:
    """The stiffness at places (n,) along a piece; `holes` false: as if its webs were whole."""
    cut = [hole for section in sections for hole in getattr(section, "holes", ()) if holes]
    found = np.empty((4, len(x_mm)))
    at = np.searchsorted([section.x_mm for section in sections], x_mm, side="right") - 1
    for i in np.unique(at):
        here = at == i
        one, other = sections[max(i, 0)], sections[min(i + 1, len(sections) - 1) if i >= 0 else 0]
        found[:, here] = _between(one, other, x_mm[here], cut)
    return Stiffness(*found)


def outline_mm(sections: Sequence[Section], x_mm: float) -> list[tuple[float, float, float]]:
    """The section at a place, as it is drawn: of each layer how far below the face, how wide, and how thick; the walls
    of a box side by side as one. Nothing of a section of which only numbers are known."""
    at = np.array([x_mm])
    number = max(int(np.searchsorted([section.x_mm for section in sections], x_mm, side="right")) - 1, 0)
    one, other = sections[number], sections[min(number + 1, len(sections) - 1)]
    if isinstance(one, Computed):
        return []
    width, thick = (each[:, 0].tolist() for each in _layers(one, _sizes(one, other, at), at, ()))
    below = np.cumsum([0.0, *thick[:-1]]).tolist()
    return [(y, w, t) for y, w, t in zip(below, width, thick, strict=True) if w and t]


def rows_mm(sections: Sequence[Section], x_mm: FloatArray, size_mm: float) -> tuple[FloatArray, FloatArray]:
    """A piece of webs cut into rows no higher than `size_mm`: (n, rows + 1) depths below the face at places (n,), and
    how thick each row is between two of them, (n − 1, rows)."""
    mids = 0.5 * (x_mm[1:] + x_mm[:-1])
    depths = _whole_layers(sections, x_mm)[1]
    widths = _whole_layers(sections, mids)[0]
    cuts, thick = [np.zeros(len(x_mm))], []
    for width, layer in zip(widths, depths, strict=True):
        count = max(2, int(np.ceil(layer.max() / size_mm)))
        cuts += [cuts[-1] + layer * share for share in np.arange(1, count + 1) / count]
        thick += [width] * count
    return np.array(cuts).T, np.array(thick).T


def _whole_layers(sections: Sequence[Section], x_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Width and thickness of the layers of a web without holes, (layers, n)."""
    at = np.maximum(np.searchsorted([section.x_mm for section in sections], x_mm, side="right") - 1, 0)
    last = len(sections) - 1
    pairs = [(sections[i], sections[min(i + 1, last)], np.array([x])) for i, x in zip(at, x_mm, strict=True)]
    found = [_layers(one, _sizes(one, other, x), x, ()) for one, other, x in pairs]
    width, thick = (np.hstack(each) for each in zip(*found, strict=True))
    kept = [0, 1, *range(4, len(width))]  # the two halves of the web are one
    return width[kept], np.vstack([thick[:1], thick[1:2] + thick[3:4], thick[4:]])


def _sizes(one: Section, other: Section, x_mm: FloatArray) -> dict[str, FloatArray]:
    """The sizes of a section at places on the way to the next: linear."""
    size, there = sizes(one), sizes(other)
    if other.x_mm <= one.x_mm or there.keys() != size.keys():
        return {name: np.full(len(x_mm), value) for name, value in size.items()}
    part = (x_mm - one.x_mm) / (other.x_mm - one.x_mm)
    return {name: value + (there[name] - value) * part for name, value in size.items()}


def _between(one: Section, other: Section, x_mm: FloatArray, holes: Iterable[Hole]) -> FloatArray:
    """(4, n) from one section towards the next: each size of theirs is linear."""
    size_at = _sizes(one, other, x_mm)
    if isinstance(one, Computed):
        area, nan = size_at["area_mm2"], np.full(len(x_mm), np.nan)
        shear = size_at.get("shear_mm2", 5 / 6 * area)
        return np.array([area, size_at["inertia_mm4"], shear, size_at.get("depth_mm", nan)])
    width, thick = _layers(one, size_at, x_mm, holes)
    area, inertia, shear = _stacked(width, thick)
    if (cut := width == 0).any():  # above and below a hole each carries its own
        here = (cut & (thick > 0)).any(axis=0)
        shear[here] = sum(_stacked(width[part][:, here], thick[part][:, here])[2] for part in (_ABOVE, _BELOW))
    return np.array([area, inertia, shear, size_at["depth_mm"]])


def _layers(
    section: Section, size: dict[str, FloatArray], x_mm: FloatArray, holes: Iterable[Hole]
) -> tuple[FloatArray, FloatArray]:
    """Width and thickness of each layer, (layers, n) mm."""
    if not isinstance(section, Webbed):
        return size["width_mm"][None], size["depth_mm"][None]
    web, flange = section.webs * size["web_mm"], size["flange_mm"]
    open_mm = sum((_height_mm(hole, x_mm) for hole in holes), np.zeros(len(x_mm)))
    half = 0.5 * (size["depth_mm"] - section.flanges * flange - open_mm)
    width = [size["width_mm"], web, np.zeros(len(x_mm)), web, *[size["width_mm"]] * (section.flanges - 1)]
    return np.array(width), np.array([flange, half, open_mm, half, *[flange] * (section.flanges - 1)])


def _height_mm(hole: Hole, x_mm: FloatArray) -> FloatArray:
    """How high a hole stands open at places."""
    radius, half = 0.5 * hole.diameter_mm, 0.5 * (hole.ends_mm[1] - hole.ends_mm[0])
    along = np.maximum(np.abs(x_mm - hole.x_mm) - (half - radius), 0.0)
    return 2 * np.sqrt(np.maximum(radius**2 - along**2, 0.0))


def _stacked(width: FloatArray, thick: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Area, second moment and shear area of layers (m, n)."""
    area = (width * thick).sum(axis=0)
    end = np.cumsum(thick, axis=0)
    middle = end - 0.5 * thick
    from_axis = middle - (width * thick * middle).sum(axis=0) / area
    inertia = (width * thick * (thick**2 / 12 + from_axis**2)).sum(axis=0)
    moment = width * thick * from_axis  # of each layer; above one those before it
    above = np.cumsum(moment, axis=0) - moment
    energy = np.zeros(len(area))
    for point, weight in zip(*_THREE, strict=True):
        down = 0.5 * (1 + point) * thick
        q = above + width * down * (from_axis - 0.5 * thick + 0.5 * down)
        energy += 0.5 * weight * np.divide(q**2 * thick, width, out=np.zeros_like(q), where=width > 0).sum(axis=0)
    return area, inertia, inertia**2 / energy
