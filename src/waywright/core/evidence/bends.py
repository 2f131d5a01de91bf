"""How a piece stands in a setting, and how it bends there: what is known beside the readings themselves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from waywright.core.evidence.things import Face, FloatArray

if TYPE_CHECKING:
    from waywright.core.evidence.job import Job, Setting

Place = tuple[float, float]  # x, y on a face, mm


@dataclass(frozen=True)
class Attitude:
    """How a piece stood in a setting: its `face` looked `turned_deg` away from up, and what it stood on.

    `rests_mm` are the places on that face that carried it, none when it stood on the supports of its piece; `on` is the
    face it stood on.
    """

    face: str
    turned_deg: float = 0.0
    rests_mm: tuple[Place, ...] = ()
    on: str | None = None


@dataclass(frozen=True)
class Bend:
    """A pattern of height changes over the faces of one piece in one setting, along each face's own normal, + out.

    `heights(face, x_mm, y_mm)` gives it at places (n,) in µm. Without a `label` it is known and taken off every
    reading; with one it is times an unknown of that name, of standard deviation `prior` before any reading; settings
    whose bends have one label share it.
    """

    piece: str
    heights: Callable[[Face, FloatArray, FloatArray], FloatArray]
    label: str | None = None
    prior: float = 1.0


Bending = Callable[["Job", "Setting"], Sequence[Bend]]


def unbent(job: Job, setting: Setting) -> Sequence[Bend]:
    """Every piece stiff and evenly warm."""
    return ()


@dataclass(frozen=True)
class Given:
    """What is known beside the readings: the readings of spacers that carry, and how pieces bend in each setting."""

    carrying: frozenset[str] = frozenset()
    bends: Bending = unbent


NOTHING_MORE = Given()
