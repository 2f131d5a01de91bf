"""What a reading costs to type: the same each time, however much was typed before."""

from __future__ import annotations

import json

import pytest
from sqlalchemy import event
from starlette.testclient import TestClient

from waywright.core import report
from waywright.record import Book


def test_a_reading_is_one_solve_and_as_many_statements_each_time(
    client: TestClient, book: Book, shop_job: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One reading typed over and over: each time its rows are made once and screened once, for the shapes and for the
    verdicts together, and the book is asked the same eight statements in the same three transactions."""
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
        answer = client.post(setting, data=form, headers={"X-Requested-With": "waywright"})
        first, second = (json.loads(line) for line in answer.text.splitlines())
        assert first["drawings"]
        assert second["head"]
        told = next(one for one in second["rows"] if one["place"] == row["place"])
        row |= {"reading": told["reading"], "version": str(told["version"])}
        counts = {name: done.count(name) for name in dict.fromkeys(done)}
        assert counts == {"BEGIN": 3, "SELECT": 6, "INSERT": 2, "network": 1, "screen": 1}
