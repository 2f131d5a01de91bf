"""What was read, kept as typed: readings, the settings they share, passes, goals, and the job that holds them all."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar, Literal

from waywright.core.evidence.fields import FaceName, One, faces_named, fields_of
from waywright.core.evidence.things import Face, FloatArray, Hand, Instrument, Piece
from waywright.units import convert

if TYPE_CHECKING:
    from waywright.core.evidence.lying import Lying
    from waywright.core.evidence.rows import Equations, Site


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


@dataclass(frozen=True)
class Entry:
    """One list of readings that a kind of setting has, as the job file and the entry form show it."""

    name: str
    places: tuple[str, ...]  # of "x_mm", "y_mm", "at_mm": the place keys it accepts; the kind checks what it needs
    values: tuple[str, ...]  # keys a value may stand under, exactly one of them, unless a bracket is given
    low: str | None = None
    high: str | None = None
    required: bool = True  # the list may not be missing
    marks: tuple[str, ...] = ()  # the words its key `mark` may hold; such readings have no value
    rests: bool = False  # what the upper face stands on: known beforehand, so there is nothing to read

    @property
    def by_stacks(self) -> bool:
        """Whether it can be read stack by stack: each place between one that goes and one that does not."""
        return self.low is not None and "just_mm" in self.values

    @property
    def title(self) -> str:
        """Over the list on a page: "Gaps"."""
        return self.name[:1].upper() + self.name[1:]


class Kind:
    """How the readings of a setting were laid out. Each kind of reading is one frozen dataclass derived from this.

    Its fields are the keys of its block in the job file (mm, µm, µm/m by the ending of the name), with their
    defaults; `entries` are its lists of readings. Job file, book and entry form are written once over these. A field
    that names a face is a `FaceName`, so that the name is known, offered, and renamed with the face.
    """

    block: ClassVar[str]  # the job file's [[block]]
    title: ClassVar[str]  # what it is, on a page
    setting_up_min: ClassVar[float] = 5.0  # about how long it takes, and each reading: common practice, no source
    reading_min: ClassVar[float] = 1.0
    entries: ClassVar[tuple[Entry, ...]]
    instrument_kinds: ClassVar[tuple[str, ...]]
    slope: ClassVar[Literal["", "along", "across"]] = ""  # in which direction of a face it reads slopes
    between_steps: ClassVar[bool] = False  # whether it reads gaps between the sizes that a set of blocks makes

    def faces(self) -> tuple[str, ...]:
        """The names of the faces its readings speak of, each once, in the order of the fields that name them."""
        return tuple(dict.fromkeys(name for _, name in faces_named(self)))

    def check(self, job: Job) -> None:
        """Raise `JobError` if this geometry cannot be; `place` names the key."""

    def shares(self, other: Kind) -> bool:
        """Whether readings laid out like `other` may be of one setting with these: by default when they lie alike."""
        return self == other

    def equations(self, setting: Setting, site: Site) -> Equations:
        """The rows its readings give."""
        raise NotImplementedError

    def attitudes(self, job: Job, setting: Setting) -> tuple[Attitude, ...]:
        """How the pieces stood while it was read: by default every face looked up."""
        return tuple(Attitude(name) for name in self.faces())

    def expected_mm(self, job: Job, entry: Entry) -> list[tuple[float, float | None]]:
        """Where readings of a list are expected, x and y mm: by default at nodes, or stations, of its first face."""
        face = job.faces()[self.faces()[0]]
        if "y_mm" in entry.places:
            return list(zip(face.x_mm.tolist(), face.y_mm.tolist(), strict=True))
        return [(x, None) for x in face.stations_mm]

    @property
    def lying(self) -> Lying | None:
        """How one face lies on another, where its readings are of two that do: by default they are not."""
        return None

    @property
    def by_stacks(self) -> bool:
        """Whether its readings can be taken stack by stack."""
        return any(entry.by_stacks for entry in self.entries)

    def mirrored(self) -> Kind | None:
        """The same told from the other face, where there is such a thing."""
        return None

    def to_read(self, readings: Iterable[Reading]) -> tuple[Reading, ...]:
        """Those of them that are read: not what the upper face stands on."""
        rests = {entry.name for entry in self.entries if entry.rests}
        return tuple(r for r in readings if r.entry not in rests)

    def rests(self, readings: Iterable[Reading]) -> tuple[Reading, ...]:
        """Those of them that the upper face stands on."""
        rests = {entry.name for entry in self.entries if entry.rests}
        return tuple(r for r in readings if r.entry in rests)

    def words(self) -> str:
        """What it is, for a person: "P on Q, marks together"."""
        raise NotImplementedError

    def begun(self, job: Job, setting: str) -> tuple[Reading, ...]:
        """What is known of it, by the id `setting`, before anything is read: by default nothing."""
        return ()

    @classmethod
    def likely(cls, job: Job) -> Mapping[str, str]:
        """What fields of the next setting of this kind most likely are: by default the first face, where one must be
        named."""
        first = next(iter(job.faces()), None)
        if first is None:
            return {}
        needed = (f for f in fields_of(cls).values() if f.required)
        return {f.name: first for f in needed if isinstance(f.form, One) and f.form.face}

    @classmethod
    def candidates(cls, job: Job) -> Iterator[Candidate]:
        """Settings of this kind that could be taken next, each face in its newest state; values are placeholders."""
        yield from ()


@dataclass(frozen=True)
class Setting:
    """What a group of readings shares. `id` is its place in the file; equal `name`s are one setting."""

    id: str
    geometry: Kind
    readings: tuple[Reading, ...]
    name: str | None = None
    instrument: str | None = None
    seat_um: float | None = None
    temperature_c: float | None = None
    when: str | None = None
    note: str | None = None

    @property
    def group(self) -> str:
        """The name under which its lift and tilt are known."""
        return self.name or self.id


Place = tuple[float, float]  # x, y on a face, mm


@dataclass(frozen=True)
class Attitude:
    """How a piece stood in a setting: its `face` looked `turned_deg` away from up, and what it stood on.

    `rests_mm` are the places on that face that carried it, none when it stood on the supports of its piece; `on` is the
    face it stood on.
    """

    face: str
    turned_deg: float = 0.0
    rests_mm: tuple[Place, ...] = ()
    on: str | None = None


@dataclass(frozen=True)
class Bend:
    """A pattern of height changes over the faces of one piece in one setting, along each face's own normal, + out.

    `heights(face, x_mm, y_mm)` gives it at places (n,) in µm. Without a `label` it is known and taken off every
    reading; with one it is times an unknown of that name, of standard deviation `prior` before any reading; settings
    whose bends have one label share it.
    """

    piece: str
    heights: Callable[[Face, FloatArray, FloatArray], FloatArray]
    label: str | None = None
    prior: float = 1.0


Bending = Callable[["Job", Setting], Sequence[Bend]]


def unbent(job: Job, setting: Setting) -> Sequence[Bend]:
    """Every piece stiff and evenly warm."""
    return ()


@dataclass(frozen=True)
class Given:
    """What is known beside the readings: the readings of spacers that carry, and how pieces bend in each setting."""

    carrying: frozenset[str] = frozenset()
    bends: Bending = unbent


NOTHING_MORE = Given()


@dataclass(frozen=True)
class Candidate:
    """Readings that could be taken: as settings with placeholder values, and what must be had for them.

    `words` tells a person what to do; `minutes` is about how long it takes (common practice, no source).
    """

    settings: tuple[Setting, ...]
    words: str
    minutes: float
    instruments: tuple[Instrument, ...] = ()
    pieces: tuple[Piece, ...] = ()

    def added_to(self, job: Job) -> Job:
        """The job as if these readings had been taken after all others."""
        return replace(
            job,
            pieces=job.pieces + self.pieces,
            instruments=job.instruments + self.instruments,
            settings=job.settings + self.settings,
        )

    def to_read(self, readings: Iterable[Reading]) -> tuple[Reading, ...]:
        """Those of its readings that are read: what a lay-up stands on is known beforehand."""
        wanted = {r for s in self.settings for r in s.geometry.to_read(s.readings)}
        return tuple(r for r in readings if r in wanted)

    def __add__(self, other: Candidate) -> Candidate:
        """Both, one after the other."""
        return Candidate(
            self.settings + other.settings,
            f"{self.words}; {other.words}",
            self.minutes + other.minutes,
            tuple(dict.fromkeys(self.instruments + other.instruments)),
            tuple(dict.fromkeys(self.pieces + other.pieces)),
        )


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
class Workpiece:
    """What is to be turned: a diameter within `diameter_um` over `over_mm`, the tool `height_mm` above the ways."""

    diameter_um: float
    over_mm: float
    height_mm: float | None = None


@dataclass(frozen=True)
class Goal:
    """What a face must come to; without `faces` all of them. `part` stands in for a limit: see `results.workpiece`."""

    straightness_um: float | None = None
    flatness_um: float | None = None
    twist_um_per_m: float | None = None
    grade: str | None = None
    side: str = "between"
    leave_out_mm: float = 0.0
    rule: str = "guarded"
    faces: tuple[FaceName, ...] = ()
    part: Workpiece | None = None


@dataclass(frozen=True)
class Job:
    """Everything known of one undertaking, as typed. Settings stand in the order they were taken."""

    title: str = ""
    pieces: tuple[Piece, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    settings: tuple[Setting, ...] = ()
    passes: tuple[Pass, ...] = ()
    goal: Goal = field(default_factory=Goal)
    hand: Hand | None = None
    temperature_c: float | None = None
    note: str | None = None

    def faces(self) -> Mapping[str, Face]:
        """Every face by its name, in the order of the pieces."""
        return self._faces

    def instrument(self, setting: Setting) -> Instrument | None:
        """The instrument a setting names, or the only one owned of a kind that can take its readings."""
        if setting.instrument is not None:
            return next((i for i in self.instruments if i.name == setting.instrument), None)
        fitting = [i for i in self.instruments if i.kind in setting.geometry.instrument_kinds]
        return fitting[0] if len(fitting) == 1 else None

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
