"""A setting: how it lies, what to see to before reading, the entry form, and beside it what the readings say."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, replace

from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from waywright.core.evidence.job import Job, JobError, Reading, Setting
from waywright.core.results.expect import expected
from waywright.record import Add, By, Conflict, Edit, Memo, Missing, NumberReused, OutOfOrder, Put, Ref, Saved, Snapshot
from waywright.views.cautions import LIFTING
from waywright.views.expected import expected_words
from waywright.views.numbers import Shown
from waywright.views.result import result
from waywright.web.app import Bench, Form, Given, by_of, goes_to, shown_for, wants_parts
from waywright.web.contexts import Live, Page, head_of, setting_url
from waywright.web.entry import COLUMN_WORDS, Grid, Row, edits_from, grids_of
from waywright.web.forms import Field, Wrong, choices_in, form_of, given_of
from waywright.web.page_parts import drawings_of, live_of, said_so, so_memo, suspect_words
from waywright.web.pages.conflict import COLUMNS, conflict
from waywright.web.pages.form_conflict import Sides, form_conflict
from waywright.web.pages.job import number_of
from waywright.web.pages.papers import papers_of

OWN = ("instrument", "name", "seat_um", "temperature_c", "note", "rested")  # fields of Setting that a person fills in
TICKS = {
    "stoned": "Both faces stoned: no burr stands up",
    "wiped": "Wiped with a clean hand last, no dust between",
    "supports": "Supports of the lower straight under the blocks",
    "rested": "Rested: laid down and left until nothing drifts",
}
CLIENT = re.compile(r"[A-Za-z0-9._:-]{1,64}")


@dataclass(frozen=True)
class Tick:
    """One thing to see to before reading."""

    name: str
    words: str
    done: bool


@dataclass(frozen=True)
class SettingPage(Page):
    """A setting and its entry form."""

    id: str = ""
    words: str = ""
    way: str = "stations"
    grids: tuple[Grid, ...] = ()
    ticks: tuple[Tick, ...] = ()
    supports: str = ""
    expect: str = ""
    cautions: tuple[str, ...] = ()
    live: Live | None = None
    stack: str = ""
    fields: tuple[Field, ...] = ()
    changing: bool = False  # how it lies is being changed, and something in it is wrong
    version: int = 0
    urls: tuple[tuple[str, str], ...] = ()
    next_setting: str = ""
    papers: tuple[str, str] = ("", "")  # where they are, and how many
    focus: str = ""
    read: str = ""  # the places that are wanted of it, when not all are
    everywhere: str = ""  # its page with all places


def ticks_memo(setting: str) -> str:
    """The memo that keeps a setting's ticks."""
    return f"ticks {setting}"


def found(opened: Snapshot, request: Request) -> Setting:
    """The setting a page names; raises `Missing`."""
    wanted = request.query_params.get("id", "")
    for one in opened.job.settings:
        if one.id == wanted:
            return one
    raise Missing("There is no such setting here, or no longer.")


def setting(bench: Bench, request: Request) -> Response:
    """The page of a setting."""
    opened = bench.book.snapshot(number_of(request))
    return setting_page(bench, request, opened, found(opened, request))


