"""Every form of the bench, fed from its own list of fields: never a fault of ours, never a reading lost or changed."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from tests.web.conftest import BASE
from waywright import jobfile
from waywright.core.evidence.job import Job, Reading, Typed
from waywright.demo import shop
from waywright.record import Book, Head, Ref
from waywright.web.app import Form, bench_app
from waywright.web.pages import FORMS, PAGES
from waywright.web.solved import Reported, Solver

WORDS = [
    *("", "0", "1", "2", "-1", "20.004", "20,004", "0.4 thou", "1e400", "nan", "١٢", "9" * 400, "1,000.5", "12 arcsec"),
    *("Alder", "Birch", "Elm", "layups[0]", "crosses[0]", "layups", "crosses", "steps", "blocks", "level", "over"),
    *(
        "end for end",
        "goes",
        "just",
        "stops",
        "yes",
        "mm",
        "inch",
        "/",
        "//x",
        "\\",
        "\x00",
        "\ud800",
        "<b>",
        "{{7*7}}",
    ),
    *("gaps;30;-14;", "gaps;;;", "spacers;145;0;", "readings;30;;", "gaps;x;y;z", ";;;;", "setting", "head", "piece"),
    *("layups[0].gaps[0]", "layups[0].spacers[0]", "crosses[0].readings[0]", "30 105 180", "0; 100", "scraped", "top"),
    *("gauge blocks", "indicator", "bright", "blue", "guarded", "between", "DIN 874-2", "tab", "-14 14", "660", "42"),
]
VALUES = st.sampled_from(WORDS) | st.text(max_size=20) | st.floats().map(str) | st.integers().map(str)


WHO = "Mia"
# Nothing is taken without them; tests/web/test_pages.py and tests/web/test_slip_asked.py have them.
NEEDS_SHAPES = {"/jobs/{job:int}/blue", "/jobs/{job:int}/slip"}


@pytest.fixture(scope="module")
def shopped() -> Iterator[tuple[TestClient, Book]]:
    """A bench that solves nothing: forms are what is tried here."""

    class Idle(Solver):
        def solved(self, opened: object) -> Reported:
            return Reported(None, "not worked out here")

    with TemporaryDirectory() as folder, Book.open(Path(folder) / "book.sqlite") as book:
        app = bench_app(book)
        object.__setattr__(app.state.bench, "solver", Idle())
        yield TestClient(app, base_url=BASE, raise_server_exceptions=False), book


@cache
def small() -> Job:
    """The sample shop with one lay-up of four gaps and the level."""
    job = jobfile.loads(shop(), "the sample shop")
    layup, crosses = job.settings[0], job.settings[-1]
    return replace(job, settings=(replace(layup, readings=layup.readings[:6]), crosses))


def begun(book: Book) -> int:
    """A new job with something to undo and something to do again."""
    number = book.begin(small())
    book.put(number, Ref("head"), 1, Head("Another title"))
    reading = Reading("", "gaps", 555.0, 14.0, key="just_mm", value=Typed(20.001, "mm"))
    saved = book.append(number, "layups[0]", [reading])
    book.undo(number, saved.number)
    return number


def readings(book: Book, number: int) -> dict[str, Reading]:
    """Every reading there ever was in a job, as it was typed."""
    found: dict[str, Reading] = {}
    for act in range(1, book.snapshot(number).newest + 1):
        found |= {r.id: r for _, r in book.job(number, act).readings()}
    return found


# What a person might send, by the field's name without its row; the rest of the time anything at all.
LIKELY: dict[str, list[str]] = {
    "title": ["Edges"],
    "edges": ["P, Q, R"],
    "length_mm": ["660"],
    "width_mm": ["42"],
    "grade": ["1"],
    "stations_mm": ["30 105 180", "0; 300; 600"],
    "lines_mm": ["0", "-14 14"],
    "block_mm": ["20"],
    "note": ["seen"],
    "straightness_um": ["6", "4,5"],
    "side": ["between", "top"],
    "finish": ["scraped"],
    "rule": ["guarded"],
    "kind": ["layups", "crosses", "gauge blocks", "level"],
    "name": ["Elm", "Alder"],
    "lower": ["Alder"],
    "upper": ["Birch", "Rowan"],
    "turn": ["over", "end for end"],
    "face": ["Alder", "Birch"],
    "base_mm": ["28"],
    "instrument": ["blocks", "level"],
    "version": ["1"],
    "was": ["", "Alder", "blocks"],
    "of": ["", "Alder"],
    "sort": ["setting", "piece", "instrument", "head"],
    "key": ["layups[2]", "Rowan", "", "crosses[0]"],
    "act": ["1", "scrape"],
    "after": ["layups[0]", "crosses[0]"],
    "stack": ["20.004"],
    "text": ["30 -14 20.001"],
    "place": ["gaps;30;-14;", "gaps;30;14;", "gaps;;;"],
    "reading": ["", "layups[0].gaps[0]"],
    "x_mm": ["330"],
    "goes_mm": ["19.990"],
    "stops_mm": ["20.010"],
    "try": ["goes", "just", "stops"],
    "u_um": ["1"],
    "feel_um": ["1"],
    "units": ["mm", "inch"],
    "who": ["Mia", "Øyvind Ångström"],
    "stoned": ["yes"],
    "file": ["title = 'x'"],
    "mark": ["bright", "bare"],
    "about": ["", "setting layups[0]", "piece Alder"],
}


LIKELY_FOR: dict[str, dict[str, list[str]]] = {
    "goal": {"grade": [], "side": ["between"], "faces": ["Alder"]},
    "piece": {"side": ["top"], "name": ["Elm"], "was": ["", "Alder"]},
    "instrument": {"kind": ["level", "gauge blocks"], "name": ["dial"], "was": ["", "blocks"]},
    "head": {"version": ["2"]},
    "undo": {"act": ["2"]},
    "delete": {"sort": ["setting"], "key": ["crosses[0]", "layups[0]"], "version": ["1"]},
}


@st.composite
def sent(draw: st.DrawFn, form: Form) -> dict[str, str]:
    """A form as a person might send it, with up to three fields of anything; `*` becomes a row's number."""
    rows, wild = draw(st.integers(1, 2)), draw(st.integers(0, 3))
    names = [name.replace("*", str(k)) for name in form.fields for k in (range(rows) if "*" in name else (0,))]
    found, mine = {}, LIKELY | LIKELY_FOR.get(form.path.rpartition("/")[2], {})
    for name in names:
        likely = mine.get(name.split(".")[0], [])
        if likely and draw(st.integers(0, 9)):
            found[name] = draw(st.sampled_from(likely))
    for name in draw(st.lists(st.sampled_from(names), max_size=wild)):
        found[name] = draw(VALUES)
    return found


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.path)
def test_forms_never_break(form: Form, shopped: tuple[TestClient, Book]) -> None:
    """Whatever is sent, the answer is a page or a sentence, each reading typed before is still as it was typed, and
    what was done is signed with the name this browser was given."""
    client, book = shopped
    answers: Counter[int] = Counter()
    fresh: list[tuple[int, int, dict[str, Reading]]] = []  # a job as it was begun: act, readings

    @settings(max_examples=30)
    @given(data=sent(form), sid=st.sampled_from(["layups[0]", "layups[0]", "crosses[0]", "nothing"]))
    def tried(data: dict[str, str], sid: str) -> None:
        if not fresh:
            number = begun(book)
            fresh.append((number, book.snapshot(number).newest, readings(book, number)))
        number, begun_with, before = fresh[0]
        url = form.path.replace("{job:int}", str(number))
        files = (
            {"file": (data["file"][:40] or "x", data["file"].encode("utf-8", "replace"))} if "file" in data else None
        )
        clean = {k: v.encode("utf-8", "replace").decode() for k, v in data.items() if k != "file"}
        client.cookies.clear()
        client.cookies.set("who", WHO)
        for headers in ({}, {"X-Requested-With": "waywright"}):  # as a browser sends it, then as the script does
            answer = client.post(
                url, params={"id": sid}, data=clean, files=files, headers=headers, follow_redirects=False
            )
            assert answer.status_code < 500, answer.text
            answers[answer.status_code // 100] += 1
        if book.snapshot(number).newest == begun_with:
            assert {r.id: r for _, r in book.job(number).readings()}.items() <= before.items()
            return
        fresh.clear()
        after = readings(book, number)
        assert {key: after[key] for key in before} == before
        assert {act.who for act in book.snapshot(number).acts[begun_with:]} <= {WHO}

    tried()
    taken = answers[2] + answers[3]
    assert taken > 1 or form.path in NEEDS_SHAPES, f"nothing was ever taken, so nothing deep was tried: {answers}"


NAMES = ["id", "name", "kind", "way", "act", "wanted", "reading", "before", "about"]


@pytest.mark.parametrize("path", PAGES)
def test_pages_never_break(path: str, shopped: tuple[TestClient, Book]) -> None:
    """Whatever stands in the address, the answer is a page or a sentence."""
    client, book = shopped
    number = begun(book)

    @settings(max_examples=15)
    @given(query=st.dictionaries(st.sampled_from(NAMES), VALUES))
    def tried(query: dict[str, str]) -> None:
        clean = {k: v.encode("utf-8", "replace").decode() for k, v in query.items()}
        answer = client.get(path.replace("{job:int}", str(number)), params=clean, follow_redirects=False)
        assert answer.status_code < 500, answer.text

    tried()


def test_every_field_of_every_form_is_named() -> None:
    """What a form reads is in its list of fields, so that the tests above reach it."""
    templates = Path(bench_app.__code__.co_filename).parent / "templates"
    named = {re.sub(r"\*", "", field).rstrip(".") for form in FORMS for field in form.fields}
    for template in sorted(templates.rglob("*.html")):
        for found in re.findall(r'<(?:input|select|textarea|button)[^>]* name="([a-z_]+)[".]', template.read_text()):
            assert found in named | {"name", "wanted"}, f"{template.name}: {found}"
