"""The book: every job, reading and change for ever. Nothing is overwritten; what is deleted is hidden.

    book = Book.open()                                   # the one in the data folder; Book.open("shop.sqlite")
    job_id = book.begin(Job(title="Three edges"))
    book.change(job_id, Add(piece), Add(setting))        # several edits, one act
    saved = book.append(job_id, setting_id, [reading], by=By(client="tab-1", sequence=1))
    opened = book.snapshot(job_id)                         # the job, the version of each part, what can be undone
    book.job(job_id, at=3)                               # as it was after act 3

One act is one transaction: all of it is kept, or nothing. Any thread may use a book, and any number of programs the
same file.
"""

from __future__ import annotations

import hashlib
import os
import re
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import IO

from sqlalchemy import Connection

from waywright.core.evidence.job import Job, Reading
from waywright.jobfile.checks import check
from waywright.record import bundle, integrity, queries, rescue
from waywright.record.cache import Cache, Past, sent_before
from waywright.record.carrying import carry_in, carry_out, job_in
from waywright.record.copies import Copy, daily, listed
from waywright.record.edits import Add, Append, Correct, Delete, Edit, Put, apply_all
from waywright.record.errors import BadBundle, BookError, Missing, NotABook, Refused, TooLarge
from waywright.record.integrity import LARGEST_ATTACHMENT, LONGEST_NAME, MEDIA_TYPE, wrong_part, wrong_time
from waywright.record.log import START, Act, Row, row_of
from waywright.record.parts import Attachment, BodyError, Item, Memo, Ref, text_of, to_plain
from waywright.record.photographs import placed
from waywright.record.snapshot import NOBODY, By, Done, Imported, Listed, Saved, Snapshot
from waywright.record.state import EMPTY, HEAD, Held, State
from waywright.record.store import Store, open_store
from waywright.record.undo import parts_of, taken_back, to_undo, undone
from waywright.record.unpack import is_zip
from waywright.record.validate import Validate, refuse_spoilt, told_of_damage

MOST_EDITS = 2_000  # readings and other parts in one act

Clock = Callable[[], datetime]


def _now() -> datetime:
    return datetime.now(UTC)


