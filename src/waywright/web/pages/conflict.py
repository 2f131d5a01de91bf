"""A reading that somebody else changed meanwhile: both values, to keep either. What else was typed with it goes along
whichever is kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from waywright.core.evidence.job import Reading, Setting
from waywright.core.readings import KINDS
from waywright.record import Conflict, Snapshot
from waywright.web.app import Bench, shown_for, wants_parts
from waywright.web.contexts import Page, head_of, setting_url
from waywright.web.entry import COLUMN_WORDS, columns_of, text_in

COLUMNS = tuple(dict.fromkeys(c.key for kind in KINDS.values() for entry in kind.entries for c in columns_of(entry)))


@dataclass(frozen=True)
class ConflictPage(Page):
    """Someone else changed what was to be saved: both values, to keep one."""

    words: str = ""
    where: str = ""
    mine: str = ""
    theirs: str = ""
    hidden: tuple[tuple[str, str], ...] = ()  # all that was typed, to be saved over theirs
    rest: tuple[tuple[str, str], ...] = ()  # all else that was typed, to be saved beside theirs
    action: str = ""
    back: str = ""


def said(part: object) -> str:
    """What a reading says, as it was typed."""
    if not isinstance(part, Reading):
        return "deleted" if part is None else str(part)
    told = [f"{COLUMN_WORDS.get(k, k)} {t}" for k in COLUMNS if (t := text_in(part, k))]
    return ", ".join(told) or "nothing"


def conflict(
    bench: Bench, request: Request, opened: Snapshot, one: Setting, error: Conflict, given: Mapping[str, str]
) -> Response:
    """Both values, to keep one; nothing was changed. For the script: with the row of the form they belong to."""
    mine, theirs = said(error.mine), said(error.theirs)
    latest = error.theirs.id if isinstance(error.theirs, Reading) else ""
    row = _row(error, given)
    if wants_parts(request):
        told = {"words": str(error), "mine": mine, "theirs": theirs, "reading": latest, "version": error.version}
        return JSONResponse({**told, "row": row}, 409)
    over = {**given, f"reading.{row}": latest, f"version.{row}": str(error.version)}
    rest = {key: text for key, text in given.items() if not key.endswith(f".{row}")}
    url = setting_url(opened.id, one.id)
    page = ConflictPage(
        title="Changed meanwhile",
        job=head_of(opened),
        words=str(error),
        where=one.geometry.words(shown_for(request)),
        mine=mine,
        theirs=theirs,
        hidden=tuple(over.items()) if row else (),
        rest=tuple(rest.items()) if any(key.startswith("place.") for key in rest) else (),
        action=url,
        back=url,
    )
    return bench.show(request, "conflict.html", page, 409)


def _row(error: Conflict, given: Mapping[str, str]) -> str:
    """The number of the row that names the reading in question; empty when none does."""
    names = {error.ref.key}
    names |= {part.corrects for part in (error.mine, error.theirs) if isinstance(part, Reading) and part.corrects}
    return next((key[8:] for key, text in given.items() if key.startswith("reading.") and text in names), "")