def setting_page(
    bench: Bench,
    request: Request,
    opened: Snapshot,
    one: Setting,
    wrong: Wrong | None = None,
    given: Mapping[str, str] | None = None,
    changing: Mapping[str, str] | None = None,
) -> Response:
    """With `wrong`: what was typed into the entry form, or `changing` how it lies."""
    shown = shown_for(request)
    live = live_of(bench.solver, opened, one, shown, wait=True)
    read = request.query_params.get("read", "")
    grids = _grids(bench, opened, one, shown, read.split(","))
    there = {row.place for grid in grids for row in grid.rows}
    read = ",".join(place for place in read.split(",") if place in there)
    more = {"read": read} if read else {}
    way = request.query_params.get("way", "stations")
    way = "stacks" if way == "stacks" and any(grid.stacks for grid in grids) else "stations"
    if given is not None:
        grids = tuple(_as_sent(grid, given) for grid in grids)
    job, number = opened.job, opened.id
    done = (*_ticked(opened.memos.get(ticks_memo(one.id), "")), *(["supports"] if _stands_under(job, one) else []))
    own = {**given_of(one.geometry), **given_of(replace(one, readings=()))}
    later = next((s for before, s in zip(job.settings, job.settings[1:], strict=False) if before.id == one.id), None)
    page = SettingPage(
        title=one.geometry.words(shown),
        job=head_of(opened),
        problem=str(wrong) if wrong is not None else "",
        id=one.id,
        words=one.geometry.words(shown),
        way=way,
        grids=grids,
        ticks=tuple(Tick(n, w, n in done) for n, w in TICKS.items()) if one.geometry.lying is not None else (),
        supports=_supports(one, shown),
        expect=_expected(bench, opened, one, shown),
        cautions=(LIFTING,) if one.geometry.lying is not None else (),
        live=live,
        stack=(given or {}).get("stack", ""),
        fields=lying_form(opened, one, own if changing is None else changing, wrong if changing else None),
        changing=changing is not None,
        version=opened.versions[Ref("setting", one.id)],
        papers=papers_of(opened, Ref("setting", one.id)),
        urls=tuple((w, setting_url(number, one.id, way=w, **more)) for w in ("stations", "stacks")),
        read=read,
        everywhere=setting_url(number, one.id, way=way),
        next_setting=setting_url(number, later.id) if later is not None else "",
        focus=request.query_params.get("reading", "") or (wrong.field if wrong else ""),
    )
    return bench.show(request, "setting.html", page, 422 if wrong else 200)


def _ticked(memo: str) -> tuple[str, ...]:
    """The names of what was ticked; none where the memo says something else."""
    try:
        found = json.loads(memo)
    except (ValueError, RecursionError):
        return ()
    return tuple(name for name in TICKS if name in found) if isinstance(found, list) else ()


def lying_form(
    opened: Snapshot, one: Setting, given: Mapping[str, str], wrong: Wrong | None = None
) -> tuple[Field, ...]:
    """The fields of how it lies and with what it is read."""
    cls, choices = type(one.geometry), choices_in(opened.job, type(one.geometry))
    return form_of(cls, given, (), choices, wrong) + form_of(Setting, given, not_own(), choices, wrong)


def _grids(
    bench: Bench, opened: Snapshot, one: Setting, shown: Shown, wanted: Collection[str] = ()
) -> tuple[Grid, ...]:
    report = bench.solver.solved(opened).report
    view = result(report, shown) if report is not None else None
    return grids_of(opened, one, shown, suspect_words(report, view), wanted)


def _as_sent(grid: Grid, given: Mapping[str, str]) -> Grid:
    """The grid with what was typed and could not be saved."""
    rows = []
    for row in grid.rows:
        cells = zip(grid.columns, row.texts, strict=True)
        texts = tuple(given.get(f"{column.key}.{row.number}", text) for column, text in cells)
        rows.append(replace(row, texts=texts))
    return replace(grid, rows=tuple(rows))


def _supports(one: Setting, shown: Shown) -> str:
    """Where the lower face should be held: straight under the blocks, so that both sags are alike."""
    at = [shown.number(r.x_mm, "mm") for r in one.geometry.rests(one.readings) if r.x_mm is not None]
    lying = one.geometry.lying
    if lying is None or not at:
        return ""
    return f"Support {lying.lower} straight under the blocks, at {' and '.join(dict.fromkeys(at))} {shown.length}."


def _expected(bench: Bench, opened: Snapshot, one: Setting, shown: Shown) -> str:
    """The blue and the hinge to expect, in words; nothing while too little is known."""
    report = bench.solver.solved(opened).report
    if report is None or one.geometry.lying is None:
        return ""
    try:
        return expected_words(expected(opened.job, report.shapes, one.geometry.lying), shown)
    except JobError:
        return ""


