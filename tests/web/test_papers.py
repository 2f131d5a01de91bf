"""Photographs and papers kept with a job: added, given back byte for byte as a file, hidden, brought back."""

from __future__ import annotations

import io

import pytest
from starlette.testclient import TestClient

from tests.web.test_pages import page_of
from waywright.record import Book, Ref
from waywright.record.integrity import LARGEST_ATTACHMENT
from waywright.web.doors import LARGEST_FORM
from waywright.web.pages.papers import kind_of

PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010804000000b51c0c020000000b4944415478da6364f80f00010501012718e366"
    "0000000049454e44ae426082"
)
HTML = b"<!doctype html><script>alert(1)</script>"


def keep(client: TestClient, number: int, name: str, data: bytes, **texts: str) -> object:
    """Add a file as the form does, without JavaScript."""
    return client.post(f"/jobs/{number}/papers", data=texts, files={"file": (name, data, "text/html")})


def test_a_paper_comes_back_byte_for_byte(client: TestClient, book: Book, shop_job: int) -> None:
    """What was added stands in the list with its note and what it belongs to, and opens as the file it was."""
    answer = keep(client, shop_job, "Blau vom Öl.png", PNG, about="setting layups[0]", note="after the first pass")
    assert answer.status_code == 200
    page = page_of(client, f"/jobs/{shop_job}/papers")
    (paper,) = page.papers
    assert (paper.name, paper.note, paper.about) == (
        *("Blau vom Öl.png", "after the first pass"),
        "Birch on Alder, marks together",
    )
    assert paper.picture
    found = client.get(paper.url)
    assert found.content == PNG
    assert found.headers["content-type"] == "image/png"
    assert found.headers["x-content-type-options"] == "nosniff"
    assert found.headers["content-disposition"] == (
        "attachment; filename=\"Blau vom _l.png\"; filename*=UTF-8''Blau%20vom%20%C3%96l.png"
    )
    assert "sandbox" in found.headers["content-security-policy"]
    setting = page_of(client, f"/jobs/{shop_job}/setting?id=layups%5B0%5D")
    assert setting.papers[1] == "1 photograph or paper"
    assert [p.name for p in page_of(client, setting.papers[0]).papers] == ["Blau vom Öl.png"]
    face = page_of(client, f"/jobs/{shop_job}/face?name=Alder")
    assert page_of(client, face.papers[0]).papers == ()


@pytest.mark.parametrize(
    ("name", "data", "kind"),
    [
        ("page.html", HTML, "application/octet-stream"),
        ("photo.jpg", HTML, "application/octet-stream"),
        ("drawing.svg", b"<svg xmlns='http://www.w3.org/2000/svg'/>", "application/octet-stream"),
        ('a";\r\nx: y.pdf', b"%PDF-1.7 ...", "application/pdf"),
        ("../../etc/passwd", b"RIFF\x00\x00\x00\x00WEBPVP8 ", "image/webp"),
    ],
)
def test_what_a_file_is_its_bytes_say(name: str, data: bytes, kind: str, client: TestClient, shop_job: int) -> None:
    """A name or a claim makes no page of a file: what its bytes do not show to be harmless is given back as bytes."""
    keep(client, shop_job, name, data)
    (paper,) = page_of(client, f"/jobs/{shop_job}/papers").papers
    found = client.get(paper.url)
    assert (found.headers["content-type"], found.content) == (kind, data)
    assert found.headers["content-disposition"].startswith("attachment; ")
    assert "/" not in paper.name
    assert "x" not in found.headers
    assert kind_of(data) == kind


def test_hidden_and_brought_back(client: TestClient, book: Book, shop_job: int) -> None:
    """Hiding a paper takes it from the list and its address; undo brings both back; it goes with the whole job."""
    keep(client, shop_job, "blue.png", PNG, about="piece Alder")
    (paper,) = page_of(client, f"/jobs/{shop_job}/papers").papers
    form = {"sort": "attachment", "key": paper.id, "version": str(paper.version), "back": f"/jobs/{shop_job}/papers"}
    client.post(f"/jobs/{shop_job}/delete", data=form)
    assert page_of(client, f"/jobs/{shop_job}/papers").papers == ()
    assert client.get(paper.url).status_code == 404
    client.post(f"/jobs/{shop_job}/undo")
    assert client.get(paper.url).content == PNG
    whole = client.get(f"/jobs/{shop_job}/export.zip").content
    with Book.open(book.path.parent / "other.sqlite") as other:  # type: ignore[union-attr]
        number = other.import_(io.BytesIO(whole)).job_id
        opened = other.snapshot(number)
        (there,) = opened.attachments
        assert (there.name, opened.about[there.id]) == ("blue.png", Ref("piece", "Alder"))
        assert other.attachment(there.digest) == PNG


@pytest.mark.parametrize(
    ("data", "texts", "words"),
    [
        (b"", {}, "is empty"),
        (PNG, {"about": "setting nothing"}, "not there any more"),
        (PNG, {"about": "head "}, "not there any more"),
        (PNG, {"note": "x" * 2001}, "at most 2000 letters"),
        (PNG + bytes(LARGEST_ATTACHMENT), {}, "larger than 32 MB"),
    ],
)
def test_what_is_refused_is_said_beside_what_was_typed(
    data: bytes, texts: dict[str, str], words: str, client: TestClient, book: Book, shop_job: int
) -> None:
    """A file that cannot be kept: one sentence, the note still stands in its field, nothing was changed."""
    answer = keep(client, shop_job, "one.png", data, **{"note": "seen in oil", **texts})
    assert answer.status_code == 422
    page = answer.context["page"]
    assert words in page.problem
    assert next(f.value for f in page.fields if f.name == "note").startswith(("seen in oil", "xxx"))
    assert book.snapshot(shop_job).newest == 1


def test_a_photograph_may_be_larger_than_a_form(client: TestClient, shop_job: int) -> None:
    """The page says how large a file may be, and takes one beyond the size of other forms."""
    assert page_of(client, f"/jobs/{shop_job}/papers").limits == (
        "One file at a time, 32 MB at most. Where a photograph was taken is taken out of it before it is kept, unless "
        "you tick that it stays; the picture itself is kept as it is."
    )
    assert keep(client, shop_job, "large.png", PNG + bytes(LARGEST_FORM + 1)).status_code == 200
    assert page_of(client, f"/jobs/{shop_job}/papers").papers[0].told.startswith("picture, 4.2 MB")
    assert client.post(f"/jobs/{shop_job}/goal", content=bytes(LARGEST_FORM + 1)).status_code == 413
