"""Jobs with a known truth: faces are drawn, settings are planned, and what would be read is worked out and made noisy.

The equations of DESIGN ("Every reading is a row") are written out here a second time, apart from the code under
test: heights by scipy's interpolator, lay-ups by the axes of the turned face. Everything is repeatable from its
random generator. `drawn` makes a job of a kind; `read` fills in the readings of any planned job, so that a candidate
for the next reading can be taken and tried.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator
from scipy.optimize import linprog

from waywright.core.adjust.solution import Heights
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.things import SEAT_UM, Face, FloatArray, Instrument, Piece
from waywright.core.readings import Cross, LayUp, Step

STACKS, LEVEL = "stacks", "level"


@dataclass(frozen=True)
class Simulated:
    """A job whose readings came from `truth_um`: each face's heights at its nodes, (nodes,) by name."""

    job: Job
    truth_um: Mapping[str, FloatArray]

    def about_plane(self, face: Heights) -> FloatArray:
        """(n,) true heights of the read nodes about their own plane, as a solution tells them."""
        assert face.unknown.face is not None
        return face.about_plane(self.truth_um[face.unknown.face.name][face.unknown.nodes][:, None])[:, 0]


def heights_um(face: Face, nodes_um: FloatArray, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """(n,) true heights at places: linear between nodes, level across when there is one line."""
    if len(face.lines_mm) == 1:
        return np.interp(x_mm, face.stations_mm, nodes_um)
    grid = nodes_um.reshape(len(face.stations_mm), len(face.lines_mm))
    places = np.column_stack([x_mm, np.clip(y_mm, face.lines_mm[0], face.lines_mm[-1])])
    places[:, 0] = np.clip(x_mm, face.stations_mm[0], face.stations_mm[-1])  # a hair outside is the end
    return np.asarray(RegularGridInterpolator((face.stations_mm, face.lines_mm), grid)(places), np.float64)


def on_upper(layup: LayUp, length_mm: float, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where places of the lower face lie on the upper, by the directions in which the upper's own axes then point."""
    if layup.turn == "over":  # its x′ runs along x, its y′ against y
        origin, turned = layup.offset_mm, layup.angle_deg
    else:  # its x′ runs against x from its marked end at the far side, its y′ along y
        origin, turned = layup.offset_mm + length_mm, layup.angle_deg + 180.0
    c, s = (round(f(math.radians(turned)), 15) for f in (math.cos, math.sin))
    along, across = x_mm - origin, y_mm - layup.offset_y_mm
    return along * c + across * s, along * s - across * c


def read(
    job: Job,
    truth_um: Mapping[str, FloatArray],
    rng: np.random.Generator,
    *,
    u_factor: Mapping[str, float] | None = None,
    only: frozenset[str] | None = None,
) -> Simulated:
    """`job` with every reading taken: values, brackets and limits as a hand would read them.

    A planned bracket has its width between `low` and `high`; a planned limit has its margin in it (`low` 3 µm: a
    stack some 3 µm under the gap goes). `u_factor` says by how much an instrument truly scatters more than it claims,
    0 for readings without noise. `only` names the settings to take; the others are kept as they are.
    """
    faces = job.faces()
    taken: list[Setting] = []
    rigid: dict[str, FloatArray] = {}
    for setting in job.settings:
        if only is not None and setting.id not in only:
            taken.append(setting)
            continue
        instrument = job.instrument(setting)
        assert instrument is not None
        factor = (u_factor or {}).get(instrument.name, 1.0)
        own = rigid.setdefault(setting.group, rng.standard_normal(3))
        if isinstance(setting.geometry, LayUp):
            readings = _gaps(setting, setting.geometry, faces, truth_um, instrument, own, factor, rng)
        else:
            assert isinstance(setting.geometry, Step | Cross)
            readings = _slopes(setting, setting.geometry, faces, truth_um, instrument, own, factor, rng)
        taken.append(replace(setting, readings=readings))
    return Simulated(replace(job, settings=tuple(taken)), truth_um)


# -- what would be read


def _gaps(
    setting: Setting,
    layup: LayUp,
    faces: Mapping[str, Face],
    truth_um: Mapping[str, FloatArray],
    instrument: Instrument,
    own: FloatArray,
    factor: float,
    rng: np.random.Generator,
) -> tuple[Reading, ...]:
    lower, upper = faces[layup.lower], faces[layup.upper]
    x = np.array([r.x_mm for r in setting.readings], float)
    y = np.array([r.y_mm or 0.0 for r in setting.readings], float)
    xu, yu = on_upper(layup, upper.length_mm, x, y)
    shapes = -heights_um(lower, truth_um[lower.name], x, y) - heights_um(upper, truth_um[upper.name], xu, yu)
    rests = [i for i, r in enumerate(setting.readings) if r.entry == "spacers"]
    tilt = np.array([20e3, 0.02, 0.05]) + own * [50.0, 0.02, 0.05]  # µm, and µm a mm along and across
    columns = np.column_stack([np.ones_like(x), x, y])
    if rests:  # lift and tilt follow from the blocks it stands on
        claim = instrument.u_um or 0.0
        size = np.array([setting.readings[i].value.to("µm") for i in rests])  # type: ignore[union-attr]
        size += factor * claim * rng.standard_normal(len(rests))
        tilt = stood(columns[rests], size - shapes[rests], tilt, _middle(layup, upper))
    gap = shapes + columns @ tilt
    return tuple(
        r if r.entry == "spacers" else _gap(r, float(g), instrument, factor, rng)
        for r, g in zip(setting.readings, gap, strict=True)
    )


def stood(spots: FloatArray, heights_um: FloatArray, tilt: FloatArray, weight: tuple[float, float]) -> FloatArray:
    """(3,) lift and tilts of an upper that came down on blocks: `spots` (k, 3) 1, x, y; each holds it up by at least
    `heights_um` (k,). What they leave free of `tilt` stays.

    Its weight, at a place (x, y), comes as low as they let it.
    """
    _, sizes, axes = np.linalg.svd(spots / [1.0, 100.0, 100.0])
    axes = axes[: int(np.sum(sizes > 1e-6))] / [1.0, 100.0, 100.0]  # of lift and tilts, those the blocks hold
    coordinates = spots @ axes.T
    left = heights_um - spots @ tilt
    if len(spots) == len(axes):
        return tilt + np.linalg.solve(coordinates, left) @ axes
    at = axes @ np.array([1.0, *weight])
    found = linprog(at, A_ub=-coordinates, b_ub=-left, bounds=(None, None), method="highs")
    assert found.success, "it would tip off its blocks"
    return np.asarray(tilt + found.x @ axes)


def _middle(layup: LayUp, upper: Face) -> tuple[float, float]:
    """Where on the lower the middle of an upper lies, worked out from where its ends lie."""
    c, s = math.cos(math.radians(layup.angle_deg)), math.sin(math.radians(layup.angle_deg))
    if layup.turn == "over":
        return layup.offset_mm + c * upper.length_mm / 2, layup.offset_y_mm + s * upper.length_mm / 2
    return (
        layup.offset_mm + upper.length_mm - c * upper.length_mm / 2,
        layup.offset_y_mm - s * upper.length_mm / 2,
    )


def _gap(planned: Reading, gap_um: float, instrument: Instrument, factor: float, rng: np.random.Generator) -> Reading:
    u_um = instrument.u_um if planned.u_um is None else planned.u_um
    if u_um is None:
        from waywright.core.readings.blocks import block_u_um, usual_stack

        assert instrument.grade is not None
        u_um = math.hypot(*(block_u_um(b, instrument.grade) for b in usual_stack(round(gap_um / 1e3, 3))))
    found = gap_um + factor * u_um * rng.standard_normal()
    if planned.value is not None:
        if planned.key == "just_mm":
            found += factor * instrument.feel_um * rng.standard_normal()
        return replace(planned, value=_um(found, planned.value.unit))
    low, high = planned.low, planned.high
    if low is not None and high is not None:
        width = high.to("µm") - low.to("µm")
        below = math.floor(found / width) * width
        return replace(planned, low=_um(below, low.unit), high=_um(below + width, high.unit))
    if low is not None:
        return replace(planned, low=_um(found - low.to("µm"), low.unit))
    assert high is not None
    return replace(planned, high=_um(found + high.to("µm"), high.unit))


def _um(value_um: float, unit: str) -> Typed:
    return Typed(value_um / 1e3, "mm") if unit == "mm" else Typed(value_um, "µm")


def _slopes(
    setting: Setting,
    kind: Step | Cross,
    faces: Mapping[str, Face],
    truth_um: Mapping[str, FloatArray],
    instrument: Instrument,
    own: FloatArray,
    factor: float,
    rng: np.random.Generator,
) -> tuple[Reading, ...]:
    face = faces[kind.face]
    h = truth_um[kind.face]
    x = np.array([r.x_mm for r in setting.readings], float)
    y = np.full(len(x), kind.y_mm)
    if isinstance(kind, Step):
        rise = heights_um(face, h, x + kind.base_mm, y) - heights_um(face, h, x, y)
    else:
        rise = heights_um(face, h, x, y + kind.base_mm / 2) - heights_um(face, h, x, y - kind.base_mm / 2)
    seat = setting.seat_um if setting.seat_um is not None else SEAT_UM.get(face.finish or "", 0.0)
    base_m = kind.base_mm / 1e3
    assert instrument.u_um_per_m is not None
    u = math.hypot(instrument.u_um_per_m, math.sqrt(2) * seat / base_m)
    lies = 30.0 * own[0] + 20.0 * (own[1] if isinstance(kind, Step) else own[2])  # its zero, the face's tilt
    slope = rise / base_m + lies + factor * u * rng.standard_normal(len(x))
    return tuple(replace(r, value=Typed(float(s), "µm/m")) for r, s in zip(setting.readings, slope, strict=True))


# -- planned settings, as a test or a study writes them


def edge(
    name: str, length_mm: float = 600.0, stations: int = 7, lines_mm: Sequence[float] = (0.0,), width_mm: float = 40.0
) -> Face:
    """A face with evenly spread stations from end to end."""
    return Face(name, length_mm, width_mm, tuple(np.linspace(0.0, length_mm, stations)), tuple(lines_mm))


def bench(faces: Sequence[Face], *, u_um: float = 1.0, u_um_per_m: float = 4.0, feel_um: float = 1.0) -> Job:
    """Each face on a piece of its own, gauge-block stacks and a level; no readings yet."""
    instruments = (
        Instrument(STACKS, "gauge blocks", u_um=u_um, feel_um=feel_um),
        Instrument(LEVEL, "level", u_um_per_m=u_um_per_m),
    )
    return Job("simulated", tuple(Piece(f.name, (f,)) for f in faces), instruments)


def planned_gaps(
    job: Job, layup: LayUp, x_mm: FloatArray | None = None, y_mm: FloatArray | None = None, *, name: str | None = None
) -> Job:
    """`job` and one more lay-up, values to be read at places, or at every node of the lower under the upper."""
    lower, upper = job.faces()[layup.lower], job.faces()[layup.upper]
    if x_mm is None or y_mm is None:
        x_mm, y_mm = lower.x_mm, lower.y_mm
        inside = under(layup, upper, x_mm, y_mm)
        x_mm, y_mm = x_mm[inside], y_mm[inside]
    sid = f"settings[{len(job.settings)}]"
    readings = tuple(
        Reading(f"{sid}.gaps[{i}]", "gaps", float(x), float(y), key="gap_mm", value=Typed(20.0, "mm"))
        for i, (x, y) in enumerate(zip(x_mm, y_mm, strict=True))
    )
    setting = Setting(sid, layup, readings, name=name, instrument=STACKS)
    return replace(job, settings=(*job.settings, setting))


def planned_slopes(
    job: Job, kind: Step | Cross, x_mm: Sequence[float] | FloatArray, seat_um: float | None = 0.0
) -> Job:
    """`job` and one more run of the level along or across, to be read at `x_mm`."""
    sid = f"settings[{len(job.settings)}]"
    readings = tuple(
        Reading(f"{sid}.readings[{i}]", "readings", float(x), key="um_per_m", value=Typed(0.0, "µm/m"))
        for i, x in enumerate(x_mm)
    )
    setting = Setting(sid, kind, readings, instrument=LEVEL, seat_um=seat_um)
    return replace(job, settings=(*job.settings, setting))


def under(layup: LayUp, upper: Face, x_mm: FloatArray, y_mm: FloatArray) -> NDArray[np.bool_]:
    """(n,) bool: which places of the lower face lie under nodes, or between nodes, of the upper."""
    xu, yu = on_upper(layup, upper.length_mm, x_mm, y_mm)
    inside = (xu >= upper.stations_mm[0] - 1e-9) & (xu <= upper.stations_mm[-1] + 1e-9)
    if len(upper.lines_mm) > 1:
        inside &= (yu >= upper.lines_mm[0] - 1e-9) & (yu <= upper.lines_mm[-1] + 1e-9)
    return inside


def round_of(faces: Sequence[Face], turns: Sequence[str] = ("over",), **instruments: float) -> Job:
    """Every pair of faces in every turn, all nodes to be read: the plan of the three-face method."""
    job = bench(faces, **instruments)
    for (a, b), turn in itertools.product(itertools.combinations(faces, 2), turns):
        job = planned_gaps(job, LayUp(a.name, b.name, turn))
    return job


def truth_of(job: Job, rng: np.random.Generator, size_um: float = 5.0) -> dict[str, FloatArray]:
    """A shape for every face: bow, S and twist of some `size_um` and a roughness of a fifth of it from node to node."""
    truth: dict[str, FloatArray] = {}
    for name, face in job.faces().items():
        s, t = 2 * face.x_mm / face.length_mm - 1, 2 * face.y_mm / face.width_mm
        large = np.column_stack([s**2, s**3, s * t, s**2 * t, t**2]) @ rng.normal(0.0, size_um, 5)
        truth[name] = large + 0.2 * size_um * rng.standard_normal(len(s))
    return truth


def simulated(job: Job, seed: int, size_um: float = 5.0) -> Simulated:
    """`job` read once, its faces drawn from `seed`."""
    rng = np.random.default_rng(seed)
    return read(job, truth_of(job, rng, size_um), rng)


# -- jobs drawn at random


@dataclass(frozen=True)
class Mix:
    """What jobs of a kind are drawn from; ranges hold both their ends."""

    faces: tuple[int, int] = (3, 3)
    stations: tuple[int, int] = (5, 41)
    lines: tuple[int, int] = (1, 5)
    turns: tuple[str, ...] = ("over", "end for end")
    all_pairs: bool = True
    uneven: bool = False  # stations anywhere, lines off the centre line, a fifth of the places not read
    unequal: bool = False  # lengths that differ by up to a third, offsets, places between stations
    brackets: float = 0.0  # the share of gaps read as brackets, and as many again as stacks that drag
    limits: int = 0  # one-sided stacks in each lay-up
    level: bool = False  # across every face with two lines, and along one line of each
    size_um: tuple[float, float] = (2.0, 12.0)


def drawn(mix: Mix, rng: np.random.Generator, *, u_factor: Mapping[str, float] | None = None) -> Simulated:
    """One job of a kind, read."""
    length = float(np.exp(rng.uniform(math.log(200.0), math.log(2000.0))))
    stations = round(float(np.exp(rng.uniform(*np.log(mix.stations)))))
    lines = int(rng.integers(mix.lines[0], mix.lines[1] + 1))
    count = int(rng.integers(mix.faces[0], mix.faces[1] + 1))
    width = min(0.12 * length, 80.0)
    faces = [_face(f"F{i + 1}", mix, length, width, stations, lines, rng) for i in range(count)]
    job = bench(faces, u_um=float(rng.uniform(0.3, 2.0)), u_um_per_m=float(rng.uniform(2.0, 10.0)))
    truth = truth_of(job, rng, float(rng.uniform(*mix.size_um)))
    for layup in _layups(faces, mix, rng):
        job = _planned(job, layup, truth, mix, rng)
    if not job.settings:  # few stations and none of them over one another
        return drawn(mix, rng, u_factor=u_factor)
    for face in faces if mix.level else ():
        across = face.lines_mm[-1] - face.lines_mm[0]
        if across > 0:
            kind = Cross(face.name, across, (face.lines_mm[-1] + face.lines_mm[0]) / 2)
            job = planned_slopes(job, kind, face.stations_mm, seat_um=0.3)
        base = float(np.median(np.diff(face.stations_mm)))
        x = [s for s in face.stations_mm if s + base <= face.stations_mm[-1]]
        job = planned_slopes(job, Step(face.name, base, float(rng.choice(face.lines_mm))), x, seat_um=0.3)
    return read(job, truth, rng, u_factor=u_factor)


def _face(
    name: str, mix: Mix, length: float, width: float, stations: int, lines: int, rng: np.random.Generator
) -> Face:
    if mix.unequal:
        length *= float(rng.uniform(0.67, 1.0))
    y = np.linspace(-0.4, 0.4, lines) * width if lines > 1 else np.zeros(1)
    x = np.linspace(0.0, length, stations)
    if mix.uneven:
        x[1:-1] += rng.uniform(-0.4, 0.4, stations - 2) * length / (stations - 1)
        x = x * rng.uniform(0.8, 0.95) + rng.uniform(0.0, 0.05) * length
        y = y * rng.uniform(0.6, 0.9) + rng.uniform(-0.03, 0.03) * width
    return Face(name, length, width, tuple(x.tolist()), tuple(y.tolist()))


def _layups(faces: Sequence[Face], mix: Mix, rng: np.random.Generator) -> Iterator[LayUp]:
    pairs = list(itertools.combinations(faces, 2))
    if not mix.all_pairs:
        rng.shuffle(pairs)
        pairs = pairs[: int(rng.integers(1, len(pairs) + 1))]
    for (a, b), turn in itertools.product(pairs, mix.turns):
        lower, upper = (a, b) if rng.random() < 0.5 else (b, a)
        offset = float(rng.uniform(-0.2, 0.2)) * lower.length_mm if mix.unequal else 0.0
        yield LayUp(lower.name, upper.name, turn, offset)


def _planned(job: Job, layup: LayUp, truth: Mapping[str, FloatArray], mix: Mix, rng: np.random.Generator) -> Job:
    """`job` and one lay-up, its places and the way each is to be read drawn from `mix`."""
    lower, upper = job.faces()[layup.lower], job.faces()[layup.upper]
    x, y = lower.x_mm.copy(), lower.y_mm.copy()
    if mix.unequal and len(lower.stations_mm) > 2:
        moved = rng.random(len(x)) < 0.3
        x[moved] = rng.uniform(lower.stations_mm[0], lower.stations_mm[-1], int(moved.sum()))
    take = under(layup, upper, x, y)
    if mix.uneven:
        take &= rng.random(len(x)) > 0.2
    if take.sum() < 4:
        return job
    x, y = x[take], y[take]
    job = planned_gaps(job, layup, x, y)
    setting = job.settings[-1]
    xu, yu = on_upper(layup, upper.length_mm, x, y)
    shape = heights_um(lower, truth[lower.name], x, y) + heights_um(upper, truth[upper.name], xu, yu)
    level = np.column_stack([np.ones_like(x), x, y])
    shape -= level @ np.linalg.lstsq(level, shape, rcond=None)[0]
    width = min(4.0, float(np.ptp(shape)) / 4)  # no wider than a quarter of the shape
    readings = [_way(r, mix, width, rng) for r in setting.readings]
    for number, i in enumerate(rng.choice(len(readings), mix.limits)):
        goes = Typed(float(rng.uniform(0.0, 5.0)), "µm") if rng.random() < 0.5 else None
        stops = Typed(3.0, "µm") if goes is None else None
        readings.append(
            replace(setting.readings[i], id=f"{setting.id} limit {number}", value=None, low=goes, high=stops)
        )
    return replace(job, settings=(*job.settings[:-1], replace(setting, readings=tuple(readings))))


def _way(planned: Reading, mix: Mix, width_um: float, rng: np.random.Generator) -> Reading:
    chance = rng.random()
    if chance < mix.brackets:
        return replace(planned, key=None, value=None, low=Typed(0.0, "mm"), high=Typed(width_um / 1e3, "mm"))
    return replace(planned, key="just_mm") if chance < 2 * mix.brackets else planned
