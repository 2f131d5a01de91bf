"""What a kind proposes: settings of readings not taken yet, and which instruments they would be read with."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.things import FloatArray, Instrument
from waywright.core.readings.stacks import NoStack, finest_step_mm
from waywright.units import METRIC

BORROWING_MIN = 120.0  # an instrument that is not in the shop


Kit = tuple[Instrument, tuple[Instrument, ...]]  # what a candidate is read with, and what must be had for it


def instruments_for(job: Job, kinds: tuple[str, ...], otherwise: Instrument) -> list[Kit]:
    """Every instrument owned of `kinds`; `otherwise`, to be had, where there is none."""
    found = owned(job, kinds)
    if found:
        return [(instrument, ()) for instrument in found]
    name = otherwise.name
    while any(i.name == name for i in job.instruments):
        name += "'"
    other = replace(otherwise, name=name)
    return [(other, (other,))]


def owned(job: Job, kinds: tuple[str, ...]) -> list[Instrument]:
    """Every instrument owned of `kinds` that says how true it is, in their order."""
    return [
        i
        for kind in kinds
        for i in job.instruments
        if i.kind == kind and (i.u_um, i.u_um_per_m, i.grade) != (None, None, None)
    ]


def named(job: Job, kinds: tuple[str, ...], instrument: Instrument) -> str:
    """Which of those owned, where there are several; else nothing."""
    return instrument.name if len(owned(job, kinds)) > 1 else ""


def step_mm(instrument: Instrument) -> float | None:
    """The finest step between stacks of a set; None when its blocks are not listed."""
    sizes = np.unique(instrument.blocks_mm)
    if len(sizes) < 2:
        return None
    try:
        return finest_step_mm(sizes.tolist())
    except NoStack:  # of an inch set: what lies nearest
        return float(np.diff(sizes).min())


def coarse(stacks: Instrument, step: float | None) -> bool:
    """Whether the step of a set, mm, tells less of a gap than the hand's feel for a stack that drags."""
    return step is not None and 1e3 * step / math.sqrt(12) > stacks.feel_um


def proposed(
    geometry: Kind, entry: str, key: str, unit: str, x_mm: FloatArray, y_mm: FloatArray | None, instrument: str
) -> Setting:
    """A setting of readings not yet taken, at places (n,)."""
    sid = f"next {geometry.words(METRIC)}, {instrument}"
    nominal = Typed(20.0 if unit == "mm" else 0.0, unit)
    ys = [None] * len(x_mm) if y_mm is None else [float(y) for y in y_mm]
    readings = tuple(
        Reading(f"{sid}[{i}]", entry, float(x), y, key=key, value=nominal)
        for i, (x, y) in enumerate(zip(x_mm, ys, strict=True))
    )
    return Setting(sid, geometry, readings, instrument=instrument)
