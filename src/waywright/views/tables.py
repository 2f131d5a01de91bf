"""Heights as tables, with a caption that says what was decided of the face."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from waywright.core.evidence.findings import Shape
from waywright.views.numbers import BAND, NONE, UNKNOWN_UM, Shown, plural

MOST_STATIONS = 41  # rows of a table that a person still reads


@dataclass(frozen=True)
class Row:
    """One station: its place and, for each line, height and band; `NONE` where nothing was read."""

    x: str
    cells: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class ShapeTable:
    """A face's heights, station by station, a column for each line; no rows while nothing is known of it."""

    face: str
    caption: str
    lines: tuple[str, ...]
    rows: tuple[Row, ...]
    left_out: int  # stations between the rows shown
    partly: bool = False  # a shape of it is not seen, and is left out of the heights and of their bands
    zones: str = ""  # of the heights as they stand, a detail: verdicts have other numbers


def shape_table(shape: Shape, shown: Shown, decided: str = "") -> ShapeTable:
    """The heights as a table; a caption with what was `decided` of the face."""
    partly, shape = shape.seen_um is not None, shape.as_seen
    lines, usual = len(shape.lines_mm), usual_band_um(shape)
    if usual is None or usual > UNKNOWN_UM:
        return ShapeTable(
            shape.face, _state(shape, "its shape is not known yet" + (f", {decided}" if decided else "")), (), (), 0
        )
    stations = len(shape.x_mm) // lines
    kept = _spread(stations)
    rows = []
    for i in kept:
        cells = []
        for node in range(i * lines, (i + 1) * lines):
            h, u = float(shape.height_um[node]), float(shape.sigma_um[node])
            read = math.isfinite(h)
            cells.append((shown.heights(h, usual, sign=True), shown.heights(BAND * u, usual)) if read else (NONE, ""))
        rows.append((shown.lengths(float(shape.x_mm[i * lines])), tuple(cells)))
    names = line_names(shape.lines_mm, shown) if lines > 1 else ("height",)
    caption = _state(shape, ", ".join(filter(None, ["as far as it is seen" if partly else "", decided])))
    zones = "" if partly else _zones(shape, shown)
    return ShapeTable(shape.face, caption, names, _aligned(rows), stations - len(kept), partly, zones)


def _aligned(rows: list[tuple[str, tuple[tuple[str, str], ...]]]) -> tuple[Row, ...]:
    """Rows whose places all have as many decimals as the finest needs: 21.850 under 18.898."""
    parts = [x.partition(".") for x, _ in rows]
    places = max(len(decimals) for _, _, decimals in parts)
    shown = [f"{whole}.{decimals:0<{places}}" if places else whole for whole, _, decimals in parts]
    return tuple(Row(x, cells) for x, (_, cells) in zip(shown, rows, strict=True))


def usual_band_um(shape: Shape) -> float | None:
    """The 95 % band that is usual on a face: it says how many digits matter, the same for all of its heights."""
    return BAND * float(np.nanmedian(shape.sigma_um)) if np.isfinite(shape.sigma_um).any() else None


def _twist_band(shape: Shape) -> float:
    """About how well the twist is known, µm/m, as if the heights were independent: only to choose its digits."""
    read = np.isfinite(shape.height_um)
    x, y, u = shape.x_mm[read], shape.y_mm[read], shape.sigma_um[read]
    weights = np.linalg.pinv(np.column_stack([np.ones_like(x), x, y, x * y]))[3]
    return BAND * float(np.sqrt(np.sum((weights * u) ** 2))) * float(np.ptp(x)) * 1e3


def _spread(stations: int) -> list[int]:
    """Which stations a table shows: all, or so many evenly from first to last."""
    if stations <= MOST_STATIONS:
        return list(range(stations))
    return [round(i * (stations - 1) / (MOST_STATIONS - 1)) for i in range(MOST_STATIONS)]


def line_names(lines_mm: Sequence[float], shown: Shown) -> tuple[str, ...]:
    """Each by a name of its own: where two lie on one side of the middle, by their places alone."""
    alike = any(sum(y * side > 0 for y in lines_mm) > 1 for side in (-1, 1))
    return tuple(line_place(y, shown) if alike else line_name(y, shown) for y in lines_mm)


def line_name(y_mm: float, shown: Shown) -> str:
    """ "far, y 14"."""
    return f"{'far' if y_mm > 0 else 'near' if y_mm < 0 else 'middle'}, {line_place(y_mm, shown)}"


def line_place(y_mm: float, shown: Shown) -> str:
    """ "y 14"."""
    return f"y {shown.lengths(y_mm)}"


def _zones(shape: Shape, shown: Shown) -> str:
    """The zones of the heights as they stand; a verdict's value is less, for it knows that noise adds to a zone."""
    usual = usual_band_um(shape)
    zones = [z for z in shape.straightness_um if z is not None]
    parts: list[str] = []
    if zones:
        which = "straight to" if len(shape.lines_mm) == 1 else "worst line straight to"
        parts.append(f"{which} {shown.height_text(max(zones), usual)}")
    if shape.flatness_um is not None:
        parts.append(f"flat to {shown.height_text(shape.flatness_um, usual)}")
    if shape.twist_um_per_m is not None:
        parts.append(f"twist {shown.slope_text(shape.twist_um_per_m, _twist_band(shape))}")
    return f"Of the heights as they stand, noise in it: {', '.join(parts)}." if parts else ""


def _state(shape: Shape, words: str) -> str:
    """The words, behind how often the face was cut."""
    cut = f"after {plural(shape.state, 'pass', 'passes')}" if shape.state else ""
    return ", ".join(filter(None, [cut, words]))
