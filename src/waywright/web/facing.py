"""Two faces as they lie on the bench: the upper turned over the lower, the gap between them, and what they stand on."""

from __future__ import annotations

import numpy as np

from waywright.core.evidence import Job, Setting
from waywright.core.findings import Shape
from waywright.core.readings.laid import Laid
from waywright.core.things import Face, FloatArray
from waywright.views.numbers import Shown
from waywright.web.drawing import ACROSS, Box, Drawing, Label, Spot, Stroke, known

HIGH_PX, BODY_PX, GAP_PX = 190, 46, 64  # the whole; the metal of each; between them


def facing(job: Job, setting: Setting, shapes: dict[str, Shape], reach: float, ways: Shown) -> Drawing | None:
    """A lay-up from the near side, the lower's marked end at the left; None when this is none, or a face is missing."""
    layup, faces = setting.geometry, job.faces()
    if not isinstance(layup, Laid) or layup.lower not in faces or layup.upper not in faces:
        return None
    lower, upper = faces[layup.lower], faces[layup.upper]
    ends, _ = layup.on_lower(upper, np.array([0.0, upper.length_mm]), np.zeros(2))
    left = min(0.0, float(ends.min()))
    wide = max(lower.length_mm, float(ends.max())) - left
    view = _View(left, wide, GAP_PX / 2 / reach * 0.8)
    top, bottom = BODY_PX + 16.0, BODY_PX + 16.0 + GAP_PX
    strokes = [
        view.body("metal", lower, shapes.get(layup.lower), np.asarray(lower.stations_mm), bottom, 1),
        view.body("metal upper", upper, shapes.get(layup.upper), _over(layup, upper), top, -1),
    ]
    boxes = [
        Box("block", view.share(r.x_mm) - 1.1, top + 2, 2.2, GAP_PX - 4)
        for r in setting.readings
        if r.entry == "spacers" and r.x_mm is not None and r.id not in job.corrected()
    ]
    marked = float(ends[0])
    spots = [
        Spot("end", view.share(0.0) + 1.4, bottom + 30),
        Spot("end", view.share(marked) + (1.4 if marked <= float(ends[1]) else -1.4), top - 30),
        *(Spot("tick", view.share(x), bottom + BODY_PX) for x in lower.stations_mm),
    ]
    labels = [
        Label(50, top - 24, f"{upper.name}, face down", "name"),
        Label(50, bottom + 34, f"{lower.name}, face up", "name"),
        *(
            Label(view.share(x), bottom + BODY_PX + 13, ways.lengths(x), "small")
            for x in lower.stations_mm[:: max(1, len(lower.stations_mm) // 8)]
        ),
    ]
    turned = "at the right" if layup.turn == "end for end" else "at the left"
    words = f"{upper.name} lies face down on {lower.name}; the marked end of {upper.name} is {turned}."
    return Drawing(words, HIGH_PX + 18, tuple(strokes), tuple(boxes), tuple(spots), tuple(labels))


def _over(layup: Laid, upper: Face) -> FloatArray:
    """Where along the lower the upper's stations lie, (n,) mm."""
    x, _ = layup.on_lower(upper, np.asarray(upper.stations_mm), np.zeros(len(upper.stations_mm)))
    return x


class _View:
    """From mm along the lower face to the drawing."""

    def __init__(self, left_mm: float, wide_mm: float, px_per_um: float) -> None:
        self.left, self.wide, self.per_um = left_mm, wide_mm, px_per_um

    def share(self, x_mm: float) -> float:
        """Per cent of the width."""
        return float(100 * (x_mm - self.left) / self.wide)

    def body(self, kind: str, face: Face, shape: Shape | None, at_mm: FloatArray, edge: float, up: int) -> Stroke:
        """The metal of a face whose surface lies at `edge` and looks up (1) or down (−1)."""
        height = np.zeros(len(face.stations_mm))
        if shape is not None and known(shape):
            with np.errstate(invalid="ignore"):
                height = np.nan_to_num(_mean(shape.height_um.reshape(len(height), -1)))
        else:
            kind += " unknown"
        order = np.argsort(at_mm)
        x = (at_mm[order] - self.left) / self.wide * ACROSS
        # The ends of the metal reach beyond the first and last station.
        over = (float(face.stations_mm[0]), face.length_mm - float(face.stations_mm[-1]))
        before, after = over if at_mm[0] <= at_mm[-1] else over[::-1]
        x = np.concatenate([[x[0] - before / self.wide * ACROSS], x, [x[-1] + after / self.wide * ACROSS]])
        y = edge - up * height[order] * self.per_um
        y = np.concatenate([[y[0]], y, [y[-1]]])
        far = edge + up * BODY_PX
        points = " L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True))
        return Stroke(kind, f"M{points} V{far:.1f} H{x[0]:.1f} Z")


def _mean(height: FloatArray) -> FloatArray:
    """Mean over the lines that were read, NaN where none was."""
    read = np.isfinite(height)
    total = np.where(read, height, 0.0).sum(axis=1)
    return np.asarray(np.where(read.any(axis=1), total / np.maximum(read.sum(axis=1), 1), np.nan))
