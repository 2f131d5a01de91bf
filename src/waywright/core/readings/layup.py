"""A lay-up read by stacks of gauge blocks, feelers or papers: spacers it stands on, and gaps between the faces."""

from __future__ import annotations

import itertools
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.kind import WORN_UM, Candidate, Entry, spots_of
from waywright.core.evidence.lying import ENDS, TURNS
from waywright.core.evidence.meant import Meant, off_alike
from waywright.core.evidence.rows import (
    AT_LEAST,
    AT_MOST,
    EQUAL,
    STEP,
    Equations,
    Influence,
    Label,
    OwnTerm,
    Site,
    places,
)
from waywright.core.evidence.things import Face, FloatArray, Instrument, IntArray
from waywright.core.readings.blocks import block_u_um, usual_stack
from waywright.core.readings.laid import Laid
from waywright.core.readings.proposed import BORROWING_MIN, borrowed, coarse, instruments_for, proposed, step_mm
from waywright.units import Showing

__all__ = ["TURNS", "LayUp", "StackRows", "read_stacks"]

BLOCK_MM = 20.0  # what the upper stands on until told otherwise; common practice, no source
AIRY = 0.57735  # of its length between two rests: so its ends stay level, 1/√3
SUPPORT = 0.2231  # of its length from either end: carried there a bar sags least, 32a³ − 24a + 5 = 0
WRINGING_UM = 0.1  # how well one block repeats its own size, wrung or set down anew; a guess, no source
FURTHEST = 0.2  # of its length may the upper be moved and lie safely on its spacers; common practice, no source
MOVING_MIN = 5.0  # to measure out where it lies and to mark that; common practice, no source
SAME_SIZE = 1  # decimals of a µm to which two stacks are one size: six decimals of an inch round to a hundredth
LARGEST_GAP_MM = 1000.0  # the longest gauge block there is


