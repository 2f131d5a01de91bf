"""The solve of a whole web: against the beam where it has no holes, against its chords where it has wide ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from waywright.core.body.beam import BEAM_HOLDS, Beam
from waywright.core.body.bending import stiffness_doubt
from waywright.core.body.stiffness import rows_mm
from waywright.core.body.web import _hung, softened
from waywright.core.evidence.material import BUILT_IN
from waywright.core.evidence.section import Box, Hole, IShape, Solid, TShape, Webbed

IRON = BUILT_IN["cast iron"]
LENGTH = 1000.0
EDGE = IShape(depth_mm=80.0, width_mm=40.0, web_mm=10.0, flange_mm=12.0)
SHAPES = [EDGE, *(shape(**{k: v for k, v in vars(EDGE).items() if k != "shape"}) for shape in (TShape, Box))]


def even(beam: Beam) -> float:
    """Sag of the middle, µm, carried at the ends under 1 N a mm."""
    x = np.linspace(0.0, LENGTH, 201)
    loads = tuple(zip(x.tolist(), np.gradient(x).tolist(), strict=True))
    return float(beam.carried((0.0, LENGTH), loads, 0.0).sag(np.array([LENGTH / 2]))[0])


@pytest.mark.parametrize("section", SHAPES, ids=lambda section: section.shape)
def test_a_whole_web_hangs_as_its_beam(section: Webbed) -> None:
    """Without holes plane stress and Timoshenko agree to a hundredth: two reckonings that share but the layers."""
    x = np.linspace(0.0, LENGTH, 201)
    y, thick = rows_mm((section,), x, 5.0)
    solved_um = _hung(x, y, thick, IRON.poisson) / IRON.e_gpa  # it is in mm for E = 1 N/mm²
    assert solved_um == pytest.approx(even(Beam(LENGTH, (section,), IRON)), rel=0.01)


def test_small_holes_are_as_the_beam_has_them() -> None:
    """Round holes half as deep as the web: the beam is within its 5 %, and is kept."""
    holed = replace(EDGE, holes=tuple(Hole(float(x), 28.0) for x in range(100, 1000, 100)))
    beam = Beam(LENGTH, (holed,), IRON)
    assert beam.error is not None
    assert abs(beam.error) < BEAM_HOLDS
    assert even(beam) == even(replace(beam, as_solved=False))
    assert stiffness_doubt(beam) == pytest.approx(np.hypot(0.15, abs(beam.error)))


def test_over_wide_slots_the_chords_bend_by_themselves() -> None:
    """Two slots of 200 mm at the quarters: beside what the beam has, each chord bends as a bar held at both ends under
    half the shear V there, w·L/4 on average: V/2·ℓ³/12EI_c (Vierendeel; derived). The solve is near that, and is what
    the piece then hangs."""
    holed = replace(EDGE, holes=(Hole(250.0, 40.0, 200.0), Hole(750.0, 40.0, 200.0)))
    beam = Beam(LENGTH, (holed,), IRON)
    thick, chord = 8.0, 12.0  # what is left of the web; the flange
    axis = (40 * chord * chord / 2 + 10 * thick * (chord + thick / 2)) / (40 * chord + 10 * thick)
    inertia = 40 * chord**3 / 12 + 40 * chord * (axis - chord / 2) ** 2
    inertia += 10 * thick**3 / 12 + 10 * thick * (chord + thick / 2 - axis) ** 2
    shear = 1.0 * LENGTH / 4
    chords_um = shear / 2 * 200.0**3 / (12 * IRON.e_gpa * 1e3 * inertia) * 1e3
    plain = even(replace(beam, as_solved=False))
    assert even(beam) - plain == pytest.approx(chords_um, rel=0.1)
    assert beam.error is not None
    assert even(beam) == pytest.approx(plain * (1 + beam.error))
    assert stiffness_doubt(beam) == pytest.approx(np.hypot(0.15, BEAM_HOLDS))


def test_the_mesh_is_fine_enough() -> None:
    """A mesh half as wide changes what holes do by less than a tenth of it."""
    holes = (Hole(250.0, 40.0, 200.0),)
    coarse = softened((EDGE,), holes, LENGTH, 0.26) - 1
    fine = softened((EDGE,), (*holes, Hole(15.0, 20.0)), LENGTH, 0.26) - 1  # a small hole at the end asks for it
    assert fine == pytest.approx(coarse, rel=0.1)


def test_where_it_cannot_be_solved_nothing_is_told() -> None:
    """Without holes, and of sections of several shapes, there is no error; then holes count as 5 % of doubt."""
    assert Beam(LENGTH, (EDGE,), IRON).error is None
    holed = replace(EDGE, holes=(Hole(100.0, 30.0),))
    mixed = (holed, replace(EDGE, x_mm=500.0), Solid(x_mm=500.0, depth_mm=80.0, width_mm=9.0))
    beam = Beam(LENGTH, mixed, IRON)
    assert beam.error is None
    assert stiffness_doubt(beam) == pytest.approx(np.hypot(0.15, BEAM_HOLDS))
