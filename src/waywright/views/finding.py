"""Where a job stands, and what is found of its faces, in a line: the heading of its page."""

from __future__ import annotations

from collections.abc import Sequence

from waywright.core.evidence.job import Job
from waywright.views.numbers import listed, plural, sentence
from waywright.views.verdict_lines import VerdictLine

COUNTS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
MOST_NAMED = 3  # faces that are named in a heading


def stands_words(job: Job) -> str:
    """How much was read and cut so far: "129 readings, 1 pass"."""
    corrected = job.corrected()
    read = sum(reading.id not in corrected for setting in job.settings for reading in setting.readings)
    if not read:
        return "nothing read yet"
    return ", ".join([plural(read, "reading"), *([plural(len(job.passes), "pass", "passes")] if job.passes else [])])


def begin_words(job: Job, problem: str = "") -> str:
    """What to do while nothing is told yet; `problem`: why not, where something was read."""
    if problem and any(s.readings for s in job.settings):
        return problem
    if not job.pieces:
        return "Name the pieces first: what is on the bench?"
    if not job.settings:
        return "Lay two faces on each other, and read the gap."
    return "Type the first readings: open a setting below."


def finding_words(verdicts: Sequence[VerdictLine], misfits: bool = False) -> str:
    """Which faces are true enough, which are not, of which that cannot be told: "Two of three are true enough. Birch is
    not." Nothing where no face has a limit. With `misfits` no verdict stands."""
    if misfits:
        return "The readings do not fit together."
    faces = decided(verdicts)
    if not faces:
        return ""
    inside = [face for face, decision in faces.items() if decision == "inside"]
    outside = [face for face, decision in faces.items() if decision == "outside"]
    untold = [face for face in faces if face not in (*inside, *outside)]
    if len(inside) == len(faces):
        return _all(inside)
    told = [f"{_count(len(inside), len(faces))} true enough."] if inside else []
    if outside:
        told.append(f"{_are(outside)} not." if inside else f"{_are(outside)} not true enough.")
    if untold:
        told.append(f"Of {listed(untold, MOST_NAMED)} it cannot be told yet.")
    return " ".join(sentence(words) for words in told)


def against_words(verdicts: Sequence[VerdictLine]) -> str:
    """What the faces are held to, where it is the same for all: "Straightness of each face against 6 µm."."""
    asked = {(v.measure, v.limit, v.unit) for v in verdicts if v.face in decided(verdicts)}
    if len(asked) != 1:
        return "Each face against its own limits." if asked else ""
    ((measure, limit, unit),) = asked
    return sentence(f"{measure} of each face against {limit} {unit}")


def decided(verdicts: Sequence[VerdictLine]) -> dict[str, str]:
    """Each face that has a limit, with the worst that is decided of it: outside, then open or not measured."""
    found: dict[str, str] = {}
    for v in verdicts:
        if v.limited:
            found[v.face] = max(found.get(v.face, "inside"), v.decision, key=_WORSE.index)
    return found


_WORSE = ("inside", "not measured", "open", "outside")


def _all(faces: Sequence[str]) -> str:
    words = {1: f"{faces[0]} is", 2: "both are"}.get(len(faces), f"all {_number(len(faces))} are")
    return sentence(f"{words} true enough")


def _count(some: int, every: int) -> str:
    return f"{_number(some)} of {_number(every)} {'is' if some == 1 else 'are'}"


def _number(count: int) -> str:
    return COUNTS[count] if count < len(COUNTS) else str(count)


def _are(faces: Sequence[str]) -> str:
    return f"{listed(list(faces), MOST_NAMED)} {'is' if len(faces) == 1 else 'are'}"
