"""What could be told at all: every candidate taken, all at once and many times over, and the verdict's forecast asked.

Before anything is called out of reach this is looked at; what a plan gives up, it gives up for its own goal alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from waywright.core.evidence.findings import Verdict
from waywright.core.evidence.kind import Candidate
from waywright.core.next.closer import GUARD, HARDLY, LIKELY, chances, waits_unseen
from waywright.core.next.reading_plan import ReadingPlan

TIMES_OVER = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 100)  # how often everything is read
PROVEN_BY = 10.0  # a height known to a tenth of the limit lets most verdicts fall; common practice, no source


def tellable(plan: ReadingPlan, offers: Iterable[Candidate], verdicts: Sequence[Verdict]) -> set[str]:
    """The faces of verdicts that readings to be had, enough of them, could settle."""
    adds = sum((t.adds for c in offers if (t := plan.information_of(c)) is not None), 0.0)
    then = plan.information + TIMES_OVER[-1] * adds
    found = set()
    for verdict in verdicts:
        left_um = plan.largest_of(verdict.face, then)
        if waits_unseen(verdict) or verdict.limit_um is None:  # nothing is forecast of it: known to decide, or not
            could = left_um <= PROVEN_BY * plan.required_sigma_um / GUARD
        else:
            could = _settles(verdict, left_um / plan.largest_of(verdict.face, plan.information)) >= HARDLY
        if could:
            found.add(verdict.face)
    return found


def times_over(plan: ReadingPlan, offers: Iterable[Candidate], verdict: Verdict) -> int | None:
    """How often everything owned is read until a verdict most likely falls; None where it does not."""
    owned = (c for c in offers if not c.instruments)
    adds = sum((t.adds for c in owned if (t := plan.information_of(c)) is not None), 0.0)
    now_um = plan.largest_of(verdict.face, plan.information)
    shares = ((n, plan.largest_of(verdict.face, plan.information + n * adds) / now_um) for n in TIMES_OVER)
    return next((n for n, left in shares if _settles(verdict, left) >= LIKELY), None)


def _settles(verdict: Verdict, left: float) -> float:
    return sum(chances(verdict, min(left, 1.0)))
