"""One face lying on another, whatever is read of the two: where each place of the one lies on the other.

x, y on the lower face, x′, y′ on the upper: a reflection, by the turn, and a shift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Job, JobError
from waywright.core.evidence.kind import Entry, Kind
from waywright.core.evidence.rows import within
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.evidence.where import length
from waywright.units import Showing

TURNS = ("over", "end for end")
ENDS = ("marked end", "far end")


@dataclass(frozen=True)
class Lying(Kind):
    """`upper` lies on `lower`, rolled over its long edge ("over") or with the marked ends opposite ("end for end").

    `offset_mm`: where the upper's x = 0 (or its far end, end for end) lies on the lower. On plates also
    `offset_y_mm` and `angle_deg`, counter-clockwise from above about the upper's x′ = y′ = 0, after the turn. The
    offset is where it lay before that: end for end its zero stays one length beyond, and its far end swings away.
    """

    lower: FaceName
    upper: FaceName
    turn: str
    offset_mm: float = 0.0
    offset_y_mm: float = 0.0
    angle_deg: float = 0.0

    tells_gap: ClassVar[bool] = False  # its readings say how wide the gap is, not only whether the two meet

    @property
    def lying(self) -> Lying:
        """Itself."""
        return self

    @property
    def touches(self) -> bool:
        """Whether the two lie on each other with nothing between."""
        return False

    @property
    def held_down(self) -> str | None:
        """The end of the lower at which a hand holds the upper down, one of `ENDS`."""
        return None

    def words(self, shown: Showing) -> str:
        """For a person: "Q on P, marks together"."""
        lie = "marks together" if self.turn == "over" else "marks opposite"
        sign = "+" if self.offset_mm > 0 else ""
        moved = f", moved {sign}{shown.text(self.offset_mm, 'mm')}" if self.offset_mm else ""
        turned = f", turned {self.angle_deg:g}°" if self.angle_deg else ""
        return f"{self.upper} on {self.lower}, {lie}{moved}{turned}"

    def lay(self, shown: Showing) -> str:
        """How it is laid: "lay Q on P, marks opposite, its far end over P's marked end"."""
        end, ways = ("marked end" if self.turn == TURNS[0] else "far end"), []
        if self.offset_mm:
            beyond = "" if self.offset_mm > 0 else " beyond it"
            ways.append(f"its {end} {length(abs(self.offset_mm), shown)} from {self.lower}'s marked end{beyond}")
        else:
            ways.append(f"its {end} over {self.lower}'s{'' if end == 'marked end' else ' marked end'}")
        if self.offset_y_mm:
            ways.append(f"its centre line {length(abs(self.offset_y_mm), shown)} {_away(self.offset_y_mm)}")
        if self.angle_deg:
            ways.append(f"then turned {self.angle_deg:g}° counter-clockwise from above")
        steadied = ["touching"] if self.touches else []
        turn = "marks together" if self.turn == TURNS[0] else "marks opposite"
        return f"lay {self.upper} on {self.lower}, {', '.join([turn, *ways, *steadied])}"

    def check(self, job: Job) -> None:
        """Refuse a face on itself or on its own piece, and a turn that is not one."""
        if self.turn not in TURNS:
            raise JobError(f'The turn {self.turn!r} is not known; it is "over" or "end for end".', "turn")
        if self.lower == self.upper:
            raise JobError(f"Face {self.lower} cannot be laid on itself; name two faces.", "upper")
        for piece in job.pieces:
            if {self.lower, self.upper} <= {face.name for face in piece.faces}:
                raise JobError(f"{self.upper} and {self.lower} are both faces of {piece.name}; name another.", "upper")

    def expected_mm(self, job: Job, entry: Entry) -> list[tuple[float, float | None]]:
        """At the nodes of the lower, as far as the upper covers them."""
        x, y = self.covered(job.faces()[self.lower], job.faces()[self.upper])
        return list(zip(x.tolist(), y.tolist(), strict=True))

    def on_upper(self, upper: Face, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The places of the upper face that lie over (x, y) of the lower, (n,) mm each."""
        return self._reflected(x_mm - self._origin_mm(upper), y_mm - self.offset_y_mm)

    def on_lower(self, upper: Face, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The places of the lower face that lie under (x′, y′) of the upper, (n,) mm each."""
        along, across = self._reflected(x_mm, y_mm)
        return along + self._origin_mm(upper), across + self.offset_y_mm

    def _origin_mm(self, upper: Face) -> float:
        """Where the upper's own zero lies along the lower, at any angle."""
        return self.offset_mm if self.turn == "over" else self.offset_mm + upper.length_mm

    def _reflected(self, along: FloatArray, across: FloatArray) -> tuple[FloatArray, FloatArray]:
        """From the frame of one face to the other's, about the upper's zero: a reflection, so the same either way."""
        if self.angle_deg == 0.0:  # exactly, so that stations fall on stations
            return (along, -across) if self.turn == "over" else (-along, across)
        turned = math.radians(self.angle_deg + (0.0 if self.turn == "over" else 180.0))
        cos, sin = math.cos(turned), math.sin(turned)
        return along * cos + across * sin, along * sin - across * cos

    def covered(self, lower: Face, upper: Face) -> tuple[FloatArray, FloatArray]:
        """The nodes of the lower face that lie under nodes, or between nodes, of the upper: x and y in mm."""
        inside = within(upper, *self.on_upper(upper, lower.x_mm, lower.y_mm))
        return lower.x_mm[inside], lower.y_mm[inside]

    def facing(self, lower: Face, upper: Face) -> tuple[FloatArray, FloatArray]:
        """Where nodes of either face lie within the nodes of both: x and y in mm on the lower, each place once.

        The gap is linear between these places, so it is least at one of them.
        """
        x, y = self.on_lower(upper, upper.x_mm, upper.y_mm)
        inside = within(lower, x, y)
        x0, y0 = self.covered(lower, upper)
        both = np.column_stack([np.concatenate([x0, x[inside]]), np.concatenate([y0, y[inside]])])
        _, first = np.unique(np.round(both, 6), axis=0, return_index=True)
        found = both[np.sort(first)]
        return found[:, 0], found[:, 1]

    def ends_mm(self, lower: Face, upper: Face) -> tuple[float, float]:
        """Where along the lower face the two lie on each other, from end to end of the metal."""
        x, _ = self.on_lower(upper, np.array([0.0, upper.length_mm]), np.zeros(2))
        return max(0.0, float(x.min())), min(lower.length_mm, float(x.max()))


def _away(y_mm: float) -> str:
    return "away from you" if y_mm > 0 else "towards you"
