"""The door for scripts: a few names on numpy arrays and the frozen types, offered by `waywright` itself.

`import waywright` costs nothing: each name is fetched when it is first used. docs/scripting.md shows them at work.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from waywright import jobfile
from waywright.core.evidence.findings import Move, Report, Verdict
from waywright.core.evidence.job import Job
from waywright.core.report import report
from waywright.jobfile.text import write_text
from waywright.views.judged import Judged, judged
from waywright.views.moves import next_words
from waywright.views.numbers import shown_in
from waywright.views.picture import ribbons_svg

if TYPE_CHECKING:
    import pandas

__all__ = [
    "Job",
    "Move",
    "Report",
    "Verdict",
    "draw",
    "heights",
    "heights_frame",
    "in_words",
    "judge_line",
    "judge_plane",
    "next_moves",
    "read_job",
    "read_text",
    "report",
]


def read_job(path: str | os.PathLike[str]) -> Job:
    """The job in a file; raises `waywright.jobfile.JobFileError` with the line of what cannot be."""
    return jobfile.read(path)


def read_text(text: str) -> Job:
    """The job in a text of the same form; raises as `read_job`."""
    return jobfile.loads(text)


def next_moves(found: Report) -> tuple[Move, ...]:
    """What to do next, best first: worked out once, when it is first asked for."""
    return found.moves


def in_words(move: Move, units: str = "mm") -> str:
    """What to do and why, in sentences; `units` "mm" or "inch"."""
    return next_words((move,), shown_in(units))


def judge_line(x_mm: Sequence[float], height_um: Sequence[float]) -> Judged:
    """Straightness of heights (n,) µm at places (n,) mm: minimum zone, least squares, end points.

    Raises ValueError for fewer than two places, places that are not apart, and numbers that are not finite.
    """
    return judged(np.asarray(x_mm, np.float64), np.asarray(height_um, np.float64))


def judge_plane(x_mm: Sequence[float], y_mm: Sequence[float], height_um: Sequence[float]) -> Judged:
    """Flatness and twist of heights (n,) µm at places (n,) mm. Raises ValueError for places all on one line."""
    x, y, h = (np.asarray(part, np.float64) for part in (x_mm, y_mm, height_um))
    return judged(x, h, y)


def draw(found: Report, path: str | os.PathLike[str], units: str = "mm") -> None:
    """Draw every face of a report into an SVG file, each a ribbon with its band; `units` "mm" or "inch"."""
    write_text(path, ribbons_svg(found, units))


def heights(found: Report) -> dict[str, NDArray[Any]]:
    """Columns (n,) over the nodes of all faces: face, x_mm, y_mm, height_um, sigma_um; NaN where nothing was read."""
    shapes = found.shapes
    return {
        "face": np.array([shape.face for shape in shapes for _ in shape.x_mm], object),
        **{
            key: np.concatenate([np.zeros(0), *(getattr(shape, key) for shape in shapes)])
            for key in ("x_mm", "y_mm", "height_um", "sigma_um")
        },
    }


def heights_frame(found: Report) -> pandas.DataFrame:
    """The columns of `heights` as a data frame; raises ImportError without pandas."""
    import pandas

    return pandas.DataFrame(heights(found))
