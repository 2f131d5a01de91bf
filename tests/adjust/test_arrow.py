"""The factor of a sparse matrix with a dense border, against numpy's dense inverse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import sparse

from waywright.core.adjust.arrow import ArrowheadFactor, NotPositive
from waywright.core.evidence.things import FloatArray


def grid(stations: int, lines: int, folded: bool, rng: np.random.Generator) -> sparse.csr_matrix:
    """Readings of neighbours on a grid, folded in the middle when told, as rows over its nodes."""
    rows = []
    number = np.arange(stations * lines).reshape(stations, lines)
    mirror = number[::-1] if folded else number
    for a, b in ((number[1:], number[:-1]), (number[:, 1:], number[:, :-1]), (number, mirror[:, ::-1])):
        for i, j in zip(a.ravel(), b.ravel(), strict=True):
            row = np.zeros(stations * lines)
            row[i] += rng.normal()
            row[j] += rng.normal()
            rows.append(row)
    return sparse.csr_matrix(np.array(rows))


def scattered(n: int, rng: np.random.Generator) -> sparse.csr_matrix:
    """Rows over any three nodes."""
    return sparse.random_array((2 * n, n), density=min(1.0, 3 / n), rng=rng, format="csr")


def parts(
    rows: sparse.csr_matrix, border: int, rng: np.random.Generator
) -> tuple[sparse.csr_matrix, FloatArray, FloatArray]:
    """Inner, side and corner of the normal matrix of rows over nodes and a border that each row shares."""
    own = rng.normal(size=(rows.shape[0], border))
    inner = (rows.T @ rows + sparse.eye_array(rows.shape[1])).tocsr()
    return inner, np.asarray(rows.T @ own), own.T @ own + np.eye(border)


def as_rows(rows: sparse.csr_matrix, border: int, rng: np.random.Generator) -> tuple[sparse.csr_matrix, FloatArray]:
    """The rows that `parts` squares, its unit priors among them; `rng` as `parts` is given it."""
    own = rng.normal(size=(rows.shape[0], border))
    inner = sparse.vstack([rows, sparse.eye_array(rows.shape[1]), sparse.csr_matrix((border, rows.shape[1]))])
    outer = np.concatenate([own, np.zeros((rows.shape[1], border)), np.eye(border)])
    return inner.tocsr(), outer


def whole(inner: sparse.csr_matrix, side: FloatArray, corner: FloatArray) -> FloatArray:
    """The same matrix dense."""
    return np.block([[inner.toarray(), side], [side.T, corner]])


SHAPES = {
    "one block": lambda rng: grid(12, 3, False, rng),
    "chain of many blocks": lambda rng: grid(400, 1, False, rng),
    "folded chain": lambda rng: grid(301, 2, True, rng),
    "wide": lambda rng: grid(40, 17, True, rng),
    "scattered": lambda rng: scattered(300, rng),
    "unconnected": lambda rng: sparse.block_diag([grid(130, 1, False, rng)] * 3, format="csr"),
    "nothing but a border": lambda rng: sparse.csr_matrix((7, 0)),
}


@pytest.mark.parametrize("by_rows", [False, True])
@pytest.mark.parametrize("border", [0, 1, 9])
@pytest.mark.parametrize("shape", SHAPES)
def test_everything_agrees_with_the_dense_inverse(shape: str, border: int, by_rows: bool) -> None:
    """Solve, selected inverse, variances and the colour of draws are those of numpy's inverse, to 1e-10."""
    rng = np.random.default_rng(7)
    rows = SHAPES[shape](rng)
    inner, side, corner = parts(rows, border, np.random.default_rng(8))
    dense = whole(inner, side, corner)
    inverse = np.linalg.inv(dense)
    arrow = ArrowheadFactor(inner, side, corner, as_rows(rows, border, np.random.default_rng(8)) if by_rows else None)
    right = rng.normal(size=(len(dense), 3))
    np.testing.assert_allclose(arrow.solve(right), inverse @ right, rtol=0, atol=1e-10)
    selected = arrow.selected()
    np.testing.assert_allclose(arrow.variances(selected), np.diag(inverse), rtol=1e-10)
    coloured = arrow.colour(np.eye(len(dense)))
    np.testing.assert_allclose(coloured @ coloured.T, inverse, rtol=0, atol=1e-10)


