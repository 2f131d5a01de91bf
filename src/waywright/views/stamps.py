"""Each face against its limit as a stamp: the value with its band and its limit on one axis for all faces of a job, so
that inside, outside and open are seen by where the band lies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from waywright.core.evidence.findings import Verdict
from waywright.units import convert
from waywright.views.numbers import NONE, Shown
from waywright.views.ribbon import round_above
from waywright.views.verdict_lines import VerdictLine

ROOM = 1.5  # of the largest limit that an axis shows at least
MOST = 4.0  # and at most, however wide a band is
LEAST = 0.1  # µm or µm/m, of an axis
STATES = {"inside": "inside", "outside": "outside", "open": "open", "not measured": "not read"}


@dataclass(frozen=True)
class Stamp:
    """One face against one limit. Places along the axis are shares of it, %; None where there is nothing to draw."""

    face: str
    measure: str
    state: str  # inside, outside, open or not read
    value: str
    unit: str
    band: str
    chance: str
    limit: str
    top: str
    at: float | None
    low: float | None
    high: float | None
    limit_at: float
    why: str  # what leaves it open
    words: str  # what is drawn, read aloud in its stead


def stamps(verdicts: Sequence[Verdict], lines: Sequence[VerdictLine], shown: Shown) -> tuple[Stamp, ...]:
    """A stamp for each verdict on a limit, in the order of the verdicts; `lines` are their words."""
    limited = [(v, line) for v, line in zip(verdicts, lines, strict=True) if v.limit_um is not None]
    units = {line.unit for _, line in limited}
    tops = {unit: _top([v for v, line in limited if line.unit == unit], shown) for unit in units}
    return tuple(_stamp(v, line, tops[line.unit], shown) for v, line in limited)


def _stamp(verdict: Verdict, line: VerdictLine, top: float, shown: Shown) -> Stamp:
    state = STATES[verdict.decision]
    known = verdict.value_um is not None and not verdict.unseen and line.value != NONE
    low, high = _size(verdict.interval_95_um) if known and verdict.interval_95_um is not None else (None, None)
    band = f"95 %: {line.interval}" if line.interval != NONE else ""
    limit = line.limit.split(",")[0]
    told = f"{line.value} {line.unit}" if line.value != NONE else "no value yet"
    return Stamp(
        face=line.face,
        measure=line.measure,
        state=state,
        value=line.value,
        unit=line.unit if line.value != NONE else "",
        band=band,
        chance=f"chance inside {line.chance}" if line.chance != NONE else "",
        limit=f"limit {limit}",
        top=f"{round(convert(top, *_units(verdict, shown)), 6):g} {line.unit}",
        at=_share(abs(verdict.value_um), top) if known and verdict.value_um is not None else None,
        low=None if low is None else _share(low, top),
        high=None if high is None else _share(high, top),
        limit_at=_share(verdict.limit_um or 0.0, top),
        why=" ".join(filter(None, (line.why, line.seen))) if state in ("open", "not read") else "",
        words=f"{line.face}: {told}{f', {band}' if band else ''}, limit {limit} {line.unit}, {state}",
    )


def _top(verdicts: Sequence[Verdict], shown: Shown) -> float:
    """Where the axis of such verdicts ends: beyond every limit and, if it can be, every band; round as it is shown."""
    limit = max(v.limit_um for v in verdicts if v.limit_um is not None)
    bands = [_size(v.interval_95_um)[1] for v in verdicts if v.interval_95_um is not None and not v.unseen]
    unit, to = _units(verdicts[0], shown)
    top = max(ROOM * limit, min(max(bands, default=0.0), MOST * limit), LEAST)
    return convert(round_above(convert(top, unit, to)), to, unit)


def _size(interval: tuple[float, float]) -> tuple[float, float]:
    """An interval of the size of a measure that may have a sign, as a twist has."""
    low, high = sorted(interval)
    return (low, high) if low >= 0 else (-high, -low) if high <= 0 else (0.0, max(-low, high))


def _share(number: float, top: float) -> float:
    return 100 * min(max(number / top, 0.0), 1.0)


def _units(verdict: Verdict, shown: Shown) -> tuple[str, str]:
    return ("µm/m", shown.slope) if verdict.measure == "twist" else ("µm", shown.height)
