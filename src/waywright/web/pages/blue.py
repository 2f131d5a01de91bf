"""The blue and the hinge to expect of a lay-up, drawn before it is made, and the answer: the same, or what differs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.job import Job, JobError, Setting
from waywright.core.results.expect import Expected, answered, expected
from waywright.record import Add, Snapshot
from waywright.views.cautions import BLUEING
from waywright.views.expected import expected_words
from waywright.web.app import Bench, Form, Given, by_of, goes_to, shown_for
from waywright.web.contexts import Page, head_of, setting_url
from waywright.web.drawing import MAP_PX, TEXT_PX, Box, Drawing, Label, Spot, named
from waywright.web.forms import Wrong
from waywright.web.pages.job import number_of
from waywright.web.pages.setting import found


@dataclass(frozen=True)
class Mark:
    """A place and the blue expected there."""

    where: str
    mark: str


@dataclass(frozen=True)
class ExpectPage(Page):
    """The blue and the hinge to expect."""

    words: str = ""
    drawing: Drawing | None = None
    marks: tuple[Mark, ...] = ()
    action: str = ""
    back: str = ""
    caution: str = ""


def looked(bench: Bench, opened: Snapshot, one: Setting) -> Expected:
    """What a lay-up should show; raises `JobError` when too little is known."""
    if one.geometry.lying is None:
        raise Wrong("Only a lay-up shows blue.")
    report = bench.solver.solved(opened).report
    if report is None:
        raise Wrong("Nothing is known of these faces yet; read them first.")
    return expected(opened.job, report.shapes, one.geometry.lying)


def expect(bench: Bench, request: Request) -> Response:
    """What to expect, and the form of the answer."""
    opened, shown = bench.book.snapshot(number_of(request)), shown_for(request)
    one = found(opened, request)
    seen = looked(bench, opened, one)
    places = zip(seen.x_mm.tolist(), seen.y_mm.tolist(), seen.marks, strict=True)
    page = ExpectPage(
        title="The blue to expect",
        job=head_of(opened),
        words=expected_words(seen, shown),
        drawing=drawn(opened.job, seen, [shown.lengths(x) for x in sorted(set(seen.x_mm.tolist()))]),
        marks=tuple(Mark(f"{shown.lengths(x)}, y {shown.lengths(y)}", mark) for x, y, mark in places),
        action=setting_url(opened.id, one.id, "blue"),
        back=setting_url(opened.id, one.id),
        caution=BLUEING,
    )
    return bench.show(request, "expect.html", page)


def drawn(job: Job, seen: Expected, stations: list[str]) -> Drawing:
    """The lower face from above with its marks, each of a shape of its own."""
    face = job.faces()[seen.layup.lower]
    half = max(face.width_mm / 2, 1e-9)
    spots = tuple(
        Spot(mark, 100 * x / face.length_mm, MAP_PX * (0.5 - 0.38 * y / half))
        for x, y, mark in zip(seen.x_mm.tolist(), seen.y_mm.tolist(), seen.marks, strict=True)
    )
    at = sorted(set(seen.x_mm.tolist()))
    labels = [
        Label(100 * x / face.length_mm, MAP_PX + 13, words, "small")
        for x, words in named(list(zip(at, stations, strict=True)))
    ]
    outline = (Box("low", 0.0, 0.0, 100.0, float(MAP_PX)),)
    counts = ", ".join(f"{seen.marks.count(mark)} {mark}" for mark in ("bright", "blue", "bare"))
    return Drawing(
        f"{face.name} from above, far edge at the top: {counts}", MAP_PX + TEXT_PX, (), outline, spots, tuple(labels)
    )


def answer(bench: Bench, request: Request, given: Given) -> Response:
    """What the blue showed, at every place: marks as a setting of their own."""
    number = number_of(request)
    opened = bench.book.snapshot(number)
    one = found(opened, request)
    seen = looked(bench, opened, one)
    differs = differing(seen, given.texts)
    try:
        marked = answered(seen, differs, "answer")
        saved = bench.book.change(
            number,
            Add(replace(marked, id="", readings=tuple(replace(r, id="") for r in marked.readings))),
            by=by_of(request),
        )
    except JobError as error:
        raise Wrong(str(error)) from None
    key = next(ref.key for ref in saved.refs if ref.sort == "setting")
    return goes_to(setting_url(number, key))


def differing(seen: Expected, given: Mapping[str, str]) -> dict[tuple[float, float], str]:
    """The places where something else was seen than expected."""
    places = zip(seen.x_mm.tolist(), seen.y_mm.tolist(), seen.marks, strict=True)
    found_marks = {}
    for k, (x, y, mark) in enumerate(places):
        told = given.get(f"mark.{k}", mark)
        if told != mark:
            found_marks[x, y] = told[:20]
    return found_marks


FORMS = (Form("/jobs/{job:int}/blue", answer, ("mark.*",)),)
