"""A setting that was made as advised and is not read yet, or not all of it: the advice goes on with it.

What was advised is what the readings before it ask for; of that, what it has not is still to be read. So no advice
changes because its setting was made, or half of it read.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from waywright.core.evidence.job import Job, Reading, Setting
from waywright.core.evidence.kind import Candidate
from waywright.core.next.reading_plan import Offer
from waywright.core.next.retakes import count, may_stand

PLACE = 2  # decimals of a mm to which places are compared


@dataclass(frozen=True)
class Standing:
    """The blocks of the last setting, which may still stand as it was read, and the job without them."""

    blocks: tuple[Setting, ...]
    before: Job

    def is_part_of(self, candidates: Iterable[Candidate]) -> bool:
        """Whether one of these asks for more of the same."""
        return any(
            _laid_so(c, self.blocks) and self._left(c, (r for s in c.settings for r in s.readings)) for c in candidates
        )

    def rest_of(self, offer: Offer) -> Offer | None:
        """What is still to be read of an offer that is laid out so, without setting up; None where nothing is."""
        if not _laid_so(offer.candidate, self.blocks):
            return None
        left = self._left(offer.candidate, offer.readings)
        if not left or len(left) == len(offer.candidate.to_read(offer.readings)):
            return None
        home = {r.id: s.geometry for s in offer.candidate.settings for r in s.readings}
        return replace(offer, readings=left, minutes=sum(home[r.id].reading_min for r in left))

    def _left(self, candidate: Candidate, readings: Iterable[Reading]) -> tuple[Reading, ...]:
        read = {(s.geometry, _place(r)) for s in self.blocks for r in s.readings}
        home = {r.id: s.geometry for s in candidate.settings for r in s.readings}
        return tuple(r for r in candidate.to_read(readings) if (home[r.id], _place(r)) not in read)

    def after(self, job: Job, rest: Offer) -> Job:
        """The job as if that had been read as well."""
        left = set(rest.readings)
        more = (
            replace(s, name=self.blocks[0].group, readings=tuple(r for r in s.readings if r in left))
            for s in rest.candidate.settings
        )
        return replace(job, settings=(*job.settings, *(s for s in more if s.readings)))


def standing(job: Job) -> Standing | None:
    """The setting taken last, if some of it was read and nothing tells that it was lifted."""
    last = next((s for s in reversed(job.settings) if count(s)), None)
    if last is None or not may_stand(job, last):
        return None
    blocks = tuple(s for s in job.settings if s.group == last.group)
    return Standing(blocks, replace(job, settings=tuple(s for s in job.settings if s.group != last.group)))


def open_for(job: Job, candidate: Candidate) -> tuple[Setting, ...]:
    """The blocks of a setting that was made for such readings and holds none yet; () where there is none."""
    states = job.states()
    for number, setting in reversed(list(enumerate(job.settings))):
        blocks = tuple(s for s in job.settings if s.group == setting.group)
        newest = all(job.state_at(f, number) == states[f] for f in setting.geometry.faces() if f in states)
        if newest and not any(map(count, blocks)) and _laid_so(candidate, blocks):
            return blocks
    return ()


def _laid_so(candidate: Candidate, blocks: Iterable[Setting]) -> bool:
    """Whether blocks are of the kind, and read with the instrument, of a candidate that may be read into them."""
    offered = {s.geometry for s in candidate.settings}
    kit = None if candidate.kit is None else candidate.kit.name
    return all(b.geometry in offered and (b.instrument is None or b.instrument == kit) for b in blocks)


def _place(reading: Reading) -> tuple[str, float, float, float]:
    x, y, at = (round(p or 0.0, PLACE) for p in (reading.x_mm, reading.y_mm, reading.at_mm))
    return reading.entry, x, y, at
