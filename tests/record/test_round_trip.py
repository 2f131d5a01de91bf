"""A job comes out of the book as it went in, whatever kinds of reading it holds."""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import given, settings

from tests.jobs import jobs
from waywright.core.evidence import Entry, Geometry, Job, Reading, Setting, Typed
from waywright.core.readings import KINDS
from waywright.core.things import Face, Instrument, Piece
from waywright.record import Append, Book, By, Head, Ref


@pytest.fixture(scope="module")
def shelf() -> Iterator[Book]:
    """One book for many jobs."""
    with tempfile.TemporaryDirectory() as folder, Book.open(Path(folder) / "book.sqlite") as book:
        yield book


@settings(max_examples=100)
@given(job=jobs())
def test_any_job_comes_back_equal(shelf: Book, job: Job) -> None:
    """What is put into the book in one go is the same job when it is read again."""
    assert shelf.job(shelf.begin(job)) == job


def test_head_holds_whatever_a_job_says_of_itself() -> None:
    """Every field of a job is a part of its own, or in its head: none can be forgotten here."""
    parts = {"pieces", "instruments", "settings", "passes", "goal"}
    assert {f.name for f in dataclasses.fields(Job)} == parts | {f.name for f in dataclasses.fields(Head)}


@dataclass(frozen=True)
class Feeler(Geometry):
    """A kind nobody has heard of, with a field of every sort there is."""

    block: ClassVar[str] = "feelers_under"
    entries: ClassVar[tuple[Entry, ...]] = (Entry("slips", ("x_mm",), ("slip_mm",), "in_mm", "out_mm"),)
    instrument_kinds: ClassVar[tuple[str, ...]] = ("feelers",)
    face_fields: ClassVar[tuple[str, ...]] = ("face",)

    face: str
    bars_mm: tuple[float, ...]
    times: int = 1
    wet: bool = False
    pair: tuple[float, str] | None = None

    def words(self) -> str:
        return f"feelers under {self.face}"


@pytest.fixture
def feeler(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kind above, known for the length of a test."""
    monkeypatch.setitem(KINDS, Feeler.block, Feeler)


@pytest.mark.usefixtures("feeler")
def test_a_kind_defined_here_needs_nothing_of_the_book(tmp_path: Path) -> None:
    """A kind of reading made up inside this test is kept, appended to and read again like any other."""
    piece = Piece("P", (Face("P", 600.0, 40.0, (0.0, 300.0, 600.0)),))
    geometry = Feeler("P", (1.5, 2.25), 3, True, (0.1, "µ"))
    first = Reading("a", "slips", 0.0, key="slip_mm", value=Typed(0.4, "thou", "0,4 thou"))
    second = Reading("b", "slips", 300.0, low=Typed(0.01, "mm"), high=Typed(0.012, "mm"))
    job = Job("F", (piece,), (Instrument("f", "feelers", u_um=1.0),), (Setting("s", geometry, (first,)),))
    with Book.open(tmp_path / "book.sqlite", guard=lambda job: None) as book:
        job_id = book.begin(job)
        assert book.job(job_id) == job
        book.change(job_id, Append("s", (second,)), by=By(client="c", sequence=1))
        setting = dataclasses.replace(job.settings[0], readings=(first, second))
        assert book.job(job_id) == dataclasses.replace(job, settings=(setting,))
        assert Ref("reading", "b") in book.opened(job_id).versions
