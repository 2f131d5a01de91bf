"""What a setting not yet taken would do for the goal: exact, without solving again.

With G the covariance of an orthonormal basis of the shapes a goal asks about (each line about its own line for
straightness, each face about its plane for flatness; of twist alone what it is from edge to edge) and g the sigma it
asks for, the share of them that is known is

    K = trace((I + G/g²)⁻¹) / k :  a shape known to g counts half, one known far better counts 1, a blind one 0.

It is what readings are planned by: unlike the size of G it gives nothing for knowing many shapes badly. Nodes not yet
read are asked about as well: what is not read is not known.
"""

from __future__ import annotations

import copy
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy import linalg

from waywright.core.adjust.columns import Unknown, orthonormal
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Heights, Solution, plane, shape_prior_um
from waywright.core.evidence.bends import NOTHING_MORE, Given
from waywright.core.evidence.job import Job, Reading
from waywright.core.evidence.kind import Candidate, Kind
from waywright.core.evidence.things import FloatArray


@dataclass(frozen=True)
class Information:
    """What the readings of a candidate say: rows · unknowns + e, e with precision `precision` (k, k).

    `rows` (k, n) over the plan's unknowns; the setting's own unknowns are taken out of the precision.
    """

    candidate: Candidate
    readings: tuple[Reading, ...]
    rows: FloatArray
    precision: FloatArray
    fixed_min: float
    each_min: FloatArray

    @cached_property
    def adds(self) -> FloatArray:
        """(n, n) the information it adds."""
        return np.asarray(self.rows.T @ self.precision @ self.rows)

    @property
    def minutes(self) -> float:
        """Setting up and reading."""
        return self.fixed_min + float(self.each_min.sum())

    def less(self, at: Iterable[int]) -> Information:
        """Without some readings: the inverse of a part of a matrix is a Schur complement of its inverse."""
        w, gone = self.precision, list(at)
        for i in gone:
            if w[i, i] > 1e-12:  # else the setting's own unknowns had used it up: it said nothing
                w = w - np.outer(w[:, i], w[i]) / w[i, i]
        keep = np.delete(np.arange(len(w)), gone)
        return replace(
            self,
            readings=tuple(self.readings[i] for i in keep),
            rows=self.rows[keep],
            precision=w[np.ix_(keep, keep)],
            each_min=self.each_min[keep],
        )


@dataclass(frozen=True)
class Offer:
    """A setting to take: `readings`, the one that says most first, and what they do as things stand.

    `known` is the share of the goal's shapes that is known before and after, `worst_um` the largest sigma of any node.
    """

    candidate: Candidate
    readings: tuple[Reading, ...]
    minutes: float
    known: tuple[float, float]
    worst_um: tuple[float, float]

    @property
    def rate(self) -> float:
        """What it adds to the share known, a minute."""
        return (self.known[1] - self.known[0]) / self.minutes


