"""Whether the file of a book is good: found by reading it as it is, without opening it as a book."""

from __future__ import annotations

import contextlib
import sqlite3
from functools import lru_cache
from pathlib import Path

from waywright.record.log import Row, act_alone, first_changed, row_from
from waywright.record.tables import metadata

APPLICATION_ID = 0x57617977  # "Wayw": tells our files from others of SQLite


def connected(where: str) -> contextlib.closing[sqlite3.Connection]:
    """SQLite's own connection, closed at the end; `where` is a path or a URI."""
    return contextlib.closing(sqlite3.connect(where, timeout=10, uri=where.startswith("file:")))


def flaw_of(path: Path, uid: str | None = None) -> str:
    """What is wrong with the file of a book in a few words, "" if it is good.

    With `uid` also whether that job is in it, every act as it was written.
    """
    try:
        there = path.stat()
        return _flaw_of(path, there.st_size, there.st_mtime_ns, uid)
    except OSError as error:
        return (error.strerror or "it cannot be read").lower()


@lru_cache(64)  # the same file has the same flaw; one of a gigabyte takes seconds to read
def _flaw_of(path: Path, size: int, changed: int, uid: str | None) -> str:
    try:
        with connected(f"{path.as_uri()}?mode=ro") as copy:
            said = copy.execute("PRAGMA integrity_check").fetchone()
            if said is None or said[0] != "ok":
                return str(said[0] if said else "it cannot be read").strip().splitlines()[-1][:100]
            return _foreign(copy) or (_changed(copy, uid) if uid is not None else "")
    except (sqlite3.Error, ValueError, TypeError, MemoryError) as error:
        return " ".join(str(error).split())[:100] or "it cannot be read"


def _foreign(copy: sqlite3.Connection) -> str:
    """Whether it is no book that this version opens."""
    from waywright.record import schema  # which makes copies itself

    found = copy.execute("SELECT version_num FROM alembic_version").fetchone()
    if copy.execute("PRAGMA application_id").fetchone() != (APPLICATION_ID,) or found is None:
        return "it is no book"
    if str(found[0]) > schema.HEAD:
        return "a newer version of Waywright made it"
    for table in metadata.sorted_tables:
        copy.execute(f"SELECT {', '.join(column.name for column in table.columns)} FROM {table.name} LIMIT 1")
    return ""


def _changed(copy: sqlite3.Connection, uid: str) -> str:
    """Whether a job is missing, or an act of it not as it was written."""
    found = copy.execute("SELECT id FROM jobs WHERE uid = ?", (uid,)).fetchone()
    if found is None:
        return "the job is not in it"
    copy.row_factory = sqlite3.Row
    rows: dict[int, list[Row]] = {}
    for row in copy.execute("SELECT * FROM versions WHERE job_id = ?", found):
        plain = {key: row[key] for key in row.keys() if key not in ("job_id", "number")}  # noqa: SIM118 (no mapping)
        rows.setdefault(row["number"], []).append(row_from(plain | {"hidden": row["hidden"] == 1}))
    every = copy.execute("SELECT * FROM acts WHERE job_id = ? ORDER BY number", found)
    acts = [act_alone({key: row[key] for key in row.keys() if key != "job_id"}) for row in every]  # noqa: SIM118
    changed = first_changed((), acts, rows)
    return f"act {changed} of the job is not as it was written" if changed else "" if acts else "the job is empty in it"
