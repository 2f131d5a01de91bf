"""Settings that were typed wrong as a whole: what each may have been meant as is tried, and named where χ² collapses.

Every hypothesis is one setting as its kind says it may have been meant (`Kind.slips`), solved with all others and with
every instrument as good as it claims; what it leaves is

    D = χ² − 2·m·mean ln(f·u/u′) + 2·(ν₀ − ν)₊,

f what its values are multiplied by (1 but for a unit) and u, u′ before and after: a smaller unit shrinks the noise with
the shape, and would fit for that alone. m is how much of the setting the others check: what goes into shapes that
nothing else reads is as likely in any unit. The last term takes off what a hypothesis moves to where nothing checks it
(ν the redundancy; H. Akaike, IEEE Trans. Automatic Control 19, 1974, 716, a free number each). A wrong block is one
free number for all gaps of a setting.

The lowest D names the slip where it lies more than `NAMED` below that of what was typed, counted in the scatter it
leaves, χ²/ν, where that is above 1 (units: in itself); others less than `MARGIN` above it may be it as well.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from waywright.core.adjust.network import Network, network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.bends import Given
from waywright.core.evidence.findings import Slip
from waywright.core.evidence.job import Job, JobError, Setting
from waywright.core.evidence.meant import OTHER, Meant, Slipped, together
from waywright.core.evidence.rows import EQUAL
from waywright.core.evidence.things import BoolArray, IntArray

NAMED = 25.0  # so much lower must D be
MARGIN = 10.0  # and so much before that of the next
MOST_ALIKE = 4  # that may be it: of more nobody is asked
WORST_LINES = 3  # of a setting, each by itself
AKAIKE = 2.0  # for a free number
SINGLE, ANYWHERE = 4, 18.0  # readings that may be wrong each for itself, and what each costs: 2·ln of some 8,000 u
LOOKED_INTO = 0.01  # chance of χ², of all or of a setting, beyond which on either side the hypotheses are tried
LARGER = 100.0  # times its claim, squared, may a reading of a larger unit scatter and still be looked into
FREE = 3.0  # lift and tilts, what most settings own
UNCHECKED = 1e-6  # of a redundancy
NEEDED = 0.5  # redundancy below which there is nothing to compare
NOTICED_UM = 0.05  # heights that differ by less do not hang on it


@dataclass(frozen=True)
class Tried:
    """A hypothesis: how far D falls, and in what that is counted."""

    meant: Meant
    chi2: float
    falls: float
    scale: float
    solution: Solution
    off_um: float | None = None

    @property
    def key(self) -> tuple[str, Slipped, float | None]:
        """The same setting and slip may be meant in several ways: with what it stood on, or without."""
        return self.meant.settings[0].id, self.meant.slip, self.meant.y_mm


def slips(net: Network, claimed: Solution, given: Given) -> tuple[Slip, ...]:
    """The setting typed wrong as a whole, the likeliest slip first where it is one of several; none where all is well.

    `claimed` are the equations of `net` (whose spacers are settled) with every instrument as it claims.
    """
    found = likeliest(hypotheses(net, claimed, given, closely=improbable(net, claimed)))
    if found:  # where single readings are wrong, and left out, it must stand out from them as well
        first = found[0]
        if first.falls + misread(first.solution) - misread(claimed) <= NAMED * first.scale:
            return ()
    return tuple(_slip(net.job, claimed, tried) for tried in found)


def misread(solved: Solution) -> float:
    """How far D falls, at most, when single readings are left out as well: the worst, then again, a few at most.

    Each costs what a reading tells that may lie anywhere: 2·ln of its range over its u.
    """
    most, solution = 0.0, solved
    for count in range(1, SINGLE + 1):
        spare = solution.redundancies
        checked = spare > UNCHECKED
        if not checked.any():
            break
        worst = int(np.argmax(np.where(checked, solution.residuals**2 / np.where(checked, spare, 1.0), 0.0)))
        rows = solution.rows.take(np.delete(np.arange(len(spare)), worst))
        solution = Solution(solved.unknowns, rows)
        most = max(most, _chi2(solved) - _chi2(solution) - ANYWHERE * count)
    return most


def likeliest(ranked: Sequence[Tried]) -> list[Tried]:
    """Of hypotheses, where D falls by most first, the one that is named, or several of which it is one; none where the
    first does not lie far enough below what was typed, or too many are alike."""
    if not ranked or ranked[0].falls <= NAMED * ranked[0].scale:
        return []
    alike = [t for t in ranked if t.falls > ranked[0].falls - MARGIN * ranked[0].scale]
    return alike if len(alike) <= MOST_ALIKE else []


def hypotheses(
    net: Network,
    claimed: Solution,
    given: Given,
    least: float = NAMED,
    margin: float = MARGIN,
    *,
    closely: bool = True,
) -> list[Tried]:
    """For every setting and slip the likeliest way it was meant in, where D falls by most first: by more than `least`,
    and all that come near the first by `margin`, both counted in the scatter they leave.

    Unless `closely` only larger units are tried, which χ² may not show. None falls by more than if its setting were not
    there at all: what cannot come near is not solved.
    """
    settings = _settings(net)
    numbers = np.unique(settings)
    asked = [
        question
        for number in (numbers if closely else numbers[_may_be_larger(claimed, settings, numbers)]).tolist()
        if (question := _asked(net, claimed, given, number, settings == number, closely)) is not None
    ]
    found: dict[tuple[str, Slipped, float | None], Tried] = {}
    enough = 0.0
    for question in sorted(asked, key=lambda q: q.left):
        for meant in question.meants:
            if question.most(meant) <= max(enough, least * question.scale(meant)):
                continue
            tried = question.tried(meant)
            if tried is None or tried.falls <= least * tried.scale:
                continue
            before = found.get(tried.key)
            if before is None or tried.falls > before.falls:
                found[tried.key] = tried
                enough = max(enough, tried.falls - margin * tried.scale)
    return sorted(found.values(), key=lambda t: -t.falls)


def _settings(net: Network) -> IntArray:
    """(n,) the setting of each equation, by the number of its first block."""
    firsts: dict[str, int] = {}
    first = np.array([firsts.setdefault(s.group, i) for i, s in enumerate(net.job.settings)], np.intp)
    return np.asarray(first[net.settings[net.rows.sense == EQUAL]], np.intp)


def improbable(net: Network, claimed: Solution) -> bool:
    """Whether χ² of all readings or of a setting is as hardly an honest reading makes it: too large, or too small.

    Of a setting by its share of the residuals, as if each way in which it can differ were checked alike.
    """
    settings, square, spare = _settings(net), claimed.residuals**2, claimed.redundancies
    if spare.sum() < NEEDED:
        return False
    own, count, part = (np.bincount(settings, weights) for weights in (spare, None, square))
    ways = np.minimum(np.maximum(own, count - FREE), spare.sum())[own > UNCHECKED]
    chi2 = part[own > UNCHECKED] * ways / own[own > UNCHECKED]
    chi2, ways = np.append(chi2, square.sum()), np.append(ways, spare.sum())
    chance = np.minimum(special.chdtrc(ways, chi2), special.chdtr(ways, chi2))
    return bool(np.any(chance < LOOKED_INTO))


@dataclass(frozen=True)
class _Asked:
    """One setting in question, and what it may have been meant as. Without it χ² is `left`; `checked` of its readings
    the others check."""

    net: Network
    claimed: Solution
    given: Given
    typed: tuple[Setting, ...]
    meants: tuple[Meant, ...]
    left: float
    checked: float

    def most(self, meant: Meant) -> float:
        """The most that D may fall by."""
        return _chi2(self.claimed) - self.left + 2 * self.checked * abs(math.log(meant.factor))

    def scale(self, meant: Meant) -> float:
        """The least that this is counted in."""
        return 1.0 if meant.units else max(1.0, self.left / max(float(self.claimed.redundancies.sum()), NEEDED))

    def tried(self, meant: Meant) -> Tried | None:
        """One hypothesis solved; None where it cannot be, or D does not fall."""
        return self._off_alike(meant) if meant.common else self._solved(meant)

    def _solved(self, meant: Meant) -> Tried | None:
        job, then = self.net.job, {setting.id: setting for setting in meant.settings}
        job = replace(job, settings=tuple(then.get(s.id, s) for s in job.settings))
        try:
            for setting in meant.settings:
                setting.geometry.check(job)
            net = network(job, self.given)
        except JobError:
            return None
        solution = Solution(net.unknowns, net.rows.take(np.flatnonzero(net.rows.sense == EQUAL)))
        chi2, spare = _chi2(solution), float(self.claimed.redundancies.sum())
        falls = _chi2(self.claimed) - chi2 + 2 * self.checked * self._larger(meant, solution)
        if falls <= 0:
            return None
        left = float(solution.redundancies.sum())
        falls -= AKAIKE * max(0.0, spare - left)
        scale = 1.0 if meant.units else max(1.0, chi2 / max(left, NEEDED))
        return Tried(meant, chi2, falls, scale, solution)

    def _off_alike(self, meant: Meant) -> Tried | None:
        """The hypothesis that its common readings are off by one free number: one more column, taken out again."""
        rows = self.claimed.rows
        column = np.array([name in meant.common for name in rows.reading_ids]) / rows.u_um
        beyond = column - self.claimed.weighted @ self.claimed.carry((self.claimed.weighted.T @ column)[:, None])[:, 0]
        size = float(column @ beyond)
        if size <= UNCHECKED * float(column @ column):
            return None
        off_um = float(column @ self.claimed.residuals) / size
        tried = self._solved(meant.less(off_um))
        return None if tried is None else replace(tried, falls=tried.falls - AKAIKE, off_um=off_um)

    def _larger(self, meant: Meant, solution: Solution) -> float:
        """The mean over the setting's readings of ln(f·u/u′)."""
        if meant.units is None:
            return 0.0
        was, now = ({r.id: r for s in blocks for r in s.readings} for blocks in (self.typed, meant.settings))
        before, after = _u_um(self.claimed), _u_um(solution)
        each = [
            math.log((meant.factor if now[name] != was[name] else 1.0) * before[name] / after[name])
            for name in now
            if name in before and name in after
        ]
        return sum(each) / max(len(each), 1)


