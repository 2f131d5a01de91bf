"""Books with bytes flipped, cut short, or with rows that were changed: a sentence, and the way back."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from starlette.testclient import TestClient

from waywright import jobfile
from waywright.cli import cli
from waywright.core.evidence.job import Reading, Typed
from waywright.demo import shop
from waywright.record import Book, NotABook, Ref, copies
from waywright.web.app import bench_app

BASE = "http://127.0.0.1:8731"
PAGES = ("/", "/jobs/1", "/jobs/2", "/jobs/1/history", "/jobs/1/papers", "/jobs/1/export.zip", "/jobs/1/export.jsonl")
DIGEST = hashlib.sha256(b"a photograph").hexdigest()
GAP = Reading("", "gaps", 300.0, key="gap_mm", value=Typed(20.007, "mm"))


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small book with a past and a photograph, and a copy of it from the day before."""
    path = tmp_path_factory.mktemp("sound") / "book.sqlite"
    job = jobfile.loads(shop("two_edges"), "two edges")
    day = [datetime(2026, 2, 1, 9, 0, tzinfo=UTC)]
    with Book.open(path, clock=lambda: day[0]) as book:
        for title in ("First", "Second"):
            number = book.begin(replace(job, title=title))
            book.append(number, "layups[0]", [GAP])
        book.attach(1, "blue.jpg", "image/jpeg", b"a photograph", about=Ref("setting", "layups[0]"))
        day[0] += timedelta(days=1)
        book.append(2, "layups[0]", [GAP])
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


@pytest.fixture
def book_at(sound: Path, tmp_path: Path) -> Callable[[bytes | None], Path]:
    """Puts a file in the place of the book, its copy beside it."""

    def put(data: bytes | None = None) -> Path:
        path = tmp_path / "shop" / "book.sqlite"
        shutil.rmtree(path.parent, ignore_errors=True)
        shutil.copytree(sound.parent, path.parent)
        if data is not None:
            path.write_bytes(data)
        return path

    return put


def run(path: Path, *arguments: str) -> Result:
    """A command of the book: an answer, or one sentence and exit 2; never a fault of ours."""
    found = CliRunner().invoke(cli, ["book", *arguments, "--book", str(path)])
    assert found.exit_code in (0, 2), (arguments, found.exception)
    if found.exit_code == 2:
        assert found.stderr.count("\n") == 1, found.stderr
        assert "wrong inside" not in found.stderr, found.stderr
    return found


