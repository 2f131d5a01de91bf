"""What a reading costs to type: the same each time, however much was typed before."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from threading import Thread

import pytest
import uvicorn
from playwright.sync_api import Page
from sqlalchemy import event
from starlette.applications import Starlette
from starlette.testclient import TestClient

from tests.web.driving import all_saved, free_port, until
from tests.web.test_unsaved import ready
from waywright.core import report
from waywright.record import Book
from waywright.web import solved
from waywright.web.app import bench_app

SCRIPT = {"X-Requested-With": "waywright"}


@pytest.mark.slow
def test_a_reading_is_one_solve_and_as_many_statements_each_time(
    client: TestClient, book: Book, shop_job: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One reading typed over and over: each time its rows are made once and screened once, for the shapes and for the
    verdicts together, and the book is asked the same ten statements in the same four transactions."""
    done: list[str] = []

    def counted(owner: object, name: str) -> None:
        work = getattr(owner, name)
        monkeypatch.setattr(owner, name, lambda *given: (done.append(name), work(*given))[1])

    counted(report, "network")
    counted(report, "screen")
    event.listen(book._store.engine, "before_cursor_execute", lambda *asked: done.append(asked[2].split()[0]))
    setting = f"/jobs/{shop_job}/setting?id=layups%5B0%5D"
    client.get(setting)
    row = {"reading": "", "version": "0"}
    for k in range(12):
        done.clear()
        row |= {"place": "gaps;30;-14;", "just_mm": f"19.99{k % 10}"}
        form = {f"{key}.0": text for key, text in row.items()}
        form |= {"client": "tab", "sequence": str(k + 1)}
        answer = client.post(setting, data=form, headers=SCRIPT)
        first, second = (json.loads(line) for line in answer.text.splitlines())
        assert first["drawings"]
        assert second["head"]
        told = next(one for one in second["rows"] if one["place"] == row["place"])
        row |= {"reading": told["reading"], "version": str(told["version"])}
        counts = {name: done.count(name) for name in dict.fromkeys(done)}
        assert counts == {"BEGIN": 4, "SELECT": 8, "INSERT": 2, "network": 1, "screen": 1}


def test_of_several_typed_at_once_the_newest_is_judged(
    client: TestClient, book: Book, shop_job: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three readings typed while another is judged: each has its shapes at once, then one report is told to all."""
    judged: list[int] = []
    work = solved.report_of
    monkeypatch.setattr(solved, "report_of", lambda seen: (judged.append(1), work(seen))[1])
    setting, solver = f"/jobs/{shop_job}/setting?id=layups%5B0%5D", client.app.state.bench.solver  # type: ignore[attr-defined]
    with ThreadPoolExecutor(3) as pool:
        with solver.judging:
            answers = []
            for k in range(3):
                form = {"place.0": f"gaps;{30 + 75 * k};-14;", "reading.0": "", "version.0": "0", "just_mm.0": "19.997"}
                answers.append(pool.submit(client.post, setting, data=form, headers=SCRIPT))
                until(lambda: book.snapshot(shop_job).number == k + 2)  # noqa: B023
            until(lambda: solver.solves == 3)
        lines = [[json.loads(line) for line in answer.result().text.splitlines()] for answer in answers]
    assert [(first["act"], second["act"]) for first, second in lines] == [(2, 4), (3, 4), (4, 4)]
    assert all(first["drawings"] and second["head"] for first, second in lines)
    assert len(judged) == 1


@contextmanager
def served(app: Starlette) -> Iterator[str]:
    """The bench in a thread of the test, to be held up from there."""
    port = free_port()
    server = uvicorn.Server(uvicorn.Config(app, port=port, log_config=None, ws="none", lifespan="off"))
    thread = Thread(target=server.run, daemon=True)
    thread.start()
    try:
        until(lambda: server.started)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.force_exit = server.should_exit = True
        thread.join(10)


def test_typing_on_waits_for_no_verdict(new_page: Callable[..., Page], book: Book, shop_job: int) -> None:
    """While a reading is being judged the next ones are saved and drawn, one of them refused; then the page tells what
    the last that was saved did."""
    app, page = bench_app(book), new_page()
    page.allowed.append("status of 422")  # type: ignore[attr-defined]
    with served(app) as url:
        page.goto(f"{url}/jobs/{shop_job}/setting?id=layups%5B0%5D")
        ready(page)
        with app.state.bench.solver.judging:
            for act, place in enumerate(("30;14", "105;14", "180;-14"), 2):
                page.locator(f'tr[data-place="gaps;{place};"] input[name^="just_mm."]').fill("19.9985")
                page.keyboard.press("Enter")
                page.wait_for_function("(n) => document.querySelector('entry-grid').dataset.drawn === n", arg=str(act))
            page.locator('tr[data-place="gaps;30;14;"] input[name^="just_mm."]').fill("i9.997")
            page.keyboard.press("Enter")
            page.locator("unsaved-readings").get_by_text("i9.997").wait_for()
            assert page.evaluate("document.querySelector('entry-grid').dataset.told") is None
        page.wait_for_function("() => document.querySelector('entry-grid').dataset.told === '4'")
        page.get_by_role("button", name="Let it go").click()
        all_saved(page)
