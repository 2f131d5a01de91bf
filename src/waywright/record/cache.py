"""What was read of each job before. A log only grows, so a job is what was known of it and what was written since.

Acts are chained by their digests: under the digest of its newest act a job is what it was, whoever has written since.
A book that was put back to an older copy has other digests, or fewer acts, and is read anew.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass

from sqlalchemy import Connection

from waywright.record import queries
from waywright.record.errors import NumberReused, OutOfOrder, Refused
from waywright.record.integrity import CLIENT
from waywright.record.log import Act, first_changed
from waywright.record.snapshot import By, Saved
from waywright.record.state import EMPTY, State

JOBS = 16  # kept in mind at once


@dataclass(frozen=True)
class Past:
    """Every act on a job, and the job after the last. `changed` is the first act that is not as it was written."""

    acts: tuple[Act, ...]
    state: State
    changed: int | None = None

    @property
    def newest(self) -> Act:
        """The last act."""
        return self.acts[-1]


class Cache:
    """The jobs read last, by their uids. Any thread may use it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[str, Past] = OrderedDict()

    def past(self, connection: Connection, job_id: int, uid: str) -> Past:
        """A job as it is now: only what was written since it was last read is read."""
        with self._lock:
            before = self._kept.get(uid)
        found = self._since(connection, job_id, before) or self._since(connection, job_id, None)
        assert found is not None
        self.keep(uid, found)
        return found

    def keep(self, uid: str, past: Past) -> None:
        """Remember a job as it is now in the book."""
        with self._lock:
            self._kept[uid] = past
            self._kept.move_to_end(uid)
            while len(self._kept) > JOBS:
                self._kept.popitem(last=False)

    def _since(self, connection: Connection, job_id: int, before: Past | None) -> Past | None:
        """The job, read on from `before`; None when that is not its past."""
        if before is None:
            since, before = queries.acts(connection, job_id), Past((), EMPTY)
        else:
            since = queries.acts(connection, job_id, before.newest.number)
            if since[:1] != [before.newest]:
                return None
            if len(since) == 1:
                return before
            since = since[1:]
        newest = since[-1].number
        rows = queries.rows(connection, job_id, before.state.number + 1, newest)
        changed = before.changed or first_changed(before.acts[-1:], since, rows)
        return Past((*before.acts, *since), queries.state_of(connection, job_id, newest, rows, before.state), changed)


def sent_before(connection: Connection, job_id: int, past: Past, by: By, request: str) -> Saved | None:
    """What was saved under this number of a client before; None when it is the client's next, or nobody numbers.

    Raises `NumberReused`, `OutOfOrder`, and `Refused` for what is no number of a client.
    """
    if by.client is None and by.sequence is None:
        return None
    if by.client is None or by.sequence is None or not CLIENT.fullmatch(by.client) or by.sequence < 1:
        raise Refused("A client that numbers gives its name, letters and digits, and a number from 1 on.")
    mine = {act.sequence or 0: act for act in past.acts if act.client == by.client}
    known, expected = mine.get(by.sequence), max(mine, default=0) + 1
    if known is not None:
        if known.request != request:
            raise NumberReused(f"Number {by.sequence} of {by.client} was stored with something else in it.")
        written = queries.written(connection, job_id, known.number)
        return Saved(known.number, tuple(held.ref for held in written), repeated=True)
    if by.sequence != expected:
        raise OutOfOrder(f"Number {by.sequence} of {by.client} comes before {expected}; send that first.", expected)
    return None
