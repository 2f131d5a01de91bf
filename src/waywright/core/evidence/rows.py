"""What readings come to: the site a setting was taken at, and the equations it gives, in µm.

An equation says: the sum of heights at places, each times a factor, plus the setting's own unknowns, is the value.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.things import SAME_MM, SEAT_UM, Face, FloatArray, Instrument, IntArray, OffTheFace
from waywright.units import UnitError

if TYPE_CHECKING:
    from waywright.core.evidence.kind import Kind

BoolArray = NDArray[np.bool_]

EQUAL, AT_LEAST, AT_MOST = 0, 1, -1  # the sense of a row: the last two are checked against the result and move nothing


@dataclass(frozen=True)
class Label:
    """Names an unknown: of one `setting`, all blocks of it alike, or without one of all that name it."""

    setting: str | None
    what: str

    def __str__(self) -> str:
        return f"{self.setting}: {self.what}" if self.setting is not None else self.what


@dataclass(frozen=True)
class Influence:
    """Where noise comes from: a `source`, most often an instrument, and the `part` of what it does."""

    source: str
    part: str = ""

    def __str__(self) -> str:
        return f"{self.source}, {self.part}" if self.part else self.source


STEP = "step"  # the part of a stack's noise that the step of its set makes
NOT_READ = Influence("not read")  # what only the prior says


@dataclass(frozen=True)
class HeightTerm:
    """factor · height of `face` at places: all (k,), `rows` into the equations of the setting."""

    face: str
    rows: IntArray
    x_mm: FloatArray
    y_mm: FloatArray
    factor: FloatArray


@dataclass(frozen=True)
class PathTerm:
    """factor · (path + roll · across) of `guide` at places along it: all (k,).

    Path and roll are shapes along the guide that all readings which name it share; they are known only at the places
    that are read, and never told as a result. `across_mm`: from the guide's own line to where it is read; 0 where its
    roll does not matter.
    """

    guide: str
    rows: IntArray
    at_mm: FloatArray
    across_mm: FloatArray
    factor: FloatArray


@dataclass(frozen=True)
class OwnTerm:
    """factor · an unknown that is not a height, by its label."""

    label: Label
    rows: IntArray
    factor: FloatArray


@dataclass(frozen=True)
class Rests:
    """What an upper face stands on: the spacers in `rows` (k,) of the equations, at places on the lower (k,) mm each.

    Its weight acts somewhere between the two ends of `load_mm`, (x, y) on the lower: one place where it stands free,
    further where an end of it is pressed down. Which of the spacers carry is for `adjust.spacers` to find.
    """

    rows: IntArray
    x_mm: FloatArray
    y_mm: FloatArray
    load_mm: tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True)
class Doubt:
    """What it means, in its kind's `words`, when the result contradicts a limit: "is bare, and the others say ...".

    `made` is the limit itself where nobody typed it: its setting makes it.
    """

    words: str
    made: Reading | None = None


@dataclass(frozen=True)
class Equations:
    """The rows of one setting, in µm.

    `noise_um2` splits each row's variance by where it comes from (blocks by size, by feel), so that a budget costs
    nothing. `unknowns` gives each own unknown's prior standard deviation in µm, None when it is free. `once`
    marks readings that say the same thing again when repeated (equal, not None): they count once in a setting.
    `doubts` says, by a limit's reading, what it means when the result contradicts it. `source`
    names what scatters where no instrument is used. `rests` are limits, until it is known which of them carry;
    `unposed` are faces that do not lie in their piece as the rows would need, so each is lifted and tilted on its own.
    """

    readings: tuple[Reading, ...]
    value_um: FloatArray
    noise_um2: Mapping[Influence, FloatArray]
    heights: tuple[HeightTerm, ...]
    own: tuple[OwnTerm, ...] = ()
    unknowns: Mapping[Label, float | None] = field(default_factory=dict)
    sense: IntArray | None = None
    once: tuple[Hashable | None, ...] | None = None
    notes: tuple[str, ...] = ()
    paths: tuple[PathTerm, ...] = ()
    doubts: Mapping[str, Doubt] = field(default_factory=dict)
    source: str | None = None
    rests: Rests | None = None
    unposed: frozenset[str] = frozenset()


def off_face(reading: Reading, kind: Kind, x_mm: float, off: OffTheFace) -> str:
    """What is wrong with a reading that reaches x of a face where there is none, beginning with what was typed."""
    if reading.x_mm is None or math.isclose(reading.x_mm, x_mm, abs_tol=1e-6):
        return str(off)
    lying = kind.lying
    moved = f", with an offset of {lying.offset_mm:g} mm," if lying is not None and lying.offset_mm else ""
    return f"x = {reading.x_mm:g} mm as typed{moved} comes to lie off the face: there {off}"


@dataclass(frozen=True)
class Site:
    """Where a setting was taken: the job around it and the readings of it that still count.

    `earlier` are the readings that came before in other blocks of the same setting.
    """

    job: Job
    setting: Setting
    readings: tuple[Reading, ...]
    earlier: tuple[Reading, ...] = ()

    def face(self, name: str) -> Face:
        """The face called `name`; raises `JobError` when there is none."""
        try:
            return self.job.faces()[name]
        except KeyError:
            raise JobError(
                f"There is no face called {name!r}; the faces are {', '.join(self.job.faces()) or 'none yet'}.",
                self.setting.id,
            ) from None

    def instrument(self) -> Instrument:
        """The instrument of the setting; raises `JobError` when none is named or known."""
        found = self.job.instrument(self.setting)
        if found is not None:
            return found
        kinds = " or ".join(self.setting.geometry.instrument_kinds)
        if self.setting.instrument:
            known = ", ".join(i.name for i in self.job.instruments) or "none yet"
            raise JobError(
                f"There is no instrument called {self.setting.instrument!r}; the instruments are {known}.",
                f"{self.setting.id}.instrument",
            )
        raise JobError(f"It is not said what these were read with; name an instrument ({kinds}).", self.setting.id)

    def label(self, what: str) -> Label:
        """The label of an unknown of this setting: equal for all blocks of one setting."""
        return Label(self.setting.group, what)

    def number(self, reading: Reading, typed: Typed, unit: str) -> float:
        """`typed` in `unit`, a level's divisions through its instrument; raises `JobError` with the place."""
        try:
            if typed.unit == "div":
                per_division = self.instrument().um_per_m_per_div
                if per_division is None:
                    raise JobError(
                        f"Readings in divisions need um_per_m_per_div on the instrument {self.instrument().name!r}.",
                        reading.id,
                    )
                typed = Typed(typed.number * per_division, "µm/m")
            return typed.to(unit)
        except UnitError as error:
            raise JobError(str(error), reading.id) from None

    def seat_um(self, face: Face) -> float | None:
        """What one foot adds on `face`: the setting's own, else the finish's, else None (not said)."""
        if self.setting.seat_um is not None:
            return self.setting.seat_um
        return SEAT_UM[face.finish] if face.finish is not None else None

    def seating_um2(self, face: Face, feet: int, notes: list[str]) -> float:
        """Variance of `feet` feet standing on `face`; says so in `notes` when nothing is known of it."""
        seat = self.seat_um(face)
        if seat is None:
            notes.append(f"Seating on {face.name} is taken as 0: give the face a finish or the setting a seat_um.")
            return 0.0
        return feet * seat**2


