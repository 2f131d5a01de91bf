"""Warmth that stands in a piece: known as far as it was read, a named unknown a piece and setting for the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.body.test_weight import LENGTH, World
from tests.kinds.worlds import edge, flat, nodes_of
from waywright.core.body.bending import warmth_c
from waywright.core.evidence.bends import unbent
from waywright.core.evidence.job import Setting
from waywright.core.evidence.things import FloatArray
from waywright.core.readings import Run
from waywright.core.report import report

DEEP = 80.0
CROWN_UM = 10.5 * (LENGTH / 1e3) ** 2 / (8 * DEEP / 1e3)  # of one degree: α·ΔT·L²/8h


def warm(world: World, name: str, degrees: float, **said: object) -> None:
    """A run over a face that is so much warmer than its back: crowned by a parabola, α·ΔT·x(L − x)/2h."""
    up = -world.alone if name == "A under" else world.alone

    def shown(x: float, y: float) -> float:
        return world.bent(name, x, up) + degrees * CROWN_UM * 4 * x * (LENGTH - x) / LENGTH**2

    world.take(Run(name), shown, nodes_of(edge(name)))
    last = replace(world.job.settings[-1], **said)  # type: ignore[arg-type]
    world.job = replace(world.job, settings=(*world.job.settings[:-1], last))


def deep(world: World) -> World:
    """With the depth of the section said."""
    pieces = tuple(replace(p, section=replace(p.section, depth_mm=DEEP)) for p in world.job.pieces)  # type: ignore[type-var]
    world.job = replace(world.job, pieces=pieces)
    return world


def off_um(world: World, name: str) -> FloatArray:
    shape = next(s for s in report(world.job, with_cures=False).shapes if s.face == name)
    return np.asarray(shape.height_um - flat(world.job.faces()[name], world.truth[name]))


@pytest.mark.parametrize(("name", "piece"), [("A", "A"), ("A under", "A"), ("B", "B")])
def test_a_crown_that_was_read_as_warmth_comes_off(name: str, piece: str) -> None:
    """A face 0.4 °C warmer than its back, told so exactly, gives its true heights; a bottom as well as a top."""
    world = deep(World())
    warm(world, name, 0.4, warm_c=((piece, (20.9, 20.5)),), warm_u_c=0.0)
    assert np.abs(off_um(world, name)).max() < 1e-5
    told = report(world.job, with_cures=False, bends=unbent).shapes
    assert (
        max(
            np.abs(s.height_um - flat(world.job.faces()[name], world.truth[name])).max() for s in told if s.face == name
        )
        > 1.0
    )


@pytest.mark.parametrize(("rested", "sigma_c"), [("overnight", 0.05), ("hours", 0.15), ("just handled", 0.5)])
def test_how_long_it_rested_is_in_the_bands(rested: str, sigma_c: float) -> None:
    """What nobody read of the warmth is a named unknown of the size that its rest makes likely: the middle's band is as
    wide as the crown of so many degrees, and its name has most of the budget."""
    world = deep(World())
    world.job = replace(world.job, goal=replace(world.job.goal, straightness_um=5.0))
    plain, rests = deep(World()), world
    warm(plain, "A", 0.0)
    warm(rests, "A", 0.0, rested=rested)
    before, after = (report(w.job, with_cures=False) for w in (plain, rests))
    x = edge("A").x_mm
    crown = flat(edge("A"), sigma_c * CROWN_UM * 4 * x * (LENGTH - x) / LENGTH**2)
    widened = after.shapes[0].sigma_um ** 2 - before.shapes[0].sigma_um ** 2
    np.testing.assert_allclose(widened, crown**2, rtol=1e-3, atol=1e-5)
    assert any(s.name.startswith("warmth of A in") for s in after.budget)


def test_a_repeat_after_a_rest_tells_the_warmth_of_the_first() -> None:
    """Read just handled and again overnight: the warmth of the first reading is learned from the second, and the face
    is known nearly as well as by the second alone."""
    both, last = deep(World()), deep(World())
    warm(both, "A", 0.6, rested="just handled")
    for world in (both, last):
        warm(world, "A", 0.02, rested="overnight")
    sigma = [report(world.job, with_cures=False).shapes[0].sigma_um[3] for world in (both, last)]
    assert sigma[0] <= sigma[1] * (1 + 1e-6)
    assert np.abs(off_um(both, "A")).max() < 3 * sigma[1]


def test_warmth_is_what_was_read_and_how_long_it_rested_together() -> None:
    """Two pieces of knowledge weigh by what they are worth; with none nothing is said."""
    plain = Setting("s", Run("A"), ())
    assert warmth_c(plain, "A") == (0.0, pytest.approx(0.15))  # as most rest, in a job that speaks of it elsewhere
    assert warmth_c(replace(plain, rested="hours"), "A") == (0.0, pytest.approx(0.15))
    read = replace(plain, warm_c=(("A", (21.0, 20.5)),))
    assert warmth_c(read, "A") == (pytest.approx(0.5), pytest.approx(0.2))
    assert warmth_c(read, "B") == (0.0, pytest.approx(0.15))
    mean, sigma = warmth_c(replace(read, rested="hours", warm_u_c=0.15), "A")
    assert (mean, sigma) == (pytest.approx(0.25), pytest.approx(0.15 / np.sqrt(2)))


def test_of_a_piece_whose_depth_nobody_said_warmth_is_left_out() -> None:
    """A given section without its depth bends by warmth nobody knows how far: nothing is done with it."""
    world = World()
    warm(world, "A", 0.0, rested="hours")
    assert not any(
        str(u.label).startswith("warmth") for u in report(world.job).given.bends(world.job, world.job.settings[0])
    )
