"""What a reading costs to type: the same each time, however much was typed before."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import event
from starlette.testclient import TestClient

from tests.web.driving import until
from waywright.core import report
from waywright.record import Book
from waywright.web import solved

SCRIPT = {"X-Requested-With": "waywright"}


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
                until(lambda: book.opened(shop_job).number == k + 2)  # noqa: B023
            until(lambda: solver.solves == 3)
        lines = [[json.loads(line) for line in answer.result().text.splitlines()] for answer in answers]
    assert [(first["act"], second["act"]) for first, second in lines] == [(2, 4), (3, 4), (4, 4)]
    assert all(first["drawings"] and second["head"] for first, second in lines)
    assert len(judged) == 1
