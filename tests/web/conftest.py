"""What the tests of the bench share: a book, a client that asks as a browser would, and the real command with a real
browser in which every foreign request and every console error is a failure.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is imported

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from starlette.testclient import TestClient

from tests.web.driving import FLAGS, Running, watched
from waywright import jobfile
from waywright.demo import shop
from waywright.record import Book
from waywright.web.app import bench_app

BASE = "http://127.0.0.1:8731"


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    """An empty book."""
    with Book.open(tmp_path / "book.sqlite") as opened:
        yield opened


@pytest.fixture
def client(book: Book) -> Iterator[TestClient]:
    """A client of a bench over the book."""
    app = bench_app(book)
    app.state.bench.solver.reporting.patience_s = 60.0
    app.state.bench.solver.patience_s = 60.0  # a page tells its next move, however busy the machine is
    with TestClient(app, base_url=BASE) as found:
        yield found


@pytest.fixture
def shop_job(book: Book) -> int:
    """The sample shop in the book."""
    return book.begin(jobfile.loads(shop(), "the sample shop"))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium, one for the session."""
    path = os.environ.get("WAYWRIGHT_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("there is no chromium on this machine; on Debian: apt-get install chromium")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture
def new_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Makes pages (in contexts of their own unless one is given); what they did wrong fails the test at its end."""
    faults: list[str] = []
    contexts: list[BrowserContext] = []

    def make(context: BrowserContext | None = None, **options: object) -> Page:
        if context is None:
            context = browser.new_context(**options)  # type: ignore[arg-type]
            context.set_default_timeout(20_000)
            contexts.append(context)
        return watched(context.new_page(), faults)

    yield make
    for context in contexts:
        context.close()
    assert faults == []


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Callable[..., Running]]:
    """Starts the real command over a book of the test's own; everything is ended with the test, as a power cut would:
    how it ends when a person ends it is tried in `tests/test_cli_system.py`."""
    started: list[Running] = []

    def start(name: str = "bench.sqlite", port: int | None = None) -> Running:
        one = Running.start(["bench", "--book", str(tmp_path / name)], port)
        started.append(one)
        return one

    yield start
    for one in started:
        one.kill()
