"""The jobs of a book as sheets: what is found of each, how far it is, what is next. What is not known soon is worked
out for the next look; nothing waits long for it.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass

from waywright.core.evidence.job import JobError
from waywright.record import BookError, Listed, Missing, Snapshot
from waywright.views.finding import begin_words, finding_words, stands_words
from waywright.views.moves import moves_view
from waywright.views.numbers import Shown
from waywright.views.result import result
from waywright.web.app import Bench
from waywright.web.times import told
from waywright.web.waiting import StillWorking

PATIENCE_S = 1.0  # how long all jobs together are waited for
ELSEWHERE = "Open it: what is found and what is next stand there."


@dataclass(frozen=True)
class JobLine:
    """One job in the list."""

    url: str
    title: str
    changed: str
    begun: str
    problem: str = ""  # why it cannot be read; its address then gives what is stored of it
    found: str = ""
    next: str = ""
    stands: str = ""


def line_of(job: Listed) -> JobLine:
    """A job as the list of a book knows it."""
    if job.problem:
        return JobLine(f"/jobs/{job.id}/export.jsonl", f"Job {job.id}", "", "", job.problem)
    return JobLine(f"/jobs/{job.id}", job.title or "Untitled job", told(job.changed), told(job.begun))


def sheets_of(bench: Bench, jobs: Iterable[Listed], shown: Shown) -> tuple[JobLine, ...]:
    """Each job with what is found of it and what is next, as far as that is known soon."""
    ends = time.monotonic() + PATIENCE_S
    return tuple(_sheet(bench, job, shown, ends) for job in jobs)


def _sheet(bench: Bench, job: Listed, shown: Shown, ends: float) -> JobLine:
    line = line_of(job)
    if job.problem:
        return line
    try:
        opened = bench.book.snapshot(job.id)
        found, then = _told(bench, opened, shown, max(ends - time.monotonic(), 0.0))
    except (BookError, JobError, Missing):
        return line
    return JobLine(line.url, line.title, line.changed, line.begun, "", found, then, stands_words(opened.job))


def _told(bench: Bench, opened: Snapshot, shown: Shown, patience_s: float) -> tuple[str, str]:
    """What is found, and what is next."""
    if not any(setting.readings for setting in opened.job.settings):
        return "", begin_words(opened.job)
    if not patience_s and bench.solver.moves_known(opened) is None:
        return "", ELSEWHERE
    found = ""
    try:
        solved = bench.solver.solved_soon(opened, patience_s)
        if solved.report is None:
            return "", solved.problem
        view = result(solved.report, shown)
        found = finding_words(view.verdicts, bool(view.misfits))
        lines = moves_view(bench.solver.moves_soon(opened, patience_s)[:1], shown)
    except StillWorking as still:
        return found, f"Working it out, {still.words}."
    return found, lines[0].first if lines else ""
