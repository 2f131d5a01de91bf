"""A reading that was acknowledged is on the disk, whatever happens to the program."""

from __future__ import annotations

from pathlib import Path

import pytest

from studies.kill_writer import killed


@pytest.mark.slow
def test_no_kill_loses_or_doubles_a_reading(tmp_path: Path) -> None:
    """Twenty kills while two clients type: every acknowledged reading is there once, in order, and the book is sound
    after each. `make proof` kills a hundred times."""
    *_, outcome = killed(tmp_path / "book.sqlite", 20, 20_262)
    assert outcome is not None
    assert outcome.wrong == ()
    assert outcome.kills == 20
    assert outcome.acknowledged > 20
    assert outcome.sent_again > 5  # kills did come while somebody waited
