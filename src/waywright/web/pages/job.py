"""One job: the next move first, then what the readings say and cannot say, then what was taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from waywright.core.evidence.findings import Move
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.things import INSTRUMENT_KINDS
from waywright.core.readings import KINDS
from waywright.record import Conflict, Head, Missing, Put, Ref, Snapshot
from waywright.views.cautions import cautions
from waywright.views.finding import against_words, begin_words, finding_words
from waywright.views.moves import a_kind, borrowed_kinds, moves_view, next_words
from waywright.views.numbers import Shown
from waywright.views.result import Result, result
from waywright.views.stamps import Stamp, stamps
from waywright.views.unsure import Unseen, by_cure
from waywright.web.app import Bench, Form, Given, by_of, goes_to, shown_for
from waywright.web.contexts import FacePart, Page, Retakes, SettingLine, head_of
from waywright.web.forms import GOAL_CHOICES, Field, Wrong, form_of, given_of, read
from waywright.web.page_parts import NOT_YET, face_parts, face_url, retakes, setting_lines
from waywright.web.pages.form_conflict import Sides, form_conflict
from waywright.web.pages.shop import ASSUMED, assumed_words
from waywright.web.waiting import PATIENCE_S, StillWorking

GOAL_SKIPPED = ("part",)
HEAD_SKIPPED = ("hand", "without", "materials")  # learned, and told with the passes; said beside a move

LONG_S = 60.0  # how long a form waits for the next move alone


@dataclass(frozen=True)
class JobPage(Page):
    """A job: what to do next first."""

    heading: str = ""  # what is found; nothing while no face has a limit
    against: str = ""
    stamps: tuple[tuple[Stamp, str], ...] = ()  # each with the page of its face
    next: str = ""
    go: tuple[str, str] | None = None  # where the next move is begun, and its button
    second: Retakes | None = None  # a suspect on which no verdict hangs
    working: str = ""  # how far the next moves are, while they are worked out
    result: Result | None = None
    faces: tuple[FacePart, ...] = ()
    settings: tuple[SettingLine, ...] = ()
    retakes: tuple[Retakes, ...] = ()
    unseen: tuple[Unseen, ...] = ()
    moves: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    borrowed: tuple[tuple[str, str], ...] = ()  # kinds of instruments to borrow, with their words
    assumed: tuple[str, ...] = ()
    head: tuple[Field, ...] = ()
    goal: tuple[Field, ...] = ()
    goal_words: str = ""
    new_setting: tuple[tuple[str, str], ...] = ()
    versions: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True)
class NextPage(Page):
    """The next moves: the first with its reason, and all of them."""

    next: str = ""
    go: tuple[str, str] | None = None
    working: str = ""  # how far they are, while they are worked out
    moves: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    borrowed: tuple[tuple[str, str], ...] = ()  # kinds of instruments to borrow, with their words


def number_of(request: Request) -> int:
    """The number of the job a path names."""
    return int(request.path_params["job"])


def job(bench: Bench, request: Request) -> Response:
    """The page of a job."""
    return _job(bench, request)


def _job(
    bench: Bench,
    request: Request,
    wrong: Wrong | None = None,
    goal: Mapping[str, str] | None = None,
    head: Mapping[str, str] | None = None,
) -> Response:
    """With `wrong`, what was typed for the goal or the head."""
    opened, shown = bench.book.snapshot(number_of(request)), shown_for(request)
    if opened.hidden:
        raise Missing(f"Job {opened.id} was deleted; its history, /jobs/{opened.id}/history, takes that back.")
    solved = bench.solver.solved_soon(opened) if wrong is None else bench.solver.solved(opened)
    report = solved.report
    taken = any(s.readings for s in opened.job.settings)
    view = result(report, shown) if report is not None and taken else None
    moves: tuple[Move, ...] | None = ()
    far = ""
    if view is not None:
        try:
            moves = bench.solver.moves_soon(opened)
        except StillWorking as still:
            moves, far = None, still.words
    again = retakes(opened.id, view) if view is not None else ()
    begin = begin_words(opened.job, solved.problem)
    stamped = stamps(report.verdicts, view.verdicts, shown) if report is not None and view is not None else ()
    page = JobPage(
        title=opened.job.title or "Untitled job",
        job=head_of(opened),
        heading=finding_words(view.verdicts, bool(view.misfits)) if view is not None else "",
        against=against_words(view.verdicts) if view is not None else "",
        stamps=tuple((one, face_url(opened.id, one.face)) for one in stamped),
        go=_go(opened.id, moves or (), again),
        second=next((r for r in again if r.waits), None) if not any(r.hangs for r in again) else None,
        problem=str(wrong) if wrong is not None else "",
        next=begin if view is None else NOT_YET if moves is None else next_words(moves, shown),
        working=far,
        moves=_lines(moves or (), shown),
        cautions=cautions(moves or ()),
        borrowed=_borrowed(moves or ()),
        result=view,
        faces=face_parts(opened.id, opened.job, report, view, shown) if report is not None and view is not None else (),
        settings=setting_lines(opened.id, opened.job, report, shown),
        unseen=by_cure(view.unseen) if view is not None else (),
        retakes=again,
        assumed=assumed_words(opened.memos.get(ASSUMED, ""), shown),
        head=form_of(
            Head, given_of(_head(opened)) if head is None else head, HEAD_SKIPPED, {}, wrong if head else None
        ),
        goal=_goal_form(given_of(opened.job.goal) if goal is None else goal, wrong if goal else None),
        goal_words=goal_words(opened.job.goal, shown),
        new_setting=tuple((block, kind.title) for block, kind in KINDS.items()),
        versions=(("head", opened.versions[Ref("head")]), ("goal", opened.versions[Ref("goal")])),
    )
    return bench.show(request, "job.html", page, 422 if wrong else 200)


def _go(job_id: int, moves: tuple[Move, ...], again: tuple[Retakes, ...]) -> tuple[str, str] | None:
    """Where the next move is begun, where there is a page for just that."""
    for one in (r for r in again if r.hangs):
        return one.url, "Take it again"
    if moves and moves[0].act == "scrape" and moves[0].faces:
        return f"{face_url(job_id, moves[0].faces[0])}#map", "To the scraping map"
    return None


def _head(opened: Snapshot) -> Head:
    job = opened.job
    return Head(job.title, job.temperature_c, job.note, job.hand, job.without, job.materials)


def _goal_form(given: Mapping[str, str], wrong: Wrong | None = None) -> tuple[Field, ...]:
    return form_of(Goal, given, GOAL_SKIPPED, GOAL_CHOICES, wrong)


def goal_words(goal: Goal, shown: Shown) -> str:
    """What the faces must come to."""
    parts = []
    if goal.straightness_um is not None:
        parts.append(f"straight to {shown.text(goal.straightness_um, 'µm')}")
    if goal.flatness_um is not None:
        parts.append(f"flat to {shown.text(goal.flatness_um, 'µm')}")
    if goal.twist_um_per_m is not None:
        parts.append(f"twist within {shown.text(goal.twist_um_per_m, 'µm/m')}")
    if goal.grade:
        parts.append(f"grade {goal.grade}")
    return ", ".join(parts) or "no goal yet"


def next_moves(bench: Bench, request: Request) -> Response:
    """The next moves in full, which may take longer than the result; with `part=first` the first alone, as text."""
    opened, shown = bench.book.snapshot(number_of(request)), shown_for(request)
    solved = bench.solver.solved(opened)
    template = "parts/moves.html" if "hx-request" in request.headers else "moves.html"
    only_first = request.query_params.get("part") == "first"
    try:
        moves = bench.solver.moves_soon(opened, LONG_S if only_first else PATIENCE_S)
    except StillWorking as still:
        if only_first:
            return PlainTextResponse(NOT_YET)
        return bench.show(request, template, NextPage("Next moves", head_of(opened), next=NOT_YET, working=still.words))
    first = next_words(moves, shown) if solved.report is not None else solved.problem
    if only_first:
        return PlainTextResponse(first)
    again = retakes(opened.id, result(solved.report, shown)) if solved.report is not None else ()
    page = NextPage("Next moves", head_of(opened), next=first, moves=_lines(moves, shown), cautions=cautions(moves))
    return bench.show(request, template, replace(page, borrowed=_borrowed(moves), go=_go(opened.id, moves, again)))


def _lines(moves: tuple[Move, ...], shown: Shown) -> tuple[str, ...]:
    return tuple(line.words for line in moves_view(moves, shown))


def _borrowed(moves: tuple[Move, ...]) -> tuple[tuple[str, str], ...]:
    return tuple((kind, a_kind(kind)) for kind in borrowed_kinds(moves))


def without(bench: Bench, request: Request, given: Given) -> Response:
    """A kind of instrument is not to be had, or is again."""
    number = number_of(request)
    kind, had = given.texts.get("kind", ""), given.texts.get("had", "") == "yes"
    if kind not in INSTRUMENT_KINDS:
        raise Wrong("This is no kind of instrument.")
    opened = bench.book.snapshot(number)
    head = _head(opened)
    left = tuple(k for k in head.without if k != kind) + (() if had else (kind,))
    if left != head.without:
        version = opened.versions[Ref("head")]
        bench.book.change(number, Put(Ref("head"), version, replace(head, without=left)), by=by_of(request))
    return goes_to(back_in(given, f"/jobs/{number}"))


def save_goal(bench: Bench, request: Request, given: Given) -> Response:
    """What the faces must come to."""
    number = number_of(request)
    opened = bench.book.snapshot(number)
    try:
        goal = replace(Goal(**read(Goal, given.texts, GOAL_SKIPPED)), part=opened.job.goal.part)
        bench.book.change(number, Put(Ref("goal"), version_in(given), goal), by=by_of(request))
    except Wrong as error:
        return _job(bench, request, error, goal=given.texts)
    except Conflict as error:
        sides = Sides.of(_goal_form(given.texts), [goal], [error.theirs])
        return form_conflict(bench, request, opened, error, sides, {"version": ""}, f"/jobs/{number}")
    return goes_to(f"/jobs/{number}")


def save_head(bench: Bench, request: Request, given: Given) -> Response:
    """The title, the temperature of the shop, a note."""
    number = number_of(request)
    try:
        kept = bench.book.job(number)
        unsaid = {name: getattr(kept, name) for name in HEAD_SKIPPED}
        head = replace(Head(**read(Head, given.texts, HEAD_SKIPPED)), **unsaid)
        bench.book.change(number, Put(Ref("head"), version_in(given), head), by=by_of(request))
    except Wrong as error:
        return _job(bench, request, error, head=given.texts)
    except Conflict as error:
        sides = Sides.of(form_of(Head, given.texts, HEAD_SKIPPED, {}), [head], [error.theirs])
        now = bench.book.snapshot(number)
        return form_conflict(bench, request, now, error, sides, {"version": ""}, f"/jobs/{number}")
    return goes_to(f"/jobs/{number}")


def version_in(given: Given, name: str = "version") -> int:
    """The version a form was made from; raises `Wrong`."""
    text = given.texts.get(name, "")
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise Wrong("This form came without its version; load the page again.")
    return int(text)


def undo(bench: Bench, request: Request, given: Given) -> Response:
    """Take back the last act, or one that is named."""
    number = number_of(request)
    act = version_in(given, "act") if given.texts.get("act") else None
    if act == 1 or (act is None and not head_of(bench.book.snapshot(number)).undo):
        raise Missing("There is nothing to undo.")
    bench.book.undo(number, act, by_of(request))
    return goes_to(back_in(given, f"/jobs/{number}"))


def redo(bench: Bench, request: Request, given: Given) -> Response:
    """Do again what was undone."""
    number = number_of(request)
    bench.book.redo(number, by_of(request))
    return goes_to(back_in(given, f"/jobs/{number}"))


def duplicate(bench: Bench, request: Request, given: Given) -> Response:
    """A job of its own with all that this one says now: another round may be tried in it, and this one stays."""
    opened = bench.book.snapshot(number_of(request))
    title = given.texts.get("title", "").strip() or f"{opened.job.title or 'Untitled job'}, copy"
    return goes_to(f"/jobs/{bench.book.begin(replace(opened.job, title=title), by_of(request))}")


def back_in(given: Given, otherwise: str) -> str:
    """Where a form wants to return to: a page of this job, or its first one."""
    back = given.texts.get("back", "")
    inside = back == otherwise or back.startswith((f"{otherwise}/", f"{otherwise}?"))
    return back if inside and "\\" not in back and "\n" not in back else otherwise


def delete(bench: Bench, request: Request, given: Given) -> Response:
    """Hide a setting, piece, instrument, pass or the whole job; undo brings it back."""
    number = number_of(request)
    sort, key = given.texts.get("sort", ""), given.texts.get("key", "")
    if sort not in ("setting", "piece", "instrument", "pass", "attachment", "head"):
        raise Wrong("This cannot be deleted here.")
    bench.book.delete(number, Ref(sort, key), version_in(given), by_of(request))
    return goes_to("/" if sort == "head" else back_in(given, f"/jobs/{number}"))


FORMS = (
    Form(
        "/jobs/{job:int}/goal", save_goal, (*(n for n in Goal.__dataclass_fields__ if n not in GOAL_SKIPPED), "version")
    ),
    Form("/jobs/{job:int}/head", save_head, (*Head.__dataclass_fields__, "version")),
    Form("/jobs/{job:int}/without", without, ("kind", "had", "back")),
    Form("/jobs/{job:int}/undo", undo, ("act", "back")),
    Form("/jobs/{job:int}/redo", redo, ("back",)),
    Form("/jobs/{job:int}/duplicate", duplicate, ("title",)),
    Form("/jobs/{job:int}/delete", delete, ("sort", "key", "version", "back")),
)
