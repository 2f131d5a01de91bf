"""What is said of weight and warmth beside a result: what is left out of it and how much that could be."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from waywright.core.body.beam import Beam
from waywright.core.body.bending import RESTED_C, beam_of, standing, supports_mm
from waywright.core.evidence.findings import LeftOut
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.material import BUILT_IN, material_named
from waywright.core.evidence.section import Solid
from waywright.core.evidence.things import FloatArray, Piece

NEARLY_MM = 5.0  # how far a support may stand from under its block
USUAL_DEPTH = 1 / 12  # of its length, where nobody said how deep a piece is: a guess, no source


def left_out(job: Job) -> Iterator[LeftOut]:
    """Of pieces that were read: whose section nobody said, of which nobody said what they stood on or where they touch.

    At most so much: on its ends a piece hangs furthest.
    """
    no_section: dict[str, float] = {}
    no_supports: dict[str, float] = {}
    no_contact: dict[str, float] = {}
    warm: dict[str, float] = {}
    for setting in job.settings:
        for name, attitude in standing(job, setting).items():
            piece = job.piece_of(attitude.face)
            if (beam := beam_of(job, piece)) is None:
                if setting.geometry.lying is not None and not _under_the_blocks(job, setting):
                    no_section[name] = _on_its_ends_um(_usual(job, piece))
                continue
            warm[name] = RESTED_C["just handled"] * float(np.nanmax(np.abs(beam.warmed(_middle(beam))), initial=0.0))
            if not supports_mm(piece, setting, attitude):
                (no_supports if attitude.on is None else no_contact)[name] = _on_its_ends_um(beam)
    if no_section:
        yield LeftOut(tuple(no_section), "section", max(no_section.values()))
    if no_supports:
        yield LeftOut(tuple(no_supports), "supports", max(no_supports.values()))
    if no_contact:
        yield LeftOut(tuple(no_contact), "contact", max(no_contact.values()))
    if warm and not any(setting.rested or setting.warm_c for setting in job.settings):
        yield LeftOut(tuple(warm), "warmth", max(warm.values()))


def _under_the_blocks(job: Job, setting: Setting) -> bool:
    """Whether the lower was said to stand straight under the blocks: alike edges then hang alike."""
    lying, blocks = setting.geometry.lying, sorted({r.x_mm or 0.0 for r in setting.geometry.rests(setting.readings)})
    if lying is None or not blocks:
        return False
    piece = job.piece_of(lying.lower)
    said = dict(setting.carried_mm).get(piece.name, piece.carried_mm)
    return len(said) == len(blocks) and bool(np.allclose(sorted(said), blocks, atol=NEARLY_MM))


def _usual(job: Job, piece: Piece) -> Beam:
    """A bar of its length, of iron where nothing else is said."""
    solid = Solid(depth_mm=USUAL_DEPTH * piece.length_mm, width_mm=40.0)
    return Beam(piece.length_mm, (solid,), material_named(piece.material, job.materials) or BUILT_IN["cast iron"])


def _on_its_ends_um(beam: Beam) -> float:
    return float(np.abs(beam.carried((0.0, beam.length_mm)).sag(_middle(beam)))[0])


def _middle(beam: Beam) -> FloatArray:
    return np.array([0.5 * beam.length_mm])
