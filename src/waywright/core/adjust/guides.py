"""Guides as faces: what carried an indicator has a shape of its own, heights like any other.

A guide read on its own line alone is a face on one line. Read off it, its roll matters: it is a face on two lines, one
either side, and its path and roll are half the sum of their heights and their difference over the distance. So its
lift, its tilt along and its tilt across are those of a rigid body, which every run leaves free, and nothing else is.
"""

from __future__ import annotations

from collections.abc import Container, Iterable

import numpy as np

from waywright.core.evidence.job import JobError
from waywright.core.evidence.rows import HeightTerm, PathTerm
from waywright.core.evidence.things import Face

SAME_PLACE_MM = 1e-6  # places on a guide nearer than this are one
LONGEST_ARM = 30.0  # how far beyond its two lines a guide is reckoned: further, rounding would show


def guide_faces(paths: Iterable[PathTerm], taken: Container[str]) -> dict[str, Face]:
    """A face for every guide, by the guide's name, with a station wherever some path is read.

    Its lines lie at the shortest arm that is read: an RMS of 1 mm there, as of any face, lets it roll further at each
    face it is read on than that face is twisted beforehand, so that what roll and twist share is told as blind.
    Raises `JobError` when a face of the job, `taken`, is called as a guide is labelled.
    """
    of: dict[str, list[PathTerm]] = {}
    for path in paths:
        of.setdefault(path.guide, []).append(path)
    found = {guide: _face(f"guide {guide}", parts) for guide, parts in of.items()}
    for guide, face in found.items():
        if face.name in taken:
            raise JobError(
                f"A face called {face.name!r} cannot be told from the guide {guide!r}; give it another name."
            )
    return found


def _face(name: str, parts: list[PathTerm]) -> Face:
    at = np.unique(np.concatenate([part.at_mm for part in parts]))
    at = at[np.concatenate([[True], np.diff(at) > SAME_PLACE_MM])]
    arms = np.abs(np.concatenate([part.across_mm for part in parts]))
    arms = arms[arms > SAME_PLACE_MM]
    arm = max(float(arms.min()), float(arms.max()) / LONGEST_ARM) if len(arms) else 0.0
    lines = (-arm, arm) if arm else (0.0,)
    return Face(name, max(float(np.ptp(at)), 1.0), max(2 * arm, 1.0), tuple(at.tolist()), lines)


def on_guide(path: PathTerm, face: Face) -> list[HeightTerm]:
    """path + roll · across as heights on the lines of the guide's face: straight across, and beyond them."""
    if len(face.lines_mm) == 1:
        return [HeightTerm(face.name, path.rows, path.at_mm, np.zeros_like(path.at_mm), path.factor)]
    return [
        HeightTerm(face.name, path.rows, path.at_mm, np.full_like(path.at_mm, y), path.factor * share)
        for y in face.lines_mm
        for share in [(1 + path.across_mm / y) / 2]
    ]
