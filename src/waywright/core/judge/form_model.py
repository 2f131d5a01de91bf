"""The form prior weighed by the readings of one face, and shapes drawn from what is left.

Everything is Gaussian once the parts and their sizes are chosen, and there are only finitely many choices; so the
posterior is an exact mixture: no chain, no maximum, the same answer every time. In coordinates freed of the plane and
of every blind shape, and whitened by the readings' own covariance, a random part is diagonal in its eigenvectors; low
modes and features are a few more columns, eliminated in turn. The marginal likelihood of each choice is closed.

What does not depend on the heights is built once (`form_model`), so that a study can judge many faces of one design.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from waywright.core.judge import form_prior as prior
from waywright.core.judge.choices import Choices, nothing_to_choose
from waywright.core.judge.form_parts import Parts, Sizes, batches, one_of, prepared
from waywright.core.judge.form_prior import Candidate, Features, Floats, Indexes, orthonormal
from waywright.core.judge.spectrum import Spectrum, spectrum, symmetric
from waywright.progress import each

BLIND_UM = 50.0  # RMS sigma beyond which a shape counts as not seen: 0.05 of the diffuse prior of 1 mm
NOTHING = 1e-9  # mean square of a shape of RMS 1 of which so much is left: rounding
PAIRS_UP_TO = 130  # nodes; beyond, two spots are not tried together
CHUNK = 4_000_000  # numbers held at once while drawing


@dataclass(frozen=True)
class Frame:
    """Coordinates of the shapes the form prior speaks of: r = n less the plane and the blind shapes.

    `seen` (n, r) and `blind` (n, k): orthonormal columns; in the seen ones the covariance is diagonal. `spread`,
    `whiten` (r,): its root and the root's inverse. `gain` (k, r), `blind_root` (k, k): the blind part given the seen;
    (k,) where its shapes do not touch one another.
    """

    seen: Floats
    blind: Floats
    spread: Floats
    whiten: Floats
    gain: Floats
    blind_root: Floats
    level_um: float  # RMS height of the noise, the well-known shapes counting most
    noise_um: float  # RMS height of the noise

    def reach_um(self, height_um: Floats) -> float:
        """How large the form can be, generously: thrice the RMS of what is seen, or of the noise where that is more."""
        seen = np.linalg.norm(self.seen.T @ height_um) / np.sqrt(height_um.size)
        return 3.0 * max(float(seen), self.noise_um)


def frame(
    x_mm: Floats, y_mm: Floats, covariance_um2: Floats, blind: Floats | None, apart: Spectrum | None = None
) -> Frame:
    """Split off the plane, the blind shapes given and those found, and whiten the rest.

    `apart`: the covariance beside the plane in its own shapes, where they are known.
    """
    n, least = x_mm.size, x_mm.size * BLIND_UM**2
    plane = prior.plane_columns(x_mm, y_mm)
    hidden = orthonormal(blind, plane) if blind is not None and blind.size else np.zeros((n, 0))
    if apart is None:
        apart = spectrum(covariance_um2, plane)
    if apart.variance.min(initial=np.inf) > least:
        hidden = hidden[:, :0]  # it is found with the rest, in the order that is diagonal
    if hidden.shape[1]:
        apart = spectrum(covariance_um2, np.column_stack([plane, hidden]))
    variance, shape = apart.variance, apart.shapes
    unseen = variance > least
    found, seen = shape[:, unseen], shape[:, ~unseen]
    rest = variance[unseen]
    if unseen.any():  # then anew, so that the huge variance of what is blind leaves no rounding in the rest
        variance, shape = np.linalg.eigh(symmetric(seen.T @ covariance_um2 @ seen))
        seen = seen @ shape
    if variance.size:
        variance = np.maximum(variance, max(1e-12 * variance[-1], 1e-18))
    root = np.sqrt(variance)
    beside = covariance_um2 @ hidden
    across = np.concatenate([beside.T @ seen, np.zeros((found.shape[1], seen.shape[1]))])
    gain = across / variance
    if hidden.shape[1]:
        rest = np.block([[hidden.T @ beside, beside.T @ found], [found.T @ beside, np.diag(rest)]]) - gain @ across.T
    level = np.sqrt(variance.size**2 / n / np.sum(1 / variance)) if variance.size else 0.0
    return Frame(
        seen=seen,
        blind=np.column_stack([hidden, found]),
        spread=root,
        whiten=1 / root,
        gain=gain,
        blind_root=_root(symmetric(rest)) if hidden.shape[1] else np.sqrt(rest),
        level_um=float(level),
        noise_um=float(np.sqrt(variance.sum() / n)),
    )


@dataclass(frozen=True)
class FormModel:
    """The form prior on the n nodes of one face with one covariance; `weigh` heights, then `draw` shapes."""

    frame: Frame
    features: Features
    sizes: Sizes
    parts: tuple[Parts, ...]

    @property
    def candidates(self) -> list[Candidate]:
        """The random parts, by their numbers."""
        return [candidate for batch in self.parts for candidate in batch.candidates]

    def weigh(self, height_um: Floats) -> Choices:
        """Every choice of parts and sizes that heights (n,) leave likely, likeliest first."""
        if not self.parts:
            return nothing_to_choose()
        whitened = self.frame.whiten * (self.frame.seen.T @ height_um)
        return Choices.joined([found for batch in self.parts for found in batch.likely(whitened)])

    def draw(self, height_um: Floats, choices: Choices, draws: int, rng: Generator) -> Floats:
        """(draws, n) um: shapes drawn from the posterior, in no order.

        Choices come as often as they weigh, to within one draw. Random numbers are dealt to the nodes in the order of
        their heights, and every root is symmetric: neither the order of nodes nor the face's direction matters.
        """
        face = self.frame
        estimate = face.seen @ (face.seen.T @ height_um)
        up = 1.0 if np.sum(estimate**3) >= 0 else -1.0
        rank = np.argsort(np.argsort(up * estimate, kind="stable"))
        noise, beyond = (_dealt(rng.standard_normal((draws, rank.size)), rank, up) for _ in range(2))
        eta = rng.standard_normal((draws, self.sizes.low_um.shape[1] + 2))
        seen = np.zeros((draws, face.seen.shape[1]))
        if self.parts:
            steps = (np.arange(draws) + 0.5) / draws
            at = np.searchsorted(np.cumsum(choices.weight()), steps)
            at = rng.permutation(np.minimum(at, choices.part.size - 1))
            chosen = choices.take(at)
            for index in np.unique(chosen.part).tolist():
                part = one_of(self.parts, index)
                rows = np.flatnonzero(chosen.part == index)
                length = max(1, CHUNK // (rank.size * eta.shape[1]))
                for cut in range(0, rows.size, length):
                    some = rows[cut : cut + length]
                    of_seen = noise[some] @ face.seen
                    seen[some] = self._draw_part(part, height_um, chosen.take(some), of_seen, eta[some])
        del noise
        return self._with_blind(height_um, seen, beyond)

    def _draw_part(
        self, part: tuple[Floats, Floats, Floats], height_um: Floats, chosen: Choices, noise: Floats, eta: Floats
    ) -> Floats:
        """(c, r): low modes and features first, given the heights; then the random part, given those as well."""
        m, (turn, shapes, keeps) = self.sizes.low_um.shape[1], part
        turned = turn.T @ (self.frame.whiten * (self.frame.seen.T @ height_um))
        keep = keeps[chosen.size]
        features = np.array([chosen.first_um, chosen.second_um])[: 2 if chosen.second_um.any() else 1]
        columns = np.empty((keep.shape[0], m + len(features), turned.size))
        columns[:, :m] = shapes[:, :m].T
        columns[:, m:] = _louder_first(shapes[:, m:], keep * turned, chosen)
        size = np.empty((keep.shape[0], m + len(features)))
        size[:, :m] = np.concatenate([np.zeros((1, m)), self.sizes.low_um])[chosen.low]
        size[:, m:] = features.T
        eta = eta[:, : size.shape[1]]
        weighted = columns * keep[:, None]
        information = size[:, :, None] * size[:, None] * (weighted @ columns.transpose(0, 2, 1)) + np.eye(size.shape[1])
        said = size * (weighted @ turned)
        root = np.linalg.cholesky(information).transpose(0, 2, 1)
        mean = np.linalg.solve(information, said[..., None])
        amounts = size * (mean + np.linalg.solve(root, (np.sign(said) * eta)[..., None]))[..., 0]
        made = (amounts[:, None] @ columns)[:, 0]
        random = (1.0 - keep) * (turned - made) + np.sqrt(1.0 - keep) * (noise @ turn)
        return np.asarray((random + made) @ turn.T * self.frame.spread)

    def _with_blind(self, height_um: Floats, seen: Floats, normal: Floats) -> Floats:
        """(draws, n): with the blind part as the readings leave it, given the seen one."""
        face = self.frame
        hidden = face.blind.T @ height_um + (seen - face.seen.T @ height_um) @ face.gain.T
        noise = normal @ face.blind
        hidden += noise * face.blind_root if face.blind_root.ndim == 1 else noise @ face.blind_root
        return np.asarray(seen @ face.seen.T + hidden @ face.blind.T)


def _dealt(normal: Floats, rank: Indexes, up: float) -> Floats:
    """Random numbers (m, n) in the order of `rank` (n,), times `up`."""
    dealt = normal[:, rank]
    dealt *= up
    return dealt


def _louder_first(features: Floats, heard: Floats, chosen: Choices) -> Floats:
    """(c, 1 or 2, r): the columns of the choices' `features` (r, j); of two, that which `heard` (c, r) speaks of louder
    first."""
    one = features[:, chosen.first].T
    if not chosen.second_um.any():
        return one[:, None]
    other = features[:, chosen.second].T
    swap = (np.abs((heard * other).sum(axis=1)) > np.abs((heard * one).sum(axis=1))) & (chosen.second_um > 0)
    return np.where(swap[:, None, None], np.stack([other, one], axis=1), np.stack([one, other], axis=1))


def form_model(
    face: Frame, x_mm: Floats, y_mm: Floats, *, reach_um: float, only: Sequence[int] | None = None
) -> FormModel:
    """Prepare the form prior for the n nodes of one face in its frame.

    `reach_um`: sizes are tried up to this. `only`: indexes into `candidates`, all if None.
    """
    free = np.column_stack([prior.plane_columns(x_mm, y_mm), face.blind])
    n, level, something = x_mm.size, face.level_um or 1.0, face.seen.shape[1] > 0
    modes = prior.low_modes(x_mm, y_mm, free) if something else np.zeros((n, 0))
    low = prior.LOW_SIZES.up_to(reach_um / level)[:, None] * prior.LOW_MODE_FALL ** np.arange(modes.shape[1])
    reach = reach_um * np.sqrt(n) / level
    sizes = Sizes(
        level_um=level,
        random_um=level * prior.RANDOM_SIZES.up_to(reach_um / level),
        low_um=level * low,
        feature_um=level * prior.FEATURE_SIZES.up_to(reach),
        pair_um=level * prior.PAIR_SIZES.up_to(reach),
    )
    if not something:
        return FormModel(face, prior.NO_FEATURES, sizes, ())
    features = prior.features(x_mm, y_mm)
    nodes = face.whiten[:, None] * face.seen.T
    every = prior.candidates(x_mm, y_mm)
    chosen = [every[i] for i in (only if only is not None else range(len(every)))]
    parts: list[Parts] = []
    for batch in each(list(batches(len(chosen), n))):
        wanted = [chosen[i] for i in batch]
        inside = face.seen.T @ np.stack([c.covariance(x_mm, y_mm) for c in wanted]) @ face.seen
        share = np.trace(inside, axis1=1, axis2=2) / n
        some = np.flatnonzero(share > NOTHING)  # on few nodes some are all plane, or all blind
        if not some.size:
            continue
        inside = (face.whiten[:, None] * inside[some] * face.whiten) / share[some, None, None]
        kept = [wanted[i] for i in some]
        pairs = [2 < n <= PAIRS_UP_TO and _behind_two_spots(candidate) for candidate in kept]
        first = parts[-1].first + len(parts[-1].candidates) if parts else 0
        parts.append(prepared(first, kept, inside, (nodes @ modes, nodes), features, sizes, pairs))
    return FormModel(face, features, sizes, tuple(parts))


def _behind_two_spots(candidate: Candidate) -> bool:
    like_along = candidate.along_mm == candidate.across_mm
    return like_along and (candidate.kind, candidate.length) in prior.BEHIND_TWO_SPOTS


def _root(matrix: Floats) -> Floats:
    """The symmetric root of a covariance; what rounding made negative is 0."""
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
