"""Two faces laid on each other: how the upper lies on the lower, and the gap between them.

    g(x, y) = a + b·x + c·y − h_lower(x, y) − h_upper(x′, y′)

x, y on the lower face; the gap is the whole distance, spacers included. The lift and tilts a, b, c are free.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Attitude, Entry, Job, JobError, Kind, Reading, Setting, Typed
from waywright.core.evidence.rows import (
    HeightTerm,
    Label,
    OwnTerm,
    Rests,
    Site,
    every,
    places,
    within,
)
from waywright.core.evidence.things import Face, FloatArray

TURNS = ("over", "end for end")
ENDS = ("marked end", "far end")
CONTACT_UM = 0.3  # how well touching faces are at no distance: they rest on their highest points; a guess, no source


@dataclass(frozen=True)
class GapTerms:
    """The gap at places, one row each, as terms of equations; `unknowns` are the lay-up's own, free."""

    heights: tuple[HeightTerm, HeightTerm]
    own: tuple[OwnTerm, ...]
    unknowns: dict[Label, float | None]


@dataclass(frozen=True)
class Laid(Kind):
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

    def words(self) -> str:
        """For a person: "Q on P, marks together"."""
        lie = "marks together" if self.turn == "over" else "marks opposite"
        moved = f", moved {self.offset_mm:+g} mm" if self.offset_mm else ""
        turned = f", turned {self.angle_deg:g}°" if self.angle_deg else ""
        return f"{self.upper} on {self.lower}, {lie}{moved}{turned}"

    def check(self, job: Job) -> None:
        """Refuse a face on itself or on its own piece, and a turn that is not one."""
        if self.turn not in TURNS:
            raise JobError(f'The turn {self.turn!r} is not known; it is "over" or "end for end".', "turn")
        if self.lower == self.upper:
            raise JobError(f"Face {self.lower} cannot be laid on itself; name two faces.", "upper")
        for piece in job.pieces:
            if {self.lower, self.upper} <= {face.name for face in piece.faces}:
                raise JobError(f"{self.upper} and {self.lower} are both faces of {piece.name}; name another.", "upper")

    def attitudes(self, job: Job, setting: Setting) -> tuple[Attitude, ...]:
        """The lower looks up, the upper down, on its spacers where it has some."""
        spots = [(r.x_mm, r.y_mm or 0.0) for r in self.rests(setting.readings) if r.x_mm is not None]
        x, y = np.array(spots, np.float64).reshape(-1, 2).T
        over = self.on_upper(job.faces()[self.upper], x, y)
        rests = tuple(zip(over[0].tolist(), over[1].tolist(), strict=True))
        return Attitude(self.lower), Attitude(self.upper, 180.0, rests, on=self.lower)

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

    def standing(self, site: Site, readings: Sequence[Reading], pressed: Sequence[float] = ()) -> Rests | None:
        """The spacers among `readings`; the upper's weight acts at its middle, or between that and the x of `pressed`.

        The middle is that of an evenly made piece.
        """
        stood_on = set(self.rests(readings))
        rows = np.array([i for i, r in enumerate(readings) if r in stood_on], np.intp)
        if not len(rows):
            return None
        upper = site.face(self.upper)
        x, y = places(tuple(readings[i] for i in rows))
        middle = self.on_lower(upper, np.array([upper.length_mm / 2]), np.zeros(1))
        along, across = float(middle[0][0]), float(middle[1][0])
        reach = [along, *pressed]
        return Rests(rows, x, y, ((min(reach), across), (max(reach), across)))

    def gap_terms(self, site: Site, x_mm: FloatArray, y_mm: FloatArray) -> GapTerms:
        """The gap at places (n,) on the lower face."""
        n, rows = len(x_mm), every(len(x_mm))
        lift, along, across = (site.label(part) for part in ("lift", "tilt along", "tilt across"))
        return GapTerms(
            (
                HeightTerm(self.lower, rows, x_mm, y_mm, np.full(n, -1.0)),
                HeightTerm(self.upper, rows, *self.on_upper(site.face(self.upper), x_mm, y_mm), np.full(n, -1.0)),
            ),
            (OwnTerm(lift, rows, np.ones(n)), OwnTerm(along, rows, x_mm / 1e3), OwnTerm(across, rows, y_mm / 1e3)),
            dict.fromkeys((lift, along, across)),
        )

    def crossing_doubts(self, limits: Sequence[Reading]) -> dict[str, str]:
        """What it means when the result contradicts one of `not_crossing`."""
        return {r.id: f"cannot be: {self.lower} and {self.upper} would cross there, the others say" for r in limits}

    def not_crossing(self, site: Site) -> tuple[Reading, ...]:
        """That touching faces do not cross, as limits: the gap is at least 0 wherever nodes face each other."""
        x, y = self.facing(site.face(self.lower), site.face(self.upper))
        name = f"{site.setting.id}: {self.lower} and {self.upper} touching at"
        return tuple(
            Reading(f"{name} x = {a:g}, y = {b:g} mm", "touching", a, b, low=Typed(0.0, "mm"), u_um=CONTACT_UM)
            for a, b in zip(x.tolist(), y.tolist(), strict=True)
        )

    @classmethod
    def pairs(cls, job: Job) -> Iterator[tuple[Self, Face, Face]]:
        """Every two faces of different pieces, the longer below, in both turns: the lay-up, lower and upper."""
        faces = [(piece.name, face) for piece in job.pieces for face in piece.faces]
        for (one, a), (other, b) in itertools.combinations(faces, 2):
            if one == other:
                continue
            lower, upper = (a, b) if a.length_mm >= b.length_mm else (b, a)
            for turn in TURNS:
                yield cls(lower.name, upper.name, turn), lower, upper
