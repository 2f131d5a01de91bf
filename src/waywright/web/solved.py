"""What the readings say, worked out once for each act of a job and kept while it is wanted."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace

from waywright.core.evidence import Job, JobError
from waywright.core.findings import Move, Report
from waywright.core.moves import moves
from waywright.core.report import report
from waywright.record import Opened

KEPT = 24


@dataclass(frozen=True)
class Solved:
    """A report, or the sentence why there is none."""

    report: Report | None
    problem: str = ""


Solve = Callable[[Job], Report]


class Solver:
    """Works each job out once an act; who asks meanwhile waits for the same answer."""

    def __init__(self, solve: Solve = report) -> None:
        self._solve = solve
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[str, int, str], Future[Solved | tuple[Move, ...]]] = OrderedDict()
        self.solves = 0  # how often it really worked

    def solved(self, opened: Opened) -> Solved:
        """The report of a job as it stands at its act."""
        found = self._once((opened.uid, opened.number, "report"), lambda: self._work(opened.job))
        assert isinstance(found, Solved)
        return found

    def with_moves(self, opened: Opened) -> Solved:
        """The same with its next moves, which take longer."""
        solved = self.solved(opened)
        if solved.report is None:
            return solved
        told = solved.report
        found = self._once((opened.uid, opened.number, "moves"), lambda: moves(opened.job, told))
        assert isinstance(found, tuple)
        return replace(solved, report=replace(told, moves=found))

    def _work(self, job: Job) -> Solved:
        self.solves += 1
        try:
            return Solved(self._solve(job))
        except JobError as error:
            return Solved(None, f"{error.place}: {error}" if error.place else str(error))

    def _once(
        self, key: tuple[str, int, str], work: Callable[[], Solved | tuple[Move, ...]]
    ) -> Solved | tuple[Move, ...]:
        with self._lock:
            future = self._kept.get(key)
            mine = future is None
            if future is None:
                future = self._kept[key] = Future()
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
        if mine:
            try:
                future.set_result(work())
            except BaseException as error:
                with self._lock:
                    self._kept.pop(key, None)
                future.set_exception(error)
        return future.result()
