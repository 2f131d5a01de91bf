"""A wedge: two faces on spacers unequal by a few µm, and stacks slid in from the wide end until they stop.

    gap(x) = stack at the x where it stopped,    u² = u_stack² + feel² + (slope·u_x)²

A set with coarse steps reads as finely as the wedge is flat: one step more is a place further along, not a coarser gap.
The slope is that of the spacers.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.kind import Candidate, Entry, spots_of
from waywright.core.evidence.rows import Equations, Influence, Site, places
from waywright.core.evidence.things import Face, FloatArray, Instrument
from waywright.core.evidence.where import length
from waywright.core.readings.laid import Laid
from waywright.core.readings.layup import read_stacks
from waywright.core.readings.proposed import coarse, owned, step_mm
from waywright.units import METRIC, Showing

FLATTEST = 1e-8  # mm/mm: below 0.01 µm over a metre a stack slides right through
BLOCKS = ("gauge blocks",)
SPACER_MM = 20.0  # proposed height of the wedge; common practice, no source


@dataclass(frozen=True)
class Slide(Laid):
    """A lay-up on `spacers` of unequal size, and the places where stacks of known size stopped between the faces.

    x of a stop is where the leading edge of the stack stands; it is known to `u_x_mm`.
    """

    block: ClassVar[str] = "slides"
    title: ClassVar[str] = "Slide: a stack slid to where it stops"
    setting_up_min: ClassVar[float] = 20.0
    reading_min: ClassVar[float] = 2.0
    entries: ClassVar[tuple[Entry, ...]] = (
        Entry("spacers", ("x_mm", "y_mm"), ("size_mm",), required=False, rests=True),
        Entry("stops", ("x_mm", "y_mm"), ("size_mm",)),
    )
    instrument_kinds: ClassVar[tuple[str, ...]] = ("gauge blocks", "feelers", "papers")
    tells_gap: ClassVar[bool] = True
    between_steps: ClassVar[bool] = True

    u_x_mm: float = 1.0

    def words(self, shown: Showing) -> str:
        """For a person: "Q on P, marks together, as a wedge"."""
        return f"{super().words(shown)}, as a wedge"

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """For a person: how it is laid as a wedge, how it rises, and near where the stacks that are slid in stop."""
        setting = candidate.settings[0]
        sizes = {r.x_mm: r.value.to("µm") for r in setting.readings if r.x_mm is not None and r.value}
        x = np.array(sorted(sizes))
        pitch = float(np.median(np.diff(x))) if len(x) > 1 else 0.0
        rise = (sizes[x[-1]] - sizes[x[0]]) / np.ptp(x) * pitch if pitch else 0.0
        rises = f", a wedge rising {shown.text(rise, 'µm')} every {length(pitch, shown)}" if pitch else ""
        return (
            f"{self.lay(shown)}{rises}",
            *self.stood(setting, shown),
            f"slide stacks in from the wide end{candidate.which} until they stop",
            f"choose such as stop {spots_of(setting, shown)}",
            "type each stack and where its leading edge stopped, counted from the lower face's marked end",
        )

    def check(self, job: Job) -> None:
        """Refuse what no lay-up can be, and a place that is known exactly."""
        super().check(job)
        if not self.u_x_mm > 0:
            raise JobError(f"A place cannot be known to {self.u_x_mm:g} mm; give what the eye allows.", "u_x_mm")

    def equations(self, setting: Setting, site: Site) -> Equations:
        """Rows in µm: spacers as in any lay-up, and each stop a value."""
        x, y = places(site.readings)
        stacks = read_stacks(site, site.readings)
        stops = np.array([r.entry == "stops" for r in site.readings])
        place = np.where(stops, (self._slope(site) * self.u_x_mm * 1e3) ** 2, 0.0)
        name = (site.job.instrument(setting) or Instrument("stacks", "")).name
        gap = self.gap_terms(site, x, y)
        return Equations(
            readings=site.readings,
            value_um=stacks.value_um,
            noise_um2={**stacks.noise_um2, Influence(name, "place"): place},
            heights=gap.heights,
            own=(*gap.own, *stacks.own),
            unknowns=gap.unknowns | stacks.unknowns,
            sense=stacks.sense,
            once=stacks.once,
            rests=self.standing(site, site.readings),
        )

    def _slope(self, site: Site) -> float:
        """How much the gap grows along x by the spacers, mm/mm, unsigned; raises `JobError` when it does not."""
        spacers = [r for r in self.rests((*site.earlier, *site.readings)) if r.value is not None]
        x, y = places(tuple(spacers))
        size = np.array([r.value.to("mm") for r in spacers if r.value is not None])
        if len(spacers) < 2 or np.ptp(x) == 0:
            raise JobError("A wedge stands on spacers at two places along x; give both.", f"{site.setting.id}.spacers")
        level = np.column_stack([x - x.mean(), y - y.mean(), np.ones_like(x)])
        slope = abs(float(np.linalg.lstsq(level, size, rcond=None)[0][0]))
        if slope < FLATTEST:
            raise JobError(
                "The spacers are alike, so a stack would slide right through; make one end some µm higher.",
                f"{site.setting.id}.spacers",
            )
        return slope

    @classmethod
    def candidates(cls, job: Job) -> Iterator[Candidate]:
        """Every pair in both turns, where a listed set is coarser than the feel: one step higher at every station."""
        for blocks, (slide, lower, upper) in itertools.product(owned(job, BLOCKS), cls.pairs(job)):
            x, y = slide.covered(lower, upper)
            step = step_mm(blocks)
            if step is None or not coarse(blocks, step) or len(x) < 3 or np.ptp(x) == 0:
                continue
            pitch = float(np.median(np.diff(np.unique(x))))
            setting = _wedge(slide, lower, x, y, step / pitch, blocks.name)
            yield Candidate((setting,), cls.setting_up_min + cls.reading_min * len(x), blocks)


def _wedge(slide: Slide, lower: Face, x: FloatArray, y: FloatArray, slope: float, instrument: str) -> Setting:
    """Spacers at the outermost places and a stop at every other, in size as the wedge rises."""
    sid = f"next {slide.words(METRIC)}, {instrument}"
    rests = [(x.min(), y.min()), (x.max(), y.min())] + ([(x.min(), y.max())] if len(lower.lines_mm) > 1 else [])

    def at(entry: str, i: int, a: float, b: float) -> Reading:
        size = Typed(SPACER_MM + slope * float(a - x.min()), "mm")
        return Reading(f"{sid}.{entry}[{i}]", entry, float(a), float(b), key="size_mm", value=size)

    spacers = tuple(at("spacers", i, a, b) for i, (a, b) in enumerate(rests))
    free = [(a, b) for a, b in zip(x, y, strict=True) if (a, b) not in rests]  # where a spacer stands nothing slides in
    stops = tuple(at("stops", i, a, b) for i, (a, b) in enumerate(free))
    return Setting(sid, slide, spacers + stops, instrument=instrument)
