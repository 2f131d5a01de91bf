"""Metal taken off a face: the scraping that is drawn for it, in words and as a picture, and the pass that was made."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.job import JobError, Pass, PassZone
from waywright.core.next.moves import doubted
from waywright.core.next.scraping import maps
from waywright.core.work.done import as_drawn
from waywright.core.work.maps import ScrapingMap
from waywright.record import Add, Missing, Snapshot
from waywright.views.scrape_map import scrape_map_svg
from waywright.views.scrape_sheet import scrape_sheet
from waywright.web.app import Bench, Form, Given, by_of, goes_to, shown_for, units_of
from waywright.web.contexts import Page, head_of
from waywright.web.forms import Wrong
from waywright.web.page_parts import face_url
from waywright.web.pages.job import number_of

ACTS = ("scrape", "lap", "rub", "stone", "machine")
_PEN = threading.Lock()


@dataclass(frozen=True)
class PassForm:
    """Metal taken off a face: after which settings it may have been, and what is drawn to be taken."""

    after: tuple[tuple[str, str], ...]
    lead: str = ""
    zones: tuple[str, ...] = ()
    strokes: tuple[str, ...] = ()
    picture: str = ""


@dataclass(frozen=True)
class DrawnPage(Page):
    """The scraping drawn for a face, to be noted as a pass as the job stood at `act`."""

    name: str = ""
    act: int = 1
    pass_form: PassForm | None = None


def drawn(bench: Bench, request: Request) -> Response:
    """The scraping drawn for a face, which takes longer; "done as drawn" notes it as a pass."""
    opened = bench.book.snapshot(number_of(request))
    name = request.query_params.get("name", "")
    found = _map(bench, opened, name)
    shown = shown_for(request)
    after = [(s.id, s.geometry.words(shown)) for s in opened.job.settings if name in s.geometry.faces()]
    form = PassForm(tuple(reversed(after)))
    if found is not None:
        sheet = scrape_sheet(found, units_of(request))
        picture = f"/jobs/{opened.id}/drawn.svg?{urlencode({'name': name, 'act': opened.number})}"
        form = replace(
            form, lead=sheet.lead, zones=sheet.zones, strokes=(*sheet.strokes, *sheet.expect), picture=picture
        )
    page = DrawnPage(title=name, job=head_of(opened), name=name, act=opened.number, pass_form=form)
    return bench.show(request, "parts/drawn.html" if "hx-request" in request.headers else "drawn.html", page)


def picture(bench: Bench, request: Request) -> Response:
    """The same as a picture, from above and as the face lies turned over."""
    opened = bench.book.snapshot(number_of(request), act_in(request.query_params.get("act", "")))
    found = _map(bench, opened, request.query_params.get("name", ""))
    if found is None:
        raise Missing("Nothing is drawn to be scraped there.")
    with _PEN:  # the drawing library keeps its settings for all threads
        drawing = scrape_map_svg(found, units_of(request))
    return Response(drawing, media_type="image/svg+xml", headers={"Cache-Control": "no-store"})


def _map(bench: Bench, opened: Snapshot, name: str) -> ScrapingMap | None:
    """The scraping map of a face that is outside its limit, when there is metal to take."""
    report = bench.solver.solved(opened).report
    if report is None:
        return None
    found = maps(opened.job, report, doubted(opened.job, report), name)
    return next((m for _, m in found if m.outcome == "scrape"), None)


def act_in(text: str) -> int | None:
    """The number of an act as a link or a form says it; None where it says none."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None


def add_pass(bench: Bench, request: Request, given: Given) -> Response:
    """Metal was taken off: the face begins a new state."""
    number, texts = number_of(request), given.texts
    job = bench.book.job(number)
    name, act = texts.get("face", ""), texts.get("act", "scrape")
    if name not in job.faces():
        raise Wrong("There is no such face here, or no longer.")
    if act not in ACTS:
        raise Wrong(f"A pass is one of {', '.join(ACTS)}.")
    note = texts.get("note", "").strip()[:2000] or None
    after = texts.get("after", "") or None
    try:
        when = texts.get("when", "").strip()[:40] or None
        zones, depth_um = _noted(bench, number, name, texts.get("drawn", ""))
        bench.book.change(number, Add(Pass("", name, after, act, depth_um, zones, when, note)), by=by_of(request))
    except JobError as error:
        raise Wrong(str(error)) from None
    return goes_to(face_url(number, name))


def _noted(bench: Bench, number: int, name: str, drawn_at: str) -> tuple[tuple[PassZone, ...], float | None]:
    """The zones of the map that was drawn at an act, and the depth of its passes when lighter than the hand's usual."""
    act = act_in(drawn_at)
    if act is None:
        return (), None
    opened = bench.book.snapshot(number, act)
    found = _map(bench, opened, name) if name in opened.job.faces() else None
    report = bench.solver.solved(opened).report
    if found is None or report is None:
        raise Wrong("The drawing that this speaks of is no longer there; load the page again.")
    lighter = found.hand.depth_um < report.hand.depth_um
    return as_drawn(found), round(found.hand.depth_um, 3) if lighter else None


FORMS = (Form("/jobs/{job:int}/pass", add_pass, ("face", "act", "after", "when", "note", "drawn")),)
