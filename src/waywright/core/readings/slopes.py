"""Slopes read on one face: a step along a line, and a cross slope. A level or an autocollimator, on two feet.

    step:  (h(x + L) − h(x)) / L + t        cross:  (h(x, y + L/2) − h(x, y − L/2)) / L + t

Rows are rises over the base in µm; the instrument's zero t is free and shared by the setting. Lines of one face that
share a setting share t: a level that was not touched, on a face that was not moved, has gravity in common. Then how the
face lies to it is free too, the same for all: b along and c across add b·cos + c·sin to a line's slope.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import ClassVar, Literal

import numpy as np

from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Job, JobError, Setting
from waywright.core.evidence.kind import Candidate, Entry, Kind, spots_of
from waywright.core.evidence.meant import Meant, steps_from_far_end, turned_round
from waywright.core.evidence.rows import (
    Equations,
    HeightTerm,
    Influence,
    OwnTerm,
    Site,
    every,
    needed,
)
from waywright.core.evidence.things import Face, FloatArray, Instrument
from waywright.core.evidence.where import along, distinct, length, number, spots
from waywright.core.readings.proposed import BORROWING_MIN, Kit, borrowed, instruments_for, proposed
from waywright.units import Showing

Places = tuple[FloatArray, FloatArray]  # (n,) mm each

LEVELS = ("level", "autocollimator")
USUAL_UM_PER_M = 4.0  # what a level knows, where none is named
VALUES = ("um_per_m", "div")
ROUNDED_MM = 0.05  # by how much a base typed to a tenth of a millimetre may be too long, each step of it
ROUNDED_SHARE = 0.1  # of a base is the most that all its steps' rounding is taken for


@dataclass(frozen=True)
class Step(Kind):
    """A base of `base_mm` stepped along x at `y_mm`, or along any line `from_mm` → `to_mm` with readings by `at_mm`.

    x (or at) is the place of the base's first foot; + when the far foot is higher.
    """

    block: ClassVar[str] = "steps"
    slope: ClassVar[Literal["", "along", "across"]] = "along"
    title: ClassVar[str] = "Steps: a level moved along"
    entries: ClassVar[tuple[Entry, ...]] = (Entry("readings", ("x_mm", "at_mm"), VALUES),)
    instrument_kinds: ClassVar[tuple[str, ...]] = LEVELS

    face: FaceName
    base_mm: float
    y_mm: float = 0.0
    from_mm: tuple[float, ...] | None = None
    to_mm: tuple[float, ...] | None = None

    def shares(self, other: Kind) -> bool:
        """Lines of one face in any direction: their zero is the level's."""
        return _one_level(self, other)

    def expected_mm(self, job: Job, entry: Entry) -> list[tuple[float, float | None]]:
        """Where the base stands from one end of its line to the other."""
        return [(x, None) for x in self.stands_mm(job.faces()[self.face]).tolist()]

    def slips(self, job: Job, setting: Setting) -> Iterator[Meant]:
        """The level stood the other way round; one line of several was stepped from the far end, or so."""
        yield turned_round(setting)
        lines = {s.geometry.y_mm for s in job.settings if s.group == setting.group and isinstance(s.geometry, Step)}
        if len(lines) > 1 and self.from_mm is None and len(setting.readings) > 1:
            yield from steps_from_far_end(setting, job.faces()[self.face].length_mm, self.base_mm, self.y_mm)

    def words(self, shown: Showing) -> str:
        """For a person: "steps of 100 mm along P at y = 15 mm", "steps of 100 mm on P from 0/-200 to 400/200"."""
        steps = f"steps of {shown.text(self.base_mm, 'mm')}"
        if self.from_mm and self.to_mm:
            ends = ("/".join(shown.number(part, "mm") for part in end) for end in (self.from_mm, self.to_mm))
            return f"{steps} on {self.face} from {' to '.join(ends)}"
        return f"{steps} along {self.face}" + (f" at y = {shown.text(self.y_mm, 'mm')}" if self.y_mm else "")

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """For a person: "step a level along P, its feet 100 mm apart", where its first foot stands, and the sign."""
        step = f"step {_level_of(candidate)} along {self.face}, its feet {length(self.base_mm, shown)} apart"
        zero = ["go from line to line without touching its zero or the piece"] if len(candidate.settings) > 1 else []
        return (
            step,
            *borrowed(candidate, shown, self.base_mm),
            f"the foot nearer the {'marked end' if self.from_mm is None else 'start'} stands "
            f"{_stood(candidate.settings, shown)}",
            *zero,
            "keep the level the same way round; + when the other foot is higher",
        )

    def check(self, job: Job) -> None:
        """Refuse a base that is not positive and half a line."""
        _check_base(self.base_mm)
        ends = (self.from_mm, self.to_mm)
        if ends != (None, None):
            if any(end is None or len(end) != 2 for end in ends):
                raise JobError("A line needs both ends: from_mm = [x, y] and to_mm = [x, y].", "from_mm")
            if self.from_mm == self.to_mm:
                raise JobError("The line has no length; give two different ends.", "to_mm")

    def equations(self, setting: Setting, site: Site) -> Equations:
        """One row a reading; along x the line reaches from the first station of the face to the last."""
        if self.from_mm is not None and self.to_mm is not None:
            at = np.array([needed(r, "at_mm") for r in site.readings])
            (x0, y0), (x1, y1) = self.from_mm, self.to_mm
            length = math.hypot(x1 - x0, y1 - y0)
            ex, ey = (x1 - x0) / length, (y1 - y0) / length
            first, far = self._feet(at, 0.0, length)
            return _rows(self, setting, site, (x0 + first * ex, y0 + first * ey), (x0 + far * ex, y0 + far * ey))
        stations = site.face(self.face).stations_mm
        first, far = self._feet(np.array([needed(r, "x_mm") for r in site.readings]), stations[0], stations[-1])
        y = np.full(len(first), self.y_mm)
        return _rows(self, setting, site, (first, y), (far, y))

    def _feet(self, at_mm: FloatArray, start_mm: float, end_mm: float) -> Places:
        """Where along a line from `start_mm` to `end_mm` both feet stand, (n,) mm each.

        A base typed as 90.14 that is 90.1388, an eighth of the line, ends 0.01 mm beyond it: what rounding a base adds
        up to over the steps of the line is taken off. What is further out is left there, and refused off the face.
        """
        slack = min(ROUNDED_MM * max(1, round((end_mm - start_mm) / self.base_mm)), ROUNDED_SHARE * self.base_mm)
        first, far = (
            np.where((feet < start_mm - slack) | (feet > end_mm + slack), feet, np.clip(feet, start_mm, end_mm))
            for feet in (at_mm, at_mm + self.base_mm)
        )
        return first, far

    def stands_mm(self, face: Face) -> FloatArray:
        """The stations of `face`, (n,) mm, at which both feet stand on it."""
        stations = np.array(face.stations_mm)
        _, far = self._feet(stations, stations[0], stations[-1])
        return np.asarray(stations[far <= stations[-1]])

    @classmethod
    def candidates(cls, job: Job) -> Iterator[Candidate]:
        """Each face stepped along every line, by a base of the usual distance between its stations."""
        for (level, more), face in itertools.product(_levels(job), job.faces().values()):
            if len(face.stations_mm) < 3:
                continue
            base = float(np.median(np.diff(face.stations_mm)))
            x = cls(face.name, base).stands_mm(face)
            settings = tuple(
                proposed(cls(face.name, base, line), "readings", "um_per_m", "µm/m", x, None, level.name)
                for line in face.lines_mm
            )
            if len(settings) > 1:  # one zero for all its lines tells how they lie to each other
                settings = tuple(replace(s, name=f"next lines of {face.name}, {level.name}") for s in settings)
            yield _candidate(settings, level, more)


