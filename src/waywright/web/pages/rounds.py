"""Rounds: who agrees with whom, and how that changed when faces were cut."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.findings import Agreement, Report
from waywright.core.evidence.job import Job
from waywright.views.numbers import BAND, Shown
from waywright.views.result import result
from waywright.web.app import Bench, shown_for
from waywright.web.contexts import Page, head_of, setting_url
from waywright.web.drawing import Drawing
from waywright.web.page_parts import line_names
from waywright.web.pages.job import number_of
from waywright.web.ring import changed, legend, limits_um, ring

TURNED = {"over": "marks together", "end for end": "marks opposite"}


@dataclass(frozen=True)
class Pair:
    """How two faces agree as they lay."""

    lower: str
    upper: str
    turn: str
    states: str
    zone: str
    url: str


@dataclass(frozen=True)
class Changed:
    """What a pass did to a face: in words, and drawn."""

    face: str
    words: str
    drawing: Drawing | None
    lines: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class RoundsPage(Page):
    """Who agrees with whom, and how it changed."""

    faces: tuple[str, ...] = ()
    rows: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = ()
    ring: Drawing | None = None
    legend: str = ""
    pairs: tuple[Pair, ...] = ()
    changes: tuple[Changed, ...] = ()
    readings: str = ""


def rounds(bench: Bench, request: Request) -> Response:
    """A table of faces against faces, newest agreement in each cell, and every lay-up in the order taken."""
    opened, shown = bench.book.snapshot(number_of(request)), shown_for(request)
    report = bench.solver.solved(opened).report
    agreements = report.agreements if report is not None else ()
    view = result(report, shown) if report is not None else None
    limits = limits_um(report) if report is not None else {}
    page = RoundsPage(
        title="Rounds",
        job=head_of(opened),
        faces=tuple(opened.job.faces()),
        rows=_rows(opened.job, agreements, shown),
        pairs=tuple(_pair(opened.id, a, shown) for a in agreements),
        ring=ring(tuple(opened.job.faces()), agreements, opened.job.states(), limits, shown),
        legend=legend(limits, shown),
        changes=_changed(opened.job, report, view.rounds if view is not None else (), shown),
        readings=result_words(report),
    )
    return bench.show(request, "rounds.html", page)


def _rows(
    job: Job, agreements: tuple[Agreement, ...], shown: Shown
) -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    """For each face against each other one: the fit in each turn, of the newest states that were laid together."""
    newest: dict[tuple[str, str], dict[str, Agreement]] = {}
    for a in agreements:
        for pair in ((a.lower, a.upper), (a.upper, a.lower)):
            newest.setdefault(pair, {})[a.turn] = a
    states = job.states()
    found = []
    for row in job.faces():
        cells = []
        for column in job.faces():
            laid = newest.get((row, column), {}).values()
            words = "; ".join(f"{_zone(a, shown)} {TURNED.get(a.turn, a.turn)}" for a in laid)
            old = any(a.states != (states[a.lower], states[a.upper]) for a in laid)
            cells.append((words + (" (cut since)" if old else ""), "old" if old else ""))
        found.append((row, tuple(cells)))
    return tuple(found)


def _zone(a: Agreement, shown: Shown) -> str:
    within = BAND * a.sigma_um
    return f"{shown.heights(a.zone_um, within)} ± {shown.heights(within, within)} {shown.height}"


def _pair(job: int, a: Agreement, shown: Shown) -> Pair:
    states = f"{a.lower} after {a.states[0]}, {a.upper} after {a.states[1]} passes"
    return Pair(a.lower, a.upper, TURNED.get(a.turn, a.turn), states, _zone(a, shown), setting_url(job, a.setting))


def _changed(job: Job, report: Report | None, told: tuple[str, ...], shown: Shown) -> tuple[Changed, ...]:
    """What each pass did, newest first; the words of the rounds end with one line each."""
    if report is None or not report.changes:
        return ()
    faces, words = job.faces(), told[-len(report.changes) :]
    found = [
        Changed(c.face, line, changed(c, faces[c.face], shown), line_names(faces[c.face].lines_mm, shown))
        for c, line in zip(report.changes, words, strict=True)
    ]
    return tuple(reversed(found))


def result_words(report: Report | None) -> str:
    """Why two faces that agree are not yet straight."""
    if report is None or not report.agreements:
        return ""
    return (
        "Two faces that agree may both be curved, one into the other. Three that agree with each other, in both turns, "
        "cannot: that is why three are made."
    )
