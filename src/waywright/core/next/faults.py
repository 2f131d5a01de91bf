"""What to do when the readings do not fit together: look for what is wrong with a setting as a whole, take it anew.

More readings would be averaged with wrong ones, and metal taken on their strength cannot be put back. One place of a
setting taken anew checks nothing, since how it lies is new as well; from four places on it does.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from waywright.core.evidence.findings import Misfit, Move, Report
from waywright.core.evidence.job import Job, Kind, Setting

PLACES = 4  # of a setting taken anew: two or three only tell how it lies
WRONG = "turn, offset, the end it was read from, unit, blocks, dirt, warmth"


def faults(job: Job, report: Report) -> Iterator[Move]:
    """What each misfit asks for, the most telling first."""
    for misfit in report.fit.misfits:
        setting = next((s for s in job.settings if s.id == misfit.setting), None)
        yield _asked(misfit, setting, gone=misfit.setting in report.past)


def _asked(misfit: Misfit, setting: Setting | None, *, gone: bool) -> Move:
    """`gone`: the faces were cut since, and cannot be read again as they were."""
    reason = f"{misfit.words}; until the fault is found no verdict stands"
    gain = {"what": "scatter over what it should be", "from": misfit.times, "to": 1.0}
    if setting is None:
        return Move("measure", (), (), _look(misfit, None), reason, gain, 0.0)
    geometry = setting.geometry
    if gone:
        how = f"{_look(misfit, geometry)}; else leave it out, for its faces were cut since and it cannot be taken anew"
        return Move("measure", geometry.faces(), (), how, reason, gain, 0.0)
    at = _spread(setting)
    said = f", say {', '.join(f'{p:g}' for p in at[:-1])} and {at[-1]:g}" if len(at) == PLACES else ""
    it = "it" if misfit.what == "setting" else f"{geometry.words()},"
    how = (
        f"{_look(misfit, geometry)}; then take {it} anew as a setting of its own, at four places or more{said}, "
        "and leave out the old one if they differ"
    )
    minutes = geometry.setting_up_min + PLACES * geometry.reading_min
    return Move("measure", geometry.faces(), at, how, reason, gain, minutes)


def _look(misfit: Misfit, geometry: Kind | None) -> str:
    """What may be wrong, before anything is read."""
    if misfit.what == "setting" and geometry is not None:
        return f"look for what is wrong with {geometry.words()}, as a whole: {WRONG}"
    of = f" for {misfit.name}" if misfit.name else ""
    return f"check what is claimed{of}, and each setting: {WRONG}"


def _spread(setting: Setting) -> tuple[float, ...]:
    """Four places along it, from end to end; fewer where it was read at fewer."""
    read = {p for r in setting.geometry.to_read(setting.readings) for p in (r.x_mm, r.at_mm) if p is not None}
    if not read:
        return ()
    at = np.unique(np.linspace(0, len(read) - 1, PLACES).round().astype(int))
    return tuple(np.array(sorted(read))[at].tolist())
