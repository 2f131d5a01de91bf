"""What must be true of a log, and of the whole book. Each thing wrong is one sentence; none means all is sound."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence

from sqlalchemy import Connection

from waywright.core.evidence import Reading, Setting
from waywright.record import queries
from waywright.record.edits import refuse_unfit
from waywright.record.errors import BookError, Refused
from waywright.record.log import START, Act, Row, digest_of
from waywright.record.parts import SORTS, Attachment, BodyError
from waywright.record.state import GOAL, HEAD, Held, State
from waywright.record.store import Store

_AT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}\+00:00")
CLIENT = re.compile(r"[A-Za-z0-9._:-]{1,64}")
_LINE = re.compile(r"[^\x00-\x1f\x7f\ud800-\udfff]*")
LONGEST_WHO, LONGEST_KIND = 100, 16


def problems(store: Store, progress: Callable[[int, int], None] | None = None) -> list[str]:
    """Everything wrong with a book, job by job; `progress` is told how many of how many jobs are done."""
    found: list[str] = []
    with store.reading() as connection:
        found += file_problems(connection)
        jobs = queries.job_ids(connection)
    for done, job_id in enumerate(jobs):
        if progress is not None:
            progress(done, len(jobs))
        with store.reading() as connection:
            try:
                acts, rows = queries.acts(connection, job_id), queries.rows(connection, job_id)
            except BookError as error:
                found.append(f"Job {job_id}: {error}")
                continue
            held, wrong = replayed(acts, rows)
            found += [f"Job {job_id}: {sentence}" for sentence in wrong]
            found += [f"Job {job_id}: {sentence}" for sentence in _blob_problems(connection, held)]
    return found


def file_problems(connection: Connection) -> Iterator[str]:
    """What SQLite itself finds wrong with the file."""
    if connection.dialect.name != "sqlite":
        return
    for (said,) in connection.exec_driver_sql("PRAGMA integrity_check").fetchall():
        if said != "ok":
            yield f"The file is damaged: {said}."
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if broken:
        yield f"{len(broken)} rows have lost what they belong to, the first in the table {broken[0][0]}."


def replayed(acts: Sequence[Act], rows: Mapping[int, Sequence[Row]]) -> tuple[list[Held], list[str]]:
    """Every version of every part of a job, and what is wrong with its log; stops at an act that cannot be read."""
    everything: list[Held] = []
    things: dict[int, Held] = {}
    before, sequences = START, dict[str, int]()
    for expected, act in enumerate(acts, 1):
        written = rows.get(act.number, ())
        wrong = list(_act_problems(act, expected, sequences))
        if digest_of(before, act, written) != act.digest:
            wrong.append(f"act {act.number} is not as it was written.")
        try:
            new = [row.held(act.number) for row in written]
        except BodyError as error:
            return everything, [*wrong, f"act {act.number} has a part that cannot be read: {error}."]
        wrong += _thing_problems(act, new, things)
        if wrong:
            return everything, wrong
        things.update({held.thing: held for held in new})
        everything += new
        before = act.digest
    extra = set(rows) - {act.number for act in acts}
    wrong = [f"there are parts of the act {min(extra)}, which is missing."] if extra else []
    return everything, wrong + list(_state_problems(State(len(acts), things)))


def _act_problems(act: Act, expected: int, sequences: dict[str, int]) -> Iterator[str]:
    if act.number != expected:
        yield f"act {expected} is missing."
    if not _AT.fullmatch(act.at):
        yield f"act {act.number} has no time."
    if len(act.kind) > LONGEST_KIND or not _LINE.fullmatch(act.kind):
        yield f"act {act.number} is of no kind."
    if act.who is not None and (len(act.who) > LONGEST_WHO or not _LINE.fullmatch(act.who)):
        yield f"act {act.number} has a name that cannot be kept."
    if act.undoes is not None and not 1 <= act.undoes < act.number:
        yield f"act {act.number} undoes act {act.undoes}, which does not come before it."
    if (act.client is None) != (act.sequence is None) or (act.client is None) != (act.request is None):
        yield f"act {act.number} is only half numbered."
    elif act.client is not None and act.sequence is not None:
        if not CLIENT.fullmatch(act.client) or not re.fullmatch("[0-9a-f]{64}", act.request or ""):
            yield f"act {act.number} comes from no client."
        due = sequences.get(act.client, 0) + 1
        if act.sequence != due:
            yield f"act {act.number} is number {act.sequence} of {act.client} where {due} was due."
        sequences[act.client] = act.sequence


def _thing_problems(act: Act, new: Sequence[Held], things: Mapping[int, Held]) -> Iterator[str]:
    due = max(things, default=0) + 1
    for held in sorted(new, key=lambda held: held.thing):
        was = things.get(held.thing)
        if was is None:
            if held.thing != due:
                yield f"act {act.number} makes the thing {held.thing} where {due} was due."
            due = held.thing + 1
        elif type(was.part) is not type(held.part) or was.parent != held.parent:
            yield f"act {act.number} makes something else of the thing {held.thing}."
        if not math.isfinite(held.position):
            yield f"act {act.number} has a part without a place."
        if held.parent is not None and not 1 <= held.parent < held.thing:
            yield f"act {act.number} has a part that belongs to nothing."
        if isinstance(held.part, Reading) and held.parent is None:
            yield f"act {act.number} has a reading without a setting."


def _state_problems(state: State) -> Iterator[str]:
    """What is wrong with the job as it stands at the end."""
    sorts = [SORTS["head"], SORTS["goal"]]
    if [type(state.things[thing].part) for thing in (HEAD, GOAL) if thing in state.things] != sorts:
        yield "it does not begin as a job does."
        return
    ids = [held.ref for held in state.things.values() if held.ref.sort in ("setting", "reading", "pass")]
    if len({ref.key for ref in ids}) != len(ids):
        yield "two of its parts have the same id."
    for held in state.things.values():
        if not isinstance(held.part, Reading) or held.parent is None:
            continue
        setting = state.things[held.parent].part
        try:
            if not isinstance(setting, Setting):
                yield f"{held.ref} belongs to no setting."
                return
            refuse_unfit(setting, held.part)
        except Refused as error:
            yield str(error)


def _blob_problems(connection: Connection, held: Sequence[Held]) -> Iterator[str]:
    for digest, size in sorted({(h.part.digest, h.part.size) for h in held if isinstance(h.part, Attachment)}):
        try:
            data = queries.blob(connection, digest)
        except BookError:
            yield f"the attachment {digest[:12]} is missing."
            continue
        if len(data) != size or hashlib.sha256(data).hexdigest() != digest:
            yield f"the attachment {digest[:12]} is not as it was written."
