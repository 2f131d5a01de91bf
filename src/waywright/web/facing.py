"""Two faces as they lie on the bench: the upper turned over the lower, the gap between them, and what they stand on.

A pair that touches is drawn as it rests: on the two highest places under its middle, or tilted onto the end held down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from waywright.core.body.bending import standing, supports_mm
from waywright.core.evidence.findings import Shape
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.lying import ENDS, Lying
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.evidence.where import joined
from waywright.views.numbers import Shown
from waywright.views.ribbon import known
from waywright.web.drawing import ACROSS, Box, Drawing, Label, Spot, Stroke, named

BODY_PX, GAP_PX, TOP_PX, TEXT_PX = 46, 64, 16, 18  # the metal of each; between them; above; places below
HELD_PX = 30  # the hand that holds an end
FURTHEST_PX = 90  # how far a tilted face may rise


def facing(job: Job, setting: Setting, shapes: dict[str, Shape], reach: float, shown: Shown) -> Drawing | None:
    """A lay-up from the near side, the lower's marked end at the left; None when this is none, or a face is missing."""
    layup, faces = setting.geometry.lying, job.faces()
    if layup is None or layup.lower not in faces or layup.upper not in faces:
        return None
    lower, upper = faces[layup.lower], faces[layup.upper]
    over, _ = layup.on_lower(upper, np.asarray(upper.stations_mm), np.zeros(len(upper.stations_mm)))
    ends, _ = layup.on_lower(upper, np.array([0.0, upper.length_mm]), np.zeros(2))
    pair = _Pair(
        layup,
        lower,
        upper,
        _profile(lower, shapes.get(layup.lower), np.asarray(lower.stations_mm), np.array([0.0, lower.length_mm])),
        _profile(upper, shapes.get(layup.upper), over, ends),
        (float(ends[0]), float(ends[1])),
        _supports_mm(job, setting, lower),
    )
    spacers = [r for r in layup.rests(setting.readings) if r.x_mm is not None]
    if layup.touches and not spacers:
        return _resting(pair, reach, shown)
    return _standing(pair, [float(r.x_mm or 0.0) for r in spacers if r.id not in job.corrected()], reach, shown)


def _supports_mm(job: Job, setting: Setting, lower: Face) -> tuple[float, ...]:
    """What the lower stands on; nothing where nobody said."""
    piece = job.piece_of(lower.name)
    return supports_mm(piece, setting, standing(job, setting)[piece.name])


@dataclass(frozen=True)
class _Profile:
    """A face along the lower one, the ends of its metal included: heights out of its own metal."""

    x_mm: FloatArray
    height_um: FloatArray
    known: bool