@dataclass(frozen=True)
class Cross(Kind):
    """A base of `base_mm` set across the face at stations, about `y_mm`; + when the far (+y) side is higher."""

    block: ClassVar[str] = "crosses"
    slope: ClassVar[Literal["", "along", "across"]] = "across"
    title: ClassVar[str] = "Crosses: a level set across"
    entries: ClassVar[tuple[Entry, ...]] = (Entry("readings", ("x_mm",), VALUES),)
    instrument_kinds: ClassVar[tuple[str, ...]] = LEVELS

    face: FaceName
    base_mm: float
    y_mm: float = 0.0

    def shares(self, other: Kind) -> bool:
        """Lines of one face in any direction: their zero is the level's."""
        return _one_level(self, other)

    def slips(self, job: Job, setting: Setting) -> Iterator[Meant]:
        """The level stood the other way round."""
        yield turned_round(setting)

    def words(self, shown: Showing) -> str:
        """For a person: "a level across P on 30 mm feet"."""
        about = f", its middle at y {shown.number(self.y_mm, 'mm')}" if self.y_mm else ""
        return f"a level across {self.face} on {shown.text(self.base_mm, 'mm')} feet{about}"

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """For a person: "set a level across P, one foot on the near line (y −15), one on the far line (y 15)"."""
        said: list[str] = []
        feet = _feet(candidate.settings, shown)
        for setting, on in zip(candidate.settings, feet, strict=True):
            since = ", its zero not touched since" if said else ""
            said.append(f"set {_level_of(candidate)} across {self.face}, {on}{since}")
            said += [] if since else borrowed(candidate, shown, self.base_mm)
            said.append(f"it stands {spots_of(setting, shown)}")
        return (*said, "keep the level the same way round; + when the far foot is higher")

    def check(self, job: Job) -> None:
        """Refuse a base that is not positive, and a face that is read on one line."""
        _check_base(self.base_mm)
        face = job.faces().get(self.face)
        if face is not None and len(face.lines_mm) < 2:
            raise JobError(
                f"A level across says nothing of {self.face}, which has one line; give it lines_mm near both edges.",
                "face",
            )

    def equations(self, setting: Setting, site: Site) -> Equations:
        """One row a reading."""
        x = np.array([needed(r, "x_mm") for r in site.readings])
        near, far = np.full(len(x), self.y_mm - self.base_mm / 2), np.full(len(x), self.y_mm + self.base_mm / 2)
        return _rows(self, setting, site, (x, near), (x, far))

    @classmethod
    def candidates(cls, job: Job) -> Iterator[Candidate]:
        """A level across each face with two lines or more, at every station: feet on the outer lines; and, with more
        lines, on each two neighbours in turn, without touching its zero."""
        for (level, more), face in itertools.product(_levels(job), job.faces().values()):
            if len(face.lines_mm) < 2:
                continue
            near, far = face.lines_mm[0], face.lines_mm[-1]
            geometry = cls(face.name, far - near, (near + far) / 2)
            stations = np.array(face.stations_mm)
            yield _candidate(
                (proposed(geometry, "readings", "um_per_m", "µm/m", stations, None, level.name),), level, more
            )
            if len(face.lines_mm) > 2:
                name = f"next across {face.name}, {level.name}"
                parts = (cls(face.name, b - a, (a + b) / 2) for a, b in pairwise(face.lines_mm))
                across = (proposed(p, "readings", "um_per_m", "µm/m", stations, None, level.name) for p in parts)
                yield _candidate(tuple(replace(s, name=name) for s in across), level, more)


