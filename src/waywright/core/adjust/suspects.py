"""Readings that disagree with the others more than their instrument allows, and instruments that scatter more than
they claim.

Standardised residuals and redundancy numbers (W. Baarda, A testing procedure for use in geodetic networks, 1968),
one limit for the whole job (95 %, Šidák over the readings that anything checks), largest first, solved again without.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from waywright.core.adjust import rigid
from waywright.core.adjust.columns import Rows
from waywright.core.adjust.feasible import impossible
from waywright.core.adjust.misfits import misfits
from waywright.core.adjust.network import Network
from waywright.core.adjust.slips import slips
from waywright.core.adjust.solution import Solution
from waywright.core.adjust.spacers import with_spacers_settled
from waywright.core.evidence.bends import Bending, Given
from waywright.core.evidence.findings import Claim, Fit, Scatter, Slip, Standing, Suspect
from waywright.core.evidence.rows import Influence
from waywright.core.evidence.things import BoolArray, FloatArray, IntArray

CHECKED = 0.05  # redundancy below which nothing checks a reading
INSEPARABLE = 0.99  # residual correlation beyond which two readings cannot be told apart
LEVEL = 0.95
MOST = 20  # suspects looked for; a job with more wants reading again, not computing
TRIM = 3.5  # standardised residuals beyond this say nothing of an instrument's everyday scatter
SETTLED = 0.01  # a factor that changes by less has been learned
ROUGHLY = 20.0  # the sigma, in u, beyond which what a reading should be is not told
SCATTER_PROVED = 0.01  # chance of so much scatter from an honest instrument, below which its claim is no longer used


@dataclass(frozen=True)
class Screened:
    """A solution without its suspects. `rows` (kept,) numbers its rows in those of `net`, whose spacers are settled."""

    net: Network
    standing: tuple[Standing, ...]
    solution: Solution
    rows: IntArray
    suspects: tuple[Suspect, ...]
    unchecked: tuple[str, ...]
    fit: Fit


def screen(net: Network, bends: Bending | None = None) -> Screened:
    """Solve `net`, learn each instrument's scatter, set suspects aside one after another, and check the limits.

    Told how pieces bend, it asks first for a setting typed wrong as a whole: while there is one nothing else is
    doubted, for what disagrees may be its doing.

    Which spacers carry is asked of all readings, and again without the gaps that are suspect: a misread one may have
    put the upper on a spacer that it is free of.
    """
    settled, standing = with_spacers_settled(net)
    rigid.check(settled)
    claimed = _claimed(settled)
    if bends is not None:
        carrying = frozenset(name for one in standing for name in one.carrying)
        if slipped := slips(settled, claimed, Given(carrying, bends)):
            return _as_typed(settled, standing, claimed, slipped)
    found = _screened(settled, standing, claimed)
    spacers = {net.rows.reading_ids[row] for group in net.standing for row in group.rows}
    doubted = {s.reading for s in found.suspects} - spacers
    if doubted and any(not group.sure for group in net.standing):
        again, standing = with_spacers_settled(net, doubted)
        if standing != found.standing:
            rigid.check(again)
            found = _screened(again, standing, _claimed(again))
    return found


def _claimed(net: Network) -> Solution:
    """All equations, every instrument as good as it claims."""
    return Solution(net.unknowns, net.rows.take(np.flatnonzero(net.rows.sense == 0)))


def _as_typed(
    net: Network, standing: tuple[Standing, ...], claimed: Solution, slipped: tuple[Slip, ...]
) -> Screened:
    fit = Fit(float((claimed.residuals**2).sum()), float(claimed.redundancies.sum()), (), slips=slipped)
    unchecked = tuple(claimed.rows.reading_ids[i] for i in np.flatnonzero(claimed.redundancies < CHECKED))
    return Screened(net, standing, claimed, np.flatnonzero(net.rows.sense == 0), (), unchecked, fit)


def _screened(net: Network, standing: tuple[Standing, ...], claimed: Solution) -> Screened:
    rows = net.rows
    keep = np.flatnonzero(rows.sense == 0)
    scale = np.ones(len(rows.value_um))
    doubted = np.zeros(len(rows.value_um), bool)
    suspects: list[Suspect] = []
    while True:
        solution, factors = _learned(net, keep, scale, doubted, begun=None if suspects else claimed)
        found = _worst(net, keep, scale, doubted, solution, factors) if len(suspects) < MOST else None
        if found is None:
            break
        judged, group, z = found
        suspects += [_suspect(net, judged, keep, group, i, z[i]) for i in group]
        places = keep[group]
        doubted[places] = True
        without = np.delete(keep, group)
        if _stays_seen(judged, group):
            keep = without
        else:  # leaving them out would blind the result: keep them for no more than they are worth
            scale[places] *= np.abs(z[group])
    solution, factors = _owned(net, keep, scale, doubted, solution, factors)
    suspects += _limits(net, solution)
    suspects += _impossible(net, solution, {s.reading for s in suspects})
    suspects.sort(key=lambda s: -abs(s.standardised))
    unchecked = tuple(
        solution.rows.reading_ids[i] for i in np.flatnonzero((solution.redundancies < CHECKED) & ~doubted[keep])
    )
    fit = _fit(net, solution, keep, factors)
    return Screened(net, standing, solution, keep, tuple(suspects), unchecked, fit)


def _learned(
    net: Network,
    keep: IntArray,
    scale: FloatArray,
    doubted: BoolArray,
    trim: float = TRIM,
    begun: Solution | None = None,
) -> tuple[Solution, FloatArray]:
    """Solve, and again with each instrument's u raised to what its readings show, until that settles; `begun` is that
    with each as it claims, where it is known.

    Returns the solution and (instruments, 3): the factor used, the factor found, and the redundancy it rests on.
    """
    found = np.tile([1.0, 1.0, 0.0], (len(net.rows.instruments), 1))
    code = net.rows.instrument
    for _ in range(4):
        total = scale * found[code, 0] if len(code) else scale
        solution, begun = begun or Solution(net.unknowns, net.rows.take(keep, total)), None
        new = _scatter(solution.rows.instrument, solution.residuals, solution.redundancies, found, ~doubted[keep], trim)
        used = np.column_stack([found[:, :1], new[:, 1:]])
        if np.allclose(new[:, 0], found[:, 0], rtol=SETTLED):
            break
        found = new
    return solution, used


def _owned(
    net: Network, keep: IntArray, scale: FloatArray, doubted: BoolArray, learned: Solution, factors: FloatArray
) -> tuple[Solution, FloatArray]:
    """The same when all suspects are found: whatever else stands out is the instruments' own, and nothing is trimmed.

    Else nobody speaks: trimmed, an instrument looks honest; without the reading in question, as noisy as it is.
    """
    rows = learned.rows.instrument
    whole = _scatter(rows, learned.residuals, learned.redundancies, factors, ~doubted[keep], np.inf)
    if np.allclose(whole[:, 0], factors[:, 0], rtol=SETTLED):
        return learned, np.column_stack([factors[:, :1], whole[:, 1:]])
    return _learned(net, keep, scale, doubted, np.inf)


def _scatter(
    instrument: IntArray,
    residual: FloatArray,
    redundancy: FloatArray,
    used: FloatArray,
    trusted: BoolArray,
    trim: float = TRIM,
) -> FloatArray:
    """(instruments, 3) the factor to use, the factor found, the redundancy; relative to the claims."""
    result = used.copy()
    for i in range(len(used)):
        mine = trusted & (instrument == i) & (redundancy >= CHECKED)
        if not mine.any():
            result[i] = [1.0, 1.0, 0.0]
            continue
        z = np.abs(residual[mine]) / np.sqrt(redundancy[mine])
        everyday = z <= trim * max(1.0, float(np.median(z)) / 0.6745)
        spare = float(redundancy[mine][everyday].sum())
        square = float((residual[mine][everyday] ** 2).sum()) * used[i, 0] ** 2
        found = float(np.sqrt(square / spare)) if spare > 0 else 1.0
        sure = spare > 0 and float(special.chdtrc(spare, square)) < SCATTER_PROVED
        result[i] = [max(1.0, found) if sure else 1.0, found, spare]
    return result


def chance(checked: int) -> float:
    """How seldom one clean reading may be doubted, that a clean job of so many is left in peace 95 % of the time (Z.
    Šidák, J. Amer. Statist. Assoc. 62, 1967, 626)."""
    return float(1 - LEVEL ** (1 / max(checked, 1)))


def limit(checked: int) -> float:
    """The standardised residual beyond which one of so many checked readings is doubted."""
    return float(-special.ndtri(chance(checked) / 2))


def _worst(
    net: Network, keep: IntArray, scale: FloatArray, doubted: BoolArray, learned: Solution, factors: FloatArray
) -> tuple[Solution, IntArray, FloatArray] | None:
    """The worst reading with those that cannot be told from it, and the standardised residuals of their solution.

    A misreading makes instruments look worse than they are and hides behind that. So the readings that stand out, with
    every instrument as good as it claims or as good as it looks, are each held against what all the others say, of
    its value and of every instrument's scatter (the deleted residual; R. D. Cook and S. Weisberg, Residuals and
    Influence in Regression, 1982, section 2.2.1).
    """
    honest = Solution(net.unknowns, net.rows.take(keep, scale)) if np.any(factors[:, 0] > 1) else learned
    checked = honest.redundancies >= CHECKED
    if not checked.any():
        return None
    z = np.where(checked, honest.residuals / np.sqrt(np.maximum(honest.redundancies, CHECKED)), 0.0)
    count = int(checked.sum()) + int(np.count_nonzero(net.rows.sense))
    worst, largest = -1, 0.0
    for i in _standing_out(learned, np.where(np.abs(z) > limit(count), z, 0.0), ~doubted[keep]):
        size, spare = _deleted(net, honest, keep, i, scale, doubted)
        if size > largest and 2 * (special.stdtr(spare, -size) if spare else special.ndtr(-size)) < chance(count):
            worst, largest = i, size
    if worst < 0:
        return None
    like = (np.abs(honest.residual_correlation(worst)) > INSEPARABLE) & ~doubted[keep] & checked
    like[worst] = False
    group = np.concatenate([[worst], np.flatnonzero(like)]).astype(np.intp)
    return honest, group, z * (largest / np.abs(z[worst]))


def _standing_out(learned: Solution, z: FloatArray, trusted: BoolArray) -> list[int]:
    """Of each instrument the reading with the largest residual, as claimed (`z`, 0 where small) and as learned."""
    other = learned.residuals / np.sqrt(np.maximum(learned.redundancies, CHECKED))
    found: dict[int, None] = {}
    for code in range(len(learned.rows.instruments)):
        mine = trusted & (learned.rows.instrument == code) & (z != 0)
        if mine.any():
            found |= {int(np.argmax(np.where(mine, np.abs(size), 0.0))): None for size in (z, other)}
    return list(found)


def _deleted(
    net: Network, honest: Solution, keep: IntArray, i: int, scale: FloatArray, doubted: BoolArray
) -> tuple[float, float]:
    """How far reading `i` lies from what all others say, over the sigma of that; and the redundancy its instrument's
    scatter rests on, 0 where that is as claimed.

    While every instrument is as good as it claims, what the others say follows from the solution with it: taking a
    reading out is an update of rank one (Cook and Weisberg, 1982, section 2.2).
    """
    follows = honest.residual_covariance(i)
    residual = honest.residuals - follows * (honest.residuals[i] / follows[i])
    redundancy = np.delete(honest.redundancies - follows**2 / follows[i], i)
    others = np.delete(keep, i)
    claimed = np.tile([1.0, 1.0, 0.0], (len(net.rows.instruments), 1))
    found = _scatter(net.rows.instrument[others], np.delete(residual, i), redundancy, claimed, ~doubted[others])
    if np.allclose(found[:, 0], 1.0, rtol=SETTLED):
        return float(abs(honest.residuals[i]) / np.sqrt(follows[i])), 0.0
    solution, factors = _learned(net, others, scale, doubted)
    row = int(keep[i])
    factor, _, spare = factors[net.rows.instrument[row]]
    matrix = net.rows.matrix[[row]][:, solution.old_columns]
    said, sigma = solution.predict(matrix)
    u = factor * scale[row] * net.rows.u_um[row]
    return float(abs(net.rows.value_um[row] - said[0]) / np.hypot(sigma[0], u)), float(spare) if factor > 1 else 0.0


def _stays_seen(solution: Solution, group: IntArray) -> bool:
    """Whether the readings left still tell, better than roughly, what those set aside should have read.

    Without them the covariance of what they should read, over their u, is H(I − H)⁻¹, where H is that with them.
    """
    rows = solution.rows.matrix
    left = np.zeros(rows.shape[1], bool)
    left[rows[np.delete(np.arange(rows.shape[0]), group)].indices] = True
    if not left[rows[group].indices].all():
        return False
    told, shapes = np.linalg.eigh(solution.seen(group)[group])
    if told[-1] > 1 - 1e-9:
        return False
    sigma = np.sqrt(shapes**2 @ np.maximum(told / (1 - told), 0.0))
    return bool(np.all(sigma < ROUGHLY))


def _suspect(net: Network, solution: Solution, keep: IntArray, group: IntArray, i: int, z: float) -> Suspect:
    rows = solution.rows
    redundancy = float(solution.redundancies[i])
    # What the others say it should have read: the residual over its redundancy.
    off = float(solution.residuals[i]) * rows.u_um[i] / redundancy
    like = tuple(rows.reading_ids[j] for j in group if j != i)
    return Suspect(rows.reading_ids[i], float(z), redundancy, like, _home(net, keep[i]), off)


def _home(net: Network, row: int) -> str:
    """The id of the setting a row is of."""
    return net.job.settings[int(net.settings[row])].id


def _limits(net: Network, solution: Solution) -> list[Suspect]:
    """One-sided stacks and further spacers that the result contradicts."""
    rows = net.rows
    bounds = np.flatnonzero(rows.sense != 0)
    if not len(bounds):
        return []
    matrix = rows.matrix[bounds]
    known = np.zeros(matrix.shape[1], bool)
    known[solution.old_columns] = True
    heights = np.zeros(matrix.shape[1], bool)
    for unknown in net.unknowns:
        heights[unknown.columns] = unknown.face is not None
    seen = np.asarray(np.abs(matrix[:, heights & ~known]).sum(axis=1)).ravel() == 0
    bounds, matrix = bounds[seen], matrix[seen][:, solution.old_columns]
    count = len(bounds) + int(np.count_nonzero(solution.redundancies >= CHECKED))
    beyond = (
        rows.sense[bounds] * (rows.value_um[bounds] - matrix @ solution.mean_um) > 0
    )  # few: touching faces have many
    bounds, matrix = bounds[beyond], matrix[beyond]
    if not len(bounds):
        return []
    said, sigma = solution.predict(matrix)
    off = rows.value_um[bounds] - said
    z = np.abs(off) / np.hypot(sigma, rows.u_um[bounds])
    out = z > -special.ndtri(chance(count))
    return [
        Suspect(name, float(z[k]), 1.0, (), _home(net, bounds[k]), float(off[k]), net.doubts.get(name))
        for k, name in enumerate(rows.reading_ids[i] for i in bounds)
        if out[k]
    ]


def _impossible(net: Network, solution: Solution, aside: set[str]) -> list[Suspect]:
    """Limits that no value holds, and that no way for the faces to lie allows together."""
    if not net.idle:
        return []
    idle = sum(len(settings) for _, settings in net.idle)
    count = idle + int(np.count_nonzero(solution.redundancies >= CHECKED))
    return impossible(net, solution, aside, float(-special.ndtri(chance(count))))


def _fit(net: Network, solution: Solution, keep: IntArray, factors: FloatArray) -> Fit:
    rows: Rows = solution.rows
    scatter = []
    for name, (used, found, spare) in zip(rows.instruments, factors, strict=True):
        if spare > 0:
            scatter.append(Scatter(name, float(used), float(found), float(spare), _claim(net, name)))
    found = misfits(net, solution, net.settings[keep], tuple(scatter))
    return Fit(float((solution.residuals**2).sum()), float(solution.redundancies.sum()), tuple(scatter), found)


def _claim(net: Network, name: str) -> Claim | None:
    """What an instrument claims, or the hand that holds it: whichever most of its readings' variance comes from."""
    instrument = next((i for i in net.job.instruments if i.name == name), None)
    if instrument is None:
        return None
    if instrument.u_um_per_m is not None:
        return "u", instrument.u_um_per_m, "µm/m"
    feel = net.rows.noise_um2.get(Influence(name, "feel"))
    if (
        feel is not None
        and feel.sum() > 0.5 * (net.rows.u_um**2)[net.rows.instruments.index(name) == net.rows.instrument].sum()
    ):
        return "feel", instrument.feel_um, "µm"
    return None if instrument.u_um is None else ("u", instrument.u_um, "µm")
