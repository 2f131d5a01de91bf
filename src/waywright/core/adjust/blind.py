"""What no reading so far can see: shapes whose posterior is still of the size of the prior.

Modes of a face, with s = 2x/L − 1 and t = 2y/W, Gram-Schmidt in the order of `MODES` on the read nodes after the
plane, each of RMS 1. For each name the faces × faces matrix of posterior over prior covariance: an eigenvalue's root
of 0.5 or more is blind, 0.05 to 0.5 weak; its vector gives the faces and signs. (A twist that six faces share shows
0.41 on each, so faces are never judged one by one.) What is left beyond the named modes is `finer`. Of a face said
to be truer when made than the millimetre assumed otherwise, what is weak must be as large as on others.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import LinearOperator, eigsh

from waywright.core.adjust.columns import orthonormal
from waywright.core.adjust.solution import PRIOR_UM, Heights, Solution
from waywright.core.evidence.things import FloatArray

BLIND, WEAK = 0.5, 0.05
FINER = "finer"

MODES: Mapping[str, Callable[[FloatArray, FloatArray], FloatArray]] = {
    "bow": lambda s, t: s**2,
    "S": lambda s, t: s**3,
    "W": lambda s, t: s**4,
    "twist": lambda s, t: s * t,
    "cross-bow": lambda s, t: t**2,
    "bow-across": lambda s, t: s**2 * t,
    "S-across": lambda s, t: s**3 * t,
}


@dataclass(frozen=True)
class Blindness:
    """One shape the readings hardly see: `weights` says how much of it each face has, by name, unit length in all.

    `shapes_um` is what one prior standard deviation left of it looks like on each face (n,), by the face's name.
    `as_made`: how true its faces were made bounds it.
    """

    mode: str
    faces: Mapping[str, int]
    ratio: float
    sigma_um: float
    weights: Mapping[str, float]
    shapes_um: Mapping[str, FloatArray]
    count: int = 1
    as_made: bool = False


def modes(face: Heights) -> dict[str, FloatArray]:
    """The named unit shapes that the read nodes of a face can show, (n,) each, RMS 1, about its plane."""
    geometry = face.unknown.face
    assert geometry is not None
    s = 2 * face.x_mm / geometry.length_mm - 1
    t = 2 * face.y_mm / geometry.width_mm
    found: dict[str, FloatArray] = {}
    basis = face.plane
    for name, shape in MODES.items():
        new = orthonormal(shape(s, t)[:, None], basis)
        if new.shape[1]:
            basis = np.column_stack([basis, new])
            found[name] = _signed(new[:, 0], shape(s, t)) * np.sqrt(len(s))
    return found


def _signed(unit: FloatArray, raw: FloatArray) -> FloatArray:
    return unit if unit @ raw >= 0 else -unit


class Visibility:
    """How much of each shape the readings of a solution see, on the faces given (their newest states)."""

    def __init__(self, solution: Solution, faces: Sequence[Heights]) -> None:
        self.solution, self.faces = solution, tuple(faces)
        self.modes = [modes(f) for f in self.faces]
        self.bases = [
            np.column_stack([f.plane, *(m / np.sqrt(len(m)) for m in found.values())])
            for f, found in zip(self.faces, self.modes, strict=True)
        ]
        width = solution.rows.matrix.shape[1]
        self.edges = np.concatenate([[0], np.cumsum([b.shape[1] for b in self.bases])]).astype(np.intp)
        stacked = np.zeros((width, int(self.edges[-1])))
        for f, basis, start, stop in zip(self.faces, self.bases, self.edges, self.edges[1:], strict=False):
            stacked[f.unknown.columns, start:stop] = basis
        self.carried = solution.carry(stacked)
        self.covariance = stacked.T @ self.carried

    def names(self) -> list[str]:
        """Face names, in order."""
        return [f.unknown.face.name for f in self.faces]  # type: ignore[union-attr]

    def sigmas_um(self) -> dict[str, FloatArray]:
        """Standard uncertainty of every read node of each face about its plane, by name."""
        return {
            name: self.solution.height_sigmas(f, f.plane, self.carried[:, start : start + f.plane.shape[1]])
            for name, f, start in zip(self.names(), self.faces, self.edges, strict=False)
        }

    def rms_um(self, i: int) -> float:
        """What any shape of face `i` was before it was read, RMS."""
        return float(self.faces[i].prior_um / np.sqrt(len(self.faces[i].x_mm)))

    def _as_made(self, i: int) -> bool:
        face = self.faces[i].unknown.face
        return face is not None and face.as_made_um is not None

    def matrix(self, mode: str) -> tuple[list[int], FloatArray]:
        """The faces that can show `mode` and their posterior over prior covariance (k, k) of its size."""
        members = [i for i, found in enumerate(self.modes) if mode in found]
        at = [int(self.edges[i]) + self.faces[i].plane.shape[1] + list(self.modes[i]).index(mode) for i in members]
        size = np.array([self.faces[i].prior_um for i in members])
        return members, self.covariance[np.ix_(at, at)] / np.outer(size, size)

    def ratio(self, mode: str, weights: Mapping[str, float]) -> float:
        """What is left of one shape, as a share of the prior: `weights` are those of a `Blindness`."""
        if mode == FINER:
            return float(np.sqrt(max(self._finer()[0], default=0.0)))
        members, left = self.matrix(mode)
        names = self.names()
        v = np.array([weights.get(names[i], 0.0) for i in members])
        norm = float(v @ v)
        return float(np.sqrt(max(v @ left @ v / norm, 0.0))) if norm > 0 else 0.0

    def find(self) -> list[Blindness]:
        """Everything blind or weak, mode by mode, the largest ratio first in each."""
        found: list[Blindness] = []
        for mode in MODES:
            members, left = self.matrix(mode)
            rms_um = np.array([self.rms_um(i) for i in members])
            found += [
                self._named(mode, members, root, vector)
                for root, vector in _eigen(left)
                if root >= BLIND or root * float(np.linalg.norm(vector * rms_um)) >= WEAK * PRIOR_UM
            ]
        eigenvalues, left_um = self._finer()
        if len(eigenvalues) and np.sqrt(eigenvalues[0]) >= WEAK:
            found.append(self._finer_spot(eigenvalues, left_um))
        return found

    def _named(self, mode: str, members: list[int], ratio: float, vector: FloatArray) -> Blindness:
        names = self.names()
        vector = vector * (1.0 if vector[int(np.argmax(np.abs(vector) > 0.1))] > 0 else -1.0)
        amount_um = vector * [self.rms_um(i) for i in members]
        largest = float(np.abs(amount_um).max())
        taking = [k for k in range(len(members)) if abs(amount_um[k]) > min(0.1 * largest, WEAK / ratio * PRIOR_UM)]
        shapes = {names[members[k]]: amount_um[k] * ratio * self.modes[members[k]][mode] for k in taking}
        return Blindness(
            mode,
            {names[members[k]]: 1 if vector[k] > 0 else -1 for k in taking},
            ratio,
            max(float(np.abs(s).max()) for s in shapes.values()),
            {names[i]: float(v) for i, v in zip(members, vector, strict=True)},
            shapes,
            as_made=any(self._as_made(members[k]) for k in taking),
        )

    # -- finer than the named modes

    def _finer(self) -> tuple[FloatArray, dict[str, FloatArray]]:
        """Eigenvalues (largest first, those that matter) of what is left beyond the named modes, as shares of the
        prior's variance, and each node's sigma of it in µm by face."""
        left_um: dict[str, FloatArray] = {}
        trace = 0.0
        for name, f, basis, start, stop in zip(
            self.names(), self.faces, self.bases, self.edges, self.edges[1:], strict=False
        ):
            sigma = self.solution.height_sigmas(f, basis, self.carried[:, start:stop])
            left_um[name] = sigma
            trace += float(sigma @ sigma) / f.prior_um**2
        if trace < WEAK**2:
            return np.zeros(0), left_um
        return self._finer_eigenvalues(trace), left_um

    def _finer_eigenvalues(self, trace: float) -> FloatArray:
        sizes = [len(f.x_mm) for f in self.faces]
        n = sum(sizes)
        prior = np.concatenate([np.full(len(f.x_mm), f.prior_um) for f in self.faces])
        columns = np.concatenate([np.arange(f.unknown.columns.start, f.unknown.columns.stop) for f in self.faces])
        cuts = np.cumsum([0, *sizes])

        def beyond(weights: FloatArray) -> FloatArray:
            parts = [weights[a:b] for a, b in itertools.pairwise(cuts)]
            return np.concatenate([p - q @ (q.T @ p) for p, q in zip(parts, self.bases, strict=True)])

        def through(weights: FloatArray) -> FloatArray:
            flat = weights.reshape(n, -1)
            full = np.zeros((self.solution.rows.matrix.shape[1], flat.shape[1]))
            full[columns] = beyond(flat / prior[:, None])
            return np.asarray(beyond(self.solution.carry(full)[columns]) / prior[:, None])

        if n <= 400:
            values = np.linalg.eigvalsh(through(np.eye(n)))[::-1]
            return np.asarray(values[values >= WEAK**2])
        count = min(12, n - 1)
        operator = LinearOperator((n, n), matvec=through, matmat=through, dtype=float)
        start = np.random.default_rng(0).standard_normal(n)
        values = np.sort(eigsh(operator, k=count, which="LA", v0=start, tol=1e-4, return_eigenvectors=False))[::-1]
        if values[-1] >= BLIND**2:  # more than were asked for: each blind one adds nearly 1 to the trace
            values = np.concatenate([values, np.full(max(0, round(trace - values.sum())), values[-1])])
        return np.asarray(values[values >= WEAK**2])

    def _finer_spot(self, eigenvalues: FloatArray, left_um: dict[str, FloatArray]) -> Blindness:
        ratio = float(np.sqrt(eigenvalues[0]))
        limit = BLIND if ratio >= BLIND else WEAK
        largest = max(float(s.max()) for s in left_um.values())
        taking = {name: s for name, s in left_um.items() if s.max() > 0.1 * largest}
        return Blindness(
            FINER,
            dict.fromkeys(taking, 1),
            ratio,
            largest,
            {},
            taking,
            int(np.sum(eigenvalues >= limit**2)),
            all(self._as_made(i) for i, name in enumerate(self.names()) if name in taking),
        )


def _eigen(left: FloatArray) -> list[tuple[float, FloatArray]]:
    """Roots and vectors of a faces × faces matrix, largest first; faces that share nothing are kept apart."""
    if not len(left):
        return []
    scale = np.sqrt(np.outer(np.diag(left), np.diag(left))) + 1e-300
    _, group = connected_components(np.abs(left) > 1e-3 * scale, directed=False)
    found: list[tuple[float, FloatArray]] = []
    for g in np.unique(group):
        members = np.flatnonzero(group == g)
        values, vectors = np.linalg.eigh(left[np.ix_(members, members)])
        for value, vector in zip(values, vectors.T, strict=True):
            whole = np.zeros(len(left))
            whole[members] = vector
            found.append((float(np.sqrt(max(value, 0.0))), whole))
    return sorted(found, key=lambda pair: -pair[0])
