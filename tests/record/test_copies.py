"""Copies of the book and the way back; books that are damaged, foreign or newer."""

from __future__ import annotations

import io
import shutil
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.record.conftest import ticking
from waywright.core.evidence.job import Job
from waywright.record import Book, BookError, Busy, Head, Missing, NewerBook, NotABook, ReadOnly, Ref, schema
from waywright.record import copies as copies_


class Days:
    """A clock that stands still until it is told to go on."""

    def __init__(self) -> None:
        self.at = datetime(2026, 2, 1, 9, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.at


def names(path: Path) -> list[str]:
    return [copy.path.name for copy in copies_.listed(path)]


def test_one_copy_a_day_and_ten_kept(tmp_path: Path) -> None:
    """The first save of a day copies the book as it was the evening before; of twelve days the last ten stay."""
    path, clock = tmp_path / "my book.sqlite", Days()
    with Book.open(path, clock=clock) as book:
        job_id = book.begin(Job(title="day 0"))
        assert names(path) == []  # there was nothing to copy
        for day in range(1, 13):
            clock.at += timedelta(days=1)
            for _ in range(3):
                version = book.snapshot(job_id).versions[Ref("head")]
                book.put(job_id, Ref("head"), version, Head(f"day {day}"))
    found = copies_.listed(path)
    assert [copy.at.day for copy in found] == list(range(13, 3, -1))
    assert {copy.why for copy in found} == {"daily"}
    with Book.open(found[0].path) as yesterday:
        assert yesterday.job(job_id).title == "day 11"
        assert yesterday.problems() == []


def test_a_clock_set_back_loses_no_copy(tmp_path: Path) -> None:
    """With ten copies dated later than the clock now says, a save makes its copy, which stays and is the newest; day by
    day it is the later ones that go, and going back takes what was made last."""
    path, clock = tmp_path / "book.sqlite", Days()
    with Book.open(path, clock=clock) as book:
        job_id = book.begin(Job(title="day 0"))
        for day in range(1, 11):
            clock.at += timedelta(days=1)
            book.put(job_id, Ref("head"), day, Head(f"day {day}"))
        later = set(names(path))
        assert len(later) == 10
        clock.at = datetime(2020, 1, 1, 9, 0, tzinfo=UTC)
        for day in range(11, 15):
            book.put(job_id, Ref("head"), day, Head(f"day {day}"))
            assert book.warning is None
            (newest, *_) = book.copies()
            assert newest.at == clock.at
            assert len(book.copies()) == 10
            with Book.open(newest.path) as before:
                assert before.job(job_id).title == f"day {day - 1}"
            clock.at += timedelta(days=1)
        assert len(later & {copy.path.name for copy in book.copies()}) == 6
    assert [copy.at.day for copy in copies_.listed(path, clock.at)][:4] == [4, 3, 2, 1]


def test_whatever_lies_among_the_copies_a_save_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files with impossible dates, folders with a copy's name, copies that cannot be removed: a reading is saved."""
    path, clock = tmp_path / "book.sqlite", Days()
    with Book.open(path, clock=clock) as book:
        job_id = book.begin(Job(title="a"))
        folder = tmp_path / "copies"
        folder.mkdir()
        (folder / "book 2026-02-31T99-00-00 daily.sqlite").touch()
        (folder / "book 0000-00-00T00-00-00 daily.sqlite").touch()
        for day in range(1, 15):
            (folder / f"book 2026-01-{day:02d}T00-00-00 daily.sqlite").mkdir()
        clock.at += timedelta(days=1)
        book.put(job_id, Ref("head"), 1, Head("b"))
        assert book.warning is None
        monkeypatch.setattr(copies_, "make", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left on device")))
        clock.at += timedelta(days=1)
        book.put(job_id, Ref("head"), 2, Head("c"))
        assert book.job(job_id).title == "c"
        assert book.warning


def test_a_copy_is_only_read(tmp_path: Path) -> None:
    """A copy opens as a book does, and nothing changes it: not a save, not the opening itself."""
    path = tmp_path / "book.sqlite"
    with Book.open(path) as book:
        job_id = book.begin(Job(title="a"))
    copy = copies_.make(path, "daily").path
    before = copy.read_bytes()
    with Book.open(copy) as book:
        assert book.job(job_id).title == "a"
        assert book.problems() == []
        for write in (
            lambda: book.begin(Job()),
            lambda: book.put(job_id, Ref("head"), 1, Head("b")),
            lambda: book.import_(io.BytesIO(b'title = "x"')),
        ):
            with pytest.raises(ReadOnly, match="is a copy, kept as it is"):
                write()
    assert copy.read_bytes() == before
    assert [p.name for p in copy.parent.iterdir()] == [copy.name]


def test_restore_goes_back_and_can_be_taken_back(tmp_path: Path) -> None:
    """A book goes back to its newest copy, while it is open elsewhere; what was there is kept as a copy too."""
    path, clock = tmp_path / "book.sqlite", Days()
    with Book.open(path, clock=clock) as book:
        job_id = book.begin(Job(title="evening"))
        clock.at += timedelta(days=1)
        book.put(job_id, Ref("head"), 1, Head("morning"))
        assert copies_.restore(path).why == "daily"
        assert book.job(job_id).title == "evening"
        assert copies_.restore(path).why == "daily"
        (now, *_) = [copy for copy in copies_.listed(path) if copy.why == copies_.RESTORE][-1:]
        copies_.restore(path, now.path.name)
        assert book.job(job_id).title == "morning"
        book.put(job_id, Ref("head"), 2, Head("noon"))
        assert book.problems() == []
    with pytest.raises(Missing, match="no copy 'x'"):
        copies_.restore(path, "x")
    with pytest.raises(Missing, match="no copy of"):
        copies_.restore(tmp_path / "other.sqlite")


@pytest.mark.parametrize("damage", ["header", "middle", "empty"])
def test_a_damaged_book_is_told_and_restored(tmp_path: Path, three: Job, damage: str) -> None:
    """Whatever happened to the file, one sentence says so, and the newest copy takes its place; nothing is deleted."""
    path, clock = tmp_path / "book.sqlite", Days()
    with Book.open(path, clock=clock) as book:
        book.begin(three)
        clock.at += timedelta(days=1)
        book.begin(Job(title="lost today"))
    data = bytearray(path.read_bytes())
    if damage == "header":
        data[:100] = b"x" * 100
    elif damage == "middle":
        for page in range(4096, len(data), 4096):
            data[page : page + 300] = b"\xa5" * 300
    path.write_bytes(bytes(data) if damage != "empty" else b"")
    if damage != "empty":  # an empty file is a new book
        with pytest.raises(NotABook, match=r"damaged|not a Waywright book"):
            Book.open(path)
    copies_.restore(path)
    with Book.open(path) as book:
        assert book.job(1) == three
        assert book.problems() == []
    kept = {p.name.split(" ", 2)[-1] for p in (tmp_path / "copies").iterdir()}
    assert {"damaged", "before restore.sqlite"} & kept


def test_a_damaged_copy_is_not_restored(tmp_path: Path, three: Job) -> None:
    """A copy that is damaged itself is refused, and the book stays as it is."""
    path = tmp_path / "book.sqlite"
    with Book.open(path) as book:
        book.begin(three)
    copy = copies_.make(path, "daily")
    copy.path.write_bytes(copy.path.read_bytes()[:8192] + b"x" * 4096)
    with pytest.raises(NotABook, match="copy"):
        copies_.restore(path)
    with Book.open(path) as book:
        assert book.job(1) == three


def test_saving_goes_on_where_no_copy_can_be_made(tmp_path: Path) -> None:
    """A reading is not refused because the day's copy failed; the book says so."""
    path, clock = tmp_path / "book.sqlite", Days()
    with Book.open(path, clock=clock) as book:
        job_id = book.begin(Job(title="a"))
        (tmp_path / "copies").write_text("in the way")
        clock.at += timedelta(days=1)
        book.put(job_id, Ref("head"), 1, Head("b"))
        assert book.job(job_id).title == "b"
        assert book.warning is not None
        assert "No copy of" in book.warning


def test_a_newer_book_is_refused(tmp_path: Path) -> None:
    """A book of a schema this version does not know is left alone, in one sentence."""
    path = tmp_path / "book.sqlite"
    Book.open(path).close()
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE alembic_version SET version_num = '9999'")
    raw.close()
    before = path.read_bytes()
    with pytest.raises(NewerBook, match=r"made by a newer version of Waywright; update Waywright") as found:
        Book.open(path)
    assert len(str(found.value).splitlines()) == 1
    assert path.read_bytes() == before


def test_what_is_no_book_is_left_alone(tmp_path: Path) -> None:
    """A text, a folder, somebody else's database and a name that cannot be are each refused in a sentence."""
    text = tmp_path / "letter.txt"
    text.write_text("Dear all,\n" * 100)
    with sqlite3.connect(tmp_path / "theirs.sqlite") as raw:
        raw.execute("CREATE TABLE birds (name TEXT)")
    raw.close()
    with sqlite3.connect(tmp_path / "stamped.sqlite") as raw:
        raw.execute("CREATE TABLE alembic_version (version_num TEXT)")
    raw.close()
    for name in ("letter.txt", "theirs.sqlite", "stamped.sqlite"):
        before = (tmp_path / name).read_bytes()
        with pytest.raises(NotABook, match="not a Waywright book"):
            Book.open(tmp_path / name)
        assert (tmp_path / name).read_bytes() == before
    with pytest.raises(NotABook, match="is a folder"):
        Book.open(tmp_path)
    with pytest.raises(NotABook, match="name"):
        Book.open("a\0b")
    with pytest.raises(NotABook, match="cannot be used"):
        Book.open(text / "book.sqlite")
    with pytest.raises(Missing, match="no book at"):
        Book.open(tmp_path / "none.sqlite", create=False)
    assert not (tmp_path / "none.sqlite").exists()
    with pytest.raises(Missing, match="no address"):
        Book.open("postgresql:")
    with pytest.raises(Missing, match="no address"):
        Book.open("postgresql+nothing://localhost/x")


def test_a_busy_book_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When another program holds the book for too long, a save is refused in one sentence and can be sent again."""
    monkeypatch.setattr("waywright.record.store.WAIT_S", 0.2)
    path = tmp_path / "book.sqlite"
    with Book.open(path) as book:
        job_id = book.begin(Job())
        raw = sqlite3.connect(path, isolation_level=None)
        raw.execute("BEGIN IMMEDIATE")
        with pytest.raises(Busy, match="try again"):
            book.put(job_id, Ref("head"), 1, Head("a"))
        assert book.job(job_id).title == ""
        raw.execute("ROLLBACK")
        raw.close()
        book.put(job_id, Ref("head"), 1, Head("a"))


def test_many_open_a_new_book_at_once(tmp_path: Path) -> None:
    """Eight that open a book which is not there yet make one book, and begin one job where they mean the same."""

    def work(_: int) -> int:
        with Book.open(tmp_path / "book.sqlite") as book:
            return book.begin(Job(title="one"), uid="ab" * 16)

    with ThreadPoolExecutor(8) as pool:
        assert set(pool.map(work, range(8))) == {1}
    with Book.open(tmp_path / "book.sqlite") as book:
        assert book.problems() == []
        assert len(book.jobs()) == 1


STEP = """
from alembic import op
import sqlalchemy as sa

revision = "0002"
down_revision = "0001"


def upgrade():
    with op.batch_alter_table("acts") as table:
        table.add_column(sa.Column("place", sa.Text))
    {more}
"""


@pytest.fixture
def step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Make this version one with a schema 0002, whose step ends in `more`."""

    def make(more: str) -> None:
        folder = tmp_path / "migrations"
        shutil.copytree(schema.MIGRATIONS, folder, dirs_exist_ok=True)
        (folder / "versions" / "rev_0002.py").write_text(STEP.format(more=more))
        monkeypatch.setattr(schema, "MIGRATIONS", folder)
        monkeypatch.setattr(schema, "HEAD", "0002")

    return make


def test_an_older_book_is_copied_and_brought_up(tmp_path: Path, three: Job, step: Callable[[str], None]) -> None:
    """Before a step to a newer schema the book is copied; after it, it holds what it held."""
    path = tmp_path / "book.sqlite"
    with Book.open(path, clock=ticking()) as book:
        job_id = book.begin(three)
    step("pass")
    with Book.open(path) as book:
        assert book.problems() == []
        assert book.jobs()[0].id == job_id
    (copy,) = copies_.listed(path)
    assert copy.why == "before 0002"
    with sqlite3.connect(copy.path) as raw:
        assert raw.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
    raw.close()


def test_a_step_that_fails_changes_nothing(tmp_path: Path, three: Job, step: Callable[[str], None]) -> None:
    """A step is made whole or not at all, and the book opens with the version it was made with."""
    path = tmp_path / "book.sqlite"
    with Book.open(path) as book:
        book.begin(three)
    kept = schema.MIGRATIONS
    step("op.execute('SELECT * FROM nowhere')")
    with pytest.raises(BookError, match="nowhere"):
        Book.open(path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(schema, "HEAD", "0001")
        patch.setattr(schema, "MIGRATIONS", kept)
        with Book.open(path) as book:
            assert book.job(1) == three
            assert book.problems() == []
