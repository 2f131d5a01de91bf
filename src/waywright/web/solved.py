"""What the readings say, worked out once for each act of a job and kept while it is wanted.

An entry form shows the shapes first, at the speed of a hand: judging them takes some ten times as long as solving the
readings, and rests on the same solution.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, TypeVar

from waywright.core.evidence.findings import Move, Report, Shape
from waywright.core.evidence.job import JobError
from waywright.core.report import Solved, report_of, solve_readings
from waywright.progress import part
from waywright.record import Snapshot
from waywright.web.waiting import Waiting

KEPT = {"solved": 2, "report": 24, "moves": 24}  # readings solved hold the whole solution

PATIENCE_S = 0.5  # how long a page waits for the next moves before it is sent without them
REPORT_S = 5.0  # and for a report, before it only says how far that is

T = TypeVar("T")


@dataclass(frozen=True)
class Reported:
    """A report, or the sentence why there is none."""

    report: Report | None
    problem: str = ""


class Solver:
    """Works each job out once an act; who asks meanwhile waits for the same answer."""

    def __init__(self, patience_s: float = PATIENCE_S) -> None:
        self.patience_s = patience_s
        self._planning = Waiting(kept=2, newest=True)
        self.reporting = Waiting(REPORT_S, kept=2)
        self._lock = threading.Lock()
        self._kept: dict[str, OrderedDict[tuple[str, int], Future[Any]]] = {kind: OrderedDict() for kind in KEPT}
        self.judging = threading.Lock()  # held by who judges what was just typed: never two at once
        self.solves = 0  # how often readings were really solved

    def glance(self, opened: Snapshot) -> dict[str, Shape]:
        """The shapes of the faces that are read, as the report gives them but for their zones; none while they cannot
        be told."""
        seen = self._solved(opened)
        return {s.face: s for s in seen.as_read() if s.face in seen.judges} if isinstance(seen, Solved) else {}

    def solved(self, opened: Snapshot) -> Reported:
        """The report of a job as it stands at its act."""
        return self._once("report", opened, lambda: self._judged(opened))

    def moves(self, opened: Snapshot) -> tuple[Move, ...]:
        """The next moves, which may take longer than the report; none where there is no report."""
        report = self.solved(opened).report
        return () if report is None else self._once("moves", opened, lambda: report.moves)

    def moves_soon(self, opened: Snapshot, patience_s: float | None = None) -> tuple[Move, ...]:
        """The same if they are there in time; they are worked out to the end either way. Raises `StillWorking`."""
        known = self.moves_known(opened)
        if known is not None:
            return known
        patience_s = self.patience_s if patience_s is None else patience_s
        return self._planning.of((opened.uid, opened.number), lambda: self.moves(opened), patience_s)

    def solved_soon(self, opened: Snapshot, patience_s: float | None = None) -> Reported:
        """The report if it is there in time. Raises `StillWorking`."""
        return self.reporting.of((opened.uid, opened.number), lambda: self.solved(opened), patience_s)

    def moves_known(self, opened: Snapshot) -> tuple[Move, ...] | None:
        """The same if they were worked out already."""
        with self._lock:
            found = self._kept["moves"].get((opened.uid, opened.number))
        return found.result() if found is not None and found.done() else None

    def _solved(self, opened: Snapshot) -> Solved | JobError:
        def work() -> Solved | JobError:
            self.solves += 1
            try:
                return solve_readings(opened.job)
            except JobError as error:
                return error

        return self._once("solved", opened, work)

    def _judged(self, opened: Snapshot) -> Reported:
        with part(0.0, 0.2):
            seen = self._solved(opened)
        if isinstance(seen, JobError):
            return _without(seen)
        try:
            with part(0.2, 1.0):
                return Reported(report_of(seen))
        except JobError as error:
            return _without(error)

    def _once(self, kind: str, opened: Snapshot, work: Callable[[], T]) -> T:
        key, kept = (opened.uid, opened.number), self._kept[kind]
        with self._lock:
            mine = key not in kept
            future: Future[T] = kept.setdefault(key, Future())
            kept.move_to_end(key)
            while len(kept) > KEPT[kind]:
                kept.popitem(last=False)
        if mine:
            try:
                future.set_result(work())
            except BaseException as error:
                with self._lock:
                    kept.pop(key, None)
                future.set_exception(error)
        return future.result()


def _without(error: JobError) -> Reported:
    """No report, and why."""
    return Reported(None, f"{error.place}: {error}" if error.place else str(error))
