"""Which spacers carry, for a person: "stands on 100 and 500, free over 300"."""

from __future__ import annotations

from collections.abc import Sequence

from waywright.core.evidence.bends import Place
from waywright.core.evidence.findings import Report, Standing
from waywright.core.evidence.job import Job
from waywright.views.numbers import Shown, listed


def standing_words(found: Standing, shown: Shown) -> str:
    """On which of its spacers an upper stands; nothing where it stands on all there are, as anyone would think."""
    if not found.balanced:
        return (
            f"it would tip off its spacers at {_at(found.untold, shown)}, as its middle does not lie between them: say "
            "which end was held, or correct their places. None of them is taken as touching"
        )
    if len(found.on) == 1 and not found.free and not found.untold:
        return f"stands on one spacer, at {_at(found.on, shown)}; where else the two faces touch is not known"
    said = [f"stands on {_at(found.on, shown)}"] if found.on and (found.free or found.untold) else []
    said += [f"free over {_at(found.free, shown)}"] if found.free else []
    if found.untold:
        places = _at(found.untold, shown)
        said.append(f"whether it touches at {places} cannot be told, so the gap there is only taken as no less")
    return ", ".join(said)


def standing_notes(report: Report, shown: Shown) -> tuple[str, ...]:
    """A sentence for every setting whose upper does not stand on all its spacers."""
    return tuple(
        f"{_lay_up(report.job, found.setting, shown)}: {words}."
        for found in report.standing
        if (words := standing_words(found, shown))
    )


def _lay_up(job: Job, shared: str, shown: Shown) -> str:
    """ "Q on P, marks together", and its name where it has one."""
    one = next(s for s in job.settings if s.group == shared)
    return one.geometry.words(shown) + (f" ({one.name})" if one.name else "")


def _at(places: Sequence[Place], shown: Shown) -> str:
    """The places of spacers, told by x alone where that says which."""
    alone = len({x for x, _ in places}) == len(places)
    spots = [shown.lengths(x) + ("" if alone or not y else f" ({shown.lengths(y)} across)") for x, y in places]
    return f"{listed(spots)} {shown.length}"
