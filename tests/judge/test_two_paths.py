"""Compiled and plain kernels: the same numbers to 1e-9, and the plain path on request."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from judge_references import grid, plane
from numpy.testing import assert_allclose

from waywright import kernels
from waywright.core.judge import minimax as minimax_module
from waywright.core.judge import zones
from waywright.core.judge.minimax import minimax
from waywright.core.judge.zones import minimum_zone_lines, minimum_zone_planes

KINDS: dict[str, Callable[[np.random.Generator, np.ndarray], np.ndarray]] = {
    "noise": lambda rng, x: rng.normal(size=(400, x.size)),
    "walk": lambda rng, x: np.cumsum(rng.normal(size=(400, x.size)), axis=1),
    "whole numbers": lambda rng, x: rng.integers(-2, 3, size=(400, x.size)).astype(float),
    "bow": lambda rng, x: (x - x.mean()) ** 2 + 1e-3 * rng.normal(size=(400, x.size)),
    "level": lambda rng, x: np.full((400, x.size), 3.3),
    "steep": lambda rng, x: 1e5 * x + rng.normal(size=(400, x.size)),
}


@pytest.fixture
def both_paths(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], np.ndarray]], tuple[np.ndarray, np.ndarray]]:
    if kernels.path_in_use() != "numba":
        pytest.skip(
            "numba is not installed (or WAYWRIGHT_PLAIN is set): there is one path only, and nothing to compare"
        )

    for room in (minimax_module, zones):  # however little there is to do
        monkeypatch.setattr(room, "MANY_NUMBERS", 0)

    def run(call: Callable[[], np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
        fast = call()
        with kernels.plain():
            assert kernels.path_in_use() == "numpy"
            return fast, call()

    return run


@pytest.mark.parametrize("kind", KINDS)
def test_lines(kind, both_paths) -> None:
    """Zones of many profiles agree on both paths, with uneven and repeated places."""
    rng = np.random.default_rng(1)
    for x in (np.arange(9.0), np.sort(rng.uniform(0, 50, 30)), np.array([0, 0, 1, 3, 3, 3, 4, 8, 8.0])):
        draws = KINDS[kind](rng, x)
        fast, slow = both_paths(lambda x=x, draws=draws: minimum_zone_lines(x, draws))
        assert_allclose(fast, slow, rtol=1e-9, atol=1e-9 * np.abs(draws).max() * 1e-3)


@pytest.mark.parametrize("kind", KINDS)
def test_planes(kind, both_paths) -> None:
    """Zones of many surfaces agree on both paths, on grids and scattered places."""
    rng = np.random.default_rng(2)
    for x, y in (grid(13, 3), grid(13, 5), rng.uniform(0, 50, (2, 20))):
        draws = KINDS[kind](rng, x) + 0.3 * x * y
        fast, slow = both_paths(lambda x=x, y=y, draws=draws: minimum_zone_planes(x, y, draws))
        assert_allclose(fast, slow, rtol=1e-9, atol=1e-9 * np.abs(draws).max() * 1e-3)


@given(st.integers(0, 2**32 - 1), st.integers(2, 9), st.integers(1, 4), st.sampled_from([0.0, 1e-9, 1e-3]))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_grid(both_paths, seed, columns, rows, off) -> None:
    """Whatever the grid, however nearly regular and however tied the heights, both paths agree."""
    rng = np.random.default_rng(seed)
    x, y = grid(columns, rows)
    x, y = x + off * rng.normal(size=x.size), y + off * rng.normal(size=x.size)
    draws = rng.integers(-2, 3, size=(120, x.size)) + off * rng.normal(size=(120, x.size))
    assert_allclose(*both_paths(lambda: minimum_zone_planes(x, y, draws)), rtol=1e-9, atol=1e-9)
    assert_allclose(*both_paths(lambda: minimum_zone_lines(x, draws)), rtol=1e-9, atol=1e-9)


def test_fits_with_scattered_places(both_paths) -> None:
    """Where the best plane is the only one, its coefficients agree as well."""
    rng = np.random.default_rng(3)
    columns, draws = plane(*rng.uniform(0, 1, (2, 25))), rng.normal(size=(300, 25))
    fast, slow = both_paths(lambda: minimax(columns, draws).coefficients)
    assert_allclose(fast, slow, atol=1e-9)


@pytest.mark.parametrize(("value", "path"), [("1", "numpy"), ("0", None)])
def test_plain_on_request(value, path) -> None:
    """WAYWRIGHT_PLAIN=1 keeps numba out of the process; the path in use can be asked for."""
    code = (
        "import sys, numpy as np; from waywright import kernels; from waywright.core.judge import zones;"
        "zones.minimum_zone_lines(np.arange(9.0), np.random.default_rng(0).normal(size=(60_000, 9)));"
        "print(kernels.path_in_use(), 'numba' in sys.modules)"
    )
    environment = os.environ | {"WAYWRIGHT_PLAIN": value}
    told = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    in_use, loaded = told.stdout.split()
    assert in_use == (path or in_use)
    assert (in_use == "numba") == (loaded == "True")


def test_a_single_profile_does_not_load_numba() -> None:
    """One profile from a file is judged before numba would have loaded."""
    code = (
        "import sys; from waywright.core.judge import zones; zones.straightness(range(50), [0, 1] * 25);"
        "print('numba' in sys.modules)"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "False"
