"""Inside, outside or open: decisions by ISO 14253-1, chances by JCGM 106:2012.

*guarded* (the default of ISO 14253-1:2017): inside when the chance of conformance is at least 95 %, outside when the
chance of non-conformance is; what lies between is open. With a normal value and one limit this is the limit shrunk,
or widened, by a guard band of 1.645 u. *simple*: the value alone decides (JCGM 106, 8.2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from waywright.core.judge.limits import Limit

Floats = NDArray[np.float64]
Word = Literal["inside", "outside", "open"]
RULES = ("guarded", "simple")


@dataclass(frozen=True)
class Decision:
    """The word, and what it is made of; `guard_band_um` is in the unit of the limit, 0 for the simple rule.

    The guard band tells how far inside a single limit the value must lie to be called inside. `level`: the chance that
    was asked for, None by the simple rule. `wrong_side`: the value is of the sign that the limit does not allow.
    """

    word: Word
    chance_inside: float
    guard_band_um: float
    level: float | None
    wrong_side: bool


def decide(values: Floats | tuple[float, float], limit: Limit, rule: str = "guarded", level: float = 0.95) -> Decision:
    """Decide on `values`: m draws (m,) of what is limited, or a (value, standard uncertainty) taken as normal.

    The value that decides under the simple rule is the mean of the draws. Raises ValueError for an unknown rule, a
    level not between 0.5 and 1, a negative uncertainty and anything that is not a finite number.
    """
    if rule not in RULES:
        raise ValueError(f"The decision rule is one of {', '.join(RULES)}; {rule!r} is neither.")
    if not 0.5 < level < 1.0:
        raise ValueError(f"The level of a decision lies between 0.5 and 1, not at {level:g}.")
    low, high = limit.interval()
    if isinstance(values, tuple):
        value, u = values
        chance = chance_inside(value, u, low, high)
        guard = float(ndtri(level)) * u
    else:
        draws = np.asarray(values, dtype=float).ravel()
        if draws.size == 0 or not np.isfinite(draws).all():
            raise ValueError("A draw is missing or not a finite number: there is nothing to decide on.")
        value = float(draws.mean())
        chance = float(((draws >= low) & (draws <= high)).mean())
        guard = _guard_of_draws(draws, value, low, high, level)
    if rule == "simple":
        word: Word = "inside" if low <= value <= high else "outside"
        return Decision(word, chance, 0.0, None, limit.wrong_side(value))
    word = "inside" if chance >= level else "outside" if chance <= 1.0 - level else "open"
    return Decision(word, chance, guard, level, limit.wrong_side(value))


def chance_inside(value: float, u: float, low: float = -math.inf, high: float = math.inf) -> float:
    """Conformance probability of a normal value with standard uncertainty `u` (JCGM 106:2012, 7.2-7.4).

    A `u` of 0 gives 1 or 0. Raises ValueError for a negative `u` and for what is not a finite number.
    """
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0.0):
        raise ValueError(f"A value of {value:g} with an uncertainty of {u:g} cannot be decided on.")
    if u == 0.0:
        return float(low <= value <= high)
    # from the nearer tail, so that small chances keep their digits
    above, below = (low - value) / u, (high - value) / u
    chance = ndtr(-above) - ndtr(-below) if above > 0.0 else ndtr(below) - ndtr(above)
    return float(chance)


def _guard_of_draws(draws: Floats, value: float, low: float, high: float, level: float) -> float:
    """How far the value must keep from the nearer limit, so that `level` of such draws keep it too."""
    if high - value <= value - low:
        guard = float(np.quantile(draws, level)) - value
    else:
        guard = value - float(np.quantile(draws, 1.0 - level))
    return max(guard, 0.0)
