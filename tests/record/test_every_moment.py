"""Whatever is done to a job in whatever order: nothing is lost, and everything can be taken back."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.things import Face, Instrument, Piece
from waywright.core.readings import LayUp
from waywright.record import (
    Add,
    Book,
    BookError,
    By,
    Conflict,
    Delete,
    Edit,
    Head,
    Memo,
    Move,
    Put,
    Ref,
    Rename,
    Snapshot,
)
from waywright.record import Append as Append_
from waywright.record import Correct as Correct_

PLACES = (30.0, 105.0, 480.0)


@pytest.fixture(scope="module")
def shelf() -> Iterator[Book]:
    """One book for many jobs."""
    with tempfile.TemporaryDirectory() as folder, Book.open(Path(folder) / "book.sqlite") as book:
        yield book


def gap(n: int) -> Reading:
    """A gap that says which number made it."""
    value = Typed(20.0 + n / 1e3, "mm", f"{20 + n / 1e3:.3f}")
    return Reading("", "gaps", PLACES[n % 3], 0.0, key="gap_mm", value=value)


def small() -> Job:
    """Three edges and three lay-ups of three gaps."""
    pieces = tuple(Piece(name, (Face(name, 500.0, 40.0, PLACES),)) for name in "PQR")
    layups = [
        Setting(
            f"layups[{i}]",
            LayUp(lower, upper, "over"),
            tuple(replace(gap(n), id=f"layups[{i}].gaps[{n}]") for n in range(3)),
            instrument="blocks",
        )
        for i, (lower, upper) in enumerate(("PQ", "QR", "PR"))
    ]
    return Job("small", pieces, (Instrument("blocks", "gauge blocks", u_um=0.3),), tuple(layups))


def edit(what: int, n: int, opened: Snapshot) -> Edit | None:
    """Some edit of what is there, drawn by two numbers; None where there is nothing to edit."""
    settings_, readings = opened.job.settings, [r for _, r in opened.job.readings()]
    corrected = opened.job.corrected()
    live = [r for r in readings if r.id not in corrected and r.entry == "gaps"]
    refs = [ref for ref in opened.versions if ref.sort not in ("goal", "head", "reading")]
    one, setting = refs[n % len(refs)], settings_[n % len(settings_)] if settings_ else None
    if what == 0:
        laid = [s for s in settings_ if s.geometry.block == "layups"]
        return Append_(laid[n % len(laid)].id, (gap(n), gap(n + 1))) if laid else None
    if what == 1:
        old = live[n % len(live)] if live else None
        return Correct_(old.id, opened.versions[Ref("reading", old.id)], gap(n)) if old else None
    if what == 2:
        ref = Ref("reading", live[n % len(live)].id) if n % 2 and live else one
        return Delete(ref, opened.versions[ref])
    if what == 3:
        return Put(Ref("head"), opened.versions[Ref("head")], Head(f"title {n}"))
    if what == 4:
        return Put(Ref("goal"), opened.versions[Ref("goal")], Goal(straightness_um=1.0 + n))
    if what == 5 and setting is not None:
        return Add(replace(setting, id="", name=None, readings=()), before=Ref("setting", setting.id))
    if what == 6:
        return Move(one, opened.versions[one])
    if what == 7:
        return Rename(Ref("face", sorted(opened.job.faces())[n % 3]), f"face {n}") if opened.job.faces() else None
    return Add(Memo(f"memo {n}", "text"))


@settings(max_examples=60)
@given(acts=st.lists(st.tuples(st.integers(-2, 8), st.integers(0, 10_000)), max_size=25))
def test_every_moment_can_be_read_and_everything_undone(shelf: Book, acts: list[tuple[int, int]]) -> None:
    """After any edits, undoings and redoings each moment reads as it was seen; undoing to the end leaves the first."""
    job_id = shelf.begin(small())
    seen = [small()]
    for what, n in acts:
        opened = shelf.snapshot(job_id)
        try:
            if what == -2:
                saved = shelf.undo(job_id)
            elif what == -1:
                saved = shelf.redo(job_id)
            else:
                found = edit(what, n, opened)
                if found is None:
                    continue
                saved = shelf.change(job_id, found)
        except (BookError, JobError):
            assert shelf.snapshot(job_id) == opened  # what is refused changes nothing
            continue
        if saved.number > len(seen):
            seen.append(shelf.job(job_id))
        assert saved.number == len(seen)
    assert [shelf.job(job_id, at=n) for n in range(1, len(seen) + 1)] == seen
    file = io.BytesIO()
    shelf.export(job_id, file)
    assert shelf.import_(file).how == "known"
    steps = 0
    while shelf.snapshot(job_id).undo is not None:
        shelf.undo(job_id)
        steps += 1
    opened = shelf.snapshot(job_id)
    assert opened.job == small()
    assert not opened.hidden
    assert not opened.memos
    for _ in range(steps):
        shelf.redo(job_id)
    assert shelf.job(job_id) == seen[-1]


def test_the_shelf_is_sound(shelf: Book) -> None:
    """After all that the book passes its check."""
    assert shelf.problems() == []


@settings(max_examples=100)
@given(edits=st.lists(st.tuples(st.integers(0, 8), st.integers(0, 10_000)), min_size=2, max_size=2))
def test_a_stale_tab_never_overwrites(shelf: Book, edits: list[tuple[int, int]]) -> None:
    """Two tabs act from the same page: the second act keeps what the first one said, or is refused with a conflict or
    a sentence; no version is ever replaced by one that did not see it."""
    job_id = shelf.begin(small())
    opened = shelf.snapshot(job_id)
    first, second = (edit(what, n, opened) for what, n in edits)
    assert first is not None
    assert second is not None
    try:
        shelf.change(job_id, first, by=By(who="first"))
    except (BookError, JobError):
        return
    after = shelf.snapshot(job_id)
    refused: Exception | None = None
    try:
        shelf.change(job_id, second, by=By(who="second"))
    except (BookError, JobError) as error:
        refused = error
    if isinstance(refused, Conflict):
        assert refused.version == after.versions.get(refused.ref, refused.version)
    if refused is not None:
        assert shelf.snapshot(job_id) == after
        return
    then = shelf.snapshot(job_id)
    written = {ref for ref, version in after.versions.items() if version == after.number}
    twice = {ref for ref in written if then.versions.get(ref) == then.number > after.number}
    assert not twice or isinstance(second, Rename | Move)  # which change a name or place and nothing that was said
