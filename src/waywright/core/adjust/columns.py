"""The unknowns of a job by column and its readings by row, and which of either say nothing of their own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from waywright.core.evidence.rows import Influence, Label
from waywright.core.evidence.things import BoolArray, Face, FloatArray, IntArray

MOTION_SIZE = np.array([1.0, 1000.0, 1000.0, 1.0, 1000.0])  # µm, and µm over a metre: one for all faces of a piece
SLACK = 1e-7  # of the sum of what a row takes of each height

State = tuple[str, int]  # a face, and how often it was cut


@dataclass(frozen=True)
class RigidBody:
    """Faces of one piece, each in a state, that some reading ties together: lifted, tilted and shifted as one."""

    piece: str
    members: tuple[State, ...]


@dataclass(frozen=True)
class Unknown:
    """A named block of columns: the read nodes of a face in one state, or one number a setting owns.

    `prior_um` is its standard deviation before any reading; None = free. Heights have the diffuse prior of a shape
    instead (see `solution`), `nodes` are their numbers on the face and `body` the faces that are rigid together. A
    guide is heights too (see `guides`).
    """

    label: Label
    columns: slice
    prior_um: float | None = None
    face: Face | None = None
    state: int = 0
    nodes: IntArray | None = None
    body: RigidBody | None = None


@dataclass(frozen=True)
class Rows:
    """matrix · unknowns = value ± u, one row a reading, all in µm.

    `matrix` (n, N) sparse; `noise_um2` splits u² by influence, (n,) each; `instrument` (n,) numbers into
    `instruments`. `sense` is 0 for equations, +1 where the row is at least the value and −1 where it is at most:
    those are checked against the result and move nothing.
    """

    matrix: sparse.csr_matrix
    value_um: FloatArray
    u_um: FloatArray
    reading_ids: tuple[str, ...]
    sense: IntArray
    noise_um2: dict[Influence, FloatArray]
    instrument: IntArray
    instruments: tuple[str, ...]

    def take(self, keep: IntArray, scale: FloatArray | None = None) -> Rows:
        """Only the rows `keep`, their u multiplied by `scale` (n,)."""
        factor = np.ones(len(self.value_um)) if scale is None else scale
        return Rows(
            self.matrix[keep],
            self.value_um[keep],
            (self.u_um * factor)[keep],
            tuple(self.reading_ids[i] for i in keep),
            self.sense[keep],
            {name: (part * factor**2)[keep] for name, part in self.noise_um2.items()},
            self.instrument[keep],
            self.instruments,
        )


def compress(
    unknowns: tuple[Unknown, ...], rows: Rows, whole: bool = False
) -> tuple[tuple[Unknown, ...], Rows, IntArray]:
    """Leave out nodes no row touches, unless `whole`, and free unknowns that another of their setting stands for.

    Returns the unknowns left, the rows over them, and the old column of each new one.
    """
    touched = np.zeros(rows.matrix.shape[1], bool)
    touched[rows.matrix.indices] = True
    for unknown in unknowns if whole else ():
        touched[unknown.columns] |= unknown.face is not None
    touched[_dependent(unknowns, rows, touched)] = False
    kept: list[Unknown] = []
    start = 0
    for unknown in unknowns:
        used = np.flatnonzero(touched[unknown.columns])
        if len(used):
            nodes = None if unknown.nodes is None else unknown.nodes[used]
            kept.append(replace(unknown, columns=slice(start, start + len(used)), nodes=nodes))
            start += len(used)
    old = np.flatnonzero(touched)
    return tuple(kept), replace(rows, matrix=over(rows.matrix, old)), old


def over(matrix: sparse.csr_matrix, columns: IntArray) -> sparse.csr_matrix:
    """The matrix over some of its columns, in their order; what `matrix[:, columns]` gives, at a fifth of the time."""
    place = np.full(matrix.shape[1], -1, matrix.indices.dtype)
    place[columns] = np.arange(len(columns))
    new = place[matrix.indices]
    stays = new >= 0
    starts = np.zeros(len(new) + 1, matrix.indptr.dtype)
    np.cumsum(stays, out=starts[1:])
    shape = (matrix.shape[0], len(columns))
    return sparse.csr_matrix((matrix.data[stays], new[stays], starts[matrix.indptr]), shape=shape)


def _dependent(unknowns: tuple[Unknown, ...], rows: Rows, touched: BoolArray) -> list[int]:
    """Columns of free own unknowns that are sums of others of the same setting: a tilt across when all y are equal."""
    groups = {owner: [c for c in columns if touched[c]] for owner, columns in free_of(unknowns).items()}
    gone: list[int] = []
    free = np.array([column for group in groups.values() for column in group], np.intp)
    mine = over(rows.matrix, free)
    products = (mine.T @ mine).toarray()
    start = 0
    for group in groups.values():
        at = slice(start, start := start + len(group))
        square = products[at, at]
        size = np.sqrt(np.diag(square))
        if len(group) < 2 or np.linalg.eigvalsh(square / np.outer(size, size))[0] > 1e-8:  # far from dependent
            continue
        dense = mine[:, at].toarray() / size
        # In the order given, so that lift stays before tilt: each column against those kept before it.
        basis = np.zeros((len(dense), 0))
        for column, values in zip(group, dense.T, strict=True):
            left = values - basis @ (basis.T @ values)
            left -= basis @ (basis.T @ left)
            norm = float(np.linalg.norm(left))
            if norm > 1e-7:
                basis = np.column_stack([basis, left / norm])
            else:
                gone.append(column)
    return gone


def uncheckable(unknowns: Sequence[Unknown], rows: Rows, equation: BoolArray) -> BoolArray:
    """(n,) the limits that nothing can be held against: no `equation` (n,) says how their setting lay there.

    A limit can be checked when its part of the setting's free unknowns is a sum of those of the setting's equations
    (one of these unknowns may have no column of its own after `compress`: its value is in the others).
    """
    loose = np.zeros(len(equation), bool)
    if equation.all():
        return loose
    columns = rows.matrix.tocsc()
    for group in free_of(unknowns).values():
        part = columns[:, group].tocsr()
        mine = np.flatnonzero(np.diff(part.indptr) > 0)
        dense, asks = part[mine].toarray(), ~equation[mine]
        dense /= np.maximum(np.linalg.norm(dense, axis=0), 1e-300)
        told = np.vstack([dense[~asks], np.zeros((len(group), len(group)))])
        _, sizes, directions = np.linalg.svd(told, full_matrices=False)
        unseen = dense[asks] @ directions[sizes <= 1e-9].T
        loose[mine[asks]] |= np.linalg.norm(unseen, axis=1) > 1e-7 * np.linalg.norm(dense[asks], axis=1)
    return loose


def free_of(unknowns: Sequence[Unknown]) -> dict[str, list[int]]:
    """The columns of the free unknowns that each setting owns."""
    groups: dict[str, list[int]] = {}
    for unknown in unknowns:
        if unknown.face is None and unknown.prior_um is None:
            owner = unknown.label.setting
            if owner is not None:
                groups.setdefault(owner, []).append(unknown.columns.start)
    return groups


def beyond(change: FloatArray, free: FloatArray) -> FloatArray:
    """(n, k) what is left of changes of rows when free columns (n, f) take up all they can."""
    basis = orthonormal(free)
    return np.asarray(change - basis @ (basis.T @ change))


def orthonormal(columns: FloatArray, against: FloatArray | None = None) -> FloatArray:
    """(n, k) orthonormal basis of `columns`, in order, those that depend on earlier ones left out.

    With `against` (n, j) orthonormal, also orthogonal to it.
    """
    start = 0 if against is None else against.shape[1]
    basis = np.empty((len(columns), start + columns.shape[1]), order="F")
    if against is not None:
        basis[:, :start] = against
    found = start
    for column in columns.T:
        left, before = column, basis[:, :found]
        for _ in range(2):
            left = left - before @ (left @ before)
        size, norm = math.sqrt(column @ column), math.sqrt(left @ left)
        if size > 0 and norm > 1e-8 * size:
            basis[:, found] = left / norm
            found += 1
    return basis[:, start:found]
