"""Every form of the bench, fed from its own list of fields: never a fault of ours, never a reading lost or changed."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from tests.web.conftest import BASE
from waywright import jobfile
from waywright.core.evidence import Reading
from waywright.demo import shop
from waywright.record import Book
from waywright.web.app import Form, bench_app
from waywright.web.pages import FORMS, PAGES
from waywright.web.solved import Solved, Solver

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


@pytest.fixture(scope="module")
def shopped() -> Iterator[tuple[TestClient, Book]]:
    """A bench over the sample shop that solves nothing: forms are what is tried here."""

    class Idle(Solver):
        def solved(self, opened: object) -> Solved:
            return Solved(None, "not worked out here")

    with TemporaryDirectory() as folder, Book.open(Path(folder) / "book.sqlite") as book:
        book.begin(jobfile.loads(shop(), "the sample shop"))
        app = bench_app(book)
        object.__setattr__(app.state.bench, "solver", Idle())
        yield TestClient(app, base_url=BASE, raise_server_exceptions=False), book


def readings(book: Book) -> dict[str, Reading]:
    """Every reading there ever was in the job, as it was typed."""
    found: dict[str, Reading] = {}
    for act in range(1, book.opened(1).newest + 1):
        found |= {r.id: r for _, r in book.job(1, act).readings()}
    return found


@st.composite
def sent(draw: st.DrawFn, form: Form) -> dict[str, str]:
    """Some of a form's fields, filled in somehow; `*` becomes a row's number."""
    found = {}
    rows = draw(st.integers(1, 2))
    for name in form.fields:
        for k in range(rows) if "*" in name else (0,):
            if draw(st.integers(0, 2)):
                found[name.replace("*", str(k))] = draw(VALUES)
    return found


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.path)
def test_forms_never_break(form: Form, shopped: tuple[TestClient, Book]) -> None:
    """Whatever is sent, the answer is a page or a sentence, and each reading typed before is still as it was typed."""
    client, book = shopped
    before = readings(book)
    sid = st.sampled_from(["layups[0]", "crosses[0]", "nothing", ""])

    @settings(max_examples=40)
    @given(data=sent(form), query=sid)
    def tried(data: dict[str, str], query: str) -> None:
        url = form.path.replace("{job:int}", "1")
        files = (
            {"file": (data["file"][:40] or "x", data["file"].encode("utf-8", "replace"))} if "file" in data else None
        )
        clean = {k: v.encode("utf-8", "replace").decode() for k, v in data.items() if k != "file"}
        answer = client.post(url, params={"id": query}, data=clean, files=files, follow_redirects=False)
        assert answer.status_code < 500, answer.text
        script = client.post(url, params={"id": query}, data=clean, headers={"X-Requested-With": "waywright"})
        assert script.status_code < 500, script.text
        if book.opened(1).hidden:
            book.undo(1)

    tried()
    after = readings(book)
    assert {key: after[key] for key in before} == before


@pytest.mark.parametrize("path", PAGES)
def test_pages_never_break(path: str, shopped: tuple[TestClient, Book]) -> None:
    """Whatever stands in the address, the answer is a page or a sentence."""
    client, _ = shopped

    @settings(max_examples=15)
    @given(query=st.dictionaries(st.sampled_from(["id", "name", "kind", "way", "act", "wanted", "reading"]), VALUES))
    def tried(query: dict[str, str]) -> None:
        clean = {k: v.encode("utf-8", "replace").decode() for k, v in query.items()}
        answer = client.get(path.replace("{job:int}", "1"), params=clean, follow_redirects=False)
        assert answer.status_code < 500, answer.text

    tried()


def test_every_field_of_every_form_is_named() -> None:
    """What a form reads is in its list of fields, so that the tests above reach it."""
    templates = Path(bench_app.__code__.co_filename).parent / "templates"
    named = {re.sub(r"\*", "", field).rstrip(".") for form in FORMS for field in form.fields}
    for template in sorted(templates.rglob("*.html")):
        for found in re.findall(r'<(?:input|select|textarea|button)[^>]* name="([a-z_]+)[".]', template.read_text()):
            assert found in named | {"name", "wanted"}, f"{template.name}: {found}"
