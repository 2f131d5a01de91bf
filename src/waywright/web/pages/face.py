"""One face: its lines, its map, how it was at any moment, and the metal taken off it."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.findings import Report
from waywright.core.evidence.job import Pass
from waywright.record import Missing, Ref, Snapshot
from waywright.views.cautions import SCRAPING
from waywright.views.numbers import plural
from waywright.views.result import result
from waywright.views.tables import ShapeTable
from waywright.web.app import Bench, shown_for
from waywright.web.contexts import FacePart, Page, head_of
from waywright.web.page_parts import face_parts
from waywright.web.pages.job import number_of
from waywright.web.pages.papers import papers_of
from waywright.web.pages.scrape import PassForm, act_in
from waywright.web.times import told
from waywright.web.waiting import StillWorking


@dataclass(frozen=True)
class FacePage(Page):
    """A face: its lines, its map, its history."""

    part: FacePart | None = None
    misfits: tuple[str, ...] = ()  # why nothing can be decided
    result_lines: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()
    columns: tuple[str, ...] = ()
    acts: int = 1
    act: int = 1
    when: str = ""
    name: str = ""
    working: str = ""  # how far a past moment is, while it is worked out
    papers: tuple[str, str] = ("", "")
    passes: tuple[str, ...] = ()
    hand: str = ""
    pass_form: PassForm | None = None
    cautions: tuple[str, ...] = ()


def face(bench: Bench, request: Request) -> Response:
    """The page of a face, now or as it was after an act."""
    newest = bench.book.snapshot(number_of(request))
    name = request.query_params.get("name", "")
    if name not in newest.job.faces():
        raise Missing("There is no such face here, or no longer.")
    act = min(max(act_in(request.query_params.get("act", "")) or newest.number, 1), newest.number)
    page = _page(bench, request, newest, name, act)
    return bench.show(request, "parts/face_at.html" if "hx-request" in request.headers else "face.html", page)


def _page(bench: Bench, request: Request, newest: Snapshot, name: str, act: int) -> FacePage:
    then = newest if act == newest.number else bench.book.snapshot(newest.id, act)
    shown, job = shown_for(request), then.job
    report, working = _report(bench, newest, then, name)
    view = result(report, shown) if report is not None else None
    parts = face_parts(newest.id, job, report, view, shown, (name,)) if report is not None and view is not None else ()
    table = next((t for t in view.shapes if t.face == name), None) if view is not None else None
    after = [(s.id, s.geometry.words(shown)) for s in newest.job.settings if name in s.geometry.faces()]
    return FacePage(
        title=name,
        job=head_of(newest),
        part=parts[0] if parts else None,
        misfits=(*(slip.words for slip in view.slips), *view.misfits) if view is not None else (),
        working=working,
        columns=columns_of(table),
        table=rows_of(table),
        result_lines=tuple(s.words for s in view.shares if s.face == name) if view is not None else (),
        acts=newest.number,
        act=act,
        when=", by ".join(filter(None, (told(newest.acts[act - 1].at), newest.acts[act - 1].who))),
        name=name,
        papers=papers_of(newest, _piece_of(newest, name)),
        passes=tuple(_pass_words(p) for p in newest.job.passes if p.face == name),
        hand=view.hand if view is not None else "",
        pass_form=PassForm(tuple(reversed(after))) if after else None,
        cautions=(SCRAPING,),
    )


def _report(bench: Bench, newest: Snapshot, then: Snapshot, name: str) -> tuple[Report | None, str]:
    """What the readings say, or said; and while a past moment is still worked out, how far that is."""
    if name not in then.job.faces():
        return None, ""
    if then is newest:
        return bench.solver.solved_soon(then).report, ""
    try:
        return bench.waiting.of((then.uid, then.number), lambda: bench.solver.solved(then)).report, ""
    except StillWorking as still:
        return None, still.words


def _piece_of(opened: Snapshot, name: str) -> Ref:
    """The piece that a face is on."""
    return Ref("piece", next(piece.name for piece in opened.job.pieces if any(f.name == name for f in piece.faces)))


def _pass_words(each: Pass) -> str:
    where = plural(len(each.zones), "zone") if each.zones else ""
    after = f"after {each.after}" if each.after else ""
    return ", ".join(filter(None, [each.act, where, after, each.when, each.note]))


def columns_of(table: ShapeTable | None) -> tuple[str, ...]:
    """The heads of a table of heights."""
    return (
        () if table is None or not table.rows else ("x", *(part for line in table.lines for part in (line, "± 95 %")))
    )


def rows_of(table: ShapeTable | None) -> tuple[tuple[str, ...], ...]:
    """The rows of a table of heights."""
    if table is None:
        return ()
    return tuple((row.x, *(part for cell in row.cells for part in cell)) for row in table.rows)
