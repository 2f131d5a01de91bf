"""What a page costs does not grow with the rest of the book."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, insert

from waywright.core.evidence import Job, Reading, Typed
from waywright.record import Book, By
from waywright.record.parts import dump
from waywright.record.store import Store, open_store
from waywright.record.tables import acts, versions

JOBS, AT_ONCE = 10, 10  # other jobs in the book; readings in one act


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
    one = {"sort": "reading", "parent": 8, "position": 1.0, "hidden": False, "body": body}
    act = {"kind": "append", "at": "2026-01-12T08:00:00.000000+00:00", "digest": "0" * 64}
    each = readings // JOBS
    for job_id in range(2, JOBS + 2):
        for start in range(0, each, 20_000):
            numbers = range(start, min(start + 20_000, each))
            own = {"job_id": job_id}
            with store.writing() as connection:
                written = [{**own, **act, "number": 2 + n // AT_ONCE} for n in numbers if n % AT_ONCE == 0]
                connection.execute(insert(acts), written)
                made = [{**own, **one, "number": 2 + n // AT_ONCE, "thing": things + 1 + n} for n in numbers]
                connection.execute(insert(versions), made)
    return store


def _rows(book: Book) -> list[Any]:
    from waywright.record import queries

    with book._store.reading() as connection:
        return [row for rows in queries.rows(connection, 1).values() for row in rows]


@pytest.mark.parametrize("many", [20_000, pytest.param(1_000_000, marks=pytest.mark.slow)])
def test_a_job_page_costs_the_same_in_a_full_book(tmp_path: Path, three: Job, many: int) -> None:
    """Opening a job, saving a reading and listing the jobs take the same statements and read the same rows, whether
    the other jobs hold a thousand readings or a million; and every row is found through an index."""
    reading = Reading("", "gaps", 30.0, -14.0, key="gap_mm", value=Typed(20.007, "mm"))
    costs = []
    for count in (1_000, many):
        store = filled(tmp_path / f"{count}.sqlite", three, count)
        book = Book(store)
        book.append(1, "layups[0]", [reading], By(client="tab", sequence=1))  # and the copy of the day
        opened = cost(store.engine, lambda: book.opened(1))  # noqa: B023
        again = replace(reading, x_mm=105.0)
        saved = cost(store.engine, lambda: book.append(1, "layups[0]", [again], By(client="tab", sequence=2)))  # noqa: B023
        listed = cost(store.engine, book.jobs)
        book.close()
        costs.append((opened, saved, listed))
        (tmp_path / f"{count}.sqlite").unlink()
    few, full = costs
    for here, there in zip(few, full, strict=True):
        assert here.statements == there.statements
        assert there.steps == pytest.approx(here.steps, abs=20)
        assert [plan for plan in here.plans if plan.startswith("SCAN") and plan != "SCAN jobs"] == []
        assert here.plans == there.plans
    opened, saved, listed = full
    assert (opened.statements, listed.statements) == (3, 1)
    assert saved.statements <= 8
    assert opened.steps > 143  # it did read the job
