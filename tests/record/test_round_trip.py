"""A job comes out of the book as it went in, whatever kinds of reading it holds."""

from __future__ import annotations

import dataclasses
import tempfile
import types
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.jobs import jobs
from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.kind import Entry, Kind
from waywright.core.evidence.things import Face, Hand, Instrument, Piece
from waywright.core.readings import KINDS
from waywright.record import Append, Book, By, Head, Ref
from waywright.record.parts import SORTS, BodyError, dump, load
from waywright.units import Showing


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


NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
SIMPLE = {float: NUMBERS, int: st.integers(-(2**63), 2**63), str: st.text(), bool: st.booleans()}


def anything(hint: Any) -> st.SearchStrategy[Any]:
    """Whatever may stand in a field of this type; a type the book has no form for is a KeyError."""
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return st.one_of(st.none() if part is type(None) else anything(part) for part in arguments)
    if origin is tuple and arguments[-1] is Ellipsis:
        return st.lists(anything(arguments[0]), max_size=3).map(tuple)
    if origin is tuple:
        return st.tuples(*map(anything, arguments))
    if origin is typing.Literal:
        return st.sampled_from(arguments)
    if hint is Kind:
        return st.one_of(anything(kind) for kind in KINDS.values())
    if hint is Hand:  # it refuses what no hand can take
        return st.builds(Hand, st.floats(1e-300, 1e300), st.floats(0, 1e300), st.floats(0, 1e300))
    if dataclasses.is_dataclass(hint):
        hints = typing.get_type_hints(hint)
        return st.builds(hint, **{field.name: anything(hints[field.name]) for field in dataclasses.fields(hint)})
    return SIMPLE[hint]


@pytest.mark.parametrize("sort", SORTS)
def test_any_part_comes_back_equal(sort: str) -> None:
    """Every field of every part and of every kind of reading has a plain form, whatever stands in it."""

    @settings(max_examples=100 if sort == "setting" else 25)
    @given(part=anything(SORTS[sort]))
    def holds(part: Any) -> None:
        wanted = dataclasses.replace(part, readings=()) if sort == "setting" else part
        assert load(sort, dump(part)) == wanted
        assert dump(load(sort, dump(part))) == dump(part)

    holds()


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda kind: kind.block)
def test_any_kind_comes_back_equal(kind: type[Kind]) -> None:
    """Each kind of reading there is goes through the book, without the book knowing it."""

    @settings(max_examples=20)
    @given(geometry=anything(kind))
    def holds(geometry: Any) -> None:
        setting = Setting("s", geometry, ())
        assert load("setting", dump(setting)) == setting

    holds()


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{", "null", '{"id":1}', '{"id":"a","new":1}', '{"id":"a","name":"b"}', '{"title":1e999}', "9" * 5000],
)
def test_a_form_that_cannot_be_is_refused(text: str) -> None:
    """What is not the plain form of a part is refused, whatever sort it is taken for."""
    for sort in SORTS:
        with pytest.raises(BodyError):
            load(sort, text)
    with pytest.raises(BodyError, match="of the sort"):
        load("ghost", "{}")
    with pytest.raises(BodyError, match=r"head\.hand cannot be: A pass takes more than 0 µm"):
        load("head", '{"hand":{"depth_um":-1.0}}')


def test_head_holds_whatever_a_job_says_of_itself() -> None:
    """Every field of a job is a part of its own, or in its head: none can be forgotten here."""
    parts = {"pieces", "instruments", "settings", "passes", "goal"}
    assert {f.name for f in dataclasses.fields(Job)} == parts | {f.name for f in dataclasses.fields(Head)}


@dataclass(frozen=True)
class Feeler(Kind):
    """A kind nobody has heard of, with a field of every sort there is."""

    block: ClassVar[str] = "feelers_under"
    entries: ClassVar[tuple[Entry, ...]] = (Entry("slips", ("x_mm",), ("slip_mm",), "in_mm", "out_mm"),)
    instrument_kinds: ClassVar[tuple[str, ...]] = ("feelers",)

    face: FaceName
    bars_mm: tuple[float, ...]
    times: int = 1
    wet: bool = False
    pair: tuple[float, str] | None = None

    def words(self, shown: Showing) -> str:
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
    with Book.open(tmp_path / "book.sqlite", validate=lambda job: None) as book:
        job_id = book.begin(job)
        assert book.job(job_id) == job
        book.change(job_id, Append("s", (second,)), by=By(client="c", sequence=1))
        setting = dataclasses.replace(job.settings[0], readings=(first, second))
        assert book.job(job_id) == dataclasses.replace(job, settings=(setting,))
        assert Ref("reading", "b") in book.snapshot(job_id).versions
