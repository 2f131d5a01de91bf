"""An act may not turn a job that can be into one that cannot.

What cannot be is said by the job file's checks. They look at every equation; so of a big job only the settings are
looked at whose readings an act touched, where nothing else changed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from waywright.core.evidence.job import Job, JobError, Reading
from waywright.record.errors import NotABook
from waywright.record.state import Held, State

Validate = Callable[[Job], None]


def refuse_spoilt(validate: Validate, before: State, after: State, changed: Sequence[Held]) -> None:
    """Raise the `JobError` of the job after an act, unless the job was no better before.

    That leaves a way on where a newer version of Waywright checks more than the one that took the readings.
    """
    try:
        validate(_thinned(after, changed))
    except JobError:
        try:
            validate(before.job)
        except JobError:
            return
        raise


def told_of_damage(validate: Validate, state: State, changed: int | None, way_back: Callable[[], str]) -> str:
    """What to say of a job whose act `changed` is not as it was written; "" when every act is.

    Raises `NotABook` for a job that cannot be: as it stands here nobody looked at it before, and no page could show it.
    """
    act = f"act {changed} of it is not as it was written"
    try:
        validate(state.job)
    except JobError as error:
        why = f"as it was after act {state.number} it cannot be ({error.place or 'the job'}: {str(error).rstrip('.')})"
        why = why if changed is None else f"{act}, and {why}"
        raise NotABook(f"The job cannot be shown: {why}; {way_back()}.") from None
    if changed is None:
        return ""
    return f"Something changed the file of the book, {act}, so its numbers may be wrong; {way_back()}."


def _thinned(after: State, changed: Sequence[Held]) -> Job:
    """The job, or where only readings changed, the job with the settings they share and no more."""
    job = after.job
    if not all(isinstance(held.part, Reading) for held in changed):
        return job
    touched = {after.things[held.parent].ref.key for held in changed if held.parent is not None}
    shared = {setting.group for setting in job.settings if setting.id in touched}
    thin = replace(job, settings=tuple(s for s in job.settings if s.group in shared), passes=())
    ids = {reading.id for _, reading in thin.readings()}
    return thin if thin.corrected() <= ids else job
