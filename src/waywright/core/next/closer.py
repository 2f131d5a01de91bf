"""How well heights are to be known next, where what is usual does not settle a verdict, or cannot be had.

A forecast stands behind it. A verdict whose value is v, known to u, falls when |v' − limit| ≥ 1.645 u'; with readings
that leave u' of u, v' will lie about v by √(u² − u'²). To be found inside saves taking metal and reading everything
anew: readings are worth what they save times the chance of that, and no more. A face of which a shape is not seen, or
which no pass would surely better, has no other way; it is read, though not without end.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

import numpy as np
from scipy.special import ndtr

from waywright.core.evidence.findings import Verdict
from waywright.core.evidence.job import Job
from waywright.core.next.reading_plan import ReadingPlan

STEPS = (0.7, 0.5)  # of the largest sigma as it is: it is asked again after every setting
NEAR = 1.05  # times what can be reached: asked for at most
FIRST = 1.4  # times the same: asked for while a shape is not seen at all
LIKELY, HARDLY = 0.5, 0.1  # chances for which one reads on, where there is another way and where there is none
PASS_MIN = 30.0  # a light pass, with bluing and cleaning; a guess, no source
GUARD = 1.645  # standard uncertainties: 95 %, one-sided
BAND = 3.92  # standard uncertainties in a 95 % interval


def waits_unseen(verdict: Verdict) -> bool:
    """Whether nothing is known yet of what a verdict is about, or a shape that it depends on is not seen."""
    return verdict.value_um is None or verdict.interval_95_um is None or bool(verdict.unseen)


def chances(verdict: Verdict, left: float) -> tuple[float, float]:
    """The chances that a verdict will be inside, and outside, when `left`, 0 to 1, of its uncertainty is left."""
    assert verdict.interval_95_um is not None
    assert verdict.value_um is not None
    assert verdict.limit_um is not None
    u = (verdict.interval_95_um[1] - verdict.interval_95_um[0]) / BAND
    room = verdict.limit_um - abs(verdict.value_um)
    moves, guard = max(u * np.sqrt(max(1.0 - left**2, 0.0)), 1e-9), GUARD * u * left
    return float(ndtr((room - guard) / moves)), float(ndtr((-room - guard) / moves))


def spent_min(job: Job, faces: Collection[str]) -> dict[str, float]:
    """Minutes that the readings so far of each face, as it is now, took."""
    states = job.states()
    found = dict.fromkeys(faces, 0.0)
    for number, setting in enumerate(job.settings):
        kind = setting.geometry
        took = kind.setting_up_min + kind.reading_min * len(kind.to_read(setting.readings))
        for name in kind.faces():
            if name in found and job.state_at(name, number) == states[name]:
                found[name] += took
    return found


def closer_um(
    plan: ReadingPlan, verdicts: Sequence[Verdict], reach_um: float, pass_helps: Collection[str]
) -> tuple[float, float, float] | None:
    """The sigma to ask for next, the chance that it settles a verdict that waits, and the minutes it may cost; None
    where reading is no use.

    `reach_um` is what can be had; `pass_helps` the faces that a light pass would surely better.
    """
    if not verdicts or any(map(waits_unseen, verdicts)):
        usual_um, least_um = max(plan.required_sigma_um, FIRST * reach_um), FIRST * reach_um
        step_um = usual_um if usual_um < plan.worst_um else least_um
        return (step_um, 1.0, np.inf) if step_um < plan.worst_um else None
    steps = list(_steps_um(plan.worst_um, reach_um))
    settled = [float(np.mean([_settles(v, step / plan.worst_um) for v in verdicts])) for step in steps]
    if max(settled, default=0.0) < HARDLY:
        return None
    if any(v.face not in pass_helps for v in verdicts):  # no other way
        at = next((i for i, chance in enumerate(settled) if chance >= LIKELY), int(np.argmax(settled)))
        return steps[at], settled[at], np.inf
    spent = spent_min(plan.job, {v.face for v in verdicts})
    saves, costs = np.zeros(len(steps)), np.zeros(len(steps))
    for i, left in enumerate(step / plan.worst_um for step in steps):
        saves[i] = sum(chances(v, left)[0] * (PASS_MIN + spent[v.face]) for v in verdicts)
        costs[i] = max(spent.values()) * (left**-2 - 1.0)  # sigma falls with the root of how many readings there are
    at = int(np.argmax(saves - costs))
    return (steps[at], settled[at], float(saves[at])) if saves[at] > costs[at] and settled[at] >= HARDLY else None


def _settles(verdict: Verdict, left: float) -> float:
    """Of a face that is outside, and where no metal is surely to be taken yet, whether it is known better at all."""
    return float(left < 1.0) if verdict.decision == "outside" else sum(chances(verdict, left))


def _steps_um(worst_um: float, reach_um: float) -> Iterator[float]:
    least = NEAR * reach_um
    yield from (share * worst_um for share in STEPS if share * worst_um > least)
    if least < STEPS[0] * worst_um:
        yield least
