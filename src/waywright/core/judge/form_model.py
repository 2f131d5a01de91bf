"""The form prior weighed by the readings of one face, and shapes drawn from what is left.

Everything is Gaussian once the parts and their sizes are chosen, and there are only finitely many choices; so the
posterior is an exact mixture: no chain, no maximum, the same answer every time. In coordinates freed of the plane and
of every blind shape, and whitened by the readings' own covariance, a random part is diagonal in its eigenvectors; low
modes and features are a few more columns, eliminated in turn. The marginal likelihood of each choice is closed.

What does not depend on the heights is built once (`form_model`), so that a study can judge many faces of one design.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.random import Generator

from waywright.core.judge import form_prior as prior
from waywright.core.judge.form_prior import Candidate, Features, Floats, Indexes, orthonormal
from waywright.core.judge.spectrum import Spectrum, spectrum, symmetric
from waywright.progress import each

BLIND_UM = 50.0  # RMS sigma beyond which a shape counts as not seen: 0.05 of the diffuse prior of 1 mm
NEGLIGIBLE = 1e-6  # of the likeliest choice of one random part
DROPPED = 5e-3  # of all choices together, the least likely
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
class Part:
    """One random part prepared for a sizes, l sizes of m low modes, j features.

    `turn` (r, r): its eigenvectors; `columns` (r, m + j): low modes and features in them; `keep` (a, r): the share of
    a coordinate that is noise. `log_alone` (a, 1 + l): prior and determinants, without feature; index 0 along l is
    "no low modes". `low_inverse` (a, l, m, m), `low_to_feature` (a, l, m, j): eliminate the low modes;
    `weight` (a, 1 + l, j): what is then known of each feature's height, 1/um². `pair` (a', 1 + l', p): the same between
    two spots, on every second size; None where pairs are not tried.
    """

    candidate: Candidate
    turn: Floats
    columns: Floats
    keep: Floats
    log_alone: Floats
    low_inverse: Floats
    low_to_feature: Floats
    weight: Floats
    pair: Floats | None

    def evidence(self, whitened: Floats, low: int) -> tuple[Floats, Floats]:
        """Log evidence without feature (a, 1 + l), and what the heights say of each feature (a, 1 + l, j)."""
        turned = self.turn.T @ whitened
        said = (self.keep * turned) @ self.columns
        log = self.log_alone - 0.5 * (self.keep @ turned**2)[:, None]
        of_low, of_features = said[:, :low], said[:, None, low:]
        if low == 0:
            return log, of_features
        fitted = np.einsum("almk,ak->alm", self.low_inverse, of_low)
        log[:, 1:] += 0.5 * np.einsum("am,alm->al", of_low, fitted)
        freed = of_features - np.einsum("am,almj->alj", of_low, self.low_to_feature)
        return log, np.concatenate([of_features, freed], axis=1)


@dataclass(frozen=True)
class Choices:
    """c choices of parts and sizes, all (c,): `size` indexes the random part's sizes, `low` those of the low modes
    (0: none), `first` and `second` the features, left out where their size `first_um` or `second_um` is 0.
    """

    log_weight: Floats
    part: Indexes
    size: Indexes
    low: Indexes
    first: Indexes
    first_um: Floats
    second: Indexes
    second_um: Floats

    def take(self, at: Indexes) -> Choices:
        """The choices at `at`."""
        return Choices(*(getattr(self, field.name)[at] for field in fields(self)))

    def weight(self) -> Floats:
        """(c,) posterior weight of each, summing to 1."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(weight / weight.sum())

    @staticmethod
    def joined(several: Sequence[Choices]) -> Choices:
        """The likeliest of `several` that make up all but DROPPED, likeliest first: an order no renaming changes."""
        below = np.concatenate([c.log_weight for c in several])
        below = np.minimum(4.0 * (below.max() - below), 200.0)  # a class for each quarter of a factor e
        share = np.cumsum(np.bincount(below.astype(np.intp), np.exp(-below / 4.0)))
        last = int(np.searchsorted(share, (1.0 - DROPPED) * share[-1]))
        starts = np.cumsum([0, *(c.log_weight.size for c in several)])
        kept = [
            c.take(np.flatnonzero(below[i:j] < last + 1)) for c, i, j in zip(several, starts, starts[1:], strict=False)
        ]
        one = Choices(*(np.concatenate([getattr(c, f.name) for c in kept]) for f in fields(Choices)))
        return one.take(np.argsort(-one.log_weight, kind="stable"))


