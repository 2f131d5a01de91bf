"""What every move is asked for, how and why, and the phrases that several share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import singledispatch

from waywright.core.evidence.findings import Move
from waywright.core.evidence.job import Reading
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.where import spots
from waywright.views.numbers import Shown, listed


@singledispatch
def how_words(move: Move, shown: Shown) -> str:
    """What to do."""
    raise NotImplementedError(type(move).__name__)


@singledispatch
def why_words(move: Move, shown: Shown) -> str:
    """Why."""
    raise NotImplementedError(type(move).__name__)


def spots_of(readings: Iterable[Reading], shown: Shown, kind: Kind | None = None) -> str:
    """Where, line by line."""
    line = getattr(kind, "y_mm", None)  # of readings that say no line of their own
    at = [(r.x_mm if r.x_mm is not None else r.at_mm, line if r.y_mm is None else r.y_mm) for r in readings]
    return spots([(x, y) for x, y in at if x is not None], shown)


def all_of(names: Sequence[str]) -> str:
    """Each of them: "P, Q and R"."""
    return listed(tuple(names), len(names))
