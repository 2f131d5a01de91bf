"""The best fit in the largest deviation: a numerical library's published examples, and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest
from judge_references import grid, plane, program_deviation
from numpy.testing import assert_allclose

from waywright.core.judge import minimax as minimax_module
from waywright.core.judge.minimax import minimax, orthonormal


def test_three_exponentials() -> None:
    """a·e^t + b·e^−t + c through five points: 1.0049, 2.0149, 1.4822, largest residual 1.03e-3 (NAG manual E02GCF)."""
    t = np.array([0, 0.2, 0.4, 0.6, 0.8])
    best = minimax(np.c_[np.exp(t), np.exp(-t), np.ones(5)], [4.501, 4.360, 4.333, 4.418, 4.625])
    assert_allclose(best.coefficients[0], [1.0049, 2.0149, 1.4822], atol=5e-5)
    assert_allclose(best.deviation[0], 1.03e-3, atol=5e-6)


def test_degree_five_to_the_exponential() -> None:
    """e^x on 21 points of [0, 1] by degree five: reference deviation 1.09e-6 (NAG manual E02ALF)."""
    x = np.arange(21) / 20
    y = np.round(np.exp(x), 10)  # the manual's data are ten decimals
    assert y[[1, 10, 19]].tolist() == [1.0512710964, 1.6487212707, 2.5857096593]  # three of them, as printed
    assert_allclose(minimax(np.vander(x, 6), y).deviation[0], 1.09e-6, atol=5e-9)


def test_random_fits_match_the_linear_program() -> None:
    """Fits of one to six columns to random values deviate as little as HiGHS finds."""
    rng = np.random.default_rng(4)
    for k in range(1, 7):
        columns = rng.normal(size=(40, k))
        values = rng.normal(size=(20, 40))
        best = minimax(columns, values)
        assert_allclose(best.deviation, [program_deviation(columns, value) for value in values], rtol=1e-9)
        assert_allclose(np.abs(values - best.coefficients @ columns.T).max(axis=1), best.deviation, rtol=1e-9)
        assert_allclose(np.abs(best.weights).sum(axis=1), 1.0)
        assert_allclose((np.take_along_axis(values, best.touch, 1) * best.weights).sum(axis=1), best.deviation)


def test_values_that_fit_exactly() -> None:
    """A perfect fit deviates by nothing but rounding, and its coefficients come back."""
    x = np.linspace(0, 1, 30)
    best = minimax(np.c_[np.ones(30), x, x**2], 5 - 3 * x + 2 * x**2)
    assert_allclose(best.coefficients[0], [5, -3, 2], atol=1e-12)
    assert best.deviation[0] < 1e-14


@pytest.mark.parametrize("off", [1e-14, 1e-12, 1e-10, 1e-8, 1e-6, 1e-4])
def test_places_all_but_on_lines_and_on_each_other(off) -> None:
    """A grid that is off by a little, every node read twice a little apart: as exact as on the true grid."""
    rng = np.random.default_rng(6)
    x, y = (np.tile(place, 2) for place in grid(8, 3))
    values = rng.integers(-2, 3, size=(150, x.size)).astype(float)
    near = minimax(plane(x + off * rng.normal(size=x.size), y + off * rng.normal(size=x.size)), values)
    assert_allclose(near.deviation, minimax(plane(x, y), values).deviation, rtol=30 * off + 1e-10)
    assert_allclose((np.take_along_axis(values, near.touch, 1) * near.weights).sum(axis=1), near.deviation, rtol=1e-9)


def test_what_the_exchange_cannot_prove_goes_to_a_linear_program(monkeypatch) -> None:
    """With nothing taken as proved every draw goes to the linear program, and comes back the same."""
    rng = np.random.default_rng(7)
    columns, values = plane(*rng.uniform(size=(2, 30))), rng.normal(size=(12, 30))
    exchanged = minimax(columns, values)
    asked = []
    program = minimax_module._program
    monkeypatch.setattr(minimax_module, "_program", lambda *given: asked.append(1) or program(*given))
    minimax(columns, values)
    assert asked == []
    monkeypatch.setattr(minimax_module, "PROVED", -np.inf)
    programmed = minimax(columns, values)
    assert len(asked) == 12
    assert_allclose(programmed.deviation, exchanged.deviation, rtol=1e-9)
    assert_allclose(programmed.coefficients, exchanged.coefficients, atol=1e-8)
    assert_allclose(
        (np.take_along_axis(values, programmed.touch, 1) * programmed.weights).sum(axis=1), exchanged.deviation
    )


@pytest.mark.parametrize(
    ("columns", "values", "words"),
    [
        (np.ones((4, 2)), [1, 2, 3, 4], "depend on each other"),
        (np.eye(3), [1, 2, 3], "take more than 3"),
        (np.ones((4, 1)), [1, 2, np.inf, 4], "finite number"),
        (np.ones((4, 1)), [1, 2, 3], "one value a place"),
    ],
)
def test_what_cannot_be_fitted_is_refused(columns, values, words) -> None:
    """Dependent columns, too few readings, missing values and unequal lengths are told in a sentence."""
    with pytest.raises(ValueError, match=words):
        minimax(columns, values)


def test_orthonormal_rows_rebuild_the_columns() -> None:
    """columns = (mixing @ basis).T with basis @ basis.T = n, far from the origin and of very different sizes too."""
    rng = np.random.default_rng(0)
    columns = np.c_[np.ones(50), 1e6 + rng.normal(size=50), 1e-6 * rng.normal(size=50)]
    frame = orthonormal(columns)
    assert_allclose(frame.basis @ frame.basis.T, 50 * np.eye(3), atol=1e-12)
    assert_allclose((frame.mixing @ frame.basis).T, columns, rtol=1e-9, atol=1e-15)


def test_explained_columns_are_left_out() -> None:
    """A column that those before it explain is not kept, and its coefficient is 0; the fit is the same."""
    rng = np.random.default_rng(0)
    x, values = np.arange(8.0), rng.normal(size=(3, 8))
    frame = orthonormal(np.c_[np.ones(8), x, 3 - 2 * x, x**2])
    assert frame.kept == [0, 1, 3]
    found = frame.coefficients(frame.parts(values))
    assert_allclose(found[:, [3, 1, 0]], [np.polyfit(x, value, 2) for value in values])
    assert (found[:, 2] == 0.0).all()
