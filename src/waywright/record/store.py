"""Where the book lies, and its transactions: SQLite in the platform's data folder, any other path, or a PostgreSQL URL.

Every save is one transaction. On SQLite a writer takes the lock first (BEGIN IMMEDIATE) and each commit is on the disk
before it is acknowledged (WAL, synchronous FULL); readers never wait. What the database says when something is wrong
becomes one sentence here, and where the book is damaged it names the way back.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, exc, make_url
from sqlalchemy.pool import NullPool, QueuePool

from waywright.record import copies, schema
from waywright.record.errors import BookError, Busy, DiskFull, Missing, NewerBook, NotABook, ReadOnly, Unreadable
from waywright.record.flaws import flaw_of
from waywright.record.tables import metadata

WAIT_S = 10.0  # how long a save waits for another program's
SQLITE_HEADER = b"SQLite format 3\x00"


def default_path() -> Path:
    """The book in the platform's data folder."""
    from platformdirs import user_data_path

    return user_data_path("waywright", appauthor=False) / "book.sqlite"


@dataclass(frozen=True)
class Store:
    """An open book. `path` is its file, None on PostgreSQL; `name` what messages call it; `read_only`: why it cannot be
    written, "" if it can."""

    engine: Engine
    path: Path | None
    name: str
    read_only: str = ""

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one moment and changes nothing."""
        with self._plain_errors(), self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: all of it is kept, or nothing. Raises `ReadOnly`."""
        self.refuse_read_only()
        with self._plain_errors(), self.engine.connect() as connection:
            connection = connection.execution_options(waywright_writes=True)
            with connection.begin():
                yield connection

    def refuse_read_only(self) -> None:
        """Raise `ReadOnly` where nothing can be written."""
        if self.read_only:
            raise ReadOnly(f"{self.name} can only be read: {self.read_only}.")

    def way_back(self, uid: str | None = None) -> str:
        """How to go back to a good copy, a clause; with `uid` to one in which that job is good."""
        if self.path is None:
            return "PostgreSQL's own tools bring a dump of it back"
        return copies.way_back(self.path, uid)

    def close(self) -> None:
        """Let go of the file."""
        self.engine.dispose()

    @contextmanager
    def _plain_errors(self) -> Iterator[None]:
        try:
            yield
        except exc.DBAPIError as error:
            raise plain_error(error.orig, self.name, self.path) from error
        except exc.TimeoutError as error:
            raise Busy(f"Too many ask {self.name} at once; try again.") from error
        except (sqlite3.Error, UnicodeDecodeError) as error:  # SQLite's own words may be damaged too
            raise plain_error(error, self.name, self.path) from error
        except MemoryError as error:  # asked for by a length that was changed, or there is truly none left
            if self.path is None or not flaw_of(self.path):
                raise
            raise NotABook(f"{self.name} is damaged; {self.way_back()}.") from error
        except Unreadable as error:
            raise NotABook(f"{error}; {self.way_back(error.uid)}.") from error


def open_store(where: str | os.PathLike[str] | None = None, *, create: bool = True) -> Store:
    """The book at `where`: a path or a PostgreSQL URL; None is the one in the data folder. Brought to this schema.

    A copy, and a book whose file or folder is write-protected, is opened to be read. Raises `Missing` when it is not
    there and not to be made, `NotABook` when the file is something else, `NewerBook` when a newer Waywright made it.
    """
    text = str(default_path() if where is None else where)
    if text.startswith(("postgresql:", "postgresql+")):
        return _open_postgres(text)
    if "\0" in text or not text.strip():
        raise NotABook("The name of the book cannot be used; check it.")
    path = Path(text).expanduser().absolute()
    _look_at(path, create)
    protected = _protected(path)
    if protected:
        engine = create_engine("sqlite://", creator=lambda: _connect(path, _to_read(path)), poolclass=NullPool)
    else:
        pool: dict[str, Any] = {"poolclass": QueuePool, "pool_size": 5, "max_overflow": 20, "pool_timeout": 30}
        engine = create_engine("sqlite://", creator=lambda: _connect(path), **pool)
    event.listen(engine, "begin", _begin)
    return _brought_up(Store(engine, path, str(path), protected))


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
    return _brought_up(Store(engine, None, url.render_as_string(hide_password=True)))


def _brought_up(store: Store) -> Store:
    """The book in the newest schema, or closed again."""
    try:
        with store._plain_errors():
            schema.bring_up(store.engine, store.path, store.name, read_only=bool(store.read_only))
    except (NotABook, NewerBook) as error:
        store.close()
        way = _way_back_of(store.path) if store.path is not None else ""
        if way and way not in str(error):
            raise type(error)(f"{str(error).rstrip('.')}{way}.") from error
        raise
    except BaseException:
        store.close()
        raise
    return store


