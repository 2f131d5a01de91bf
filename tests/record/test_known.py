"""A book reads on from what it read before, and is never wrong for it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from waywright import jobfile
from waywright.core.evidence.job import Job, Reading, Typed
from waywright.demo import shop
from waywright.record import Book, By, OutOfOrder, Ref

READING = Reading("", "gaps", 30.0, -14.0, key="gap_mm", value=Typed(20.007, "mm"))


def read(x_mm: float) -> list[Reading]:
    """One gap."""
    return [replace(READING, x_mm=x_mm)]


@pytest.fixture
def three() -> Job:
    """The sample shop."""
    return jobfile.loads(shop(), "shop")


def test_what_others_write_is_seen(tmp_path: Path, three: Job) -> None:
    """Two programs with one book open: each sees at once what the other appended, deleted and took back, and a third
    that opens the book finds the same."""
    path = tmp_path / "book.sqlite"
    with Book.open(path) as one, Book.open(path) as other:
        job_id = one.begin(three)
        assert one.snapshot(job_id) == other.snapshot(job_id)
        acts: list[Callable[[Book], object]] = [
            lambda book: book.append(job_id, "layups[0]", read(30.0)),
            lambda book: book.append(job_id, "layups[1]", read(105.0)),
            lambda book: book.delete(job_id, Ref("setting", "layups[2]"), 1),
            lambda book: book.undo(job_id),
            lambda book: book.redo(job_id),
        ]
        for number, act in enumerate(acts):
            act(other if number % 2 else one)
            with Book.open(path) as fresh:
                assert one.snapshot(job_id) == other.snapshot(job_id) == fresh.snapshot(job_id)


def test_a_book_put_back_is_read_anew(tmp_path: Path, three: Job) -> None:
    """An older copy is put in the place of an open book, and other readings follow: what is told is what stands there
    now, with as many acts as before or fewer."""
    path, copy = tmp_path / "book.sqlite", tmp_path / "copy.sqlite"
    with Book.open(path) as book:
        job_id = book.begin(three)
    shutil.copy(path, copy)
    with Book.open(path) as book:
        book.append(job_id, "layups[0]", read(30.0))
        before = book.snapshot(job_id)
        for file in tmp_path.glob("book.sqlite*"):
            file.unlink()
        shutil.copy(copy, path)
        book._store.engine.dispose()  # as the connections to a file that is gone are lost
        assert book.snapshot(job_id).number == 1
        with Book.open(path) as another:
            another.append(job_id, "layups[0]", read(180.0))
            now = another.snapshot(job_id)
        assert book.snapshot(job_id) == now != before


def test_numbers_of_clients_are_known(tmp_path: Path, three: Job) -> None:
    """A client's numbers are kept apart from others', whichever program stored them: what came twice is stored once,
    what comes too early is refused with the number expected."""
    path = tmp_path / "book.sqlite"
    with Book.open(path) as one, Book.open(path) as other:
        job_id = one.begin(three)
        first = one.append(job_id, "layups[0]", read(30.0), By(client="a", sequence=1))
        other.append(job_id, "layups[0]", read(105.0), By(client="b", sequence=1))
        assert other.append(job_id, "layups[0]", read(30.0), By(client="a", sequence=1)) == replace(
            first, repeated=True
        )
        with pytest.raises(OutOfOrder) as refused:
            one.append(job_id, "layups[0]", read(180.0), By(client="a", sequence=3))
        assert refused.value.expected == 2
        assert other.append(job_id, "layups[0]", read(180.0), By(client="a", sequence=2)).number == 4


def test_what_is_kept_is_what_is_read(tmp_path: Path, three: Job) -> None:
    """Numbers given as whole numbers come back as what the book holds, in the program that saved them too."""
    with Book.open(tmp_path / "book.sqlite") as book:
        job_id = book.begin(three)
        whole = replace(READING, x_mm=30, value=Typed(20, "mm"))
        saved = book.append(job_id, "layups[0]", [whole])
        kept = next(r for _, r in book.job(job_id).readings() if r.id == saved.refs[0].key)
        assert isinstance(kept.x_mm, float)
        assert kept.value is not None
        assert isinstance(kept.value.number, float)