def spoilt(data: bytes, rng: random.Random) -> bytes:
    """A file with one bit turned, some bytes changed, a stretch wiped out, or its end missing."""
    changed, how = bytearray(data), rng.randrange(4)
    if how == 0:
        changed[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif how == 1:
        for _ in range(30):
            changed[rng.randrange(len(data))] = rng.randrange(256)
    elif how == 2:
        at = rng.randrange(len(data))
        changed[at : at + 300] = bytes([rng.choice([0, 0x20, 0xFF])]) * len(changed[at : at + 300])
    else:
        del changed[rng.randrange(len(data)) :]
    return bytes(changed)


def every_way(path: Path) -> list[str]:
    """What every command and page says that refuses; none may break."""
    out = path.parent / "out"
    said = []
    for name in ("zip", "toml", "jsonl"):
        said.append(run(path, "export", "1", f"{out}.{name}"))
        Path(f"{out}.{name}").unlink(missing_ok=True)
    said += [run(path, *words) for words in (("where",), ("jobs",), ("check",), ("copies",))]
    try:
        with Book.open(path, create=False) as book:
            client = TestClient(bench_app(book), base_url=BASE, raise_server_exceptions=False)
            for page in PAGES:
                answer = client.get(page)
                assert answer.status_code < 500, (page, answer.text)
    except NotABook:
        pass
    return [found.stderr for found in said if found.exit_code == 2 and "wrong with" not in found.stderr]


@pytest.mark.parametrize("seed", range(8))
def test_no_damage_breaks_anything(seed: int, book_at: Callable[[bytes | None], Path], sound: Path) -> None:
    """Bytes flipped, changed, wiped out or missing anywhere in the file: each command and page answers or refuses in
    one sentence, which names the good copy; and going back to that gives a sound book."""
    for n in range(5):
        path = book_at(spoilt(sound.read_bytes(), random.Random(f"{seed} {n}")))
        for sentence in every_way(path):
            assert "waywright book restore" in sentence or "newer version" in sentence, sentence
        assert run(path, "restore").exit_code == 0
        assert run(path, "check").exit_code == 0


def changed(path: Path, *statements: str) -> None:
    """Change rows behind the book's back."""
    with closing(sqlite3.connect(path)) as raw:
        for table in ("jobs", "acts", "versions", "blobs"):
            for act in ("update", "delete"):
                raw.execute(f"DROP TRIGGER {table}_no_{act}")
        raw.execute("PRAGMA foreign_keys=OFF")
        for statement in statements:
            raw.execute(statement)
        raw.commit()


UNREADABLE = {
    "a title that is no JSON": "UPDATE versions SET body = 'x' WHERE job_id = 1 AND thing = 1",
    "a title that is no text": "UPDATE versions SET body = CAST(x'ff00' AS TEXT) WHERE job_id = 1 AND thing = 1",
    "bytes for a title": "UPDATE versions SET body = x'00' WHERE job_id = 1 AND thing = 1",
    "no title": "DELETE FROM versions WHERE job_id = 1 AND thing = 1",
    "no acts": "DELETE FROM acts WHERE job_id = 1",
    "bytes for a time": "UPDATE acts SET at = x'07' WHERE job_id = 1",
    "another name": "UPDATE jobs SET uid = x'ff' WHERE id = 1",
}


@pytest.mark.parametrize("statement", UNREADABLE.values(), ids=UNREADABLE)
def test_a_job_that_cannot_be_read_is_listed(book_at: Callable[[bytes | None], Path], statement: str) -> None:
    """The shop shows it with a sentence that names the good copy, and offers what is stored of it; the other job, its
    pages and every command go on."""
    path = book_at(None)
    changed(path, statement)
    assert "Second" in run(path, "jobs").stdout
    with Book.open(path) as book:
        client = TestClient(bench_app(book), base_url=BASE, raise_server_exceptions=False)
        page = client.get("/").context["page"]
        lines = {line.title: line for line in page.jobs}
        assert set(lines) == {"Second", "Job 1"}
        assert "waywright book restore" in lines["Job 1"].problem
        raw = client.get(lines["Job 1"].url)
        assert raw.status_code == 200
        rows = [json.loads(line) for line in raw.text.splitlines()]
        assert len([row for row in rows if row["table"] == "versions"]) > 20
        assert {"table": "blobs", "digest": DIGEST, "size": 12, "data": {"base64": "YSBwaG90b2dyYXBo"}} in rows
        assert client.get("/jobs/2").status_code == 200
        assert client.get("/jobs/1").status_code == 422
    every_way(path)


def test_a_changed_number_is_told_on_every_page(book_at: Callable[[bytes | None], Path]) -> None:
    """A reading that somebody changed in the file still opens, with the sentence that its numbers may be wrong and the
    good copy at the top of each page of that job alone; the whole job is not exported as if it were sound."""
    path = book_at(None)
    changed(path, "UPDATE versions SET body = replace(body, '20.007', '20.107') WHERE job_id = 1 AND number = 2")
    with Book.open(path) as book:
        assert "act 2 of it is not as it was written" in book.snapshot(1).damage
        client = TestClient(bench_app(book), base_url=BASE, raise_server_exceptions=False)
        for page in ("/jobs/1", "/jobs/1/history", "/jobs/1/setting?id=layups%5B0%5D"):
            answer = client.get(page)
            assert answer.status_code == 200
            assert "act 2 of it is not as it was written" in answer.text
            assert "waywright book restore" in answer.text
        assert "not as it was written" not in client.get("/jobs/2").text
        assert client.get("/jobs/1/export.zip").status_code == 422
        assert client.get("/jobs/1/export.toml").status_code == 200
        book.append(1, "layups[0]", [GAP])  # what is typed now is kept all the same
        assert book.snapshot(1).damage


def test_a_changed_part_that_cannot_be_is_refused(book_at: Callable[[bytes | None], Path]) -> None:
    """A face renamed behind the back of the book leaves readings without one: no page breaks on it."""
    path = book_at(None)
    changed(path, "UPDATE versions SET body = replace(body, 'Alder', 'Elder') WHERE job_id = 1 AND sort = 'piece'")
    for sentence in every_way(path):
        assert "waywright book restore" in sentence
    with Book.open(path) as book, pytest.raises(NotABook, match="cannot be shown: act 1 of it is not as it was"):
        book.snapshot(1)


def test_a_changed_photograph_is_never_shown(book_at: Callable[[bytes | None], Path]) -> None:
    """The bytes of an attachment are compared with their checksum whenever they are read."""
    path = book_at(None)
    changed(path, "UPDATE blobs SET data = x'616263'")
    with Book.open(path) as book:
        with pytest.raises(NotABook, match="is not as it was kept"):
            book.attachment(DIGEST)
        client = TestClient(bench_app(book), base_url=BASE, raise_server_exceptions=False)
        (paper,) = client.get("/jobs/1/papers").context["page"].papers
        answer = client.get(paper.url)
        assert answer.status_code == 422
        assert "is not as it was kept" in answer.context["page"].words
        assert client.get("/jobs/1/export.zip").status_code == 422
    assert "the attachment" in run(path, "check").stdout


@pytest.mark.parametrize(
    ("statements", "words"),
    [
        (["ALTER TABLE versions DROP COLUMN position"], "is damaged"),
        (["DROP TABLE blobs"], "is damaged"),
        (["UPDATE alembic_version SET version_num = '0000'"], "is damaged"),
        (["UPDATE alembic_version SET version_num = x'ff'"], "is damaged"),
        (["DELETE FROM alembic_version"], "is damaged"),
        (["DROP TABLE alembic_version"], "is not a Waywright book"),
        (["PRAGMA application_id = 7"], "is not a Waywright book"),
        ([f"DROP TABLE {t}" for t in ("blobs", "versions", "acts", "jobs", "alembic_version")], "tables are gone"),
    ],
)
def test_tables_that_are_not_ours_are_told(
    book_at: Callable[[bytes | None], Path], statements: list[str], words: str
) -> None:
    """Columns, tables or marks of the file that are missing or changed: one sentence with the good copy."""
    path = book_at(None)
    changed(path, *statements)
    found = run(path, "export", "1", str(path.parent / "x.zip"))
    assert found.exit_code == 2
    assert words in found.stderr
    assert "waywright book restore" in found.stderr
    every_way(path)


def test_an_emptied_book_is_not_taken_for_a_new_one(book_at: Callable[[bytes | None], Path], tmp_path: Path) -> None:
    """A file of no bytes is a new book only where no copy says that there was one; so is a file that is gone."""
    path = book_at(b"")
    with pytest.raises(NotABook, match=r"is empty; its newest good copy is of 2026-02-02"):
        Book.open(path)
    path.unlink()
    assert "its newest good copy is of 2026-02-02" in run(path, "jobs").stderr
    (tmp_path / "new.sqlite").touch()
    with Book.open(tmp_path / "new.sqlite") as book:
        assert book.jobs() == ()


def test_the_copy_that_is_named_is_good(book_at: Callable[[bytes | None], Path]) -> None:
    """A newer copy that is damaged is passed over by the sentence and by going back; where none is good, it is said."""
    path = book_at(None)
    (good,) = copies.listed(path)
    newer = copies.make(path, "daily")
    newer.path.write_bytes(spoilt(newer.path.read_bytes(), random.Random(3))[:9000])
    path.write_bytes(b"x" * 5000)
    with pytest.raises(NotABook) as found:
        Book.open(path)
    assert good.path.name in str(found.value)
    assert newer.path.name not in str(found.value)
    assert copies.restore(path).path == good.path
    good.path.unlink()
    path.write_bytes(b"x" * 5000)
    with pytest.raises(NotABook, match="none of its copies"):
        Book.open(path)
    with pytest.raises(NotABook, match="is damaged"):
        copies.restore(path)


def test_the_copy_named_for_a_job_has_that_job_whole(book_at: Callable[[bytes | None], Path]) -> None:
    """For a job that was changed no copy is named that holds the same change, however sound its file."""
    path = book_at(None)
    (good,) = copies.listed(path)
    changed(path, "UPDATE versions SET body = replace(body, '20.007', '20.107') WHERE job_id = 1 AND number = 2")
    newer = copies.make(path, "daily")
    with Book.open(path) as book:
        assert good.path.name in book.snapshot(1).damage
        assert newer.path.name not in book.snapshot(1).damage
