"""What is said of weight beside a result: what is left out of it and how much that could be."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from waywright.core.body.beam import Beam
from waywright.core.body.bending import beam_of, standing, supports_mm
from waywright.core.evidence.findings import WeightLeftOut
from waywright.core.evidence.job import Job
from waywright.core.evidence.material import BUILT_IN, material_named
from waywright.core.evidence.section import Solid
from waywright.core.evidence.things import Piece

USUAL_DEPTH = 1 / 12  # of its length, where nobody said how deep a piece is: a guess, no source


def left_out(job: Job) -> Iterator[WeightLeftOut]:
    """Of pieces that were read: whose section nobody said, of which nobody said what they stood on or where they touch.

    At most so much: on its ends a piece hangs furthest.
    """
    no_section: dict[str, float] = {}
    no_supports: dict[str, float] = {}
    no_contact: dict[str, float] = {}
    for setting in job.settings:
        for name, attitude in standing(job, setting).items():
            piece = job.piece_of(attitude.face)
            if (beam := beam_of(job, piece)) is None:
                if setting.geometry.lying is not None:
                    no_section[name] = _on_its_ends_um(_usual(job, piece))
            elif not supports_mm(piece, setting, attitude):
                (no_supports if attitude.on is None else no_contact)[name] = _on_its_ends_um(beam)
    if no_section:
        yield WeightLeftOut(tuple(no_section), "section", max(no_section.values()))
    if no_supports:
        yield WeightLeftOut(tuple(no_supports), "supports", max(no_supports.values()))
    if no_contact:
        yield WeightLeftOut(tuple(no_contact), "contact", max(no_contact.values()))


def _usual(job: Job, piece: Piece) -> Beam:
    """A bar of its length, of iron where nothing else is said."""
    solid = Solid(depth_mm=USUAL_DEPTH * piece.length_mm, width_mm=40.0)
    return Beam(piece.length_mm, (solid,), material_named(piece.material, job.materials) or BUILT_IN["cast iron"])


def _on_its_ends_um(beam: Beam) -> float:
    return float(np.abs(beam.carried((0.0, beam.length_mm)).sag(np.array([0.5 * beam.length_mm])))[0])
