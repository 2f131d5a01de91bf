"""Which spacers of a lay-up carry, inferred from load and shape, in whatever order they were typed.

The readings without the spacers of a lay-up tell the slack s of each (the gap there, less the block) with its
covariance V, the blocks' own errors in it. For every set A it could stand on (`carriers`) the weight is

    ln w = −½ s_Aᵀ V_AA⁻¹ s_A − ½ ln|V_AA| + ln|M_A| + Σ over the rest of ln Φ(mean/sd given s_A = 0),

M_A what the set makes of lift and tilts: the slack at A tells these, so the weight is a chance of shapes alone. With
P = V⁻¹ and η = P·mean it is, but for a constant,

    ½ η_Rᵀ P_RR⁻¹ η_R − ½ ln|P_RR| + ln|M_A| + Σ ln Φ,      R the rest,

which needs no V: where the readings do not tell the lift or a tilt P has rank to spare, and nothing else changes.
A spacer whose sets have 0.99 of all weight carries and is an equation, one whose sets have 0.01 is free; of the others
it cannot be told. Two passes: the second knows which spacers of the other lay-ups carry.

Where hardly anything was read over a spacer its slack is as wide as the 1 mm that any shape may have before it is read,
and a set with it would weigh next to nothing for that alone. That is no knowledge: what is told must also hold when
such a spacer counts as known to its own u. Three nearly on one line may carry as well: they take their share of the
weight from other sets, but none of them is told to carry for that.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
from scipy.special import log_ndtr, logsumexp

from waywright.core.adjust.carriers import Group
from waywright.core.adjust.network import Network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.findings import Standing
from waywright.core.evidence.rows import EQUAL
from waywright.core.evidence.things import BoolArray, FloatArray, IntArray

CARRIES_FROM = 0.99  # the share of the weight at which a spacer carries
PASSES = 2
UNSEEN = 20.0  # the slack's sigma, in u of the spacer, beyond which nothing was read over it
UNSAID_UM = 50.0  # how well a spacer that may be free holds its gap while the slack is asked: next to not at all


def with_spacers_settled(net: Network, doubted: Collection[str] = ()) -> tuple[Network, tuple[Standing, ...]]:
    """The network with its carrying spacers as equations and the others as limits, and which they are.

    `doubted` names readings that are not believed.
    """
    believed = np.array([name not in doubted for name in net.rows.reading_ids], bool)
    groups = [group.only(believed[group.rows]) for group in net.standing]
    chances: list[Chances] = [_sure(group) for group in groups]
    if any(len(group.sets) > 1 for group in groups):
        for _ in range(PASSES):
            chances = _chances(net.carried(_carrying(groups, chances)), believed, groups)
    told = tuple(_told(net, *each) for each in zip(net.standing, groups, chances, strict=True))
    return net.carried(_carrying(groups, chances)).checkable(), told


Chances = tuple[FloatArray, FloatArray]  # the least and the most chance that each spacer of a group carries, (k,) each


def _sure(group: Group) -> Chances:
    """1 where the balance alone says that a spacer carries, else not a number."""
    found = np.where(np.isin(np.arange(len(group.rows)), group.sure), 1.0, np.nan)
    return found, found


def _carrying(groups: Sequence[Group], chances: Sequence[Chances]) -> IntArray:
    parts = [group.rows[least >= CARRIES_FROM] for group, (least, _) in zip(groups, chances, strict=True)]
    return np.concatenate([*parts, np.zeros(0, np.intp)])


def _chances(net: Network, believed: BoolArray, groups: Sequence[Group]) -> list[Chances]:
    """The chances of each group; `net` has those known so far to carry as equations.

    All others are in the solution as well, for next to nothing, so that their slack has a row in it.
    """
    rows = net.rows
    asked = [len(group.sets) > 1 for group in groups]
    equation = rows.sense == EQUAL
    spacer = np.zeros(len(equation), bool)
    spacer[np.concatenate([group.rows for group, ask in zip(groups, asked, strict=True) if ask])] = True
    keep = np.flatnonzero(believed & (equation | spacer))
    unsaid_um = np.where(equation, 0.0, UNSAID_UM)
    held_um = np.hypot(rows.u_um, unsaid_um)
    solution = Solution(net.unknowns, rows.take(keep, held_um / rows.u_um))
    place = np.full(len(equation), -1, np.intp)
    place[keep] = np.arange(len(keep))
    found = []
    for group, ask in zip(groups, asked, strict=True):
        chance = _sure(group)
        if ask:
            at, held = place[group.rows], held_um[group.rows]
            doubt = (np.eye(len(at)) - solution.seen(at)[at]) / np.outer(held, held)
            pull = -solution.residuals[at] / held
            chance = _weighed(group, doubt, pull, unsaid_um[group.rows], rows.u_um[group.rows])
        found.append(chance)
    return found


def _weighed(group: Group, doubt: FloatArray, pull: FloatArray, unsaid_um: FloatArray, own_um: FloatArray) -> Chances:
    """The least and the most chance that each spacer carries; `own_um` (k,) are their own u.

    A reading's residual over its variance follows from the others alone: `doubt` = (V + D)⁻¹ with D = diag(unsaid²)
    and `pull` = (V + D)⁻¹·mean, so P = doubt·(I − D·doubt)⁻¹.
    """
    k = len(pull)
    weighed = unsaid_um[:, None] ** 2 * doubt
    precision = np.linalg.solve((np.eye(k) - weighed).T, doubt)  # both symmetric: doubt·(I − D·doubt)⁻¹, transposed
    precision = 0.5 * (precision + precision.T)
    towards = np.linalg.solve((np.eye(k) - weighed).T, pull)
    weights, member = [], np.zeros((len(group.sets), k), bool)
    slack_um = np.full(k, np.inf)  # how well the slack of each is known, given a set without it
    for row, carriers in zip(member, group.sets, strict=True):
        row[list(carriers.at)] = True
        rest = np.flatnonzero(~row)
        inverse = np.linalg.inv(precision[np.ix_(rest, rest)])
        mean = inverse @ towards[rest]
        slack_um[rest] = np.minimum(slack_um[rest], np.sqrt(np.diag(inverse)))
        stays_clear = log_ndtr(mean / np.sqrt(np.diag(inverse))).sum()
        size = np.linalg.slogdet(inverse)[1]
        weights.append(0.5 * (towards[rest] @ mean + size) + np.log(carriers.spread) + stays_clear)
    unseen = np.isfinite(slack_um) & (slack_um > UNSEEN * own_um)
    known = np.where(unseen, np.log(slack_um / own_um, where=unseen, out=np.zeros(k)), 0.0)
    firm = member & ~np.array([carriers.narrow for carriers in group.sets])[:, None]
    chances = [np.exp(each - logsumexp(each)) for each in (np.array(weights), np.array(weights) + member @ known)]
    return np.min([each @ firm for each in chances], axis=0), np.max([each @ member for each in chances], axis=0)


def _told(net: Network, whole: Group, believed: Group, chances: Chances) -> Standing:
    """What is said of all spacers of a setting; of one that is not believed it cannot be told."""
    least, most = (dict(zip(believed.rows.tolist(), each.tolist(), strict=True)) for each in chances)
    spots = sorted(zip(whole.x_mm.tolist(), whole.y_mm.tolist(), whole.rows.tolist(), strict=True))
    on = tuple((x, y) for x, y, row in spots if least.get(row, np.nan) >= CARRIES_FROM)
    free = tuple((x, y) for x, y, row in spots if most.get(row, np.nan) <= 1 - CARRIES_FROM)
    return Standing(
        whole.setting,
        on,
        free,
        tuple((x, y) for x, y, _ in spots if (x, y) not in on and (x, y) not in free),
        tuple(net.rows.reading_ids[row] for _, _, row in spots if least.get(row, np.nan) >= CARRIES_FROM),
        bool(believed.sets),
    )
