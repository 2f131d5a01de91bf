"""How the pieces of a setting bend as they stand in it: by their weight, and by warmth.

A piece hangs by δ(x) down from its supports: of each of its faces that is −δ·cos of the angle between the face's normal
and up. The spacers of a lay-up carry its upper, which pushes the lower down there with its reactions; the lower stands
on its own supports. How far they hang is known, an offset; how well is named: an unknown for each material and section,
one for each piece, one for where a piece stood that nobody said, and one for what a third spacer carries.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from waywright.core.body.beam import BEAM_HOLDS, GRAVITY, Beam, Load
from waywright.core.evidence.bends import Attitude, Bend
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.material import BUILT_IN, DOUBT, material_named
from waywright.core.evidence.section import Computed, Solid
from waywright.core.evidence.things import Face, FloatArray, Piece, exact_sin_cos
from waywright.core.evidence.where import joined

WEIGHT_DOUBT = 0.5  # of the weight of an upper that nobody weighed, taken as that of its lower: a guess, no source
PIECE_DOUBT = 0.03  # of its sag, of a piece beside others of its material and section: a guess, no source
# °C between face and back, by what was said of it: guesses, no source.
RESTED_C = {"overnight": 0.05, "hours": 0.15, "just handled": 0.5}
USUALLY = "hours"  # of a setting that says nothing, in a job that speaks of warmth elsewhere
READ_C = 0.2  # how well the difference of two skins is read when nothing is said: a guess, no source
Heights = Callable[[Face, FloatArray, FloatArray], FloatArray]  # of a `Bend`
SAME_MM = 0.5  # supports nearer than this are one


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
    rests = tuple(r for s in blocks for r in s.geometry.rests(s.readings) if r.id not in corrected)
    found: dict[str, Attitude] = {}
    for attitude in setting.geometry.attitudes(job, replace(setting, readings=rests)):
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
    at = np.unique([x for x in said if -SAME_MM <= x <= piece.length_mm + SAME_MM])  # a block beside it carries nothing
    at = np.clip(at, 0.0, piece.length_mm)
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
        lower = None if attitude.on is None else job.piece_of(attitude.on)
        beam = beam_of(job, piece) or _of_weight_alone(job, piece, lower)
        if beam is None or (lower is not None and not supports):
            continue
        own = _Part(tuple((h.x_mm, GRAVITY * h.mass_kg) for h in setting.hung if h.piece == name), weight=1.0)
        parts = [own, *pushed.get(name, ())]
        if lower is not None:
            parts = list(_shared(own, beam, supports, attitude, f"what each spacer of {setting.group} carries"))
            if not piece.along and not piece.mass_kg:
                parts.append(_Part(weight=1.0, label=f"weight of {name}", prior=WEIGHT_DOUBT))
            supports = (supports[0], supports[-1])
            under = pushed.setdefault(lower.name, [])
            under += (_under(job, setting, attitude, part, beam, supports) for part in parts)
        if piece.along:
            hangs = _Hanging(beam, -_from_up(job.faces()[attitude.face], attitude), _ways(beam, supports))
            known = [part for part in parts if part.label is None]
            heights = hangs.heights(known)
            yield Bend(name, heights)
            yield from (Bend(name, hangs.heights([p]), p.label, p.prior) for p in parts if p.label is not None)
            if not supports:  # any way between the two alike
                yield Bend(name, hangs.heights(known, unsaid=True), supports_label(piece, setting), 1 / np.sqrt(3.0))
            yield Bend(name, heights, stiffness_label(job, piece), stiffness_doubt(beam))
            yield Bend(name, heights, own_label(piece), PIECE_DOUBT)


def _of_weight_alone(job: Job, piece: Piece, lower: Piece | None) -> Beam | None:
    """A piece whose section nobody said, as an even bar, for what it does to the one it stands on: as heavy as it was
    weighed, or about as heavy for its length as that one."""
    mass = piece.mass_kg
    if mass is None and lower is not None and (under := beam_of(job, lower)) is not None:
        mass = under.weight_n / GRAVITY * piece.length_mm / lower.length_mm
    even = Computed(area_mm2=1e3, inertia_mm4=1e6)
    return Beam(piece.length_mm, (even,), BUILT_IN["steel"], mass) if mass else None


def _shared(own: _Part, beam: Beam, supports: tuple[float, ...], attitude: Attitude, label: str) -> Iterator[_Part]:
    """On spacers: the outer two carry what is left over by those between. Of three about the middle of the weight each
    carries what balance says; of those in a line one between carries something from nothing to as much as that allows,
    whatever the shapes are."""
    first, *between, last = supports
    weight, whole = beam.weight_n + sum(force for _, force in own.loads), last - first
    if (sure := _of_three(own, beam, attitude)) is not None and len(between) == 1:
        yield replace(own, lifts=tuple((x, n) for x, n in sure if abs(x - between[0]) <= SAME_MM))
        return
    outer = beam.carried((first, last), own.loads).reactions_n
    free = {x: min(outer[0] * whole / (last - x), outer[1] * whole / (x - first), weight) for x in between}
    most = {x: max(n, 0.0) / len(between) for x, n in free.items()}
    yield replace(own, lifts=tuple((x, 0.5 * n) for x, n in most.items()))
    for number, (x, n) in enumerate(most.items(), 1):
        yield _Part(lifts=((x, 1.0),), label=f"{label}, {number}" if len(most) > 1 else label, prior=n / np.sqrt(12))


def _of_three(own: _Part, beam: Beam, attitude: Attitude) -> list[Load] | None:
    """What each of three spacers carries that lie about the middle of the weight; None where they do not."""
    at = np.array(sorted(attitude.rests_mm))
    if len(at) != 3 or abs(np.linalg.det(np.column_stack([np.ones(3), at]))) < 1.0:
        return None
    loads = np.array([(0.5 * beam.length_mm, beam.weight_n), *own.loads])  # as an evenly made piece
    total = loads[:, 1].sum()
    up = np.linalg.solve(np.vstack([np.ones(3), at.T]), [total, loads[:, 0] @ loads[:, 1], 0.0])
    return list(zip(at[:, 0].tolist(), up.tolist(), strict=True)) if (up >= 0).all() else None


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


@dataclass(frozen=True)
class _Way:
    """A way of standing: its supports, its share in what is known, and in the unknown of which way it was."""

    supports_mm: tuple[float, ...]
    share: float = 1.0
    unsaid: float = 0.0


def _ways(beam: Beam, supports: tuple[float, ...]) -> tuple[_Way, ...]:
    """How a piece may have stood: as it was said, or anywhere between on its ends and on its quarter points."""
    if supports:
        return (_Way(supports),)
    quarter = 0.25 * beam.length_mm
    return _Way((0.0, beam.length_mm), 0.5, 0.5), _Way((quarter, beam.length_mm - quarter), 0.5, -0.5)


@dataclass(frozen=True)
class _Hanging:
    """A piece as it hangs; `down` is −cos of the angle between its own up and up."""

    beam: Beam
    down: float
    ways: tuple[_Way, ...]

    def heights(self, parts: Sequence[_Part], *, unsaid: bool = False) -> Heights:
        """What some parts of its load do, or, `unsaid`, how that differs between the ways it may have stood."""
        hung = [(part, way) for part in parts for way in self.ways]
        carried = [self.beam.carried(way.supports_mm, part.down, part.weight) for part, way in hung]
        shares = [self.down * (way.unsaid if unsaid else way.share) for _, way in hung]
        last: list[FloatArray] = []  # several bends have one pattern, and are asked for the same places in turn

        def heights(face: Face, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
            if not last or last[0] is not x_mm:
                sag = [share * one.sag(x_mm) for share, one in zip(shares, carried, strict=True)]
                last[:] = x_mm, np.sum(sag, axis=0)
            return exact_sin_cos(face.slope)[1] * last[1]

        return heights


def _from_up(face: Face, attitude: Attitude) -> float:
    """The cosine between the piece's own up and up; an inclined face is read with its piece as it stands."""
    leans = face.slope if face.slope in (0.0, 180.0) else 0.0
    return exact_sin_cos(180.0 - (180.0 - attitude.turned_deg + leans) % 360.0)[1]