@dataclass(frozen=True)
class _Pair:
    """Two faces as they lie, where the upper's marked and far end are along the lower, and what that stands on."""

    layup: Lying
    lower: Face
    upper: Face
    below: _Profile
    above: _Profile
    ends_mm: tuple[float, float]
    supports_mm: tuple[float, ...]

    @property
    def left_mm(self) -> float:
        """Where the drawing begins."""
        return float(min(self.below.x_mm[0], self.above.x_mm[0]))

    @property
    def wide_mm(self) -> float:
        """How long it is."""
        return float(max(self.below.x_mm[-1], self.above.x_mm[-1])) - self.left_mm

    def share(self, x_mm: float) -> float:
        """Per cent of the width."""
        return float(100 * (x_mm - self.left_mm) / self.wide_mm)

    def metal(self, kind: str, one: _Profile, surface_px: FloatArray, far_px: float) -> Stroke:
        """The metal between a surface and a straight back."""
        x = (one.x_mm - self.left_mm) / self.wide_mm * ACROSS
        points = " L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, surface_px, strict=True))
        return Stroke(kind if one.known else f"{kind} unknown", f"M{points} V{far_px:.1f} H{x[0]:.1f} Z")

    def names(self, upper_px: float, lower_px: float) -> list[Label]:
        """What each is called and how it lies."""
        return [
            Label(50, upper_px, f"{self.upper.name}, face down", "name"),
            Label(50, lower_px, f"{self.lower.name}, face up", "name"),
        ]

    def marked(self, upper_px: float, lower_px: float) -> list[Spot]:
        """The marked end of each."""
        marked, far = self.ends_mm
        inwards = 1.4 if marked <= far else -1.4
        return [
            Spot("end", self.share(0.0) + 1.4, lower_px),
            Spot("end", self.share(marked) + inwards, upper_px),
        ]

    def places(self, bottom_px: float, shown: Shown) -> tuple[list[Spot], list[Label]]:
        """The lower's stations, named where there is room, and a mark over each support."""
        stations = [(x, shown.lengths(x)) for x in self.lower.stations_mm]
        told = named(stations, self.lower.length_mm / self.wide_mm)
        labels = [Label(self.share(x), bottom_px + 13, words, "small") for x, words in told]
        supports = [Spot("support", self.share(x), bottom_px - 1) for x in self.supports_mm]
        return [*(Spot("tick", self.share(x), bottom_px) for x, _ in stations), *supports], labels

    def words(self, shown: Shown) -> str:
        """How they lie, read aloud."""
        turned = "at the right" if self.layup.turn == "end for end" else "at the left"
        stands = ""
        if self.supports_mm:
            at = joined([shown.lengths(x) for x in self.supports_mm])
            stands = f" {self.lower.name} is supported at {at} {shown.length}."
        return (
            f"{self.upper.name} lies face down on {self.lower.name}; the marked end of {self.upper.name} is {turned}."
            f"{stands}"
        )


def _profile(face: Face, shape: Shape | None, at_mm: FloatArray, ends_mm: FloatArray) -> _Profile:
    """The mean of the lines that were read; flat where nothing is known."""
    height, is_known = np.zeros(len(face.stations_mm)), shape is not None and known(shape)
    if shape is not None and is_known:
        height = np.nan_to_num(_mean(shape.as_seen.height_um.reshape(len(height), -1)))
    order = np.argsort(at_mm)
    first, last = np.sort(ends_mm)
    x, height = at_mm[order], height[order]
    x, height = np.concatenate([[first], x, [last]]), np.concatenate([height[:1], height, height[-1:]])
    return _Profile(x, height, is_known)


def _standing(pair: _Pair, spacers_mm: list[float], reach: float, shown: Shown) -> Drawing:
    """On spacers: the two apart, drawn straight."""
    per_um = GAP_PX / 2 / reach * 0.8
    top, bottom = float(BODY_PX + TOP_PX), float(BODY_PX + TOP_PX + GAP_PX)
    strokes = (
        pair.metal("metal", pair.below, bottom - pair.below.height_um * per_um, bottom + BODY_PX),
        pair.metal("metal upper", pair.above, top + pair.above.height_um * per_um, top - BODY_PX),
    )
    boxes = tuple(Box("block", pair.share(x) - 1.1, top + 2, 2.2, GAP_PX - 4) for x in spacers_mm)
    ticks, labels = pair.places(bottom + BODY_PX, shown)
    spots = (*pair.marked(top - 30, bottom + 30), *ticks)
    labels = [*pair.names(top - 24, bottom + 34), *labels]
    return Drawing(pair.words(shown), int(bottom) + BODY_PX + TEXT_PX, strokes, boxes, spots, tuple(labels))


