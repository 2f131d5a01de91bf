"""Limits that no value holds: whether there is any way for the faces to lie that all of them allow.

Of a touching pair with one bright mark the tilt is free, so that no bare or blue mark can be held against the result by
itself. Together they can: the gap is at least 0 wherever the faces meet, 0 where metal shines, at most or at least a
film elsewhere. With heights known from other readings that asks for a lift and a tilt q in

    sense·(m·h + F·q − value) ≥ −t·σ    for limits,    |m·h + F·q − value| ≤ t·σ    for values,

and a linear program finds the least t. Where it is above 0 its dual values λ ≥ 0 say why (J. Farkas, J. reine angew.
Math. 124, 1902, 1): Σ λ·sense·F = 0, so V = Σ λ·sense·(value − m·h) holds no lift and no tilt, and is above 0 though it
may not be. What it is over its own sigma is a standardised residual like any.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from waywright.core.adjust.network import Network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.findings import Suspect
from waywright.core.evidence.things import FloatArray, IntArray

MOST = 5  # readings named in one setting; one with more wants taking again


@dataclass(frozen=True)
class _Ask:
    """What one setting asks, a row each (n,): `sense` is 0 for values, which ask both ways."""

    ids: tuple[str, ...]
    known: FloatArray  # (n, N) of the solution's unknowns
    free: FloatArray  # (n, k) of the lift and tilts nothing tells
    value_um: FloatArray
    variance_um2: FloatArray
    sense: IntArray

    def without(self, gone: Collection[str]) -> _Ask:
        """The same without some of its readings."""
        at = np.array([name not in gone for name in self.ids])
        kept = tuple(name for name in self.ids if name not in gone)
        parts = (self.known[at], self.free[at], self.value_um[at], self.variance_um2[at], self.sense[at])
        return _Ask(kept, *parts)


@dataclass(frozen=True)
class _Contradiction:
    """`z`: by how many sigmas the rows with `weight` (n,) cannot all be; `off_um` (n,) what each would have to give."""

    z: float
    weight: FloatArray
    off_um: FloatArray


def impossible(net: Network, solution: Solution, aside: Collection[str], most: float) -> list[Suspect]:
    """Readings without which the faces of their setting could lie as all others say: beyond `most` sigmas, one after
    another. `aside` are readings already doubted."""
    found: list[Suspect] = []
    typed = {r.id: setting.id for setting, r in net.job.readings()}
    for ask in _asks(net, solution, aside):
        for _ in range(MOST):
            against = _contradiction(solution, ask)
            if against is None or against.z <= most:
                break
            suspect = _blamed(net, solution, ask, against, typed, most)
            if suspect is None:
                break
            found.append(suspect)
            ask = ask.without((suspect.reading,))
    return found


def _asks(net: Network, solution: Solution, aside: Collection[str]) -> Iterator[_Ask]:
    """Every setting with limits that nothing holds, as far as the heights they speak of are known."""
    shared = [setting.group for setting in net.job.settings]
    parts = ((net.rows, net.settings), *net.idle)
    waiting = dict.fromkeys(shared[number] for _, numbers in net.idle for number in numbers)
    doubted = set(aside)
    for name in waiting:
        mine = [part.take(np.flatnonzero([shared[i] == name for i in numbers])) for part, numbers in parts]
        matrix = sparse.vstack([rows.matrix for rows in mine]).tocsr()
        own = np.zeros(matrix.shape[1], bool)
        spread = np.zeros(matrix.shape[1])
        unknown = np.ones(matrix.shape[1], bool)
        unknown[solution.old_columns] = False
        for one in net.unknowns:
            if one.face is None and one.prior_um is None and one.label.setting == name:
                own[one.columns] = True
            elif one.face is None and one.prior_um is not None:  # a block nothing else was read with
                spread[one.columns] = np.where(unknown[one.columns], one.prior_um, 0.0)
                unknown[one.columns] = False
        ids = tuple(each for rows in mine for each in rows.reading_ids)
        told = np.asarray(np.abs(matrix[:, unknown & ~own]).sum(axis=1)).ravel() == 0
        told &= np.array([each not in doubted for each in ids])
        at = np.flatnonzero(told)
        heights = matrix[at].tolil()
        heights[:, np.flatnonzero(own)] = 0.0
        u_um, value_um, sense = (
            np.concatenate([getattr(rows, part) for rows in mine]) for part in ("u_um", "value_um", "sense")
        )
        yield _Ask(
            tuple(ids[i] for i in at),
            heights.tocsr()[:, solution.old_columns].toarray(),
            matrix[at][:, own].toarray(),
            value_um[at],
            u_um[at] ** 2 + (matrix[at].power(2) @ spread**2),
            sense[at],
        )


def _contradiction(solution: Solution, ask: _Ask) -> _Contradiction | None:
    """The worst one, None where there is a way to lie."""
    n, k = ask.free.shape
    if not n:
        return None
    size = np.maximum(np.linalg.norm(ask.free, axis=0), 1e-300)
    free = ask.free / size
    # How well each is known about the lift and tilts: what is hardly known should not be what the program leans on.
    about = ask.known - free @ (np.linalg.pinv(free) @ ask.known)
    sigma = np.sqrt(ask.variance_um2 + solution.sigma(about.T) ** 2)
    over = ask.value_um - ask.known @ solution.mean_um
    over = over - free @ (np.linalg.pinv(free) @ over)  # as small as a lift and tilt make it
    value = ask.sense == 0
    which = np.concatenate([np.arange(n), np.flatnonzero(value)])
    sign = np.concatenate([np.where(value, 1.0, ask.sense), -np.ones(int(value.sum()))])
    # sign·(free·q − over) ≥ −t·sigma, each over its sigma
    left = np.column_stack([-sign[:, None] * free[which] / sigma[which, None], -np.ones(len(which))])
    right = -sign * over[which] / sigma[which]
    from scipy.optimize import linprog  # here: it takes an eighth of a second to load

    answer = linprog([0.0] * k + [1.0], left, right, bounds=[(None, None)] * k + [(0.0, None)], method="highs")
    if answer.status != 0 or answer.x[-1] <= 0:
        return None
    weight = np.zeros(n)
    np.add.at(weight, which, -answer.ineqlin.marginals / sigma[which] * sign)
    weight[np.abs(weight) * sigma < 1e-9] = 0.0
    size_um = float(weight @ over)
    spread = np.hypot(float(solution.sigma(ask.known.T @ weight)), np.sqrt(weight**2 @ ask.variance_um2))
    off = np.divide(size_um, weight, out=np.zeros(n), where=weight != 0)
    return _Contradiction(size_um / float(spread), weight, off)


def _blamed(
    net: Network, solution: Solution, ask: _Ask, against: _Contradiction, typed: Mapping[str, str], most: float
) -> Suspect | None:
    """The reading without which the rest fits best, with those that would do as well."""
    left: dict[str, float] = {}
    for i in np.flatnonzero(against.weight):
        if ask.ids[i] in typed:
            rest = _contradiction(solution, ask.without((ask.ids[i],)))
            left[ask.ids[i]] = 0.0 if rest is None else rest.z
    if not left:
        return None
    doing = [name for name, z in left.items() if z <= most] or [min(left, key=lambda name: left[name])]
    off = {name: float(against.off_um[ask.ids.index(name)]) for name in doing}
    worst = min(doing, key=lambda name: abs(off[name]))  # what asks for the least is the likeliest slip
    like = tuple(name for name in doing if name != worst)
    return Suspect(worst, against.z, 1.0, like, typed[worst], off[worst], net.doubts.get(worst), lies=False)
