"""What a kind proposes: settings of readings not taken yet, and which instruments they would be read with."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.kind import Candidate, Kind
from waywright.core.evidence.things import FloatArray, Instrument
from waywright.core.evidence.where import joined, length
from waywright.core.readings.stacks import NoStack, finest_step_mm
from waywright.units import METRIC, Showing

BORROWING_MIN = 120.0  # an instrument that is not in the shop
ROUND = (5.0, 2.0, 1.0)  # what instruments read to, times a power of ten
PARTS = {1: "a whole division", 2: "half a division", 5: "a fifth of a division", 10: "a tenth of a division"}


Kit = tuple[Instrument, tuple[Instrument, ...]]  # what a candidate is read with, and what must be had for it


def instruments_for(job: Job, kinds: tuple[str, ...], otherwise: Instrument) -> list[Kit]:
    """Every instrument owned of `kinds`; `otherwise`, to be had, where there is none and nobody said it is not."""
    found = owned(job, kinds)
    if found or not job.to_be_had(otherwise):
        return [(instrument, ()) for instrument in found]
    name = otherwise.name
    while any(i.name == name for i in job.instruments):
        name += "'"
    other = replace(otherwise, name=name)
    return [(other, (other,))]


def owned(job: Job, kinds: tuple[str, ...]) -> list[Instrument]:
    """Every instrument owned of `kinds` that says how true it is and is to be had, in their order."""
    return [
        i
        for kind in kinds
        for i in job.instruments
        if i.kind == kind and job.to_be_had(i) and (i.u_um, i.u_um_per_m, i.grade) != (None, None, None)
    ]


def borrowed(candidate: Candidate, shown: Showing, base_mm: float | None = None) -> tuple[str, ...]:
    """What must be had for it, and what that must be able to do: a sentence, or none."""
    if not candidate.instruments:
        return ()
    each = [f"a {one.kind}" if one.u_um_per_m is not None else f"a set of {one.kind}" for one in candidate.instruments]
    able = [finely(one, shown) or (f"grade {one.grade}" if one.grade else "") for one in candidate.instruments]
    told = [
        f"{what} that reads {to}" if to.startswith("to") else f"{what}, {to}"
        for what, to in zip(each, able, strict=True)
    ]
    on = f" on a base of {length(base_mm, shown)}" if base_mm is not None else ""
    typed = [claim for one in candidate.instruments if (claim := _claimed(one, shown))]
    return (f"borrow {' and '.join(told)}{on}{f' (type it as {joined(typed)})' if typed else ''}",)


def _claimed(instrument: Instrument, shown: Showing) -> str:
    """How what is to be had is entered: "u = 4 µm/m"; nothing where its grade says it."""
    for u, unit in ((instrument.u_um_per_m, "µm/m"), (instrument.u_um, "µm")):
        if u is not None:
            return f"u = {shown.text(u, unit, 2)}"
    return ""


def finely(instrument: Instrument, shown: Showing) -> str:
    """How finely it is to be read for what it is taken for: "to a fifth of a division", "to 10 µm/m"; of stacks none.

    Reading to d adds d/√12 to the uncertainty; that is to be no more than what is claimed of the instrument.
    """
    if instrument.u_um_per_m is not None:
        reads, unit = instrument.u_um_per_m * math.sqrt(12), "µm/m"
    elif instrument.u_um is not None and instrument.kind in ("indicator", "micrometer"):
        reads, unit = instrument.u_um * math.sqrt(12), "µm"
    else:
        return ""
    division = instrument.um_per_m_per_div
    if division is not None and unit == "µm/m":
        part = next((n for n in PARTS if division / n <= reads * (1 + 1e-3)), None)
        if part is not None:
            return f"to {PARTS[part]}"
    if reads <= 0:
        return ""
    power = 10.0 ** math.floor(math.log10(reads))
    to = next(step * power for step in ROUND if step * power <= reads * (1 + 1e-3))
    return f"to {shown.text(to, unit, 3)}"


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
