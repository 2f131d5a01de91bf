"""At the bench: one button says that an instrument is not to be had, one that it is, and undo takes either back."""

from __future__ import annotations

import html

from starlette.testclient import TestClient

from waywright import demo, jobfile
from waywright.record import Book, Ref


def words(client: TestClient, path: str) -> str:
    found = client.get(path)
    assert found.status_code == 200
    return html.unescape(found.text)


def test_i_do_not_have_a_level(client: TestClient, book: Book) -> None:
    """The button stands under the moves that need to borrow one; pressed, no move does, and the way back stands on the
    page of pieces and instruments. Both are acts of the book."""
    job = book.begin(jobfile.loads(demo.shop("two_edges"), "two_edges"))
    url = f"/jobs/{job}"
    assert "I do not have a level" in words(client, f"{url}/next")
    done = client.post(f"{url}/without", data={"kind": "level", "had": "no"}, follow_redirects=False)
    assert done.status_code == 303
    assert book.job(job).without == ("level",)
    next_ = words(client, f"{url}/next")
    assert "I do not have" not in next_
    assert "Borrow a level" not in next_
    assert "Not to be had: a level" in words(client, f"{url}/things")
    assert "without level" in words(client, f"{url}/history")
    client.post(f"{url}/undo", data={})
    assert book.job(job).without == ()
    client.post(f"{url}/redo", data={})
    assert book.job(job).without == ("level",)
    client.post(f"{url}/head", data={"title": "Another", "version": str(version(book, job))})
    assert (book.job(job).title, book.job(job).without) == ("Another", ("level",))
    client.post(f"{url}/without", data={"kind": "level", "had": "yes", "back": f"{url}/things"})
    assert book.job(job).without == ()
    assert "Not to be had" not in words(client, f"{url}/things")


def version(book: Book, job: int) -> int:
    return book.snapshot(job).versions[Ref("head")]


def test_what_is_no_kind_of_instrument_is_refused(client: TestClient, shop_job: int, book: Book) -> None:
    """Nothing is kept of it."""
    assert client.post(f"/jobs/{shop_job}/without", data={"kind": "spoon", "had": "no"}).status_code == 422
    assert book.job(shop_job).without == ()
