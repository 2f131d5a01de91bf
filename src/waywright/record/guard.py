"""An act may not turn a job that can be into one that cannot.

What cannot be is said by the job file's checks. They look at every equation; so of a big job only the settings are
looked at whose readings an act touched, where nothing else changed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from waywright.core.evidence import Job, JobError, Reading
from waywright.record.state import Held, State

Guard = Callable[[Job], None]


def refuse_spoilt(guard: Guard, before: State, after: State, changed: Sequence[Held]) -> None:
    """Raise the `JobError` of the job after an act, unless the job was no better before.

    That leaves a way on where a newer version of Waywright checks more than the one that took the readings.
    """
    try:
        guard(_thinned(after, changed))
    except JobError:
        try:
            guard(before.job)
        except JobError:
            return
        raise


def _thinned(after: State, changed: Sequence[Held]) -> Job:
    """The job, or where only readings changed, the job with the settings they share and no more."""
    job = after.job
    if not all(isinstance(held.part, Reading) for held in changed):
        return job
    touched = {after.things[held.parent].ref.key for held in changed if held.parent is not None}
    shared = {setting.shared for setting in job.settings if setting.id in touched}
    thin = replace(job, settings=tuple(s for s in job.settings if s.shared in shared), passes=())
    ids = {reading.id for _, reading in thin.readings()}
    return thin if thin.corrected() <= ids else job
