"""Whether what is said of sections, supports and warmth can be of the pieces of a job."""

from __future__ import annotations

from collections.abc import Sequence

from waywright.core.evidence.fields import pieces_named
from waywright.core.evidence.job import Job, JobError, Setting
from waywright.core.evidence.material import material_named, unfit_material
from waywright.core.evidence.section import unfit
from waywright.core.evidence.things import Piece

LEAST_APART_MM = 1.0  # two supports nearer than this are one place


def bodies(job: Job) -> None:
    """Raise `JobError` at the first thing that cannot be."""
    for i, material in enumerate(job.materials):
        if material.name in {each.name for each in job.materials[:i]}:
            raise JobError(f"Two materials are called {material.name!r}; each has a name of its own.", "materials")
        if wrong := unfit_material(material):
            raise JobError(wrong[0], f"materials.{material.name}.{wrong[1]}")
    for i, piece in enumerate(job.pieces):
        _piece(job, piece, f"pieces[{i}]")
    pieces = {piece.name: piece for piece in job.pieces}
    for setting in job.settings:
        _setting(setting, pieces)


def _piece(job: Job, piece: Piece, place: str) -> None:
    if piece.section is not None and piece.sections:
        raise JobError("Give either section, the same all along, or sections.", f"{place}.section")
    if piece.along and material_named(piece.material, job.materials) is None:
        what = f"Of the material {piece.material!r} nothing is known" if piece.material else "The material is missing"
        raise JobError(
            f'{what}, and how far a section bends hangs on it; give "cast iron", "steel", "granite", "aluminium", or '
            f"the numbers of {piece.material or 'your own'} in a block [materials.NAME].",
            f"{place}.material" if piece.material else place,
        )
    if wrong := unfit(piece.along, piece.length_mm):
        raise JobError(wrong[0], f"{place}.sections[{wrong[1]}]" if piece.sections else f"{place}.section")
    if piece.carried_mm:
        _supports(piece, piece.carried_mm, f"{place}.carried_mm")


def _setting(setting: Setting, pieces: dict[str, Piece]) -> None:
    for key, name in pieces_named(setting):
        if name not in pieces:
            known = ", ".join(pieces)
            raise JobError(f"There is no piece called {name!r}; the pieces are {known}.", f"{setting.id}.{key}")
    for name, at_mm in setting.carried_mm:
        _supports(pieces[name], at_mm, f"{setting.id}.carried_mm")
    for hung in setting.hung:
        if not 0 <= hung.x_mm <= pieces[hung.piece].length_mm:
            raise JobError(f"{hung.x_mm:g} mm lies off {hung.piece}; nothing can hang there.", f"{setting.id}.hung")


def _supports(piece: Piece, at_mm: Sequence[float], place: str) -> None:
    """Refuse supports on which it cannot stand."""
    for x in at_mm:
        if not 0 <= x <= piece.length_mm:
            raise JobError(f"{x:g} mm lies off {piece.name}, which is {piece.length_mm:g} mm long.", place)
    if not at_mm or max(at_mm) - min(at_mm) < LEAST_APART_MM:
        raise JobError(f"{piece.name} would fall over: it stands on two places or more, apart.", place)
