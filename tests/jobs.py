"""Jobs of every kind for property tests: what a person may have, in any order, with any names, metric or inch."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from hypothesis import strategies as st

from waywright.core.evidence.fields import Each, Form, Many, Within, fields_of
from waywright.core.evidence.goal import Goal, Workpiece
from waywright.core.evidence.job import Hung, Job, Pass, PassZone, Reading, Setting, Typed
from waywright.core.evidence.material import Material
from waywright.core.evidence.section import Box, Computed, Hole, IShape, Solid, TShape
from waywright.core.evidence.things import Face, Hand, Instrument, Piece
from waywright.core.readings import KINDS, Cross, LayUp, Step
from waywright.units import unit_of_key

TWO = """\
# Two edges on a rainy evening.
title = "Two edges"     # as written on the box

[instruments.blocks]
kind = "gauge blocks"
u_um = 0.3

[instruments.level]     # borrowed
kind = "level"
u_um_per_m = 4.0

[[pieces]]
name = "P"
[[pieces.faces]]
name = "P"
length_mm = "24 in"
width_mm = 40
stations_mm = [0, 100, 200, 300, 400, 500, 600]
lines_mm = [-15, 15]

[[pieces]]
name = "Q"
[[pieces.faces]]
name = "Q"
length_mm = 609.6
width_mm = 40
stations_mm = [0, 300, 600]

# The first evening.
[[layups]]
lower = "P"
upper = "Q"
turn = "over"
instrument = "blocks"
gaps = [                        # from the marked end
  { x_mm = 0, gap_mm = "0,4 thou" },     # felt twice
  # the lamp went out here
  { x_mm = 300, goes_mm = 0.012, stops_mm = "0.5 thou" },
  { x_mm = 600, when = 2026-03-01, just_mm = 0.010 },
]

[[crosses]]
face = "P"
instrument = "level"
base_mm = 30
readings = [ { x_mm = 0, um_per_m = "2 arcsec" }, { x_mm = 600, um_per_m = -3 } ]

[[layups]]
lower = "P"
upper = "Q"
turn = "end for end"
setting = "turned"
instrument = "blocks"
gaps = [ { x_mm = 300, gap_mm = 0.011 } ]

