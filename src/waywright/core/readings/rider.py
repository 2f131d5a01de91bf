"""A rider: a rigid base that stands with its feet on a face and carries the tip of an indicator.

    h(tip) − Σ w·h(foot) + t,    + when the tip is pushed in

The weights w are those with which the tip's place is made of the feet's, so that a plane face reads the same
everywhere. A crowned face pushes the tip in between its feet. The zero t is free and shared by the setting.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Job, JobError, Setting
from waywright.core.evidence.kind import Candidate, Entry, Kind
from waywright.core.evidence.rows import (
    Equations,
    HeightTerm,
    Influence,
    OwnTerm,
    Site,
    every,
    lengths_um,
    on_line,
)
from waywright.core.evidence.things import FloatArray
from waywright.core.evidence.where import length, number, spots
from waywright.core.readings.proposed import owned, proposed
from waywright.units import Showing

OFF_THE_FEET_MM = 1e-6  # how far a tip may stand off the line of two feet


@dataclass(frozen=True)
class Rider(Kind):
    """`feet_mm` [x, y] each, two on a line with the tip or three around, and `tip_mm`, from where the rider stands:
    a reading's x, and its y or `y_mm`."""

    block: ClassVar[str] = "riders"
    title: ClassVar[str] = "Rider: feet on faces, and a tip"
    setting_up_min: ClassVar[float] = 5.0
    reading_min: ClassVar[float] = 0.5
    entries: ClassVar[tuple[Entry, ...]] = (Entry("readings", ("x_mm", "y_mm"), ("um",)),)
    instrument_kinds: ClassVar[tuple[str, ...]] = ("indicator",)

    face: FaceName
    feet_mm: tuple[tuple[float, ...], ...]
    tip_mm: tuple[float, ...]
    y_mm: float = 0.0

    def words(self, shown: Showing) -> str:
        """For a person: "a rider on P with three feet"."""
        return f"a rider on {self.face} with {'two' if len(self.feet_mm) == 2 else 'three'} feet"

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """For a person: "step a bridge along P on two feet 200 mm apart, the tip 100 mm from the first"."""
        setting = candidate.settings[0]
        if self._in_line:
            apart, tip = (length(mm, shown) for mm in (self.feet_mm[1][0], self.tip_mm[0]))
            feet = f"on two feet {apart} apart, the tip in line with them, {tip} from the first"
            stands = "the first foot stands"
        else:
            each = [f"x {number(x, shown)}, y {number(y, shown)}" for x, y in (*self.feet_mm, self.tip_mm)]
            feet = f"with feet at {'; '.join(each[:-1])} and the tip at {each[-1]} {shown.unit('mm')} from its own zero"
            stands = "its own zero stands"
        at = [(r.x_mm, self.y_mm if r.y_mm is None else r.y_mm) for r in setting.readings]
        return (
            f"step a bridge{candidate.which} along {self.face} {feet}",
            f"{stands} {spots([(x, y) for x, y in at if x is not None], shown)}",
            "leave the dial's zero alone; + when the tip is pushed in",
        )

    @property
    def _in_line(self) -> bool:
        """Whether it stands on two feet along the face, from the first of which it is counted."""
        (x, y), (_, other), *more = self.feet_mm
        return not (more or x or y or other or self.tip_mm[1]) and self.feet_mm[1][0] > 0

    def check(self, job: Job) -> None:
        """Refuse feet that do not hold a rider, and a tip they do not carry."""
        if len(self.feet_mm) not in (2, 3) or any(len(foot) != 2 for foot in self.feet_mm):
            raise JobError("A rider stands on two or three feet; give feet_mm = [[x, y], [x, y], ...].", "feet_mm")
        if len(self.tip_mm) != 2:
            raise JobError("The tip stands at one place; give tip_mm = [x, y].", "tip_mm")
        feet, tip = np.array(self.feet_mm), np.array(self.tip_mm)
        spread = np.linalg.svd(feet - feet.mean(axis=0), compute_uv=False)
        if spread[len(feet) - 2] < OFF_THE_FEET_MM:
            wanted = "two feet in two places" if len(feet) == 2 else "three feet that are not on one line"
            raise JobError(f"The rider would fall over; give {wanted}.", "feet_mm")
        if np.linalg.norm(self.weights() @ feet - tip) > OFF_THE_FEET_MM:
            raise JobError("The tip stands off the line of the two feet, which do not hold it; give a third.", "tip_mm")

    def weights(self) -> FloatArray:
        """(feet,) that add up to 1, and with which the tip's place is made of the feet's."""
        feet, tip = np.array(self.feet_mm), np.array(self.tip_mm)
        first = feet[0]
        others = np.linalg.lstsq((feet[1:] - first).T, tip - first, rcond=None)[0]
        return np.concatenate([[1 - others.sum()], others])

    def equations(self, setting: Setting, site: Site) -> Equations:
        """One row a reading; each foot and the tip stand on the face."""
        x, y = on_line(site.readings, self.y_mm)
        n, rows, zero = len(x), every(len(x)), site.label("zero")
        value, noise, name = lengths_um(site)
        stands = [(self.tip_mm, 1.0), *((foot, -w) for foot, w in zip(self.feet_mm, self.weights(), strict=True))]
        notes: list[str] = []
        seat = site.seating_um2(site.face(self.face), 1, notes) * sum(factor**2 for _, factor in stands)
        return Equations(
            readings=site.readings,
            value_um=value,
            noise_um2={Influence(name): noise, Influence(name, "seating"): np.full(n, seat)},
            heights=tuple(
                HeightTerm(self.face, rows, x + place[0], y + place[1], np.full(n, factor)) for place, factor in stands
            ),
            own=(OwnTerm(zero, rows, np.ones(n)),),
            unknowns={zero: None},
            notes=tuple(notes),
        )

    @classmethod
    def candidates(cls, job: Job) -> Iterator[Candidate]:
        """Along every line of each face, the tip midway between two feet a station apart from it, with an indicator."""
        for dial, face in itertools.product(owned(job, cls.instrument_kinds), job.faces().values()):
            if len(face.stations_mm) < 4:
                continue
            pitch = float(np.median(np.diff(face.stations_mm)))
            kind = cls(face.name, ((0.0, 0.0), (2 * pitch, 0.0)), (pitch, 0.0))
            at = face.x_mm + 2 * pitch <= face.stations_mm[-1] + 1e-9
            x, y = face.x_mm[at], face.y_mm[at]
            setting = proposed(kind, "readings", "um", "µm", x, y, dial.name)
            minutes = cls.setting_up_min + cls.reading_min * len(x)
            yield Candidate((setting,), minutes, dial)
