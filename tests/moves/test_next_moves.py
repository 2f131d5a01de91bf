"""The study of the next move on a few of its shops; the full 200 are `make proof FLAGS=next_moves`."""

from __future__ import annotations

import numpy as np

from studies.next_moves import SEED, compare

SMALL = (3, 5, 7, 11, 12, 14, 15, 18)  # shops of the study that are quickly done


def test_following_the_next_move_reads_less_than_reading_everything() -> None:
    """Asked once or again and again, in no shop more readings than reading all; at the median six in ten or fewer."""
    found = np.array([compare(np.random.default_rng([SEED, k])) for k in SMALL])
    share = found[:, 1:] / found[:, :1]
    assert share.max() <= 1.0
    assert np.all(np.median(share, axis=0) <= 0.6)
