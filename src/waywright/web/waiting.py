"""What takes long, worked out behind the pages that wait for it.

A page waits a moment; is it not done by then, the page says how far it is and asks again. One is worked out at a time,
the one asked for last first: who moves through a history wants the moment where they stopped.
"""

from __future__ import annotations

import math
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar, cast

from waywright.progress import listening

PATIENCE_S = 1.5  # how long a page waits
MOST = 12  # asked for at once; older ones are let go, and begun anew if asked for again
KEPT = 24

Key = tuple[str, int]
T = TypeVar("T")


class StillWorking(Exception):
    """What a page shows is not there yet; `words` say how far it is."""

    def __init__(self, words: str) -> None:
        super().__init__(words)
        self.words = words


class _Dropped(BaseException):
    """A newer act of the job was asked for: what is worked out of this one is nobody's any more."""


@dataclass(frozen=True)
class Outcome:
    """What came of one: what was worked out, or the fault that ended it."""

    found: object = None
    fault: BaseException | None = None


class Waiting:
    """Works out what is asked for in a thread of its own, that ends when nothing is wanted.

    With `newest`, of each job the newest act that is asked for alone: what is being worked out of one before it ends.
    """

    def __init__(self, patience_s: float = PATIENCE_S, kept: int = KEPT, *, newest: bool = False) -> None:
        self.patience_s, self._most_kept, self._newest = patience_s, kept, newest
        self._latest: dict[str, int] = {}
        self._changed = threading.Condition()
        self._wanted: OrderedDict[Key, Callable[[], Any]] = OrderedDict()
        self._done: OrderedDict[Key, Outcome] = OrderedDict()
        self._now: tuple[Key, float, float] | None = None  # what is worked out, which share of it, since when
        self._runs = False

    def of(self, key: Key, work: Callable[[], T], patience_s: float | None = None) -> T:
        """What `work` gives, for the job and act of `key`, if it is there in time.

        Raises `StillWorking` while it is not, and the fault that ended it, once.
        """
        with self._changed:
            self._latest[key[0]] = max(key[1], self._latest.get(key[0], 0))
            if key not in self._done and (self._now is None or self._now[0] != key):
                self._wanted[key] = work
                self._wanted.move_to_end(key)
                while len(self._wanted) > MOST:
                    self._wanted.popitem(last=False)
            if self._wanted and not self._runs:
                self._runs = True
                threading.Thread(target=self._work, daemon=True).start()
            patience_s = self.patience_s if patience_s is None else patience_s
            if not self._changed.wait_for(lambda: key in self._done, patience_s):
                raise StillWorking(self._far(key))
            outcome = self._done[key]
            self._done.move_to_end(key)
            if outcome.fault is not None:
                del self._done[key]  # who asks again has it tried again
                raise outcome.fault if not isinstance(outcome.fault, _Dropped) else StillWorking(self._far(key))
        return cast("T", outcome.found)

    def _far(self, key: Key) -> str:
        if self._now is None or self._now[0] != key:
            return "another is worked out first"
        return f"{math.floor(100 * self._now[1])} % done, for {time.monotonic() - self._now[2]:.0f} s"

    def _work(self) -> None:
        while True:
            with self._changed:
                if not self._wanted:
                    self._runs, self._now = False, None
                    return
                key, work = self._wanted.popitem()
                self._now = (key, 0.0, time.monotonic())
            try:
                with listening(self._reached):
                    outcome = Outcome(work())
            except BaseException as fault:
                outcome = Outcome(fault=fault)
            with self._changed:
                self._now = None
                self._done[key] = outcome
                while len(self._done) > self._most_kept:
                    self._done.popitem(last=False)
                self._changed.notify_all()

    def _reached(self, share: float) -> None:
        with self._changed:
            assert self._now is not None
            key, _, since = self._now
            self._now = (key, share, since)
            if self._newest and self._latest[key[0]] > key[1]:
                raise _Dropped
