"""Books for the tests: on SQLite always, on PostgreSQL where a server is installed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from waywright import jobfile
from waywright.core.evidence import Job
from waywright.demo import shop
from waywright.record import Book


def ticking() -> Callable[[], datetime]:
    """A clock that begins on a winter's morning and goes on a second each time it is asked."""
    at = [datetime(2026, 1, 12, 8, 0, tzinfo=UTC)]

    def now() -> datetime:
        at[0] += timedelta(seconds=1)
        return at[0]

    return now


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    """An empty book in a file."""
    with Book.open(tmp_path / "book.sqlite", clock=ticking()) as opened:
        yield opened


@pytest.fixture(scope="session")
def three() -> Job:
    """The sample shop's job: three edges in both turns, and a level across."""
    return jobfile.loads(shop(), "three_edges.toml")
