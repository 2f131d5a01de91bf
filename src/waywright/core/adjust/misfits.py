"""The last gate: readings that disagree though none of them is a suspect and no honest scatter explains it.

Asked when suspects are set aside and every instrument is used at what it shows. Verdicts stay open where a setting
scatters apart from all others, an instrument scatters more than twice its claim, or χ² is improbable all the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from waywright.core.adjust.network import Network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.findings import Misfit, Scatter
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.things import BoolArray, IntArray

IMPROBABLE = 5e-4  # chance that honest readings are doubted, by settings and by χ²
TOO_MUCH = 2.0  # times its claim: up to this an instrument may scatter, and is used so
HONEST, SELDOM = 1.5, 0.01  # of instruments that scatter so many times their claim this share at most is doubted
NEEDED = 0.5  # redundancy below which there is nothing to compare
MAY_BE = 0.1  # chance, told roughly, from which a setting is as good as the others without looking closer
FREE = 3  # lift and tilts, what most settings own
OTHER = -1  # no setting's number


@dataclass(frozen=True)
class _Apart:
    """How a setting lies to all others: its scatter over theirs, and how seldom an honest one comes to that."""

    setting: Setting
    times: float
    chance: float


def misfits(net: Network, solution: Solution, settings: IntArray, instruments: Sequence[Scatter]) -> tuple[Misfit, ...]:
    """Why nothing may be decided on these readings, the most telling first; none where they fit together.

    A setting apart makes its instrument look noisy, and both improbable: the first of the three that speaks is told.

    `solution` is without its suspects and with every instrument at what it shows (`instruments`); `settings` (n,)
    numbers the setting of each of its rows.
    """
    firsts: dict[str, int] = {}  # blocks of one name are one setting
    of = np.array([firsts.setdefault(net.job.settings[i].group, int(i)) for i in settings], np.intp)
    scaled = max((one.factor for one in instruments), default=1.0) ** -2
    tried = (_apart(net.job.settings[i], solution, of == i, scaled) for i in firsts.values())
    apart = sorted((a for a in tried if a is not None), key=lambda a: a.chance)
    return (
        tuple(_setting(a) for a in apart if a.chance < IMPROBABLE / len(firsts))
        or tuple(_noisy(net.job, solution, of, apart, instruments))
        or tuple(_whole(net.job, solution, of, apart))
    )


def _setting(apart: _Apart) -> Misfit:
    name = apart.setting.id
    return Misfit("setting", name, name, apart.times, apart.chance)


def _noisy(
    job: Job, solution: Solution, of: IntArray, apart: Sequence[_Apart], instruments: Sequence[Scatter]
) -> Iterator[Misfit]:
    """Instruments beyond twice their claim, where no setting is apart that would make them so.

    On few readings to spare one that truly scatters 1.5 times its claim often shows more than twice: not these.
    """
    for one in instruments:
        chance = float(special.chdtrc(one.redundancy, (one.found / HONEST) ** 2 * one.redundancy))
        if one.factor > TOO_MUCH and chance < SELDOM / len(instruments):
            its = solution.rows.instrument == solution.rows.instruments.index(one.instrument)
            first = _worst(job, solution, np.where(its, of, OTHER), apart)
            yield Misfit("instrument", one.instrument, first, one.factor, chance)


def _whole(job: Job, solution: Solution, of: IntArray, apart: Sequence[_Apart]) -> Iterator[Misfit]:
    """χ² against the redundancy, where nothing else was said: W. Baarda's overall model test (1968)."""
    chi2, spare = float((solution.residuals**2).sum()), float(solution.redundancies.sum())
    chance = float(special.chdtrc(spare, chi2)) if spare >= NEEDED else 1.0
    if chance < IMPROBABLE:
        first = _worst(job, solution, of, apart)
        yield Misfit("fit", "", first, float(np.sqrt(chi2 / spare)), chance, chi2, spare)


def _worst(job: Job, solution: Solution, of: IntArray, apart: Sequence[_Apart]) -> str:
    """The id of the setting to begin with, of those numbered in `of` (n,): of what can be taken anew the one that fits
    worst; "" where there is none."""
    chances, past = {a.setting.id: a.chance for a in apart}, set(job.past())

    def order(setting: int) -> tuple[bool, float, float]:
        mine, name = of == setting, job.settings[setting].id
        own = float((solution.residuals[mine] ** 2).sum()) / max(float(solution.redundancies[mine].sum()), NEEDED)
        return name in past, chances.get(name, 1.0), -own

    numbers = set(of.tolist()) - {OTHER}
    return job.settings[min(numbers, key=order)].id if numbers else ""


def _apart(setting: Setting, solution: Solution, mine: BoolArray, scaled: float = 1.0) -> _Apart | None:
    """The rows `mine` of a setting against the others among themselves; None where there is nothing to compare.

    What it adds to χ², a unit of redundancy, over the same of all others without it. Both are independent when all are
    honest, so that the ratio has the F distribution whatever their common scale (the extra sum of squares: G. A. F.
    Seber and A. J. Lee, Linear Regression Analysis, 2nd edition, 2003, section 4.3). Their scale counts as no
    less than honest readings hardly ever show: a few rounded ones may fit one another to nothing. `scaled`: 1/f² where
    instruments count as f times as rough as they claim.
    """
    square, spare = solution.residuals**2, solution.redundancies
    if _roughly(solution, mine, scaled) > MAY_BE:
        return None
    without = Solution(solution.unknowns, solution.rows.take(np.flatnonzero(~mine)))
    left, chi2 = float(without.redundancies.sum()), float((without.residuals**2).sum())
    adds, more = float(spare.sum()) - left, float(square.sum()) - chi2
    if min(left, adds) < NEEDED or chi2 <= 0:
        return None
    ratio = max(0.0, more / adds) / max(chi2 / left, _least(left) * scaled)
    return _Apart(setting, float(np.sqrt(ratio)), float(special.fdtrc(adds, left, ratio)))


def _roughly(solution: Solution, mine: BoolArray, scaled: float) -> float:
    """The chance of that ratio as the residuals with it tell it, without solving again.

    As if each way in which a setting can differ were checked alike: then what it adds is its residuals over the share
    of them that the others check.
    """
    square, spare = solution.residuals**2, solution.redundancies
    total, own = float(spare.sum()), float(spare[mine].sum())
    if own <= 0 or total - own < NEEDED:
        return 1.0
    ways = min(max(own, float(mine.sum()) - FREE), total - NEEDED)
    more, all_of_it = float(square[mine].sum()) * ways / own, float(square.sum())
    if more >= all_of_it:
        return 0.0
    others = max((all_of_it - more) / (total - ways), _least(total - ways) * scaled)
    return float(special.fdtrc(ways, total - ways, more / ways / others))


def _least(spare: float) -> float:
    """χ² over its redundancy, of readings as good as they claim: less but one time in a hundred."""
    return float(special.chdtri(spare, 0.99)) / spare