@dataclass(frozen=True)
class FormModel:
    """The form prior on the n nodes of one face with one covariance; `weigh` heights, then `draw` shapes."""

    frame: Frame
    features: Features
    parts: tuple[Part, ...]
    size_um: Floats  # (a,) RMS of the random part
    low_um: Floats  # (l, m)
    feature_um: Floats  # (s,)
    pair_um: Floats

    def weigh(self, height_um: Floats) -> Choices:
        """Every choice of parts and sizes that heights (n,) leave likely, likeliest first."""
        if not self.parts:
            none, zero = np.zeros(1, dtype=np.intp), np.zeros(1)
            return Choices(zero, none, none, none, none, zero, none, zero)
        whitened = self.frame.whiten * (self.frame.seen.T @ height_um)
        found = []
        for index, part in enumerate(self.parts):
            log, said = part.evidence(whitened, self.low_um.shape[1])
            found.append(self._one_feature(index, log, said))
            if part.pair is not None:
                found.append(self._two_spots(index, log, said))
        return Choices.joined(found)

    def _one_feature(self, index: int, log: Floats, said: Floats) -> Choices:
        """The likely choices without a feature, and with one of any size."""
        part = self.parts[index]
        size, low = np.nonzero(np.isfinite(log))
        feature, um, total = np.full(size.size, -1), np.zeros(size.size), log[size, low]
        if part.candidate.kind != "wavy":  # a spot on a wave is left to the other parts
            total = total + np.log(self.features.chance_of_none)
            chance = np.log(self.features.chance)
            most = log[..., None] + chance + 0.5 * said**2 / np.maximum(part.weight, np.finfo(float).tiny)
            most += prior.FEATURE_SIZES.log_weight(self.feature_um).max(initial=-np.inf)  # whatever its size
            at = np.nonzero(most > total.max() + np.log(NEGLIGIBLE))
            variance = self.feature_um**2
            spread = 1.0 + part.weight[at][:, None] * variance
            gain = 0.5 * said[at][:, None] ** 2 * (variance / spread) - 0.5 * np.log(spread)
            gain += prior.FEATURE_SIZES.log_weight(self.feature_um) + chance[at[2]][:, None]
            times = self.feature_um.size
            size, low = (np.concatenate([a, np.repeat(b, times)]) for a, b in zip((size, low), at[:2], strict=True))
            feature = np.concatenate([feature, np.repeat(at[2], times)])
            um = np.concatenate([um, np.tile(self.feature_um, len(at[2]))])
            total = np.concatenate([total, (log[at[:2]][:, None] + gain).ravel()])
        likely = np.flatnonzero(total > total.max() + np.log(NEGLIGIBLE))
        likely = likely[np.lexsort((um[likely], feature[likely], low[likely], size[likely]))]
        return Choices(
            log_weight=total[likely],
            part=np.full(likely.size, index),
            size=size[likely],
            low=low[likely],
            first=np.maximum(feature[likely], 0),
            first_um=um[likely],
            second=np.zeros(likely.size, dtype=np.intp),
            second_um=np.zeros(likely.size),
        )

    def _two_spots(self, index: int, log: Floats, said: Floats) -> Choices:
        part = self.parts[index]
        assert part.pair is not None
        first, second = np.triu_indices(self.features.spots, 1)
        every = (slice(None, None, 2), slice(None, None, 2))
        a, b = said[every][..., first, None], said[every][..., second, None]
        precision = self.pair_um**-2.0
        aa, bb = (part.weight[every][..., at, None] + precision for at in (first, second))
        ab = part.pair[..., None]
        det = aa * bb - ab**2
        gain = 0.5 * (a**2 * bb + b**2 * aa - 2 * a * b * ab) / det - 0.5 * np.log(det / precision**2)
        gain += prior.PAIR_SIZES.log_weight(self.pair_um) + np.log(prior.CHANCE_TWO_SPOTS / first.size)
        # a few parts and every second size stand for all of them
        stands_for = -np.log(part.candidate.chance) - np.log(len(prior.BEHIND_TWO_SPOTS)) + np.log(2.0)
        twice = np.where(np.arange(part.pair.shape[1]) > 0, np.log(2.0), 0.0)
        total = gain + (log[every] + stands_for + twice)[..., None, None]
        size, low, pair, height = np.nonzero(total > total.max() + np.log(NEGLIGIBLE))
        return Choices(
            log_weight=total[size, low, pair, height],
            part=np.full(size.size, index),
            size=2 * size,
            low=2 * low,
            first=first[pair],
            first_um=self.pair_um[height],
            second=second[pair],
            second_um=self.pair_um[height],
        )

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
        eta = rng.standard_normal((draws, self.low_um.shape[1] + 2))
        seen = np.zeros((draws, face.seen.shape[1]))
        if self.parts:
            steps = (np.arange(draws) + 0.5) / draws
            at = np.searchsorted(np.cumsum(choices.weight()), steps)
            at = rng.permutation(np.minimum(at, choices.part.size - 1))
            chosen = choices.take(at)
            for index in np.unique(chosen.part):
                rows = np.flatnonzero(chosen.part == index)
                length = max(1, CHUNK // (rank.size * eta.shape[1]))
                for cut in range(0, rows.size, length):
                    some = rows[cut : cut + length]
                    of_seen = noise[some] @ face.seen
                    seen[some] = self._draw_part(self.parts[index], height_um, chosen.take(some), of_seen, eta[some])
        del noise
        return self._with_blind(height_um, seen, beyond)

    def _draw_part(self, part: Part, height_um: Floats, chosen: Choices, noise: Floats, eta: Floats) -> Floats:
        """(c, r): low modes and features first, given the heights; then the random part, given those as well."""
        m = self.low_um.shape[1]
        turned = part.turn.T @ (self.frame.whiten * (self.frame.seen.T @ height_um))
        keep = part.keep[chosen.size]
        features = np.array([chosen.first_um, chosen.second_um])[: 2 if chosen.second_um.any() else 1]
        columns = np.empty((keep.shape[0], m + len(features), turned.size))
        columns[:, :m] = part.columns[:, :m].T
        columns[:, m:] = self._louder_first(part, turned, chosen)
        size = np.empty((keep.shape[0], m + len(features)))
        size[:, :m] = np.concatenate([np.zeros((1, m)), self.low_um])[chosen.low]
        size[:, m:] = features.T
        eta = eta[:, : size.shape[1]]
        weighted = columns * keep[:, None]
        information = size[:, :, None] * size[:, None] * (weighted @ columns.transpose(0, 2, 1)) + np.eye(size.shape[1])
        said = size * (weighted @ turned)
        root = np.linalg.cholesky(information).transpose(0, 2, 1)
        mean = np.linalg.solve(information, said[..., None])
        amounts = size * (mean + np.linalg.solve(root, (np.sign(said) * eta)[..., None]))[..., 0]
        made = (amounts[:, None] @ columns)[:, 0]
        random = (1.0 - keep) * (turned - made) + np.sqrt(1.0 - keep) * (noise @ part.turn)
        return np.asarray((random + made) @ part.turn.T * self.frame.spread)

    def _louder_first(self, part: Part, turned: Floats, chosen: Choices) -> Floats:
        """(c, 1 or 2, r): the columns of the choices' features; of two, the one the heights speak of louder first."""
        one = part.columns[:, self.low_um.shape[1] + chosen.first].T
        if not chosen.second_um.any():
            return one[:, None]
        other = part.columns[:, self.low_um.shape[1] + chosen.second].T
        keep = part.keep[chosen.size] * turned
        swap = (np.abs((keep * other).sum(axis=1)) > np.abs((keep * one).sum(axis=1))) & (chosen.second_um > 0)
        return np.where(swap[:, None, None], np.stack([other, one], axis=1), np.stack([one, other], axis=1))

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


def form_model(
    face: Frame, x_mm: Floats, y_mm: Floats, *, reach_um: float, only: Sequence[int] | None = None
) -> FormModel:
    """Prepare the form prior for the n nodes of one face in its frame.

    `reach_um`: sizes are tried up to this. `only`: indexes into `candidates`, all if None.
    """
    free = np.column_stack([prior.plane_columns(x_mm, y_mm), face.blind])
    level, something = face.level_um or 1.0, face.seen.shape[1] > 0
    modes = prior.low_modes(x_mm, y_mm, free) if something else np.zeros((x_mm.size, 0))
    low = prior.LOW_SIZES.up_to(reach_um / level)[:, None] * prior.LOW_MODE_FALL ** np.arange(modes.shape[1])
    reach = reach_um * np.sqrt(x_mm.size) / level
    model = FormModel(
        frame=face,
        features=prior.features(x_mm, y_mm) if something else prior.NO_FEATURES,
        parts=(),
        size_um=level * prior.RANDOM_SIZES.up_to(reach_um / level),
        low_um=level * low,
        feature_um=level * prior.FEATURE_SIZES.up_to(reach),
        pair_um=level * prior.PAIR_SIZES.up_to(reach),
    )
    if not something:
        return model
    nodes = face.whiten[:, None] * face.seen.T
    every = prior.candidates(x_mm, y_mm)
    chosen = [every[i] for i in (only if only is not None else range(len(every)))]
    parts = []
    for candidate in each(chosen):
        like_along = candidate.along_mm == candidate.across_mm
        pairs = like_along and (candidate.kind, candidate.length) in prior.BEHIND_TWO_SPOTS
        few = 2 < x_mm.size <= PAIRS_UP_TO
        inside = face.seen.T @ candidate.covariance(x_mm, y_mm) @ face.seen
        size = np.trace(inside) / x_mm.size
        if size > NOTHING:  # on few nodes some are all plane, or all blind
            parts.append(_part(model, candidate, inside / size, (nodes @ modes, nodes), pairs and few))
    return replace(model, parts=tuple(parts))


def _part(
    model: FormModel, candidate: Candidate, inside: Floats, columns: tuple[Floats, Floats], with_pairs: bool
) -> Part:
    """Prepare a random part of covariance `inside` (r, r) over what is seen, RMS 1 over the nodes; `columns` are the
    low modes and the nodes, (r, m) and (r, n).
    """
    face, m, level = model.frame, model.low_um.shape[1], model.frame.level_um
    variance, turn = np.linalg.eigh(symmetric(face.whiten[:, None] * inside * face.whiten))
    signal = model.size_um[:, None] ** 2 * np.maximum(variance, 0.0)
    keep = 1.0 / (1.0 + signal)
    low, feature = turn.T @ columns[0], model.features.summed(turn.T @ columns[1])
    turned = np.concatenate([low, feature], axis=1)

    sizes = model.size_um / level
    log = np.log(candidate.chance) - 0.5 * np.log1p(signal).sum(axis=1)
    alone = log + prior.RANDOM_SIZES.log_weight(sizes, prior.FLOOR_ALONE[candidate.kind])
    weight = (keep @ feature**2)[:, None]
    if m == 0:
        empty = np.zeros((sizes.size, 0, 0, 0))
        pair = _pair_weights(model, keep, feature, empty, empty) if with_pairs else None
        return Part(candidate, turn, turned, keep, alone[:, None], empty, empty, weight, pair)

    weighted = keep[:, None] * low.T  # (a, m, r)
    precision = model.low_um**-2.0
    matrix = (weighted @ low)[:, None] + precision[:, :, None] * np.eye(m)
    inverse = np.linalg.inv(matrix)
    to_feature = weighted @ feature  # (a, m, j)
    back = inverse @ to_feature[:, None]
    beside = log + prior.RANDOM_SIZES.log_weight(sizes, prior.FLOOR_BESIDE_LOW_MODES)
    beside = beside[:, None] + prior.LOW_SIZES.log_weight(model.low_um[:, 0] / level) + np.log(prior.CHANCE_LOW_MODES)
    beside = beside - 0.5 * (np.linalg.slogdet(matrix)[1] - np.log(precision).sum(axis=1))
    alone = alone[:, None] + np.log1p(-prior.CHANCE_LOW_MODES)
    freed = weight - np.einsum("amj,almj->alj", to_feature, back)
    pair = _pair_weights(model, keep, feature, to_feature, back) if with_pairs else None
    weight = np.concatenate([weight, np.maximum(freed, 0.0)], axis=1)
    return Part(candidate, turn, turned, keep, np.concatenate([alone, beside], axis=1), inverse, back, weight, pair)


def _pair_weights(model: FormModel, keep: Floats, feature: Floats, to_feature: Floats, back: Floats) -> Floats:
    """(a', 1 + l', p): between two spots, low modes eliminated, on every second size."""
    spots = model.features.spots
    first, second = np.triu_indices(spots, 1)
    feature = feature[:, :spots]
    plain = ((keep[::2, None] * feature.T) @ feature)[:, None]
    if back.size:
        shared = to_feature[::2, None, :, :spots].transpose(0, 1, 3, 2) @ back[::2, 1::2, :, :spots]
        plain = np.concatenate([plain, plain - shared], axis=1)
    return np.asarray(plain[:, :, first, second])


def _root(matrix: Floats) -> Floats:
    """The symmetric root of a covariance; what rounding made negative is 0."""
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
