"""Faces with shapes and draws for the tests of scraping."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st

from waywright.core.evidence.things import Face, FloatArray
from waywright.core.work.maps import ScrapingMap


def face(
    length_mm: float = 600.0, stations: int = 13, lines_mm: tuple[float, ...] = (0.0,), width_mm: float = 40.0
) -> Face:
    """A face with stations from end to end."""
    return Face("P", length_mm, width_mm, tuple(np.linspace(0.0, length_mm, stations).tolist()), lines_mm)


def even(x_mm: FloatArray, y_mm: FloatArray, height_um: FloatArray) -> FloatArray:
    """Heights about their least-squares plane (line)."""
    columns = np.stack([np.ones(len(x_mm)), x_mm, y_mm], axis=1)
    return np.asarray(height_um - columns @ np.linalg.lstsq(columns, height_um, rcond=None)[0])


def about(
    x_mm: FloatArray, y_mm: FloatArray, height_um: FloatArray, u_um: float, seed: int, count: int = 300
) -> FloatArray:
    """(count, n) draws about heights, smooth along, of that standard deviation; their mean is the heights exactly."""
    rng = np.random.default_rng(seed)
    s = 2 * (x_mm - x_mm.min()) / max(float(np.ptp(x_mm)), 1.0) - 1
    t = 2 * y_mm / max(float(np.ptp(y_mm)), 1.0)
    modes = np.stack([s**2, s**3, s**4, s * t, np.cos(5 * s), np.sin(5 * s)])
    noise = 0.5 * rng.standard_normal((count, len(modes))) @ modes + 0.7 * rng.standard_normal((count, len(x_mm)))
    return np.asarray(height_um + u_um * (noise - noise.mean(axis=0)))


@dataclass(frozen=True)
class Drawn:
    """A face, its heights at all nodes and draws about them."""

    face: Face
    height_um: FloatArray
    draws_um: FloatArray


@st.composite
def drawn(draw: st.DrawFn, least_um: float = 2.0) -> Drawn:
    """A bowed, twisted, wavy face of one to three lines, known to some tenths of a µm or to a few µm."""
    lines = draw(st.sampled_from([(0.0,), (-14.0, 14.0), (-15.0, 0.0, 15.0)]))
    one = face(25.0 * draw(st.integers(10, 30)), draw(st.integers(5, 13)), lines)
    seed = draw(st.integers(0, 10_000))
    rng = np.random.default_rng(seed)
    s, t = 2 * one.x_mm / one.length_mm - 1, one.y_mm / 20.0
    modes = np.stack([s**2, s**3, s**4, s * t, s**2 * t, np.cos(4 * s)])
    size = draw(st.floats(least_um, 15.0))
    height = even(
        one.x_mm, one.y_mm, size * rng.standard_normal(len(modes)) @ modes + 0.1 * size * rng.standard_normal(len(s))
    )
    return Drawn(one, height, about(one.x_mm, one.y_mm, height, draw(st.floats(0.05, 2.0)), seed))


def passes_at(found: ScrapingMap, one: Face) -> FloatArray:
    """(n,) passes over each node of a face; a place where squares meet feels their mean."""
    along = _touching(one.x_mm, found.x_mm)
    across = _touching(one.y_mm, found.y_mm) if len(found.y_mm) > 2 else np.ones((len(one.y_mm), 1), bool)
    both = across[:, :, None] & along[:, None, :]
    return np.asarray((both * found.passes).sum(axis=(1, 2)) / np.maximum(both.sum(axis=(1, 2)), 1))


def _touching(at: FloatArray, lines: FloatArray) -> FloatArray:
    return np.asarray((at[:, None] >= lines[:-1] - 1e-6) & (at[:, None] <= lines[1:] + 1e-6))