class Book:
    """An open book; see the module's text. `validate` raises `JobError` for a job that cannot be."""

    def __init__(self, store: Store, clock: Clock = _now, validate: Validate = check) -> None:
        self._store, self._clock, self._validate = store, clock, validate
        self._cache = Cache()
        self._copied: object = None  # the day of the last daily copy
        self.warning: str | None = None  # why today's copy could not be made; saving goes on

    @classmethod
    def open(
        cls,
        where: str | os.PathLike[str] | None = None,
        *,
        create: bool = True,
        clock: Clock = _now,
        validate: Validate = check,
    ) -> Book:
        """The book at `where`, a path or a PostgreSQL URL; None is the one in the platform's data folder.

        A new one is made unless `create` is False. Raises `Missing`, `NotABook`, `NewerBook` or `BookError`.
        """
        return cls(open_store(where, create=create), clock, validate)

    def close(self) -> None:
        """Let go of the file."""
        self._store.close()

    def __enter__(self) -> Book:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    @property
    def name(self) -> str:
        """Where it is, for people."""
        return self._store.name

    @property
    def path(self) -> Path | None:
        """Its file; None on PostgreSQL."""
        return self._store.path

    def copies(self) -> tuple[Copy, ...]:
        """Its copies, newest first."""
        return listed(self._store.path, self._clock()) if self._store.path is not None else ()

    # Reading

    def jobs(self, *, hidden: bool = False) -> tuple[Listed, ...]:
        """Every job, last changed first; deleted ones only when `hidden`. One that cannot be read has a `problem`."""
        try:
            with self._store.reading() as connection:
                found = [Listed(**row) for row in queries.listed(connection)]
        except NotABook:
            found = rescue.listed(self._store)
        wanted = (job for job in found if hidden or not job.hidden)
        return tuple(sorted(wanted, key=lambda job: (job.changed, job.id), reverse=True))

    def job(self, job_id: int, at: int | None = None) -> Job:
        """The job as it is, or as it was after act number `at`; raises `Missing`."""
        return self.snapshot(job_id, at).job

    def snapshot(self, job_id: int, at: int | None = None) -> Snapshot:
        """The job, now or after act number `at`, and all that is needed to change it; raises `Missing`."""
        with self._store.reading() as connection:
            uid = queries.uid(connection, job_id)
            past = self._cache.past(connection, job_id, uid)
            newest, state = past.newest.number, past.state
            number = newest if at is None else at
            if not 1 <= number <= newest:
                raise Missing(f"Job {job_id} has the acts 1 to {newest}; there is no act {number}.")
            if number < newest:
                state = queries.state(connection, job_id, number)
        damage = ""
        if past.changed is not None or number < newest:
            damage = told_of_damage(self._validate, state, past.changed, lambda: self._store.way_back(uid))
        acts = past.acts[:number]
        versions = {ref: held.number for ref, held in state.shown.items()}
        return Snapshot(
            id=job_id,
            uid=uid,
            number=number,
            newest=newest,
            job=state.job,
            versions=versions,
            attachments=state.attachments,
            memos=state.memos,
            hidden=state.things[HEAD].hidden,
            acts=acts,
            undone=undone(acts),
            about={h.ref.key: state.things[h.parent].ref for h in state.of(Attachment) if h.parent is not None},
            damage=damage,
        )

    def history(self, job_id: int) -> tuple[Done, ...]:
        """Every act on a job with the parts it wrote, in order; raises `Missing`."""
        with self._store.reading() as connection:
            queries.uid(connection, job_id)
            acts, written = queries.acts(connection, job_id), queries.all_written(connection, job_id)
        back = undone(acts)
        return tuple(
            Done(
                act,
                tuple(h.part for h in written.get(act.number, ()) if not h.hidden),
                tuple(h.part for h in written.get(act.number, ()) if h.hidden),
                act.number in back,
            )
            for act in acts
        )

    def attachment(self, digest: str) -> bytes:
        """The bytes of an attachment; raises `Missing`, and `NotABook` when they are not those that were kept."""
        with self._store.reading() as connection:
            return queries.blob(connection, digest)

    # Writing

    def begin(self, job: Job | None = None, by: By = NOBODY, uid: str | None = None) -> int:
        """A new job, empty or with all that is in `job`; returns its number. The same `uid` twice is one job.

        Raises `JobError` or `Refused` for what cannot be.
        """
        return self._begin(job or Job(), by, uid or uuid.uuid4().hex, "begin")

    def _begin(self, job: Job, by: By, uid: str, kind: str) -> int:
        if not re.fullmatch(r"[0-9a-f]{32}", uid):
            raise Refused("A job's uid is 32 hexadecimal digits.")
        self._store.refuse_read_only()
        self._validate(job)
        held = parts_of(job)
        self._copy_daily()
        with self._store.writing() as connection:
            known = queries.job_of(connection, uid)
            if known is not None:
                return known
            job_id = queries.new_job(connection, uid)
            rows, act = _rows(held), Act(1, kind, self._at(by), _who(by))
            queries.add(connection, job_id, [act.sealed(START, rows)], {1: rows})
            return job_id

    def change(self, job_id: int, *edits: Edit, by: By = NOBODY, kind: str | None = None) -> Saved:
        """Do several edits as one act; `kind` names it, else the first edit does.

        Raises `Conflict` where a part was changed meanwhile, `Missing` where it is not there, `Refused` or `JobError`
        for what cannot be, `OutOfOrder` and `NumberReused` for a client's numbers.
        """
        if not edits or sum(len(e.readings) if isinstance(e, Append) else 1 for e in edits) > MOST_EDITS:
            raise TooLarge(f"One act holds 1 to {MOST_EDITS} edits; save in several.")
        request = _request(*edits)
        kind = _one_line(kind or type(edits[0]).__name__.lower())
        return self._act(job_id, kind, lambda _, past: (apply_all(past.state, edits), None), by, request)

    def append(self, job_id: int, setting: str, readings: Iterable[Reading], by: By = NOBODY) -> Saved:
        """Add readings to the setting with the id `setting`; an empty id is filled in."""
        return self.change(job_id, Append(setting, tuple(readings)), by=by)

    def correct(self, job_id: int, reading: str, version: int, new: Reading, by: By = NOBODY) -> Saved:
        """`new` replaces the reading with the id `reading`, which is kept and no longer used."""
        return self.change(job_id, Correct(reading, version, new), by=by)

    def put(self, job_id: int, ref: Ref, version: int, part: Item, by: By = NOBODY) -> Saved:
        """Change a part other than a reading, or the head or goal of the job."""
        if isinstance(part, Reading):
            raise Refused("A reading is kept as it was typed; correct it instead.", ref)
        return self.change(job_id, Put(ref, version, part), by=by)

    def delete(self, job_id: int, ref: Ref, version: int, by: By = NOBODY) -> Saved:
        """Hide a part and what belongs to it; Ref("head") hides the whole job."""
        return self.change(job_id, Delete(ref, version), by=by)

    def attach(
        self,
        job_id: int,
        name: str,
        media_type: str,
        data: bytes,
        *,
        note: str | None = None,
        about: Ref | None = None,
        keep_place: bool = False,
        by: By = NOBODY,
    ) -> Saved:
        """Keep a photograph or paper with the job, without where it was taken unless `keep_place`.

        Raises `TooLarge` beyond 32 MB, and `PlaceStays` for one whose place cannot be taken out.
        """
        if len(data) > LARGEST_ATTACHMENT:
            raise TooLarge(f"{name} is larger than {LARGEST_ATTACHMENT // 1024**2} MB; attach a smaller picture of it.")
        if not MEDIA_TYPE.fullmatch(media_type):
            raise Refused(f"{media_type[:40]!r} is no media type; image/jpeg is one.")
        name = _one_line(name.replace("\\", "/").rsplit("/", 1)[-1])[:LONGEST_NAME] or "attachment"
        data, place = placed(data, name, keep=keep_place)
        digest = hashlib.sha256(data).hexdigest()
        edit = Add(Attachment("", name, media_type, len(data), digest, note, place), about=about)
        request = _request(edit)
        return self._act(
            job_id, "attach", lambda _, past: (apply_all(past.state, [edit]), None), by, request, {digest: data}
        )

    def undo(self, job_id: int, number: int | None = None, by: By = NOBODY) -> Saved:
        """Take back act `number`, or the newest not taken back yet; itself an act, that can be taken back.

        The first act is only taken back by its number: that hides the job, as deleting it does.
        Raises `Refused` when a later act changed the same parts: that one is to be undone first.
        """
        return self._take_back(job_id, number, by, again=False)

    def redo(self, job_id: int, by: By = NOBODY) -> Saved:
        """Take back the newest undoing, as long as nothing else was done after it."""
        return self._take_back(job_id, None, by, again=True)

    # In and out

    def export(self, job_id: int, file: IO[bytes]) -> None:
        """Write the whole job, its past and its attachments, into an open binary file: `import_` makes it again.

        The same job gives the same bytes. Raises `Missing`, `NotABook` for a job that is damaged, and `TooLarge` for
        more than one file takes.
        """
        with self._store.reading() as connection:
            uid = queries.uid(connection, job_id)
            carry_out(connection, job_id, uid, self._cache.past(connection, job_id, uid), file)

    def export_toml(self, job_id: int, at: int | None = None) -> str:
        """The job as a job file: as it stands, without its past and attachments."""
        return bundle.toml_of(self.job(job_id, at))

    def export_raw(self, job_id: int) -> Iterator[bytes]:
        """Every row of a job as the tables hold it, a line of JSON each, however damaged; raises `Missing`.

        What cannot be read of a table is told in a line of its own.
        """
        return rescue.lines(self._store, job_id)

    def import_(self, file: IO[bytes], name: str = "the file", by: By = NOBODY) -> Imported:
        """A job from an open binary file: one that `export` wrote, or a job file. No job that is here is changed.

        It runs every check that a typed job gets. An exported job that is here whole is known; one of which other acts
        are here, fewer or different ones, becomes a job of its own. Raises `BadBundle`, `TooLarge`, or the job file's
        `JobFileError`: the sentence says that it was not taken in, and why.
        """
        self._store.refuse_read_only()
        taken = f"{name} was not taken in"
        if is_zip(file):
            self._copy_daily()
            try:
                return carry_in(self._store, file, self._validate)
            except (BadBundle, TooLarge) as error:
                raise type(error)(_one_line(f"{taken}: {error}")) from None
        return Imported(self._begin(job_in(file, taken), by, uuid.uuid4().hex, "import"), 1, "new")

    def problems(self, progress: Callable[[int, int], None] | None = None) -> list[str]:
        """Everything wrong with the book, a sentence each; an empty list means that all is sound."""
        return integrity.problems(self._store, progress)

    # How

    def _take_back(self, job_id: int, number: int | None, by: By, *, again: bool) -> Saved:
        def step(connection: Connection, past: Past) -> tuple[State, int | None]:
            target = to_undo(past.acts, number, again=again)
            before = queries.state(connection, job_id, target - 1) if target > 1 else EMPTY
            return taken_back(past.state, target, before, queries.written(connection, job_id, target)), target

        return self._act(job_id, "undo", step, by, _request("undo", number, again))

    def _act(
        self,
        job_id: int,
        kind: str,
        step: Callable[[Connection, Past], tuple[State, int | None]],
        by: By,
        request: str,
        blobs: Mapping[str, bytes] | None = None,
    ) -> Saved:
        """One act, all of it or nothing. `step` gives the job after it, and the number of the act it takes back."""
        self._store.refuse_read_only()
        self._copy_daily()
        with self._store.writing() as connection:
            uid = queries.uid(connection, job_id, locked=True)
            past = self._cache.past(connection, job_id, uid)
            if (repeated := sent_before(connection, job_id, past, by, request)) is not None:
                return repeated
            newest, state = past.newest, past.state
            after, undoes = step(connection, past)
            changed = [held for held in after.things.values() if held is not state.things.get(held.thing)]
            if not changed and by.client is None:
                return Saved(newest.number, ())
            number, rows = newest.number + 1, _rows(changed)
            changed = [row.held(number) for row in rows]  # as it will be read again
            after = replace(state.with_(changed), number=number)
            refuse_spoilt(self._validate, state, after, changed)
            for digest, data in (blobs or {}).items():
                queries.add_blob(connection, digest, data)
            act = Act(number, kind[:16], self._at(by), _who(by), undoes, by.client, by.sequence)
            if by.client is not None:
                act = replace(act, request=request)
            act = act.sealed(newest.digest, rows)
            queries.add(connection, job_id, [act], {number: rows})
        self._cache.keep(uid, Past((*past.acts, act), after, past.changed))
        return Saved(number, tuple(held.ref for held in changed))

    def _at(self, by: By) -> str:
        at = by.at or self._clock()
        if at.tzinfo is None:
            raise Refused("A time without its time zone can be two moments; give one with.")
        told = at.astimezone(UTC).isoformat(timespec="microseconds")
        if wrong_time(told):
            raise Refused(f"The clock says {told[:10]}, which cannot be; set it.")
        return told

    def _copy_daily(self) -> None:
        """Before the first save of a day, a copy of the book as it was."""
        now = self._clock()
        day = now.astimezone(UTC).date()
        if self._store.path is not None and self._copied != day:
            with self._store.reading() as connection:
                empty = queries.is_empty(connection)
            self._copied = day
            try:
                if not empty:
                    daily(self._store.path, now)
                self.warning = None
            except (BookError, OSError) as error:  # a reading is not lost because its copy cannot be made
                self.warning = str(error) if isinstance(error, BookError) else f"No copy could be made: {error}."


def _who(by: By) -> str | None:
    return _one_line(by.who or "")[:100] or None


def _one_line(text: str) -> str:
    """The text without what no database or screen takes."""
    return re.sub(r"[\x00-\x1f\x7f\ud800-\udfff]+", " ", text).strip()


def _rows(changed: Iterable[Held]) -> list[Row]:
    """Parts as they are written; raises `Refused`."""
    changed = list(changed)
    for held in changed:
        if isinstance(held.part, Attachment | Memo) and (wrong := wrong_part(held.part)):
            raise Refused(f"This cannot be kept: {wrong}", held.ref)
    try:
        return [row_of(held) for held in changed]
    except BodyError as error:
        raise Refused(f"This cannot be kept: {error}.") from None


def _request(*things: object) -> str:
    """SHA-256 of what a client asks for."""
    try:
        plain = [[type(thing).__name__, to_plain(thing)] for thing in things]
    except BodyError as error:
        raise Refused(f"This cannot be kept: {error}.") from None
    return hashlib.sha256(text_of(plain).encode("ascii")).hexdigest()
