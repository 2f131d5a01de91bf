"""The next stack: while a pair still lies there, the size that halves the most of its brackets, and what that tells.

A stack that goes where one some µm larger does not leaves a bracket; a size between the two halves it, whatever the
hand says. Which size does most for all the places of the lay-up at once is `readings.stacks`' to find; what it does
for the goal is worked out by solving again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.things import Instrument
from waywright.core.next.reading_plan import ReadingPlan
from waywright.core.readings.proposed import step_mm
from waywright.core.readings.stacks import USUAL_SET_MM, NoStack, next_stack_mm, stacks_at_once

FINEST_MM = 0.001  # no hand tells stacks apart that differ by less; common practice, no source
OPEN_STEPS = 4  # how many steps on a bracket with an open side is taken to reach; a guess, no source
WRINGING_MIN = 2.0  # to make a stack; common practice, no source


@dataclass(frozen=True)
class NextStack:
    """A stack to try before the pair is lifted: its size, its blocks (none when the set cannot make it), and where.

    `known`: the share of the goal's shapes known before, and after when the wider half is what is left.
    """

    setting: Setting
    size_mm: float
    blocks_mm: tuple[float, ...]
    readings: tuple[Reading, ...]
    known: tuple[float, float]

    @property
    def minutes(self) -> float:
        """To make it and try it everywhere."""
        return WRINGING_MIN + self.setting.geometry.reading_min * len(self.readings)


def next_stack(plan: ReadingPlan, job: Job) -> NextStack | None:
    """For the lay-up taken last, if its faces are as they were; None when its brackets are as narrow as can be."""
    setting = next(iter(reversed(job.settings)), None)
    if setting is None or not setting.geometry.by_stacks:
        return None
    states, number = job.states(), len(job.settings) - 1
    stacks = job.instrument(setting)
    if stacks is None or stacks.kind != "gauge blocks" or not job.to_be_had(stacks):
        return None
    if any(job.state_at(name, number) < states[name] for name in setting.geometry.faces()):
        return None
    step = max(step_mm(stacks) or FINEST_MM, FINEST_MM)
    brackets = list(_brackets(job, setting, step))
    size = next_stack_mm([(low, high) for _, low, high in brackets], step)
    if size is None:
        return None
    hit = [(r, low, high) for r, low, high in brackets if low < size < high]
    narrower = {r.id: (low, size) if size - low > high - size else (size, high) for r, low, high in hit}
    then = plan.again(_narrowed(job, setting, narrower))
    blocks = _blocks(size, stacks)
    return NextStack(setting, size, blocks, tuple(r for r, _, _ in hit), (plan.known, then.known))


def _brackets(job: Job, setting: Setting, step: float) -> Iterator[tuple[Reading, float, float]]:
    """Gaps between two stacks that are more than a step apart, mm; an open side reaches some steps on."""
    corrected = job.corrected()
    for reading in setting.readings:
        low, high = (None if t is None else t.to("mm") for t in (reading.low, reading.high))
        if reading.id in corrected or (low is None and high is None):
            continue
        reach = OPEN_STEPS * step
        low = max(0.0, (high or 0.0) - reach) if low is None else low
        high = low + reach if high is None else high
        if high - low > 1.5 * step:
            yield reading, low, high


def _narrowed(job: Job, setting: Setting, to: dict[str, tuple[float, float]]) -> Job:
    """The job as if those brackets had been typed narrower."""

    def told(reading: Reading) -> Reading:
        if reading.id not in to:
            return reading
        low, high = to[reading.id]
        return replace(reading, low=Typed(low, "mm"), high=Typed(high, "mm"))

    again = replace(setting, readings=tuple(map(told, setting.readings)))
    return replace(job, settings=tuple(again if s is setting else s for s in job.settings))


def _blocks(size_mm: float, stacks: Instrument) -> tuple[float, ...]:
    """The fewest blocks of the set that make it; of the usual set where none is listed."""
    owned: Sequence[float] = stacks.blocks_mm or USUAL_SET_MM
    try:
        return stacks_at_once([size_mm], owned).blocks_mm[0]
    except NoStack:
        return ()