def _may_be_larger(claimed: Solution, settings: IntArray, numbers: IntArray) -> BoolArray:
    """(k,) the settings whose readings may well be of a unit `OTHER` times as large: they then scatter less by as much.

    Known without solving again, as far as the claims stay what they are.
    """
    own = settings[:, None] == numbers
    more = (OTHER - 1) * own * (claimed.rows.value_um / claimed.rows.u_um)[:, None]
    then = claimed.residuals[:, None] + more - claimed.weighted @ claimed.carry(claimed.weighted.T @ more)
    return np.asarray((then**2).sum(axis=0) < _chi2(claimed) + LARGER * own.sum(axis=0))


def _asked(
    net: Network, claimed: Solution, given: Given, number: int, mine: BoolArray, closely: bool
) -> _Asked | None:
    """A setting in question; None where nothing else is read, or it can have been meant as nothing else."""
    group = net.job.settings[number].group
    typed = tuple(s for s in net.job.settings if s.group == group)
    offered = together([s.geometry.slips(net.job, s) for s in typed])
    meants = tuple(_worst_lines(claimed, typed, [m for m in offered if closely or m.factor > 1]))
    if not meants or mine.all():
        return None
    without = Solution(claimed.unknowns, claimed.rows.take(np.flatnonzero(~mine)))
    checked = float(claimed.redundancies.sum() - without.redundancies.sum()) if any(m.units for m in meants) else 0.0
    return _Asked(net, claimed, given, typed, meants, _chi2(without), checked)


