"""The beam against closed forms: an even bar on any supports, shear, steps and tapers, and the prototype metre."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from waywright.core.body.beam import GRAVITY, Beam
from waywright.core.body.places import best
from waywright.core.body.stiffness import stiffness
from waywright.core.evidence.material import BUILT_IN, Material
from waywright.core.evidence.section import Box, Computed, Hole, IShape, Solid, TShape

STEEL = BUILT_IN["steel"]
LENGTH = 1000.0
# Stiff in shear, so that bending alone is left: an area of shear far beyond any.
EVEN = Beam(LENGTH, (Computed(area_mm2=1000.0, inertia_mm4=1e6, shear_mm2=1e14),), STEEL)
SIZE_UM = EVEN.weight_n * 1.0**3 / (206e9 * 1e-6) * 1e6  # w·L⁴/EI


def at(beam: Beam, supports_mm: tuple[float, ...], *x_mm: float) -> list[float]:
    """Sag at places, µm."""
    return list(beam.carried(supports_mm).sag(np.array(x_mm)))


# Place of either support from its end as a share of the length; sag in the middle and at the ends in w·L⁴/EI: derived,
# as middle = −(2a − 1)²(4a² + 20a − 5)/384 and end = −a(a³ + 6a² − 6a + 1)/24.
OVERHANGS = [
    (0.2113248654, 5.163801e-4, -0.830981e-4),  # Airy
    (0.2203099407, 3.256630e-4, 1.831121e-4),  # Bessel
    (0.2222222222, 2.877642e-4, 2.413250e-4),
    (0.2231491011, 2.697282e-4, 2.697282e-4),  # least
    (0.2241575, 2.5034e-4, 3.0078e-4),
    (0.2141747, 4.5360e-4, 0.0),
    (0.2386127875, 0.0, 7.603266e-4),  # the middle level with the supports: a = (√30 − 5)/2
    (0.2071067812, 6.132761e-4, -2.036731e-4),
    (0.25, -1.627604e-4, 1.139323e-3),
    (0.0, 5 / 384, 0.0),
]


@pytest.mark.parametrize(("a", "middle", "end"), OVERHANGS)
def test_an_even_bar_hangs_as_its_closed_form_says(a: float, middle: float, end: float) -> None:
    """Middle and ends of a bar on two supports, against the table, and against Roark's form with overhangs a and
    spacing b: w·b²(5b² − 24a²)/384EI and w·a(3a³ + 6a²b − b³)/24EI (Roark, from memory, derived anew)."""
    found = np.array(at(EVEN, (a * LENGTH, (1 - a) * LENGTH), LENGTH / 2, 0.0, LENGTH)) / SIZE_UM
    assert found == pytest.approx([middle, end, end], abs=6e-8)
    b = 1 - 2 * a
    roark = [b**2 * (5 * b**2 - 24 * a**2) / 384, a * (3 * a**3 + 6 * a**2 * b - b**3) / 24]
    assert found[:2] == pytest.approx(roark, abs=1e-12)


def test_the_best_places_are_those_that_are_published() -> None:
    """Least sag, Airy and Bessel places to six digits; the prototype metre of 1020 mm stood on marks 571 mm apart."""
    found = best(EVEN)
    assert found.airy_mm == pytest.approx((211.324865, 788.675135), abs=1e-6)  # (1 − 1/√3)/2
    assert found.bessel_mm == pytest.approx((220.309941, 779.690059), abs=1e-5)  # a⁴ + 18a³ − 11a² − 3a + 1 = 0
    assert found.least_mm == pytest.approx((223.149101, 776.850899), abs=1e-6)  # 32a³ − 24a + 5 = 0
    assert found.least_um / SIZE_UM == pytest.approx(2.7040e-4, rel=1e-4)
    prototype = best(replace(EVEN, length_mm=1020.0))
    assert np.ptp(prototype.bessel_mm) == pytest.approx(571.0, abs=0.5)  # as its makers marked it


@pytest.mark.parametrize(
    ("length_mm", "depth_mm", "size_um", "ends_um", "airy_um", "least_um"),
    [
        (500.0, 50.0, 112.110, 1.460, 0.067, 0.030),
        (1000.0, 60.0, 1245.667, 16.220, 0.747, 0.337),
        (1000.0, 100.0, 448.440, 5.839, 0.269, 0.121),
    ],
)
def test_steel_bars_hang_as_worked_out(
    length_mm: float, depth_mm: float, size_um: float, ends_um: float, airy_um: float, least_um: float
) -> None:
    """Rectangular steel bars (7850 kg/m³, 206 GPa): w·L⁴/EI = 12ρgL⁴/Eh², and what follows from it without shear."""
    area = 12.0 * depth_mm
    bar = Beam(
        length_mm, (Computed(area_mm2=area, inertia_mm4=area * depth_mm**2 / 12, shear_mm2=1e14),), STEEL
    )  # fmt: skip
    share = length_mm / LENGTH
    assert 12 * 7850 * GRAVITY * share**4 / (206e9 * (depth_mm / 1e3) ** 2) * 1e6 == pytest.approx(size_um, abs=1e-3)
    x = np.linspace(0.0, length_mm, 401)
    assert np.ptp(bar.carried((0.0, length_mm)).sag(x)) == pytest.approx(ends_um, abs=1e-3)
    places = best(bar)
    assert np.ptp(bar.carried(places.airy_mm).sag(x)) == pytest.approx(airy_um, abs=1e-3)
    assert places.least_um == pytest.approx(least_um, abs=1e-3)


@pytest.mark.parametrize("depth_mm", [30.0, 80.0, 200.0])
def test_shear_adds_what_timoshenko_says(depth_mm: float) -> None:
    """On its ends: 5wL⁴/384EI·[1 + 0.96 (E/G)(h/L)²] with five sixths of the area; the exact plane-stress term,
    2.28 (h/L)² at ν = 0.3 (Timoshenko and Goodier), is within a tenth of it."""
    steel = replace(STEEL, poisson=0.3)
    bar = Beam(LENGTH, (Solid(depth_mm=depth_mm, width_mm=20.0),), steel)
    bending = 5 / 384 * 12 * 7850 * GRAVITY / (206e9 * (depth_mm / 1e3) ** 2) * 1e6
    added = at(bar, (0.0, LENGTH), 500.0)[0] / bending - 1
    assert added == pytest.approx(0.96 * 2 * 1.3 * (depth_mm / LENGTH) ** 2, rel=1e-6)
    assert added == pytest.approx(2.28 * (depth_mm / LENGTH) ** 2, rel=0.1)


def test_a_load_and_a_third_support_follow_the_closed_forms() -> None:
    """A load in the middle: F·L³/48EI. A third support there carries 5/8 of the weight, six alike what symmetry says,
    and weight and loads are balanced by the reactions."""
    found = EVEN.carried((0.0, LENGTH), ((500.0, 100.0),), weight=0.0)
    assert float(found.sag(np.array([500.0]))[0]) == pytest.approx(100 / (48 * 206e9 * 1e-6) * 1e6, rel=1e-9)
    assert found.reactions_n == pytest.approx((50.0, 50.0))
    three = EVEN.carried((0.0, 500.0, LENGTH)).reactions_n
    assert np.array(three) / EVEN.weight_n == pytest.approx([3 / 16, 5 / 8, 3 / 16], rel=1e-9)
    six = EVEN.carried((20.0, 200.0, 400.0, 600.0, 800.0, 980.0), ((300.0, 7.0), (700.0, 7.0))).reactions_n
    assert six == pytest.approx(six[::-1], rel=1e-7)
    assert sum(six) == pytest.approx(EVEN.weight_n + 14.0, rel=1e-9)


def test_a_stepped_bar_follows_its_closed_form() -> None:
    """A weightless bar on its ends, twice as stiff over its right half, loaded in the middle: by Castigliano
    δ = F·L³/96EI·(1 + 1/2)."""
    half = Computed(area_mm2=1000.0, inertia_mm4=1e6, shear_mm2=1e14)
    stepped = Beam(LENGTH, (half, replace(half, x_mm=500.0), replace(half, x_mm=500.0, inertia_mm4=2e6)), STEEL)
    found = stepped.carried((0.0, LENGTH), ((500.0, 100.0),), weight=0.0).sag(np.array([500.0]))[0]
    assert found == pytest.approx(100 / (96 * 206e9 * 1e-6) * 1.5 * 1e6, rel=1e-10)


def test_a_tapered_bar_follows_its_closed_form() -> None:
    """A rectangle whose depth grows linearly from h to 2h, weightless, on its ends, loaded in the middle. By
    Castigliano δ = F/4E ∫ m²/I dx with m the distance to the nearer end and 12/I = b·h³(1 + x/L)³, integrated by hand:
    with u = 1 + x/L each half is a sum of ln u, 1/u and 1/u²."""
    bar = Beam(LENGTH, (Solid(depth_mm=40.0, width_mm=20.0), Solid(x_mm=LENGTH, depth_mm=80.0, width_mm=20.0)), STEEL)
    limp = replace(bar, material=replace(STEEL, poisson=-0.99999999))  # no shear: G without end
    found = limp.carried((0.0, LENGTH), ((500.0, 100.0),), weight=0.0).sag(np.array([500.0]))[0]

    def primitive(u: float, c: float) -> float:  # of (u − c)²/u³
        return float(np.log(u) + 2 * c / u - c**2 / (2 * u**2))

    halves = primitive(1.5, 1.0) - primitive(1.0, 1.0) + primitive(2.0, 2.0) - primitive(1.5, 2.0)
    assert found == pytest.approx(100 / (4 * 206e9) * 12 / (0.02 * 0.04**3) * halves * 1e6, rel=1e-7)


def test_an_edge_on_its_ends_sags_about_two_micrometres() -> None:
    """Common practice, no source: an iron edge of about 0.7 m and 80 mm deep carried at its ends sags about 2 µm."""
    web = {"depth_mm": 80.0, "width_mm": 40.0, "web_mm": 10.0, "flange_mm": 12.0}
    edge = Beam(700.0, (IShape(**web),), BUILT_IN["cast iron"])  # type: ignore[arg-type]
    assert 1.5 < at(edge, (0.0, 700.0), 350.0)[0] < 3.5


def test_sections_are_worth_what_handbooks_say() -> None:
    """Area and second moment of I, T and box by the sum of rectangles; five sixths of a rectangle carry shear, and of a
    thin web about its own area."""
    x = np.array([0.0])
    web = {"depth_mm": 80.0, "width_mm": 40.0, "web_mm": 10.0, "flange_mm": 12.0}
    i, box, t = (stiffness((shape(**web),), x) for shape in (IShape, Box, TShape))  # type: ignore[arg-type]
    assert (i.area_mm2[0], i.inertia_mm4[0]) == pytest.approx((1520.0, (40 * 80**3 - 30 * 56**3) / 12))
    assert (box.area_mm2[0], box.inertia_mm4[0]) == pytest.approx((2080.0, (40 * 80**3 - 20 * 56**3) / 12))
    axis = (40 * 12 * 6 + 10 * 68 * 46) / 1160
    inertia = 40 * 12**3 / 12 + 480 * (axis - 6) ** 2 + 10 * 68**3 / 12 + 680 * (46 - axis) ** 2
    assert (t.area_mm2[0], t.inertia_mm4[0]) == pytest.approx((1160.0, inertia))
    solid = stiffness((Solid(depth_mm=30.0, width_mm=10.0),), x)
    assert solid.shear_mm2[0] == pytest.approx(250.0)
    assert 10 * 68 < i.shear_mm2[0] < 10 * 80  # the web, between the middles of the flanges or from back to face


def test_a_hole_softens_and_lightens() -> None:
    """Across a hole of a web the second moment lacks b·d³/12; away from it nothing changes; a slot is as a hole with a
    straight part, and a holed edge hangs more than a whole one by its shear and bending alone."""
    web = {"depth_mm": 80.0, "width_mm": 40.0, "web_mm": 10.0, "flange_mm": 12.0}
    holed = IShape(**web, holes=(Hole(300.0, 40.0), Hole(700.0, 40.0, 100.0)))  # type: ignore[arg-type]
    found = stiffness((holed,), np.array([300.0, 310.0, 400.0, 675.0, 725.0]))
    whole = (40 * 80**3 - 30 * 56**3) / 12
    chord = 2 * np.sqrt(20**2 - 10**2)
    assert found.inertia_mm4 == pytest.approx(whole - 10 * np.array([40, chord, 0, 40, 40]) ** 3 / 12)
    assert found.area_mm2 == pytest.approx(1520 - 10 * np.array([40, chord, 0, 40, 40]))
    beam = Beam(LENGTH, (holed,), BUILT_IN["cast iron"], mass_kg=10.0, as_solved=False)
    with_holes, whole_web = (
        float(each.carried((0.0, LENGTH), ((500.0, 100.0),), weight=0.0).sag(np.array([500.0]))[0])
        for each in (beam, replace(beam, holes=False))
    )
    assert 1.002 < with_holes / whole_web < 1.1


@given(
    st.floats(300.0, 2000.0), st.floats(0.0, 0.4), st.floats(0.6, 1.0), st.floats(20.0, 90.0), st.floats(1.0, 40.0)
)  # fmt: skip
def test_weight_is_weighed_and_balanced(length: float, a: float, b: float, depth: float, mass: float) -> None:
    """Whatever the taper and the supports: it hangs at 0 on its supports, they carry what it was weighed, about the
    centre of its area, and twice the mass hangs twice as low."""
    sections = (Solid(depth_mm=depth, width_mm=12.0), Solid(x_mm=length, depth_mm=80.0, width_mm=12.0))
    beam = Beam(length, sections, STEEL, mass)
    supports = (a * length, b * length)
    found = beam.carried(supports)
    assert np.abs(found.sag(np.array(supports))).max() < 1e-9 * (1 + np.abs(found.sag(np.linspace(0, length, 9))).max())
    weight = GRAVITY * mass
    centre = length * (depth + 2 * 80) / (3 * (depth + 80))
    assert found.reactions_n == pytest.approx(
        weight / (supports[1] - supports[0]) * np.array([supports[1] - centre, centre - supports[0]]),
        rel=1e-7,
        abs=1e-7 * weight,
    )
    heavier = replace(beam, mass_kg=2 * mass).carried(supports)
    x = np.linspace(0.0, length, 7)
    assert heavier.sag(x) == pytest.approx(2 * found.sag(x), rel=1e-7, abs=1e-9)


def test_a_warm_face_is_crowned() -> None:
    """α·ΔT·L²/8h: 11.5e-6, 1 K, 1000 mm, 100 mm give 14.375 µm (derived); where the piece is deeper it bends less."""
    bar = Beam(LENGTH, (Solid(depth_mm=100.0, width_mm=12.0),), Material("bar", 7850.0, 206.0, 0.3, 11.5))
    assert bar.warmed(np.array([0.0, 500.0, LENGTH])) == pytest.approx([0.0, 14.375, 0.0], abs=1e-9)
    taper = replace(bar, sections=(*bar.sections, Solid(x_mm=LENGTH, depth_mm=200.0, width_mm=12.0)))
    u, c = np.array([1.0, 1.5, 2.0]), 11.5  # h″ = −α/h(x), h = 100(1 + x/L): −α·1e4·(u ln u − u) µm and a line
    bent = -c * 1e1 * (u * np.log(u) - u)
    assert taper.warmed(np.array([500.0]))[0] == pytest.approx(bent[1] - (bent[0] + bent[2]) / 2, rel=1e-9)
