"""What may be told otherwise without any height changing: heights agree to 1e-6 µm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.simulate import Mix, drawn
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.fields import with_renamed
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.readings import Cross, LayUp, Step

MIXES = (
    Mix(faces=(2, 2), stations=(5, 7), lines=(1, 2), turns=("over",), brackets=0.3),
    Mix(stations=(5, 8), lines=(1, 3), level=True),
    Mix(faces=(2, 3), stations=(5, 8), lines=(2, 3), uneven=True, unequal=True, brackets=0.2, level=True),
)
Yield = dict[str, tuple[FloatArray, FloatArray]]


def told(job: Job) -> Yield:
    """Heights and sigmas of every face by name, NaN where nothing reads."""
    net = network(job)
    solution = Solution(net.unknowns, net.rows.take(np.flatnonzero(net.rows.sense == 0)))
    found: Yield = {}
    for f in solution.faces:
        face = f.unknown.face
        assert face is not None
        h, s = np.full(len(face.x_mm), np.nan), np.full(len(face.x_mm), np.nan)
        h[f.unknown.nodes], s[f.unknown.nodes] = solution.heights_um(f), solution.height_sigmas(f)
        found[face.name] = h, s
    return found


def agree(one: Yield, other: Yield) -> None:
    assert set(one) == set(other)
    for name, (h, s) in one.items():
        np.testing.assert_allclose(h, other[name][0], rtol=0, atol=1e-6)
        np.testing.assert_allclose(s, other[name][1], rtol=2e-5)


def each_reading(job: Job, change: Callable[[Setting, Reading], Reading]) -> Job:
    made = (replace(s, readings=tuple(change(s, r) for r in s.readings)) for s in job.settings)
    return replace(job, settings=tuple(made))


def moved(reading: Reading, by: float) -> Reading:
    """The reading with `by` added in its own unit."""

    def more(typed: Typed | None) -> Typed | None:
        return None if typed is None else Typed(typed.number + by, typed.unit)

    return replace(reading, value=more(reading.value), low=more(reading.low), high=more(reading.high))


# -- what may change


def lifted_and_tilted(job: Job, rng: np.random.Generator) -> Job:
    """Every lay-up stands on other blocks, every level has another zero."""
    own = {s.id: rng.normal(size=3) * [0.5, 1e-4, 1e-3] for s in job.settings}

    def change(setting: Setting, reading: Reading) -> Reading:
        lift, along, across = own[setting.id]
        if isinstance(setting.geometry, LayUp):
            return moved(reading, lift + along * (reading.x_mm or 0.0) + across * (reading.y_mm or 0.0))
        return moved(reading, 1e3 * lift)

    return each_reading(job, change)


def inches(job: Job, rng: np.random.Generator) -> Job:
    """The same numbers typed in inches, thou and arc seconds."""
    per = {"in": 25.4, "thou": 0.0254}

    def other(typed: Typed | None, unit: str) -> Typed | None:
        if typed is None:
            return None
        if typed.unit == "µm/m":
            return Typed(typed.number / (np.pi / 648_000 * 1e6), "arcsec")
        return Typed(typed.to("mm") / per[unit], unit)

    def change(_: Setting, reading: Reading) -> Reading:
        unit = str(rng.choice(list(per)))
        parts = {key: other(getattr(reading, key), unit) for key in ("value", "low", "high")}
        return replace(reading, **parts)  # type: ignore[arg-type]

    return each_reading(job, change)


def two_blocks(job: Job, rng: np.random.Generator) -> Job:
    """Every setting told in two blocks of the same name."""
    return _in_two(job, rng, same=True)


def two_settings(job: Job, rng: np.random.Generator) -> Job:
    """Every setting told as two that share nothing."""
    return _in_two(job, rng, same=False)


def _in_two(job: Job, rng: np.random.Generator, same: bool) -> Job:
    made = []
    for s in job.settings:
        first = rng.random(len(s.readings)) < 0.5
        for part in (True, False):
            readings = tuple(r for r, here in zip(s.readings, first, strict=True) if here == part)
            name = f"setting {s.id}" if same else None
            made.append(replace(s, id=f"{s.id} {part}", name=name, readings=readings))
    return replace(job, settings=tuple(s for s in made if s.readings))


def reordered(job: Job, rng: np.random.Generator) -> Job:
    """Pieces, instruments, settings and readings in another order."""

    def shuffled(things: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(things[i] for i in rng.permutation(len(things)))

    made = tuple(replace(s, readings=shuffled(s.readings)) for s in shuffled(job.settings))
    return replace(job, pieces=shuffled(job.pieces), instruments=shuffled(job.instruments), settings=made)


def from_the_other_face(job: Job, rng: np.random.Generator) -> Job:
    """Half of the lay-ups told with the upper face as the lower."""
    faces = job.faces()
    made = []
    for s in job.settings:
        g = s.geometry
        if not isinstance(g, LayUp) or rng.random() < 0.5:
            made.append(s)
            continue
        lower, upper = faces[g.lower], faces[g.upper]
        over = g.turn == "over"
        offset = -g.offset_mm if over else g.offset_mm + upper.length_mm - lower.length_mm

        def there(r: Reading, g: LayUp = g, upper: Face = upper, over: bool = over) -> Reading:
            x = (r.x_mm or 0.0) - g.offset_mm
            return replace(r, x_mm=x if over else upper.length_mm - x, y_mm=-(r.y_mm or 0.0) if over else r.y_mm)

        geometry = LayUp(g.upper, g.lower, g.turn, offset)
        made.append(replace(s, geometry=geometry, readings=tuple(there(r) for r in s.readings)))
    return replace(job, settings=tuple(made))


CHANGES = (lifted_and_tilted, inches, two_blocks, reordered, from_the_other_face)


@pytest.mark.parametrize("change", CHANGES, ids=lambda c: c.__name__.replace("_", " "))
@given(mix=st.sampled_from(MIXES), seed=st.integers(0, 2**32 - 1))
@settings(max_examples=25)
def test_heights_do_not_change(change: Callable[[Job, np.random.Generator], Job], mix: Mix, seed: int) -> None:
    """The same readings lifted, tilted, in other units, blocks or order, or told from the other face, give the same."""
    rng = np.random.default_rng(seed)
    job = drawn(mix, rng).job
    agree(told(job), told(change(job, rng)))


@given(mix=st.sampled_from(MIXES), seed=st.integers(0, 2**32 - 1))
@settings(max_examples=25)
def test_names_say_nothing(mix: Mix, seed: int) -> None:
    """Faces, settings, readings and instruments under other names give the same heights under those names."""
    job = drawn(mix, np.random.default_rng(seed)).job
    names = {name: f"the {name} of old: 1" for name in job.faces()}
    pieces = tuple(
        replace(p, name=f"piece {p.name}", faces=tuple(replace(f, name=names[f.name]) for f in p.faces))
        for p in job.pieces
    )
    made = []
    for s in job.settings:
        geometry = s.geometry
        for old, new in names.items():
            geometry = with_renamed(geometry, "face", old, new)
        readings = tuple(replace(r, id=f"x{r.id}") for r in s.readings)
        made.append(replace(s, id=f"x: {s.id}", geometry=geometry, readings=readings, instrument=f"my {s.instrument}"))
    instruments = tuple(replace(i, name=f"my {i.name}") for i in job.instruments)
    renamed = told(replace(job, pieces=pieces, instruments=instruments, settings=tuple(made)))
    agree({names[name]: found for name, found in told(job).items()}, renamed)


@given(mix=st.sampled_from(MIXES), seed=st.integers(0, 2**32 - 1))
@settings(max_examples=25)
def test_either_end_may_be_the_marked_one(mix: Mix, seed: int) -> None:
    """A face marked at its other end (and so seen turned by half a turn) has the same heights, from the other end."""
    job = drawn(mix, np.random.default_rng(seed)).job
    name = next(iter(job.faces()))
    face = job.faces()[name]
    turned = replace(
        face,
        stations_mm=tuple(face.length_mm - x for x in reversed(face.stations_mm)),
        lines_mm=tuple(-y for y in reversed(face.lines_mm)),
    )
    pieces = tuple(replace(p, faces=tuple(turned if f.name == name else f for f in p.faces)) for p in job.pieces)
    made = tuple(_marked_at_the_other_end(s, face, job.faces()) for s in job.settings)
    found = told(replace(job, pieces=pieces, settings=made))
    found[name] = (found[name][0][::-1], found[name][1][::-1])
    agree(told(job), found)


def _marked_at_the_other_end(setting: Setting, face: Face, faces: dict[str, Face]) -> Setting:
    """The setting as told once the marked end of `face` is the other one."""
    g = setting.geometry
    if isinstance(g, LayUp) and face.name in (g.lower, g.upper):
        other_turn = "end for end" if g.turn == "over" else "over"
        if face.name == g.upper:
            return replace(setting, geometry=replace(g, turn=other_turn))
        offset = face.length_mm - g.offset_mm - faces[g.upper].length_mm
        there = (replace(r, x_mm=face.length_mm - (r.x_mm or 0.0), y_mm=-(r.y_mm or 0.0)) for r in setting.readings)
        return replace(setting, geometry=replace(g, turn=other_turn, offset_mm=offset), readings=tuple(there))
    if isinstance(g, Step | Cross) and g.face == face.name:
        base = g.base_mm if isinstance(g, Step) else 0.0
        readings = tuple(
            replace(r, x_mm=face.length_mm - (r.x_mm or 0.0) - base, value=Typed(-r.value.number, r.value.unit))
            for r in setting.readings
            if r.value is not None
        )
        return replace(setting, geometry=replace(g, y_mm=-g.y_mm), readings=readings)
    return setting


@given(mix=st.sampled_from(MIXES), seed=st.integers(0, 2**32 - 1))
@settings(max_examples=25)
def test_sharing_less_never_makes_surer(mix: Mix, seed: int) -> None:
    """One setting told as two, each with a lift and tilt of its own, never lowers a sigma."""
    rng = np.random.default_rng(seed)
    job = drawn(mix, rng).job
    whole, parts = told(job), told(two_settings(job, rng))
    for name in whole:
        read = ~np.isnan(whole[name][1])
        assert np.all(parts[name][1][read] > whole[name][1][read] * (1 - 2e-5))


@given(mix=st.sampled_from(MIXES), seed=st.integers(0, 2**32 - 1))
@settings(max_examples=25)
def test_one_more_reading_never_makes_less_sure(mix: Mix, seed: int) -> None:
    """Leaving out a lay-up never lowers a sigma of the faces still read at the same nodes."""
    job = drawn(mix, np.random.default_rng(seed)).job
    if len(job.settings) < 2:
        return
    whole, less = told(job), told(replace(job, settings=job.settings[1:]))
    for name, (_, sigma) in less.items():
        if np.array_equal(np.isnan(sigma), np.isnan(whole[name][1])):
            read = ~np.isnan(sigma)
            assert np.all(sigma[read] > whole[name][1][read] * (1 - 2e-5))
