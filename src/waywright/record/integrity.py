"""What must be true of a log, and of the whole book. Each thing wrong is one sentence; none means all is sound."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from sqlalchemy import Connection

from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Reading, Setting
from waywright.core.evidence.things import Instrument, Piece
from waywright.jobfile.fields import unfit_text
from waywright.jobfile.values import unfit, wrong_reading, wrong_values
from waywright.record import queries
from waywright.record.errors import BookError, Missing, NotABook
from waywright.record.log import START, Act, Row, digest_of
from waywright.record.parts import Attachment, BodyError, Head, Memo, Ref
from waywright.record.state import Held, State, lacks
from waywright.record.store import Store

_AT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}\+00:00")
CLIENT = re.compile(r"[A-Za-z0-9._:-]{1,64}")
MEDIA_TYPE = re.compile(r"[a-z0-9.+-]{1,64}/[a-z0-9.+-]{1,64}")
_LINE = re.compile(r"[^\x00-\x1f\x7f\ud800-\udfff]*")
_DIGEST = re.compile("[0-9a-f]{64}")
LONGEST_WHO, LONGEST_KIND, LONGEST_NAME = 100, 16, 200
FIRST_YEAR, LAST_YEAR = 1970, 2999  # a clock that says anything else is no clock
FARTHEST = 1e12  # places of parts among each other; they are counted in ones
LARGEST_ATTACHMENT = 32 * 1024 * 1024
NAMED = (Piece, Instrument, Head, Goal)  # what goes by its name, or is there once; all else has an id of its own


def problems(store: Store, progress: Callable[[int, int], None] | None = None) -> list[str]:
    """Everything wrong with a book, job by job; `progress` is told how many of how many jobs are done."""
    found: list[str] = []
    with store.reading() as connection:
        found += file_problems(connection)
        jobs = queries.job_ids(connection)
    for done, job_id in enumerate(jobs):
        if progress is not None:
            progress(done, len(jobs))
        try:
            with store.reading() as connection:
                found += [f"Job {job_id}: {sentence}" for sentence in _job_problems(connection, job_id)]
        except NotABook as error:
            found.append(f"Job {job_id}: {error}")
    return found


def file_problems(connection: Connection) -> Iterator[str]:
    """What SQLite itself finds wrong with the file."""
    if connection.dialect.name != "sqlite":
        return
    for (said,) in connection.exec_driver_sql("PRAGMA integrity_check").fetchall():
        if said != "ok":
            yield f"The file is damaged: {' '.join(str(said).split())}."
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if broken:
        yield f"{len(broken)} rows have lost what they belong to, the first in the table {broken[0][0]}."


def _job_problems(connection: Connection, job_id: int) -> Iterator[str]:
    acts, rows = queries.acts(connection, job_id), queries.rows(connection, job_id)
    log = Replay()
    for act in acts:
        if wrong := log.take(act, rows.pop(act.number, ())):
            yield from wrong
            break
    else:
        yield from log.wrong_at_the_end()
        if rows:
            yield f"there are parts of the act {min(rows)}, which is missing."
    for digest, size in sorted(log.attachments.items()):
        try:
            data = queries.blob(connection, digest)
        except Missing:
            yield f"the attachment {digest[:12]} is missing."
        except BookError:
            yield f"the attachment {digest[:12]} is not as it was written."
        else:
            if len(data) != size:
                yield f"the attachment {digest[:12]} is not as it was written."


class Replay:
    """A log taken act by act. What it cannot be is told at the first act that is wrong; none is to be taken behind it.

    `strict`: also whether each value can be what it is, as for what is typed today.
    """

    def __init__(self, *, strict: bool = False) -> None:
        self.strict = strict
        self.things: dict[int, Held] = {}  # every part, as the acts so far left it
        self.attachments: dict[str, int] = {}  # the size of each there ever was, by its digest
        self.acts: list[Act] = []
        self._sequences: dict[str, int] = {}
        self._ids: set[str] = set()
        self._named: dict[Ref, int] = {}  # the pieces and instruments to be seen
        self._readings: dict[int, list[int]] = {}  # of each setting

    @property
    def state(self) -> State:
        """The job after the last act."""
        return State(len(self.acts), dict(self.things))

    def take(self, act: Act, rows: Sequence[Row]) -> list[str]:
        """The next act; gives what is wrong with it, a sentence each."""
        before = self.acts[-1].digest if self.acts else START
        wrong = list(_act_problems(act, len(self.acts) + 1, self._sequences))
        if len({row.thing for row in rows}) != len(rows):
            wrong.append(f"act {act.number} writes one part twice.")
        try:
            if digest_of(before, act, rows) != act.digest:
                wrong.append(f"act {act.number} is not as it was written.")
            new = [row.held(act.number) for row in rows]
        except (BodyError, ValueError) as error:
            return [*wrong, f"act {act.number} has a part that cannot be read: {error}."]
        for held in sorted(new, key=lambda held: held.thing):
            wrong += self._part_problems(act, held)
            self._keep(held)
        if not wrong:
            wrong += [*self._named_twice(new), *self._fit_problems(act, new)]
        self.acts.append(act)
        return wrong

    def wrong_at_the_end(self) -> list[str]:
        """What is wrong with the job as a whole."""
        return [f"{sentence}." for sentence in lacks(self.state)] if self.acts else ["it has no acts."]

    def _keep(self, held: Held) -> None:
        was = self.things.get(held.thing)
        if was is not None and self._named.get(was.ref) == held.thing:
            del self._named[was.ref]
        if isinstance(held.part, Attachment):
            self.attachments[held.part.digest] = held.part.size
        elif was is None and isinstance(held.part, Reading) and held.parent is not None:
            self._readings.setdefault(held.parent, []).append(held.thing)
        if not isinstance(held.part, NAMED):
            self._ids.add(held.ref.key)
        self.things[held.thing] = held

    def _named_twice(self, new: Sequence[Held]) -> Iterator[str]:
        """Pieces and instruments that an act gave a name another has."""
        for held in new:
            seen = isinstance(held.part, Piece | Instrument) and not held.hidden
            if seen and self._named.setdefault(held.ref, held.thing) != held.thing:
                yield f"two things are called {held.ref}."

    def _part_problems(self, act: Act, held: Held) -> Iterator[str]:
        """What cannot be of one part, by itself and by what it was."""
        at, was, part = f"act {act.number}", self.things.get(held.thing), held.part
        due = len(self.things) + 1
        if was is None and held.thing != due:
            yield f"{at} makes the thing {held.thing} where {due} was due."
        if was is not None and (type(was.part) is not type(part) or was.parent != held.parent):
            yield f"{at} makes something else of the thing {held.thing}."
        elif was is not None and was.ref != held.ref and not isinstance(part, NAMED):
            yield f"{at} gives another id to {was.ref}."
        elif was is not None and isinstance(part, Reading) and part != was.part:
            yield f"{at} changes {was.ref}, which is kept as it was typed."
        if was is None and not isinstance(part, NAMED) and held.ref.key in self._ids:
            yield "two of its parts have the same id."
        if not abs(held.position) <= FARTHEST or str(held.position) == "-0.0":  # which no database keeps apart from 0
            yield f"{at} has a part without a place."
        belongs = isinstance(part, Reading | Attachment) and held.parent is not None and 1 <= held.parent < held.thing
        if held.parent is not None and not belongs:
            yield f"{at} has a part that belongs to nothing."
        if isinstance(part, Reading):
            if held.parent is None:
                yield f"{at} has a reading without a setting."
        elif self.strict and (sentence := wrong_part(part)):
            yield f"{at}: {sentence}"

    def _fit_problems(self, act: Act, new: Sequence[Held]) -> Iterator[str]:
        """How what an act wrote fits what is there."""
        if act.number == 1:
            yield from (f"{sentence}." for sentence in lacks(State(1, self.things)))
        for held in new:
            if isinstance(held.part, Reading) and held.parent is not None:
                parent = self.things.get(held.parent)
                if parent is None or not isinstance(parent.part, Setting):
                    yield f"{held.ref} belongs to no setting."
                elif wrong := next(wrong_reading(parent.part, held.part, strict=self.strict), None):
                    yield f"{held.ref}: {wrong[1]}"
            elif isinstance(held.part, Setting):
                yield from self._unfit_below(held.thing, held.part)
            elif isinstance(held.part, Goal) and held.hidden:
                yield "its goal is gone."

    def _unfit_below(self, thing: int, setting: Setting) -> Iterator[str]:
        entries = {entry.name: entry for entry in setting.geometry.entries}
        for below in self._readings.get(thing, ()):
            part = self.things[below].part
            assert isinstance(part, Reading)
            if part.entry not in entries or unfit(entries[part.entry], part):
                yield f"{self.things[below].ref} does not fit its setting."
                return


def wrong_part(part: object) -> str:
    """Why a part other than a reading cannot be kept, in a sentence; "" if it can."""
    if isinstance(part, Attachment):
        named = _LINE.fullmatch(part.name) and 0 < len(part.name) <= LONGEST_NAME
        if not named or not MEDIA_TYPE.fullmatch(part.media_type) or not _DIGEST.fullmatch(part.digest):
            return "An attachment has no name, type or checksum that can be."
        if part.place not in (None, "removed", "kept"):
            return "An attachment does not say what became of its place."
        if not 0 <= part.size <= LARGEST_ATTACHMENT:
            return "An attachment is larger than any."
        return unfit_text(part.id, "id") or (unfit_text(part.note, "note") if part.note is not None else "")
    if isinstance(part, Memo):
        return unfit_text(part.id, "id") or unfit_text(part.text, "note")
    return next((f"{key}: {sentence}" for key, sentence in wrong_values(part)), "")


def wrong_time(at: str) -> bool:
    """Whether no act can have been done then."""
    if not _AT.fullmatch(at):
        return True
    try:
        return not FIRST_YEAR <= datetime.fromisoformat(at).year <= LAST_YEAR
    except ValueError:
        return True


def _act_problems(act: Act, expected: int, sequences: dict[str, int]) -> Iterator[str]:
    if act.number != expected:
        yield f"act {expected} is missing."
    if wrong_time(act.at):
        yield f"act {act.number} has no time that can be."
    if len(act.kind) > LONGEST_KIND or not _LINE.fullmatch(act.kind):
        yield f"act {act.number} is of no kind."
    if act.who is not None and (len(act.who) > LONGEST_WHO or not _LINE.fullmatch(act.who)):
        yield f"act {act.number} has a name that cannot be kept."
    if act.undoes is not None and not 1 <= act.undoes < act.number:
        yield f"act {act.number} undoes act {act.undoes}, which does not come before it."
    if (act.client is None) != (act.sequence is None) or (act.client is None) != (act.request is None):
        yield f"act {act.number} is only half numbered."
    elif act.client is not None and act.sequence is not None:
        if not CLIENT.fullmatch(act.client) or not _DIGEST.fullmatch(act.request or ""):
            yield f"act {act.number} comes from no client."
        due = sequences.get(act.client, 0) + 1
        if act.sequence != due:
            yield f"act {act.number} is number {act.sequence} of {act.client} where {due} was due."
        sequences[act.client] = act.sequence
