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


class _Now(threading.local):
    """Who listens, and which stretch of the whole is being done."""

    def __init__(self) -> None:
        self.listener: Listener | None = None
        self.start, self.share, self.most = 0.0, 1.0, 0.0


_now = _Now()


@contextmanager
def listening(listener: Listener) -> Iterator[None]:
    """What is done within is told to `listener`, as a share of all of it, 0 to 1, that never falls."""
    with _kept():
        _now.listener, _now.start, _now.share, _now.most = listener, 0.0, 1.0, 0.0
        yield


@contextmanager
def part(start: float, end: float) -> Iterator[None]:
    """What is done within goes from `start` to `end` of what is done now; both are told."""
    with _kept():
        _now.start, _now.share = _now.start + start * _now.share, (end - start) * _now.share
        done(0.0)
        yield
        done(1.0)


def each(items: Collection[T]) -> Iterator[T]:
    """The items one after the other, each an even part of what is done now."""
    for i, item in enumerate(items):
        with part(i / len(items), (i + 1) / len(items)):
            yield item


def done(share: float) -> None:
    """So much of what is done now is done."""
    if _now.listener is not None:
        _now.most = max(_now.most, _now.start + share * _now.share)
        _now.listener(_now.most)


@contextmanager
def _kept() -> Iterator[None]:
    before, most = (_now.listener, _now.start, _now.share), _now.most
    try:
        yield
    finally:
        if _now.listener is not before[0]:
            _now.most = most
        _now.listener, _now.start, _now.share = before
