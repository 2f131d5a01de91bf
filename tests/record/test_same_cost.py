"""What a page costs does not grow with the rest of the book."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, text
from starlette.testclient import TestClient

from waywright.core.evidence.job import Job, Reading, Typed
from waywright.record import Book, By
from waywright.record.parts import dump
from waywright.record.store import Store, open_store
from waywright.web.app import bench_app

JOBS, AT_ONCE = 10, 10  # other jobs in the book; readings in one act
COUNTED = "WITH RECURSIVE c(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM c WHERE n + 1 < :each) "
ACTS = """INSERT INTO acts (job_id, number, kind, at, digest)
    SELECT :job_id, 2 + n / :at_once, 'append', :at, :digest FROM c WHERE n % :at_once = 0"""
VERSIONS = """INSERT INTO versions (job_id, thing, number, sort, parent, position, hidden, body)
    SELECT :job_id, :things + 1 + n, 2 + n / :at_once, 'reading', 8, 1.0, 0, :body FROM c"""


@dataclass
class Cost:
    """What was asked of the database: statements, the plan of each, and the steps its machine took."""

    statements: int = 0
    steps: int = 0
    plans: list[str] = field(default_factory=list)


def cost(engine: Engine, act: Callable[[], object]) -> Cost:
    """What `act` costs. SQLite's machine takes so many steps a row, in whatever table: no row is read unseen."""
    found = Cost()

    def step() -> int:
        found.steps += 1
        return 0

    def before(connection: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        raw = connection.connection.driver_connection
        assert isinstance(raw, sqlite3.Connection)
        if statement.startswith(("SELECT", "INSERT")):
            found.statements += 1
            raw.set_progress_handler(None, 1)
            asked = parameters[0] if isinstance(parameters, list) else parameters
            found.plans += [row[3] for row in raw.execute(f"EXPLAIN QUERY PLAN {statement}", asked)]
            raw.set_progress_handler(step, 1)

    event.listen(engine, "before_cursor_execute", before)
    act()
    event.remove(engine, "before_cursor_execute", before)
    return found


def filled(path: Path, job: Job, readings: int) -> Store:
    """A book with the job, number 1, and ten others that have `readings` readings between them."""
    with Book.open(path) as book:
        for _ in range(JOBS + 1):
            book.begin(job)
        things = max(row.thing for row in _rows(book))
    store = open_store(path)
    body = dump(Reading("layups[0].gaps[99]", "gaps", 30.0, -14.0, key="gap_mm", value=Typed(20.007, "mm")))
    made = {"at": "2026-01-12T08:00:00.000000+00:00", "digest": "0" * 64, "body": body, "things": things}
    made |= {"each": readings // JOBS, "at_once": AT_ONCE}
    with store.writing() as connection:
        for job_id in range(2, JOBS + 2):
            for statement in (ACTS, VERSIONS):
                connection.execute(text(COUNTED + statement), {**made, "job_id": job_id})
    return store


def _rows(book: Book) -> list[Any]:
    from waywright.record import queries

    with book._store.reading() as connection:
        return [row for rows in queries.rows(connection, 1).values() for row in rows]


PAGES = ("/jobs/1", "/jobs/1/setting?id=layups%5B0%5D", "/")


def pages(store: Store) -> list[Cost]:
    """What the bench's pages cost when it has just been started: a job, one of its lay-ups, and the shop."""
    found = []
    for path in PAGES:
        with TestClient(bench_app(Book(store)), base_url="http://127.0.0.1:8731") as client:
            answers = []
            found.append(cost(store.engine, lambda: answers.append(client.get(path))))  # noqa: B023
            assert [answer.status_code for answer in answers] == [200], path
    return found


@pytest.mark.parametrize("many", [20_000, pytest.param(1_000_000, marks=pytest.mark.slow)])
def test_a_job_page_costs_the_same_in_a_full_book(tmp_path: Path, three: Job, many: int) -> None:
    """Opening a job, saving a reading and listing the jobs, in the book and through the pages of the bench, take the
    same statements and read the same rows, whether the other jobs hold a thousand readings or a million; and every row
    is found through an index. What was read before is not read again."""
    reading = Reading("", "gaps", 30.0, -14.0, key="gap_mm", value=Typed(20.007, "mm"))
    costs = []
    for count in (1_000, many):
        store = filled(tmp_path / f"{count}.sqlite", three, count)
        book = Book(store)
        book.append(1, "layups[0]", [reading], By(client="tab", sequence=1))  # and the copy of the day
        opened = cost(store.engine, lambda: Book(store).snapshot(1))  # noqa: B023
        again = replace(reading, x_mm=105.0)
        saved = cost(store.engine, lambda: book.append(1, "layups[0]", [again], By(client="tab", sequence=2)))  # noqa: B023
        after = cost(store.engine, lambda: book.snapshot(1))  # noqa: B023
        listed = cost(store.engine, book.jobs)
        shown = pages(store)
        book.close()
        costs.append((opened, saved, after, listed, *shown))
        (tmp_path / f"{count}.sqlite").unlink()
    few, full = costs
    for here, there in zip(few, full, strict=True):
        assert here.statements == there.statements
        assert there.steps == pytest.approx(here.steps, abs=20)
        assert [plan for plan in here.plans if plan.startswith("SCAN") and plan != "SCAN jobs"] == []
        assert here.plans == there.plans
    opened, saved, after, listed, job_page, layup_page, shop_page = full
    assert (opened.statements, listed.statements) == (3, 1)
    assert (job_page.statements, layup_page.statements, shop_page.statements) == (3, 3, 1)
    assert (saved.statements, after.statements) == (4, 2)
    assert after.steps < 143 / 2
    assert min(opened.steps, job_page.steps, layup_page.steps) > 143  # it did read the job
