"""A kind of reading: how the readings of a setting were laid out, and what could be taken next."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar, Literal

from waywright.core.evidence.bends import Attitude
from waywright.core.evidence.fields import One, faces_named, fields_of
from waywright.core.evidence.things import Instrument, Piece
from waywright.core.evidence.where import spots
from waywright.units import Showing

if TYPE_CHECKING:
    from waywright.core.evidence.job import Job, Reading, Setting
    from waywright.core.evidence.lying import Lying
    from waywright.core.evidence.meant import Meant
    from waywright.core.evidence.rows import Equations, Site

WORN_UM = 250.0  # from its highest to its lowest place, of a worn face: common practice, no source


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
    apart_um: float | None = None  # how far its readings lie apart at most, by which an odd one is asked about

    @property
    def by_stacks(self) -> bool:
        """Whether it can be read stack by stack: each place between one that goes and one that does not."""
        return self.low is not None and "just_mm" in self.values

    @property
    def title(self) -> str:
        """Over the list on a page: "Gaps"."""
        return self.name[:1].upper() + self.name[1:]


NO_ARTICLE = ("the", "a", "an", "my", "our")


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

    def words(self, shown: Showing) -> str:
        """What it is, for a person: "P on Q, marks together"."""
        raise NotImplementedError

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """What a candidate, whose first setting is laid out so, asks a person to do, as sentences that can be carried
        out from their words alone: what stands where, then how it is read."""
        places = spots_of(candidate.settings[0], shown)
        return (f"take {self.words(shown)}{candidate.which}", *([f"read it {places}"] if places else []))

    def begun(self, job: Job, setting: str) -> tuple[Reading, ...]:
        """What is known of it, by the id `setting`, before anything is read: by default nothing."""
        return ()

    def slips(self, job: Job, setting: Setting) -> Iterator[Meant]:
        """What a setting of its readings may have been meant as, had it been typed wrong as a whole: by default
        nothing else."""
        yield from ()

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


def spots_of(setting: Setting, shown: Showing, on: str = "on") -> str:
    """The places of what is read of a setting, line by line."""
    readings = setting.geometry.to_read(setting.readings)
    at = [(r.x_mm if r.x_mm is not None else r.at_mm, r.y_mm) for r in readings]
    return spots([(x, y) for x, y in at if x is not None], shown, on)


@dataclass(frozen=True)
class Candidate:
    """Readings that could be taken: as settings with placeholder values, and what must be had for them.

    `minutes` is about how long it takes (common practice, no source); `kit` the instrument it is read with; `parts` are
    those it was put together of, one after the other.
    """

    settings: tuple[Setting, ...]
    minutes: float
    kit: Instrument | None = None
    instruments: tuple[Instrument, ...] = ()
    pieces: tuple[Piece, ...] = ()
    parts: tuple[Candidate, ...] = ()

    def words(self, shown: Showing) -> str:
        """What to do, for a person, in sentences."""
        told: list[str] = []
        before: tuple[str, ...] = ()
        for first, *rest in self.acts(shown):
            told += [first, *(["all else as before"] if rest and tuple(rest) == before else rest)]
            before = tuple(rest)
        return ". ".join(each[:1].upper() + each[1:] for each in told)

    def acts(self, shown: Showing) -> tuple[tuple[str, ...], ...]:
        """One after the other what to do, each in sentences: what stands where, then how it is read."""
        if self.parts:
            return tuple(act for part in self.parts for act in part.acts(shown))
        return (self.settings[0].geometry.asks(self, shown),)

    @property
    def which(self) -> str:
        """With which instrument of the owner's, by its name: " with the dial"; of one to be had nothing."""
        return f" with {self.owned}" if self.owned else ""

    @property
    def owned(self) -> str:
        """The owner's instrument, by its name: "the dial"; of one to be had nothing."""
        if self.kit is None or self.instruments:
            return ""
        name = self.kit.name
        return name if name[:1].isupper() or name.split(" ")[0] in NO_ARTICLE else f"the {name}"

    @property
    def moved(self) -> bool:
        """Whether a face is laid out of line with the other, which is asked for only where it tells more."""
        return any(s.geometry.lying is not None and s.geometry.lying.offset_mm != 0.0 for s in self.settings)

    def of(self, settings: Iterable[Setting]) -> Candidate:
        """The same way of reading, with these settings in place of its own."""
        return replace(self, settings=tuple(settings), parts=())

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
            self.minutes + other.minutes,
            instruments=tuple(dict.fromkeys(self.instruments + other.instruments)),
            pieces=tuple(dict.fromkeys(self.pieces + other.pieces)),
            parts=(*(self.parts or (self,)), *(other.parts or (other,))),
        )