[goal]
straightness_um = 6     # for the shaper
"""

LETTERS = st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"])
NAMES = st.text(LETTERS, min_size=1, max_size=12).filter(lambda name: name.strip())
NOTES = st.none() | NAMES


def some(low: float, high: float, places: int = 3) -> st.SearchStrategy[float]:
    """Numbers as people type them."""
    scale = 10**places
    return st.integers(math.ceil(low * scale - 1e-6), math.floor(high * scale + 1e-6)).map(lambda n: n / scale)


@st.composite
def typed(draw: st.DrawFn, low: float, high: float, unit: str = "mm") -> Typed:
    """A number between `low` and `high` of `unit`, bare or as text with a comma or a unit."""
    number = draw(some(low, high, 4))
    how = draw(st.integers(0, 3))
    if how == 0:
        return Typed(number, unit)
    if how == 1:
        return Typed(number, unit, f"{number:.4f}".replace(".", ","))
    if how == 2 or unit != "mm":
        return Typed(number, unit, f"{number:.4f} {unit}")
    inches = round(number / 25.4, 5)
    return Typed(inches, "in", f"{inches:.5f} in")


@st.composite
def faces(draw: st.DrawFn, name: str, length_mm: float, half_mm: float) -> Face:
    """A face with stations from end to end and one line or several, the same to both sides."""
    inner = draw(st.sets(st.integers(1, int(length_mm) - 1), max_size=4))
    lines = draw(st.sampled_from([(0.0,), (-half_mm, half_mm), (-half_mm, 0.0, half_mm)]))
    return Face(
        name,
        length_mm,
        2 * half_mm + draw(some(0.0, 10.0)),
        (0.0, *(float(x) for x in sorted(inner)), length_mm),
        lines,
        draw(st.sampled_from(["top", "bottom"])),
        draw(st.sampled_from([None, "scraped", "ground"])),
    )


INSTRUMENTS = {
    "blocks": {"kind": "gauge blocks", "grade": "1", "feel_um": 0.8, "blocks_mm": (1.001, 20.0)},
    "own blocks": {"kind": "gauge blocks", "u_um": 0.25},
    "level": {"kind": "level", "u_um_per_m": 4.0, "um_per_m_per_div": 20.0},
}


@st.composite
def layups(draw: st.DrawFn, lower: Face, upper: Face, number: int) -> dict[str, Any]:
    """A lay-up of two faces, its spacers and gaps."""
    reach = min(lower.lines_mm[-1], upper.lines_mm[-1]) if min(len(lower.lines_mm), len(upper.lines_mm)) > 1 else 0.0

    def place() -> dict[str, Any]:
        across = some(-reach, reach) if reach else st.none() | st.just(0.0)
        return {"x_mm": draw(some(0.0, lower.length_mm)), "y_mm": draw(across)}

    def reading(entry: str, at: int) -> Reading:
        found: dict[str, Any] = {"id": f"{{}}.{entry}[{at}]", "entry": entry, **place()}
        if entry == "spacers":
            return Reading(
                **found, key="size_mm", value=draw(typed(5.0, 30.0)), block=draw(st.sampled_from([None, "20 mm"]))
            )
        how = draw(st.sampled_from(["gap_mm", "just_mm", "both", "goes", "stops"]))
        if how.endswith("_mm"):
            found |= {"key": how, "value": draw(typed(5.0, 30.0))}
        found |= {"low": draw(typed(5.0, 10.0))} if how in ("both", "goes") else {}
        found |= {"high": draw(typed(11.0, 30.0))} if how in ("both", "stops") else {}
        return Reading(**found, u_um=draw(st.none() | some(0.1, 3.0)), when=draw(NOTES), note=draw(NOTES))

    readings = [reading("spacers", i) for i in range(draw(st.integers(0, 2)))]
    readings += [reading("gaps", i) for i in range(draw(st.integers(1, 4)))]
    geometry = LayUp(lower.name, upper.name, draw(st.sampled_from(["over", "end for end"])))
    return {"geometry": geometry, "readings": readings, "instrument": draw(st.sampled_from(["blocks", "own blocks"]))}


@st.composite
def slopes(draw: st.DrawFn, face: Face, number: int) -> dict[str, Any]:
    """Steps along a face, or a level across it."""
    across = len(face.lines_mm) > 1 and draw(st.booleans())
    base = draw(some(1.0, 2 * face.lines_mm[-1] if across else face.length_mm / 2))
    free = face.length_mm if across else face.length_mm - base
    how = draw(st.sampled_from(["um_per_m", "div"]))
    readings = [
        Reading(
            f"{{}}.readings[{i}]",
            "readings",
            x_mm=draw(some(0.0, free, 2)),
            key=how,
            value=Typed(draw(some(-50.0, 50.0)), "div") if how == "div" else draw(typed(-90.0, 90.0, "µm/m")),
        )
        for i in range(draw(st.integers(1, 3)))
    ]
    geometry: Cross | Step = Cross(face.name, base) if across else Step(face.name, base, y_mm=face.lines_mm[0])
    return {
        "geometry": geometry,
        "readings": readings,
        "instrument": "level",
        "seat_um": draw(st.none() | some(0.0, 2.0)),
    }


@st.composite
def zones(draw: st.DrawFn, length_mm: float, half_mm: float) -> PassZone:
    """A stretch of a face, over its whole width or one half of it."""
    start, stop = sorted(draw(st.lists(st.integers(0, int(length_mm)), min_size=2, max_size=2, unique=True)))
    y_from, y_to = draw(st.sampled_from([(None, None), (0.0, None), (-half_mm, 0.0)]))
    return PassZone(float(start), float(stop), y_from, y_to, draw(st.integers(1, 9)))


WEBBED = {"depth_mm": 80.0, "width_mm": 40.0, "web_mm": 10.0, "flange_mm": 12.0}
SECTIONS = (
    Solid(depth_mm=50.0, width_mm=12.0),
    IShape(**WEBBED, holes=(Hole(20.0, 30.0), Hole(60.0, 20.0, 30.0))),  # type: ignore[arg-type]
    TShape(**WEBBED),  # type: ignore[arg-type]
    Box(**WEBBED),  # type: ignore[arg-type]
    Computed(area_mm2=900.0, inertia_mm4=4e5, depth_mm=60.0),
)
OWN = Material("our iron", 7150.0, 104.0, e_doubt=0.08)


@st.composite
def bodies(draw: st.DrawFn, name: str, face: Face) -> Piece:
    """A piece of which nothing is known but its face, or how it is made, weighed and carried."""
    if draw(st.booleans()) or face.length_mm < 100:
        return Piece(name, (face,), draw(NOTES))
    section = draw(st.sampled_from(SECTIONS))
    several = (section, replace(section, x_mm=40.0), Solid(x_mm=40.0, depth_mm=30.0, width_mm=12.0))
    return Piece(
        name,
        (face,),
        draw(st.sampled_from(["cast iron", "steel", OWN.name])),
        **draw(st.sampled_from([{"section": section}, {"sections": several}])),
        mass_kg=draw(st.none() | some(0.5, 50.0)),
        carried_mm=draw(st.sampled_from([(), (10.0, 70.0), (0.0, 25.5, 50.0)])),
    )


def standing(names: list[str]) -> st.SearchStrategy[dict[str, Any]]:
    """How pieces stood in a setting, and how warm they were: all of it, or nothing."""
    name = st.sampled_from(names)
    return st.just({}) | st.fixed_dictionaries(
        {
            "carried_mm": st.sampled_from([(5.0, 40.0), (0.0, 20.5, 45.0)]).flatmap(
                lambda at: name.map(lambda n: ((n, at),))
            ),
            "hung": st.lists(st.builds(Hung, name, some(0.0, 50.0), some(0.1, 20.0)), max_size=2).map(tuple),
            "rested": st.sampled_from([None, "overnight", "hours", "just handled"]),
            "warm_c": st.tuples(some(18.0, 25.0, 1), some(18.0, 25.0, 1)).flatmap(
                lambda two: name.map(lambda n: ((n, two),))
            ),
            "warm_u_c": st.none() | some(0.0, 0.5, 2),
        }
    )


@st.composite
def jobs(draw: st.DrawFn) -> Job:
    """A whole job that can be: pieces, instruments, settings of all kinds in any order, passes and a goal."""
    names = draw(st.lists(NAMES, min_size=2, max_size=4, unique=True))
    length, half = float(draw(st.integers(50, 2000))), float(draw(st.integers(5, 60)))
    sides = {name: draw(faces(name, length, half)) for name in names}
    pieces = tuple(draw(bodies(name, face)) for name, face in sides.items())
    settings: list[Setting] = []
    counts: dict[str, int] = {}
    for number in range(draw(st.integers(0, 4))):
        lower, upper = draw(st.permutations(list(sides.values())))[:2]
        found = draw(st.one_of(layups(lower, upper, number), slopes(lower, number))) | draw(standing(names))
        block = found["geometry"].block
        counts[block] = counts.get(block, -1) + 1
        own = draw(st.sampled_from([f"{block}[{counts[block]}]", f"own {number}"]))
        rows = tuple(
            _named(r, own, draw(st.booleans()) and f"r{number}-{i}") for i, r in enumerate(found.pop("readings"))
        )
        name = draw(st.sampled_from([None, f"s{number}"]))
        when, note = draw(NOTES), draw(NOTES)
        temperature = draw(st.none() | some(15.0, 25.0, 1))
        settings.append(
            Setting(own, readings=rows, name=name, when=when, note=note, temperature_c=temperature, **found)
        )
    owned = draw(st.permutations(list(INSTRUMENTS)))
    instruments = tuple(Instrument(name, **INSTRUMENTS[name]) for name in owned)  # type: ignore[arg-type]
    taken = [None, *(s.group for s in settings)]
    passes = tuple(
        Pass(
            f"passes[{i}]",
            draw(st.sampled_from(names)),
            draw(st.sampled_from(taken)),
            depth_um=draw(st.none() | some(0.5, 5.0, 1)),
            zones=tuple(draw(st.lists(zones(length, half), max_size=2))),
            note=draw(NOTES),
        )
        for i in range(draw(st.integers(0, 2)))
    )
    return Job(
        title=draw(st.just("") | NAMES),
        pieces=pieces,
        instruments=instruments,
        settings=tuple(settings),
        passes=passes,
        goal=draw(goals(names)),
        hand=draw(st.none() | st.builds(Hand, some(0.5, 5.0, 1), some(0.0, 1.0, 2), some(0.0, 0.5, 2))),
        temperature_c=draw(st.none() | some(15.0, 25.0, 1)),
        note=draw(NOTES),
        materials=(OWN,),
    )


def goals(names: list[str]) -> st.SearchStrategy[Goal]:
    """A goal, or none."""
    return st.just(Goal()) | st.builds(
        Goal,
        straightness_um=st.none() | some(0.5, 50.0, 1),
        flatness_um=st.none() | some(0.5, 50.0, 1),
        twist_um_per_m=st.none() | some(1.0, 90.0, 1),
        grade=st.none(),
        side=st.sampled_from(["between", "middle high only", "hollow only"]),
        leave_out_mm=some(0.0, 20.0, 1),
        rule=st.sampled_from(["guarded", "simple"]),
        faces=st.just(()) | st.just((names[0],)),
        part=st.none()
        | st.builds(Workpiece, some(1.0, 50.0, 1), some(10.0, 500.0, 1), st.none() | some(50.0, 300.0, 1)),
    )


def _named(reading: Reading, setting: str, own: str | bool) -> Reading:
    """A reading with an id of its own, or else its place."""
    return replace(reading, id=own or reading.id.format(setting))


def _anything(form: Form) -> st.SearchStrategy[Any]:
    """Values of the form of a field."""
    if isinstance(form, Many):
        return st.lists(_anything(form.of), max_size=3).map(tuple)
    if isinstance(form, Each):
        return st.tuples(*map(_anything, form.of))
    if isinstance(form, Within):
        return st.one_of(_any(cls) for cls in form.classes)
    if form.words:
        return st.sampled_from(form.words)
    return {float: some(0.001, 60.0), int: st.integers(-9, 9), bool: st.booleans(), str: NAMES}[form.type]


def _any(cls: type) -> st.SearchStrategy[Any]:
    """A dataclass with anything in its fields."""
    return st.builds(cls, **{name: _anything(field.form) for name, field in fields_of(cls).items()})


@st.composite
def kinds_of_setting(draw: st.DrawFn) -> Setting:
    """A setting of any kind there is, by its fields and lists alone: it need not be one that can be."""
    kind = draw(st.sampled_from(list(KINDS.values())))
    geometry = draw(_any(kind))
    readings: list[Reading] = []
    for entry in kind.entries:
        for i in range(draw(st.integers(1, 3))):
            found: dict[str, Any] = {key: draw(st.none() | some(-60.0, 60.0)) for key in entry.places}
            how = draw(st.sampled_from([*entry.values, *entry.marks, *([entry.low] if entry.low else [])]))
            if how in entry.marks:
                found["mark"] = how
            elif how == entry.low:
                found["low"] = Typed(draw(some(0.0, 30.0)), unit_of_key(how))
            else:
                found |= {"key": how, "value": Typed(draw(some(-30.0, 30.0)), unit_of_key(how))}
            note = draw(NOTES)
            readings.append(Reading(f"{kind.block}[0].{entry.name}[{i}]", entry.name, note=note, **found))
    return Setting(
        f"{kind.block}[0]", geometry, tuple(readings), name=draw(NOTES), seat_um=draw(st.none() | some(0.0, 2.0))
    )