def needed(reading: Reading, key: str) -> float:
    """The place `key` of a reading; raises `JobError` when it was not given."""
    value = getattr(reading, key)
    if value is None:
        raise JobError(f"The key {key} is missing.", reading.id)
    return float(value)


def places(readings: tuple[Reading, ...]) -> tuple[FloatArray, FloatArray]:
    """x and y of readings, (n,) mm each; a y that was not given is 0."""
    x = np.array([needed(r, "x_mm") for r in readings], float)
    y = np.array([r.y_mm or 0.0 for r in readings], float)
    return x, y


def on_line(readings: tuple[Reading, ...], y_mm: float) -> tuple[FloatArray, FloatArray]:
    """x and y of readings, (n,) mm each; a y that was not given is `y_mm`."""
    x = np.array([needed(r, "x_mm") for r in readings], float)
    return x, np.array([y_mm if r.y_mm is None else r.y_mm for r in readings], float)


def lengths_um(site: Site) -> tuple[FloatArray, FloatArray, str]:
    """The values of a site's readings in µm (n,), their variances by what the instrument claims (n,), and its name.

    Raises `JobError` for a reading without a value and an instrument without a `u_um`.
    """
    instrument = site.instrument()
    value, noise = np.zeros(len(site.readings)), np.zeros(len(site.readings))
    for i, reading in enumerate(site.readings):
        if reading.value is None:
            raise JobError("This reading has no value; give one.", reading.id)
        value[i] = site.number(reading, reading.value, "µm")
        u_um = instrument.u_um if reading.u_um is None else reading.u_um
        if u_um is None:
            raise JobError(
                f"Nothing says how true the {instrument.kind} {instrument.name!r} is; give u_um.",
                f"instruments.{instrument.name}",
            )
        noise[i] = u_um**2
    return value, noise, instrument.name


def within(face: Face, x_mm: FloatArray, y_mm: FloatArray) -> BoolArray:
    """(n,) which places lie between the first and last nodes of a face; across, one line stands for the whole width."""
    half = face.width_mm / 2
    near, far = (face.lines_mm[0], face.lines_mm[-1]) if len(face.lines_mm) > 1 else (-half, half)
    along = (x_mm >= face.stations_mm[0] - SAME_MM) & (x_mm <= face.stations_mm[-1] + SAME_MM)
    return np.asarray(along & (y_mm >= near - SAME_MM) & (y_mm <= far + SAME_MM))


def every(count: int) -> IntArray:
    """The rows 0 … count − 1."""
    return np.arange(count, dtype=np.intp)
