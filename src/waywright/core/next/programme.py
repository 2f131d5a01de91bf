"""The least work that reaches a goal: which settings to take, and which readings in each.

First comes the setting that tells most: no candidate, solved again with it, leaves less unsure. Going on so, or by
what tells most a minute, wastes readings: what a coarse level says is not needed once the blocks have spoken. So the
rest is planned as a whole, several ways (best a minute, best of all, best a reading, round after round), until the goal
is reached; then settings, and single readings, that the goal does not need are taken out again, the least useful
first; the programme of fewest readings, then of fewest minutes, is the one to follow. One that does not begin with what
tells most is followed where it costs less by a tenth. An instrument is borrowed only
where those owned cannot reach the goal. What a reading will say changes none of it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from waywright.core.evidence.findings import KNOWN_UM
from waywright.core.evidence.kind import Candidate
from waywright.core.evidence.things import Instrument
from waywright.core.next.reading_plan import Information, Offer, ReadingPlan
from waywright.core.next.thinning import ALIKE, without_readings
from waywright.core.readings.proposed import BORROWING_MIN
from waywright.progress import each, part

MOST_SETTINGS = 30
CHEAPER = 0.9  # of the minutes: a programme that begins with what does not tell most must cost no more
USUAL, MOVED, TO_BORROW = range(3)  # ranks of what can be read: the next is asked for what those before cannot tell
HELPS = 0.8  # of the largest sigma that is left: what leaves more is not worth laying faces out of line
TIMES = 4  # how often a person reads everything again before giving up; common practice, no source


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
    with part(0.0, 0.4):
        offered = list(candidates)
    told, reach_um = _worth_having(plan, offered)
    found = _least(plan, told, reach_um)
    moved = any(offer.candidate.moved for offer in found.taken)
    if moved or (found.taken and not found.reached and reach_um <= plan.required_sigma_um):  # that may take very many
        everything = [t for c in offered if (t := plan.information_of(c)) is not None]
        wider = _least(plan, sorted(everything, key=_round_of, reverse=True), plan.reach_um(everything, TIMES))
        if wider.reached and (not found.reached or wider.minutes < found.minutes):
            found = wider
    return found


def _least(plan: ReadingPlan, told: Sequence[Information], reach_um: float) -> Programme:
    """The programme of fewest readings found among these."""
    if not told or plan.reached:
        return Programme((), plan.reached, reach_um)
    tried = _Tried(plan)
    first = max(told, key=lambda t: (round(tried.known([t]) - plan.known, ALIKE), -t.minutes))
    if tried.reached([first]):  # more than the goal asks need not be known
        return Programme(_ordered(plan, without_readings(plan, [first], 0)), True, reach_um)
    with part(0.4, 0.7):
        drafts = [draft for way in each(GREEDY_RULES) if (draft := _reach(tried, told, first, way)) is not None]
    in_rounds = _in_rounds(tried, told, first)
    drafts += [in_rounds] if drafts and in_rounds is not None else []
    if not drafts:
        return Programme(_ordered(plan, [first, *(t for t in told if t is not first)]), False, reach_um)
    needed = {_key(kept): kept for draft in drafts if (kept := _without_settings(tried, draft))}
    with part(0.7, 0.95):
        pruned = [without_readings(plan, kept) for kept in each(needed.values())]
    best = min(pruned, key=lambda draft: (sum(map(read, draft)), _minutes(draft)))
    free = _reach(tried, told, None, GREEDY_RULES[0])
    if free is not None:  # asked again after each setting, what tells most would come first each time, needed or not
        least = without_readings(plan, _without_settings(tried, free, 0), 0)
        fewer = sum(map(read, least)) <= sum(map(read, best))
        if fewer and _minutes(least) < CHEAPER * _minutes(best):
            best = sorted(least, key=lambda t: -round(tried.known([t]), ALIKE))
    return Programme(_ordered(plan, best), True, reach_um)


def _minutes(settings: Sequence[Information]) -> float:
    return sum(t.minutes for t in settings)


def _worth_having(plan: ReadingPlan, candidates: Iterable[Candidate]) -> tuple[list[Information], float]:
    """What is owned and laid as usual, where it can reach the goal; else, where that helps, faces moved along on each
    other as well; else also what must be borrowed. How far it reaches."""
    ranks: dict[int, list[Candidate]] = {}
    for candidate in candidates:
        rank = TO_BORROW if candidate.instruments else MOVED if candidate.moved else USUAL
        ranks.setdefault(rank, []).append(candidate)
    told: list[Information] = []
    reach_um = np.inf
    for rank, offered in sorted(ranks.items()):
        more = [t for c in each(offered) if (t := plan.information_of(c)) is not None]
        then_um = plan.reach_um([*told, *more], TIMES)
        if rank == MOVED and then_um > min(HELPS * reach_um, KNOWN_UM):
            continue
        told, reach_um = told + more, then_um
        if reach_um <= plan.required_sigma_um:
            break
    return sorted(told, key=_round_of, reverse=True), reach_um


Rule = Callable[[float, Information], float]
GREEDY_RULES: tuple[Rule, ...] = (
    lambda gain, t: gain / t.minutes,
    lambda gain, t: gain,
    lambda gain, t: gain / max(1, read(t)),
)


def read(setting: Information | Offer) -> int:
    """How many readings of it there are to read: what a lay-up stands on is known beforehand."""
    return len(setting.candidate.to_read(setting.readings))


class _Tried:
    """What the plan says of settings taken together, in whatever order, each worked out once."""

    def __init__(self, plan: ReadingPlan) -> None:
        self._plan = plan
        self._known: dict[tuple[int, ...], float] = {}
        self._reached: dict[tuple[int, ...], bool] = {}

    def known(self, settings: Sequence[Information]) -> float:
        """The share known with them."""
        key = _key(settings)
        if key not in self._known:
            self._known[key] = self._plan.share_known(self._plan.with_these(settings))
        return self._known[key]

    def reached(self, settings: Sequence[Information]) -> bool:
        """Whether they reach the goal."""
        key = _key(settings)
        if key not in self._reached:
            largest_um = self._plan.largest_um(self._plan.with_these(settings))
            self._reached[key] = bool(settings) and largest_um <= self._plan.required_sigma_um
        return self._reached[key]


def _key(settings: Sequence[Information]) -> tuple[int, ...]:
    return tuple(sorted(map(id, settings)))


def _reach(
    tried: _Tried, told: Sequence[Information], first: Information | None, way: Rule
) -> list[Information] | None:
    """After the first, if any, repeatedly the best by `way` until the goal is reached; None when it is not."""
    chosen = [] if first is None else [first]
    while len(chosen) < MOST_SETTINGS:
        gains = [tried.known([*chosen, t]) - tried.known(chosen) for t in told]
        best = max(range(len(told)), key=lambda i: round(way(gains[i], told[i]), ALIKE))
        if gains[best] <= 1e-12:
            return None
        chosen.append(told[best])
        if tried.reached(chosen):
            return chosen
    return None


def _in_rounds(tried: _Tried, told: Sequence[Information], first: Information) -> list[Information] | None:
    """As a person would who reads everything: kind after kind, turn after turn, each as a whole, until it is enough."""
    chosen = [first]
    left = [t for t in told if t is not first]
    while len(chosen) < MOST_SETTINGS:
        for _, together in itertools.groupby(left, key=_round_of):
            chosen += together
            if tried.reached(chosen):
                return chosen
        left = list(told)
    return None


def _round_of(told: Information) -> tuple[str, str, bool]:
    geometry = told.candidate.settings[0].geometry
    return geometry.block, "" if geometry.lying is None else geometry.lying.turn, not told.candidate.moved


def _without_settings(tried: _Tried, chosen: list[Information], start: int = 1) -> list[Information]:
    """Leave out whole settings that the goal does not need, the longest first; those before `start` stay."""
    at = sorted(range(start, len(chosen)), key=lambda i: -chosen[i].minutes)
    kept = {*range(start), *at}
    for i in at:
        if tried.reached([chosen[k] for k in sorted(kept - {i})]):
            kept.remove(i)
    return [chosen[k] for k in sorted(kept)]


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