def _resting(pair: _Pair, reach: float, shown: Shown) -> Drawing:
    """Touching: the two meet where they bear, and the end that is held is marked."""
    held = pair.layup.held_down
    surface_um, touch_mm, widest = rested(pair.below, pair.above, held)
    rise = float(max(surface_um.max(), pair.below.height_um.max()))
    per_um = min(GAP_PX / 2 / reach * 0.8, FURTHEST_PX / max(rise, 1e-9))
    top = float(TOP_PX + (HELD_PX if held else 0) + BODY_PX)  # of the highest place of the upper's surface
    line = top + rise * per_um
    strokes = (
        pair.metal("metal", pair.below, line - pair.below.height_um * per_um, line + GAP_PX / 2 + BODY_PX),
        pair.metal("metal upper", pair.above, line - surface_um * per_um, top - BODY_PX),
    )
    bottom = line + GAP_PX / 2 + BODY_PX
    ticks, labels = pair.places(bottom, shown)
    spots = [*pair.marked(top - 30, bottom - 16), *ticks]
    both_known = pair.below.known and pair.above.known
    if both_known:
        at_px = [line - float(np.interp(x, pair.below.x_mm, pair.below.height_um)) * per_um for x in touch_mm]
        spots += [Spot("touch", pair.share(x), y) for x, y in zip(touch_mm, at_px, strict=True)]
    labels = [*pair.names(top - 24, bottom - 12), *labels]
    if held is not None:
        start, end = pair.layup.ends_mm(pair.lower, pair.upper)
        at = pair.share(start if held == ENDS[0] else end)
        spots.append(Spot("held", at + (2.2 if held == ENDS[0] else -2.2), top - BODY_PX - 4))
        side = (at + 6.0, "start") if held == ENDS[0] else (at - 6.0, "end")
        labels.append(Label(side[0], top - BODY_PX - 12, f"held here, {held}", "small", side[1]))
    words = pair.words(shown) + (f" Its {held} is held down." if held else " They touch.")
    if both_known:
        where = " and ".join(shown.lengths(x) for x in dict.fromkeys(touch_mm))
        gap = f"the widest gap is {shown.height_text(widest[1])}, at {shown.length_text(widest[0])}"
        words += f" They meet at {where} {shown.length}; {gap}."
    return Drawing(words, int(bottom) + TEXT_PX, strokes, (), tuple(spots), tuple(labels))


def rested(
    below: _Profile, above: _Profile, held: str | None
) -> tuple[FloatArray, tuple[float, float], tuple[float, float]]:
    """How the upper rests on the lower, as rigid bodies that meet and do not cross.

    Returns the upper's surface in the lower's frame at `above.x_mm`, (n,) µm; the two places where they meet, mm; and
    the widest gap: where, mm, and how wide, µm. Held down at an end they meet nearest to it, else under the middle.
    """
    x = np.unique(np.concatenate([below.x_mm, above.x_mm]))
    x = x[(x >= max(below.x_mm[0], above.x_mm[0])) & (x <= min(below.x_mm[-1], above.x_mm[-1]))]
    apart = -np.interp(x, below.x_mm, below.height_um) - np.interp(x, above.x_mm, above.height_um)
    if len(x) < 2:
        return -above.height_um, (float(above.x_mm[0]), float(above.x_mm[0])), (float(above.x_mm[0]), 0.0)
    corners = _lower_hull(x, apart)
    middle = (x[0] + x[-1]) / 2
    under = next(k for k in range(1, len(corners)) if x[corners[k]] >= middle)
    right = 1 if held == ENDS[0] else len(corners) - 1 if held == ENDS[1] else under
    a, b = corners[right - 1], corners[right]
    slope = (apart[b] - apart[a]) / (x[b] - x[a])
    gap = apart - apart[a] - slope * (x - x[a])
    surface = -above.height_um - apart[a] - slope * (above.x_mm - x[a])
    most = int(gap.argmax())
    return surface, (float(x[a]), float(x[b])), (float(x[most]), float(gap[most]))


def _lower_hull(x: FloatArray, y: FloatArray) -> list[int]:
    """The corners of the lower convex hull, from left to right."""
    found: list[int] = []
    for i in range(len(x)):
        while len(found) > 1:
            a, b = found[-2], found[-1]
            if (y[b] - y[a]) * (x[i] - x[a]) < (y[i] - y[a]) * (x[b] - x[a]):
                break
            found.pop()
        found.append(i)
    return found


def _mean(height: FloatArray) -> FloatArray:
    """Mean over the lines that were read, NaN where none was."""
    read = np.isfinite(height)
    total = np.where(read, height, 0.0).sum(axis=1)
    return np.asarray(np.where(read.any(axis=1), total / np.maximum(read.sum(axis=1), 1), np.nan))
