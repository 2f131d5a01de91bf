"""The shop shows each job as a sheet: what is found, how far it is, what is next; each asks for that by itself."""

from __future__ import annotations

from typing import Any

from starlette.testclient import TestClient

from waywright import jobfile
from waywright.core.evidence.job import Job
from waywright.demo import shop
from waywright.record import Book


def sheet(client: TestClient, job: int) -> Any:
    """What stands on the sheet of a job, as the shop's page asks for it."""
    answer = client.get(f"/jobs/{job}/line", headers={"HX-Request": "true"})
    assert answer.status_code == 200
    return answer.context["page"]  # type: ignore[attr-defined]


def test_a_sheet_tells_what_its_page_does(client: TestClient, shop_job: int) -> None:
    """A sheet has the heading of the job's page and the first sentence of its next move; the shop says where to ask."""
    page = client.get(f"/jobs/{shop_job}").context["page"]  # type: ignore[attr-defined]
    found = sheet(client, shop_job)
    assert found.found == page.heading == "Two of three are true enough. Birch is not."
    assert page.next.startswith(found.next[:-1])
    assert found.stands == "129 readings"
    assert f'hx-get="/jobs/{shop_job}/line"' in client.get("/").text


def test_the_list_of_jobs_begins_nothing(client: TestClient, book: Book, shop_job: int) -> None:
    """The shop's page works nothing out, whatever the book holds; without a script a sheet's address is the job's."""
    solver = client.app.state.bench.solver  # type: ignore[attr-defined]
    assert client.get("/").status_code == 200
    assert solver.solves == 0
    assert client.get(f"/jobs/{shop_job}/line", follow_redirects=False).headers["location"] == f"/jobs/{shop_job}"
    empty = book.begin(Job(title="Empty"))
    assert sheet(client, empty).next == "Name the pieces first: what is on the bench?"
    assert sheet(client, empty).stands == "nothing read yet"


def test_a_sheet_stands_whatever_is_known(client: TestClient, book: Book) -> None:
    """A job that nobody looked at yet has a sheet with what is known of it, and something to do."""
    two = sheet(client, book.begin(jobfile.loads(shop("two_edges"), "two edges")))
    assert two.stands == "20 readings"
    assert two.next
