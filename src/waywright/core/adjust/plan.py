"""What a setting not yet taken would do for the goal: exact, without solving again.

The spread of a goal is the typical sigma of the shapes it asks about: with G the covariance of an orthonormal basis of
them (each line about its own line for straightness, each face about its plane for flatness), the geometric mean of
the roots of G's eigenvalues, det(G)^(1/2k). A blind shape counts with its 1 mm, so curing one is worth ln(1 mm/σ); and
since det only ever falls, and by less the more is known (it is submodular), taking the best setting per minute again
and again comes close to the best plan there is (Nemhauser, Wolsey and Fisher, Math. Programming 14, 1978).
Nodes not yet read are asked about as well: what is not read is not known.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from scipy import linalg

from waywright.core.adjust.network import Network, network
from waywright.core.adjust.solution import Heights, Solution, orthonormal, plane
from waywright.core.evidence import Candidate, Entry, Geometry, Job, Reading, Setting, Typed
from waywright.core.readings.base import Equations, HeightTerm, Site, every, places
from waywright.core.things import FloatArray, IntArray

UNREAD_UM = 1e9  # a reading that says nothing


@dataclass(frozen=True)
class _Unread(Geometry):
    """Every node of a face, with readings that say nothing: so that what is not read is asked about."""

    block: ClassVar[str] = "unread"
    entries: ClassVar[tuple[Entry, ...]] = ()
    instrument_kinds: ClassVar[tuple[str, ...]] = ()
    face_fields: ClassVar[tuple[str, ...]] = ("face",)
    face: str

    def words(self) -> str:
        """Never shown."""
        return f"nothing of {self.face}"

    def equations(self, setting: Setting, site: Site) -> Equations:
        """height = 0 ± nearly anything at each node."""
        x, y = places(site.readings)
        n = len(x)
        term = HeightTerm(self.face, every(n), x, y, np.ones(n))
        return Equations(site.readings, np.zeros(n), {"": np.full(n, UNREAD_UM**2)}, (term,))


def _unread(job: Job, name: str) -> Setting:
    face = job.faces()[name]
    readings = tuple(
        Reading(f"unread {name}[{i}]", "readings", float(x), float(y), value=Typed(0.0, "µm"), u_um=UNREAD_UM)
        for i, (x, y) in enumerate(zip(face.x_mm, face.y_mm, strict=True))
    )
    return Setting(f"unread {name}", _Unread(name), readings)


@dataclass(frozen=True)
class Offer:
    """A candidate with the readings worth taking. `spread_um` is the goal's typical sigma before and after.

    `gain` is what it takes off ln det(G)/2, `order` the readings kept, the one that says most first.
    """

    candidate: Candidate
    order: tuple[Reading, ...]
    gain: float
    minutes: float
    spread_um: tuple[float, float]
    worst_um: tuple[float, float]

    @property
    def rate(self) -> float:
        """Gain a minute."""
        return self.gain / self.minutes


class Plan:
    """The readings so far (without `left_out`), every node of `faces`, and what more readings would do.

    `along` asks about each line about its own line (straightness); without it each face about its plane (flatness).
    """

    def __init__(self, job: Job, faces: Sequence[str], along: bool, left_out: Sequence[str] = ()) -> None:
        self.job = replace(job, settings=job.settings + tuple(_unread(job, name) for name in faces))
        net = network(self.job)
        gone = set(left_out)
        keep = [i for i, name in enumerate(net.rows.reading_ids) if net.rows.sense[i] == 0 and name not in gone]
        self.solution = Solution(net.unknowns, net.rows.take(np.array(keep, np.intp)))
        self.net = net
        states = job.states()
        self.faces = [f for name in faces if (f := self.solution.face(name, states[name])) is not None]
        self.weights = np.column_stack([self._asked(f, along) for f in self.faces])
        self.carried = self.solution.carry(self.weights)
        self.covariance = self.weights.T @ self.carried

    def _asked(self, face: Heights, along: bool) -> FloatArray:
        """(N, k) an orthonormal basis of the shapes the goal asks about."""
        n = len(face.x_mm)
        groups = [np.flatnonzero(face.y_mm == line) for line in np.unique(face.y_mm)] if along else [np.arange(n)]
        columns = []
        for group in groups:
            flat = np.eye(n)[:, group]
            columns.append(flat @ linalg.null_space(plane(face.x_mm[group], face.y_mm[group]).T))
        return self.solution.spread(face, np.column_stack(columns))

    @property
    def spread_um(self) -> float:
        """The goal's typical sigma."""
        return _spread(self.covariance)

    @property
    def worst_um(self) -> float:
        """The largest sigma of any node about what the goal is told about."""
        return _worst(self.covariance, self.weights)

    def offers(self, candidates: Sequence[Candidate], target_um: float) -> list[Offer]:
        """Each candidate with its readings worth taking, best gain a minute first."""
        found = [self.offer(c, target_um) for c in candidates]
        return sorted((o for o in found if o is not None and o.gain > 1e-9), key=lambda o: -o.rate)

    def offer(self, candidate: Candidate, target_um: float) -> Offer | None:
        """What one candidate does; None when it says nothing the plan can use (a piece that is not there)."""
        if candidate.pieces:
            return None
        rows, free, readings = self._rows(candidate)
        if not len(readings):
            return None
        towards = self.solution.carry(rows.T)  # (N, k)
        cross = self.weights.T @ towards
        between = rows @ towards
        keep = np.arange(len(readings))
        gain = self._gain(keep, cross, between, free)
        fixed = candidate.minutes - sum(_minutes(candidate)[r.id] for r in readings)
        each = np.array([_minutes(candidate)[r.id] for r in readings])
        keep, gain = self._prune(keep, gain, cross, between, free, fixed, each, target_um)
        after = self._after(keep, cross, between, free)
        order = self._ordered(keep, cross, between, free)
        return Offer(
            candidate,
            tuple(readings[i] for i in order),
            gain,
            fixed + float(each[keep].sum()),
            (self.spread_um, _spread(after)),
            (self.worst_um, _worst(after, self.weights)),
        )

    def _rows(self, candidate: Candidate) -> tuple[FloatArray, FloatArray, list[Reading]]:
        """Its rows over the unknowns, divided by u (k, N); its own free columns, likewise (k, f); its readings."""
        job = candidate.added_to(self.job)
        net: Network = network(job)
        first = len(self.job.settings)
        mine = np.flatnonzero((net.settings >= first) & (net.rows.sense == 0))
        matrix = net.rows.matrix[mine].multiply(1 / net.rows.u_um[mine][:, None]).tocsr()
        rows = np.zeros((len(mine), self.solution.rows.matrix.shape[1]))
        free: list[FloatArray] = []
        for unknown in net.unknowns:
            part = matrix[:, unknown.columns]
            if unknown.face is not None:
                known = self.solution.face(unknown.face.name, unknown.state)
                if known is not None:
                    rows[:, known.unknown.columns] = part[:, known.unknown.nodes].toarray()
            elif part.nnz:
                same = next((u for u in self.solution.unknowns if u.label == unknown.label), None)
                if same is not None:
                    rows[:, same.columns] = part.toarray()
                elif unknown.prior_um is None:
                    free.append(part.toarray())
        by_id = {r.id: r for s in candidate.settings for r in s.readings}
        readings = [by_id[net.rows.reading_ids[i]] for i in mine]
        return rows, np.column_stack([np.zeros((len(mine), 0)), *free]), readings

    def _noise(
        self, keep: IntArray, cross: FloatArray, between: FloatArray, free: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Kept rows with the setting's own unknowns taken out: what they tell of the goal, and their covariance."""
        basis = orthonormal(free[keep])
        out = linalg.null_space(basis.T) if basis.shape[1] else np.eye(len(keep))
        return cross[:, keep] @ out, out.T @ between[np.ix_(keep, keep)] @ out + np.eye(out.shape[1])

    def _gain(self, keep: IntArray, cross: FloatArray, between: FloatArray, free: FloatArray) -> float:
        """What the kept rows take off ln det(G)/2."""
        told, noise = self._noise(keep, cross, between, free)
        if not told.shape[1]:
            return 0.0
        known = linalg.solve(self.covariance, told, assume_a="pos")
        return -0.5 * float(np.linalg.slogdet(noise - told.T @ known)[1] - np.linalg.slogdet(noise)[1])

    def _after(self, keep: IntArray, cross: FloatArray, between: FloatArray, free: FloatArray) -> FloatArray:
        told, noise = self._noise(keep, cross, between, free)
        return np.asarray(self.covariance - told @ linalg.solve(noise, told.T, assume_a="pos"))

    def _prune(
        self,
        keep: IntArray,
        gain: float,
        cross: FloatArray,
        between: FloatArray,
        free: FloatArray,
        fixed: float,
        each: FloatArray,
        target_um: float,
    ) -> tuple[IntArray, float]:
        """Leave out readings that give less a minute than the whole does, or that the target does not need."""
        reaches = _worst(self._after(keep, cross, between, free), self.weights) <= target_um
        while len(keep) > 4:
            losses = [gain - self._gain(np.delete(keep, i), cross, between, free) for i in range(len(keep))]
            worst = int(np.argmin(np.array(losses) / each[keep]))
            less = np.delete(keep, worst)
            poor = losses[worst] / each[keep[worst]] < gain / (fixed + float(each[keep].sum()))
            if not (poor and not reaches) and not (
                reaches and _worst(self._after(less, cross, between, free), self.weights) <= target_um
            ):
                break
            keep, gain = less, gain - losses[worst]
        return keep, gain

    def _ordered(self, keep: IntArray, cross: FloatArray, between: FloatArray, free: FloatArray) -> list[int]:
        """The kept readings, the one whose loss would cost most first."""
        whole = self._gain(keep, cross, between, free)
        losses = [whole - self._gain(np.delete(keep, i), cross, between, free) for i in range(len(keep))]
        return [int(keep[i]) for i in np.argsort(-np.array(losses), kind="stable")]


def _spread(covariance: FloatArray) -> float:
    sign, logarithm = np.linalg.slogdet(covariance)
    return float(np.exp(0.5 * logarithm / len(covariance))) if sign > 0 else 0.0


def _worst(covariance: FloatArray, weights: FloatArray) -> float:
    """The largest node sigma: the basis is orthonormal, so nodes are basis · coefficients."""
    return float(np.sqrt(np.max(np.einsum("ij,jk,ik->i", weights, covariance, weights), initial=0.0)))


def _minutes(candidate: Candidate) -> dict[str, float]:
    """Minutes of each reading of a candidate; setting up is what is left."""
    from waywright.core.readings.base import READING_MIN

    found: dict[str, float] = {}
    for setting in candidate.settings:
        each = READING_MIN["layup" if "layups" in setting.geometry.block else "level"]
        found |= {reading.id: each for reading in setting.readings}
    return found


def candidates(job: Job, kinds: Sequence[type[Geometry]]) -> Iterator[Candidate]:
    """Everything every kind proposes."""
    for kind in kinds:
        yield from kind.candidates(job)