def not_own() -> tuple[str, ...]:
    """The fields of a setting that no person fills in."""
    return tuple(f.name for f in fields(Setting) if f.name not in OWN)


def save(bench: Bench, request: Request, given: Given) -> Response:
    """Save what was typed: one act, all of it or nothing."""
    number = number_of(request)
    opened = bench.book.snapshot(number)
    script = wants_parts(request)
    try:
        one = found(opened, request)
    except Missing as error:
        if script:
            return JSONResponse({"words": str(error)}, 404)
        sides = Sides(typed_cells(given), {}, None)
        return form_conflict(bench, request, opened, error, sides, {}, f"/jobs/{number}")
    try:
        edits = edits_from(one, given.texts, lambda act: earlier(bench, number, one.id, act))
        saved = _saved(bench, number, edits, given.texts, by_of(request))
    except Conflict as error:
        return conflict(bench, request, opened, one, error, given.texts)
    except (OutOfOrder, NumberReused) as error:
        expected = error.expected if isinstance(error, OutOfOrder) else 0
        return JSONResponse({"words": str(error), "expected": expected}, 425)
    except (Wrong, JobError) as error:
        field = error.field if isinstance(error, Wrong) else ""
        if script:
            return JSONResponse({"words": str(error), "field": field}, 422)
        return setting_page(bench, request, opened, one, Wrong(str(error), field), given.texts)
    if not script:
        kept = {key: text for key in ("way", "read") if (text := request.query_params.get(key))}
        return goes_to(setting_url(number, one.id, **{"way": "stations", **kept}))
    return _answer(bench, request, number, one.id, saved, more=given.texts.get("more") == "yes")


def typed_cells(given: Given) -> tuple[Field, ...]:
    """What was typed into an entry form whose setting is gone."""
    found = []
    for key, text in given.texts.items():
        column, _, row = key.partition(".")
        if text and column in COLUMNS:
            place = ", ".join(filter(None, given.texts.get(f"place.{row}", "").split(";")[1:]))
            found.append(Field(key, f"{COLUMN_WORDS.get(column, column)} at {place or 'another place'}", text))
    return tuple(found)


def earlier(bench: Bench, number: int, sid: str, act: int) -> tuple[Reading, ...]:
    """The readings of a setting as they were after an act."""
    job = bench.book.job(number, act)
    return next((s.readings for s in job.settings if s.id == sid), ())


def _saved(bench: Bench, number: int, edits: list[Edit], texts: Mapping[str, str], by: By) -> Saved | None:
    client, sequence = texts.get("client", ""), texts.get("sequence", "")
    if client or sequence:
        if not CLIENT.fullmatch(client) or not re.fullmatch(r"[1-9]\d{0,8}", sequence):
            raise Wrong("A client that numbers what it sends gives its name and a number from 1 on.")
        by = replace(by, client=client, sequence=int(sequence))
    return bench.book.change(number, *edits, by=by) if edits else None


def _answer(bench: Bench, request: Request, number: int, sid: str, saved: Saved | None, *, more: bool) -> Response:
    """For the script: the rows as they are now and, unless `more` is on its way, what the readings say, printed.

    Two lines of JSON: the first with the shapes, the second, some ten times later, with what they are judged to be. Of
    several readings typed while one is judged only the newest is judged next. What to do next is asked for by the
    script, once nothing is typed for a moment.
    """
    opened, shown = bench.book.snapshot(number), shown_for(request)
    one = next(s for s in opened.job.settings if s.id == sid)
    part = bench.templates.env.get_template

    def told(opened: Snapshot, grids: Iterable[Grid]) -> dict[str, object]:
        rows = [_plain(grid, row) for grid in grids for row in grid.rows if not row.free]
        return {"act": opened.number, "rows": rows, "used": saved is not None}

    def lines() -> Iterator[str]:
        drawn = drawings_of(opened.job, one, bench.solver.glance(opened), shown)
        htmls = {n: part("parts/drawing.html").render(drawing=d, name=n.split()[0]) for n, d in drawn.items()}
        yield json.dumps(told(opened, grids_of(opened, one, shown, {})) | {"drawings": htmls}) + "\n"
        with bench.solver.judging:
            newest = bench.book.snapshot(number)
            now = next((s for s in newest.job.settings if s.id == sid), None)
            if now is None:
                return  # deleted meanwhile
            live = live_of(bench.solver, newest, now, shown)
        head, faces = (part(f"parts/live_{name}.html").render(live=live) for name in ("head", "faces"))
        yield json.dumps(told(newest, _grids(bench, newest, now, shown)) | {"head": head, "faces": faces}) + "\n"

    if more:
        return JSONResponse(told(opened, grids_of(opened, one, shown, {})))
    return StreamingResponse(lines(), media_type="application/jsonl")