@dataclass(frozen=True)
class LayUp(Laid):
    """One face on another, standing on spacers or `touching`, with the gaps between them.

    Touching faces do not cross. A touching pair that rocks or spins has no gaps worth reading unless one end is `held`
    down: the "marked end" or the "far end" of the lower face. Each attitude is a lay-up of its own.
    """

    block: ClassVar[str] = "layups"
    title: ClassVar[str] = "Lay-up: gaps between two faces"
    setting_up_min: ClassVar[float] = 15.0
    reading_min: ClassVar[float] = 1.5
    entries: ClassVar[tuple[Entry, ...]] = (
        Entry("spacers", ("x_mm", "y_mm"), ("size_mm",), required=False, rests=True, apart_um=WORN_UM),
        Entry("gaps", ("x_mm", "y_mm"), ("gap_mm", "just_mm"), "goes_mm", "stops_mm", apart_um=WORN_UM),
    )
    instrument_kinds: ClassVar[tuple[str, ...]] = ("gauge blocks", "feelers", "papers", "indicator")
    tells_gap: ClassVar[bool] = True

    touching: bool = False
    held: str | None = None

    @property
    def touches(self) -> bool:
        """Unless it stands on spacers."""
        return self.touching or self.held is not None

    @property
    def held_down(self) -> str | None:
        """As was said."""
        return self.held

    def words(self, shown: Showing) -> str:
        """For a person: "Q on P, marks together, far end held"."""
        steadied = f", {self.held} held" if self.held else ", touching" if self.touching else ""
        return super().words(shown) + steadied

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """For a person: "lay Q on P, marks together, its marked end over P's", on what, and where to read."""
        setting = candidate.settings[0]
        bracket = any(r.low is not None and r.high is not None for r in setting.readings)
        typed = "the largest stack that goes and the smallest that does not" if bracket else "the stack that drags"
        held = [f"hold it down at {self.lower}'s {self.held} while it is read"] if self.held else []
        return (
            self.lay(shown),
            *self.stood(setting, shown),
            *held,
            f"read the gap{candidate.which} {spots_of(setting, shown)}, counted from the lower face's marked end",
            *borrowed(candidate, shown),
            f"type {typed}",
        )

    def check(self, job: Job) -> None:
        """Refuse what no lay-up can be, and an end that is not one."""
        super().check(job)
        if self.held is not None and self.held not in ENDS:
            raise JobError(f'The end held is "marked end" or "far end" of {self.lower}, not {self.held!r}.', "held")

    def equations(self, setting: Setting, site: Site) -> Equations:
        """Rows in µm: gaps as values; brackets with an open side, and spacers, as limits that are only checked."""
        spaced = bool(self.rests((*site.readings, *site.earlier)))
        if self.touches and self.held is None and not spaced:
            raise JobError(
                "A touching pair rocks or spins, so a gap says nothing of its own; hold one end and say which "
                '(held = "marked end" or "far end"), or stand it on spacers.',
                setting.id,
            )
        limits = self.not_crossing(site) if self.touches else ()
        readings = site.readings + limits
        x, y = places(readings)
        stacks = read_stacks(site, readings)
        gap = self.gap_terms(site, x, y)
        return Equations(
            readings=readings,
            value_um=stacks.value_um,
            noise_um2=stacks.noise_um2,
            heights=gap.heights,
            own=(*gap.own, *stacks.own),
            unknowns=gap.unknowns | stacks.unknowns,
            sense=stacks.sense,
            once=stacks.once,
            doubts=self.crossing_doubts(limits),
            rests=self.standing(site, readings, self._pressed_mm(site)),
        )

    def _over_mm(self, upper: Face) -> tuple[float, float]:
        """Where along the lower the upper begins and ends, also where it reaches beyond it."""
        x, _ = self.on_lower(upper, np.array([0.0, upper.length_mm]), np.zeros(2))
        return float(x.min()), float(x.max())

    def _pressed_mm(self, site: Site) -> tuple[float, ...]:
        """Where along the lower a hand may take the weight: the end held; either, of a pair that only touches."""
        marked, far = self.ends_mm(site.face(self.lower), site.face(self.upper))
        if self.held is not None:
            return (marked if self.held == ENDS[0] else far,)
        return (marked, far) if self.touching else ()

    def mirrored(self) -> LayUp | None:
        """Where the faces lie end on end and edge on edge."""
        if self.offset_mm or self.offset_y_mm or self.angle_deg:
            return None
        return replace(self, lower=self.upper, upper=self.lower)

    def slips(self, job: Job, setting: Setting) -> Iterator[Meant]:
        """Whatever a lay-up may be typed wrong in."""
        yield from super().slips(job, setting)
        yield off_alike(setting)

    def begun(self, job: Job, setting: str, block_mm: float = BLOCK_MM) -> tuple[Reading, ...]:
        """Two blocks near the Airy points of what lies over each other, to the nearest 5 mm; nothing if they touch."""
        if self.touching:
            return ()
        lower = job.faces()[self.lower]
        start_mm, end_mm = self.ends_mm(lower, job.faces()[self.upper])
        middle, half = (start_mm + end_mm) / 2, (end_mm - start_mm) * AIRY / 2
        first, last = lower.stations_mm[0], lower.stations_mm[-1]
        places = [min(max(5 * round(x / 5), first), last) for x in (middle - half, middle + half)]
        y = 0.0 if len(lower.lines_mm) > 1 else None
        size = Typed(block_mm, "mm")
        return tuple(
            Reading(f"{setting}.spacers[{i}]", "spacers", float(x), y, key="size_mm", value=size)
            for i, x in enumerate(dict.fromkeys(places))
        )

    @classmethod
    def likely(cls, job: Job) -> Mapping[str, str]:
        """The first pair and turn not taken yet, marks together before marks opposite."""
        taken = {(s.lower, s.upper, s.turn) for one in job.settings if isinstance(s := one.geometry, LayUp)}
        for layup, _, _ in sorted(cls.pairs(job), key=lambda pair: pair[0].turn != TURNS[0]):
            if (layup.lower, layup.upper, layup.turn) not in taken:
                return {"lower": layup.lower, "upper": layup.upper, "turn": layup.turn}
        return {}

    @classmethod
    def candidates(cls, job: Job) -> Iterator[Candidate]:
        """Every pair of faces of different pieces in both turns, read over every covered station of the lower; then
        the same moved along by a station.

        It stands on spacers of a known size, which need no reading. A set whose steps are coarser than the hand's feel
        gives brackets one step wide.
        """
        kinds = cls.instrument_kinds[:3]
        kits = instruments_for(job, kinds, Instrument("gauge blocks", "gauge blocks", grade="1"))
        pairs = list(cls.pairs(job))
        moved = [
            (replace(layup, offset_mm=by_mm), lower, upper)
            for layup, lower, upper in pairs
            if (by_mm := _a_station_mm(lower)) <= FURTHEST * upper.length_mm
        ]
        for (stacks, more), (layup, lower, upper) in itertools.product(kits, [*pairs, *moved]):
            x, y = layup.covered(lower, upper)
            if len(x) < 3 or (layup.offset_mm and len(np.unique(x)) < 3):
                continue
            setting = proposed(layup, "gaps", "just_mm", "mm", x, y, stacks.name)
            step = step_mm(stacks)
            if step is not None and coarse(stacks, step):
                setting = bracketed(setting, step)
            setting = standing(setting, layup._over_mm(upper) if layup.offset_mm else None)
            setting = layup.carried_under(job, setting)
            minutes = cls.setting_up_min + cls.reading_min * len(x) + (BORROWING_MIN if more else 0.0)
            minutes += MOVING_MIN if layup.offset_mm else 0.0
            yield Candidate((setting,), minutes, stacks, more)


def _a_station_mm(lower: Face) -> float:
    """From one station of it to the next, as most are."""
    return float(np.median(np.diff(lower.stations_mm))) if len(lower.stations_mm) > 1 else np.inf


