"""A lay-up: one face set on another, with the gaps between them.

    g(x, y) = a + b·x + c·y − h_lower(x, y) − h_upper(x′, y′)

x, y on the lower face; the gap is the whole distance, spacers included. The lift and tilts a, b, c are free.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from waywright.core.blocks import block_u_um, usual_stack
from waywright.core.evidence import Candidate, Entry, Geometry, Job, JobError, Reading, Setting
from waywright.core.readings.base import (
    AT_LEAST,
    AT_MOST,
    BORROWING_MIN,
    EQUAL,
    READING_MIN,
    SETTING_UP_MIN,
    Equations,
    HeightTerm,
    OwnTerm,
    Site,
    every,
    instrument_for,
    places,
    proposed,
)
from waywright.core.things import Face, FloatArray, Instrument

TURNS = ("over", "end for end")
LARGEST_GAP_MM = 1000.0  # the longest gauge block there is


@dataclass(frozen=True)
class LayUp(Geometry):
    """`upper` lies on `lower`, rolled over its long edge ("over") or with the marked ends opposite ("end for end").

    `offset_mm`: where the upper's x = 0 (or its far end, end for end) lies on the lower. On plates also
    `offset_y_mm` and `angle_deg`, counter-clockwise from above about the upper's x′ = y′ = 0, after the turn.
    """

    block: ClassVar[str] = "layups"
    entries: ClassVar[tuple[Entry, ...]] = (
        Entry("spacers", ("x_mm", "y_mm"), ("size_mm",), required=False),
        Entry("gaps", ("x_mm", "y_mm"), ("gap_mm", "just_mm"), "goes_mm", "stops_mm"),
    )
    instrument_kinds: ClassVar[tuple[str, ...]] = ("gauge blocks", "feelers", "papers", "indicator")
    face_fields: ClassVar[tuple[str, ...]] = ("lower", "upper")

    lower: str
    upper: str
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
        """Refuse a face on itself and a turn that is not one."""
        if self.turn not in TURNS:
            raise JobError(f'The turn {self.turn!r} is not known; it is "over" or "end for end".', "turn")
        if self.lower == self.upper:
            raise JobError(f"Face {self.lower} cannot be laid on itself; name two faces.", "upper")

    def on_upper(self, upper: Face, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The places of the upper face that lie over (x, y) of the lower, (n,) mm each."""
        over = self.turn == "over"
        x0 = self.offset_mm if over else self.offset_mm + upper.length_mm
        along, across = x_mm - x0, y_mm - self.offset_y_mm
        if self.angle_deg == 0.0:  # exactly, so that stations fall on stations
            return (along, -across) if over else (-along, across)
        turned = math.radians(self.angle_deg + (0.0 if over else 180.0))
        cos, sin = math.cos(turned), math.sin(turned)
        return along * cos + across * sin, along * sin - across * cos

    def equations(self, setting: Setting, site: Site) -> Equations:
        """Rows in µm: gaps and the first spacers as values, the rest as limits that are only checked."""
        lower, upper = site.face(self.lower), site.face(self.upper)
        readings = site.readings
        x, y = places(readings)
        n = len(readings)
        value, sense = np.zeros(n), np.full(n, EQUAL, np.intp)
        size, feel, step = np.zeros(n), np.zeros(n), np.zeros(n)
        once: list[Hashable | None] = []
        rests = 3 if len(lower.lines_mm) > 1 else 2
        stood = {_spacer(r) for r in site.earlier if r.entry == "spacers"}
        for i, reading in enumerate(readings):
            value[i], half, sense[i], key = _gap(site, reading)
            instrument = None if reading.u_um is not None else site.instrument()
            size[i] = reading.u_um**2 if reading.u_um is not None else _size_u2(site, instrument, value[i] / 1e3)
            feel[i] = instrument.feel_um**2 if instrument and reading.key == "just_mm" else 0.0
            step[i] = (2 * half) ** 2 / 12
            if reading.entry == "spacers":
                key = _spacer(reading)
                # It rests on three (an edge on two); any more may stand clear of the upper face.
                sense[i] = EQUAL if key in stood or len(stood) < rests else AT_LEAST
                stood.add(key)
            once.append(key)
        rows = every(n)
        name = (site.job.instrument(setting) or Instrument("", "")).name or "stacks"
        label = {part: site.label(part) for part in ("lift", "tilt along", "tilt across")}
        named = {f"block {r.block}": r for r in readings if r.block}
        blocks = [
            OwnTerm(b, np.array([i for i, r in enumerate(readings) if f"block {r.block}" == b]), np.ones(1)) for b in named
        ]
        return Equations(
            readings=readings,
            value_um=value,
            noise_um2={f"{name}, size": size, f"{name}, feel": feel, f"{name}, step": step},
            heights=(
                HeightTerm(self.lower, rows, x, y, np.full(n, -1.0)),
                HeightTerm(self.upper, rows, *self.on_upper(upper, x, y), np.full(n, -1.0)),
            ),
            own=(
                OwnTerm(label["lift"], rows, np.ones(n)),
                OwnTerm(label["tilt along"], rows, x / 1e3),
                OwnTerm(label["tilt across"], rows, y / 1e3),
                *(OwnTerm(b.label, b.rows, np.ones(len(b.rows))) for b in blocks),
            ),
            unknowns=dict.fromkeys(label.values())
            | {b: float(np.sqrt(_size_u2(site, site.instrument(), _gap(site, r)[0] / 1e3))) for b, r in named.items()},
            sense=sense,
            once=tuple(once),
        )

    @classmethod
    def candidates(cls, job: Job) -> Iterator[Candidate]:
        """Every pair of faces of different pieces in both turns, read over every station of the lower that is covered."""
        stacks, more = instrument_for(job, cls.instrument_kinds[:3], Instrument("gauge blocks", "gauge blocks", grade="1"))
        faces = [(piece.name, face) for piece in job.pieces for face in piece.faces]
        for (one, a), (other, b) in itertools.combinations(faces, 2):
            if one == other:
                continue
            lower, upper = (a, b) if a.length_mm >= b.length_mm else (b, a)
            for turn in TURNS:
                layup = cls(lower.name, upper.name, turn)
                x, y = layup.covered(lower, upper)
                if len(x) < 3:
                    continue
                setting = proposed(layup, "gaps", "just_mm", "mm", x, y, stacks.name)
                words = f"lay {layup.words()}, and read the gap at every station"
                minutes = SETTING_UP_MIN["layup"] + READING_MIN["layup"] * len(x) + (BORROWING_MIN if more else 0.0)
                yield Candidate((setting,), words, minutes, more)

    def covered(self, lower: Face, upper: Face) -> tuple[FloatArray, FloatArray]:
        """The nodes of the lower face that lie under nodes, or between nodes, of the upper: x and y in mm."""
        xu, yu = self.on_upper(upper, lower.x_mm, lower.y_mm)
        inside = (xu >= upper.stations_mm[0] - 1e-9) & (xu <= upper.stations_mm[-1] + 1e-9)
        if len(upper.lines_mm) > 1:
            inside &= (yu >= upper.lines_mm[0] - 1e-9) & (yu <= upper.lines_mm[-1] + 1e-9)
        return lower.x_mm[inside], lower.y_mm[inside]


