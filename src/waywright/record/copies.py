"""Copies of the book beside it, and the way back to one of them. SQLite only; PostgreSQL has its own tools.

A copy is made on the first save of each day, before each change of the schema and before each restore; of each sort ten
are kept. Files are named by when and why: copies/book 2026-11-25T13-31-02 daily.sqlite
"""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from waywright.record.errors import BookError, Missing, NotABook

KEPT = 10
FOLDER = "copies"
RESTORE = "before restore"
_NAME = re.compile(r"(?P<book>.+) (?P<at>\d{4}-\d\d-\d\dT\d\d-\d\d-\d\d(?:\.\d+)?) (?P<why>[a-z0-9 ]+)\.sqlite")


@dataclass(frozen=True)
class Copy:
    """One copy: its file, when (UTC) and why it was made ("daily", "before 0002", "before restore"), its bytes."""

    path: Path
    at: datetime
    why: str
    size: int


def listed(book: Path) -> tuple[Copy, ...]:
    """The copies of the book at `book`, newest first."""
    found = []
    for path in (book.parent / FOLDER).glob("*.sqlite"):
        match = _NAME.fullmatch(path.name)
        if match and match["book"] == book.stem:
            at = datetime.strptime(match["at"].split(".")[0], "%Y-%m-%dT%H-%M-%S").replace(tzinfo=UTC)
            found.append(Copy(path, at, match["why"], path.stat().st_size))
    return tuple(sorted(found, key=lambda copy: (copy.at, copy.path.name), reverse=True))


def make(book: Path, why: str, now: datetime | None = None) -> Copy:
    """Copy the book as it stands, whoever is using it; at no moment is there half a copy. Prunes to ten of its sort."""
    now = (now or datetime.now(UTC)).astimezone(UTC)
    folder = book.parent / FOLDER
    target = _free(folder, f"{book.stem} {now:%Y-%m-%dT%H-%M-%S}", why)
    temporary = folder / f".{os.getpid()} {target.name}.part"
    try:
        folder.mkdir(exist_ok=True)
        with _connected(str(book)) as source, _connected(str(temporary)) as copy:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")  # a copy is one file
        with open(temporary, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(temporary, target)
    except (OSError, sqlite3.Error) as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise BookError(
            f"No copy of {book} could be made in {folder} ({error}); make room or mend its rights."
        ) from None
    _prune(book, why)
    return Copy(target, now.replace(microsecond=0), why, target.stat().st_size)


def _free(folder: Path, stem: str, why: str) -> Path:
    """A name no copy has: of several in one second each keeps its own."""
    path, count = folder / f"{stem} {why}.sqlite", 1
    while path.exists():
        count += 1
        path = folder / f"{stem}.{count:03d} {why}.sqlite"
    return path


def daily(book: Path, now: datetime) -> Copy | None:
    """The copy of this day, if there is none yet."""
    day = now.astimezone(UTC).date()
    if any(copy.why == "daily" and copy.at.date() == day for copy in listed(book)):
        return None
    return make(book, "daily", now)


def _sort(why: str) -> str:
    return re.sub(r"\d+", "", why).strip()


def _prune(book: Path, why: str) -> None:
    alike = [copy for copy in listed(book) if _sort(copy.why) == _sort(why)]
    for copy in alike[KEPT:]:
        copy.path.unlink(missing_ok=True)


def restore(book: Path, name: str | None = None) -> Copy:
    """Put the book back to a copy: the newest, or the one whose file is called `name`. Returns it.

    What is there now is copied first. Programs that have the book open see it change, as by any other save. Raises
    `Missing` when there is no such copy, `NotABook` when it is damaged itself.
    """
    there = listed(book)
    usual = [copy for copy in there if copy.why != RESTORE] or list(there)  # or else restoring twice would go forward
    named = [copy for copy in there if name in (copy.path.name, str(copy.path))]
    chosen = next(iter(usual if name is None else named), None)
    if chosen is None:
        raise Missing(
            f"There is no copy {name!r}; `waywright book copies` lists them."
            if there
            else f"There is no copy of {book} yet; the first is made with the first save of a day."
        )
    _sound(chosen.path)
    if book.exists():
        try:
            make(book, RESTORE)
        except BookError:
            _set_aside(book)
    _into_place(chosen.path, book)
    return chosen


def _sound(path: Path) -> None:
    try:
        with _connected(f"{path.as_uri()}?mode=ro") as copy:
            found = copy.execute("PRAGMA integrity_check").fetchone()[0]
    except sqlite3.Error as error:
        found = str(error)
    if found != "ok":
        raise NotABook(f"The copy {path.name} is damaged ({found}); choose an older one.")


def _set_aside(book: Path) -> None:
    """A book too damaged to be copied is moved beside its copies as it is, and never deleted."""
    folder = book.parent / FOLDER
    stamp = f"{datetime.now(UTC):%Y-%m-%dT%H-%M-%S.%f}"
    try:
        folder.mkdir(exist_ok=True)
        for ending in ("", "-wal", "-shm"):
            part = book.with_name(book.name + ending)
            if part.exists():
                os.replace(part, folder / f"{book.stem} {stamp} damaged{ending}")
    except OSError as error:
        raise BookError(f"{book} could not be set aside ({error}); close what has it open and try again.") from None


def _into_place(copy: Path, book: Path) -> None:
    """Write the copy's pages over the book's in one transaction, through SQLite: safe while others have it open."""
    try:
        with _connected(f"{copy.as_uri()}?mode=ro") as source, _connected(str(book)) as target:
            source.backup(target)
    except (OSError, sqlite3.Error) as error:
        raise BookError(f"{book} could not be restored ({error}); close what has it open and try again.") from None


def _connected(where: str) -> contextlib.closing[sqlite3.Connection]:
    return contextlib.closing(sqlite3.connect(where, timeout=10, uri=where.startswith("file:")))
