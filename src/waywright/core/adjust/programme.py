"""The least work that reaches a goal: which settings to take, and which readings in each.

Taking the best setting a minute again and again wastes readings: what a coarse level says first is not needed once the
blocks have spoken. So a whole programme is made, several ways (best a minute, best of all, best a reading, round after
round), each until the goal is reached; then settings, and single readings, that the goal does not need are taken out
again, the least useful first; the programme of fewest readings, then of fewest minutes, is the one to follow. What a
reading will say changes none of it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from waywright.core.adjust.plan import Offer, Plan, Told
from waywright.core.evidence import Candidate
from waywright.core.readings.base import BORROWING_MIN
from waywright.core.things import FloatArray, Instrument

MOST_SETTINGS = 30
AT_A_TIME = 8  # readings tried before the losses are worked out again


@dataclass(frozen=True)
class Programme:
    """Settings in the order to take them, the one that tells most a minute first. `reached`: they reach the goal."""

    taken: tuple[Offer, ...]
    reached: bool

    @property
    def minutes(self) -> float:
        """All of it."""
        return sum(t.minutes for t in self.taken)

    @property
    def readings(self) -> int:
        """How many in all."""
        return sum(len(t.readings) for t in self.taken)


def programme(plan: Plan, candidates: Iterable[Candidate]) -> Programme:
    """The programme of fewest readings found; with `reached` False, everything once: the furthest that was tried."""
    told = sorted((t for c in candidates if (t := plan.told(c)) is not None), key=_round_of, reverse=True)
    if not told or plan.reached:
        return Programme((), plan.reached)
    drafts = [draft for way in WAYS if (draft := _reach(plan, told, way)) is not None]
    in_rounds = _in_rounds(plan, told)
    drafts += [in_rounds] if drafts and in_rounds is not None else []
    if not drafts:
        return Programme(_ordered(plan, told), False)
    pruned = [_without_readings(plan, _without_settings(plan, draft)) for draft in drafts]
    best = min(pruned, key=lambda draft: (sum(len(t.readings) for t in draft), sum(t.minutes for t in draft)))
    return Programme(_ordered(plan, best), True)


Way = Callable[[float, Told], float]
WAYS: tuple[Way, ...] = (lambda gain, t: gain / t.minutes, lambda gain, t: gain, lambda gain, t: gain / len(t.readings))


def _with(plan: Plan, settings: Sequence[Told]) -> FloatArray:
    """The information when settings are taken as well."""
    return np.asarray(plan.information + np.sum([t.adds for t in settings], axis=0))


def _reached(plan: Plan, settings: Sequence[Told]) -> bool:
    return bool(settings) and plan.largest_um(plan.covariance(_with(plan, settings))) <= plan.goal_um


def _reach(plan: Plan, told: Sequence[Told], way: Way) -> list[Told] | None:
    """Settings, by repeatedly taking the best by `way`, until the goal is reached; None when it is not."""
    chosen: list[Told] = []
    information, now = plan.information, plan.known
    while len(chosen) < MOST_SETTINGS:
        gains = [plan.share_known(plan.covariance(information + t.adds)) - now for t in told]
        best = max(range(len(told)), key=lambda i: way(gains[i], told[i]))
        if gains[best] <= 1e-12:
            return None
        chosen.append(told[best])
        information = information + told[best].adds
        covariance = plan.covariance(information)
        now = plan.share_known(covariance)
        if plan.largest_um(covariance) <= plan.goal_um:
            return chosen
    return None


def _in_rounds(plan: Plan, told: Sequence[Told]) -> list[Told] | None:
    """As a person would who reads everything: kind after kind, turn after turn, each as a whole, until it is enough."""
    chosen: list[Told] = []
    while len(chosen) < MOST_SETTINGS:
        for _, together in itertools.groupby(told, key=_round_of):
            chosen += together
            if _reached(plan, chosen):
                return chosen
    return None


def _round_of(told: Told) -> tuple[str, str]:
    geometry = told.candidate.settings[0].geometry
    return geometry.block, getattr(geometry, "turn", "")


def _without_settings(plan: Plan, chosen: list[Told]) -> list[Told]:
    """Leave out whole settings that the goal does not need, the longest first."""
    at = sorted(range(len(chosen)), key=lambda i: -chosen[i].minutes)
    kept = set(at)
    for i in at:
        if _reached(plan, [chosen[k] for k in sorted(kept - {i})]):
            kept.remove(i)
    return [chosen[k] for k in sorted(kept)]


def _without_readings(plan: Plan, chosen: list[Told]) -> list[Told]:
    """Leave out single readings that the goal does not need, the least useful a minute first."""
    needed: set[tuple[int, str]] = set()
    while True:
        information = _with(plan, chosen)
        losses = sorted(
            (loss / t.each_min[i], s, i)
            for s, t in enumerate(chosen)
            for i, loss in enumerate(plan.losses(t, information))
            if (s, t.readings[i].id) not in needed
        )
        for _, s, i in losses[:AT_A_TIME]:
            less = [*chosen[:s], chosen[s].less(i), *chosen[s + 1 :]]
            if _reached(plan, less):
                chosen = less
                break
            needed.add((s, chosen[s].readings[i].id))
        else:
            return chosen


def _ordered(plan: Plan, chosen: Sequence[Told]) -> tuple[Offer, ...]:
    """As things stand, the setting that tells most a minute first."""
    offers = [plan.offer(t) for t in chosen if t.readings]
    bare = [replace(o, minutes=o.minutes - BORROWING_MIN * len(o.candidate.instruments)) for o in offers]
    had: set[Instrument] = set()
    taken = []
    for offer in sorted(bare, key=lambda o: -o.rate):  # what is borrowed for one setting is there for the next
        new = set(offer.candidate.instruments) - had
        had |= new
        taken.append(replace(offer, minutes=offer.minutes + BORROWING_MIN * len(new)))
    return tuple(taken)
