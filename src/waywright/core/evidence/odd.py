"""Readings that make no sense beside the others of their setting: asked about at once, before anything is solved."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from statistics import median

from waywright.core.evidence.job import Reading, Setting, Typed

WIDELY = 8.0  # times how far the others differ


@dataclass(frozen=True)
class Odd:
    """A reading whose number, as `typed`, lies far from what the others say, `usual_mm`."""

    reading: Reading
    typed: Typed
    usual_mm: float


def odd(setting: Setting, corrected: Collection[str]) -> Iterator[Odd]:
    """The odd readings of a setting; of two that are far from each other, the later.

    Only lists that say how far their readings may lie apart are looked at; spacers speak of gaps as well.
    """
    apart = {e.name: e.apart_um / 1e3 for e in setting.geometry.entries if e.apart_um is not None}
    said = [
        (reading, typed, typed.to("mm"))
        for reading in setting.readings
        if reading.entry in apart and reading.id not in corrected
        for typed in (reading.value, reading.low, reading.high)
        if typed is not None
    ]
    for i, (reading, typed, size_mm) in enumerate(said):
        others = [mm for k, (one, _, mm) in enumerate(said) if k != i and (one is not reading or len(said) < 3)]
        if len(said) == 2:
            others = others[:i]  # nothing speaks against the first of two
        if not others:
            continue
        usual = median(others)
        differ = median(abs(mm - usual) for mm in others)
        if abs(size_mm - usual) > max(apart[reading.entry], WIDELY * differ):
            yield Odd(reading, typed, usual)
