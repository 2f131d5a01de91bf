"""The bench killed while people type: what it acknowledged is on the disk."""

from __future__ import annotations

from pathlib import Path

import pytest

from studies.kill_server import killed


@pytest.mark.slow
def test_no_kill_of_the_bench_loses_or_doubles_a_reading(tmp_path: Path) -> None:
    """Twenty kills of `waywright bench` while two clients type: every acknowledged reading is there once, in order, the
    book is sound after each, and in the end all that was typed is there. `make proof` kills a hundred times."""
    *_, outcome = killed(tmp_path / "book.sqlite", 20, 20_264, longest_life_s=1.0, cold_every=10)
    assert outcome is not None
    assert outcome.wrong == ()
    assert outcome.kills == 20
    assert outcome.acknowledged > 20
    assert outcome.sent_again > 5  # kills did come while somebody waited