def _way_back_of(path: Path) -> str:
    """The way back of a file that may never have been a book: only where it has copies."""
    return f"; {copies.way_back(path)}" if copies.listed(path) else ""


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
            if start != SQLITE_HEADER and (start or copies.listed(path)):
                said = "is empty" if not start else "is not a Waywright book; name another file"
                raise NotABook(f"{path} {said}{_way_back_of(path)}.")
        elif not create:
            raise Missing(f"There is no book at {path}{_way_back_of(path)}.")
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise NotABook(f"{path} cannot be used: {(error.strerror or 'no reason given').lower()}.") from None


def _protected(path: Path) -> str:
    """Why a book cannot be written, "" if it can."""
    if copies.is_copy(path):
        return "it is a copy, kept as it is; restore it, or take a copy of it to work in"
    if not path.exists():
        return ""
    own = {"effective_ids": os.access in os.supports_effective_ids}
    if os.access(path, os.W_OK, **own) and os.access(path.parent, os.W_OK, **own):
        return ""
    return "its file or its folder is write-protected; mend its rights, or copy it to where it can be written"


def _to_read(path: Path) -> str:
    """The URI of a book that is only read. SQLite's log beside it is read too; where there is none, none can come.

    Raises `ReadOnly` where the log is there and its index is not, which only a writer makes.
    """
    log, index = (path.with_name(f"{path.name}-{ending}") for ending in ("wal", "shm"))
    if not log.exists() or not log.stat().st_size:
        return f"{path.as_uri()}?mode=ro&immutable=1"
    if not index.exists():
        raise ReadOnly(f"The last saves of {path} lie in {log.name}; copy both to where they can be written and read.")
    return f"{path.as_uri()}?mode=ro"


def _connect(path: Path, uri: str | None = None) -> sqlite3.Connection:
    connection = sqlite3.connect(
        uri or path, timeout=WAIT_S, isolation_level=None, check_same_thread=False, uri=uri is not None
    )
    for pragma in ("synchronous=FULL", "foreign_keys=ON", "trusted_schema=OFF"):
        connection.execute(f"PRAGMA {pragma}")
    return connection


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("waywright_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


# What SQLite's own names of a fault mean, the longest that fits; and what it only says in words.
_DAMAGED = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT", "SQLITE_IOERR_SHORT_READ", "SQLITE_IOERR_READ")
_DAMAGED_WORDS = re.compile(
    r"malformed|not a database|could not decode|file format|"
    rf"no such (table|column): (main\.)?({'|'.join(metadata.tables)}|alembic_version)\b"
)
_FULL_WORDS = ("disk is full", "disk full", "no space left")
LEAST_ROOM = 1 << 16  # bytes: a disk with less is full, whatever is said


def plain_error(error: BaseException | None, name: str, path: Path | None = None) -> BookError:
    """What the database says, as a sentence."""
    said = str(error).strip()
    lower, code = said.lower(), str(getattr(error, "sqlite_errorname", None) or "")
    if isinstance(error, sqlite3.IntegrityError) or "duplicate key" in lower:
        return Busy("Somebody else saved the same at the same moment; try again.")
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return Busy(f"Another program has been writing to {name} for {WAIT_S:g} s; try again.")
    if is_full(error, path):
        return DiskFull(f"The disk with {name} is full; nothing was changed. Make room and try again.")
    if isinstance(error, UnicodeError) or code.startswith(_DAMAGED) or _DAMAGED_WORDS.search(lower):
        way = copies.way_back(path) if path is not None else "PostgreSQL's own tools bring a dump of it back"
        return NotABook(f"{name} is damaged; {way}.")
    if code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")) or "read-only" in lower:
        return ReadOnly(f"{name} cannot be written; check its rights, or name another with --book.")
    first = said.splitlines()[0] if said else "no reason given"
    return BookError(f"The database of {name} refused: {first[:200]}.")


def is_full(error: BaseException | None, path: Path | None = None) -> bool:
    """Whether a fault comes from a disk, or a share of one, without room."""
    if isinstance(error, OSError):
        return error.errno in (errno.ENOSPC, errno.EDQUOT)
    code = str(getattr(error, "sqlite_errorname", None) or "")
    if code == "SQLITE_FULL" or getattr(error, "sqlstate", None) == "53100":
        return True
    if any(words in str(error).lower() for words in _FULL_WORDS):
        return True
    if code.startswith("SQLITE_IOERR") and path is not None:  # what lies beside the book could not grow
        with suppress(OSError):
            return shutil.disk_usage(path.parent).free < LEAST_ROOM
    return False
