"""The jobs of a book as sheets: what is found of each, how far it is, what is next. The shop lists the jobs; what
stands on their sheets each asks for by itself, so that the list costs the same however much the book holds.
"""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from waywright.record import Listed, Snapshot
from waywright.views.finding import begin_words, finding_words, stands_words
from waywright.views.moves import moves_view
from waywright.views.numbers import Shown
from waywright.views.result import result
from waywright.web.app import Bench, goes_to, shown_for
from waywright.web.contexts import Page
from waywright.web.times import told
from waywright.web.waiting import StillWorking

PATIENCE_S = 1.0  # how long a sheet waits


@dataclass(frozen=True)
class JobLine:
    """One job in the list."""

    url: str
    title: str
    changed: str
    begun: str
    problem: str = ""  # why it cannot be read; its address then gives what is stored of it


def line_of(job: Listed) -> JobLine:
    """A job as the list of a book knows it."""
    if job.problem:
        return JobLine(f"/jobs/{job.id}/export.jsonl", f"Job {job.id}", "", "", job.problem)
    return JobLine(f"/jobs/{job.id}", job.title or "Untitled job", told(job.changed), told(job.begun))


@dataclass(frozen=True)
class Sheet(Page):
    """What stands on the sheet of one job."""

    found: str = ""
    next: str = ""
    stands: str = ""
    working: str = ""  # where to ask again, while it is worked out


def sheet(bench: Bench, request: Request) -> Response:
    """What is found of a job and what is next, as far as that is known soon; without a script its own page."""
    number = int(request.path_params["job"])
    if "hx-request" not in request.headers:
        return goes_to(f"/jobs/{number}")
    opened = bench.book.snapshot(number)
    found, then, works = _told(bench, opened, shown_for(request), PATIENCE_S)
    again = f"/jobs/{number}/line" if works else ""
    page = Sheet(opened.job.title, found=found, next=then, stands=stands_words(opened.job), working=again)
    return bench.show(request, "parts/sheet.html", page)


def _told(bench: Bench, opened: Snapshot, shown: Shown, patience_s: float) -> tuple[str, str, bool]:
    """What is found, what is next, and whether that is still worked out."""
    if not any(setting.readings for setting in opened.job.settings):
        return "", begin_words(opened.job), False
    found = ""
    try:
        solved = bench.solver.solved_soon(opened, patience_s)
        if solved.report is None:
            return "", solved.problem, False
        view = result(solved.report, shown)
        found = finding_words(view.verdicts, bool(view.misfits))
        lines = moves_view(bench.solver.moves_soon(opened, patience_s)[:1], shown)
    except StillWorking as still:
        return found, f"Working it out, {still.words}.", True
    return found, lines[0].first if lines else "", False
