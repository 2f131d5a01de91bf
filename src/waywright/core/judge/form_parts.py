"""Random parts of the form prior, prepared for the readings of one face, many at a time.

In coordinates freed of the plane and of every blind shape, and whitened by the readings' own covariance, a random part
is diagonal in its eigenvectors; low modes and features are a few more columns, eliminated in turn. The marginal
likelihood of each choice of part, sizes and feature is closed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from waywright.core.judge import form_prior as prior
from waywright.core.judge.choices import Choices
from waywright.core.judge.form_prior import Candidate, Features, Floats, Indexes
from waywright.core.judge.spectrum import symmetric

NEGLIGIBLE = 1e-6  # of the likeliest choice


@dataclass(frozen=True)
class Sizes:
    """What is tried: a RMS of the random part, l × m low modes, s heights of a feature and of two spots; `level_um` is
    the noise level they are counted in."""

    level_um: float
    random_um: Floats  # (a,)
    low_um: Floats  # (l, m)
    feature_um: Floats  # (s,)
    pair_um: Floats


@dataclass(frozen=True)
class Parts:
    """p random parts prepared for a sizes, l sizes of m low modes, j features; part `first` of the model and on.

    `turn` (p, r, r): their eigenvectors; `columns` (p, r, m + j): low modes and features in them; `keep` (p, a, r): the
    share of a coordinate that is noise. `log_alone` (p, a, 1 + l): prior and determinants, without feature; index 0
    along l is "no low modes". `low_inverse` (p, a, l, m, m), `low_to_feature` (p, a, l, m, j): eliminate the low modes;
    `weight` (p, a, 1 + l, j): what is then known of each feature's height, 1/um². `pairs` (p): between two spots
    (a', 1 + l', pairs), on every second size; None where pairs are not tried.
    """

    first: int
    candidates: tuple[Candidate, ...]
    features: Features
    sizes: Sizes
    turn: Floats
    columns: Floats
    keep: Floats
    log_alone: Floats
    low_inverse: Floats
    low_to_feature: Floats
    weight: Floats
    pairs: tuple[Floats | None, ...]

    def likely(self, whitened: Floats) -> Iterator[Choices]:
        """The choices of these parts that whitened heights (r,) leave likely: without a feature and with one of
        any size, then with two spots."""
        log, said = self._evidence(whitened)
        yield self._one_feature(log, said)
        for i, pair in enumerate(self.pairs):
            if pair is not None:
                yield self._two_spots(i, log[i], said[i], pair)

    def _evidence(self, whitened: Floats) -> tuple[Floats, Floats]:
        """Log evidence without feature (p, a, 1 + l), and what the heights say of each feature (p, a, 1 + l, j)."""
        low = self.sizes.low_um.shape[1]
        turned = whitened @ self.turn
        said = (self.keep * turned[:, None]) @ self.columns
        log = self.log_alone - 0.5 * self.keep @ (turned**2)[..., None]
        of_low, of_features = said[..., :low], said[:, :, None, low:]
        if low == 0:
            return log, of_features
        fitted = (self.low_inverse @ of_low[:, :, None, :, None])[..., 0]
        log[..., 1:] += 0.5 * (fitted @ of_low[..., None])[..., 0]
        freed = of_features - (of_low[:, :, None, None] @ self.low_to_feature)[..., 0, :]
        return log, np.concatenate([of_features, freed], axis=2)

    @cached_property
    def _featured(self) -> Floats:
        """(p,) 1; of waves 0: a spot on a wave is left to the other parts."""
        return np.array([float(candidate.kind != "wavy") for candidate in self.candidates])

    def _one_feature(self, log: Floats, said: Floats) -> Choices:
        um, chance = self.sizes.feature_um, np.log(self.features.chance)
        of_size = prior.FEATURE_SIZES.log_weight(um)
        none = log + (self._featured * np.log(self.features.chance_of_none))[:, None, None]
        most = log[..., None] + (chance + of_size.max(initial=-np.inf))  # of a feature, whatever its size, no more than
        most += 0.5 * said**2 / np.maximum(self.weight, np.finfo(float).tiny)
        likely = most > none.max() + np.log(NEGLIGIBLE)
        at = np.nonzero(likely & (self._featured > 0)[:, None, None, None])
        spread = 1.0 + self.weight[at][:, None] * um**2
        gain = 0.5 * said[at][:, None] ** 2 * (um**2 / spread) - 0.5 * np.log(spread)
        gain += of_size + chance[at[3]][:, None]
        without = np.indices(none.shape).reshape(3, -1)
        part, size, low = (np.concatenate([a, np.repeat(b, um.size)]) for a, b in zip(without, at[:3], strict=True))
        feature = np.concatenate([np.full(none.size, -1), np.repeat(at[3], um.size)])
        height = np.concatenate([np.zeros(none.size), np.tile(um, at[3].size)])
        total = np.concatenate([none.ravel(), (log[at[:3]][:, None] + gain).ravel()])
        kept = np.flatnonzero(total > total.max() + np.log(NEGLIGIBLE))
        return Choices(
            log_weight=total[kept],
            part=self.first + part[kept],
            size=size[kept],
            low=low[kept],
            first=np.maximum(feature[kept], 0),
            first_um=height[kept],
            second=np.zeros(kept.size, dtype=np.intp),
            second_um=np.zeros(kept.size),
        )

    def _two_spots(self, i: int, log: Floats, said: Floats, pair: Floats) -> Choices:
        um = self.sizes.pair_um
        first, second = np.triu_indices(self.features.spots, 1)
        every = (slice(None, None, 2), slice(None, None, 2))
        a, b = said[every][..., first, None], said[every][..., second, None]
        precision = um**-2.0
        aa, bb = (self.weight[i][every][..., at, None] + precision for at in (first, second))
        ab = pair[..., None]
        det = aa * bb - ab**2
        gain = 0.5 * (a**2 * bb + b**2 * aa - 2 * a * b * ab) / det - 0.5 * np.log(det / precision**2)
        gain += prior.PAIR_SIZES.log_weight(um) + np.log(prior.CHANCE_TWO_SPOTS / first.size)
        # a few parts and every second size stand for all of them
        stands_for = -np.log(self.candidates[i].chance) - np.log(len(prior.BEHIND_TWO_SPOTS)) + np.log(2.0)
        twice = np.where(np.arange(pair.shape[1]) > 0, np.log(2.0), 0.0)
        total = gain + (log[every] + stands_for + twice)[..., None, None]
        size, low, which, height = np.nonzero(total > total.max() + np.log(NEGLIGIBLE))
        return Choices(
            log_weight=total[size, low, which, height],
            part=np.full(size.size, self.first + i),
            size=2 * size,
            low=2 * low,
            first=first[which],
            first_um=um[height],
            second=second[which],
            second_um=um[height],
        )


def prepared(
    first: int,
    candidates: Sequence[Candidate],
    inside: Floats,
    columns: tuple[Floats, Floats],
    features: Features,
    sizes: Sizes,
    with_pairs: Sequence[bool],
) -> Parts:
    """Random parts of covariance `inside` (p, r, r) over what is seen, whitened, of RMS 1 over the nodes; `columns` are
    the low modes and the nodes, (r, m) and (r, n)."""
    variance, turn = np.linalg.eigh(symmetric(inside))
    signal = sizes.random_um[:, None] ** 2 * np.maximum(variance, 0.0)[:, None]
    keep = 1.0 / (1.0 + signal)
    back = turn.swapaxes(1, 2)
    low, nodes = back @ columns[0], back @ columns[1]
    feature = features.summed(nodes.reshape(-1, nodes.shape[2])).reshape(*nodes.shape[:2], -1)
    told, m = sizes.random_um / sizes.level_um, low.shape[2]
    log = np.log([[candidate.chance] for candidate in candidates]) - 0.5 * np.log1p(signal).sum(axis=2)
    alone = log + [prior.RANDOM_SIZES.log_weight(told, prior.FLOOR_ALONE[candidate.kind]) for candidate in candidates]
    alone, weight = alone[..., None], (keep @ feature**2)[:, :, None]
    if m == 0:
        inverse = to_low = np.zeros((*log.shape, 0, 0, 0))
        pairs = [_pairs(features.spots, k, f) if w else None for k, f, w in zip(keep, feature, with_pairs, strict=True)]
    else:
        weighted = keep[:, :, None] * low.swapaxes(1, 2)[:, None]  # (p, a, m, r)
        precision = sizes.low_um**-2.0
        matrix = (weighted @ low[:, None])[:, :, None] + precision[:, :, None] * np.eye(m)
        inverse = np.linalg.inv(matrix)
        to_feature = weighted @ feature[:, None]  # (p, a, m, j)
        to_low = inverse @ to_feature[:, :, None]
        beside = (log + prior.RANDOM_SIZES.log_weight(told, prior.FLOOR_BESIDE_LOW_MODES))[..., None]
        beside = beside + prior.LOW_SIZES.log_weight(sizes.low_um[:, 0] / sizes.level_um)
        beside += np.log(prior.CHANCE_LOW_MODES)
        beside -= 0.5 * (np.linalg.slogdet(matrix)[1] - np.log(precision).sum(axis=1))
        alone = np.concatenate([alone + np.log1p(-prior.CHANCE_LOW_MODES), beside], axis=2)
        freed = weight - np.einsum("pamj,palmj->palj", to_feature, to_low)
        weight = np.concatenate([weight, np.maximum(freed, 0.0)], axis=2)
        each = zip(keep, feature, to_feature, to_low, with_pairs, strict=True)
        pairs = [_pairs(features.spots, k, f, t, b) if w else None for k, f, t, b, w in each]
    turned = np.concatenate([low, feature], axis=2)
    of = tuple(candidates)
    return Parts(first, of, features, sizes, turn, turned, keep, alone, inverse, to_low, weight, tuple(pairs))


def _pairs(
    spots: int, keep: Floats, feature: Floats, to_feature: Floats | None = None, to_low: Floats | None = None
) -> Floats:
    """(a', 1 + l', pairs): of one part between two spots, low modes eliminated, on every second size."""
    first, second = np.triu_indices(spots, 1)
    feature = feature[:, :spots]
    plain = ((keep[::2, None] * feature.T) @ feature)[:, None]
    if to_feature is not None and to_low is not None:
        shared = to_feature[::2, None, :, :spots].transpose(0, 1, 3, 2) @ to_low[::2, 1::2, :, :spots]
        plain = np.concatenate([plain, plain - shared], axis=1)
    return np.asarray(plain[:, :, first, second])


def one_of(parts: Sequence[Parts], index: int) -> tuple[Floats, Floats, Floats]:
    """`turn` (r, r), `columns` (r, m + j) and `keep` (a, r) of a part by its number in the model."""
    batch = next(p for p in parts if index < p.first + len(p.candidates))
    i = index - batch.first
    return batch.turn[i], batch.columns[i], batch.keep[i]


def batches(count: int, nodes: int) -> Iterator[Indexes]:
    """Numbers of parts that are prepared together: many on few nodes, on many one by one."""
    together = max(1, 100_000 // nodes**2)
    for start in range(0, count, together):
        yield np.arange(start, min(count, start + together))
