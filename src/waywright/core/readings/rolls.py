"""A dovetail or vee measured over rolls, each laid in the corner of a flank and a floor.

A roll of radius r touches a floor raised by h_floor and a flank at angle α to it that stands proud by h_flank. With the
floor along u, the roll's side of it +, and the flank along (cos α, sin α), its normal towards the roll is
(sin α, −cos α); the centre (u, v) is r + h away from both:

    v = r + h_floor,   u·sin α − v·cos α = r + h_flank
    u = r·cot(α/2) + h_flank/sin α + h_floor·cot α

So what stands proud pushes a roll out (past a right angle a proud floor lets it in), and a size over the rolls grows by
h_flank/sin α + h_floor·cot α a side; between the rolls of an inside dovetail it shrinks by as much.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from waywright.core.evidence.bends import Attitude
from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Job, JobError, Setting
from waywright.core.evidence.kind import Candidate, Entry, Kind, spots_of
from waywright.core.evidence.rows import (
    Equations,
    HeightTerm,
    Influence,
    OwnTerm,
    Site,
    every,
    lengths_um,
    needed,
)
from waywright.core.evidence.things import FloatArray
from waywright.core.readings.proposed import owned, proposed
from waywright.core.readings.thickness import MICROMETERS, check_one_piece
from waywright.units import METRIC, Showing

MEASURED = ("over", "between")
SAME_MM = 1e-9  # of the longest x: faces that lie as the corners say differ by rounding alone

Touch = tuple[str, float, float]  # a face, its y in mm, and what a µm of it adds to the size


@dataclass(frozen=True)
class Rolls(Kind):
    """Sizes at x over (or `measured` between) a roll on `flank` and `floor` and, on the other side, either a second
    roll on `other_flank` and `other_floor`, or the plain face `against`, or something taken as true.

    `angle_deg` is between flank and floor, through the roll. The places across, `flank_y_mm` and `floor_y_mm`, matter
    only on faces with several lines. The zero is free. Where the slopes of the faces in their piece are those of the
    corners, the piece moves as one, and a taper of the sizes tells how they lie to each other; else that is free too.
    """

    block: ClassVar[str] = "rolls"
    title: ClassVar[str] = "Rolls: a micrometer over rolls"
    setting_up_min: ClassVar[float] = 2.0
    reading_min: ClassVar[float] = 1.5
    entries: ClassVar[tuple[Entry, ...]] = (Entry("readings", ("x_mm",), ("size_mm",)),)
    instrument_kinds: ClassVar[tuple[str, ...]] = MICROMETERS

    flank: FaceName
    floor: FaceName
    angle_deg: float
    other_flank: FaceName | None = None
    other_floor: FaceName | None = None
    other_angle_deg: float | None = None
    against: FaceName | None = None
    measured: str = "over"
    flank_y_mm: float = 0.0
    floor_y_mm: float = 0.0

    def words(self, shown: Showing) -> str:
        """For a person: "over a roll on A and F"."""
        first = f"{self.measured} a roll on {self.flank} and {self.floor}"
        if self.other_flank is not None:
            return f"{first} and one on {self.other_flank} and {self.other_floor}"
        return f"{first}, against {self.against}" if self.against else first

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """For a person: "measure over a roll on A and F with the micrometer", and where along."""
        return (
            f"measure {self.words(shown)}{candidate.which}",
            f"read it {spots_of(candidate.settings[0], shown)}",
            "use the same rolls throughout and leave the micrometer's zero alone",
        )

    def check(self, job: Job) -> None:
        """Refuse half a side, an angle that holds no roll, and faces of several pieces."""
        if self.measured not in MEASURED:
            raise JobError(f'Rolls are measured "over" or "between", not {self.measured!r}.', "measured")
        for key in ("angle_deg", "other_angle_deg"):
            angle = getattr(self, key)
            if angle is not None and not 5.0 <= angle <= 175.0:
                raise JobError(f"A corner of {angle:g}° holds no roll; the angle lies between 5 and 175°.", key)
        if (self.other_flank is None) != (self.other_floor is None):
            raise JobError("A roll lies on a flank and a floor; name both other_flank and other_floor.", "other_flank")
        if self.other_flank is not None and self.against is not None:
            raise JobError("The other side is either a roll or a plain face; take one of the two out.", "against")
        check_one_piece(job, self.faces(), "flank")

    def attitudes(self, job: Job, setting: Setting) -> tuple[Attitude, ...]:
        """The floor looks up."""
        return (Attitude(self.floor),)

    def _sides(self) -> Iterator[Touch]:
        """Each face touched, where across, and how far a µm of it moves the size outwards."""
        yield from _corner(self.flank, self.floor, self.angle_deg, self.flank_y_mm, self.floor_y_mm)
        if self.other_flank is not None and self.other_floor is not None:
            angle = self.angle_deg if self.other_angle_deg is None else self.other_angle_deg
            yield from _corner(self.other_flank, self.other_floor, angle, self.flank_y_mm, self.floor_y_mm)
        elif self.against is not None:
            yield self.against, 0.0, 1.0

    def equations(self, setting: Setting, site: Site) -> Equations:
        """One row a reading: what each side adds, zero and taper."""
        x = np.array([needed(r, "x_mm") for r in site.readings])
        n, rows = len(x), every(len(x))
        sign = 1.0 if self.measured == "over" else -1.0
        value, noise, name = lengths_um(site)
        notes: list[str] = []
        sides = tuple(self._sides())
        seat = sum(factor**2 * site.seating_um2(site.face(face), 1, notes) for face, _, factor in sides)
        zero, taper = site.label("zero"), site.label("taper")
        posed = self._posed(site, x)
        if not posed:
            names = " and ".join(dict.fromkeys(face for face, _, _ in sides))
            notes.append(
                f"How {names} lie to each other is not used: their slopes (slope_deg) are not those of the corners, so "
                "a taper of the sizes tells nothing."
            )
        if len(sides) < 3:
            notes.append(f"The other side of {self.words(METRIC)} is taken as true.")
        return Equations(
            readings=site.readings,
            value_um=value,
            noise_um2={Influence(name): noise, Influence(name, "seating"): np.full(n, seat)},
            heights=tuple(
                HeightTerm(face, rows, x, np.full(n, y), np.full(n, sign * factor)) for face, y, factor in sides
            ),
            own=(OwnTerm(zero, rows, np.ones(n)), *(() if posed else (OwnTerm(taper, rows, x / 1e3),))),
            unknowns={zero: None} if posed else {zero: None, taper: None},
            notes=tuple(dict.fromkeys(notes)),
            unposed=frozenset() if posed else frozenset(face for face, _, _ in sides),
        )

    def _posed(self, site: Site, x_mm: FloatArray) -> bool:
        """Whether the faces lie in their piece as the corners say: then no size but its zero changes as it moves."""
        touches = [(site.face(face), y, factor) for face, y, factor in self._sides()]
        moved = sum(factor * face.rigid(x_mm, np.full(len(x_mm), y)) for face, y, factor in touches)
        return bool(np.ptp(moved, axis=0).max() <= SAME_MM * max(1.0, float(np.abs(x_mm).max())))

    @classmethod
    def candidates(cls, job: Job) -> Iterator[Candidate]:
        """The rolls the job already uses, at every station of the flank: which fit a corner is for a person to say."""
        used = dict.fromkeys(s.geometry for s in job.settings if isinstance(s.geometry, Rolls))
        for micrometer, kind in itertools.product(owned(job, MICROMETERS), used):
            x = np.array(job.faces()[kind.flank].stations_mm)
            for name in kind.faces():
                stations = job.faces()[name].stations_mm
                x = x[(x >= stations[0] - 1e-9) & (x <= stations[-1] + 1e-9)]
            setting = proposed(kind, "readings", "size_mm", "mm", x, None, micrometer.name)
            minutes = cls.setting_up_min + cls.reading_min * len(x)
            yield Candidate((setting,), minutes, micrometer)


def _corner(flank: str, floor: str, angle_deg: float, flank_y: float, floor_y: float) -> Iterator[Touch]:
    angle = math.radians(angle_deg)
    yield flank, flank_y, 1 / math.sin(angle)
    yield floor, floor_y, 1 / math.tan(angle)
