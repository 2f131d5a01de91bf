"""The hinge: an edge lying on another is pushed sideways at one end, and where it pivots tells hollow from crowned.

An even bearing pivots at 1 − 1/√2 = 0.2929 of the length from the far end (`bearing.pivot_mm`). Nearer that end the
pair is hollow, nearer the middle it is crowned. How much cannot be told without knowing how the faces give; so the sign
alone is held against the result, and moves nothing by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from waywright.core.evidence.job import Job, JobError, Reading, Setting
from waywright.core.evidence.kind import Candidate, Entry
from waywright.core.evidence.lying import ENDS
from waywright.core.evidence.rows import (
    AT_LEAST,
    AT_MOST,
    Doubt,
    Equations,
    HeightTerm,
    Influence,
    Site,
    every,
)
from waywright.core.evidence.things import FloatArray
from waywright.core.readings.bearing import pivot_mm
from waywright.core.readings.laid import Laid
from waywright.units import Showing

_DOUBTS = {
    AT_MOST: "tells of a hollow pair, and the others of a crowned one",
    AT_LEAST: "tells of a crowned pair, and the others of a hollow one",
}


@dataclass(frozen=True)
class Hinge(Laid):
    """Pivots, as x on the lower face, of the upper lying on it at `y_mm` and `pushed` at one end of the lower.

    A pivot is seen to `u_x_mm`; within two of these of the even one it says neither. `soft_um` is how sure the sign of
    so small a bow is; a guess, no source.
    """

    block: ClassVar[str] = "hinges"
    title: ClassVar[str] = "Hinge: where a pushed edge turns"
    entries: ClassVar[tuple[Entry, ...]] = (Entry("readings", (), ("pivot_mm",)),)
    instrument_kinds: ClassVar[tuple[str, ...]] = ()

    pushed: str = field(kw_only=True)
    y_mm: float = field(default=0.0, kw_only=True)
    u_x_mm: float = field(default=10.0, kw_only=True)
    soft_um: float = field(default=1.0, kw_only=True)

    @property
    def touches(self) -> bool:
        """It has to."""
        return True

    def words(self, shown: Showing) -> str:
        """For a person: "Q on P, marks together, pushed at the far end"."""
        return f"{super().words(shown)}, pushed at the {self.pushed}"

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """For a person: how it is laid, where it is pushed, and what is typed."""
        return (
            self.lay(shown),
            f"push it sideways at {self.lower}'s {self.pushed}",
            f"type where it pivots, counted from {self.lower}'s marked end",
        )

    def check(self, job: Job) -> None:
        """Refuse what no lay-up can be, an end that is not one, and what is known exactly."""
        super().check(job)
        if self.pushed not in ENDS:
            raise JobError(
                f'The end pushed is "marked end" or "far end" of {self.lower}, not {self.pushed!r}.', "pushed"
            )
        if self.angle_deg:
            raise JobError("A hinge is tried with the faces lying along each other; take angle_deg out.", "angle_deg")
        for key, unit in (("u_x_mm", "mm"), ("soft_um", "µm")):
            if not getattr(self, key) > 0:
                raise JobError(f"{getattr(self, key):g} {unit} cannot be; {key} is above 0.", key)

    def even_mm(self, site: Site) -> float:
        """Where the pair would pivot if nothing but its weight shaped the load, x on the lower face.

        The load is even when the upper's middle lies over the middle of what bears, else it falls off along x.
        """
        lower, upper = site.face(self.lower), site.face(self.upper)
        start, end = self.ends_mm(lower, upper)
        near, far = np.sort(self.on_lower(upper, np.array([0.0, upper.length_mm]), np.zeros(2))[0])
        off = 6 * (0.5 * (near + far) - 0.5 * (start + end)) / (end - start) if end > start else 1.0
        if not abs(off) < 1:
            raise JobError(
                f"{self.upper} overhangs too far to bear all along, so its pivot says nothing.", site.setting.id
            )
        pushed = float(far if self.pushed == "far end" else near)
        return pivot_mm(np.array([start, end]), np.array([1 - off, 1 + off]), pushed)

    def equations(self, setting: Setting, site: Site) -> Equations:
        """A limit for each pivot that says something: the bow of the gap is not the other way."""
        x, y, weights = self._bow(site)
        even = self.even_mm(site)
        towards_end = -1.0 if self.pushed == "far end" else 1.0
        speaking: list[Reading] = []
        sense: list[int] = []
        notes = []
        for reading in site.readings:
            off = towards_end * (self._pivot(site, reading) - even)
            if abs(off) <= 2 * self.u_x_mm:
                lies = f"{self.upper} on {self.lower}, pushed at the {self.pushed}"
                notes.append(f"{lies}, bears evenly, as far as a hinge can tell.")
                continue
            speaking.append(reading)
            sense.append(AT_MOST if off > 0 else AT_LEAST)  # hollow: the gap falls with s² from the middle to the ends
        n, k = len(speaking), len(x)
        rows, each = np.repeat(every(n), k), np.tile(weights, n)
        xs, ys = np.tile(x, n), np.tile(y, n)
        over = self.on_upper(site.face(self.upper), xs, ys)
        return Equations(
            readings=tuple(speaking),
            value_um=np.zeros(n),
            noise_um2={Influence("hinge"): np.array([(r.u_um or self.soft_um) ** 2 for r in speaking], float)},
            heights=(HeightTerm(self.lower, rows, xs, ys, -each), HeightTerm(self.upper, rows, *over, -each)),
            sense=np.array(sense, np.intp),
            notes=tuple(notes),
            doubts={r.id: Doubt(_DOUBTS[way]) for r, way in zip(speaking, sense, strict=True)},
            source="hinge",
        )

    def _pivot(self, site: Site, reading: Reading) -> float:
        if reading.value is None:
            raise JobError("This reading has no value; give pivot_mm.", reading.id)
        pivot = site.number(reading, reading.value, "mm")
        start, end = self.ends_mm(site.face(self.lower), site.face(self.upper))
        if not start <= pivot <= end:
            raise JobError(f"A pivot at {pivot:g} mm lies off the lay-up, {start:g} to {end:g} mm.", reading.id)
        return pivot

    def _bow(self, site: Site) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Places along the line, and the weights (k,) that give the s² of what stands there, blind to lift and tilt."""
        x = np.unique(self.facing(site.face(self.lower), site.face(self.upper))[0])
        if len(x) < 3:
            raise JobError("A hinge tells a bow: it needs three stations where the faces meet.", site.setting.id)
        s = 2 * (x - x[0]) / (x[-1] - x[0]) - 1
        straight = np.column_stack([np.ones_like(s), s])
        bow = s**2 - straight @ np.linalg.lstsq(straight, s**2, rcond=None)[0]
        return x, np.full(len(x), self.y_mm), bow / (bow @ bow)
