"""The statements of the book. Each reads or writes rows of one job through an index: other jobs cost nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, ScalarSelect, Select, bindparam, insert, select
from sqlalchemy import Row as SqlRow

from waywright.record.errors import Missing, NotABook
from waywright.record.log import Act, Row
from waywright.record.parts import BodyError, Head
from waywright.record.state import EMPTY, HEAD, Held, State
from waywright.record.tables import acts as _acts
from waywright.record.tables import blobs as _blobs
from waywright.record.tables import jobs as _jobs
from waywright.record.tables import versions as _versions

_ACT = [column for column in _acts.c if column.name != "job_id"]
_VERSION = [_versions.c[name] for name in ("number", "thing", "sort", "parent", "position", "hidden", "body")]


MOST_JOBS = 2**31 - 1  # the largest number that both databases take; beyond it they have no answer but a fault


def uid(connection: Connection, job_id: int) -> str:
    """The uid of a job; raises `Missing`."""
    return _uid(connection, job_id, select(_jobs.c.uid))


def _uid(connection: Connection, job_id: int, asked: Select[tuple[str]]) -> str:
    if not 1 <= job_id <= MOST_JOBS:
        raise Missing("There is no job of that number in this book.")
    found = connection.execute(asked.where(_jobs.c.id == job_id)).scalar()
    if found is None:
        raise Missing(f"There is no job {job_id} in this book.")
    return str(found)


def job_of(connection: Connection, uid: str) -> int | None:
    """The job with a uid."""
    return connection.execute(select(_jobs.c.id).where(_jobs.c.uid == uid)).scalar()


def job_ids(connection: Connection) -> list[int]:
    """The number of every job."""
    return list(connection.execute(select(_jobs.c.id).order_by(_jobs.c.id)).scalars())


def is_empty(connection: Connection) -> bool:
    """Whether nothing was ever written."""
    return connection.execute(select(_jobs.c.id).limit(1)).scalar() is None


def lock(connection: Connection, job_id: int) -> str:
    """Let nobody else write to this job until the transaction ends (SQLite has locked the whole book).

    Returns its uid; raises `Missing`.
    """
    return _uid(connection, job_id, select(_jobs.c.uid).with_for_update())


def new_job(connection: Connection, uid: str) -> int:
    """A row for a new job; its number."""
    key = connection.execute(insert(_jobs).values(uid=uid)).inserted_primary_key
    assert key is not None
    return int(key[0])


def listed(connection: Connection) -> list[dict[str, Any]]:
    """Every job with its title, its first and its newest act."""
    first, head = _acts.c.number == 1, _versions.c.thing == HEAD
    found = connection.execute(
        select(
            _jobs.c.id,
            _jobs.c.uid,
            _newest(_acts.c.at, first).label("begun"),
            _newest(_acts.c.at).label("changed"),
            _newest(_acts.c.number).label("acts"),
            _newest(_versions.c.hidden, head).label("hidden"),
            _newest(_versions.c.body, head).label("body"),
        )
    )
    jobs = []
    for row in found.mappings():
        part = _held(Row(HEAD, "head", None, 0.0, row["hidden"], row["body"]), 0, row["id"]).part
        assert isinstance(part, Head)
        jobs.append({**{key: row[key] for key in row if key != "body"}, "title": part.title})
    return jobs


def _newest(column: Column[Any], *where: ColumnElement[bool]) -> ScalarSelect[Any]:
    """Of a job's rows the newest one's column. A subquery, not a join: one step into an index, in whatever plan."""
    rows = select(column).where(column.table.c.job_id == _jobs.c.id, *where)
    return rows.order_by(column.table.c.number.desc()).limit(1).correlate(_jobs).scalar_subquery()


def acts(connection: Connection, job_id: int, first: int = 1) -> list[Act]:
    """The acts on a job from number `first` on, in order."""
    where = (_acts.c.job_id == job_id, _acts.c.number >= first)
    found = connection.execute(select(*_ACT).where(*where).order_by(_acts.c.number))
    return [Act(**row._mapping) for row in found]


def state(connection: Connection, job_id: int, number: int, before: State = EMPTY) -> State:
    """The job after act `number`, read on from what it was `before`."""
    found = connection.execute(
        select(*_VERSION)
        .where(_versions.c.job_id == job_id, _versions.c.number > before.number, _versions.c.number <= number)
        .order_by(_versions.c.thing, _versions.c.number)
    )
    newest: dict[int, SqlRow[Any]] = {row.thing: row for row in found}  # the last of each thing stays
    written = (_held(_row(row), row.number, job_id) for row in newest.values())
    return replace(before.with_(written), number=number)


def written(connection: Connection, job_id: int, number: int) -> list[Held]:
    """The parts as an act wrote them, in order."""
    where = (_versions.c.job_id == job_id, _versions.c.number == number)
    found = connection.execute(select(*_VERSION).where(*where).order_by(_versions.c.thing))
    return [_held(_row(row), number, job_id) for row in found]


def all_written(connection: Connection, job_id: int) -> dict[int, list[Held]]:
    """The parts as each act wrote them, by its number."""
    return {number: [_held(row, number, job_id) for row in found] for number, found in rows(connection, job_id).items()}


def rows(connection: Connection, job_id: int) -> dict[int, list[Row]]:
    """Every version of a job by the number of the act that wrote it."""
    found: dict[int, list[Row]] = {}
    ordered = select(*_VERSION).where(_versions.c.job_id == job_id).order_by(_versions.c.number, _versions.c.thing)
    for row in connection.execute(ordered):
        found.setdefault(row.number, []).append(_row(row))
    return found


def add(connection: Connection, job_id: int, acts: Sequence[Act], versions: Mapping[int, Sequence[Row]]) -> None:
    """Write acts and the versions each wrote, by its number."""
    connection.execute(insert(_acts), [{"job_id": job_id, **vars(act)} for act in acts])
    rows = [{"job_id": job_id, "number": a.number, **vars(v)} for a in acts for v in versions.get(a.number, ())]
    if rows:
        connection.execute(insert(_versions), rows)


def blob(connection: Connection, digest: str) -> bytes:
    """The bytes of an attachment; raises `Missing`."""
    found = connection.execute(select(_blobs.c.data).where(_blobs.c.digest == digest)).scalar()
    if found is None:
        raise Missing("There is no such attachment in this book.")
    return bytes(found)


def add_blob(connection: Connection, digest: str, data: bytes) -> None:
    """Keep bytes, once."""
    known = select(_blobs.c.digest).where(_blobs.c.digest == bindparam("one"))
    if connection.execute(known, {"one": digest}).scalar() is None:
        connection.execute(insert(_blobs).values(digest=digest, size=len(data), data=data))


def _row(found: SqlRow[Any]) -> Row:
    return Row(found.thing, found.sort, found.parent, found.position, found.hidden, found.body)


def _held(row: Row, number: int, job_id: int) -> Held:
    try:
        return row.held(number)
    except BodyError as error:
        raise NotABook(f"Job {job_id} has a part that cannot be read: {error}; update Waywright.") from None