def _spacer(reading: Reading) -> Hashable:
    return ("spacer", reading.x_mm, reading.y_mm or 0.0, reading.value)


def _gap(site: Site, reading: Reading) -> tuple[float, float, int, Hashable | None]:
    """Value and half-width in µm, sense, and the key under which a repeated bracket counts once."""
    low, high = (None if t is None else site.number(reading, t, "µm") for t in (reading.low, reading.high))
    value = None if reading.value is None else site.number(reading, reading.value, "µm")
    for typed in (low, high, value):
        if typed is not None and not 0.0 <= typed <= LARGEST_GAP_MM * 1e3:
            raise JobError(
                f"A gap of {typed / 1e3:g} mm cannot be; gaps lie between 0 and {LARGEST_GAP_MM:g} mm.", reading.id
            )
    if value is not None:
        return value, 0.0, EQUAL, None
    if low is not None and high is not None:
        if low >= high:
            raise JobError(
                f"The bracket is upside down: {low / 1e3:g} mm goes but {high / 1e3:g} mm does not.", reading.id
            )
        return (low + high) / 2, (high - low) / 2, EQUAL, ("bracket", reading.x_mm, reading.y_mm or 0.0, low, high)
    if low is not None:
        return low, 0.0, AT_LEAST, None
    if high is not None:
        return high, 0.0, AT_MOST, None
    raise JobError("This reading has no value; give one, or a bracket.", reading.id)


def _size_u2(site: Site, instrument: Instrument | None, size_mm: float) -> float:
    """Variance of a stack of `size_mm`, µm²: the claim of the instrument, or of its ISO 3650 grade."""
    if instrument is None:
        return 0.0
    if instrument.u_um is not None:
        return instrument.u_um**2
    if instrument.grade is None:
        raise JobError(
            f"Nothing says how true the {instrument.kind} {instrument.name!r} are; give u_um, or a grade for gauge blocks.",
            f"instruments.{instrument.name}",
        )
    return sum(block_u_um(size, instrument.grade) ** 2 for size in usual_stack(size_mm))
