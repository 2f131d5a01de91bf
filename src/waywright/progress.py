"""How far long work is: told as a share of it, from wherever it is done, to whoever listens in the same thread.

Who listens may raise: work that nobody waits for any more ends there.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from typing import TypeVar

Listener = Callable[[float], None]
T = TypeVar("T")


class _Work:
    """What is being done: who listens, which stretch of the whole it is, and what was told."""

    def __init__(self, listener: Listener | None = None) -> None:
        self.listener = listener
        self.start, self.share, self.most = 0.0, 1.0, 0.0


class _Now(threading.local):
    def __init__(self) -> None:
        self.work = _Work()


_now = _Now()


@contextmanager
def listening(listener: Listener) -> Iterator[None]:
    """What is done within is told to `listener`, as a share of all of it, 0 to 1, that never falls."""
    before, _now.work = _now.work, _Work(listener)
    try:
        yield
    finally:
        _now.work = before


@contextmanager
def part(start: float, end: float) -> Iterator[None]:
    """What is done within goes from `start` to `end` of what is done now; both are told."""
    work = _now.work  # that of now: a loop that was left may come to its end only when others are at work
    before = work.start, work.share
    work.start, work.share = work.start + start * work.share, (end - start) * work.share
    try:
        done(0.0)
        yield
        done(1.0)
    finally:
        work.start, work.share = before


def each(items: Collection[T]) -> Iterator[T]:
    """The items one after the other, each an even part of what is done now."""
    for i, item in enumerate(items):
        with part(i / len(items), (i + 1) / len(items)):
            yield item


def done(share: float) -> None:
    """So much of what is done now is done."""
    work = _now.work
    if work.listener is not None:
        work.most = max(work.most, work.start + share * work.share)
        work.listener(work.most)