def _worst_lines(claimed: Solution, typed: Sequence[Setting], meants: Sequence[Meant]) -> Iterator[Meant]:
    """All but the slips of lines that fit better than others: one typed wrong is among those that fit worst."""
    of_lines = [m for m in meants if m.y_mm is not None]
    if of_lines:
        square = dict(zip(claimed.rows.reading_ids, (claimed.residuals**2).tolist(), strict=True))
        as_typed = {r.id: r for s in typed for r in s.readings}
        misfit: dict[float | None, float] = {}
        for meant in of_lines:
            moved = [r.id for s in meant.settings for r in s.readings if r != as_typed[r.id]]
            misfit[meant.y_mm] = float(np.mean([square.get(name, 0.0) for name in moved]))
        worst = sorted(misfit, key=lambda y: -misfit[y])[:WORST_LINES]
    yield from (m for m in meants if m.y_mm is None or m.y_mm in worst)


def _u_um(solution: Solution) -> dict[str, float]:
    return dict(zip(solution.rows.reading_ids, solution.rows.u_um.tolist(), strict=True))


def _chi2(solution: Solution) -> float:
    return float((solution.residuals**2).sum())


def _slip(job: Job, claimed: Solution, tried: Tried) -> Slip:
    meant, newest = tried.meant, job.states()
    faces = tuple(name for name, state in newest.items() if _hangs(claimed, tried.solution, name, state))
    return Slip(
        meant.settings[0].id,
        meant.slip,
        _chi2(claimed),
        tried.chi2,
        meant.settings,
        faces,
        meant.units,
        tried.off_um,
        meant.y_mm,
    )


def _hangs(before: Solution, after: Solution, name: str, state: int) -> bool:
    """Whether a face has other heights, or other nodes are read, after than before."""
    was, then = before.face(name, state), after.face(name, state)
    if was is None or then is None:
        return was is not then
    if not np.array_equal(was.x_mm, then.x_mm) or not np.array_equal(was.y_mm, then.y_mm):
        return True
    return float(np.abs(before.heights_um(was) - after.heights_um(then)).max()) > NOTICED_UM
