"""A sound book that cannot be written is read all the same; a disk without room loses nothing."""

from __future__ import annotations

import io
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import event
from starlette.testclient import TestClient

import waywright
from waywright.cli import cli
from waywright.core.evidence.job import Job, Reading, Typed
from waywright.record import Book, By, DiskFull, ReadOnly
from waywright.record.store import is_full, plain_error
from waywright.web.app import bench_app

BASE = "http://127.0.0.1:8731"
NOBODY = 65534
GAP = Reading("", "gaps", 30.0, -14.0, key="gap_mm", value=Typed(20.007, "mm"))


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that anybody may look into."""
    path = Path(tempfile.mkdtemp(prefix="waywright-"))
    path.chmod(0o755)
    yield path
    for made in (path, *path.rglob("*")):
        made.chmod(0o755)
    shutil.rmtree(path)


@contextmanager
def protected(folder: Path) -> Iterator[None]:
    """Nothing in the folder can be written; root, who could, is nobody meanwhile."""
    for path in folder.rglob("*"):
        path.chmod(0o555 if path.is_dir() else 0o444)
    folder.chmod(0o555)
    root = os.geteuid() == 0
    if root:
        os.seteuid(NOBODY)
        if not os.access(waywright.__path__[0], os.R_OK | os.X_OK, effective_ids=True):
            os.seteuid(0)
            pytest.skip("nobody but root may read the folder that the package is installed in")
    try:
        with pytest.raises(PermissionError):
            (folder / "x").touch()
        yield
    finally:
        if root:
            os.seteuid(0)


def told(path: Path, out: Path) -> dict[str, str]:
    """What each command that only reads prints of a book."""
    found = {}
    for words in (["where"], ["jobs"], ["check"], ["copies"], ["export", "1", str(out)]):
        answer = CliRunner().invoke(cli, ["book", *words, "--book", str(path)])
        assert answer.exit_code == 0, answer.output
        found[words[0]] = answer.stdout
    found["file"] = str(hash(out.read_bytes()))
    out.unlink()
    return found


@pytest.mark.parametrize("left", ["closed", "with its log beside it"])
def test_a_book_that_cannot_be_written_is_read(folder: Path, tmp_path: Path, three: Job, left: str) -> None:
    """Write-protected, its jobs are listed, checked, exported and shown as before; each save is refused in a sentence,
    and the file is as it was."""
    path, out = folder / "book.sqlite", Path(tempfile.mkdtemp()) / "out.zip"
    out.parent.chmod(0o777)
    with Book.open(path) as book:
        book.begin(three)
        if left != "closed":
            book.begin(Job(title="in the log"))
            for ending in ("", "-wal", "-shm"):
                shutil.copy(f"{path}{ending}", tmp_path)
    if left != "closed":
        for ending in ("", "-wal", "-shm"):
            shutil.copy(tmp_path / f"book.sqlite{ending}", folder)
        before = {"jobs": "2", "in the log": "yes"}
    else:
        before = told(path, out)
    client_of = lambda book: TestClient(bench_app(book), base_url=BASE, raise_server_exceptions=False)  # noqa: E731
    with Book.open(tmp_path / "warm.sqlite") as book:  # what is imported late is imported now
        client_of(book).get("/")
    data = path.read_bytes()
    with protected(folder):
        found = told(path, out)
        if left == "closed":
            assert found == before
        else:
            assert "in the log" in found["jobs"]
        with Book.open(path) as book:
            assert book.job(1) == three
            client = client_of(book)
            assert client.get("/").status_code == 200
            assert client.get("/jobs/1/history").status_code == 200
            answer = client.post("/jobs/1/head", data={"title": "x", "version": "1"})
            assert answer.status_code == 422
            assert "write-protected" in answer.context["page"].words
            for write in (lambda: book.begin(Job()), lambda: book.append(1, "layups[0]", [GAP]), lambda: book.undo(1)):
                with pytest.raises(ReadOnly, match="can only be read: its file or its folder is write-protected"):
                    write()
            with pytest.raises(ReadOnly):
                book.import_(io.BytesIO(b""))
    assert path.read_bytes() == data
    shutil.rmtree(out.parent)


def test_saves_that_cannot_be_read_are_told(folder: Path, tmp_path: Path) -> None:
    """Where the last saves lie in a log that cannot be read there, the book is not shown without them."""
    path = folder / "book.sqlite"
    with Book.open(path) as book:
        book.begin(Job(title="a"))
        for ending in ("", "-wal"):
            shutil.copy(f"{path}{ending}", tmp_path)
    for ending in ("", "-wal"):
        shutil.copy(tmp_path / f"book.sqlite{ending}", folder)
    (folder / "book.sqlite-shm").unlink(missing_ok=True)
    with protected(folder), pytest.raises(ReadOnly, match=r"The last saves of .* lie in book\.sqlite-wal; copy both"):
        Book.open(path)


@contextmanager
def no_room(book: Book) -> Iterator[None]:
    """Let the file of a book grow no more: SQLite says then what it says on a full disk."""

    def limited(raw: sqlite3.Connection, *_: object) -> None:
        pages = raw.execute("PRAGMA page_count").fetchone()[0]
        raw.execute(f"PRAGMA max_page_count={pages}")

    def free(raw: sqlite3.Connection, *_: object) -> None:
        raw.execute("PRAGMA max_page_count=1073741823")

    engine = book._store.engine
    engine.dispose()
    event.listen(engine, "checkout", limited)
    try:
        yield
    finally:
        event.remove(engine, "checkout", limited)
        event.listen(engine, "checkout", free)


def fill(book: Book, job_id: int) -> None:
    """Append until the disk is full."""
    for n in range(400):
        book.append(job_id, "layups[0]", [GAP] * 20, By(client="tab", sequence=n + 1))
    raise AssertionError("there was room for everything")


def test_a_full_disk_refuses_in_a_sentence_and_keeps_what_is_there(tmp_path: Path, three: Job) -> None:
    """A save that finds no room changes nothing, says so, is answered 507, and is taken when there is room again under
    the same number."""
    with Book.open(tmp_path / "book.sqlite") as book:
        job_id = book.begin(three)
        client = TestClient(bench_app(book), base_url=BASE, raise_server_exceptions=False)
        with no_room(book):
            with pytest.raises(DiskFull, match=r"is full; nothing was changed\. Make room and try again"):
                fill(book, job_id)
            kept = book.snapshot(job_id)
            photograph = {"file": ("blue.bin", bytes(200_000))}
            answer = client.post(f"/jobs/{job_id}/papers", files=photograph)
            assert answer.status_code == 507
            assert "is full" in answer.context["page"].words
            assert client.get("/").status_code == 200
            assert book.snapshot(job_id) == kept
        assert client.post(f"/jobs/{job_id}/papers", files=photograph).status_code == 200
        mine = [act for act in kept.acts if act.client == "tab"]
        saved = book.append(job_id, "layups[0]", [GAP] * 20, By(client="tab", sequence=len(mine) + 1))
        assert not saved.repeated
        assert book.problems() == []


def test_a_form_that_finds_no_room_on_its_way_is_answered(
    tmp_path: Path, three: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is sent is kept in a file on its way: where that finds no room, the answer is the same."""
    with Book.open(tmp_path / "book.sqlite") as book:
        job_id = book.begin(three)
        client = TestClient(bench_app(book), base_url=BASE, raise_server_exceptions=False)

        def full(*_: object, **__: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("starlette.datastructures.UploadFile.write", full)
        answer = client.post(f"/jobs/{job_id}/papers", files={"file": ("blue.bin", bytes(3_000_000))})
        assert answer.status_code == 507
        monkeypatch.setattr(Book, "export", full)
        assert client.get(f"/jobs/{job_id}/export.zip").status_code == 507


def test_every_way_of_saying_full_is_known(tmp_path: Path) -> None:
    """SQLite, the system and PostgreSQL each say it in their own way; what is none of these is not taken for it."""

    class Theirs(Exception):
        sqlstate = "53100"

    def said(code: str) -> sqlite3.OperationalError:
        error = sqlite3.OperationalError("disk I/O error")
        error.sqlite_errorname = code
        return error

    full: list[Callable[[], BaseException]] = [
        lambda: sqlite3.OperationalError("database or disk is full"),
        lambda: said("SQLITE_FULL"),
        lambda: OSError(28, "No space left on device"),
        lambda: OSError(122, "Disk quota exceeded"),
        lambda: Theirs('could not extend file "base/1": No space left on device'),
    ]
    assert [type(plain_error(make(), "book", tmp_path)) for make in full] == [DiskFull] * 5
    for other in (said("SQLITE_IOERR_SHMSIZE"), OSError(13, "Permission denied"), ValueError("full")):
        assert not is_full(other, tmp_path)
    with pytest.MonkeyPatch.context() as patch:  # the same fault, on a disk that has no room
        patch.setattr("shutil.disk_usage", lambda _: type("Usage", (), {"free": 0}))
        assert is_full(said("SQLITE_IOERR_SHMSIZE"), tmp_path)
