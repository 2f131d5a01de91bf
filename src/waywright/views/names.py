"""How a person calls a setting or a reading: by how it lay and where it was read, never by its place in a file."""

from __future__ import annotations

from collections.abc import Iterable

from waywright.core.evidence.job import Job, Reading, Setting
from waywright.core.evidence.where import line, number
from waywright.units import Showing


def reading_words(setting: Setting, reading: Reading, shown: Showing) -> str:
    """ "Rowan on Alder, marks together, at 180 mm on the far line (y 14)"."""
    return ", ".join(filter(None, (setting.geometry.words(shown), place_words(reading, shown))))


def place_words(reading: Reading, shown: Showing) -> str:
    """ "at 180 mm on the far line (y 14)"; nothing of a reading without a place."""
    at = reading.x_mm if reading.x_mm is not None else reading.at_mm
    on = f" on {line(reading.y_mm, shown)}" if reading.y_mm else ""
    return "" if at is None else f"at {number(at, shown)} {shown.unit('mm')}{on}"


def readings_named(job: Job, ids: Iterable[str], shown: Showing) -> list[str]:
    """Readings of a job by their ids, each once; one that is not there keeps its id."""
    of = {r.id: (s, r) for s, r in job.readings()}
    return list(dict.fromkeys(reading_words(*of[one], shown) if one in of else one for one in ids))


def settings_named(job: Job, ids: Iterable[str], shown: Showing) -> list[str]:
    """Settings of a job by their ids; of several that lay alike, which."""
    said = [s.geometry.words(shown) for s in job.settings]
    number_of = {s.id: said[: i + 1].count(said[i]) for i, s in enumerate(job.settings)}
    words = {s.id: w for s, w in zip(job.settings, said, strict=True)}
    return [words[one] + (f", no. {number_of[one]}" if number_of[one] > 1 else "") for one in ids]
