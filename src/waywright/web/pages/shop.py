"""The shop: every job of the book, a new one in a minute."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.section import Solid
from waywright.core.evidence.things import Face, Instrument, Piece
from waywright.core.readings import LayUp
from waywright.record import Add, Memo
from waywright.views.numbers import Shown
from waywright.web.app import LONGEST_NAME, Bench, Form, Given, by_of, goes_to
from waywright.web.contexts import Page, setting_url
from waywright.web.forms import Field, Wrong, form_of, read
from waywright.web.pages.sheets import JobLine, line_of

KEPT_S = 3650 * 86400  # how long a browser keeps what it was told
MADE = "made"  # assumed of an edge whose depth was said
ASSUMED = "assumed"  # the memo that names what nobody chose


@dataclass(frozen=True)
class Shop(Page):
    """Every job of the book."""

    jobs: tuple[JobLine, ...] = ()
    deleted: tuple[JobLine, ...] = ()
    book: str = ""
    warning: str = ""  # what went wrong beside a save


@dataclass(frozen=True)
class Guide(Page):
    """The first job: everything assumed, and may be changed."""

    fields: tuple[Field, ...] = ()
    field_help: tuple[tuple[str, str], ...] = ()


def shop(bench: Bench, request: Request) -> Response:
    """Every job, last changed first."""
    return shop_page(bench, request)


def shop_page(bench: Bench, request: Request, wrong: str = "") -> Response:
    """The shop; with `wrong`, why a job was not taken in."""
    every = bench.book.jobs(hidden=True)
    page = Shop(
        title="The shop",
        problem=wrong,
        jobs=tuple(line_of(job) for job in every if not job.hidden),
        deleted=tuple(line_of(job) for job in every if job.hidden),
        book=bench.book.name,
        warning=bench.book.warning or "",
    )
    return bench.show(request, "shop.html", page, 422 if wrong else 200)


@dataclass(frozen=True)
class First:
    """What the first page asks; everything has a default, and what was left at it is marked as assumed."""

    title: str = ""
    edges: tuple[str, ...] = ("P", "Q", "R")
    length_mm: float = 600.0
    width_mm: float = 40.0
    depth_mm: float | None = None
    mass_kg: float | None = None
    stations_mm: tuple[float, ...] = ()
    lines_mm: tuple[float, ...] = (0.0,)
    block_mm: float = 20.0
    grade: str = "1"
    straightness_um: float = 6.0


HELP = {
    "title": "What you are making",
    "edges": "Three make one another true; two show only their sum",
    "depth_mm": "From face to back; left empty, weight is left out and the result says by how much that may be off",
    "mass_kg": "On a kitchen scale, if you can",
    "stations_mm": "Left empty: seven, evenly",
    "lines_mm": "One down the middle, or two near the edges",
    "block_mm": "What the upper one stands on",
    "grade": "Of your gauge blocks, ISO 3650",
    "straightness_um": "What the job asks of each face",
}
DEFAULTS = {
    "edges": "P, Q, R",
    "length_mm": "600",
    "width_mm": "40",
    "depth_mm": "",
    "mass_kg": "",
    "stations_mm": "",
    "lines_mm": "0",
    "block_mm": "20",
    "grade": "1",
    "straightness_um": "6",
}
_ASSUMED: Mapping[str, tuple[Any, ...]] = {  # a sentence, and each amount in it
    "length_mm": ("Every edge is {} long.", (600, "mm")),
    "width_mm": ("Every edge is {} wide.", (40, "mm")),
    "stations_mm": ("Stations are spread evenly, seven of them.",),
    "lines_mm": ("One line down the middle is read.",),
    "block_mm": ("The upper edge stands on blocks of {} near its Airy points.", (20, "mm")),
    "grade": ("The gauge blocks are of grade 1 (ISO 3650), the hand feels {}.", (1, "µm")),
    "straightness_um": ("Each face is to be straight to {}.", (6, "µm")),
    MADE: ("Every edge is of cast iron, solid to its depth; say otherwise at its piece.",),
}
GUIDE_CHOICES = {"grade": ("K", "0", "1", "2")}


def guide(bench: Bench, request: Request) -> Response:
    """The first-job guide."""
    return _guide(bench, request, {}, None)


def _guide(bench: Bench, request: Request, given: dict[str, str], wrong: Wrong | None) -> Response:
    fields = form_of(First, {**DEFAULTS, **given}, choices=GUIDE_CHOICES, wrong=wrong)
    page = Guide(
        title="A new job",
        fields=fields,
        field_help=tuple(HELP.items()),
        problem=str(wrong) if wrong is not None and not wrong.field else "",
    )
    return bench.show(request, "guide.html", page, 422 if wrong else 200)


def start(bench: Bench, request: Request, given: Given) -> Response:
    """Begin a job: pieces, blocks and the first lay-up are there at once."""
    try:
        first = First(**read(First, given.texts))
        job = first_job(first)
    except Wrong as error:
        return _guide(bench, request, dict(given.texts), error)
    number = bench.book.begin(job, by_of(request))
    assumed = assumed_in(given.texts) + ([MADE] if first.depth_mm is not None else [])
    if assumed:
        bench.book.change(number, Add(Memo(ASSUMED, "\n".join(assumed))), by=by_of(request), kind=ASSUMED)
    if len(first.edges) < 2:
        return goes_to(f"/jobs/{number}")
    return goes_to(setting_url(number, "layups[0]"))


def assumed_in(texts: object) -> list[str]:
    """The names of what was left at its default."""
    given = dict(texts) if isinstance(texts, dict) else {}
    asked = {name: default for name, default in DEFAULTS.items() if name in _ASSUMED}
    return [name for name, default in asked.items() if given.get(name, default).strip() in ("", default)]


def assumed_words(memo: str, shown: Shown) -> tuple[str, ...]:
    """What such a memo says, a sentence each."""
    found = (_ASSUMED[name] for name in memo.splitlines() if name in _ASSUMED)
    return tuple(words.format(*(shown.text(*amount) for amount in amounts)) for words, *amounts in found)


def first_job(first: First) -> Job:
    """Pieces, blocks, the first lay-up on its spacers; raises `Wrong`."""
    edges = tuple(dict.fromkeys(name.strip() for name in first.edges if name.strip()))
    if not 1 <= len(edges) <= 12:
        raise Wrong("Name one to twelve edges.", "edges")
    stations = first.stations_mm or evenly(first.length_mm)
    if len(stations) > 200 or len(first.lines_mm) > 20:
        raise Wrong("At most 200 stations and 20 lines.", "stations_mm")
    if list(stations) != sorted(set(stations)) or stations[0] < 0 or stations[-1] > first.length_mm:
        raise Wrong(f"Stations increase, from 0 to {first.length_mm:g} mm.", "stations_mm")
    half = first.width_mm / 2
    if list(first.lines_mm) != sorted(set(first.lines_mm)) or max(map(abs, first.lines_mm)) > half:
        raise Wrong(f"Lines increase, from {-half:g} to {half:g} mm.", "lines_mm")
    if first.depth_mm is not None and not first.depth_mm > 0:
        raise Wrong("An edge is deeper than nothing.", "depth_mm")
    if first.mass_kg is not None and not first.mass_kg > 0:
        raise Wrong("An edge weighs more than nothing.", "mass_kg")
    if not first.block_mm > 0:
        raise Wrong("A block is longer than nothing.", "block_mm")
    section = None if first.depth_mm is None else Solid(depth_mm=first.depth_mm, width_mm=first.width_mm)
    pieces = tuple(
        Piece(
            name,
            (Face(name, first.length_mm, first.width_mm, stations, first.lines_mm, "top", "scraped"),),
            material="cast iron" if section is not None else None,
            section=section,
            mass_kg=first.mass_kg,
        )
        for name in edges
    )
    job = Job(
        title=first.title,
        pieces=pieces,
        instruments=(Instrument("blocks", "gauge blocks", grade=first.grade),),
        goal=Goal(straightness_um=first.straightness_um),
    )
    if len(edges) < 2:
        return job
    layup = LayUp(edges[0], edges[1], "over")
    spacers = layup.begun(job, "layups[0]", first.block_mm)
    return replace(job, settings=(Setting("layups[0]", layup, spacers, instrument="blocks"),))


def evenly(length_mm: float) -> tuple[float, ...]:
    """Seven stations, the ends a little in from the edge, on whole millimetres where that is possible."""
    step = length_mm / 6
    whole = math.floor(step) if step >= 10 else step
    return tuple(float(i * whole) for i in range(7))


def units(bench: Bench, request: Request, given: Given) -> Response:
    """How this browser wants numbers shown."""
    return _kept(given, "units", "inch" if given.texts.get("units") == "inch" else "mm")


def who(bench: Bench, request: Request, given: Given) -> Response:
    """Who works at this browser: their name stands beside what they do. Nobody has to say."""
    name = "".join(letter if letter.isprintable() else " " for letter in given.texts.get("who", ""))
    return _kept(given, "who", quote(" ".join(name.split())[:LONGEST_NAME], safe="", errors="replace"))


def _kept(given: Given, name: str, value: str) -> Response:
    """Back to where the form was, with something for this browser to keep."""
    back = given.texts.get("back", "/")
    inside = back.startswith("/") and not back.startswith(("//", "/\\")) and back.isprintable()
    answer = goes_to(back if inside else "/")
    answer.set_cookie(name, value, max_age=KEPT_S, httponly=True, samesite="strict")
    return answer


FORMS = (
    Form("/jobs/new", start, tuple(First.__dataclass_fields__)),
    Form("/units", units, ("units", "back")),
    Form("/who", who, ("who", "back")),
)
