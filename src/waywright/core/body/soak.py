"""A soak proved by repeated readings: a place read again and again while a piece comes to rest falls as

    y(t) = y∞ + A·e^(−t/τ),

the last of all ways in which warmth goes (Carslaw and Jaeger). For each τ the rest is linear, so the best is looked for
along τ alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from waywright.core.evidence.findings import Soaked
from waywright.core.evidence.job import Job, Reading, Setting
from waywright.core.evidence.things import FloatArray

STEADY_UM = 0.5
FEWEST = 4  # readings of one place: three numbers are fitted
_TIME = re.compile(r"(?<!\d)([01]?\d|2[0-3]):([0-5]\d)(?!\d)")
_DAY_MIN = 1440.0


@dataclass(frozen=True)
class Fall:
    """What repeated readings fall, or rise, by from the first on, to `rest_um`, by a factor e every `tau_min`."""

    fall_um: float
    tau_min: float
    rest_um: float

    def steady_after_min(self, within_um: float = STEADY_UM) -> float:
        """From when on it is within so much of its rest; 0 where it always was."""
        return max(0.0, self.tau_min * float(np.log(abs(self.fall_um) / within_um))) if self.fall_um else 0.0


def fitted(at_min: FloatArray, read_um: FloatArray) -> Fall:
    """The fall that fits readings (n,) at times (n,) from the first on; of n ≥ 4, not all at one time."""
    at = at_min - at_min[0]
    span = float(at.max())

    def best(tau: float) -> tuple[float, FloatArray]:
        columns = np.column_stack([np.exp(-at / tau), np.ones_like(at)])
        found = np.linalg.lstsq(columns, read_um, rcond=None)[0]
        return float(((read_um - columns @ found) ** 2).sum()), found

    taus = span * np.geomspace(0.01, 2.0, 400)  # slower than twice the time watched is no fall that was seen
    tau = float(min(taus, key=lambda each: best(float(each))[0]))
    fall, rest = best(tau)[1]
    return Fall(float(fall), tau, float(rest))


def soaked(job: Job) -> Iterator[Soaked]:
    """Of each setting the place that was read most often, with its times: when it was steady, and what came before."""
    for setting in job.settings:
        repeats = max(_repeated(setting), key=len, default=())
        if len(repeats) < FEWEST:
            continue
        at, read = np.array([minutes for minutes, _, _ in repeats]), np.array([um for _, um, _ in repeats])
        if at[-1] - at[0] <= 0:
            continue
        steady = float(at[0]) + fitted(at, read).steady_after_min()
        times = {r.id: minutes_of(r.when) for r in setting.readings}
        early = tuple(name for name, when in times.items() if when is not None and _since(when, at[0]) < steady)
        clock = f"{int(steady // 60 % 24):02d}:{int(steady % 60):02d}" if steady <= at[-1] else None
        yield Soaked(setting.geometry, clock, STEADY_UM, early)


def _repeated(setting: Setting) -> Iterator[tuple[tuple[float, float, Reading], ...]]:
    """The readings of each place that have a time, in its order, the hours counted on over midnight."""
    places: dict[tuple[object, ...], list[tuple[float, float, Reading]]] = {}
    for r in setting.geometry.to_read(setting.readings):
        when = minutes_of(r.when)
        if when is not None and r.value is not None and not r.value.unit.endswith(("/m", "div")):
            known = places.setdefault((r.entry, r.x_mm, r.y_mm, r.at_mm, r.key), [])
            since = _since(when, known[0][0]) if known else when
            known.append((since, r.value.to("µm"), r))
    yield from map(tuple, places.values())


def minutes_of(when: str | None) -> float | None:
    """The time of day in a text, in minutes: "2026-03-01 14:40"; None where there is none."""
    found = _TIME.search(when or "")
    return 60.0 * int(found[1]) + int(found[2]) if found else None


def _since(minutes: float, first: float) -> float:
    return minutes if minutes >= first else minutes + _DAY_MIN
