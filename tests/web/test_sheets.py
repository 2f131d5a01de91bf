"""The shop shows each job as a sheet: what is found, how far it is, what is next; nothing is waited for long."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from waywright import jobfile
from waywright.core.evidence.job import Job
from waywright.demo import shop
from waywright.record import Book
from waywright.web.pages import sheets


def lines(client: TestClient) -> dict[str, Any]:
    """The sheets of the shop by their titles."""
    return {line.title: line for line in client.get("/").context["page"].jobs}  # type: ignore[attr-defined]


def test_a_sheet_tells_what_its_page_does(client: TestClient, shop_job: int) -> None:
    """Once a job was looked at, its sheet has the heading of its page and the first sentence of its next move."""
    page = client.get(f"/jobs/{shop_job}").context["page"]  # type: ignore[attr-defined]
    (sheet,) = lines(client).values()
    assert sheet.found == page.heading == "Two of three are true enough. Birch is not."
    assert page.next.startswith(sheet.next[:-1])
    assert sheet.stands == "129 readings"


def test_without_patience_nothing_is_begun(
    client: TestClient, book: Book, shop_job: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With no patience left a job that was never worked out says where it is told, and is not begun to be."""
    monkeypatch.setattr(sheets, "PATIENCE_S", 0.0)
    solver = client.app.state.bench.solver  # type: ignore[attr-defined]
    (sheet,) = lines(client).values()
    assert (sheet.found, sheet.next) == ("", sheets.ELSEWHERE)
    assert solver.solves == 0
    book.begin(Job(title="Empty"))
    assert lines(client)["Empty"].next == "Name the pieces first: what is on the bench?"
    assert lines(client)["Empty"].stands == "nothing read yet"


def test_a_sheet_stands_whatever_is_known(client: TestClient, book: Book) -> None:
    """A job that nobody looked at yet stands in the shop with what is known of it, and something to do."""
    book.begin(jobfile.loads(shop("two_edges"), "two edges"))
    (two,) = lines(client).values()
    assert two.stands == "20 readings"
    assert two.next
