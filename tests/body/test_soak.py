"""A soak proved by a repeated reading: the fall is fitted, when it was steady is told, what came before named."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.kinds.test_kinds_in_job_files import HEAD
from waywright.core.body.soak import fitted, minutes_of, soaked
from waywright.jobfile import loads
from waywright.units import METRIC
from waywright.views.findings import note_words
from waywright.views.numbers import METRIC as SHOWN


@given(st.floats(-20.0, 20.0), st.floats(5.0, 100.0), st.floats(-50.0, 50.0))
def test_a_fall_is_found_again(fall: float, tau: float, rest: float) -> None:
    """Known truth in, truth out: of readings every five minutes for two hours that fall by an exponential."""
    at = np.arange(0.0, 121.0, 5.0)
    found = fitted(at, rest + fall * np.exp(-at / tau))
    told = found.rest_um + found.fall_um * np.exp(-at / found.tau_min)
    assert told == pytest.approx(rest + fall * np.exp(-at / tau), abs=2e-3 * (1 + abs(fall)))
    if abs(fall) > 2.0:
        assert found.steady_after_min() == pytest.approx(tau * np.log(abs(fall) / 0.5), rel=0.05, abs=1.0)


def test_when_it_was_steady_does_not_hang_on_when_it_is_looked_at() -> None:
    """The same fall, begun later or read in other units of height, ends as long after its first reading."""
    at = np.arange(0.0, 100.0, 7.0)
    first = fitted(at, 3 + 8 * np.exp(-at / 20)).steady_after_min()
    assert fitted(at + 600, -3 - 8 * np.exp(-at / 20)).steady_after_min() == pytest.approx(first)
    assert first == pytest.approx(20 * np.log(16), rel=0.03)


def job_of(until: int) -> str:
    """The middle of P read every ten minutes from 14:00 while it falls by 8 µm, τ = 12 min; others at 14:05."""
    rows = [f'{{ x_mm = 300, um = {3 + 8 * np.exp(-t / 12):.4f}, when = "2026-03-01 {14 + t // 60}:{t % 60:02d}" }}'
            for t in range(0, until, 10)]  # fmt: skip
    rows.append('{ x_mm = 0, um = 1, when = "14:05" }')
    return HEAD + f'[[runs]]\nface = "Q"\ninstrument = "dial"\nreadings = [ {", ".join(rows)} ]\n'


def test_it_is_said_when_it_came_to_rest_and_what_was_read_before() -> None:
    """Steady from 12 · ln(8/0.5) = 33 min on: 14:33; five readings came before."""
    (found,) = soaked(loads(job_of(90)))
    assert found.steady_at is not None
    assert minutes_of(found.steady_at) == pytest.approx(14 * 60 + 33, abs=2)
    assert len(found.early) == 5
    assert "steady within 0.5 µm from 14:3" in note_words(found, SHOWN)
    assert found.kind.words(METRIC) in note_words(found, SHOWN)


def test_what_has_not_come_to_rest_is_told_to_wait() -> None:
    """Watched for too short a while it is not steady yet."""
    (found,) = soaked(loads(job_of(40)))
    assert found.steady_at is None
    assert "has not come to rest" in note_words(found, SHOWN)


@pytest.mark.parametrize(
    ("when", "minutes"),
    [("14:40", 880.0), ("2026-03-01 7:05", 425.0), ("2026-03-01T23:59:30", 1439.0), ("at dawn", None), (None, None)],
)
def test_a_time_of_day_is_read_from_any_text(when: str | None, minutes: float | None) -> None:
    """As people write it; where there is none, none is made up."""
    assert minutes_of(when) == minutes
