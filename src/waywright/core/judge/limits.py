"""Limits, with a side where the standard gives one, and the sign that a side asks for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waywright.core.judge._places import checked_line, checked_plane
from waywright.core.judge.minimax import orthonormal

Floats = NDArray[np.float64]
Side = Literal["between", "at most", "middle high only", "hollow only", "rise only"]
SIDES: tuple[str, ...] = get_args(Side)

_ONLY = ("middle high only", "hollow only", "rise only")  # sides that ask for a sign


@dataclass(frozen=True)
class Limit:
    """A limit in the unit of what it limits (µm, or µm/m for a twist), and its side.

    *between*: from −value, or from `lower` where given, to value; for a measure without a sign the same as *at most*.
    *at most*: no more than value. *middle high only*, *rise only*: from 0 to value. *hollow only*: from −value to 0.
    A straightness that has a side is signed by `crown_um`: + when the middle is high.
    Raises ValueError for a limit below 0, one that is not a number, and an unknown side.
    """

    value: float
    side: str = "between"
    lower: float | None = None

    def __post_init__(self) -> None:
        if self.side not in SIDES:
            raise ValueError(f"The side of a limit is one of {', '.join(SIDES)}; {self.side!r} is none of them.")
        if self.lower is None:
            if not (math.isfinite(self.value) and self.value >= 0.0):
                raise ValueError(f"A limit is a number of 0 or more, not {self.value:g}.")
        elif self.side != "between" or not (math.isfinite(self.lower) and self.lower < self.value < math.inf):
            raise ValueError(f"Between {self.lower:g} and {self.value:g} nothing can lie: give the lower limit first.")

    @property
    def signed(self) -> bool:
        """Whether the value it is held against must tell hollow from crowned, or rise from fall."""
        return self.side in _ONLY

    def interval(self) -> tuple[float, float]:
        """Least and greatest value allowed."""
        if self.lower is not None:
            return self.lower, self.value
        return {
            "between": (-self.value, self.value),
            "at most": (-math.inf, self.value),
            "middle high only": (0.0, self.value),
            "hollow only": (-self.value, 0.0),
            "rise only": (0.0, self.value),
        }[self.side]

    def wrong_side(self, value: float) -> bool:
        """Whether a value is of the sign that is not allowed."""
        return self.signed and value != 0.0 and (value < 0.0) != (self.side == "hollow only")


def crown_um(x_mm: ArrayLike, height_um: ArrayLike, y_mm: ArrayLike | None = None) -> Floats:
    """(m,) µm: how high the middle stands above the ends, by least-squares parabola; negative for a hollow.

    `height_um`: (m, n) or (n,) at `x_mm` (n,); with `y_mm` (n,) the middle of a surface above its corners, along and
    across together. The parabola is taken over what was read, whose middle and ends are meant. 0 when there are too
    few places to tell. Errors as for `straightness` and `flatness`.
    """
    if y_mm is None:
        x, heights = checked_line(x_mm, height_um)
        plain, bent = [np.ones(x.size), _span(x)], [_span(x) ** 2]
    else:
        x, y, heights = checked_plane(x_mm, y_mm, height_um)
        s, t = _span(x), _span(y)
        plain, bent = [np.ones(x.size), s, t, s * t], [s**2, t**2]
    frame = orthonormal(np.stack([*plain, *bent], axis=1))
    coefficients = frame.coefficients(frame.parts(heights))
    return np.asarray(-coefficients[:, len(plain) :].sum(axis=1))  # at the ends s² = 1


def signed_um(zone_um: ArrayLike, crown: ArrayLike) -> Floats:
    """A zone with the sign of its crown: + when the middle is high, − when it is hollow. Shapes (m,) and (m,)."""
    return np.asarray(np.where(np.asarray(crown) >= 0.0, 1.0, -1.0) * np.asarray(zone_um, dtype=float))


def _span(place: Floats) -> Floats:
    """−1 at one end, 1 at the other; 0 when there is one place only."""
    low, high = float(place.min()), float(place.max())
    return (2.0 * place - low - high) / (high - low) if high > low else np.zeros(place.size)
