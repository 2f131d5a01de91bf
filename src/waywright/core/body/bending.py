"""How the pieces of a setting bend as they stand in it: by their weight, and by warmth.

A piece hangs by δ(x) down from its supports: of each of its faces that is −δ·cos of the angle between the face's normal
and up. The spacers of a lay-up carry its upper, which pushes the lower down there with its reactions; the lower stands
on its own supports. How far they hang is known, an offset; how well is named: an unknown for each material and section,
one for each piece, one for where a piece stood that nobody said, and one for what a third spacer carries.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from waywright.core.body.beam import GRAVITY, Beam, Load
from waywright.core.evidence.bends import Attitude, Bend
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.material import BUILT_IN, DOUBT, material_named
from waywright.core.evidence.section import Computed, Solid
from waywright.core.evidence.things import Face, FloatArray, Piece, exact_sin_cos
from waywright.core.evidence.where import joined

PIECE_DOUBT = 0.03  # of its sag, of a piece beside others of its material and section: a guess, no source
# °C between face and back, by what was said of it: guesses, no source.
RESTED_C = {"overnight": 0.05, "hours": 0.15, "just handled": 0.5}
READ_C = 0.2  # how well the difference of two skins is read when nothing is said: a guess, no source
SAME_MM = 0.5  # supports nearer than this are one

Sag = Callable[[FloatArray], FloatArray]  # µm down, at places (n,) along a piece


def bends(job: Job, setting: Setting) -> Sequence[Bend]:
    """The bends of every piece of a setting, known and named."""
    if not any(piece.along or piece.mass_kg for piece in job.pieces):
        return ()
    stood = standing(job, setting)
    return [*_by_weight(job, setting, stood), *_by_warmth(job, setting, stood)]


def standing(job: Job, setting: Setting) -> dict[str, Attitude]:
    """How each piece stood, by its name, that on top first; spacers typed in any block of the setting count."""
    corrected = job.corrected()
    blocks = [s for s in job.settings if s.group == setting.group] or [setting]
    readings = tuple(r for s in blocks for r in s.readings if r.id not in corrected)
    found: dict[str, Attitude] = {}
    for attitude in setting.geometry.attitudes(job, replace(setting, readings=readings)):
        found.setdefault(job.piece_of(attitude.face).name, attitude)
    return dict(reversed(found.items()))


def beam_of(job: Job, piece: Piece) -> Beam | None:
    """A piece as a beam; None where its section or its material is not known."""
    material = material_named(piece.material, job.materials)
    return Beam(piece.length_mm, piece.along, material, piece.mass_kg) if material and piece.along else None


def supports_mm(piece: Piece, setting: Setting, attitude: Attitude) -> tuple[float, ...]:
    """Where along it a piece stood: as it was said, on its spacers, or as it always stands; () where nobody said.

    One that lies on another stands on that, wherever it stands at other times.
    """
    said = dict(setting.carried_mm).get(piece.name)
    if said is None:
        said = piece.carried_mm if attitude.on is None else tuple(x for x, _ in attitude.rests_mm)
    at = np.unique(said)
    kept = at[np.concatenate([[True], np.diff(at) > SAME_MM])] if len(at) else at
    return tuple(kept.tolist()) if len(kept) > 1 else ()


# -- weight


@dataclass(frozen=True)
class _Part:
    """A part of what bends a piece: `loads` on it, `lifts` by spacers under it, and a share of its own weight.

    Without a `label` it is known; else it is what one of an unknown of that name does, which has `prior`.
    """

    loads: tuple[Load, ...] = ()
    lifts: tuple[Load, ...] = ()
    weight: float = 0.0
    label: str | None = None
    prior: float = 1.0

    @property
    def down(self) -> tuple[Load, ...]:
        """All that pushes it down, or up where it is negative."""
        return (*self.loads, *((x, -force) for x, force in self.lifts))


def _by_weight(job: Job, setting: Setting, stood: dict[str, Attitude]) -> Iterator[Bend]:
    pieces = {piece.name: piece for piece in job.pieces}
    pushed: dict[str, list[_Part]] = {}  # by what stands on a piece
    for name, attitude in stood.items():
        piece, supports = pieces[name], supports_mm(pieces[name], setting, attitude)
        beam = beam_of(job, piece) or _of_weight_alone(piece)
        if beam is None or (attitude.on is not None and not supports):
            continue
        own = _Part(tuple((h.x_mm, GRAVITY * h.mass_kg) for h in setting.hung if h.piece == name), weight=1.0)
        parts = [own, *pushed.get(name, ())]
        if attitude.on is not None:
            parts = list(_shared(own, beam, supports, f"what each spacer of {setting.group} carries"))
            supports = (supports[0], supports[-1])
            under = pushed.setdefault(job.piece_of(attitude.on).name, [])
            under += (_under(job, setting, attitude, part, beam, supports) for part in parts)
        if piece.along:
            ways = _ways(beam, supports, f"supports of {name} in {setting.group}")
            yield from _hanging(job, piece, attitude, beam, ways, parts)


def _of_weight_alone(piece: Piece) -> Beam | None:
    """A piece that was weighed and whose section nobody said: as an even bar, for what it does to others."""
    even = Computed(area_mm2=1e3, inertia_mm4=1e6)
    return Beam(piece.length_mm, (even,), BUILT_IN["steel"], piece.mass_kg) if piece.mass_kg else None


def _shared(own: _Part, beam: Beam, supports: tuple[float, ...], label: str) -> Iterator[_Part]:
    """On spacers: the outer two carry what is left over by those between, each of which carries something from nothing
    to as much as balance allows, whatever the shapes are."""
    first, *between, last = supports
    weight = beam.weight_n + sum(force for _, force in own.loads)
    outer = beam.carried((first, last), own.loads).reactions_n
    whole = last - first
    free = {x: min(outer[0] * whole / (last - x), outer[1] * whole / (x - first), weight) for x in between}
    most = {x: max(n, 0.0) / len(between) for x, n in free.items()}
    yield replace(own, lifts=tuple((x, 0.5 * n) for x, n in most.items()))
    for number, (x, n) in enumerate(most.items(), 1):
        yield _Part(lifts=((x, 1.0),), label=f"{label}, {number}" if len(most) > 1 else label, prior=n / np.sqrt(12))


def _under(
    job: Job, setting: Setting, attitude: Attitude, part: _Part, beam: Beam, supports: tuple[float, ...]
) -> _Part:
    """What a part of an upper does to the lower: its reactions and what spacers carry, down at their places there."""
    lying, upper = setting.geometry.lying, job.faces()[attitude.face]
    reactions = zip(supports, beam.carried(supports, part.down, part.weight).reactions_n, strict=True)
    at, force = np.array([*list(reactions), *part.lifts]).T
    if lying is not None:
        at = lying.on_lower(upper, at, np.zeros(len(at)))[0]
    at = np.clip(at, 0.0, job.piece_of(attitude.on or "").length_mm)
    return _Part(tuple(zip(at.tolist(), force.tolist(), strict=True)), label=part.label, prior=part.prior)


Way = tuple[tuple[float, ...], float, float]  # supports, its share of what is known, and of the unknown which it was


def _ways(beam: Beam, supports: tuple[float, ...], label: str) -> tuple[str | None, tuple[Way, ...]]:
    """How a piece may have stood: as it was said, or anywhere between on its ends and on its quarter points."""
    if supports:
        return None, ((supports, 1.0, 0.0),)
    quarter = 0.25 * beam.length_mm
    return label, (((0.0, beam.length_mm), 0.5, 0.5), ((quarter, beam.length_mm - quarter), 0.5, -0.5))


def _hanging(
    job: Job,
    piece: Piece,
    attitude: Attitude,
    beam: Beam,
    stood: tuple[str | None, tuple[Way, ...]],
    parts: Sequence[_Part],
) -> Iterator[Bend]:
    """The known sag, what it is by each unknown, and how well the known one is known."""
    unsaid, ways = stood
    up = _from_up(job.faces()[attitude.face], attitude)

    def bend(part: Sequence[_Part], column: int, label: str | None = None, prior: float = 1.0) -> Bend:
        curves = [
            (way[column], beam.carried(way[0], one.down, one.weight).sag) for one in part for way in ways if way[column]
        ]

        def heights(face: Face, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
            down = -up * exact_sin_cos(face.slope)[1]
            return np.asarray(down * np.sum([share * curve(x_mm) for share, curve in curves], axis=0))

        return Bend(piece.name, heights, label, prior)

    known = [part for part in parts if part.label is None]
    yield bend(known, 1)
    for part in parts:
        if part.label is not None:
            yield bend([part], 1, part.label, part.prior)
    if unsaid is not None:
        yield bend(known, 2, unsaid, 1 / np.sqrt(3.0))  # any way between the two alike
    yield bend(known, 1, stiffness_label(job, piece), stiffness_doubt(beam))
    yield bend(known, 1, f"stiffness of {piece.name} beside its like", PIECE_DOUBT)


def _from_up(face: Face, attitude: Attitude) -> float:
    """The cosine between the piece's own up and up; an inclined face is read with its piece as it stands."""
    leans = face.slope if face.slope in (0.0, 180.0) else 0.0
    return exact_sin_cos(180.0 - (180.0 - attitude.turned_deg + leans) % 360.0)[1]


