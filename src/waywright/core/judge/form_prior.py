"""What a face may look like before any reading: the ingredients of the form prior and how likely each is.

A shape is the sum of up to three parts, each left out or taken with a size from a grid that is even in its logarithm:

- a random part: `rough` from node to node, `smooth` over a length, `stepped` (exponential covariance: what two machine
  settings leave), or `wavy` (a regular motion wears a regular pattern); on a face with width it may be the same on
  all lines (what a planer, a grinder or a rubbing motion leaves: its flatness would be overstated by far otherwise);
- the low modes bow and S, on faces with width twist and cross-bow too;
- a feature: a lone spot (one node, two, or two neighbours) or a step.

Sizes are relative to the noise, lengths to the face's own, so the prior knows neither units nor where the face lies.
Which parts are taken, and how large, is weighed by the readings themselves (`form_model`).
The numbers below were settled on simulated faces (docs/tables/verdict-coverage.md), not on measured ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Indexes = NDArray[np.intp]
Kind = Literal["rough", "smooth", "stepped", "wavy"]

SMOOTH_LENGTHS = (0.07, 0.12, 0.2, 0.33, 0.55, 1.0)  # of the face's length
STEPPED_LENGTHS = (0.08, 0.25, 1.0)
WAVES_ON_FACE = (0.6, 0.9, 1.2, 1.5, 1.8, 2.1, 2.4, 2.7, 3.0, 3.4, 3.8, 4.2)
WAVE_MEMORY = 2.5  # face lengths over which a wave keeps its phase

CHANCE: dict[Kind, float] = {"rough": 0.3, "smooth": 0.47, "stepped": 0.15, "wavy": 0.08}
CHANCE_ALIKE, CHANCE_OWN_WAVES = 0.05, 0.01  # on a face with width: the same on all lines; a wave of its own on each
APART_MM = 1e-6  # a length across over which nothing of a line reaches the next
CHANCE_LOW_MODES = 0.5
BEHIND_TWO_SPOTS = {("rough", 0.0), ("smooth", 0.2), ("smooth", 0.55)}  # stand for every random part
CHANCE_SPOT_HERE, MOST_SPOTS = 0.02, 0.45  # at any one node; on the whole face at most
CHANCE_TWO_SPOTS, CHANCE_WIDE_SPOT, CHANCE_STEP = 0.12, 0.05, 0.15
LOW_MODE_FALL = 0.6  # each further mode's size against the one before


@dataclass(frozen=True)
class Sizes:
    """A grid of sizes in noise levels: from `least` upward by the factor `ratio`."""

    least: float
    ratio: float

    def up_to(self, largest: float) -> Floats:
        """(k,) the sizes up to the first beyond `largest`, at least two."""
        steps = np.log(max(largest, 1e-300) / self.least) / np.log(self.ratio)
        return np.asarray(self.least * self.ratio ** np.arange(2 + int(np.clip(np.ceil(steps), 0, 60))))

    def log_weight(self, size: Floats, floor: float = 0.0) -> Floats:
        """(k,) log prior of each size: even steps, but for a soft lower end at `floor`.

        The soft end weighs (size/floor)²/(1 + (size/floor)²). How far sizes spread is not known before the readings;
        a factor of 50 is the span over which the weights add up to one.
        """
        even = np.full(size.shape, np.log(np.log(self.ratio) / np.log(50.0)))
        return np.asarray(even - np.log1p((floor / size) ** 2))


RANDOM_SIZES = Sizes(0.1, 1.8)
FLOOR_ALONE: dict[Kind, float] = {"rough": 1.5, "smooth": 1.0, "stepped": 1.0, "wavy": 0.7}
FLOOR_BESIDE_LOW_MODES = 0.1
LOW_SIZES = Sizes(0.5, 2.6)
FEATURE_SIZES = Sizes(2.5, 2.2)  # smaller ones are no feature
PAIR_SIZES = Sizes(1.5, 2.5)


@dataclass(frozen=True)
class Candidate:
    """One random part with its prior `chance`.

    `length`: its length (a wave's, for `wavy`) as a part of `along_mm`, by which distances along are divided; those
    across are divided by `across_mm`. Infinite, it is the same in that direction.
    """

    kind: Kind
    length: float
    along_mm: float
    across_mm: float
    chance: float

    def covariance(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """(n, n) covariance of heights at `x_mm`, `y_mm` (n,), 1 on the diagonal."""
        dx, dy = np.abs(x_mm[:, None] - x_mm), np.abs(y_mm[:, None] - y_mm)
        d = np.hypot(dx / self.along_mm, dy / self.across_mm)
        if self.kind == "rough":
            return np.asarray((d == 0).astype(float))
        if self.kind == "smooth":
            return np.asarray(np.exp(-0.5 * (d / self.length) ** 2))
        if self.kind == "stepped":
            return np.asarray(np.exp(-d / self.length))
        return np.asarray(np.exp(-0.5 * (d / WAVE_MEMORY) ** 2) * np.cos(2 * np.pi * d / self.length))

    @property
    def length_mm(self) -> float:
        """Of what it does in the direction in which it changes."""
        return self.length * (self.along_mm if np.isfinite(self.along_mm) else self.across_mm)


@dataclass(frozen=True)
class Features:
    """j shapes of height 1 on n nodes, with prior chances (j,): every node, in order; every one of `pairs` (p, 2);
    steps between neighbours along and across: `levels` numbers the nodes by their place, (n,) each.
    """

    spots: int  # n
    pairs: Indexes
    levels: tuple[Indexes, ...]
    chance: Floats
    names: tuple[str, ...]  # (j,) "spot at x = 120 mm"

    def summed(self, values: Floats) -> Floats:
        """(m, n) values at the nodes → (m, j) their sums over each shape."""
        parts = [values, values[:, self.pairs[:, 0]] + values[:, self.pairs[:, 1]]]
        for level in self.levels:
            below = np.zeros((len(values), int(level.max(initial=-1)) + 1))
            for at in range(below.shape[1]):
                below[:, at] = values[:, level == at].sum(axis=1)
            parts.append(0.5 * values.sum(axis=1, keepdims=True) - np.cumsum(below, axis=1)[:, :-1])
        return np.concatenate(parts, axis=1)

    @property
    def shapes(self) -> Floats:
        """(n, j)."""
        return self.summed(np.eye(self.spots))

    @property
    def chance_of_none(self) -> float:
        """Prior chance that the face has no feature."""
        return 1.0 - float(self.chance.sum()) - (CHANCE_TWO_SPOTS if self.spots > 2 else 0.0)


NO_FEATURES = Features(0, np.zeros((0, 2), np.intp), (), np.zeros(0), ())


def candidates(x_mm: Floats, y_mm: Floats) -> list[Candidate]:
    """Every random part for nodes at `x_mm`, `y_mm` (n,); lengths follow the longer side.

    On a face with width smooth and stepped ones come twice: as alike across as along, and stretched as if the face
    were square. Beside these come what is the same on all lines along (and, with four lines or more, on all across),
    and waves that each line has for itself.
    """
    along, across = float(np.ptp(x_mm)), float(np.ptp(y_mm))
    longer = max(along, across) or 1.0
    scales = [(longer, longer)] + ([(along, across)] if min(along, across) > 0 else [])
    waves = tuple(1 / count for count in WAVES_ON_FACE)
    stations, lines = (np.unique(at).size for at in (x_mm, y_mm))
    alike = [(along, np.inf)] if stations > 2 and lines > 1 else []
    alike += [(np.inf, across)] if lines > 3 and stations > 1 else []
    near = 1.0 - (CHANCE_ALIKE + CHANCE_OWN_WAVES if alike else 0.0)
    found = [Candidate("rough", 0.0, longer, longer, near * CHANCE["rough"])]
    parts: tuple[tuple[Kind, tuple[float, ...], list[tuple[float, float]]], ...] = (
        ("smooth", SMOOTH_LENGTHS, scales),
        ("stepped", STEPPED_LENGTHS, scales),
        ("wavy", waves, scales[:1]),
    )
    for kind, lengths, each in parts:
        chance = near * CHANCE[kind] / (len(lengths) * len(each))
        found += [Candidate(kind, length, *scale, chance) for length in lengths for scale in each]
    return found + (_across_lines(along, waves, alike) if alike else [])


def _across_lines(along_mm: float, waves: Sequence[float], alike: Sequence[tuple[float, float]]) -> list[Candidate]:
    """What is the same on all lines, in each of the directions `alike`, and waves each line has for itself."""
    ridges: tuple[tuple[Kind, Sequence[float]], ...] = (("rough", (0.0,)), ("smooth", SMOOTH_LENGTHS), ("wavy", waves))
    whole = sum(CHANCE[kind] for kind, _ in ridges) * len(alike)
    found = []
    for kind, lengths in ridges:
        chance = CHANCE_ALIKE * CHANCE[kind] / (whole * len(lengths))
        found += [Candidate(kind, length, *scale, chance) for length in lengths for scale in alike]
    chance = CHANCE_OWN_WAVES / len(waves)
    return found + [Candidate("wavy", length, along_mm, APART_MM, chance) for length in waves]


def low_modes(x_mm: Floats, y_mm: Floats, free: Floats) -> Floats:
    """(n, k) bow and S, then twist and cross-bow, freed of the orthonormal columns `free` and each other, RMS 1."""
    s, t = _centred(x_mm), _centred(y_mm)
    shapes = [s**2, s**3, s * t, t**2] if np.ptp(x_mm) > 0 else [t**2, t**3]
    basis = free
    kept = []
    for shape in shapes:
        rest = shape - basis @ (basis.T @ shape)
        rest -= basis @ (basis.T @ rest)
        norm = float(np.linalg.norm(rest))
        if norm > 1e-6 * np.sqrt(x_mm.size):
            basis = np.column_stack([basis, rest / norm])
            kept.append(rest / norm * np.sqrt(x_mm.size))
    return np.column_stack(kept) if kept else np.zeros((x_mm.size, 0))


def features(x_mm: Floats, y_mm: Floats) -> Features:
    """Lone spots at every node, spots over two neighbours on a line, steps between stations along and across."""
    n = x_mm.size
    names = [f"spot at x = {x:g} mm" for x in x_mm]
    order = np.lexsort((x_mm, y_mm))
    pairs = [(i, j) for i, j in pairwise(order) if y_mm[i] == y_mm[j]]
    names += [f"spot at x = {x_mm[i]:g} to {x_mm[j]:g} mm" for i, j in pairs]
    levels, steps = [], 0
    for name, at in (("x", x_mm), ("y", y_mm)):
        stations, level = np.unique(at, return_inverse=True)
        levels.append(level)
        names += [f"step at {name} = {place:g} mm" for place in (stations[1:] + stations[:-1]) / 2]
        steps += stations.size - 1
    lone = min(1 - (1 - CHANCE_SPOT_HERE) ** n, MOST_SPOTS)
    groups = ((n, lone), (len(pairs), CHANCE_WIDE_SPOT), (steps, CHANCE_STEP))
    chance = np.concatenate([np.full(count, total / count) for count, total in groups if count])
    return Features(n, np.array(pairs, np.intp).reshape(-1, 2), tuple(levels), chance, tuple(names))


def plane_columns(x_mm: Floats, y_mm: Floats) -> Floats:
    """(n, k) what lies in the plane (line) of the nodes: k is 3, or 2 on one line."""
    columns = [np.ones(x_mm.size), *(_centred(at) for at in (x_mm, y_mm) if np.ptp(at) > 0)]
    return orthonormal(np.column_stack(columns))


def orthonormal(columns: Floats, beside: Floats | None = None) -> Floats:
    """An orthonormal basis of `columns` (n, k), freed of the orthonormal columns `beside`; dependent ones drop out."""
    size = np.linalg.norm(columns, axis=0)
    columns = columns[:, size > 0] / size[size > 0]
    if beside is not None:
        for _ in range(2):
            columns = columns - beside @ (beside.T @ columns)
    basis, singular, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(basis[:, singular > 1e-7])


def _centred(at_mm: Floats) -> Floats:
    """−1 to 1 over the face; 0 where it has no extent."""
    low, high = at_mm.min(), at_mm.max()
    return np.asarray((2 * at_mm - low - high) / (high - low) if high > low else np.zeros_like(at_mm))
