"""A machine in three dimensions, drawn at random: a guide that strays and rolls, a dial, and faces clamped to it.

Nothing here is worked out from the equations of a run. Faces are turned by rotation matrices, what moves on the guide
is displaced like any rigid body, d + ω × (p − p₀), and the dial shows how far its plunger is pushed in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.simulate import LEVEL, Simulated, heights_um
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.things import Face, FloatArray, Instrument, Piece
from waywright.core.readings import Cross, Run

GUIDE = "mill table"
DIAL = "dial"
Places = Sequence[tuple[float, float | None]]


@dataclass(frozen=True)
class Attitude:
    """How a face lies on the machine, and whether what the dial shows is counted + as the plunger comes out."""

    turned_over: bool = False
    end_for_end: bool = False
    counted_out: bool = False

    def axes(self) -> FloatArray:
        """(3, 3) rows: the face's x, its y, and its outward normal, in the shop's X, Y, Z."""
        about_its_edge, about_its_normal = np.diag([1.0, -1.0, -1.0]), np.diag([-1.0, -1.0, 1.0])  # half turns
        axes = about_its_edge if self.turned_over else np.eye(3)
        return np.asarray(axes @ about_its_normal if self.end_for_end else axes)


AS_LAID, OVER = Attitude(), Attitude(turned_over=True)


class Machine:
    """A guide along X that strays by c along Z and rolls by ρ about a line along X at Y = `own_line_mm`.

    `carries_dial`: the dial moves on it past a face that stands; else the face moves past a dial that stands.
    `truth`: true heights at the nodes of each face, which are linear between them.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        *lines: int,
        roll_um_per_mm: float = 0.2,
        carries_dial: bool | None = None,
        dial_um: float | None = None,
        stations: int | None = None,
        widths_mm: Sequence[float] | None = None,
    ) -> None:
        self.rng = rng
        self.places_mm = np.linspace(-1000, 3000, 81)
        self.path_um = rng.normal(0, 8, 81)
        self.roll_um_per_mm = rng.normal(0, roll_um_per_mm, 81) + rng.normal(0, roll_um_per_mm) * self.places_mm / 1e3
        self.own_line_mm = float(rng.uniform(-50, 50))
        self.carries_dial = bool(rng.random() < 0.5) if carries_dial is None else carries_dial
        self.dial_um = float(rng.uniform(0.3, 2.0)) if dial_um is None else dial_um
        self.level_um_per_m = float(rng.uniform(2, 10))
        steps = rng.uniform(60, 140, (stations or int(rng.integers(5, 9))) - 1)
        at = np.cumsum([0.0, *(steps if rng.random() < 0.5 else np.full_like(steps, steps[0]))])
        widths = rng.uniform(25, 120, len(lines)) if widths_mm is None else widths_mm
        faces = [_face("PQRS"[i], at, count, float(widths[i]), rng) for i, count in enumerate(lines)]
        self.truth = {face.name: _shape(face, rng) for face in faces}
        dial = Instrument(DIAL, "indicator", u_um=self.dial_um)
        level = Instrument(LEVEL, "level", u_um_per_m=self.level_um_per_m)
        self.job = Job("machine", tuple(Piece(face.name, (face,)) for face in faces), (dial, level))

    @property
    def known(self) -> Simulated:
        """The job as it was read, with its truth."""
        return Simulated(self.job, self.truth)

    def flat(self, **face: object) -> None:
        """Make the first face flat, and another in what is said of it: its stations, its lines."""
        first = replace(next(iter(self.job.faces().values())), **face)  # type: ignore[arg-type]
        self.job = replace(self.job, pieces=(Piece(first.name, (first,)), *self.job.pieces[1:]))
        self.truth[first.name] = np.zeros(len(first.x_mm))

    def height_um(self, name: str, x_mm: float, y_mm: float) -> float:
        """True height at a place: linear along each line, then across."""
        return float(heights_um(self.job.faces()[name], self.truth[name], np.array([x_mm]), np.array([y_mm]))[0])

    def guide_um(self, at_mm: float, across_mm: float) -> float:
        """What pushes the plunger of a dial in that points down, at a place along and across from the own line."""
        c, turn = (float(np.interp(at_mm, self.places_mm, part)) for part in (self.path_um, self.roll_um_per_mm))
        moved = np.array([0.0, 0.0, c]) + np.cross([turn, 0.0, 0.0], [0.0, across_mm, 0.0])
        return float(-moved[2] if self.carries_dial else moved[2])

    def run(
        self,
        name: str,
        how: Attitude = AS_LAID,
        places: Places | None = None,
        *,
        offset_mm: float = 0.0,
        line_mm: float = 0.0,
        true: bool = False,
        exact: bool = False,
    ) -> None:
        """Clamp a face with its `line_mm` over the guide's own line, run the dial over it, and type what it shows.

        `true`: it is said to be true in roll.
        """
        face, (along, across, normal) = self.job.faces()[name], how.axes()
        origin = np.array([offset_mm + (face.length_mm if how.end_for_end else 0.0), 0.0, 0.0]) - line_mm * across
        lies = np.zeros(3) if exact else self.rng.normal(0, [30.0, 0.05, 0.2])
        where = places or list(zip(face.x_mm.tolist(), face.y_mm.tolist(), strict=True))
        values = []
        for x, y in where:
            tip = origin + x * along + (y or 0.0) * across
            pushed = self.height_um(name, x, y or 0.0) + normal[2] * self.guide_um(tip[0], tip[1])
            pushed += lies @ [1.0, x, y or 0.0] + (0.0 if exact else self.dial_um * self.rng.standard_normal())
            values.append(-pushed if how.counted_out else pushed)
        kind = Run(
            name,
            GUIDE,
            sign=-1 if how.counted_out else 1,
            turned_over=how.turned_over and not how.counted_out,
            guide_offset_mm=offset_mm,
            end_for_end=how.end_for_end,
            rolls=not true,
            line_mm=line_mm,
        )
        self._take(kind, where, values, "um", "µm", DIAL)

    def across(self, name: str, stations_mm: Sequence[float] | None = None) -> None:
        """Set a level across a face that lies still, feet on its outer lines; at every station, or those named."""
        face = self.job.faces()[name]
        near, far = face.lines_mm[0], face.lines_mm[-1]
        stations = face.stations_mm if stations_mm is None else stations_mm
        rises = np.array([self.height_um(name, x, far) - self.height_um(name, x, near) for x in stations])
        slopes = 1e3 * rises / (far - near) + self.rng.normal(0, 50.0)
        slopes += self.level_um_per_m * self.rng.standard_normal(len(slopes))
        kind = Cross(name, far - near, (near + far) / 2)
        self._take(kind, [(x, None) for x in stations], slopes.tolist(), "um_per_m", "µm/m", LEVEL)

    def _take(self, kind: Kind, at: Places, values: Sequence[float], key: str, unit: str, by: str) -> None:
        sid = f"{kind.block}[{sum(s.geometry.block == kind.block for s in self.job.settings)}]"
        readings = tuple(
            Reading(f"{sid}.readings[{i}]", "readings", x, y, key=key, value=Typed(value, unit))
            for i, ((x, y), value) in enumerate(zip(at, values, strict=True))
        )
        self.job = replace(self.job, settings=(*self.job.settings, Setting(sid, kind, readings, instrument=by)))


def _face(name: str, stations_mm: FloatArray, lines: int, width_mm: float, rng: np.random.Generator) -> Face:
    """A face whose lines are uneven and off centre."""
    across = np.linspace(-0.4, 0.4, lines) + rng.uniform(-0.1, 0.1, lines) if lines > 1 else np.zeros(1)
    across *= width_mm
    return Face(name, float(stations_mm[-1]), width_mm, tuple(stations_mm.tolist()), tuple(across.tolist()))


def _shape(face: Face, rng: np.random.Generator) -> FloatArray:
    """Bowed, twisted and rough, by some 6 µm."""
    s, t = 2 * face.x_mm / face.length_mm - 1, 2 * face.y_mm / face.width_mm
    shapes = np.column_stack([s, t, s**2, s**3, s * t, t**2, s**2 * t, s**3 * t])
    return np.asarray(shapes @ rng.normal(0, 6, 8) + 1.5 * rng.standard_normal(len(s)))