def standing(setting: Setting, over_mm: tuple[float, float] | None = None) -> Setting:
    """The same, on spacers near where a bar sags least, between stations: two, or three where there is width.

    `over_mm`: where the upper begins and ends on the lower, if it is not read over all its length.
    """
    x, y = (np.unique([p for r in setting.readings if (p := getattr(r, key)) is not None]) for key in ("x_mm", "y_mm"))
    between = (x[1:] + x[:-1]) / 2
    wanted = [(SUPPORT, y[0]), (1.0 - SUPPORT, y[0])] + ([(0.5, y[-1])] if len(y) > 1 else [])
    start, end = (x[0], x[-1]) if over_mm is None else over_mm
    nearest = (float(between[np.abs(between - start - share * (end - start)).argmin()]) for share, _ in wanted)
    spacers = tuple(
        Reading(f"{setting.id}.spacers[{i}]", "spacers", at, float(across), key="size_mm", value=Typed(20.0, "mm"))
        for i, (at, (_, across)) in enumerate(zip(nearest, wanted, strict=True))
    )
    return replace(setting, readings=spacers + setting.readings)


def bracketed(setting: Setting, step_mm: float) -> Setting:
    """Gaps not yet taken, each between two stacks a step apart."""
    readings = tuple(
        replace(r, key=None, value=None, low=r.value, high=Typed(r.value.number + step_mm, r.value.unit))
        for r in setting.readings
        if r.value is not None
    )
    return replace(setting, readings=readings)


@dataclass(frozen=True)
class StackRows:
    """What stacks say of the gaps they were tried in, one row a reading, in µm; fields as in `Equations`."""

    value_um: FloatArray
    noise_um2: dict[Influence, FloatArray]
    sense: IntArray
    once: tuple[Hashable | None, ...]
    own: tuple[OwnTerm, ...]
    unknowns: dict[Label, float | None]


def read_stacks(site: Site, readings: Sequence[Reading]) -> StackRows:
    """Values, brackets, limits and spacers as rows.

    Raises `JobError` for a gap that cannot be and an instrument that claims nothing.
    """
    n = len(readings)
    value, sense = np.zeros(n), np.full(n, EQUAL, np.intp)
    size, feel, step = np.zeros(n), np.zeros(n), np.zeros(n)
    once: list[Hashable | None] = []
    for i, reading in enumerate(readings):
        value[i], half, sense[i], key = _gap(site, reading)
        instrument = None if reading.u_um is not None else site.instrument()
        size[i] = reading.u_um**2 if reading.u_um is not None else _size_u2(instrument, value[i] / 1e3)
        if reading.block:  # its error is an unknown of its own; a row keeps only what differs from time to time
            size[i] = min(size[i], WRINGING_UM**2)
        drags = reading.key == "just_mm" or reading.entry == "stops"
        feel[i] = instrument.feel_um**2 if instrument and drags else 0.0
        step[i] = (2 * half) ** 2 / 12
        if reading.entry == "spacers":
            key = ("spacer", *_at(reading), round(value[i], SAME_SIZE))
            sense[i] = AT_LEAST
        once.append(key)
    name = (site.job.instrument(site.setting) or Instrument("", "")).name or "stacks"
    rows_of: dict[Label, list[int]] = {}
    for i, reading in enumerate(readings):
        if reading.block:
            rows_of.setdefault(Label(None, f"block {reading.block}"), []).append(i)
    return StackRows(
        value,
        {Influence(name, "size"): size, Influence(name, "feel"): feel, Influence(name, STEP): step},
        sense,
        tuple(once),
        tuple(OwnTerm(block, np.array(rows, np.intp), np.ones(len(rows))) for block, rows in rows_of.items()),
        {block: _size_u2(site.instrument(), value[rows[-1]] / 1e3) ** 0.5 for block, rows in rows_of.items()},
    )


def _at(reading: Reading) -> tuple[float, float]:
    """Its place to a hundredth of a millimetre: equal however it was typed, in inches too."""
    return round(reading.x_mm or 0.0, 2), round(reading.y_mm or 0.0, 2)


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
        said = ("bracket", *_at(reading), round(low, SAME_SIZE), round(high, SAME_SIZE))
        return (low + high) / 2, (high - low) / 2, EQUAL, said
    if low is not None:
        return low, 0.0, AT_LEAST, None
    if high is not None:
        return high, 0.0, AT_MOST, None
    raise JobError("This reading has no value; give one, or a bracket.", reading.id)


def _size_u2(instrument: Instrument | None, size_mm: float) -> float:
    """Variance of a stack of `size_mm`, µm²: the claim of the instrument, or of its ISO 3650 grade."""
    if instrument is None:
        return 0.0
    if instrument.u_um is not None:
        return instrument.u_um**2
    if instrument.grade is None or instrument.kind != "gauge blocks":
        or_grade = ", or a grade" if instrument.kind == "gauge blocks" else ""
        raise JobError(
            f"Nothing says how true {instrument.name!r} ({instrument.kind}) are; give u_um{or_grade}.",
            f"instruments.{instrument.name}",
        )
    return sum(block_u_um(size, instrument.grade) ** 2 for size in usual_stack(size_mm))
