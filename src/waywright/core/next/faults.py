"""What to do when the readings do not fit together: where one setting typed wrong as a whole explains it, look that up;
else look for what is wrong with a setting, and take it anew.

More readings would be averaged with wrong ones, and metal taken on their strength cannot be put back. One place of a
setting taken anew checks nothing, since how it lies is new as well; from four places on it does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from waywright.core.evidence.findings import Act, Improvement, Misfit, Move, Report, Slip
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.kind import Candidate

ASK_MIN = 2.0  # to look it up; common practice, no source
PLACES = 4  # of a setting taken anew: two or three only tell how it lies


@dataclass(frozen=True, kw_only=True)
class FindFault(Move):
    """Look for what is wrong, as a `misfit` tells, and take `setting`, where one stands out, anew at `where_mm`.

    `gone`: its faces were cut since, so it cannot be taken anew; else `again` is what to take.
    """

    misfit: Misfit
    setting: Setting | None
    gone: bool
    again: Candidate | None = None


@dataclass(frozen=True, kw_only=True)
class AskPaper(Move):
    """Look at what was noted: was a setting as one of `slips` says?"""

    act: ClassVar[Act] = "ask"
    slips: tuple[Slip, ...]
    job: Job


def asked(job: Job, report: Report) -> Iterator[AskPaper]:
    """The question that a setting typed wrong as a whole, or one of several, asks for."""
    slips = report.fit.slips
    if slips:
        settings = {s.id: s for s in job.settings}
        faces = dict.fromkeys(name for slip in slips for name in settings[slip.setting].geometry.faces())
        gain = Improvement("disagreement of the readings", "", slips[0].chi2_before, slips[0].chi2_after)
        yield AskPaper(faces=tuple(faces), gain=gain, minutes=ASK_MIN, slips=slips, job=job)


def faults(job: Job, report: Report) -> Iterator[FindFault]:
    """What each misfit asks for, the most telling first."""
    for misfit in report.fit.misfits:
        setting = next((s for s in job.settings if s.id == misfit.setting), None)
        gone = misfit.setting in report.past
        kind = None if setting is None else setting.geometry
        missing = setting is not None and not job.to_be_had(job.instrument(setting))
        again = None if gone or missing else kind
        at = () if setting is None or gone or missing else _spread(setting)
        yield FindFault(
            again=None if setting is None or gone or missing else _taken_at(job, setting, at),
            faces=() if kind is None else kind.faces(),
            where_mm=at,
            gain=Improvement("scatter over what it should be", "", misfit.times, 1.0),
            minutes=0.0 if again is None else again.setting_up_min + PLACES * again.reading_min,
            misfit=misfit,
            setting=setting,
            gone=gone,
        )


def _taken_at(job: Job, setting: Setting, at_mm: tuple[float, ...]) -> Candidate:
    """The setting anew, read at those places along it."""
    kind = setting.geometry
    read = kind.to_read(setting.readings)
    some = [r for r in read if not at_mm or r.x_mm in at_mm or r.at_mm in at_mm]
    minutes = kind.setting_up_min + PLACES * kind.reading_min
    anew = replace(setting, readings=tuple(r for r in setting.readings if r in some or r not in read))
    return Candidate((anew,), minutes, job.instrument(setting))


def _spread(setting: Setting) -> tuple[float, ...]:
    """Four places along it, from end to end; fewer where it was read at fewer."""
    read = {p for r in setting.geometry.to_read(setting.readings) for p in (r.x_mm, r.at_mm) if p is not None}
    if not read:
        return ()
    at = np.unique(np.linspace(0, len(read) - 1, PLACES).round().astype(int))
    return tuple(np.array(sorted(read))[at].tolist())
