"""Which schema a book has, and the steps to the newest. The steps are in migrations/, run through Alembic.

All steps a book lacks are one transaction, and a copy of the book is made before them.
"""

from __future__ import annotations

import re
import sqlite3
import threading
from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from waywright.record import copies
from waywright.record.errors import NewerBook, NotABook, ReadOnly
from waywright.record.flaws import APPLICATION_ID

HEAD = "0001"  # the schema this version reads and writes
MIGRATIONS = Path(__file__).parent / "migrations"

_one_at_a_time = threading.Lock()  # a step speaks to Alembic's `op`, of which a process has one


def bring_up(engine: Engine, path: Path | None, name: str, *, read_only: bool = False) -> None:
    """Make the schema of the book the newest; `path` is its file, for the copy made before.

    Raises `NewerBook`, `NotABook` for somebody else's database, and `ReadOnly` where a step is due and cannot be made.
    """
    with engine.connect() as connection:
        found = revision(connection, name)
        connection.rollback()
        if not read_only:
            _pragma(connection, "journal_mode=WAL")  # now that it is known to be ours; stays so in the file
    if found == HEAD:
        return
    if found is None and path is not None and copies.listed(path):
        raise NotABook(f"{name} is damaged: its tables are gone.")
    if read_only:
        raise ReadOnly(f"{name} was made by an older Waywright and can only be read here; copy it elsewhere first.")
    if found is not None and path is not None:
        copies.make(path, f"before {HEAD}")
    with engine.connect().execution_options(waywright_writes=True) as connection:
        _pragma(connection, "foreign_keys=OFF")  # a step may make a table anew
        try:
            with _one_at_a_time, connection.begin():
                _steps(connection, revision(connection, name))  # again: another program may have been first
        finally:
            _pragma(connection, "foreign_keys=ON")


def _pragma(connection: Connection, setting: str) -> None:
    """Set something of SQLite's that cannot be set inside a transaction."""
    raw = connection.connection.driver_connection
    if isinstance(raw, sqlite3.Connection):
        raw.execute(f"PRAGMA {setting}").fetchall()


def revision(connection: Connection, name: str) -> str | None:
    """The schema of the book, None of one that is still empty."""
    tables = inspect(connection).get_table_names()
    if "alembic_version" not in tables:
        if tables and (connection.dialect.name == "sqlite" or {"jobs", "acts", "versions"} & set(tables)):
            raise NotABook(f"{name} is not a Waywright book; name another.")
        return None
    if connection.dialect.name == "sqlite":
        owner = connection.exec_driver_sql("PRAGMA application_id").scalar()
        if owner != APPLICATION_ID:
            raise NotABook(f"{name} is not a Waywright book; name another.")
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    if not re.fullmatch(r"\d{4}", str(found)) or str(found) == "0000":
        raise NotABook(f"{name} is damaged: it does not say which version of Waywright made it.")
    if str(found) > HEAD:
        raise NewerBook(f"{name} was made by a newer version of Waywright; update Waywright, or name another book.")
    return str(found)


def _steps(connection: Connection, found: str | None) -> None:
    """Run every step after `found`, inside the transaction that is open."""
    from alembic.operations import Operations
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory

    if found == HEAD:
        return
    script = ScriptDirectory(str(MIGRATIONS))
    context = MigrationContext.configure(connection, opts={"render_as_batch": True})
    with Operations.context(context):
        for step in reversed(list(script.iterate_revisions(HEAD, found or "base"))):
            step.module.upgrade()
    context.stamp(script, HEAD)
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
        if broken:
            raise NotABook(f"A step to the schema {HEAD} left {len(broken)} rows without what they belong to.")
