"""Who may come in: this machine's browser on our own pages, with no more than it needs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.web.driving import Running
from waywright.record import Book
from waywright.web.doors import LARGEST_FORM, LARGEST_UPLOAD


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "192.168.0.7:8731", "evil.example:8731", ""]
)
def test_foreign_hosts_are_refused(client: TestClient, host: str) -> None:
    """A name that is not this machine's own, as a rebound one, gets nothing."""
    answer = client.get("/", headers={"Host": host})
    assert answer.status_code == 421
    assert "<" not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1:8731", "localhost:9", "localhost", "[::1]:8731"])
def test_our_own_names_are_let_in(client: TestClient, host: str) -> None:
    """The machine's own names, with any port."""
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Origin": "https://127.0.0.1:8731"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_forms_of_other_sites_are_refused(client: TestClient, book: Book, headers: dict[str, str]) -> None:
    """Nothing is changed by what another site sends."""
    assert client.post("/jobs/new", data={"title": "theirs"}, headers=headers).status_code == 403
    assert book.jobs() == ()


def test_our_own_forms_are_taken(client: TestClient, book: Book) -> None:
    """What a browser sends from our own page."""
    headers = {"Origin": "http://127.0.0.1:8731", "Sec-Fetch-Site": "same-origin"}
    assert client.post("/jobs/new", data={"title": "ours"}, headers=headers).status_code == 200
    assert [job.title for job in book.jobs()] == ["ours"]


def test_other_sites_may_link_here_but_not_read(client: TestClient) -> None:
    """A link from elsewhere opens the bench; a script from elsewhere reads nothing of it."""
    foreign = {"Sec-Fetch-Site": "cross-site"}
    assert client.get("/", headers={**foreign, "Sec-Fetch-Mode": "navigate"}).status_code == 200
    assert client.get("/", headers={**foreign, "Sec-Fetch-Mode": "no-cors"}).status_code == 403


@pytest.mark.parametrize("path", ["/", "/jobs/new", "/nothing", "/static/sheet.css", "/jobs/99", "/specimens"])
def test_every_answer_carries_the_policy(client: TestClient, path: str) -> None:
    """No inline script or style, no eval, nothing from outside, in no frame: on pages, files and errors alike."""
    headers = client.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert "*" not in policy
    assert "http" not in policy
    assert headers["x-content-type-options"] == "nosniff"


def test_too_much_is_refused(client: TestClient, book: Book) -> None:
    """A form beyond its size, said or not, and a file beyond its own, change nothing."""
    text = {"content-type": "application/x-www-form-urlencoded"}
    assert client.post("/jobs/new", content=b"title=" + b"a" * LARGEST_FORM, headers=text).status_code == 413

    def unsaid() -> object:
        for _ in range(6):
            yield b"title=" + b"a" * 1024 * 1024

    assert client.post("/jobs/new", content=unsaid(), headers=text).status_code == 413  # type: ignore[arg-type]
    headers = {"Content-Length": str(LARGEST_UPLOAD + 1), "content-type": "multipart/form-data; boundary=x"}
    assert client.post("/import", content=b"--x", headers=headers).status_code == 413
    assert book.jobs() == ()


def test_a_file_for_a_form_without_files_is_refused(client: TestClient) -> None:
    """Only the import takes a file."""
    assert client.post("/jobs/new", files={"title": ("a.txt", b"a")}).status_code == 400


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("../../etc/passwd", b"\x00\x01"),
        ("job.toml", b"title = 1"),
        ("job.zip", b"PK\x03\x04 cut off"),
        ("x\r\ny.toml", b"\xff\xfe"),
        ("empty", b""),
    ],
)
def test_what_is_no_job_is_refused_in_a_sentence(client: TestClient, book: Book, name: str, data: bytes) -> None:
    """A file that is no job, whatever it is called, brings the shop with one sentence and nothing into the book."""
    answer = client.post("/import", files={"file": (name, data)})
    if data:
        assert answer.status_code == 422
        assert answer.template.name == "shop.html"
        assert " was not taken in" in answer.context["page"].problem
        assert answer.context["page"].problem.endswith(".")
        assert book.jobs() == ()


def test_pages_that_are_not_there(client: TestClient, shop_job: int) -> None:
    """Unknown jobs, settings, faces, kinds and paths are told in a sentence."""
    job = f"/jobs/{shop_job}"
    for path in ("/jobs/99", "/nothing", f"{job}/setting?id=x", f"{job}/face?name=x", f"{job}/setting/new?kind=x"):
        answer = client.get(path)
        assert answer.status_code == 404
        assert answer.context["page"].words.endswith(".")
    assert client.get(f"{job}/undo").status_code == 405


def test_the_log_holds_nothing_personal(running: Callable[..., Running], tmp_path: Path) -> None:
    """After work and refusals the log beside the book names no job, person or page."""
    import httpx2

    bench = running()
    with httpx2.Client(base_url=bench.url, timeout=60) as asking:
        asking.post("/jobs/new", data={"title": "Secret shaper", "edges": "Anna, Bela"})
        asking.get("/jobs/1/face?name=Anna")
        asking.get("/jobs/7/face?name=Bela")
    bench.stop()
    text = (tmp_path / "bench.log").read_text(encoding="utf-8")
    assert "started" in text
    for word in ("Secret", "Anna", "Bela", "jobs", "127.0.0.1"):
        assert word not in text
