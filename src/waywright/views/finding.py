"""Where a job stands, and what is found of it, in a line."""

from __future__ import annotations

from waywright.core.evidence.job import Job
from waywright.views.numbers import plural


def stands_words(job: Job) -> str:
    """How much was read and cut so far: "129 readings, 1 pass"."""
    corrected = job.corrected()
    read = sum(reading.id not in corrected for setting in job.settings for reading in setting.readings)
    if not read:
        return "nothing read yet"
    return ", ".join([plural(read, "reading"), *([plural(len(job.passes), "pass", "passes")] if job.passes else [])])
