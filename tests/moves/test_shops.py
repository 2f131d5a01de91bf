"""Whole shops worked by their first move alone: each ends, and no move contradicts a verdict (studies/shops.py)."""

from __future__ import annotations

import numpy as np
import pytest

from studies.shops import ENDS, SEED, drawn, follow
from waywright.core.evidence.findings import Grounds, Verdict
from waywright.core.next.closer import chances

QUICK = (1, 3, 5, 7, 13, 17, 25, 33, 52)  # of every kind of shop; some seconds in all


@pytest.mark.parametrize("number", QUICK)
def test_following_the_first_move_ends_without_a_contradiction(number: int) -> None:
    """It ends with a word on every face; nothing is scraped that is inside, nor read; no move is asked for twice of the
    same metal; the minutes told are those counted; and hardly a verdict at the end is wrong."""
    shop = drawn(np.random.default_rng([SEED, number]))
    walk = follow(shop, np.random.default_rng([SEED, number, 1]))
    assert walk.end in ENDS[:-1]
    assert walk.faults == []
    assert walk.minutes_told == pytest.approx(walk.minutes, rel=0.2)
    assert walk.wrong == 0


@pytest.mark.parametrize("value", [5.2, 6.0, 6.5])
def test_a_forecast_is_what_simulated_readings_come_to(value: float) -> None:
    """The chances that a verdict will be inside, and outside, when half its uncertainty is left: as 200,000 simulated
    truths and readings of them have it, to 0.5 %."""
    u, left, limit = 0.8, 0.5, 6.0
    verdict = Verdict(
        "P", "straightness", value, (value - 1.96 * u, value + 1.96 * u), limit, "between", None, "open", Grounds(), ""
    )
    rng = np.random.default_rng(1)
    true = value + u * rng.standard_normal(200_000)
    new_u = u * left / np.sqrt(1 - left**2)  # of the new readings alone: with the old ones `left` of u is left
    read = true + new_u * rng.standard_normal(true.size)
    then = (value / u**2 + read / new_u**2) * (u * left) ** 2
    told = chances(verdict, left)
    assert told[0] == pytest.approx(np.mean(then + 1.645 * u * left <= limit), abs=0.005)
    assert told[1] == pytest.approx(np.mean(then - 1.645 * u * left >= limit), abs=0.005)
