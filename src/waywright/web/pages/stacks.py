"""Stacks: which blocks of my set make all the stacks wanted at once, and which stack to try next."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.job import Job
from waywright.core.readings.stacks import USUAL_SET_MM, NoStack, finest_step_mm, next_stack_mm, stacks_at_once
from waywright.jobfile.fields import Refused, typed
from waywright.record import Snapshot
from waywright.views.numbers import Shown, plural
from waywright.web.app import Bench, shown_for
from waywright.web.contexts import Page, head_of
from waywright.web.forms import parts_of
from waywright.web.pages.job import number_of

MOST_STACKS, MOST_BLOCKS = 12, 200


@dataclass(frozen=True)
class StacksPage(Page):
    """Which blocks make the stacks wanted at once."""

    wanted: str = ""
    set: str = ""
    rows: tuple[tuple[str, str], ...] = ()
    words: str = ""
    next: tuple[str, ...] = ()


def stacks(bench: Bench, request: Request) -> Response:
    """Answers a plain question in the address; nothing is saved."""
    opened = bench.book.snapshot(number_of(request))
    owned = blocks_of(opened.job)
    wanted = request.query_params.get("wanted", "")[:600]
    rows, words = _made(wanted, owned or USUAL_SET_MM, shown_for(request)) if wanted.strip() else ((), "")
    page = StacksPage(
        title="Stacks",
        job=head_of(opened),
        wanted=wanted,
        set=_set_words(owned, shown_for(request)),
        rows=rows,
        words=words,
        next=tuple(_next(opened, owned or USUAL_SET_MM, shown_for(request))),
    )
    return bench.show(request, "stacks.html", page)


def blocks_of(job: Job) -> tuple[float, ...]:
    """The blocks of the first set whose blocks are listed."""
    return next((i.blocks_mm for i in job.instruments if i.kind == "gauge blocks" and i.blocks_mm), ())[:MOST_BLOCKS]


def _set_words(owned: tuple[float, ...], shown: Shown) -> str:
    """Whose set it is, and the finest step between the stacks it makes."""
    try:
        step = f"; its finest step is {shown.limit(1e3 * finest_step_mm(owned or USUAL_SET_MM))} {shown.height}"
    except NoStack:  # blocks that are no whole number of half micrometres
        step = ""
    if not owned:
        return f"the usual set of 112 (list your own blocks under pieces and instruments){step}"
    return f"your set of {len(owned)}{step}"


def _made(wanted: str, owned: tuple[float, ...], shown: Shown) -> tuple[tuple[tuple[str, str], ...], str]:
    try:
        sizes = [float(f"{typed(part, 'size_mm', ()).to('mm'):.10g}") for part in parts_of(wanted)]
        if len(sizes) > MOST_STACKS:
            return (), f"At most {MOST_STACKS} stacks at once."
        found = stacks_at_once(sizes, owned)
    except (NoStack, Refused) as error:
        return (), str(error)
    rows = tuple(
        (shown.stack(mm), " + ".join(shown.stack(block) for block in blocks))
        for mm, blocks in zip(found.wanted_mm, found.blocks_mm, strict=True)
    )
    return rows, f"{plural(found.count, 'block')} in all, none twice."


def _next(opened: Snapshot, owned: Iterable[float], shown: Shown) -> Iterable[str]:
    """For each setting with open brackets, the stack that halves the most of them."""
    try:
        step = finest_step_mm(owned)
    except NoStack:
        return
    corrected = opened.job.corrected()
    for setting in opened.job.settings:
        brackets = [
            (r.low.to("mm"), r.high.to("mm"))
            for r in setting.readings
            if r.id not in corrected and r.low is not None and r.high is not None and r.low.unit != "div"
        ]
        size = next_stack_mm([b for b in brackets if b[1] > b[0]], max(step, 0.001))
        if size is not None:
            inside = sum(low < size < high for low, high in brackets)
            yield (
                f"{setting.geometry.words(shown)}: {shown.stack(size)} {shown.length} lies inside "
                f"{plural(inside, 'bracket')}"
            )
