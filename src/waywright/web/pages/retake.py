"""A suspect: whether it still stands as it was read, and how it is taken again when it does not."""

from __future__ import annotations

from dataclasses import dataclass, replace

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.findings import Report
from waywright.core.evidence.job import Reading, Setting
from waywright.core.evidence.kind import Entry, Kind
from waywright.core.next.retakes import Retake, home_of, retakes
from waywright.record import Add, Missing, Snapshot
from waywright.views.cautions import LIFTING
from waywright.views.numbers import Shown, duration, plural
from waywright.views.result import result
from waywright.web.app import Bench, Form, Given, by_of, goes_to, shown_for
from waywright.web.contexts import Page, head_of, setting_url
from waywright.web.entry import COLUMN_WORDS, columns_of, place_of, place_words, text_in
from waywright.web.page_parts import retake_url
from waywright.web.pages.job import number_of

ASKS = ("Does the lay-up still stand as it was read?", "It still stands", "It was lifted")
ASKS_ZERO = ("Is all as it was when this was read, no zero touched?", "All is as it was", "It was set up anew")
ALONE = "One place alone would tell nothing: a lay-up made anew has a lift and tilts of its own."
ALONE_ZERO = "One place alone would tell nothing: what is set up anew has a zero of its own."


@dataclass(frozen=True)
class RetakePage(Page):
    """A suspect: what was typed, what becomes of it, and how it is taken again.

    `asks`: whether it still stands, with both answers; nothing where that is known. `since`: what was taken after it.
    """

    reading: str = ""
    typed: str = ""
    told: str = ""
    correct: str = ""
    waits: bool = False
    asks: tuple[str, ...] = ()
    stands: str = ""
    at_once: str = ""
    since: str = ""
    begun: str = ""
    words: str = ""
    places: tuple[str, ...] = ()
    count: str = ""
    alone: str = ""
    minutes: str = ""
    cautions: tuple[str, ...] = ()


def retake(bench: Bench, request: Request) -> Response:
    """The page of a suspect; of a reading that is none, its setting at that reading."""
    opened, shown = bench.book.snapshot(number_of(request)), shown_for(request)
    name = request.query_params.get("reading", "")
    report = _report(bench, opened)
    suspects = report.suspects if report is not None else ()
    homes = {r.id: s for s, r in opened.job.readings()} | {s.reading: home_of(opened.job, s) for s in suspects}
    home = homes.get(name)
    if home is None:
        raise Missing("There is no such reading here, or no longer.")
    told = next((r for r in result(report, shown).retakes if r.reading == name), None) if report is not None else None
    correct = setting_url(opened.id, home.id, reading=name)
    if report is None or told is None:
        return goes_to(correct)
    again = _of(opened, report, name)
    laid = home.geometry.lying is not None
    page = RetakePage(
        title=f"{told.where} {told.words}",
        job=head_of(opened),
        reading=name,
        typed=_typed(home, name),
        told=" ".join(filter(None, (told.like, told.then))),
        correct=correct,
        asks=(ASKS if laid else ASKS_ZERO) if again is not None and again.stands else (),
        stands=correct,
        at_once=duration(home.geometry.reading_min),
        since=_since(opened, home, shown) if again is not None and not again.stands and again.begun is None else "",
    )
    if again is not None:
        rows = [place_words(_place(home.geometry, r), shown) for r in again.to_read]
        page = replace(
            page,
            waits=True,
            begun=setting_url(opened.id, again.begun.id, read=_wanted(again)) if again.begun is not None else "",
            words=home.geometry.words(shown),
            places=tuple(rows),
            alone=(ALONE if laid else ALONE_ZERO) if len(rows) > len(again.again) else "",
            count=plural(len(rows), "place"),
            minutes=duration(again.minutes),
            cautions=(LIFTING,) if laid and again.begun is None else (),
        )
    return bench.show(request, "retake.html", page)


def _report(bench: Bench, opened: Snapshot) -> Report | None:
    return bench.solver.solved(opened).report


def _of(opened: Snapshot, report: Report, reading: str) -> Retake | None:
    """How a suspect is taken again; None when it stays left out for good."""
    return next((r for r in retakes(opened.job, report) if reading in r.ids), None)


def _typed(setting: Setting, name: str) -> str:
    """What was typed: "goes 20.012, does not go 20.014"."""
    one = next((r for r in setting.readings if r.id == name), None)
    if one is None:
        return ""
    columns = columns_of(_entry(setting.geometry, one))
    texts = ((COLUMN_WORDS.get(c.key, c.words), text_in(one, c.key)) for c in columns)
    return ", ".join(f"{words} {text}" for words, text in texts if text)


def _entry(geometry: Kind, reading: Reading) -> Entry:
    return next(e for e in geometry.entries if e.name == reading.entry)


def _place(geometry: Kind, reading: Reading) -> str:
    return place_of(_entry(geometry, reading), reading.x_mm, reading.y_mm, reading.at_mm)


def _wanted(again: Retake) -> str:
    """The places to read, for the entry form's address."""
    return ",".join(_place(again.of.geometry, r) for r in again.to_read)


def _since(opened: Snapshot, home: Setting, shown: Shown) -> str:
    """What shows that it was lifted: a later setting of its faces; nothing when that is not said."""
    settings, faces = opened.job.settings, set(home.geometry.faces())
    later = (s for s in settings[settings.index(home) + 1 :] if s.group != home.group)
    return next((s.geometry.words(shown) for s in later if faces & set(s.geometry.faces())), "")


def add(bench: Bench, request: Request, given: Given) -> Response:
    """Make the setting anew, on the same spacers and to be read at the places that check one another."""
    number, name = number_of(request), given.texts.get("reading", "")
    opened = bench.book.snapshot(number)
    report = _report(bench, opened)
    again = _of(opened, report, name) if report is not None else None
    if again is None:
        return goes_to(retake_url(number, name))
    if again.begun is not None:
        return goes_to(setting_url(number, again.begun.id, read=_wanted(again)))
    stands_on = tuple(replace(r, id="") for r in again.anew.geometry.rests(again.anew.readings))
    saved = bench.book.change(number, Add(replace(again.anew, id="", readings=stands_on)), by=by_of(request))
    key = next(ref.key for ref in saved.refs if ref.sort == "setting")
    return goes_to(setting_url(number, key, read=_wanted(again)))


FORMS = (Form("/jobs/{job:int}/retake", add, ("reading",)),)
