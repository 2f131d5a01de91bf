"""Round by round: who agrees with whom, and how a face changed when it was cut.

Two faces agree when what is seen between them is a plane: the zone of h_lower + h_upper, as they lie. That sum is seen
by their lay-up alone, whatever is blind of each face.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from waywright.core.adjust.solution import Heights, Solution
from waywright.core.evidence.findings import Agreement, Change
from waywright.core.evidence.job import Job, Pass
from waywright.core.evidence.lying import Lying
from waywright.core.evidence.things import FloatArray
from waywright.core.judge.zones import line_zone, plane_zone


def agreements(job: Job, solution: Solution) -> Iterator[Agreement]:
    """One for each way two faces lay on each other, wedges too, in the order taken, and anew for each state of either;
    those that cover too little to tell are left out. Laid alike once more they are told once: what both say is one sum.
    """
    told: set[Hashable] = set()
    for number, setting in enumerate(job.settings):
        laid = setting.geometry.lying
        if laid is not None and laid.tells_gap:
            states = (job.state_at(laid.lower, number), job.state_at(laid.upper, number))
            lie = (laid.lower, laid.upper, laid.turn, laid.offset_mm, laid.offset_y_mm, laid.angle_deg, states)
            if lie not in told and (found := _agreement(solution, setting.id, laid, states)) is not None:
                told.add(lie)
                yield found


def _agreement(solution: Solution, setting: str, layup: Lying, states: tuple[int, int]) -> Agreement | None:
    lower, upper = solution.face(layup.lower, states[0]), solution.face(layup.upper, states[1])
    if lower is None or upper is None:
        return None
    weights, x, y = facing_sum(solution, layup, lower, upper)
    if len(x) < 3:
        return None
    heights = weights.T @ solution.mean_um
    flat = len(np.unique(y)) > 1 and len(x) > 3
    zone = plane_zone(x, y, heights) if flat else line_zone(x, heights)
    functional = weights @ zone.weights(len(x))
    sigma = float(solution.sigma(functional)) if np.any(functional) else 0.0
    return Agreement(setting, layup.lower, layup.upper, states, layup.turn, zone.width_um, sigma)


def facing_sum(
    solution: Solution, layup: Lying, lower: Heights, upper: Heights
) -> tuple[sparse.csc_matrix, FloatArray, FloatArray]:
    """Weights (N, n) of h_lower + h_upper at the lower's read nodes that face read nodes of the upper; their places.

    The lift and tilt of each face stay in: the zone is blind to them.
    """
    face = upper.unknown.face
    lower_face = lower.unknown.face
    assert face is not None
    assert lower_face is not None
    x, y = layup.covered(lower_face, face)
    covered = set(zip(x.tolist(), y.tolist(), strict=True))
    mine = [i for i, place in enumerate(zip(lower.x_mm.tolist(), lower.y_mm.tolist(), strict=True)) if place in covered]
    known = np.zeros(len(face.x_mm), bool)
    known[upper.unknown.nodes] = True
    column = np.cumsum(known) - 1 + upper.unknown.columns.start
    at = np.array(mine, np.intp)
    nodes, shares = face.interpolate(*layup.on_upper(face, lower.x_mm[at], lower.y_mm[at]))
    kept = np.all(known[nodes] | (shares == 0), axis=1)
    at, nodes, shares = at[kept], nodes[kept], shares[kept]
    used, place = shares != 0, np.repeat(np.arange(len(at))[:, None], 4, axis=1)
    row = np.concatenate([lower.unknown.columns.start + at, column[nodes[used]]])
    entries = np.concatenate([np.ones(len(at)), shares[used]]), (row, np.concatenate([place[:, 0], place[used]]))
    weights = sparse.csc_matrix(entries, shape=(solution.rows.matrix.shape[1], len(at)))
    return weights, lower.x_mm[at], lower.y_mm[at]


@dataclass(frozen=True)
class Cut:
    """A pass of a face read before and after at the same nodes: `weights` (N, n) of what came of each height."""

    cut: Pass
    state: int  # before it
    before: Heights
    height_um: FloatArray
    weights: FloatArray


def cuts(job: Job, solution: Solution) -> Iterator[Cut]:
    """One for each pass of each face that was read before and after at the same nodes."""
    for name, newest in job.states().items():
        passes = [p for p in job.passes if p.face == name]
        for state in range(newest):
            before, after = solution.face(name, state), solution.face(name, state + 1)
            if (
                before is None
                or after is None
                or not np.array_equal(before.x_mm, after.x_mm)
                or not np.array_equal(before.y_mm, after.y_mm)
            ):
                continue
            n = len(before.x_mm)
            weights = solution.spread(after, np.eye(n)) - solution.spread(before, np.eye(n))
            heights = solution.heights_um(after) - solution.heights_um(before)
            yield Cut(passes[state], state, before, heights, weights)


def changes(job: Job, solution: Solution) -> Iterator[Change]:
    """What each of them did."""
    for cut in cuts(job, solution):
        at = cut.before
        sigma = solution.sigma(cut.weights)
        yield Change(cut.cut.face, cut.state, cut.state + 1, at.x_mm, at.y_mm, cut.height_um, sigma)
