"""Books for the tests: on SQLite always, on PostgreSQL where a server is installed."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from waywright import jobfile
from waywright.core.evidence.job import Job
from waywright.demo import shop
from waywright.record import Book


def ticking() -> Callable[[], datetime]:
    """A clock that begins on a winter's morning and goes on a second each time it is asked."""
    at = [datetime(2026, 1, 12, 8, 0, tzinfo=UTC)]

    def now() -> datetime:
        at[0] += timedelta(seconds=1)
        return at[0]

    return now


def _server_programs() -> Path | None:
    """The folder with PostgreSQL's initdb and postgres, newest first: Debian keeps it off the path."""
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name), reverse=True)
    found = shutil.which("initdb")
    folders += [Path(found).resolve().parent] if found else []
    return next((path for path in folders if (path / "initdb").exists() and (path / "postgres").exists()), None)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Callable[[], str]]:
    """A PostgreSQL of our own, for the session, on a socket in a folder of its own; gives the URL of an empty one."""
    programs = _server_programs()
    if programs is None:
        pytest.skip("There is no PostgreSQL to test the book on; on Debian: apt install postgresql")
    with tempfile.TemporaryDirectory(prefix="waywright-pg-") as folder:
        owner: dict[str, Any] = {"cwd": folder}
        if os.geteuid() == 0:  # the server refuses to run as root
            import pwd  # not everywhere

            names = {entry.pw_name for entry in pwd.getpwall()}
            user = pwd.getpwnam("postgres" if "postgres" in names else "nobody")
            os.chown(folder, user.pw_uid, user.pw_gid)
            owner |= {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
        data = ["-D", f"{folder}/data"]
        initdb = [programs / "initdb", *data, "-A", "trust", "-U", "waywright", "-E", "UTF8", "--no-sync"]
        subprocess.run(initdb, check=True, capture_output=True, timeout=120, **owner)
        with open(f"{folder}/server.log", "w") as log:
            command = [programs / "postgres", *data, "-c", "listen_addresses=", "-k", folder, "-F"]
            server = subprocess.Popen(command, stdout=log, stderr=log, **owner)
        try:
            yield _new_schemas(f"postgresql+psycopg://waywright@/postgres?host={folder}", server)
        finally:
            server.send_signal(signal.SIGQUIT)  # at once: nothing of it is kept
            server.wait(60)


def _new_schemas(address: str, server: subprocess.Popen[bytes]) -> Callable[[], str]:
    """What makes a new schema on the server, once it answers, and gives a URL that sees it alone."""
    engine = create_engine(address, isolation_level="AUTOCOMMIT", poolclass=NullPool)
    until = time.monotonic() + 60
    while True:
        try:
            engine.connect().close()
            break
        except DBAPIError:
            if server.poll() is not None or time.monotonic() > until:
                raise
            time.sleep(0.05)
    count = itertools.count(1)

    def new() -> str:
        name = f"book{next(count)}"
        with engine.connect() as connection:
            connection.execute(text(f"CREATE SCHEMA {name}"))
        return f"{address}&options=-csearch_path%3D{name}"

    return new


@pytest.fixture(params=["sqlite", "postgresql"])
def book(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Book]:
    """An empty book, in a file and on PostgreSQL."""
    where = tmp_path / "book.sqlite" if request.param == "sqlite" else request.getfixturevalue("postgres")()
    with Book.open(where, clock=ticking()) as opened:
        yield opened


@pytest.fixture(scope="session")
def three() -> Job:
    """The sample shop's job: three edges in both turns, and a level across."""
    return jobfile.loads(shop(), "three_edges.toml")
