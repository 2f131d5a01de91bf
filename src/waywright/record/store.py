"""Where the book lies, and its transactions: SQLite in the platform's data folder, any other path, or a PostgreSQL URL.

Every save is one transaction. On SQLite a writer takes the lock first (BEGIN IMMEDIATE) and each commit is on the disk
before it is acknowledged (WAL, synchronous FULL); readers never wait.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, exc, make_url
from sqlalchemy.pool import QueuePool

from waywright.record import schema
from waywright.record.errors import BookError, Busy, Missing, NotABook

WAIT_S = 10.0  # how long a save waits for another program's
SQLITE_HEADER = b"SQLite format 3\x00"


def default_path() -> Path:
    """The book in the platform's data folder."""
    from platformdirs import user_data_path

    return user_data_path("waywright", appauthor=False) / "book.sqlite"


@dataclass(frozen=True)
class Store:
    """An open book. `path` is its file, None on PostgreSQL; `name` what messages call it."""

    engine: Engine
    path: Path | None
    name: str

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one moment and changes nothing."""
        with self._plain_errors(), self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: all of it is kept, or nothing."""
        with self._plain_errors(), self.engine.connect() as connection:
            connection = connection.execution_options(waywright_writes=True)
            with connection.begin():
                yield connection

    def close(self) -> None:
        """Let go of the file."""
        self.engine.dispose()

    @contextmanager
    def _plain_errors(self) -> Iterator[None]:
        try:
            yield
        except exc.DBAPIError as error:
            raise plain_error(error.orig, self.name) from error
        except sqlite3.Error as error:
            raise plain_error(error, self.name) from error


def open_store(where: str | os.PathLike[str] | None = None, *, create: bool = True) -> Store:
    """The book at `where`: a path or a PostgreSQL URL; None is the one in the data folder. Brought to this schema.

    Raises `Missing` when it is not there and not to be made, `NotABook` when the file is something else, `NewerBook`
    when a newer Waywright made it.
    """
    text = str(default_path() if where is None else where)
    if text.startswith(("postgresql:", "postgresql+")):
        return _open_postgres(text)
    if "\0" in text or not text.strip():
        raise NotABook("The name of the book cannot be used; check it.")
    path = Path(text).expanduser().absolute()
    _look_at(path, create)
    engine = create_engine(
        "sqlite://", creator=lambda: _connect(path), poolclass=QueuePool, pool_size=5, max_overflow=20, pool_timeout=30
    )
    event.listen(engine, "begin", _begin)
    store = Store(engine, path, str(path))
    try:
        with store._plain_errors():
            schema.bring_up(engine, path, str(path))
    except BaseException:
        engine.dispose()
        raise
    return store


def _open_postgres(text: str) -> Store:
    try:
        url = make_url(text)
        if url.drivername == "postgresql":
            url = url.set(drivername="postgresql+psycopg")
        engine = create_engine(url, pool_pre_ping=True)
    except (exc.ArgumentError, exc.NoSuchModuleError, ValueError):
        raise Missing(f"{text} is no address of a database; write postgresql://user@host/name.") from None
    except ImportError:
        raise Missing("A book on PostgreSQL needs psycopg; install waywright[postgres].") from None
    store = Store(engine, None, url.render_as_string(hide_password=True))
    try:
        with store._plain_errors():
            schema.bring_up(engine, None, store.name)
    except BaseException:
        engine.dispose()
        raise
    return store


def _look_at(path: Path, create: bool) -> None:
    """Refuse what is no book before anything is opened; make the folder of a new one."""
    try:
        if path.is_dir():
            raise NotABook(f"{path} is a folder; name a file in it.")
        if path.exists():
            if not path.is_file():  # reading it might never end
                raise NotABook(f"{path} is a pipe or device and no file; name a file.")
            with open(path, "rb") as file:
                start = file.read(len(SQLITE_HEADER))
            if start and start != SQLITE_HEADER:
                raise NotABook(f"{path} is not a Waywright book; name another file.")
        elif not create:
            raise Missing(f"There is no book at {path}.")
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise NotABook(f"{path} cannot be used: {(error.strerror or 'no reason given').lower()}.") from None


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None, check_same_thread=False)
    for pragma in ("synchronous=FULL", "foreign_keys=ON", "trusted_schema=OFF"):
        connection.execute(f"PRAGMA {pragma}")
    return connection


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("waywright_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def plain_error(error: BaseException | None, name: str) -> BookError:
    """What the database says, as a sentence."""
    said = str(error).strip()
    lower = said.lower()
    if isinstance(error, sqlite3.IntegrityError) or "duplicate key" in lower:
        return Busy("Somebody else saved the same at the same moment; try again.")
    if "locked" in lower or "busy" in lower:
        return Busy(f"Another program has been writing to {name} for {WAIT_S:g} s; try again.")
    if "malformed" in lower or "not a database" in lower:
        return NotABook(f"{name} is damaged; run `waywright book restore` to go back to a copy.")
    if "full" in lower and "disk" in lower:
        return BookError(f"The disk with {name} is full; nothing was changed. Make room and try again.")
    if "readonly" in lower or "read-only" in lower or "unable to open" in lower:
        return BookError(f"{name} cannot be written; check its rights, or name another with --book.")
    first = said.splitlines()[0] if said else "no reason given"
    return BookError(f"The database of {name} refused: {first[:200]}.")