class ReadingPlan:
    """The readings so far (without `left_out`), every node of every face, and what more readings would do.

    `along` asks about each line of `faces` about its own line (straightness); without it each face about its plane
    (flatness), and `twist` about nothing but how much more one edge rises than the other, of faces on several lines.
    `required_sigma_um` is the sigma every height, or every such rise, is to have. `information` (n, n) is that on all
    unknowns but the pinned: blind shapes are small in it, where in the covariance they would drown the rest.
    """

    def __init__(
        self,
        job: Job,
        faces: Sequence[str],
        along: bool,
        required_sigma_um: float,
        left_out: Collection[str] = (),
        given: Given = NOTHING_MORE,
        twist: bool = False,
    ) -> None:
        self.faces = tuple(faces)
        self._asks = (faces, along, required_sigma_um, left_out, given, twist)
        self.given = given
        self.job = job
        self.required_sigma_um, self.twist = required_sigma_um, twist
        net = network(job, given, whole=True)
        gone = set(left_out)
        keep = [i for i, name in enumerate(net.rows.reading_ids) if net.rows.sense[i] == 0 and name not in gone]
        self.solution = Solution(net.unknowns, net.rows.take(np.array(keep, np.intp)), whole=True)
        self.information, self.free = self.solution.information()
        states = job.states()
        asked = [f for name in faces if (f := self.solution.face(name, states[name])) is not None]
        shapes = np.column_stack([self._rise(f) if twist else self._asked(f, along) for f in asked])
        self.told_by = np.eye(shapes.shape[1]) if twist else shapes  # from the shapes what is to be known to the goal
        self.weights: FloatArray = shapes[self.free]
        self._nodes = self.weights @ self.told_by.T
        self._as_well_as_asked = self.weights @ self.weights.T / required_sigma_um**2

    def asking(self, required_sigma_um: float) -> ReadingPlan:
        """The same readings, asked to know every height to this."""
        other = copy.copy(self)
        faces, along, _, left_out, given, twist = self._asks
        other._asks = (faces, along, required_sigma_um, left_out, given, twist)
        other.required_sigma_um = required_sigma_um
        other._as_well_as_asked = self._as_well_as_asked * (self.required_sigma_um / required_sigma_um) ** 2
        other.__dict__.pop("known", None)  # depends on it
        return other

    def again(self, job: Job) -> ReadingPlan:
        """The same question of other readings."""
        return ReadingPlan(job, *self._asks)

    def _asked(self, face: Heights, along: bool) -> FloatArray:
        """(N, k) an orthonormal basis of the shapes the goal asks about."""
        n = len(face.x_mm)
        groups = [np.flatnonzero(face.y_mm == line) for line in np.unique(face.y_mm)] if along else [np.arange(n)]
        columns = []
        for group in groups:
            flat = np.eye(n)[:, group]
            columns.append(flat @ linalg.null_space(plane(face.x_mm[group], face.y_mm[group]).T))
        return self.solution.spread(face, np.column_stack(columns))

    def _rise(self, face: Heights) -> FloatArray:
        """(N, 1) the twist from edge to edge, of the least-squares a + b·x + c·y + d·x·y: every node is there."""
        geometry = face.unknown.face
        assert geometry is not None
        warp = (face.x_mm - face.x_mm.mean()) * (face.y_mm - face.y_mm.mean())
        rise = warp / (warp @ warp) * np.ptp(face.x_mm) * geometry.width_mm
        return self.solution.spread(face, rise[:, None])

    @cached_property
    def known(self) -> float:
        """The share of the shapes asked about that is known, 0 to 1."""
        return self.share_known(self.information)

    @cached_property
    def worst_um(self) -> float:
        """The largest sigma of any node, or rise, of what the goal asks about."""
        return self.largest_um(self.information)

    @property
    def reached(self) -> bool:
        """Whether everything is known as well as the goal asks."""
        return self.worst_um <= self.required_sigma_um

    def with_these(self, settings: Iterable[Information]) -> FloatArray:
        """The information when settings are taken as well."""
        return np.asarray(sum((t.adds for t in settings), self.information))

    def covariance(self, information: FloatArray) -> FloatArray:
        """(k, k) of the shapes asked about."""
        half = _half(information, self.weights)
        return np.asarray(half.T @ half)

    def share_known(self, information: FloatArray) -> float:
        """K: what is left, did one know every shape asked about as well as the goal asks beside, is g²·(1 − K) each."""
        lower = linalg.cholesky(information + self._as_well_as_asked, lower=True, check_finite=False)
        left = linalg.lapack.dpotri(lower, lower=1, overwrite_c=1)[0]  # its lower triangle, the upper one is 0
        left[np.diag_indices_from(left)] /= 2
        return 1.0 - 2 * float(np.vdot(left, self._as_well_as_asked) / max(1, self.weights.shape[1]))

    def largest_um(self, information: FloatArray) -> float:
        """The largest node sigma: the basis is orthonormal, so nodes are basis · coefficients; or that of a rise."""
        return float(np.sqrt(np.max(self.variances(information), initial=0.0)))

    def variances(self, information: FloatArray) -> FloatArray:
        """(n,) of every node, or rise."""
        half = _half(information, self._nodes)
        return np.asarray(np.einsum("ij,ij->j", half, half))

    def largest_of(self, face: str, information: FloatArray) -> float:
        """The largest sigma of any node, or the rise, of one of the faces asked about; infinite where it has none."""
        found = self.solution.face(face, self.job.states()[face])
        if found is None or face not in self.faces:
            return np.inf
        variances = self.variances(information)
        own = variances[[self.faces.index(face)]] if self.twist else variances[found.unknown.columns]
        return float(np.sqrt(np.max(own, initial=0.0)))

    @property
    def share_um2(self) -> float:
        """What a trace of (G + g²)⁻¹ is multiplied by to be the share known."""
        return float(self.required_sigma_um**2 / self.weights.shape[1])

    def factor(self, covariance: FloatArray) -> FloatArray:
        """The lower triangle L with L Lᵀ = G + g²."""
        return np.asarray(linalg.cholesky(covariance + self.required_sigma_um**2 * np.eye(len(covariance)), lower=True))

    def losses(self, told: Information, information: FloatArray) -> FloatArray:
        """(k,) what the share known would lose without each reading of a setting that is in `information`.

        A rank-one change each: without reading i the information is less by b bᵀ/w, with b = rowsᵀ·precision_i.
        """
        factor = linalg.cho_factor(information, lower=True)
        towards = linalg.cho_solve(factor, told.rows.T @ told.precision)
        own = np.diag(told.precision)
        left = own - np.einsum("ij,ji->i", told.precision @ told.rows, towards)
        v = self.weights.T @ towards / np.sqrt(np.maximum(left, 1e-14 * np.maximum(own, 1e-300)))
        h = linalg.cho_solve((self.factor(self.weights.T @ linalg.cho_solve(factor, self.weights)), True), v)
        return np.asarray(self.share_um2 * np.einsum("ij,ij->j", h, h) / (1 + np.einsum("ij,ij->j", v, h)))

    def offers(self, candidates: Iterable[Candidate]) -> list[Offer]:
        """What each candidate does as things stand, the one that adds most a minute first."""
        offers = [self.offer(t) for c in candidates if (t := self.information_of(c)) is not None]
        return sorted((o for o in offers if o.known[1] > o.known[0] + 1e-9), key=lambda o: -o.rate)

    def offer(self, told: Information) -> Offer:
        """What one setting does as things stand."""
        then = self.information + told.adds
        order = np.argsort(-self.losses(told, then), kind="stable")
        return Offer(
            told.candidate,
            tuple(told.readings[i] for i in order),
            told.minutes,
            (self.known, self.share_known(then)),
            (self.worst_um, self.largest_um(then)),
        )

    def reach_um(self, settings: Sequence[Information], times: int) -> float:
        """The largest node sigma when all `settings` are taken so many times over."""
        return self.largest_um(self.information + times * sum((t.adds for t in settings), 0.0))

    def information_of(self, candidate: Candidate) -> Information | None:
        """What a candidate says; None when the plan can use nothing of it (its piece is not there yet)."""
        if candidate.pieces:
            return None
        rows, free, named, readings = self._rows(candidate)
        if not readings:
            return None
        precision = inverse(np.eye(len(readings)) + named @ named.T)
        basis = orthonormal(free)
        if basis.shape[1]:
            through = precision @ basis
            precision = precision - through @ linalg.solve(basis.T @ through, through.T, assume_a="pos")
        each = np.array([minutes_of(candidate, r) for r in readings])
        fixed = candidate.minutes - float(each.sum())
        return Information(candidate, tuple(readings), rows[:, self.free], precision, fixed, each)

    def _rows(self, candidate: Candidate) -> tuple[FloatArray, FloatArray, FloatArray, list[Reading]]:
        """Its rows over the unknowns, divided by u (k, N); its own free columns (k, f), and those with a prior times
        it (k, p), both divided by u as well; its readings."""
        net = network(candidate.added_to(self.job), self.given, whole=True)
        mine = np.flatnonzero((net.settings >= len(self.job.settings)) & (net.rows.sense == 0))
        matrix = net.rows.matrix[mine].multiply(1 / net.rows.u_um[mine][:, None]).tocsr()
        rows = np.zeros((len(mine), self.solution.rows.matrix.shape[1]))
        free, named = [np.zeros((len(mine), 0))], [np.zeros((len(mine), 0))]
        for unknown in net.unknowns:
            part = matrix[:, unknown.columns]
            if not part.nnz:
                continue
            columns = self._same(unknown)
            if columns is not None:
                rows[:, columns] = part.toarray()
            elif unknown.face is not None:  # a guide not run along yet
                named.append(part.toarray() * shape_prior_um(unknown.face) * np.sqrt(part.shape[1]))
            elif unknown.prior_um is not None:
                named.append(part.toarray() * unknown.prior_um)
            else:
                free.append(part.toarray())
        by_id = {r.id: r for s in candidate.settings for r in s.readings}
        readings = [by_id[net.rows.reading_ids[i]] for i in mine]
        return rows, np.column_stack(free), np.column_stack(named), readings

    def _same(self, unknown: Unknown) -> slice | None:
        """Where the solution has the columns of an unknown of a job with more readings; None when it does not."""
        same = (u for u in self.solution.unknowns if u.label == unknown.label and u.state == unknown.state)
        found = next(same, None)
        if found is None or found.columns.stop - found.columns.start != unknown.columns.stop - unknown.columns.start:
            return None
        if found.face != unknown.face:  # a guide, read at other places
            return None
        return found.columns


def _half(information: FloatArray, weights: FloatArray) -> FloatArray:
    """(n, k) whose square is weightsᵀ · information⁻¹ · weights."""
    lower = linalg.cholesky(information, lower=True, check_finite=False)
    return np.asarray(linalg.solve_triangular(lower, weights, lower=True, check_finite=False))


def inverse(matrix: FloatArray) -> FloatArray:
    """Of a symmetric positive definite matrix, symmetric again."""
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return np.asarray((vectors / np.maximum(values, 1e-15 * values[-1])) @ vectors.T)


def minutes_of(candidate: Candidate, reading: Reading) -> float:
    """Minutes one reading of a candidate takes; setting up is what is left, what it stands on with it."""
    geometry = next(s.geometry for s in candidate.settings if reading in s.readings)
    return geometry.reading_min if geometry.to_read([reading]) else 0.0


def candidates(job: Job, kinds: Iterable[type[Kind]]) -> Iterator[Candidate]:
    """Everything every kind proposes."""
    for kind in kinds:
        yield from kind.candidates(job)