@pytest.mark.parametrize("border", [0, 4])
@pytest.mark.parametrize("shape", ["one block", "chain of many blocks", "folded chain", "wide", "scattered"])
def test_row_variances_need_only_the_selected_inverse(shape: str, border: int) -> None:
    """The variance of every row that made the matrix, and of rows over the border alone, is the dense one."""
    rng = np.random.default_rng(8)
    rows = SHAPES[shape](rng)
    inner, side, corner = parts(rows, border, rng)
    inverse = np.linalg.inv(whole(inner, side, corner))
    arrow = ArrowheadFactor(inner, side, corner)
    within = sparse.vstack([rows, sparse.csr_matrix((border, rows.shape[1]))]).tocsr()
    beside = np.concatenate([rng.normal(size=(rows.shape[0], border)), np.eye(border)])
    found = arrow.row_variances(arrow.selected(), within, beside)
    asked = np.hstack([within.toarray(), beside])
    np.testing.assert_allclose(found, np.einsum("ij,ij->i", asked @ inverse, asked), rtol=1e-9)


@given(n=st.integers(1, 420), border=st.integers(0, 5), density=st.floats(0.1, 6.0), seed=st.integers(0, 2**32 - 1))
def test_any_sparse_matrix_can_be_factored(n: int, border: int, density: float, seed: int) -> None:
    """Whatever the pattern of the readings, solving and the selected diagonal are exact."""
    rng = np.random.default_rng(seed)
    rows = sparse.random_array((n + 3, n), density=min(1.0, density / n), rng=rng, format="csr")
    inner, side, corner = parts(rows, border, rng)
    dense = whole(inner, side, corner)
    arrow = ArrowheadFactor(inner, side, corner)
    right = rng.normal(size=(len(dense), 1))
    np.testing.assert_allclose(dense @ arrow.solve(right), right, rtol=0, atol=1e-9)
    np.testing.assert_allclose(arrow.variances(arrow.selected()), np.diag(np.linalg.inv(dense)), rtol=1e-8)


def test_blocks_reach_no_further_than_the_next() -> None:
    """No entry of the reordered matrix lies beyond the block next to its own: what the block factor stands on."""
    rng = np.random.default_rng(9)
    inner, side, corner = parts(grid(350, 2, True, rng), 2, rng)
    arrow = ArrowheadFactor(inner, side, corner)
    assert len(arrow.starts) > 4
    entries = inner[arrow.order][:, arrow.order].tocoo()
    block = np.searchsorted(arrow.starts, np.arange(arrow.n), side="right")
    assert np.abs(block[entries.row] - block[entries.col]).max() == 1


@pytest.mark.parametrize("where", ["inner", "corner"])
def test_two_unknowns_that_say_the_same_are_refused(where: str) -> None:
    """A matrix that is not positive definite has no factor, in the inner part or in the border."""
    inner, side, corner = sparse.eye_array(3).tocsr(), np.zeros((3, 2)), np.eye(2)
    if where == "inner":
        inner = sparse.csr_matrix(np.array([[1.0, 1, 0], [1, 1, 0], [0, 0, 1]]))
    else:
        side = np.array([[1.0, 0], [0, 0], [0, 0]])
    with pytest.raises(NotPositive):
        ArrowheadFactor(inner, side, corner)


def test_rows_keep_what_their_square_loses() -> None:
    """A chain whose rows weigh a hundred million times its prior: squared it is lost, from the rows it is inverted."""
    n, weight = 300, 1e8
    chain = weight * sparse.diags_array([np.ones(n - 1), -np.ones(n - 1)], offsets=[0, 1], shape=(n - 1, n))
    rows = sparse.vstack([chain, sparse.eye_array(n)]).tocsr()
    inner, none = (rows.T @ rows).tocsr(), np.zeros((0, 0))
    arrow = ArrowheadFactor(inner, np.zeros((n, 0)), none, (rows, np.zeros((rows.shape[0], 0))))
    np.testing.assert_allclose(arrow.variances(arrow.selected()), 1 / n, rtol=1e-6)  # what all share, n times told
