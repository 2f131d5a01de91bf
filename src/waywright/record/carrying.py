"""How a job leaves a book, and comes into one: looked at as everything typed is, then taken in whole or not at all."""

from __future__ import annotations

import itertools
import uuid
from typing import IO

from sqlalchemy import Connection

from waywright import jobfile
from waywright.core.evidence.job import Job, JobError
from waywright.record import bundle, queries
from waywright.record.cache import Past
from waywright.record.errors import BadBundle, TooLarge, Unreadable
from waywright.record.integrity import Replay
from waywright.record.snapshot import Imported
from waywright.record.state import HEAD
from waywright.record.store import Store
from waywright.record.unpack import Reader
from waywright.record.validate import Validate


def carry_out(connection: Connection, job_id: int, uid: str, past: Past, file: IO[bytes]) -> None:
    """A job into an open binary file; raises `Unreadable` for one that no book would take in, and `TooLarge`."""
    if past.changed is not None:
        raise Unreadable(f"Job {job_id} is damaged: act {past.changed} is not as it was written", uid)
    source = bundle.Source(
        uid,
        past.newest.at,
        lambda: queries.log_of(connection, job_id, past.acts),
        lambda digest: queries.blob(connection, digest),
    )
    bundle.write(file, source, past.state.job)


def job_in(file: IO[bytes], name: str) -> Job:
    """The job in a job file; raises `TooLarge` or `JobFileError`, that call the file `name`."""
    data = file.read(bundle.LARGEST[bundle.JOB] + 1)
    if len(data) > bundle.LARGEST[bundle.JOB]:
        raise TooLarge(f"{name}: it is larger than any job file.")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        raise jobfile.JobFileError(f"{name}: it is neither an exported job nor text in UTF-8.") from None
    return jobfile.loads(text, name)


def carry_in(store: Store, file: IO[bytes], validate: Validate) -> Imported:
    """The job in an exported file. No job that is here is changed by it, whatever the file says of itself.

    One whose every act is here already is known. One that has the name of a job here and other acts, more or different
    ones, becomes a job of its own. Raises `BadBundle` or `TooLarge` with a clause.
    """
    found = Reader(file)
    log = checked(found, validate)
    with store.writing() as connection:
        for job_id in queries.jobs_with(connection, log.acts[-1].digest):
            if not queries.listed(connection, job_id)[0]["hidden"]:
                return Imported(job_id, 0, "known")
        how, uid = ("new", found.uid) if queries.job_of(connection, found.uid) is None else ("copied", uuid.uuid4().hex)
        job_id = queries.new_job(connection, uid)
        for digest, size in log.attachments.items():
            queries.add_blob(connection, digest, found.blob(digest, size))
        acts = found.acts()
        while some := dict(itertools.islice(acts, queries.AT_ONCE)):
            queries.add(connection, job_id, list(some), {act.number: rows for act, rows in some.items()})
        return Imported(job_id, len(log.acts), how)


def checked(found: Reader, validate: Validate) -> Replay:
    """The log of a file, every act and the job at its end looked at; raises `BadBundle` or `TooLarge` with a clause."""
    log = Replay(strict=True)
    for act, rows in found.acts():
        if wrong := log.take(act, rows):
            raise BadBundle(f"it is damaged: {wrong[0]}")
    found.check(log.attachments)
    if wrong := log.wrong_at_the_end():
        raise BadBundle(f"it is damaged: {wrong[0]}")
    state = log.state
    if state.things[HEAD].hidden:
        raise BadBundle("the job in it was deleted; take that back where it came from, and export it again.")
    try:
        validate(state.job)
    except JobError as error:
        raise BadBundle(f"{error.place}: {error}" if error.place else str(error)) from None
    return log
