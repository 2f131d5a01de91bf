"""Choices of parts, sizes and features that a face's readings leave likely, each with its weight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from waywright.core.judge.form_prior import Floats, Indexes

DROPPED = 5e-3  # of all choices together, the least likely


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


def nothing_to_choose() -> Choices:
    """The one choice where there are no parts."""
    none, zero = np.zeros(1, dtype=np.intp), np.zeros(1)
    return Choices(zero, none, none, none, none, zero, none, zero)