def _feet(settings: Sequence[Setting], shown: Showing) -> list[str]:
    """Where the feet of a level across stand, setting by setting, each line by a name of its own."""
    kinds = [s.geometry for s in settings if isinstance(s.geometry, Cross)]
    feet = [(k.y_mm - k.base_mm / 2, k.y_mm + k.base_mm / 2) for k in kinds]
    all_of_them = sorted({y for pair in feet for y in pair})
    names = dict(zip(all_of_them, distinct(all_of_them, shown), strict=True))
    return [f"one foot on {names[near]}, one on {names[far]}" for near, far in feet]


def _levels(job: Job) -> list[Kit]:
    return instruments_for(job, LEVELS, Instrument("level", "level", u_um_per_m=USUAL_UM_PER_M))


def _level_of(candidate: Candidate) -> str:
    """The owner's by its name, else a level."""
    return candidate.owned or "a level"


def _stood(settings: Sequence[Setting], shown: Showing) -> str:
    """Where the first foot stands: stations on lines along the face, or places on a line from end to end."""
    told, plain = [], list[tuple[float, float]]()
    for setting in settings:
        kind, read = setting.geometry, setting.readings
        assert isinstance(kind, Step)
        if kind.from_mm is None or kind.to_mm is None:
            plain += [(r.x_mm, kind.y_mm) for r in read if r.x_mm is not None]
            continue
        ends = [f"x {number(x, shown)}, y {number(y, shown)}" for x, y in (kind.from_mm, kind.to_mm)]
        at = along([r.at_mm for r in read if r.at_mm is not None], shown)
        told.append(f"on the line from {' to '.join(ends)}, {at} from its start")
    return "; ".join([*([spots(plain, shown)] if plain else []), *told])


