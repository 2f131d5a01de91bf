"""Laying up: a new setting, and how one lies and with what it is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.job import JobError, Setting
from waywright.core.evidence.kind import Kind
from waywright.core.readings import KINDS
from waywright.record import Add, Conflict, Missing, Put, Ref, Snapshot
from waywright.web.app import Bench, Form, Given, by_of, goes_to
from waywright.web.contexts import Page, head_of, setting_url
from waywright.web.forms import Field, Wrong, choices_in, form_of, kept, lines_of, read
from waywright.web.pages.form_conflict import Sides, form_conflict, typed_fields
from waywright.web.pages.job import number_of, version_in
from waywright.web.pages.setting import OWN, found, lying_form, not_own, setting_page

GEOMETRY_FIELDS = tuple(dict.fromkeys(line.name for kind in KINDS.values() for line in lines_of(kind)))


@dataclass(frozen=True)
class NewSetting(Page):
    """A setting still to be laid up."""

    kind: str = ""
    fields: tuple[Field, ...] = ()
    kinds: tuple[tuple[str, str], ...] = ()


def change(bench: Bench, request: Request, given: Given) -> Response:
    """How it lies, and with what it is read."""
    number = number_of(request)
    opened = bench.book.snapshot(number)
    try:
        one = found(opened, request)
    except Missing as error:
        sides = Sides(typed_fields((*GEOMETRY_FIELDS, *OWN), given), {}, None)
        return form_conflict(bench, request, opened, error, sides, {}, f"/jobs/{number}")
    back = setting_url(number, one.id)
    try:
        geometry = type(one.geometry)(**kept(one.geometry), **read(type(one.geometry), given.texts))
        own: dict[str, Any] = dict.fromkeys(OWN) | read(Setting, given.texts, not_own())
        new = replace(one, geometry=geometry, readings=(), **own)
        bench.book.change(number, Put(Ref("setting", one.id), version_in(given), new), by=by_of(request))
    except (Wrong, JobError) as error:
        wrong = error if isinstance(error, Wrong) else Wrong(str(error), error.place.rpartition(".")[2])
        return setting_page(bench, request, opened, one, wrong, changing=given.texts)
    except Conflict as error:
        now = [error.theirs.geometry, error.theirs] if isinstance(error.theirs, Setting) else []
        sides = Sides.of(lying_form(opened, one, given.texts), [geometry, new], now)
        return form_conflict(bench, request, opened, error, sides, {"version": ""} if now else {}, back)
    return goes_to(back)


def new(bench: Bench, request: Request) -> Response:
    """A setting still to be laid up: which kind, and how."""
    opened = bench.book.snapshot(number_of(request))
    kind = request.query_params.get("kind", next(iter(KINDS)))
    return _new(bench, request, opened, kind, dict(request.query_params), None)


def _new(
    bench: Bench, request: Request, opened: Snapshot, kind: str, given: Mapping[str, str], wrong: Wrong | None
) -> Response:
    cls = KINDS.get(kind)
    if cls is None:
        raise Missing("There is no such kind of reading.")
    job = opened.job
    choices = choices_in(job, cls)
    given = {**suggested(opened, cls), **given}
    page = NewSetting(
        title=cls.title,
        job=head_of(opened),
        problem=str(wrong) if wrong is not None and not wrong.field else "",
        kind=kind,
        fields=form_of(cls, given, (), choices, wrong) + form_of(Setting, given, not_own(), choices, wrong),
        kinds=tuple((block, one.title) for block, one in KINDS.items()),
    )
    return bench.show(request, "new_setting.html", page, 422 if wrong else 200)


def suggested(opened: Snapshot, cls: type[Kind]) -> dict[str, str]:
    """What a new setting most likely is: the pair and turn not yet taken, the only instrument that fits."""
    instrument = next((i.name for i in opened.job.instruments if i.kind in cls.instrument_kinds), "")
    return {"instrument": instrument, **cls.likely(opened.job)}


def add(bench: Bench, request: Request, given: Given) -> Response:
    """Add a setting; a lay-up stands on two blocks near its Airy points until told otherwise."""
    number = number_of(request)
    opened = bench.book.snapshot(number)
    kind = given.texts.get("kind", "")
    cls = KINDS.get(kind)
    if cls is None:
        raise Wrong("There is no such kind of reading.")
    try:
        one = Setting("", cls(**read(cls, given.texts)), (), **read(Setting, given.texts, not_own()))
        missing = [name for name in one.geometry.faces() if name not in opened.job.faces()]
        if missing:
            raise Wrong(f"There is no face called {missing[0][:40]!r}.")
        one.geometry.check(opened.job)
        one = replace(one, readings=tuple(replace(r, id="") for r in one.geometry.begun(opened.job, "")))
        saved = bench.book.change(number, Add(one), by=by_of(request))
    except Wrong as error:
        return _new(bench, request, opened, kind, given.texts, error)
    except JobError as error:
        return _new(bench, request, opened, kind, given.texts, Wrong(str(error), error.place))
    key = next(ref.key for ref in saved.refs if ref.sort == "setting")
    return goes_to(setting_url(number, key))


FORMS = (
    Form("/jobs/{job:int}/setting/new", add, ("kind", *GEOMETRY_FIELDS, *OWN)),
    Form("/jobs/{job:int}/setting/change", change, (*GEOMETRY_FIELDS, *OWN, "version")),
)
