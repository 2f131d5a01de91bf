"""What was read, kept as typed: readings, the settings they share, passes, goals, and the job that holds them all."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Literal

from waywright.core.evidence.fields import FaceName, PieceName
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.material import Material
from waywright.core.evidence.things import Face, Hand, Instrument, Piece
from waywright.units import convert

if TYPE_CHECKING:
    pass


class JobError(ValueError):
    """Something in a job that cannot be used: `place` says where, the message what is wrong and what to do."""

    def __init__(self, message: str, place: str = "") -> None:
        super().__init__(message)
        self.place = place


@dataclass(frozen=True)
class Typed:
    """A number as it was written; `text` is kept when it was typed with its unit or a decimal comma."""

    number: float
    unit: str
    text: str | None = None

    def to(self, unit: str) -> float:
        """The number in `unit`; raises `UnitError` when the quantities differ."""
        return convert(self.number, self.unit, unit)


@dataclass(frozen=True)
class Reading:
    """One reading: a value, a bracket between `low` and `high` (one side may be open), or a mark seen ("bright").

    `entry` names the list of the job file it stands in ("gaps", "spacers", "readings"), `key` the key its value was
    typed under ("gap_mm", "just_mm"). `at_mm` is its place along a line that is not along x. `corrects` names
    the reading it replaces; that one is kept and no longer used. `u_um` overrides the instrument's claim. `block`
    names the gauge block it was read with, so that its error is one unknown wherever it was used.
    """

    id: str
    entry: str
    x_mm: float | None = None
    y_mm: float | None = None
    at_mm: float | None = None
    key: str | None = None
    value: Typed | None = None
    low: Typed | None = None
    high: Typed | None = None
    mark: str | None = None
    u_um: float | None = None
    block: str | None = None
    when: str | None = None
    corrects: str | None = None
    note: str | None = None

    def completes(self, earlier: Reading) -> bool:
        """Whether it contradicts nothing that an earlier one said at its place: a bracket that closes in, or a value
        within it."""
        places = {(r.x_mm, r.y_mm, r.at_mm) for r in (self, earlier)}
        if earlier.value is not None or len(places) > 1:
            return False
        low, high = self.low or self.value, self.high or self.value
        above = earlier.low is None or (low is not None and low.to("mm") >= earlier.low.to("mm"))
        return above and (earlier.high is None or (high is not None and high.to("mm") <= earlier.high.to("mm")))


@dataclass(frozen=True)
class Hung:
    """A known weight on a piece while it was read: a hand, a stand, one hung to learn how stiff it is."""

    piece: PieceName
    x_mm: float
    mass_kg: float


@dataclass(frozen=True)
class Setting:
    """What a group of readings shares. `id` is its place in the file; equal `name`s are one setting.

    `carried_mm`: where along a piece it stood. `rested`: since when nobody had touched the pieces. `warm_c`: of a piece
    the skin of the face and of its back, each pair within `warm_u_c`.
    """

    id: str
    geometry: Kind
    readings: tuple[Reading, ...]
    name: str | None = None
    instrument: str | None = None
    seat_um: float | None = None
    temperature_c: float | None = None
    when: str | None = None
    note: str | None = None
    carried_mm: tuple[tuple[PieceName, tuple[float, ...]], ...] = ()
    hung: tuple[Hung, ...] = ()
    rested: Literal["overnight", "hours", "just handled"] | None = None
    warm_c: tuple[tuple[PieceName, tuple[float, float]], ...] = ()
    warm_u_c: float | None = None

    @property
    def group(self) -> str:
        """The name under which its lift and tilt are known."""
        return self.name or self.id


@dataclass(frozen=True)
class PassZone:
    """A rectangle of a face that was gone over `passes` times; without y the whole width of it."""

    from_mm: float
    to_mm: float
    y_from_mm: float | None = None
    y_to_mm: float | None = None
    passes: int = 1


@dataclass(frozen=True)
class Pass:
    """Metal removed from a face: a new state. `after` names the last setting taken before it.

    `zones`: where, when that was noted; `depth_um`: what each going-over was meant to take, when not the hand's usual.
    """

    id: str
    face: FaceName
    after: str | None = None
    act: str = "scrape"
    depth_um: float | None = None
    zones: tuple[PassZone, ...] = ()
    when: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class Job:
    """Everything known of one undertaking, as typed. Settings stand in the order they were taken.

    `without`: kinds of instruments that are not to be had, neither owned nor borrowed: no advice asks for them.
    """

    title: str = ""
    pieces: tuple[Piece, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    settings: tuple[Setting, ...] = ()
    passes: tuple[Pass, ...] = ()
    goal: Goal = field(default_factory=Goal)
    hand: Hand | None = None
    temperature_c: float | None = None
    note: str | None = None
    without: tuple[str, ...] = ()
    materials: tuple[Material, ...] = ()

    def faces(self) -> Mapping[str, Face]:
        """Every face by its name, in the order of the pieces."""
        return self._faces

    def piece_of(self, face: str) -> Piece:
        """The piece that has a face; KeyError where none has."""
        return self._piece_of[face]

    def instrument(self, setting: Setting) -> Instrument | None:
        """The instrument a setting names, or the only one owned of a kind that can take its readings."""
        if setting.instrument is not None:
            return next((i for i in self.instruments if i.name == setting.instrument), None)
        fitting = [i for i in self.instruments if i.kind in setting.geometry.instrument_kinds]
        return fitting[0] if len(fitting) == 1 else None

    def to_be_had(self, instrument: Instrument | None) -> bool:
        """Whether advice may ask for it: nobody said that there is none."""
        return instrument is None or instrument.kind not in self.without

    def readings(self) -> Iterator[tuple[Setting, Reading]]:
        """Every reading with its setting, in order."""
        for setting in self.settings:
            for reading in setting.readings:
                yield setting, reading

    def corrected(self) -> frozenset[str]:
        """The ids of readings that a later one replaces."""
        return self._corrected

    def states(self) -> Mapping[str, int]:
        """How many passes each face has had: the number of its newest state."""
        return self._states

    def past(self) -> tuple[str, ...]:
        """The ids of settings whose faces have all been cut since: they bind older states only."""
        newest = self.states()
        return tuple(
            s.id
            for number, s in enumerate(self.settings)
            if all(self.state_at(name, number) < newest.get(name, 0) for name in s.geometry.faces())
        )

    def state_at(self, face: str, index: int) -> int:
        """The state of `face` when the setting number `index` was taken: passes made after an earlier setting."""
        return bisect_left(self._cuts.get(face, []), index)

    # A job cannot change, so each of these is worked out once.

    @cached_property
    def _faces(self) -> dict[str, Face]:
        return {face.name: face for piece in self.pieces for face in piece.faces}

    @cached_property
    def _piece_of(self) -> dict[str, Piece]:
        return {face.name: piece for piece in self.pieces for face in piece.faces}

    @cached_property
    def _corrected(self) -> frozenset[str]:
        return frozenset(r.corrects for _, r in self.readings() if r.corrects is not None)

    @cached_property
    def _states(self) -> dict[str, int]:
        return {name: len(self._cuts.get(name, [])) for name in self._faces}

    @cached_property
    def _cuts(self) -> dict[str, list[int]]:
        """By face, the numbers of the settings its passes came after, −1 before all, in order."""
        order: dict[str, int] = {}
        for i, setting in enumerate(self.settings):
            order[setting.id] = order[setting.group] = i
        found: dict[str, list[int]] = {}
        for cut in self.passes:
            found.setdefault(cut.face, []).append(order.get(cut.after, -1) if cut.after else -1)
        return {face: sorted(after) for face, after in found.items()}