def _candidate(settings: tuple[Setting, ...], level: Instrument, more: tuple[Instrument, ...]) -> Candidate:
    count = sum(len(s.readings) for s in settings)
    minutes = Step.setting_up_min * len(settings) + Step.reading_min * count + (BORROWING_MIN if more else 0.0)
    return Candidate(settings, minutes, level, more)


def _rows(kind: Step | Cross, setting: Setting, site: Site, first: Places, far: Places) -> Equations:
    """Rise over the base = reading · L: the height at the far foot less that at the first, plus the zero's part.

    L is the distance between the feet as they stand, so that a plane reads the same wherever it is stepped.
    """
    face: Face = site.face(kind.face)
    readings, n = site.readings, len(site.readings)
    base_m = np.hypot(far[0] - first[0], far[1] - first[1]) / 1e3
    value, noise = np.zeros(n), np.zeros(n)
    notes: list[str] = []
    name = "level"
    for i, reading in enumerate(readings):
        if reading.value is None:
            raise JobError("This reading has no value; give one.", reading.id)
        value[i] = site.number(reading, reading.value, "µm/m") * base_m[i]
        if reading.u_um is not None:
            noise[i] = reading.u_um**2
            continue
        instrument = site.instrument()
        name = instrument.name
        if instrument.u_um_per_m is None:
            raise JobError(
                f"Nothing says how true the {instrument.kind} {name!r} is; give u_um_per_m.", f"instruments.{name}"
            )
        noise[i] = (instrument.u_um_per_m * base_m[i]) ** 2
    rows = every(n)
    zero, along, across = (site.label(part) for part in ("zero", "tilt along", "tilt across"))
    return Equations(
        readings=readings,
        value_um=value,
        noise_um2={Influence(name): noise, Influence(name, "seating"): np.full(n, site.seating_um2(face, 2, notes))},
        heights=(
            HeightTerm(kind.face, rows, *far, np.ones(n)),
            HeightTerm(kind.face, rows, *first, -np.ones(n)),
        ),
        own=(
            OwnTerm(zero, rows, base_m),
            OwnTerm(along, rows, (far[0] - first[0]) / 1e3),
            OwnTerm(across, rows, (far[1] - first[1]) / 1e3),
        ),
        unknowns=dict.fromkeys((zero, along, across)),
        notes=tuple(dict.fromkeys(notes)),
    )


def _one_level(one: Step | Cross, other: Kind) -> bool:
    return isinstance(other, Step | Cross) and one.face == other.face


def _check_base(base_mm: float) -> None:
    if not base_mm > 0:
        raise JobError(f"A base of {base_mm:g} mm cannot be; it is the distance between the feet.", "base_mm")