def _plain(grid: Grid, row: Row) -> dict[str, object]:
    """A row for the script."""
    texts = dict(zip((column.key for column in grid.columns), row.texts, strict=True))
    more = {"words": row.words, "told": row.told, "suspect": row.suspect}
    return {"place": row.place, "reading": row.reading, "version": row.version, "texts": texts, **more}


def ticks(bench: Bench, request: Request, given: Given) -> Response:
    """What was seen to before reading."""
    number = number_of(request)
    opened = bench.book.snapshot(number)
    one = found(opened, request)
    done = json.dumps([name for name in TICKS if given.texts.get(name) == "yes"])
    ref = Ref("memo", ticks_memo(one.id))
    memo = Memo(ref.key, done)
    edit = Put(ref, opened.versions[ref], memo) if ref in opened.versions else Add(memo)
    bench.book.change(number, edit, *_carried(opened, one, "supports" in json.loads(done)), by=by_of(request))
    return goes_to(setting_url(number, one.id))


def so(bench: Bench, request: Request, given: Given) -> Response:
    """An odd reading is as it was typed: it is not asked about again while it stays so."""
    number = number_of(request)
    opened = bench.book.snapshot(number)
    one = found(opened, request)
    ref = Ref("memo", so_memo(one.id))
    said = said_so(opened, one.id) | {given.texts.get("reading", ""): given.texts.get("typed", "")}
    memo = Memo(ref.key, json.dumps(said))
    edit = Put(ref, opened.versions[ref], memo) if ref in opened.versions else Add(memo)
    bench.book.change(number, edit, by=by_of(request))
    return goes_to(setting_url(number, one.id))


def _under_blocks(job: Job, one: Setting) -> tuple[str, tuple[float, ...]] | None:
    """The lower of a lay-up and the places straight under its blocks; None where there are none to stand on."""
    lying = one.geometry.lying
    at = tuple(sorted({r.x_mm for r in one.geometry.rests(one.readings) if r.x_mm is not None}))
    return (job.piece_of(lying.lower).name, at) if lying is not None and len(at) > 1 else None


def _stands_under(job: Job, one: Setting) -> bool:
    """Whether it is said that the lower stands straight under its blocks."""
    return _under_blocks(job, one) in one.carried_mm


def _carried(opened: Snapshot, one: Setting, under: bool) -> Iterator[Edit]:
    """That the lower stands straight under the blocks counts, once it is ticked."""
    found = _under_blocks(opened.job, one)
    if found is None:
        return
    others = tuple(each for each in one.carried_mm if each[0] != found[0])
    carried = (*others, found) if under else others if found in one.carried_mm else one.carried_mm
    if carried != one.carried_mm:
        ref = Ref("setting", one.id)
        yield Put(ref, opened.versions[ref], replace(one, readings=(), carried_mm=carried))


ROW_FIELDS = ("place.*", "reading.*", "version.*", "x_mm.*", "y_mm.*", "at_mm.*", "try.*", *(f"{c}.*" for c in COLUMNS))
FORMS = (
    Form("/jobs/{job:int}/setting", save, (*ROW_FIELDS, "stack", "act", "more", "client", "sequence")),
    Form("/jobs/{job:int}/setting/ticks", ticks, tuple(TICKS)),
    Form("/jobs/{job:int}/setting/so", so, ("reading", "typed")),
)
