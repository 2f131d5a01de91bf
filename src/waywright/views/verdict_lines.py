"""What is decided of a face: its measure, rounded once, beside its limit, and what is known of what is not all seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from waywright.core.evidence.findings import SeenLine, Verdict
from waywright.views.grounds import verdict_why
from waywright.views.numbers import NONE, Shown, percent, sentence
from waywright.views.tables import line_place

LEAST_TOLD_UM = 0.1  # of the least that a measure comes to
MEASURES = {"straightness": "straight to", "flatness": "flat to", "twist": "twist"}


@dataclass(frozen=True)
class VerdictLine:
    """One face against one limit; value, interval and limit are in `unit`."""

    face: str
    measure: str
    value: str
    interval: str
    limit: str
    unit: str
    chance: str
    decision: str
    why: str
    seen: str = ""  # what is known of it though a shape is not seen
    partly: bool = False  # decided, or not, with a shape unseen

    @property
    def limited(self) -> bool:
        """Whether it is held to a limit."""
        return self.limit != NONE


def verdict_line(verdict: Verdict, shown: Shown) -> VerdictLine:
    """One verdict as a person reads it."""
    twist = verdict.measure == "twist"
    numbers = shown.slopes if twist else shown.heights
    low, high = verdict.interval_95_um or (math.nan, math.nan)
    within = (high - low) / 2 if high > low else None
    unknown = verdict.value_um is None or bool(verdict.unseen)
    open_ = unknown and verdict.decision != "outside"
    limit = NONE if verdict.limit_um is None else shown.limit(verdict.limit_um, twist)
    if verdict.limit_um is not None and verdict.side != "between":
        limit += f", {verdict.side}"
    return VerdictLine(
        face=verdict.face,
        measure=verdict.measure + (f" ({verdict.grade})" if verdict.grade else ""),
        value=_at_least(verdict, shown) if unknown else numbers(verdict.value_um, within),
        interval=NONE if unknown or within is None else f"{numbers(low, within)} to {numbers(high, within)}",
        limit=limit,
        unit=shown.slope if twist else shown.height,
        chance=NONE if open_ or verdict.chance_inside is None else percent(verdict.chance_inside),
        decision=verdict.decision,
        why=sentence(verdict_why(verdict)),
        seen=_seen_lines(verdict, shown),
        partly=bool(verdict.unseen),
    )


def verdict_words(face: str, verdicts: Sequence[VerdictLine]) -> str:
    """What is decided of a face, each number as its verdict has it: "straight to 3.4 µm (2.9 to 4.1), inside"."""
    told = []
    for v in (v for v in verdicts if v.face == face):
        name = v.measure.split(" (")[0]
        value = f"{MEASURES[name]} {v.value} {v.unit}" if v.value != NONE else name
        band = f" ({v.interval})" if v.interval != NONE else ""
        told.append(f"{value}{band}{',' if v.value != NONE else ''} {v.decision}")
    return ", ".join(told)


def _at_least(verdict: Verdict, shown: Shown) -> str:
    """What the measure comes to whatever the unseen shapes are, where that is more than nothing."""
    least = verdict.at_least_um
    return f"≥ {shown.heights(least)}" if least is not None and least >= LEAST_TOLD_UM else NONE


def _seen_lines(verdict: Verdict, shown: Shown) -> str:
    """The mean of the lines, else each line, of which nothing is hidden."""
    mean = [line for line in verdict.seen if line.y_mm is None]
    said = [_seen_line(line, verdict, shown) for line in mean or verdict.seen]
    return " ".join([*said, *(["How the lines differ is not seen."] if mean else [])])


def _seen_line(line: SeenLine, verdict: Verdict, shown: Shown) -> str:
    low, high = line.interval_95_um
    within = (high - low) / 2
    what = "The mean of the lines" if line.y_mm is None else f"The line at {line_place(line.y_mm, shown)}"
    words = f"{what} is straight to {shown.heights(line.value_um, within)} ± {shown.height_text(within, within)}"
    if line.chance_inside is not None and verdict.limit_um is not None:
        words += f", inside with a chance of {percent(line.chance_inside)}"
    return f"{words}."
