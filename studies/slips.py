"""Is a setting that was typed wrong as a whole named, and is nobody accused of it who typed right?

Jobs are drawn clean, then one setting of each is typed wrong. A slip is identifiable where what was meant lowers D
(`core/adjust/slips.py`) by 40 or more and beats every other hypothesis by 20; named, where it alone is told.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # many small solves

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from studies.blunders import KINDS, moved
from studies.table import track, write_table
from tests.simulate import LEVEL, STACKS, Simulated, bench, drawn, edge, planned_gaps, planned_slopes, read, truth_of
from waywright.core.adjust.network import Network, network
from waywright.core.adjust.slips import Tried, hypotheses, improbable, likeliest, slips
from waywright.core.adjust.solution import Solution
from waywright.core.adjust.spacers import with_spacers_settled
from waywright.core.evidence.bends import Given
from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.meant import Slipped
from waywright.core.readings import Cross, LayUp, Step

SEED = 20_251
JOBS = 500  # of each slip, over all designs
CLEAN = 120  # of each design, and of each kind of the study of misreadings
LOWER, BEFORE = 40.0, 20.0
NAMED, UNITS, ACCUSED = 0.9, 1.0, 0.01
BOTH = ("over", "end for end")
INCH_MM = 25.4


@dataclass(frozen=True)
class Design:
    """Three faces, every pair in both turns; on spacers or not, at an offset or not, as it is drawn."""

    length_mm: float
    width_mm: float
    stations: tuple[int, int]
    lines: tuple[int, int]
    levels: bool = False
    brackets: float = 0.0


DESIGNS: Mapping[str, Design] = {
    "edges on one line": Design(600.0, 40.0, (7, 15), (1, 1)),
    "edges on two or three lines, levels": Design(600.0, 40.0, (5, 13), (2, 3), levels=True),
    "edges, brackets": Design(900.0, 50.0, (7, 13), (2, 2), brackets=0.5),
    "plates": Design(400.0, 300.0, (4, 6), (3, 4)),
    "plates, brackets and levels": Design(400.0, 300.0, (4, 6), (3, 4), levels=True, brackets=0.5),
}


def taken(design: Design, rng: np.random.Generator, noise: float = 1.0) -> Simulated:
    """One clean job of a design."""
    stations, lines = (int(rng.integers(low, high + 1)) for low, high in (design.stations, design.lines))
    across = np.linspace(-0.4, 0.4, lines) * design.width_mm if lines > 1 else np.zeros(1)
    faces = [edge(name, design.length_mm, stations, tuple(across.tolist()), design.width_mm) for name in "PQR"]
    job = bench(faces, u_um=float(rng.uniform(0.3, 2.0)), u_um_per_m=float(rng.uniform(2.0, 10.0)))
    spaced, step = bool(rng.random() < 0.5), design.length_mm / (stations - 1)
    for a, b in (("P", "Q"), ("Q", "R"), ("P", "R")):
        for turn in BOTH:
            offset = float(rng.choice([-1.0, 1.0])) * step if rng.random() < 0.5 else 0.0
            job = _laid(job, LayUp(a, b, turn, offset), spaced, design, rng)
    for face in faces if design.levels else ():
        if lines > 1:
            job = planned_slopes(job, Cross(face.name, float(np.ptp(across))), face.stations_mm)
        for y in across[:: max(1, lines - 1)]:
            job = planned_slopes(job, Step(face.name, step, float(y)), face.stations_mm[:-1])
    truth = truth_of(job, rng, float(rng.uniform(2.0, 12.0)))
    return read(job, truth, rng, u_factor={STACKS: noise, LEVEL: noise})


def _laid(job: Job, layup: LayUp, spaced: bool, design: Design, rng: np.random.Generator) -> Job:
    """One more lay-up, read wherever the faces lie on each other whichever way it was moved; some on spacers."""
    face = job.faces()[layup.lower]
    inside = (face.x_mm >= abs(layup.offset_mm) - 1e-6) & (face.x_mm <= face.length_mm - abs(layup.offset_mm) + 1e-6)
    job = planned_gaps(job, layup, face.x_mm[inside], face.y_mm[inside])
    setting = job.settings[-1]
    width = Typed(0.002, "mm")
    gaps = tuple(
        replace(r, key=None, value=None, low=Typed(0.0, "mm"), high=width) if rng.random() < design.brackets else r
        for r in setting.readings
    )
    start, reach = abs(layup.offset_mm), face.length_mm - 2 * abs(layup.offset_mm)
    places = [(0.2, 0.0), (0.8, 0.0)]
    if len(face.lines_mm) > 1:
        places = [(0.2, face.lines_mm[0]), (0.8, face.lines_mm[0]), (0.5, face.lines_mm[-1])]
    spacers = tuple(
        Reading(f"{setting.id}.spacers[{i}]", "spacers", start + x * reach, y, key="size_mm", value=Typed(20.0, "mm"))
        for i, (x, y) in enumerate(places)
    )
    return replace(job, settings=(*job.settings[:-1], replace(setting, readings=(*(spacers if spaced else ()), *gaps))))


# -- one setting typed wrong

Wrong = Callable[[Job, Setting, np.random.Generator], Setting | None]


def _turn(job: Job, setting: Setting, rng: np.random.Generator) -> Setting | None:
    kind = setting.geometry
    if not isinstance(kind, LayUp):
        return None
    return replace(setting, geometry=replace(kind, turn=BOTH[1 - BOTH.index(kind.turn)]))


def _offset(job: Job, setting: Setting, rng: np.random.Generator) -> Setting | None:
    kind = setting.geometry
    if not isinstance(kind, LayUp) or not kind.offset_mm:
        return None
    return replace(setting, geometry=replace(kind, offset_mm=-kind.offset_mm))


def _wrong_end(job: Job, setting: Setting, rng: np.random.Generator) -> Setting | None:
    if not isinstance(setting.geometry, LayUp):
        return None
    length, spacers = job.faces()[setting.geometry.lower].length_mm, rng.random() < 0.5

    def mirrored(r: Reading) -> Reading:
        return replace(r, x_mm=length - (r.x_mm or 0.0)) if spacers or r.entry == "gaps" else r

    return replace(setting, readings=tuple(map(mirrored, setting.readings)))


def _unit(inch: bool) -> Wrong:
    """Inches typed as millimetres, or millimetres as inches."""

    def typed(t: Typed | None) -> Typed | None:
        if t is None:
            return None
        return Typed(t.number / INCH_MM, "mm") if inch else Typed(t.number, "in")

    def wrong(job: Job, setting: Setting, rng: np.random.Generator) -> Setting | None:
        if not isinstance(setting.geometry, LayUp):
            return None
        spacers = rng.random() < 0.5
        return replace(
            setting,
            readings=tuple(
                replace(r, value=typed(r.value), low=typed(r.low), high=typed(r.high))
                if spacers or r.entry == "gaps"
                else r
                for r in setting.readings
            ),
        )

    return wrong


def _block(job: Job, setting: Setting, rng: np.random.Generator) -> Setting | None:
    off = float(rng.choice([-1.0, 1.0]) * rng.uniform(2.0, 20.0))
    if not any(r.entry == "spacers" for r in setting.readings):
        return None
    return replace(setting, readings=tuple(moved(r, off) if r.entry == "gaps" else r for r in setting.readings))


def _line(job: Job, setting: Setting, rng: np.random.Generator) -> Setting | None:
    """One line of several of a lay-up counted from the far end."""
    if not isinstance(setting.geometry, LayUp):
        return None
    lines = sorted({r.y_mm for r in setting.readings if r.entry == "gaps" and r.y_mm is not None})
    if len(lines) < 2:
        return None
    length, y = job.faces()[setting.geometry.lower].length_mm, float(rng.choice(lines))
    of = [r.entry == "gaps" and r.y_mm == y for r in setting.readings]
    moved_ = (replace(r, x_mm=length - (r.x_mm or 0.0)) if m else r for r, m in zip(setting.readings, of, strict=True))
    return replace(setting, readings=tuple(moved_))


def _level(job: Job, setting: Setting, rng: np.random.Generator) -> Setting | None:
    if isinstance(setting.geometry, LayUp):
        return None
    values = ((r, r.value) for r in setting.readings)
    turned = (replace(r, value=None if v is None else Typed(-v.number, v.unit)) for r, v in values)
    return replace(setting, readings=tuple(turned))


WRONGS: Mapping[str, tuple[Slipped, Wrong]] = {
    "the wrong turn": ("turn", _turn),
    "an offset with its sign reversed": ("offset sign", _offset),
    "places from the wrong end": ("wrong end", _wrong_end),
    "inches typed as millimetres": ("unit", _unit(True)),
    "millimetres typed as inches": ("unit", _unit(False)),
    "a block wrong in every stack": ("block", _block),
    "a level turned round": ("level turned", _level),
    "one line of several from the wrong end": ("wrong end", _line),
}


@dataclass(frozen=True)
class Asked:
    """A job as its slips are asked for: spacers settled, every instrument as it claims."""

    net: Network
    claimed: Solution
    given: Given

    @classmethod
    def of(cls, job: Job) -> Asked:
        """Of a job as it was typed."""
        net, standing = with_spacers_settled(network(job))
        claimed = Solution(net.unknowns, net.rows.take(np.flatnonzero(net.rows.sense == 0)))
        return cls(net, claimed, Given(frozenset(name for one in standing for name in one.carrying)))

    def told(self, ranked: list[Tried]) -> list[Tried]:
        """What `slips` tells, of hypotheses that were worked out already."""
        if improbable(self.net, self.claimed):
            return likeliest(ranked)
        return likeliest(hypotheses(self.net, self.claimed, self.given, closely=False))


@dataclass(frozen=True)
class Found:
    """What became of one job with a slip: whether it shows, whether it alone is named, or others are instead."""

    identifiable: bool
    named: bool
    among: bool
    falsely: bool


def job_of(what: str, number: int) -> tuple[Job, Job, str]:
    """One job with a slip, by its number, the same typed right, and the setting that was typed wrong."""
    _, wrong = WRONGS[what]
    rng = np.random.default_rng([SEED, list(WRONGS).index(what), number])
    designs = list(DESIGNS.values())
    if what == "a level turned round":
        designs = [design for design in designs if design.levels]
    if what == "one line of several from the wrong end":
        designs = [design for design in designs if design.lines[0] > 1]
    while True:
        right = taken(designs[number % len(designs)], rng).job
        for i in rng.permutation(len(right.settings)):
            typed = wrong(right, right.settings[i], rng)
            if typed is not None:
                job = replace(right, settings=tuple(typed if s.id == typed.id else s for s in right.settings))
                try:
                    network(job)
                except JobError:
                    break
                return job, right, typed.id


def falls_by(asked: Asked, right: Asked, wronged: str, slip: Slipped) -> float:
    """How far D falls with what was truly meant, from the job typed right: whatever the kinds of reading offer."""
    number = next(i for i, s in enumerate(asked.net.job.settings) if s.id == wronged)
    mine = asked.net.settings[asked.net.rows.sense == 0] == number
    chi2 = [float((s.residuals**2).sum()) for s in (asked.claimed, right.claimed)]
    spare = [float(s.redundancies.sum()) for s in (asked.claimed, right.claimed)]
    falls = chi2[0] - chi2[1] - 2 * max(0.0, spare[0] - spare[1]) - (2.0 if slip == "block" else 0.0)
    if slip != "unit":
        return falls
    rows, then = asked.claimed.rows, right.claimed.rows
    without = Solution(asked.claimed.unknowns, rows.take(np.flatnonzero(~mine)))
    place = {name: i for i, name in enumerate(then.reading_ids)}
    pairs = [(i, place[rows.reading_ids[i]]) for i in np.flatnonzero(mine) if rows.reading_ids[i] in place]
    larger = [np.log(then.value_um[j] / rows.value_um[i] * rows.u_um[i] / then.u_um[j]) for i, j in pairs]
    return falls + 2 * (spare[0] - float(without.redundancies.sum())) * float(np.mean(larger))


def tried(what: str, number: int) -> Found:
    """One of these jobs."""
    job, right, wronged = job_of(what, number)
    asked, slip = Asked.of(job), WRONGS[what][0]
    true = (wronged, slip, _line_typed(job, right, wronged) if WRONGS[what][1] is _line else None)
    ranked = hypotheses(asked.net, asked.claimed, asked.given, LOWER - BEFORE, BEFORE)
    fell = {t.key: t.falls for t in ranked}
    others = max((falls for key, falls in fell.items() if key != true), default=0.0)
    falls = falls_by(asked, Asked.of(right), wronged, slip)
    said = [t.key for t in asked.told(ranked)]
    return Found(
        falls >= LOWER and falls - others >= BEFORE, said == [true], true in said, bool(said) and true not in said
    )


def _line_typed(job: Job, right: Job, wronged: str) -> float | None:
    was, now = ({r.id: r for s in one.settings if s.id == wronged for r in s.readings} for one in (right, job))
    return next(now[name].y_mm for name in was if was[name] != now[name])


def accused(kind: str, number: int, noise: float = 1.0) -> bool:
    """Whether anyone is accused in one clean job of a design, or of a kind of the study of misreadings."""
    names = [*DESIGNS, *KINDS]
    rng = np.random.default_rng([SEED, 100 + names.index(kind), number])
    own = DESIGNS.get(kind)
    job = (taken(own, rng, noise) if own else drawn(KINDS[kind], rng, u_factor={STACKS: noise, LEVEL: noise})).job
    asked = Asked.of(job)
    return bool(slips(asked.net, asked.claimed, asked.given))


# -- tables


def main() -> None:
    """Run every slip and every clean design, write the tables, and hold the promises."""
    named = _slipped()
    share = _clean()
    for what, found in named.items():
        least = UNITS if WRONGS[what][0] == "unit" else NAMED
        assert found >= least, f"{what}: {found:.1%} of the identifiable are named, not {least:.0%}"
    assert share <= ACCUSED, f"{share:.2%} of clean jobs accuse someone, not {ACCUSED:.0%}"


def _slipped() -> Mapping[str, float]:
    rows, named = [], {}
    for what in WRONGS:
        found = [tried(what, i) for i in track(range(JOBS), what)]
        able = [f for f in found if f.identifiable]
        named[what] = float(np.mean([f.named for f in able])) if able else 1.0
        among, falsely = (sum(getattr(f, name) for f in found) for name in ("among", "falsely"))
        shares = [f"{len(able)}", f"{100 * named[what]:.1f} %", f"{among}", f"{falsely}"]
        rows.append([what, f"{JOBS}", *shares])
    header = ["typed wrong", "jobs", "identifiable", "of these named", "named, or one of those named", "another named"]
    write_table("slips", "Settings typed wrong as a whole", seed=SEED, header=header, rows=rows, notes=NOTES)
    return named


def _clean() -> float:
    rows, count = [], [0, 0]
    for kind in (*DESIGNS, *KINDS):
        shares = [sum(accused(kind, i, noise) for i in track(range(CLEAN), kind)) for noise in (1.0, 1.5)]
        count = [a + b for a, b in zip(count, shares, strict=True)]
        rows.append([kind, *(f"{share} of {CLEAN}" for share in shares)])
    total = CLEAN * len(rows)
    rows.append(["all", *(f"{100 * one / total:.2f} %" for one in count)])
    header = ["jobs", "clean: someone accused", "1.5 times the scatter: someone accused"]
    write_table("slips-clean", "Nobody is accused who typed right", seed=SEED, header=header, rows=rows, notes=CLEANED)
    return count[0] / total


NOTES = """
Three edges or plates, every pair in both turns, at offsets or not, on spacers or not, some with levels, some read by
brackets; stacks of 0.3 to 2 µm, shapes of 2 to 12 µm. One setting is typed wrong. A slip is identifiable where what was
meant lowers D by 40 or more, as the same job typed right shows, and beats every other hypothesis by 20; it is named
where it alone is told. The promise is that 90 % of the identifiable are named, and all of the units. What is not
identifiable is most often absorbed: a turn of even faces, a block without spacers, a level that alone reads its face.
"""

CLEANED = """
Clean jobs of the same designs, and those of the study of misreadings. The promise is that at most 1 % accuse anyone; it
is made for instruments that keep their claim.
"""


if __name__ == "__main__":
    main()
