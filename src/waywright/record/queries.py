"""The statements of the book. Each reads or writes rows of one job through an index: other jobs cost nothing."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, ScalarSelect, bindparam, exc, insert, select

from waywright.record.errors import Missing, Unreadable
from waywright.record.log import Act, Row, act_alone, row_from
from waywright.record.parts import BodyError, Head
from waywright.record.state import EMPTY, HEAD, Held, State, lacks
from waywright.record.tables import acts as _acts
from waywright.record.tables import blobs as _blobs
from waywright.record.tables import jobs as _jobs
from waywright.record.tables import versions as _versions

AT_ONCE = 500  # acts read or written in one go
_ACT = [column for column in _acts.c if column.name != "job_id"]
_VERSION = [_versions.c[name] for name in ("number", "thing", "sort", "parent", "position", "hidden", "body")]


MOST_JOBS = 2**31 - 1  # the largest number that both databases take; beyond it they have no answer but a fault


def uid(connection: Connection, job_id: int, *, locked: bool = False) -> str:
    """The uid of a job; with `locked` nobody else writes to it until the transaction ends (SQLite has locked the whole
    book). Raises `Missing` or `Unreadable`."""
    if not 1 <= job_id <= MOST_JOBS:
        raise Missing("There is no job of that number in this book.")
    wanted = select(_jobs.c.uid).where(_jobs.c.id == job_id)
    found = connection.execute(wanted.with_for_update() if locked else wanted).scalar()
    if found is None:
        raise Missing(f"There is no job {job_id} in this book.")
    if not isinstance(found, str):
        raise Unreadable(f"Job {job_id} cannot be read: its name is lost")
    return found


def job_of(connection: Connection, uid: str) -> int | None:
    """The job with a uid."""
    return connection.execute(select(_jobs.c.id).where(_jobs.c.uid == uid)).scalar()


def job_ids(connection: Connection) -> list[int]:
    """The number of every job."""
    return list(connection.execute(select(_jobs.c.id).order_by(_jobs.c.id)).scalars())


def is_empty(connection: Connection) -> bool:
    """Whether nothing was ever written."""
    return connection.execute(select(_jobs.c.id).limit(1)).scalar() is None


def new_job(connection: Connection, uid: str) -> int:
    """A row for a new job; its number."""
    key = connection.execute(insert(_jobs).values(uid=uid)).inserted_primary_key
    assert key is not None
    return int(key[0])


def listed(connection: Connection, job_id: int | None = None) -> list[dict[str, Any]]:
    """Every job, or one, with its title, its first and its newest act; raises `Unreadable`."""
    first, head = _acts.c.number == 1, _versions.c.thing == HEAD
    wanted = select(
        _jobs.c.id,
        _jobs.c.uid,
        _newest(_acts.c.at, first).label("begun"),
        _newest(_acts.c.at).label("changed"),
        _newest(_acts.c.number).label("acts"),
        _newest(_versions.c.hidden, head).label("hidden"),
        _newest(_versions.c.body, head).label("body"),
    )
    found = connection.execute(wanted if job_id is None else wanted.where(_jobs.c.id == job_id))
    jobs = []
    for row in found.mappings():
        with _readable(connection, row["id"]):
            part = row_from(_HEAD | {"hidden": row["hidden"], "body": row["body"]}).held(0).part
            told = [type(row[key]) for key in ("uid", "begun", "changed", "acts")]
            if not isinstance(part, Head) or told != [str, str, str, int]:
                raise ValueError("its first act is lost")
        jobs.append({**{key: row[key] for key in row if key != "body"}, "title": part.title})
    return jobs


_HEAD = {"thing": HEAD, "sort": "head", "parent": None, "position": 0.0}


@contextmanager
def _readable(connection: Connection, job_id: int) -> Iterator[None]:
    """Around what is made of a job's rows and nothing else: a damaged book may hold anything in any column."""
    try:
        yield
    except BodyError as error:
        why = f"{error}; a newer version of Waywright may have written it, else it is damaged"
    except (ValueError, TypeError) as error:
        why = f"{error}"[:100]
    else:
        return
    known = None
    with suppress(exc.SQLAlchemyError, UnicodeDecodeError):
        known = connection.execute(select(_jobs.c.uid).where(_jobs.c.id == job_id)).scalar()
    raise Unreadable(f"Job {job_id} cannot be read: {why}", known if isinstance(known, str) else None)


def _newest(column: Column[Any], *where: ColumnElement[bool]) -> ScalarSelect[Any]:
    """Of a job's rows the newest one's column. A subquery, not a join: one step into an index, in whatever plan."""
    rows = select(column).where(column.table.c.job_id == _jobs.c.id, *where)
    return rows.order_by(column.table.c.number.desc()).limit(1).correlate(_jobs).scalar_subquery()