def stiffness_doubt(beam: Beam) -> float:
    """How well the sag of a section is known, as a share of it; holes add what a beam is off of a solve of the web."""
    of_material = beam.material.e_doubt
    solid = all(isinstance(section, Solid) for section in beam.sections)
    share = of_material if solid and beam.mass_kg else max(of_material, DOUBT)
    holes = 0.0 if not beam.cut() else BEAM_HOLDS if beam.error is None else min(abs(beam.error), BEAM_HOLDS)
    return float(np.hypot(share, holes))


# -- warmth


def _by_warmth(job: Job, setting: Setting, stood: dict[str, Attitude]) -> Iterator[Bend]:
    """A face warmer than its back is crowned by even parts of that difference: known as far as it was read."""
    if not any(each.rested or each.warm_c for each in (setting, *job.settings)):
        return
    pieces = {piece.name: piece for piece in job.pieces}
    for name, attitude in stood.items():
        piece = pieces[name]
        beam = beam_of(job, piece)
        if beam is None:
            continue
        if np.isnan(beam.warmed(np.zeros(1))).any():
            continue
        mean, sigma = warmth_c(setting, name)
        crown = _Crown(beam, exact_sin_cos(job.faces()[attitude.face].slope)[1])
        if mean:
            yield Bend(name, replace(crown, warmer_c=mean).heights)
        yield Bend(name, crown.heights, warmth_label(piece, setting), sigma)


