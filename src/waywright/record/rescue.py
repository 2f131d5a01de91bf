"""What can still be had of a damaged book: which jobs are in it, and the rows of each as they are stored."""

from __future__ import annotations

import base64
import json
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Column, Connection, Table, exc, select, type_coerce
from sqlalchemy.types import NullType

from waywright.record import queries
from waywright.record.errors import BookError, Missing
from waywright.record.snapshot import Listed
from waywright.record.store import Store, plain_error
from waywright.record.tables import acts, blobs, jobs, versions

_DIGEST = re.compile(r'"digest":"([0-9a-f]{64})"')


def listed(store: Store) -> list[Listed]:
    """Every job, one by one: what cannot be read of one is told in its place. Raises what not even their list gives."""
    with store.reading() as connection:
        numbers = queries.job_ids(connection)
    found = []
    for job_id in numbers:
        try:
            with store.reading() as connection:
                found += [Listed(**row) for row in queries.listed(connection, job_id)]
        except BookError as error:
            found.append(Listed(job_id, "", f"Job {job_id}", "", "", 0, False, str(error)))
    return found


def lines(store: Store, job_id: int) -> Iterator[bytes]:
    """Every row of a job as JSON, one a line: {"table": ..., and its columns}; raises `Missing` before the first.

    Bytes are told as {"base64": ...}. Where reading stops a line says {"table": ..., "unread": why}.
    """
    if not 1 <= job_id <= queries.MOST_JOBS:
        raise Missing("There is no job of that number in this book.")
    with store.reading() as connection:
        if connection.execute(select(jobs.c.id).where(jobs.c.id == job_id)).scalar() is None:
            raise Missing(f"There is no job {job_id} in this book.")
    return _lines(store, job_id)


def _lines(store: Store, job_id: int) -> Iterator[bytes]:
    digests: dict[str, None] = {}
    for table in (jobs, acts, versions):
        own = jobs.c.id if table is jobs else table.c.job_id
        for row in _rows(store, table, own, job_id):
            if row.get("sort") == "attachment" and isinstance(row["body"], str):
                digests.update(dict.fromkeys(_DIGEST.findall(row["body"])))
            yield _line(row)
    for digest in digests:
        for row in _rows(store, blobs, blobs.c.digest, digest):
            yield _line(row)


def _rows(store: Store, table: Table, own: Column[Any], value: object) -> Iterator[dict[str, Any]]:
    """The rows of a table that are a job's own, in their order, up to where they cannot be read."""
    found, named = list[dict[str, Any]](), {"table": table.name}
    wanted = select(*(type_coerce(column, NullType()).label(column.name) for column in table.c)).where(own == value)
    try:
        with store.engine.connect() as connection, _any_text(connection):
            for row in connection.execute(wanted.order_by(*table.primary_key)):
                found.append(named | dict(row._mapping))
    except (exc.DBAPIError, sqlite3.Error, UnicodeDecodeError) as error:
        cause = error.orig if isinstance(error, exc.DBAPIError) else error
        found.append(named | {"unread": str(plain_error(cause, store.name))})
    yield from found


@contextmanager
def _any_text(connection: Connection) -> Iterator[None]:
    """Let SQLite give text that is none, its odd bytes as lone surrogates."""
    raw = connection.connection.driver_connection
    if not isinstance(raw, sqlite3.Connection):
        yield
        return
    raw.text_factory = lambda data: data.decode("utf-8", "surrogateescape")
    try:
        yield
    finally:
        raw.text_factory = str


def _line(row: dict[str, Any]) -> bytes:
    plain = {key: {"base64": base64.b64encode(v).decode()} if isinstance(v, bytes) else v for key, v in row.items()}
    return json.dumps(plain, ensure_ascii=True).encode("ascii") + b"\n"
