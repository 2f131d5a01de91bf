"""An indicator run along a face on a guide: a machine's table, a straightedge, a taut wire.

    sign·h(x, y) + side·(m(u) + r(u)·v) + a + b·x + c·y

m is the guide's own path over its own places u, and r its roll; both are shapes shared by all runs that name the guide,
and v is how far across the guide, from its own line, the plunger stands. Without a guide both are taken as perfect.

Signs. The guide's frame is that of the face as it is first laid: v = y − line. Whatever moves on it is carried by m
along the plunger, + when that pushes it in, and turned by r, + when the + v side is the one that comes nearer. Rolled
over its long edge the face looks the other way: what came nearer goes away (side = −1), and its + y side is where its
− y side was, v = −(y − line). End for end it is turned about its own normal: x and y both run back, v = −(y − line)
again, and it still looks the same way. With e = −1 end for end, else 1, what the dial shows, + plunger in, is

    as it lies   h + m + e·r·(y − line)        turned over   h − m + e·r·(y − line)

In the second, side and v change sign together: the roll stays. Counted + as plunger out (sign = −1) all of it turns:
−h + m − e·r·(y − line). So roll always goes with the face's height and never with the path.

Reversal (C. J. Evans, R. J. Hocken, W. T. Estler, CIRP Annals 45/2, 1996) is two runs with the sign turned: r₁ = m + s,
r₂ = m − s, so m = (r₁ + r₂)/2 and s = (r₁ − r₂)/2, each with u/√2. It parts the face from the path, not from the roll:
of a face read on two lines or more every shape y·f(x) stays blind, one a station but for the tilt across; more lines
show no more of it. A level across the face at every station does.

That second run is counted + when the plunger comes out. For a proud place always pushes the plunger in: what turns is
the guide, which brings the indicator nearer where it took it away before. Typed as the dial shows it, + when the
plunger goes in, the second run is −r₂ = s − m: that is `turned_over`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from waywright.core.evidence.bends import Attitude
from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Job, JobError, Setting
from waywright.core.evidence.kind import WORN_UM, Candidate, Entry, Kind
from waywright.core.evidence.meant import Meant, from_far_end, in_other_unit
from waywright.core.evidence.rows import (
    Equations,
    HeightTerm,
    Influence,
    OwnTerm,
    PathTerm,
    Site,
    every,
    lengths_um,
    on_line,
)
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.evidence.where import length, line, spots
from waywright.core.readings.proposed import owned, proposed
from waywright.units import Showing

A_GUIDE = "machine table"  # proposed when the job names none


@dataclass(frozen=True)
class Run(Kind):
    """One run along `face` on `guide`; readings at x, and across at their own y or at `y_mm`.

    + is plunger in. With the face rolled over its long edge and read from the other side, either say `turned_over`
    and keep + as plunger in, or say `sign` = −1 and count + as plunger out. The face's marked end lies at
    `guide_offset_mm` of the guide and its x runs along it; set `end_for_end`, its far end lies there and x runs back.
    `line_mm` is the y of the face that lies on the guide's own line, where its roll does nothing; a guide that has no
    name, or with `rolls` False, is taken as true in roll.
    """

    block: ClassVar[str] = "runs"
    title: ClassVar[str] = "Run: an indicator along a guide"
    setting_up_min: ClassVar[float] = 15.0
    reading_min: ClassVar[float] = 0.3
    entries: ClassVar[tuple[Entry, ...]] = (Entry("readings", ("x_mm", "y_mm"), ("um",), apart_um=2 * WORN_UM),)
    instrument_kinds: ClassVar[tuple[str, ...]] = ("indicator", "micrometer")

    face: FaceName
    guide: str | None = None
    sign: int = 1
    turned_over: bool = False
    y_mm: float = 0.0
    guide_offset_mm: float = 0.0
    end_for_end: bool = False
    rolls: bool = True
    line_mm: float = 0.0

    def words(self, shown: Showing) -> str:
        """For a person: "a run along P on mill table, face turned over"."""
        on = f" on {self.guide}" if self.guide else ""
        turned = ", face turned over" if self.turned_over or self.sign < 0 else ""
        counted = " and counted the other way" if self.sign < 0 else ""
        return f"a run along {self.face}{on}{turned}{counted}{', end for end' if self.end_for_end else ''}"

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """For a person: "run the dial along P on the mill table", how it lies on it, where to read, and the sign."""
        told: list[str] = []
        before = ""
        for setting in candidate.settings:
            kind = setting.geometry
            assert isinstance(kind, Run)
            places = kind._places(setting, shown)
            told += [
                f"then lay {kind._lies(shown)}" if told else f"{kind._runs(candidate)}, {kind._lies(shown)}",
                "read it again at the same places" if places == before else f"read it {places}",
            ]
            before = places
        counted = {"out" if s.geometry.sign < 0 else "in" for s in candidate.settings if isinstance(s.geometry, Run)}
        return (*told, f"count + when the plunger goes {' or '.join(sorted(counted))}")

    def _runs(self, candidate: Candidate) -> str:
        return f"run {candidate.owned or 'an indicator'} along {self.face}{f' on {self.guide}' if self.guide else ''}"

    def _lies(self, shown: Showing) -> str:
        """How the face lies on what guides: which way up, and which end where."""
        over = self.turned_over or self.sign < 0
        lies = (
            f"{self.face} rolled over its long edge and read from the other side" if over else f"{self.face} as it lies"
        )
        ways = [lies, *(["turned end for end"] if self.end_for_end else [])]
        if self.guide is not None and self.guide_offset_mm:
            end = "far end" if self.end_for_end else "marked end"
            ways.append(f"its {end} at {length(self.guide_offset_mm, shown)} of {self.guide}")
        if self.guide is not None and self.line_mm:
            ways.append(f"{line(self.line_mm, shown)} over the guide's own")
        return ", ".join(ways)

    def _places(self, setting: Setting, shown: Showing) -> str:
        at = [(r.x_mm, self.y_mm if r.y_mm is None else r.y_mm) for r in setting.readings]
        return spots([(x, y) for x, y in at if x is not None], shown)

    def slips(self, job: Job, setting: Setting) -> Iterator[Meant]:
        """Places from the far end, another unit."""
        yield from from_far_end(setting, job.faces()[self.face].length_mm)
        yield from in_other_unit(setting)

    def check(self, job: Job) -> None:
        """Refuse a sign that is none, and a face that is its own guide."""
        if self.sign not in (1, -1):
            raise JobError(f"The sign is 1, or -1 for a run counted the other way; {self.sign} is neither.", "sign")
        if self.sign < 0 and self.turned_over:
            raise JobError(
                "The face is turned over twice: keep turned_over if + is plunger in, sign = -1 if + is plunger out.",
                "sign",
            )
        if self.guide == self.face:
            raise JobError(f"{self.face} cannot guide a run along itself; name what carried the indicator.", "guide")

    def attitudes(self, job: Job, setting: Setting) -> tuple[Attitude, ...]:
        """The face looks up, turned over down."""
        return (Attitude(self.face, 180.0 if self.turned_over or self.sign < 0 else 0.0),)

    def on_guide(self, face: Face, x_mm: FloatArray) -> FloatArray:
        """Where the guide stands when the plunger is at x of the face, (n,) mm."""
        along = face.length_mm - x_mm if self.end_for_end else x_mm
        return np.asarray(along + self.guide_offset_mm)

    def across_guide(self, y_mm: FloatArray) -> FloatArray:
        """How far across the guide from its own line the plunger stands at y of the face, (n,) mm: 0 where it is true.

        In the frame of the guide: + is the + y side of a face that is neither turned over nor set end for end.
        """
        turned = (self.turned_over or self.sign < 0) != self.end_for_end
        return np.asarray((y_mm - self.line_mm) * (-1.0 if turned else 1.0) * float(self.rolls))

    def equations(self, setting: Setting, site: Site) -> Equations:
        """One row a reading. How the face lay across the guide is free, as it is along it."""
        face = site.face(self.face)
        x, y = on_line(site.readings, self.y_mm)
        n, rows = len(x), every(len(x))
        value, noise, name = lengths_um(site)
        notes: list[str] = []
        seat = site.seating_um2(face, 1, notes)
        zero, along, across = (site.label(part) for part in ("zero", "tilt along", "tilt across"))
        path: tuple[PathTerm, ...] = ()
        if self.guide is not None:
            side = np.full(n, -1.0 if self.turned_over else 1.0)
            path = (PathTerm(self.guide, rows, self.on_guide(face, x), self.across_guide(y), side),)
        notes += self._taken_for_granted(y)
        return Equations(
            readings=site.readings,
            value_um=value,
            noise_um2={Influence(name): noise, Influence(name, "seating"): np.full(n, seat)},
            heights=(HeightTerm(self.face, rows, x, y, np.full(n, float(self.sign))),),
            own=(OwnTerm(zero, rows, np.ones(n)), OwnTerm(along, rows, x / 1e3), OwnTerm(across, rows, y / 1e3)),
            unknowns=dict.fromkeys((zero, along, across)),
            notes=tuple(dict.fromkeys(notes)),
            paths=path,
        )

    def _taken_for_granted(self, y_mm: FloatArray) -> Iterator[str]:
        """What is taken of the guide, read at y (n,) of the face, each in a sentence."""
        along = f"the run along {self.face}"
        lines = bool(np.ptp(y_mm) > 0)
        if self.guide is None:
            roll = f", in roll too: had it rolled, it would be told as twist of {self.face}" if lines else ""
            yield f"What guided {along} is taken as perfect{roll}."
        elif np.any(y_mm != self.line_mm):
            would = f"twist of {self.face}" if lines else f"the shape of {self.face}"
            if self.rolls:
                yield f"Off its own line, what {self.guide} rolls looks like {would}: {along} alone cannot part them."
            else:
                yield f"Off its own line {self.guide} is taken as true in roll, as was said; else it shows as {would}."

    @classmethod
    def candidates(cls, job: Job) -> Iterator[Candidate]:
        """A reversal of each face along its lines, and each run alone on a guide the job names, with an indicator."""
        dials = cls.instrument_kinds[:1]
        guides = [s.geometry.guide for s in job.settings if isinstance(s.geometry, Run) and s.geometry.guide]
        for dial, face in itertools.product(owned(job, dials), job.faces().values()):
            if len(face.stations_mm) < 3:
                continue
            for guide in dict.fromkeys(guides or [A_GUIDE]):
                runs = [cls(face.name, guide, turned_over=over) for over in (False, True)]
                settings = [proposed(r, "readings", "um", "µm", face.x_mm, face.y_mm, dial.name) for r in runs]
                minutes = cls.setting_up_min + cls.reading_min * len(face.x_mm)
                yield Candidate(tuple(settings), 2 * minutes, dial)
                yield from (Candidate((setting,), minutes, dial) for setting in settings if guides)
