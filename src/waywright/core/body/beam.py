"""A Timoshenko beam of any section along its length, on any supports, under its weight and point loads.

Shear V is what carries from the left, M its integral; with δ down and the slope θ of the section

    θ′ = −M/EI,   δ′ = θ + V/GA_s,

integrated exactly enough between all places where something begins or ends (Gauss points, order 12). Everything is
linear in the reactions, so these, the lift and the tilt follow from δ = 0 at the supports and balance, however many
supports there are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from waywright.core.body.stiffness import Stiffness, stiffness
from waywright.core.evidence.material import Material
from waywright.core.evidence.section import Hole, Section, Webbed
from waywright.core.evidence.things import FloatArray

GRAVITY = 9.80665  # m/s², the standard one; the local one differs by 0.3 %
PARTS = 24  # of a length, at least
PARTS_OF_A_HOLE = 8

_points, _weights = np.polynomial.legendre.leggauss(6)
_points, _weights = 0.5 * (1 + _points), 0.5 * _weights  # on 0 to 1
_powers = np.arange(6)
_UP_TO = (_points[:, None] ** (_powers + 1) / (_powers + 1)) @ np.linalg.inv(_points[:, None] ** _powers)  # ∫ to each
_all = np.array([0.0, *_points, 1.0])
_TO_POWERS = np.linalg.inv(_all[:, None] ** np.arange(8)).T  # values at all these → coefficients

Load = tuple[float, float]  # where along a piece, mm, and how much, N


@dataclass(frozen=True, eq=False)
class Curve:
    """A line along a piece, µm: polynomials (k, 8) of the part of the way between `breaks_mm` (k + 1,)."""

    breaks_mm: FloatArray
    coefficients: FloatArray

    def __call__(self, x_mm: FloatArray) -> FloatArray:
        """(n,) µm at places (n,)."""
        k = np.clip(np.searchsorted(self.breaks_mm, x_mm, side="right") - 1, 0, len(self.coefficients) - 1)
        part = (x_mm - self.breaks_mm[k]) / (self.breaks_mm[k + 1] - self.breaks_mm[k])
        return np.asarray(np.einsum("nj,nj->n", self.coefficients[k], part[:, None] ** np.arange(8)))

    def slope(self) -> Curve:
        """How fast it rises, µm/m."""
        rising = self.coefficients[:, 1:] * np.arange(1, 8) / (1e-3 * np.diff(self.breaks_mm))[:, None]
        return Curve(self.breaks_mm, np.pad(rising, ((0, 0), (0, 1))))

    def from_ends(self) -> Curve:
        """The same, about the line through its ends."""
        x = self.breaks_mm
        first, last = self(x[[0, -1]])
        line = first + (last - first) * (x - x[0]) / (x[-1] - x[0])
        moved = self.coefficients.copy()
        moved[:, 0] -= line[:-1]
        moved[:, 1] -= np.diff(line)
        return Curve(x, moved)


@dataclass(frozen=True)
class Carried:
    """A beam on its supports: how far it hangs down from them (`sag`, µm), and what each carries (`reactions_n`)."""

    sag: Curve
    reactions_n: tuple[float, ...]


@dataclass(frozen=True)
class Beam:
    """A piece as a beam; without `mass_kg` its weight is that of its section."""

    length_mm: float
    sections: tuple[Section, ...]
    material: Material
    mass_kg: float | None = None
    holes: bool = True  # false: as if its webs were whole

    def carried(self, supports_mm: tuple[float, ...], loads: tuple[Load, ...] = (), weight: float = 1.0) -> Carried:
        """On two supports or more, that are level and carry from below; `loads` are down, `weight` a share of its own.

        Of supports at one place numpy raises LinAlgError.
        """
        return _carried(self, supports_mm, loads, weight)

    @property
    def weight_n(self) -> float:
        """What it weighs."""
        return float(self._parts(()).whole(self._weight_n_m(())))

    def warmed(self) -> Curve:
        """The crown, µm, of a face one degree warmer than the back, even between: h″ = −α/depth, 0 at both ends.

        NaN where the depth is not known. The even gradient makes it α·T·L²/8h of a bar of depth h, whatever the rest
        of the section: κ = ∫ α T(y) (y − ȳ) dA / I with T linear in y.
        """
        parts = self._parts(())
        bend = -self.material.alpha_um_m_k / (1e-3 * self._at(parts).depth_mm)  # µm/m²
        return parts.curve(*parts.integral(parts.integral(bend)[0])).from_ends()

    def softened_by_holes(self) -> float:
        """By what share the holes of its webs let it bend more under a load in the middle of its length."""
        if not self._holes():
            return 0.0
        whole = replace(self, holes=False)
        ends, middle = (0.0, self.length_mm), (0.5 * self.length_mm, 1.0)
        sags = [each.carried(ends, (middle,), 0.0).sag(np.array(middle[:1]))[0] for each in (self, whole)]
        return float(sags[0] / sags[1] - 1)

    def _holes(self) -> list[Hole]:
        return [hole for s in self.sections if isinstance(s, Webbed) for hole in s.holes if self.holes]

    def _at(self, parts: _Parts) -> Stiffness:
        found = stiffness(self.sections, parts.x_mm.ravel(), holes=self.holes)
        return Stiffness(*(each.reshape(parts.x_mm.shape) for each in vars(found).values()))

    def _weight_n_m(self, also_mm: tuple[float, ...]) -> FloatArray:
        """Weight for each metre, scaled to what was weighed."""
        parts = self._parts(also_mm)
        each = GRAVITY * self.material.density_kg_m3 * 1e-6 * self._at(parts).area_mm2
        return each if self.mass_kg is None else each * (GRAVITY * self.mass_kg / parts.whole(each))

    def _parts(self, also_mm: tuple[float, ...]) -> _Parts:
        """The parts of its length between all places where something begins or ends."""
        cuts = [x for h in self._holes() for x in np.linspace(*h.ends_mm, PARTS_OF_A_HOLE + 1)]
        even = np.linspace(0.0, self.length_mm, PARTS + 1)
        return _Parts(np.unique(np.round([*even, *cuts, *(s.x_mm for s in self.sections), *also_mm], 9)))


@dataclass(frozen=True, eq=False)
class _Parts:
    """Parts of a length with six Gauss points in each; functions are given there, (..., k, 6)."""

    breaks_mm: FloatArray

    @cached_property
    def x_mm(self) -> FloatArray:
        """(k, 6) where the points are."""
        return np.asarray(self.breaks_mm[:-1, None] + np.diff(self.breaks_mm)[:, None] * _points)

    def integral(self, f: FloatArray) -> tuple[FloatArray, FloatArray]:
        """∫ f dx in metres from the first break: at the points, and at the breaks (..., k + 1)."""
        metres = 1e-3 * np.diff(self.breaks_mm)
        at_breaks = np.zeros((*f.shape[:-2], f.shape[-2] + 1))
        np.cumsum(metres * (f @ _weights), axis=-1, out=at_breaks[..., 1:])
        return at_breaks[..., :-1, None] + metres[:, None] * (f @ _UP_TO.T), at_breaks

    def whole(self, f: FloatArray) -> float:
        """∫ f dx over all."""
        return float(self.integral(f)[1][-1])

    def curve(self, at_points: FloatArray, at_breaks: FloatArray) -> Curve:
        """Through these values."""
        values = np.concatenate([at_breaks[:-1, None], at_points, at_breaks[1:, None]], axis=1)
        return Curve(self.breaks_mm, values @ _TO_POWERS)


@lru_cache(1024)
def _carried(beam: Beam, supports_mm: tuple[float, ...], loads: tuple[Load, ...], weight: float) -> Carried:
    also = (*supports_mm, *(x for x, _ in loads))
    parts, length, ends = beam._parts(also), 1e-3 * beam.length_mm, 1e-3 * np.array(supports_mm)
    own = weight * beam._weight_n_m(also)
    pushed = sum((force * _beyond(parts, x) for x, force in loads), parts.integral(own)[0])
    shear = np.array([*(_beyond(parts, x) for x in supports_mm), -pushed])  # of each support's newton; of the load
    moment, moment_ends = parts.integral(shear)
    there = beam._at(parts)
    modulus = 1e9 * beam.material.e_gpa
    turned = parts.integral(-moment / (modulus * 1e-12 * there.inertia_mm4))[0]
    rigidity = modulus / (2 * (1 + beam.material.poisson)) * 1e-6 * there.shear_mm2
    at_points, at_breaks = parts.integral(turned + shear / rigidity)
    m = len(supports_mm)
    at_supports = at_breaks[:, np.searchsorted(parts.breaks_mm, np.round(supports_mm, 9))]
    equations, wanted = np.zeros((m + 2, m + 2)), np.zeros(m + 2)
    scale = 1e6  # so that metres of sag and newtons are of one size in the matrix
    equations[:m] = np.column_stack([scale * at_supports[:m].T, np.ones(m), ends])
    equations[m, :m], equations[m + 1, :m] = 1.0, length - ends
    total = float(parts.whole(own)) + sum(force for _, force in loads)
    wanted[:] = [*(-scale * at_supports[m]), total, -moment_ends[m, -1]]
    found = np.linalg.solve(equations, wanted)
    factors = np.append(found[:m], 1.0)

    def hung_um(values: FloatArray, x_mm: FloatArray) -> FloatArray:
        return np.asarray(scale * np.tensordot(factors, values, 1) + found[m] + found[m + 1] * 1e-3 * x_mm)

    sag = parts.curve(hung_um(at_points, parts.x_mm), hung_um(at_breaks, parts.breaks_mm))
    return Carried(sag, tuple(found[:m].tolist()))


def _beyond(parts: _Parts, x_mm: float) -> FloatArray:
    """1 beyond a place, 0 before it."""
    return np.asarray((parts.x_mm > x_mm).astype(float))