def acts(connection: Connection, job_id: int, first: int = 1) -> list[Act]:
    """The acts on a job from number `first` on, in order; raises `Unreadable`."""
    where = (_acts.c.job_id == job_id, _acts.c.number >= first)
    with _readable(connection, job_id):
        found = connection.execute(select(*_ACT).where(*where).order_by(_acts.c.number))
        every = [act_alone(dict(row._mapping)) for row in found]
        if not every and first == 1:
            raise ValueError("its acts are lost")
        return every


def state(connection: Connection, job_id: int, number: int, before: State = EMPTY) -> State:
    """The job after act `number`, read on from what it was `before`; raises `Unreadable`."""
    return state_of(connection, job_id, number, rows(connection, job_id, before.number + 1, number), before)


def state_of(
    connection: Connection, job_id: int, number: int, rows: Mapping[int, Sequence[Row]], before: State = EMPTY
) -> State:
    """The job after act `number`, of what was written up to then and what it was `before`; raises `Unreadable`."""
    newest = {row.thing: (written, row) for written in sorted(rows) for row in rows[written]}
    with _readable(connection, job_id):
        found = replace(before.with_(row.held(written) for written, row in newest.values()), number=number)
        if wrong := next(iter(lacks(found)), None):
            raise ValueError(wrong)
        return found


def written(connection: Connection, job_id: int, number: int) -> list[Held]:
    """The parts as an act wrote them, in order; raises `Unreadable`."""
    with _readable(connection, job_id):
        return [row.held(number) for row in rows(connection, job_id, number, number).get(number, [])]


def all_written(connection: Connection, job_id: int) -> dict[int, list[Held]]:
    """The parts as each act wrote them, by its number; raises `Unreadable`."""
    with _readable(connection, job_id):
        found = rows(connection, job_id)
        return {number: [row.held(number) for row in written] for number, written in found.items()}


def rows(connection: Connection, job_id: int, first: int = 1, last: int | None = None) -> dict[int, list[Row]]:
    """The versions that the acts from `first` to `last` wrote, by the number of the act; raises `Unreadable`."""
    where = [_versions.c.job_id == job_id, _versions.c.number >= first]
    if last is not None:
        where.append(_versions.c.number <= last)
    found: dict[int, list[Row]] = {}
    with _readable(connection, job_id):
        for row in connection.execute(select(*_VERSION).where(*where).order_by(_versions.c.number, _versions.c.thing)):
            plain = dict(row._mapping)
            found.setdefault(int(plain.pop("number")), []).append(row_from(plain))
    return found


def log_of(connection: Connection, job_id: int, acts: Sequence[Act]) -> Iterator[tuple[Act, list[Row]]]:
    """Acts on a job with the versions each wrote, read some hundreds at a time; raises `Unreadable`."""
    for at in range(0, len(acts), AT_ONCE):
        some = acts[at : at + AT_ONCE]
        found = rows(connection, job_id, some[0].number, some[-1].number)
        for act in some:
            yield act, found.get(act.number, [])


def jobs_with(connection: Connection, digest: str) -> list[int]:
    """The jobs in which an act has this digest: each holds all that led to it, whatever came after."""
    return list(connection.execute(select(_acts.c.job_id).where(_acts.c.digest == digest)).scalars())


def add(connection: Connection, job_id: int, acts: Sequence[Act], versions: Mapping[int, Sequence[Row]]) -> None:
    """Write acts and the versions each wrote, by its number."""
    connection.execute(insert(_acts), [{"job_id": job_id, **vars(act)} for act in acts])
    rows = [{"job_id": job_id, "number": a.number, **vars(v)} for a in acts for v in versions.get(a.number, ())]
    if rows:
        connection.execute(insert(_versions), rows)


def blob(connection: Connection, digest: str) -> bytes:
    """The bytes of an attachment, the same as when it was kept; raises `Missing` or `Unreadable`."""
    found = connection.execute(select(_blobs.c.data).where(_blobs.c.digest == digest)).scalar()
    if found is None:
        raise Missing("There is no such attachment in this book.")
    data = found.encode("utf-8", "surrogateescape") if isinstance(found, str) else bytes(found)
    if hashlib.sha256(data).hexdigest() != digest:
        raise Unreadable(f"The attachment {digest[:12]} is not as it was kept, so it is not shown")
    return data


def add_blob(connection: Connection, digest: str, data: bytes) -> None:
    """Keep bytes, once."""
    known = select(_blobs.c.digest).where(_blobs.c.digest == bindparam("one"))
    if connection.execute(known, {"one": digest}).scalar() is None:
        connection.execute(insert(_blobs).values(digest=digest, size=len(data), data=data))
