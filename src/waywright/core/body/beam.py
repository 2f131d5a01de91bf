"""A Timoshenko beam of any section along its length, on any supports, under its weight and point loads.

With δ down, θ how far a section is turned, V what is pushed up left of a place and M the integral of V,

    θ′ = −M/EI,   δ′ = θ + V/GA_s.

A newton up at a has V = 1 and M = x − a beyond it, so there, with P₀ = ∫ dx/EI, P₁ = ∫ x dx/EI, Q = ∫ P dx and
S = ∫ dx/GA_s,

    δ(x; a) = S(x) − S(a) − [Q₁(x) − Q₁(a) − P₁(a)(x − a)] + a·[Q₀(x) − Q₀(a) − P₀(a)(x − a)]:

five integrals of the piece give it for every place. They, and what its weight does alone, are polynomials between all
places where something begins or ends (Gauss points, order 12). The reactions, the lift and the tilt follow from δ = 0
at the supports and balance, however many supports there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from waywright.core.body.stiffness import stiffness
from waywright.core.body.web import softened
from waywright.core.evidence.material import Material
from waywright.core.evidence.section import Hole, Section, Webbed
from waywright.core.evidence.things import FloatArray

GRAVITY = 9.80665  # m/s², the standard one; the local one differs by 0.3 %
PARTS = 24  # of a length, at least
PARTS_OF_A_HOLE = 8
BEAM_HOLDS = 0.05  # where holes make a beam further off than this, the solve of the web is taken

_points, _weights = np.polynomial.legendre.leggauss(6)
_points, _weights = 0.5 * (1 + _points), 0.5 * _weights  # on 0 to 1
_powers = np.arange(6)
_UP_TO = (_points[:, None] ** (_powers + 1) / (_powers + 1)) @ np.linalg.inv(_points[:, None] ** _powers)  # ∫ to each
_all = np.array([0.0, *_points, 1.0])
_TO_POWERS = np.linalg.inv(_all[:, None] ** np.arange(8)).T  # values at all these → coefficients

Load = tuple[float, float]  # where along a piece, mm, and how much, N


@dataclass(frozen=True, eq=False)
class Curves:
    """Functions along a piece: (k, 8, m) polynomials of the part of the way between `breaks_mm` (k + 1,)."""

    breaks_mm: FloatArray
    coefficients: FloatArray

    def __call__(self, x_mm: FloatArray) -> FloatArray:
        """(n, m) at places (n,)."""
        k = np.clip(np.searchsorted(self.breaks_mm, x_mm, side="right") - 1, 0, len(self.coefficients) - 1)
        part = (x_mm - self.breaks_mm[k]) / (self.breaks_mm[k + 1] - self.breaks_mm[k])
        return np.asarray(np.einsum("njm,nj->nm", self.coefficients[k], part[:, None] ** np.arange(8)))

    def rise(self) -> Curves:
        """Their derivatives, for each metre."""
        by_part = self.coefficients[:, 1:] * np.arange(1, 8)[:, None] / (1e-3 * np.diff(self.breaks_mm))[:, None, None]
        return Curves(self.breaks_mm, np.pad(by_part, ((0, 0), (0, 1), (0, 0))))


@dataclass(frozen=True, eq=False)
class Carried:
    """A beam on its supports, which push it up with `reactions_n`."""

    shape: _Shape
    at_mm: FloatArray  # where something pushes
    up_n: FloatArray
    weight: float
    lift_um: float
    tilt_um_m: float
    reactions_n: tuple[float, ...]

    def sag(self, x_mm: FloatArray) -> FloatArray:
        """(n,) µm down from the supports, at places (n,) along the piece."""
        at, back = np.unique(x_mm, return_inverse=True)  # lines of a face have their stations in common
        bent = self.shape.down(at, self.at_mm) @ np.append(self.up_n, self.weight)
        return np.asarray((1e6 * bent + self.lift_um + self.tilt_um_m * 1e-3 * at)[back])

    def slope(self, x_mm: FloatArray) -> FloatArray:
        """(n,) how fast it goes down there, µm/m."""
        bent = self.shape.rise(x_mm, self.at_mm) @ np.append(self.up_n, self.weight)
        return np.asarray(1e6 * bent + self.tilt_um_m)


@dataclass(frozen=True)
class Beam:
    """A piece as a beam; without `mass_kg` its weight is that of its section."""

    length_mm: float
    sections: tuple[Section, ...]
    material: Material
    mass_kg: float | None = None
    holes: bool = True  # false: as if its webs were whole
    as_solved: bool = True  # false: as a beam, though its web was solved and is further off than that holds

    def carried(self, supports_mm: Sequence[float], loads: Sequence[Load] = (), weight: float = 1.0) -> Carried:
        """On two supports or more, that are level and carry from below; `loads` are down, `weight` a share of its own.

        Of supports at one place numpy raises LinAlgError.
        """
        return _carried(self, tuple(supports_mm), tuple(loads), weight)

    @property
    def weight_n(self) -> float:
        """What it weighs."""
        return _shape(self).weight_n

    def warmed(self, x_mm: FloatArray) -> FloatArray:
        """The crown, µm, of a face one degree warmer than the back, even between: h″ = −α/depth, 0 at both ends.

        NaN where the depth is not known. The even gradient makes it α·T·L²/8h of a bar of depth h, whatever the rest
        of the section: κ = ∫ α T(y) (y − ȳ) dA / I with T linear in y.
        """
        at, back = np.unique(x_mm, return_inverse=True)
        first, *crown, last = _shape(self).crown_um(np.array([0.0, *at, self.length_mm]))[:, 0]
        return np.asarray((crown - first - (last - first) * at / self.length_mm)[back])

    @property
    def error(self) -> float | None:
        """By what share a solve of the whole web hangs further than the beam has it; None where none can be made: of a
        piece without holes, or of sections of several shapes."""
        alike = len({section.flanges for section in self.sections if isinstance(section, Webbed)}) == 1
        if not self.cut() or not alike or not all(isinstance(section, Webbed) for section in self.sections):
            return None
        return _error(self)

    def cut(self) -> list[Hole]:
        """The holes of its webs."""
        return [hole for s in self.sections if isinstance(s, Webbed) for hole in s.holes if self.holes]


@dataclass(frozen=True, eq=False)
class _Shape:
    """What is worked out once of a beam; in m, N and their like. `bent`: P₀, P₁, Q₀, Q₁, S, and δ by its weight alone,
    held nowhere; `moment_nm` of its weight is about the far end."""

    bent: Curves
    crown_um: Curves
    weight_n: float
    moment_nm: float

    @cached_property
    def bending(self) -> Curves:
        """How fast these change."""
        return self.bent.rise()

    def down(self, x_mm: FloatArray, at_mm: FloatArray) -> FloatArray:
        """(n, m + 1) δ at places by a newton up at each of others, and last by its weight alone."""
        here = self.bent(x_mm)
        p0a, p1a, q0a, q1a, sa, _ = self.bent(at_mm).T
        a, arm = 1e-3 * at_mm, 1e-3 * (x_mm[:, None] - at_mm)
        _, _, q0, q1, s, own = here.T[:, :, None]
        down = s - sa - (q1 - q1a - p1a * arm) + a * (q0 - q0a - p0a * arm)
        return np.hstack([np.where(arm > 0, down, 0.0), own])

    def rise(self, x_mm: FloatArray, at_mm: FloatArray) -> FloatArray:
        """(n, m + 1) the same of δ′."""
        p0, p1, *_ = self.bent(x_mm).T[:, :, None]
        p0a, p1a, *_ = self.bent(at_mm).T
        *_, limp, own = self.bending(x_mm).T[:, :, None]
        slope = limp - (p1 - p1a) + 1e-3 * at_mm * (p0 - p0a)
        return np.hstack([np.where(x_mm[:, None] > at_mm, slope, 0.0), own])


@lru_cache(64)
def _error(beam: Beam) -> float:
    x = np.linspace(0.0, beam.length_mm, 51)
    even = tuple(zip(x.tolist(), np.gradient(x).tolist(), strict=True))
    plain = replace(beam, as_solved=False)
    holed, whole = (
        float(each.carried((0.0, beam.length_mm), even, 0.0).sag(np.array([0.5 * beam.length_mm]))[0])
        for each in (plain, replace(plain, holes=False))
    )
    solved = softened(beam.sections, tuple(beam.cut()), beam.length_mm, beam.material.poisson)
    return solved * whole / holed - 1


@lru_cache(256)
def _shape(beam: Beam) -> _Shape:
    cuts = [x for hole in beam.cut() for x in np.linspace(*hole.ends_mm, PARTS_OF_A_HOLE + 1)]
    even = np.linspace(0.0, beam.length_mm, PARTS + 1)
    breaks = np.unique(np.round([*even, *cuts, *(s.x_mm for s in beam.sections if s.x_mm)], 9))
    parts = np.diff(breaks)
    x_mm = breaks[:-1, None] + parts[:, None] * _points
    there = stiffness(beam.sections, x_mm.ravel(), holes=beam.holes)
    area, inertia, shear, depth = (each.reshape(x_mm.shape) for each in vars(there).values())

    def integral(f: FloatArray) -> tuple[FloatArray, FloatArray]:
        """∫ f dx in metres from the marked end: at the points (k, 6), and at the breaks (k + 1,)."""
        ends = np.concatenate([[0.0], np.cumsum(1e-3 * parts * (f @ _weights))])
        return ends[:-1, None] + 1e-3 * parts[:, None] * (f @ _UP_TO.T), ends

    def curves(*each: tuple[FloatArray, FloatArray]) -> Curves:
        values = [np.concatenate([ends[:-1, None], at, ends[1:, None]], axis=1) for at, ends in each]
        return Curves(breaks, np.stack([value @ _TO_POWERS for value in values], axis=2))

    error = beam.error if beam.as_solved else None
    modulus_gpa = beam.material.e_gpa / (1 + error if error is not None and abs(error) > BEAM_HOLDS else 1)
    limp = 1e3 / (modulus_gpa * inertia)  # 1/EI of GPa and mm⁴, in 1/(N·m²)
    loose = 2 * (1 + beam.material.poisson) / (1e3 * modulus_gpa * shear)  # 1/GA_s of GPa and mm², in 1/N
    each_m = GRAVITY * beam.material.density_kg_m3 * 1e-6 * area
    each_m *= 1.0 if beam.mass_kg is None else GRAVITY * beam.mass_kg / integral(each_m)[1][-1]
    weight = integral(each_m)
    moment = integral(weight[0])
    p0, p1, s = integral(limp), integral(limp * 1e-3 * x_mm), integral(loose)
    hung = integral(integral(moment[0] * limp)[0] - weight[0] * loose)
    crown = integral(integral(-1e3 * beam.material.alpha_um_m_k / depth)[0])
    return _Shape(
        curves(p0, p1, integral(p0[0]), integral(p1[0]), s, hung), curves(crown), weight[1][-1], moment[1][-1]
    )  # fmt: skip


@lru_cache(1024)
def _carried(beam: Beam, supports_mm: tuple[float, ...], loads: tuple[Load, ...], weight: float) -> Carried:
    shape, m = _shape(beam), len(supports_mm)
    at, down = np.array([*supports_mm, *(x for x, _ in loads)]), np.array([force for _, force in loads])
    arms = 1e-3 * (beam.length_mm - at)
    free = shape.down(at[:m], at)
    equations, wanted = np.zeros((m + 2, m + 2)), np.zeros(m + 2)
    scale = 1e6  # so that what a newton bends and newtons are of one size
    equations[:m] = np.column_stack([scale * free[:, :m], np.ones(m), 1e-3 * at[:m]])
    equations[m, :m], equations[m + 1, :m] = 1.0, arms[:m]
    wanted[:m] = scale * (free[:, m:-1] @ down - weight * free[:, -1])
    wanted[m:] = weight * shape.weight_n + down.sum(), weight * shape.moment_nm + arms[m:] @ down
    *up, lift, tilt = np.linalg.solve(equations, wanted)
    return Carried(shape, at, np.array([*up, *-down]), weight, lift, tilt, tuple(up))


def forget() -> None:
    """Keep nothing of what was worked out: for who measures how long it takes."""
    _carried.cache_clear()
    _shape.cache_clear()
    _error.cache_clear()
