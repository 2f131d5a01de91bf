"""Shapes of a face by how well they are known: its covariance in coordinates that do not touch one another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Spectrum:
    """The `variance` (r,) in µm², least first, of orthonormal `shapes` (n, r) that make up all beside what is free."""

    variance: Floats
    shapes: Floats

    def unseen(self, least_um: float) -> Floats:
        """(n, k) the shapes of which an RMS of `least_um` or more is left."""
        return self.shapes[:, self._first(least_um) :]

    def unseen_um(self, least_um: float) -> Floats:
        """(k,) the standard deviations of these."""
        return np.asarray(np.sqrt(self.variance[self._first(least_um) :]))

    def _first(self, least_um: float) -> int:
        return int(np.searchsorted(self.variance, len(self.shapes) * least_um**2))


def spectrum(covariance_um2: Floats, free: Floats) -> Spectrum:
    """Of what a covariance (n, n) leaves beside the orthonormal columns `free` (n, k)."""
    left = covariance_um2 - free @ (free.T @ covariance_um2)
    left -= (left @ free) @ free.T
    apart = float(max(left.max(initial=0.0), -left.min(initial=0.0))) or 1.0  # what is free comes first, and is dropped
    left -= (apart * free) @ free.T
    left += left.T.copy()
    left *= 0.5
    variance, shapes = eigh(left.T, overwrite_a=True, check_finite=False, driver="evd")
    return Spectrum(variance[free.shape[1] :], shapes[:, free.shape[1] :])


def symmetric(matrix: Floats) -> Floats:
    """(…, n, n) what rounding made uneven, evened."""
    return np.asarray((matrix + matrix.swapaxes(-1, -2)) / 2)
