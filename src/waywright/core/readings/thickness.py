"""A piece between the anvils of a micrometer: two opposite faces read against each other.

    h_top(x, y) + h_bottom(x, −y) + t

The bottom face is seen by rolling the piece over its long edge, so its y runs against the top's. The micrometer's zero
and the thickness itself are t, free and shared by the setting.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from waywright.core.evidence.bends import Attitude
from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Job, JobError, Reading, Setting
from waywright.core.evidence.kind import WORN_UM, Candidate, Entry, Kind, spots_of
from waywright.core.evidence.meant import Meant, from_far_end, in_other_unit
from waywright.core.evidence.rows import (
    Equations,
    HeightTerm,
    Influence,
    OwnTerm,
    Site,
    every,
    lengths_um,
    places,
    within,
)
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.readings.proposed import owned, proposed
from waywright.units import Showing

MICROMETERS = ("micrometer", "indicator")


@dataclass(frozen=True)
class Thickness(Kind):
    """Sizes over `top` and `bottom` of one piece; x, y on the top face."""

    block: ClassVar[str] = "thickness"
    title: ClassVar[str] = "Thickness: a micrometer over two faces"
    setting_up_min: ClassVar[float] = 2.0
    reading_min: ClassVar[float] = 0.5
    entries: ClassVar[tuple[Entry, ...]] = (Entry("readings", ("x_mm", "y_mm"), ("size_mm",), apart_um=WORN_UM),)
    instrument_kinds: ClassVar[tuple[str, ...]] = MICROMETERS

    top: FaceName
    bottom: FaceName

    def words(self, shown: Showing) -> str:
        """For a person: "the thickness from P to P under"."""
        return f"the thickness from {self.top} to {self.bottom}"

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """For a person: "measure the thickness from P to Q with the micrometer", and where, on the top face."""
        return (
            f"measure {self.words(shown)}{candidate.which}, {self.top} up",
            f"the anvils stand {spots_of(candidate.settings[0], shown)} of {self.top}",
            "leave the micrometer's zero alone",
        )

    def slips(self, job: Job, setting: Setting) -> Iterator[Meant]:
        """Places from the far end, another unit."""
        yield from from_far_end(setting, job.faces()[self.top].length_mm)
        yield from in_other_unit(setting)

    def check(self, job: Job) -> None:
        """Refuse faces that are not the top and the bottom of one piece."""
        found = [job.faces().get(name) for name in (self.top, self.bottom)]
        for face, wanted, other in zip(found, ("top", "bottom"), (180.0, 0.0), strict=True):
            if face is not None and face.slope == other:
                raise JobError(f'{face.name} is a {face.side} face; name one with side = "{wanted}" here.', wanted)
        check_one_piece(job, (self.top, self.bottom), "bottom")
        top, bottom = found
        if top is not None and bottom is not None and not opposite(top, bottom):
            raise JobError(
                f"{top.name} and {bottom.name} do not look opposite ways; a thickness lies between two that do.",
                "bottom",
            )

    def attitudes(self, job: Job, setting: Setting) -> tuple[Attitude, ...]:
        """The top looks up."""
        return (Attitude(self.top),)

    def equations(self, setting: Setting, site: Site) -> Equations:
        """One row a reading; each anvil stands on its face."""
        top, bottom = site.face(self.top), site.face(self.bottom)
        x, y = places(site.readings)
        _on_their_lines(site.readings, top, bottom, y)
        n, rows, zero = len(x), every(len(x)), site.label("zero")
        value, noise, name = lengths_um(site)
        notes: list[str] = []
        seat = site.seating_um2(top, 1, notes) + site.seating_um2(bottom, 1, notes)
        return Equations(
            readings=site.readings,
            value_um=value,
            noise_um2={Influence(name): noise, Influence(name, "seating"): np.full(n, seat)},
            heights=(
                HeightTerm(self.top, rows, x, y, np.ones(n)),
                HeightTerm(self.bottom, rows, x, -y, np.ones(n)),
            ),
            own=(OwnTerm(zero, rows, np.ones(n)),),
            unknowns={zero: None},
            notes=tuple(dict.fromkeys(notes)),
        )

    @classmethod
    def candidates(cls, job: Job) -> Iterator[Candidate]:
        """Each top face against each bottom face of its piece at every node, when there is a micrometer."""
        for micrometer, piece in itertools.product(owned(job, MICROMETERS[:1]), job.pieces):
            for top, bottom in itertools.permutations(piece.faces, 2):
                at = within(bottom, top.x_mm, -top.y_mm)
                if not (opposite(top, bottom) and abs(top.slope) < abs(bottom.slope)) or at.sum() < 3:
                    continue
                kind = cls(top.name, bottom.name)
                x, y = top.x_mm[at], top.y_mm[at]
                setting = proposed(kind, "readings", "size_mm", "mm", x, y, micrometer.name)
                minutes = cls.setting_up_min + cls.reading_min * len(x)
                yield Candidate((setting,), minutes, micrometer)


def opposite(one: Face, other: Face) -> bool:
    """Whether two faces of a piece look opposite ways."""
    return one.against(other) == 180.0


def check_one_piece(job: Job, names: tuple[str, ...], key: str) -> None:
    """Refuse faces that are known but not all of one piece; `key` is the place of the message."""
    of = {face.name: piece.name for piece in job.pieces for face in piece.faces}
    pieces = list(dict.fromkeys(of[name] for name in names if name in of))
    if len(pieces) > 1:
        raise JobError(f"These are faces of {pieces[0]} and of {pieces[1]}; they must be of one piece.", key)


def _on_their_lines(readings: Sequence[Reading], top: Face, bottom: Face, y_mm: FloatArray) -> None:
    """Where one face has a single line and the other has more, only that line can be read: off it the piece's roll
    would change the one and not the other."""
    for face, across in ((top, y_mm), (bottom, -y_mm)):
        if len(face.lines_mm) == 1 < max(len(top.lines_mm), len(bottom.lines_mm)):
            for reading, y in zip(readings, across.tolist(), strict=True):
                if abs(y - face.lines_mm[0]) > 1e-9:
                    raise JobError(
                        f"{face.name} is known on one line, at y = {face.lines_mm[0]:g} mm, and this is read off it; "
                        "give it lines_mm near both edges.",
                        reading.id,
                    )
