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
from waywright.record.flaws import connected, flaw_of

KEPT = 10
FOLDER = "copies"
RESTORE = "before restore"
_NAME = re.compile(r"(?P<book>.+) (?P<at>\d{4}-\d\d-\d\dT\d\d-\d\d-\d\d)(?:\.\d+)? (?P<why>[a-z0-9 ]+)\.sqlite")


@dataclass(frozen=True)
class Copy:
    """One copy: its file, when (UTC) and why it was made ("daily", "before 0002", "before restore"), its bytes."""

    path: Path
    at: datetime
    why: str
    size: int


def listed(book: Path, now: datetime | None = None) -> tuple[Copy, ...]:
    """The copies of the book at `book`, newest first.

    Those dated after `now` were made before the clock was set back, whatever they say: they come last.
    """
    now = now or datetime.now(UTC)
    found = []
    with contextlib.suppress(OSError):
        for path in (book.parent / FOLDER).iterdir():
            match = _NAME.fullmatch(path.name)
            if match and match["book"] == book.stem:
                with contextlib.suppress(OSError, ValueError):  # gone meanwhile; a 31st of February
                    at = datetime.strptime(match["at"], "%Y-%m-%dT%H-%M-%S").replace(tzinfo=UTC)
                    found.append(Copy(path, at, match["why"], path.stat().st_size))
    return tuple(sorted(found, key=lambda copy: (copy.at <= now, copy.at, copy.path.name), reverse=True))


def is_copy(path: Path) -> bool:
    """Whether a file is a copy of a book, by its name and folder: those are read and never written."""
    return path.parent.name == FOLDER and _NAME.fullmatch(path.name) is not None


def make(book: Path, why: str, now: datetime | None = None) -> Copy:
    """Copy the book as it stands, whoever is using it; at no moment is there half a copy. Prunes to ten of its sort."""
    now = (now or datetime.now(UTC)).astimezone(UTC).replace(microsecond=0)
    folder = book.parent / FOLDER
    temporary = target = folder
    try:
        target = _free(folder, f"{book.stem} {now.replace(tzinfo=None).isoformat().replace(':', '-')}", why)
        temporary = folder / f".{os.getpid()} {target.name}.part"
        folder.mkdir(exist_ok=True)
        with connected(str(book)) as source, connected(str(temporary)) as copy:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")  # a copy is one file
        with open(temporary, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(temporary, target)
        made = Copy(target, now, why, target.stat().st_size)
    except (OSError, sqlite3.Error, UnicodeError) as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise BookError(
            f"No copy of {book} could be made in {folder} ({error}); make room or mend its rights."
        ) from None
    _prune(book, made)
    return made


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
    if any(copy.why == "daily" and copy.at.date() == day for copy in listed(book, now)):
        return None
    return make(book, "daily", now)


def _sort(why: str) -> str:
    return re.sub(r"\d+", "", why).strip()


def _prune(book: Path, made: Copy) -> None:
    """Of the sort of the copy just made keep that and the newest others. What cannot be removed stays."""
    others = [c for c in listed(book, made.at) if _sort(c.why) == _sort(made.why) and c.path != made.path]
    for copy in others[KEPT - 1 :]:
        with contextlib.suppress(OSError):
            copy.path.unlink(missing_ok=True)


def newest_good(book: Path, uid: str | None = None) -> Copy | None:
    """The newest copy that can be opened and is whole; with `uid`, in which that job is as it was written."""
    return next((copy for copy in listed(book) if not flaw_of(copy.path, uid)), None)


def way_back(book: Path, uid: str | None = None) -> str:
    """The newest good copy and how to open it, to stand behind a semicolon; "" for a book that has no copies."""
    if not listed(book):
        return "there is no copy of it"
    good = newest_good(book, uid)
    if good is None:
        return f"none of its copies in {book.parent / FOLDER} is good"
    return (
        f'its newest good copy is of {good.at:%Y-%m-%d %H:%M} UTC: `waywright bench --book "{good.path}"` opens it, '
        f'`waywright book restore "{good.path.name}" --book "{book}"` goes back to it'
    )


def restore(book: Path, name: str | None = None) -> Copy:
    """Put the book back to a copy: the newest good one, or the one whose file is called `name`. Returns it.

    What is there now is copied first. Programs that have the book open see it change, as by any other save. Raises
    `Missing` when there is no such copy, `NotABook` when it is damaged itself.
    """
    there = listed(book)
    usual = [copy for copy in there if copy.why != RESTORE] or list(there)  # or else restoring twice would go forward
    wanted = usual if name is None else [copy for copy in there if name in (copy.path.name, str(copy.path))]
    if not wanted:
        raise Missing(
            f"There is no copy {name!r}; `waywright book copies` lists them."
            if there
            else f"There is no copy of {book} yet; the first is made with the first save of a day."
        )
    chosen = next((copy for copy in wanted if not flaw_of(copy.path)), None)
    if chosen is None:
        said = f"The copy {wanted[0].path.name} is damaged ({flaw_of(wanted[0].path)})"
        raise NotABook(f"{said}; {'choose another' if len(there) > 1 else 'there is no other'}.")
    if book.exists():
        try:
            make(book, RESTORE)
        except BookError:
            _set_aside(book)
    _into_place(chosen.path, book)
    return chosen


def _set_aside(book: Path) -> None:
    """A book too damaged to be copied or written over is moved beside its copies as it is, and never deleted."""
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
        try:
            _written_over(copy, book)
        except (sqlite3.DatabaseError, UnicodeError) as error:
            if "locked" in str(error) or "busy" in str(error):
                raise
            _set_aside(book)  # so damaged that nothing can be written over it
            _written_over(copy, book)
    except (OSError, sqlite3.Error, UnicodeError) as error:
        raise BookError(f"{book} could not be restored ({error}); close what has it open and try again.") from None


def _written_over(copy: Path, book: Path) -> None:
    with connected(f"{copy.as_uri()}?mode=ro") as source, connected(str(book)) as target:
        source.backup(target)
