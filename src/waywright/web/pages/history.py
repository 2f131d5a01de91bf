"""The history of a job: every act, newest first, who did it, and what it made of what; each can be taken back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Pass, Reading, Setting
from waywright.core.evidence.things import Instrument, Piece
from waywright.record import Attachment, Done, Head, Item, Memo
from waywright.views.numbers import Shown, plural
from waywright.web.app import Bench, shown_for
from waywright.web.contexts import ACT_WORDS, Page, head_of
from waywright.web.pages.conflict import said
from waywright.web.pages.job import number_of
from waywright.web.pages.scrape import act_in
from waywright.web.pages.shop import ASSUMED
from waywright.web.times import told

AT_ONCE = 100  # acts on one page
MOST_WORDS = 4  # parts told of one act
KINDS = {**ACT_WORDS, "import": "brought in from a file", "assumed": "what was assumed", "undo": "taken back"}


@dataclass(frozen=True)
class ActLine:
    """One act in words."""

    number: int
    when: str
    who: str
    kind: str
    words: tuple[str, ...]
    undone: bool


@dataclass(frozen=True)
class HistoryPage(Page):
    """Every act on a job, newest first."""

    acts: tuple[ActLine, ...] = ()
    older: str = ""


def history(bench: Bench, request: Request) -> Response:
    """Every act; older ones on pages of their own."""
    opened = bench.book.snapshot(number_of(request))
    before = act_in(request.query_params.get("before", "")) or opened.newest + 1
    done = [one for one in bench.book.history(opened.id) if one.act.number < before]
    home = {r.id: s.geometry.words(shown_for(request)) for s, r in opened.job.readings()}
    lines = tuple(_line(one, home, shown_for(request)) for one in reversed(done[-AT_ONCE:]))
    older = f"/jobs/{opened.id}/history?before={lines[-1].number}" if len(done) > AT_ONCE else ""
    page = HistoryPage(title="History", job=head_of(opened), acts=lines, older=older)
    return bench.show(request, "history.html", page)


def _line(done: Done, home: Mapping[str, str], shown: Shown) -> ActLine:
    act = done.act
    kind = KINDS.get(act.kind, act.kind)
    if act.undoes is not None:
        kind = f"act {act.undoes} taken back"
    parts = () if act.number == 1 else (*done.parts, *done.gone)
    words = [_words(part, home, shown) for part in parts[:MOST_WORDS]]
    words = [f"{one}, hidden" if part in done.gone else one for one, part in zip(words, parts, strict=False)]
    if len(parts) > MOST_WORDS:
        words.append(f"and {plural(len(parts) - MOST_WORDS, 'thing')} more")
    return ActLine(act.number, told(act.at), act.who or "", kind, tuple(words), done.undone)


def _words(part: Item, home: Mapping[str, str], shown: Shown) -> str:
    """A part in a few words."""
    match part:
        case Reading():
            places = (part.x_mm, part.y_mm, part.at_mm)
            at = ", ".join(shown.lengths(one) for one in places if one is not None)
            where = f"{home[part.id]}: " if part.id in home else ""
            return f"{where}at {at} {shown.length} {said(part)}" if at else f"{where}{said(part)}"
        case Setting():
            return part.geometry.words(shown)
        case Piece() | Instrument():
            return part.name
        case Pass():
            return f"{part.act} {part.face}"
        case Attachment():
            return part.name
        case Goal():
            return "the goal"
        case Head():
            without = f", without {' and '.join(part.without)}" if part.without else ""
            return (f"the title, {part.title}" if part.title else "the title") + without
        case Memo():
            return "what is assumed" if part.id == ASSUMED else "ticks before reading"
