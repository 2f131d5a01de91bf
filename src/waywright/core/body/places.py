"""Where a piece is best carried on two supports: bent least, ends parallel, or least shortened."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from waywright.core.body.beam import Beam, Carried
from waywright.core.evidence.things import FloatArray

Two = tuple[float, float]
_FINE = 401  # places along a piece where its lowest is looked for
_PARTS = 24  # of a length, over which a slope is near enough a polynomial


@dataclass(frozen=True)
class Best:
    """Two places each, mm: where it bends least (`least_um` then), where its ends are level with each other (Airy) and
    where its length changes least (Bessel)."""

    least_mm: Two
    airy_mm: Two
    bessel_mm: Two
    least_um: float


def best(beam: Beam) -> Best:
    """The best places of a piece, looked for from those of an even bar: 0.2231, 0.2113, 0.2203 of the length."""
    fine = np.linspace(0.0, beam.length_mm, _FINE)
    ends = fine[[0, -1]]

    def uneven(hung: Carried) -> FloatArray:
        """Its ends against its lowest between: three alike where it bends least, 32a³ − 24a + 5 = 0 of an even bar."""
        return np.asarray(hung.sag(ends) - hung.sag(fine[_FINE // 8 : -_FINE // 8]).max())

    least = _root(beam, uneven, 0.2231)
    airy = _root(beam, lambda hung: hung.slope(ends), 0.2113)
    return Best(least, airy, _least_shortened(beam), float(np.ptp(beam.carried(least).sag(fine))))


def _root(beam: Beam, of: Callable[[Carried], FloatArray], start: float) -> Two:
    """The two supports at which a pair of numbers is zero."""
    scale = float(np.abs(of(beam.carried(_two(beam, np.array([0.1, 0.9]))))).max())
    found = optimize.root(lambda at: of(beam.carried(_two(beam, at))) / scale, [start, 1 - start], tol=1e-12)
    return _two(beam, found.x)


def _least_shortened(beam: Beam) -> Two:
    """Where ½ ∫ δ′² dx is least."""
    points, weights = np.polynomial.legendre.leggauss(7)
    even = np.linspace(0.0, beam.length_mm, _PARTS + 1)

    def pull(at: FloatArray) -> FloatArray:
        """How it changes with either support, by a step to both sides."""
        step = 1e-4
        sides = [[shortened(at + sign * step * side) for sign in (1, -1)] for side in np.eye(2)]
        return np.array([up - down for up, down in sides])

    def shortened(at: FloatArray) -> float:
        supports = _two(beam, at)
        breaks = np.sort([*even, *supports])  # where the slope steps
        parts = np.diff(breaks)
        x = breaks[:-1, None] + parts[:, None] * 0.5 * (1 + points)
        return float(parts @ (beam.carried(supports).slope(x.ravel()).reshape(x.shape) ** 2 @ weights))

    scale = abs(pull(np.array([0.1, 0.9]))).max()
    return _two(beam, optimize.root(lambda at: pull(at) / scale, [0.2203, 0.7797], tol=1e-12).x)


def _two(beam: Beam, at: FloatArray) -> Two:
    """Two places from shares of the length, apart and on the piece."""
    low, high = np.clip(at, 0.0, 1.0)
    return float(min(low, 0.49) * beam.length_mm), float(max(high, 0.51) * beam.length_mm)
