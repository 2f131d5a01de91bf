"""Past moments of jobs, worked out behind the pages that wait for them.

A page waits a moment; is it not done by then, the page says how far it is and asks again. One is worked out at a time,
the one asked for last first: who moves through a history wants the moment where they stopped.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from dataclasses import dataclass

from waywright.record import Snapshot
from waywright.web.solved import Reported, Solver

PATIENCE_S = 1.5  # how long a page waits
MOST = 12  # moments wanted at once; older ones are let go, and begun anew if asked for again
KEPT = 24

Key = tuple[str, int]


@dataclass(frozen=True)
class Outcome:
    """What came of one moment: `solved`, or the fault that ended it."""

    solved: Reported | None = None
    fault: BaseException | None = None


class Waiting:
    """Works out what is asked for in a thread of its own, that ends when nothing is wanted."""

    def __init__(self, patience_s: float = PATIENCE_S) -> None:
        self.patience_s = patience_s
        self._changed = threading.Condition()
        self._wanted: OrderedDict[Key, tuple[Solver, Snapshot]] = OrderedDict()
        self._done: OrderedDict[Key, Outcome] = OrderedDict()
        self._now: tuple[Key, str, float] | None = None  # what is worked out, how far it is, since when
        self._runs = False

    def solved(self, solver: Solver, opened: Snapshot) -> Reported | str:
        """The report of a job at its act if it is there in time, else how far it is, in words."""
        key = (opened.uid, opened.number)
        with self._changed:
            if key not in self._done and (self._now is None or self._now[0] != key):
                self._wanted[key] = (solver, opened)
                self._wanted.move_to_end(key)
                while len(self._wanted) > MOST:
                    self._wanted.popitem(last=False)
            if self._wanted and not self._runs:
                self._runs = True
                threading.Thread(target=self._work, daemon=True).start()
            if not self._changed.wait_for(lambda: key in self._done, self.patience_s):
                return self._progress(key)
            found = self._done[key]
            self._done.move_to_end(key)
            if found.fault is not None:
                del self._done[key]  # who asks again has it tried again
                raise found.fault
        assert found.solved is not None
        return found.solved

    def _progress(self, key: Key) -> str:
        if self._now is not None and self._now[0] == key:
            return f"{self._now[1]}, for {time.monotonic() - self._now[2]:.0f} s"
        return "another moment is worked out first"

    def _work(self) -> None:
        while True:
            with self._changed:
                if not self._wanted:
                    self._runs, self._now = False, None
                    return
                key, (solver, opened) = self._wanted.popitem()
                self._now = (key, "step 1 of 2: the readings are solved", time.monotonic())
            try:
                solver.glance(opened)
                self._step(key, "step 2 of 2: the shapes are judged")
                outcome = Outcome(solver.solved(opened))
            except BaseException as fault:
                outcome = Outcome(fault=fault)
            with self._changed:
                self._now = None
                self._done[key] = outcome
                while len(self._done) > KEPT:
                    self._done.popitem(last=False)
                self._changed.notify_all()

    def _step(self, key: Key, words: str) -> None:
        with self._changed:
            assert self._now is not None
            self._now = (key, words, self._now[2])