def stiffness_label(job: Job, piece: Piece) -> str:
    """The name of how stiff pieces of one material and section are: they share it."""
    alike = [each.name for each in job.pieces if (each.material, each.along) == (piece.material, piece.along)]
    return f"stiffness of {joined(alike)}"


def stiffness_doubt(beam: Beam) -> float:
    """How well the sag of a section is known, as a share of it; holes add as much as they change."""
    of_material = beam.material.e_doubt
    solid = all(isinstance(section, Solid) for section in beam.sections)
    share = of_material if solid and beam.mass_kg else max(of_material, DOUBT)
    return float(np.hypot(share, beam.softened_by_holes()))


# -- warmth


def _by_warmth(job: Job, setting: Setting, stood: dict[str, Attitude]) -> Iterator[Bend]:
    """A face warmer than its back is crowned by even parts of that difference: known as far as it was read."""
    if setting.rested is None and not setting.warm_c:
        return
    pieces = {piece.name: piece for piece in job.pieces}
    for name, attitude in stood.items():
        beam = beam_of(job, pieces[name])
        warmer = warmth_c(setting, name)
        if beam is None or warmer is None:
            continue
        curve, sign = beam.warmed(), exact_sin_cos(job.faces()[attitude.face].slope)[1]
        if np.isnan(curve.coefficients).any():
            continue

        def heights(
            face: Face, x_mm: FloatArray, y_mm: FloatArray, times: float = 1.0, sign: float = sign, curve: Sag = curve
        ) -> FloatArray:
            return np.asarray(times * sign * exact_sin_cos(face.slope)[1] * curve(x_mm))

        mean, sigma = warmer
        if mean:
            yield Bend(name, lambda face, x, y, of=heights, by=mean: of(face, x, y, by))  # type: ignore[misc]
        yield Bend(name, heights, f"warmth of {name} in {setting.group}", sigma)


def warmth_c(setting: Setting, piece: str) -> tuple[float, float] | None:
    """By how much the face of a piece is warmer than its back, °C, and how well that is known; None: nothing is said.

    What was read and how long it rested are put together.
    """
    precision, towards = 0.0, 0.0
    if setting.rested is not None:
        precision += RESTED_C[setting.rested] ** -2
    if (skins := dict(setting.warm_c).get(piece)) is not None:
        read = max(READ_C if setting.warm_u_c is None else setting.warm_u_c, 1e-3) ** -2
        precision, towards = precision + read, read * (skins[0] - skins[1])
    return (towards / precision, precision**-0.5) if precision else None
