"""A disk without room while readings are typed: they wait in the browser, and are saved once there is room again."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Page

from tests.web.driving import all_saved, until
from tests.web.test_unsaved import SETTING, numbers, ready, write
from waywright.record import Book, queries
from waywright.web.app import bench_app
from waywright.web.pages.shop import First, first_job
from waywright.web.serve import listen


@contextmanager
def served(book: Book) -> Iterator[str]:
    """The bench over an open book, in a thread of its own; gives its address."""
    listening = listen(None)
    server = uvicorn.Server(uvicorn.Config(bench_app(book), log_config=None, lifespan="off"))
    thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
    thread.start()
    try:
        until(lambda: server.started)
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(20)
        listening.close()


def test_readings_wait_for_room(new_page: Callable[..., Page], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is typed onto a full disk is answered 507, stays in the browser as not saved, with the reason, and is sent
    again until there is room: then each reading is in the book once, in order."""

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    page = new_page()
    page.allowed.append("status of 507")  # type: ignore[attr-defined]
    path = tmp_path / "book.sqlite"
    with Book.open(path) as book, served(book) as url:
        book.begin(first_job(First()))
        page.goto(f"{url}{SETTING}")
        ready(page)
        write(page, 0, "20.001")
        all_saved(page)
        with monkeypatch.context() as patch:
            patch.setattr(queries, "add", full)
            for x, text in ((100, "20.002"), (200, "20.003")):
                write(page, x, text)
            told = page.locator("unsaved-readings")
            told.get_by_text("2 readings are not saved yet").wait_for()
            told.get_by_text("The disk with").wait_for()
            assert numbers(path) == [20.001]
        all_saved(page)
        told.wait_for(state="hidden")
        assert numbers(path) == [20.001, 20.002, 20.003]