@dataclass(frozen=True)
class _Crown:
    """A piece crowned by a face that is warmer than its back; `up` is 1 where that is its top, −1 its bottom."""

    beam: Beam
    up: float
    warmer_c: float = 1.0

    def heights(self, face: Face, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Of any face of it."""
        return np.asarray(self.warmer_c * self.up * exact_sin_cos(face.slope)[1] * self.beam.warmed(x_mm))


def warmth_c(setting: Setting, piece: str) -> tuple[float, float]:
    """By how much the face of a piece is warmer than its back, °C, and how well that is known.

    What was read and how long it rested are put together; where neither is said of a setting it is as of most.
    """
    skins = dict(setting.warm_c).get(piece)
    rested = setting.rested or (USUALLY if skins is None else None)
    precision = RESTED_C[rested] ** -2 if rested is not None else 0.0
    towards = 0.0
    if skins is not None:
        read = max(READ_C if setting.warm_u_c is None else setting.warm_u_c, 1e-3) ** -2
        precision, towards = precision + read, read * (skins[0] - skins[1])
    return towards / precision, precision**-0.5


# -- names


@dataclass(frozen=True)
class Named:
    """What an unknown of a piece is: how stiff it is, or, of a setting, what it stood on or how warm."""

    what: Literal["stiffness", "supports", "warmth"]
    piece: str
    setting: Setting | None = None


def named(job: Job) -> Iterator[tuple[str, Named]]:
    """Every name that an unknown of weight or warmth may have, and what it is; alike pieces by the first of them."""
    for piece in reversed(job.pieces):
        yield stiffness_label(job, piece), Named("stiffness", piece.name)
        yield own_label(piece), Named("stiffness", piece.name)
        for setting in job.settings:
            yield supports_label(piece, setting), Named("supports", piece.name, setting)
            yield warmth_label(piece, setting), Named("warmth", piece.name, setting)


def stiffness_label(job: Job, piece: Piece) -> str:
    """How stiff pieces of one material and section are: they share it."""
    alike = [each.name for each in job.pieces if (each.material, each.along) == (piece.material, piece.along)]
    return f"stiffness of {joined(alike)}"


def own_label(piece: Piece) -> str:
    """How stiff one of them is beside the others."""
    return f"stiffness of {piece.name} beside its like"


def supports_label(piece: Piece, setting: Setting) -> str:
    """What a piece stood on."""
    return f"supports of {piece.name} in {setting.group}"


def warmth_label(piece: Piece, setting: Setting) -> str:
    """How much warmer its face was than its back."""
    return f"warmth of {piece.name} in {setting.group}"
