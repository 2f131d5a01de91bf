"""Published least-squares problems through the project's own rows, every unknown without a prior."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from scipy import sparse

from waywright.core.adjust.columns import Rows, Unknown
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.rows import Influence, Label
from waywright.core.evidence.things import FloatArray


def fitted(columns: Sequence[FloatArray], values: Sequence[float], u: float | Sequence[float] = 1.0) -> Solution:
    """Least squares of `values` ± u on `columns`, one free unknown each."""
    value = np.asarray(values, float)
    sigma = np.broadcast_to(np.asarray(u, float), value.shape).copy()
    n = len(value)
    rows = Rows(
        matrix=sparse.csr_matrix(np.column_stack(columns)),
        value_um=value,
        u_um=sigma,
        reading_ids=tuple(f"row {i}" for i in range(n)),
        sense=np.zeros(n, np.intp),
        noise_um2={Influence("reading"): sigma**2},
        instrument=np.zeros(n, np.intp),
        instruments=("any",),
    )
    unknowns = tuple(Unknown(Label(None, f"x{i}"), slice(i, i + 1)) for i in range(len(columns)))
    return Solution(unknowns, rows)


def chi2(solution: Solution) -> float:
    return float(solution.residuals @ solution.residuals)


def scatter(solution: Solution) -> float:
    """The residual standard deviation s, for u = 1."""
    return float(np.sqrt(chi2(solution) / solution.redundancies.sum()))


# JCGM 100:2008 (GUM), example H.3, table H.6: thermometer calibration; t in °C, correction b in °C, t0 = 20 °C.
GUM_H3 = """
21.521 -0.171   22.012 -0.169   22.512 -0.166   23.003 -0.159   23.507 -0.164   23.999 -0.165
24.513 -0.156   25.002 -0.157   25.503 -0.159   26.010 -0.161   26.511 -0.160
"""


def test_gum_h3() -> None:
    """GUM H.3.3-H.3.4: y1 = −0.1712 (29), y2 = 0.00218 (67), r = −0.930, b(30 °C) = −0.1494 (41)."""
    t, b = np.array(GUM_H3.split(), float).reshape(-1, 2).T
    solution = fitted([np.ones_like(t), t - 20], b)
    s = scatter(solution)
    covariance = solution.covariance(np.eye(2)) * s**2
    u = np.sqrt(np.diag(covariance))
    at_30 = np.array([1.0, 10.0])
    assert solution.redundancies.sum() == pytest.approx(9)
    assert s == pytest.approx(0.0035, abs=5e-5)
    assert [round(y, d) for y, d in zip(solution.mean_um, (4, 5), strict=True)] == [-0.1712, 0.00218]
    assert [round(y, d) for y, d in zip(u, (4, 5), strict=True)] == [0.0029, 0.00067]
    assert round(covariance[0, 1] / u[0] / u[1], 3) == -0.930
    assert round(float(at_30 @ solution.mean_um), 4) == -0.1494
    assert round(float(solution.sigma(at_30)) * s, 4) == 0.0041


def test_iso_28037_example_1() -> None:
    """ISO/TS 28037:2010, example 1: a 1.867 (0.465), b 1.757 (0.120), cov −0.050, χ² 1.665; and a reading y =
    10.5 (0.5) evaluated with that line: x = 4.913 (0.322), here by one more row and one more unknown."""
    x, y = np.arange(1.0, 7.0), np.array([3.3, 5.6, 7.1, 9.3, 10.7, 12.1])
    solution = fitted([np.ones(6), x], y, 0.5)
    covariance = solution.covariance(np.eye(2))
    assert solution.mean_um == pytest.approx([1.867, 1.757], abs=5e-4)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.465, 0.120], abs=5e-4)
    assert covariance[0, 1] == pytest.approx(-0.050, abs=5e-4)
    assert chi2(solution) == pytest.approx(1.665, abs=5e-4)
    # y = a + b·x, linear in b·x = bx: x = bx / b by the law of propagation.
    joint = fitted([np.r_[np.ones(6), 1.0], np.r_[x, 0.0], np.r_[np.zeros(6), 1.0]], np.r_[y, 10.5], 0.5)
    _, b, bx = joint.mean_um
    assert bx / b == pytest.approx(4.913, abs=5e-4)
    assert joint.sigma(np.array([0.0, -bx / b**2, 1 / b])) == pytest.approx(0.322, abs=5e-4)


# NIST Statistical Reference Datasets, linear regression, "Norris" (y x), certified values on the same page.
NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6
557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1
888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""


def test_nist_norris() -> None:
    """NIST StRD Norris: certified coefficients, their standard deviations and s, to eight digits."""
    y, x = np.array(NORRIS.split(), float).reshape(-1, 2).T
    solution = fitted([np.ones_like(x), x], y)
    s = scatter(solution)
    assert solution.mean_um == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-8)
    assert solution.sigma(np.eye(2)) * s == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-8)
    assert s == pytest.approx(0.884796396144373, rel=1e-8)


@pytest.mark.parametrize(
    ("x", "y", "slope", "sigma"),
    [
        (range(60, 71), range(130, 141), 2.07438016528926, 0.0165289256198347),
        ((4, 5, 6), (3, 4, 4), 0.727272727272727, 0.0420827318078432),
    ],
    ids=["NoInt1", "NoInt2"],
)
def test_nist_without_a_constant(x: Sequence[float], y: Sequence[float], slope: float, sigma: float) -> None:
    """NIST StRD NoInt1 and NoInt2: a line through the origin, certified slope and standard deviation."""
    solution = fitted([np.asarray(x, float)], y)
    assert solution.mean_um == pytest.approx([slope], rel=1e-8)
    assert solution.sigma(np.eye(1)) * scatter(solution) == pytest.approx([sigma], rel=1e-8)


# NIST StRD Wampler2, y for x = 0 … 20.
WAMPLER_2 = """
1.00000 1.11111 1.24992 1.42753 1.65984 1.96875 2.38336 2.94117 3.68928 4.68559 6.00000 7.71561 9.92992 12.75603
16.32384 20.78125 26.29536 33.05367 41.26528 51.16209 63.00000
"""


@pytest.mark.parametrize(
    ("y", "certified"),
    [
        # Wampler1 is Σ xᵏ, k = 0 … 5, exactly: the published column.
        ([sum(x**k for k in range(6)) for x in range(21)], [1.0] * 6),
        ([float(y) for y in WAMPLER_2.split()], [1, 0.1, 0.01, 0.001, 1e-4, 1e-5]),
    ],
    ids=["Wampler1", "Wampler2"],
)
def test_nist_wampler(y: list[float], certified: list[float]) -> None:
    """NIST StRD Wampler1 and Wampler2: a fifth-degree polynomial on 0 … 20, certified coefficients to seven digits."""
    x = np.arange(21.0)
    solution = fitted([x**k for k in range(6)], y)
    assert solution.mean_um == pytest.approx(certified, rel=1e-7)
    # The certified residual standard deviation is 0: what is left is rounding of the column.
    assert scatter(solution) < 1e-9 * max(y)


def test_wampler_1_is_the_published_column() -> None:
    """NIST StRD Wampler1 as published: its first, a middle and its last row."""
    assert [sum(x**k for k in range(6)) for x in (0, 1, 10, 20)] == [1, 6, 111111, 3368421]
