"""What to do next is told on a page once it is worked out, and is the same wherever it stands."""

from __future__ import annotations

import html
import threading
from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Page
from starlette.testclient import TestClient

from tests.web.driving import Running
from waywright import jobfile
from waywright.core.evidence.findings import Move
from waywright.demo import shop
from waywright.record import Book, Snapshot
from waywright.web.app import bench_app
from waywright.web.page_parts import NOT_YET

SETTING = "setting?id=layups%5B0%5D"
CELL = 'tr[data-place="gaps;30;14;"] input[name^="just_mm."]'


@pytest.fixture
def planning() -> threading.Event:
    """What to do next is worked out once this is set."""
    return threading.Event()


@pytest.fixture
def hasty(book: Book, planning: threading.Event, monkeypatch: pytest.MonkeyPatch) -> TestClient:
    """A bench whose pages wait for nothing."""
    book.begin(jobfile.loads(shop("two_edges"), "two_edges.toml"))
    app = bench_app(book)
    solver = app.state.bench.solver
    solver.patience_s, moves = 0.0, solver.moves

    def planned(opened: Snapshot) -> tuple[Move, ...]:
        assert planning.wait(60)
        return moves(opened)

    monkeypatch.setattr(solver, "moves", planned)
    return TestClient(app, base_url="http://127.0.0.1:8731")


def test_a_page_is_sent_before_the_next_move_is_known(hasty: TestClient, planning: threading.Event) -> None:
    """The page of the job and of a setting come at once, with where the move is to be had; asked there, it is told, and
    from then on it stands on the pages."""
    with hasty as client:
        job, setting = (client.get(f"/jobs/1{path}") for path in ("", f"/{SETTING}"))
        assert job.context["page"].working
        assert NOT_YET in job.text
        assert 'hx-get="/jobs/1/next"' in job.text
        assert 'data-pending="/jobs/1/next?part=first"' in setting.text
        planning.set()
        first = client.get("/jobs/1/next?part=first").text
        assert first.startswith("Lay Birch on Alder, marks opposite")
        assert first in html.unescape(client.get("/jobs/1/next", headers={"HX-Request": "true"}).text)
        for path in ("", f"/{SETTING}"):
            page = html.unescape(client.get(f"/jobs/1{path}").text)
            assert first in page
            assert NOT_YET not in page


@pytest.fixture
def sample() -> Iterator[Running]:
    """The sample shop, as `waywright demo` opens it."""
    one = Running.start(["demo"])
    yield one
    one.stop()


def test_what_is_typed_changes_what_is_next(sample: Running, new_page: Callable[..., Page]) -> None:
    """In the browser: a reading is typed, and after a moment the move beside it is that of the newest readings."""
    bench = sample
    page = new_page()
    page.goto(f"{bench.url}/jobs/1/{SETTING}")
    told = page.locator("#live-next")
    page.wait_for_function("words => !document.getElementById('live-next').textContent.includes(words)", arg=NOT_YET)
    assert told.inner_text().startswith("Lay Birch on Alder, marks opposite")
    page.locator(CELL).fill("20.002")
    page.locator(CELL).press("Enter")
    page.wait_for_function("words => document.getElementById('live-next').textContent.includes(words)", arg=NOT_YET)
    page.wait_for_function("words => !document.getElementById('live-next').textContent.includes(words)", arg=NOT_YET)
    first = page.request.get(f"{bench.url}/jobs/1/next?part=first").text()
    assert told.inner_text() == first
