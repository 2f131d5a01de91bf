"""The least work that reaches a goal: which settings to take, and which readings in each.

First comes the setting that tells most: no candidate, solved again with it, leaves less unsure. Going on so, or by
what tells most a minute, wastes readings: what a coarse level says is not needed once the blocks have spoken. So the
rest is planned as a whole, several ways (best a minute, best of all, best a reading, round after round), until the goal
is reached; then settings, and single readings, that the goal does not need are taken out again, the least useful
first; the programme of fewest readings, then of fewest minutes, is the one to follow. An instrument is borrowed only
where those owned cannot reach the goal. What a reading will say changes none of it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from waywright.core.evidence.kind import Candidate
from waywright.core.evidence.things import FloatArray, Instrument
from waywright.core.next.reading_plan import Information, Offer, ReadingPlan
from waywright.core.readings.proposed import BORROWING_MIN

MOST_SETTINGS = 30
TIMES = 4  # how often a person reads everything again before giving up; common practice, no source
ALIKE = 10  # decimals to which what settings tell is compared: beyond, rounding would choose between equals
AT_A_TIME = 8  # readings tried before the losses are worked out again


@dataclass(frozen=True)
class Programme:
    """The setting that tells most, then the others as they tell most a minute. `reached`: they reach the goal.

    `reach_um`: the largest sigma of any height that is left when everything is read some times over.
    """

    taken: tuple[Offer, ...]
    reached: bool
    reach_um: float

    @property
    def minutes(self) -> float:
        """All of it."""
        return sum(t.minutes for t in self.taken)

    @property
    def readings(self) -> int:
        """How many in all."""
        return sum(map(read, self.taken))


def programme(plan: ReadingPlan, candidates: Iterable[Candidate]) -> Programme:
    """The programme of fewest readings found; with `reached` False, everything once: the furthest that was tried."""
    told, reach_um = _worth_having(plan, [t for c in candidates if (t := plan.information_of(c)) is not None])
    if not told or plan.reached:
        return Programme((), plan.reached, reach_um)
    first = max(told, key=lambda t: (round(_gain(plan, t), ALIKE), -t.minutes))
    if _reached(plan, [first]):  # more than the goal asks need not be known
        return Programme(_ordered(plan, _without_readings(plan, [first], 0)), True, reach_um)
    drafts = [draft for way in GREEDY_RULES if (draft := _reach(plan, told, first, way)) is not None]
    in_rounds = _in_rounds(plan, told, first)
    drafts += [in_rounds] if drafts and in_rounds is not None else []
    if not drafts:
        return Programme(_ordered(plan, [first, *(t for t in told if t is not first)]), False, reach_um)
    pruned = [_without_readings(plan, _without_settings(plan, draft)) for draft in drafts]
    best = min(pruned, key=lambda draft: (sum(map(read, draft)), sum(t.minutes for t in draft)))
    return Programme(_ordered(plan, best), True, reach_um)


def _worth_having(plan: ReadingPlan, told: Sequence[Information]) -> tuple[list[Information], float]:
    """What is owned, where it can reach the goal; else also what must be borrowed. How far it reaches."""
    owned = [t for t in told if not t.candidate.instruments]
    reach_um = plan.reach_um(owned, TIMES)
    if reach_um > plan.required_sigma_um:
        owned, reach_um = list(told), plan.reach_um(told, TIMES)
    return sorted(owned, key=_round_of, reverse=True), reach_um


def _gain(plan: ReadingPlan, told: Information) -> float:
    """What it adds to the share known as things stand."""
    return plan.share_known(plan.covariance(plan.information + told.adds)) - plan.known


Rule = Callable[[float, Information], float]
GREEDY_RULES: tuple[Rule, ...] = (
    lambda gain, t: gain / t.minutes,
    lambda gain, t: gain,
    lambda gain, t: gain / max(1, read(t)),
)


def read(setting: Information | Offer) -> int:
    """How many readings of it there are to read: what a lay-up stands on is known beforehand."""
    return len(setting.candidate.to_read(setting.readings))


def _with(plan: ReadingPlan, settings: Sequence[Information]) -> FloatArray:
    """The information when settings are taken as well."""
    return np.asarray(plan.information + np.sum([t.adds for t in settings], axis=0))


def _reached(plan: ReadingPlan, settings: Sequence[Information]) -> bool:
    return bool(settings) and plan.largest_um(plan.covariance(_with(plan, settings))) <= plan.required_sigma_um


def _reach(plan: ReadingPlan, told: Sequence[Information], first: Information, way: Rule) -> list[Information] | None:
    """After the first, by repeatedly taking the best by `way`, until the goal is reached; None when it is not."""
    chosen = [first]
    information = _with(plan, chosen)
    now = plan.share_known(plan.covariance(information))
    while len(chosen) < MOST_SETTINGS:
        gains = [plan.share_known(plan.covariance(information + t.adds)) - now for t in told]
        best = max(range(len(told)), key=lambda i: round(way(gains[i], told[i]), ALIKE))
        if gains[best] <= 1e-12:
            return None
        chosen.append(told[best])
        information = information + told[best].adds
        covariance = plan.covariance(information)
        now = plan.share_known(covariance)
        if plan.largest_um(covariance) <= plan.required_sigma_um:
            return chosen
    return None


def _in_rounds(plan: ReadingPlan, told: Sequence[Information], first: Information) -> list[Information] | None:
    """As a person would who reads everything: kind after kind, turn after turn, each as a whole, until it is enough."""
    chosen = [first]
    left = [t for t in told if t is not first]
    while len(chosen) < MOST_SETTINGS:
        for _, together in itertools.groupby(left, key=_round_of):
            chosen += together
            if _reached(plan, chosen):
                return chosen
        left = list(told)
    return None


def _round_of(told: Information) -> tuple[str, str]:
    geometry = told.candidate.settings[0].geometry
    return geometry.block, "" if geometry.lying is None else geometry.lying.turn


def _without_settings(plan: ReadingPlan, chosen: list[Information]) -> list[Information]:
    """Leave out whole settings that the goal does not need, the longest first; the very first stays."""
    at = sorted(range(1, len(chosen)), key=lambda i: -chosen[i].minutes)
    kept = {0, *at}
    for i in at:
        if _reached(plan, [chosen[k] for k in sorted(kept - {i})]):
            kept.remove(i)
    return [chosen[k] for k in sorted(kept)]


def _without_readings(plan: ReadingPlan, chosen: list[Information], start: int = 1) -> list[Information]:
    """Leave out single readings that the goal does not need, the least useful a minute first; none before `start`."""
    needed: set[tuple[int, str]] = set()
    while True:
        information = _with(plan, chosen)
        losses = sorted(
            (round(loss / t.each_min[i], ALIKE), s, i)
            for s, t in enumerate(chosen[start:], start)
            for i, loss in enumerate(plan.losses(t, information))
            if t.each_min[i] > 0 and (s, t.readings[i].id) not in needed  # what it stands on takes no time
        )
        for _, s, i in losses[:AT_A_TIME]:
            less = [*chosen[:s], chosen[s].less(i), *chosen[s + 1 :]]
            if _reached(plan, less):
                chosen = less
                break
            needed.add((s, chosen[s].readings[i].id))
        else:
            return chosen


def _ordered(plan: ReadingPlan, chosen: Sequence[Information]) -> tuple[Offer, ...]:
    """The first, then as things stand the setting that tells most a minute first."""
    offers = [plan.offer(t) for t in chosen if t.readings]
    bare = [replace(o, minutes=o.minutes - BORROWING_MIN * len(o.candidate.instruments)) for o in offers]
    had: set[Instrument] = set()
    taken = []
    # What is borrowed for one setting is there for the next.
    for offer in [*bare[:1], *sorted(bare[1:], key=lambda o: -round(o.rate, ALIKE))]:
        new = set(offer.candidate.instruments) - had
        had |= new
        taken.append(replace(offer, minutes=offer.minutes + BORROWING_MIN * len(new)))
    return tuple(taken)
