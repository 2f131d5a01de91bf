"""Two faces laid on each other, and the gap between them, by which they are read.

    g(x, y) = a + b·x + c·y − h_lower(x, y) − h_upper(x′, y′)

x, y on the lower face (`evidence.lying`); the gap is the whole distance, spacers included. The lift and tilts a, b, c
are free.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from waywright.core.evidence.bends import Attitude
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.lying import TURNS, Lying
from waywright.core.evidence.meant import Meant, from_far_end, in_other_unit, line_from_far_end
from waywright.core.evidence.rows import (
    Doubt,
    HeightTerm,
    Label,
    OwnTerm,
    Rests,
    Site,
    every,
    places,
)
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.evidence.where import Spot, spots
from waywright.units import Showing

CONTACT_UM = 0.3  # how well touching faces are at no distance: they rest on their highest points; a guess, no source


@dataclass(frozen=True)
class GapTerms:
    """The gap at places, one row each, as terms of equations; `unknowns` are the lay-up's own, free."""

    heights: tuple[HeightTerm, HeightTerm]
    own: tuple[OwnTerm, ...]
    unknowns: dict[Label, float | None]


@dataclass(frozen=True)
class Laid(Lying):
    """Two faces as they lie, with the rows of the gap between them."""

    def attitudes(self, job: Job, setting: Setting) -> tuple[Attitude, ...]:
        """The lower looks up, the upper down, on its spacers where it has some."""
        spots = [(r.x_mm, r.y_mm or 0.0) for r in self.rests(setting.readings) if r.x_mm is not None]
        x, y = np.array(spots, np.float64).reshape(-1, 2).T
        over = self.on_upper(job.faces()[self.upper], x, y)
        rests = tuple(zip(over[0].tolist(), over[1].tolist(), strict=True))
        return Attitude(self.lower), Attitude(self.upper, 180.0, rests, on=self.lower)

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

    def slips(self, job: Job, setting: Setting) -> Iterator[Meant]:
        """Another turn, an offset the other way, places from the far end, also of one line, another unit; where the gap
        is told."""
        if not self.tells_gap:
            return
        yield Meant("turn", (replace(setting, geometry=replace(self, turn=TURNS[1 - TURNS.index(self.turn)])),))
        for along, across in ((-1, 1), (1, -1), (-1, -1)):
            moved = replace(self, offset_mm=along * self.offset_mm, offset_y_mm=across * self.offset_y_mm)
            if moved != self:
                yield Meant("offset sign", (replace(setting, geometry=moved),))
        yield from from_far_end(setting, job.faces()[self.lower].length_mm)
        yield from line_from_far_end(setting, job.faces()[self.lower].length_mm)
        yield from in_other_unit(setting)

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

    def stood(self, setting: Setting, shown: Showing) -> tuple[str, ...]:
        """On what it is stood, and where; nothing where it stands on nothing."""
        sizes: dict[float, list[Spot]] = {}
        for r in self.rests(setting.readings):
            if r.x_mm is not None and r.value is not None:
                sizes.setdefault(r.value.to("mm"), []).append((r.x_mm, r.y_mm))
        each = [f"of {shown.stack(size)} {shown.unit('mm')}, {spots(at, shown)}" for size, at in sizes.items()]
        blocks = (f"stand it on blocks {'; and '.join(each)}",) if each else ()
        under = (f"support {self.lower} straight under the blocks",) if setting.carried_mm and each else ()
        return (*under, *blocks)

    def crossing_doubts(self, limits: Sequence[Reading]) -> dict[str, Doubt]:
        """What it means when the result contradicts one of `not_crossing`."""
        words = f"cannot be: {self.lower} and {self.upper} would cross there, the others say"
        return {r.id: Doubt(words, r) for r in limits}

    def not_crossing(self, site: Site) -> tuple[Reading, ...]:
        """That touching faces do not cross, as limits: the gap is at least 0 wherever nodes face each other."""
        x, y = self.facing(site.face(self.lower), site.face(self.upper))
        name = f"{site.setting.id}: {self.lower} and {self.upper} touching at"
        return tuple(
            Reading(f"{name} x = {a:g}, y = {b:g} mm", "touching", a, b, low=Typed(0.0, "mm"), u_um=CONTACT_UM)
            for a, b in zip(x.tolist(), y.tolist(), strict=True)
        )

    def carried_under(self, job: Job, setting: Setting) -> Setting:
        """The same, its lower carried straight under the blocks, where its section is known: alike they hang alike."""
        at = sorted({r.x_mm for r in self.rests(setting.readings) if r.x_mm is not None})
        piece = job.piece_of(self.lower)
        if not piece.along or len(at) < 2:
            return setting
        return replace(setting, carried_mm=((piece.name, tuple(at)),))

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
