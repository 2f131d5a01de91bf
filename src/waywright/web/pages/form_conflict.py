"""What a form was made from was changed meanwhile: both values side by side; what was typed may be saved over the other
knowingly, changed first, or let go. Nothing was changed, nothing is lost.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from waywright.record import BookError, Conflict, Snapshot
from waywright.web.app import Bench, Given
from waywright.web.contexts import Page, head_of
from waywright.web.forms import Field, given_of, label_of

OVER, ANEW = "Save what you typed over it", "Add what you typed anew"


@dataclass(frozen=True)
class Both:
    """A field with what was typed in it, and in words what is there now."""

    field: Field
    now: str
    differs: bool


@dataclass(frozen=True)
class MeanwhilePage(Page):
    """A form whose part someone else changed: both side by side, to save over it, knowing, or to let go."""

    words: str = ""
    rows: tuple[Both, ...] = ()
    hidden: tuple[tuple[str, str], ...] = ()
    button: str = ""
    action: str = ""
    back: str = ""
    gone: bool = False


@dataclass(frozen=True)
class Sides:
    """What was typed and what is there now: `mine` and `theirs` as texts by field, `theirs` None when it is gone."""

    fields: tuple[Field, ...]
    mine: Mapping[str, str]
    theirs: Mapping[str, str] | None

    @classmethod
    def of(cls, fields: Iterable[Field], mine: Iterable[object], theirs: Iterable[object]) -> Sides:
        """Of the form as it was sent, and the dataclasses it fills, then and now; a missing one is gone."""
        now = [thing for thing in theirs if thing is not None]
        texts: dict[str, str] = {}
        for thing in now:
            texts |= given_of(thing)
        typed: dict[str, str] = {}
        for thing in mine:
            typed |= given_of(thing)
        return cls(tuple(fields), typed, texts if now else None)

    def both(self) -> tuple[Both, ...]:
        """Field by field; what both leave empty is left out of sight."""
        found = []
        for one in self.fields:
            now = None if self.theirs is None else self.theirs.get(one.name, "")
            said = {choice.value: choice.words for choice in one.choices}
            differs = now is not None and self.mine.get(one.name, "") != now
            words = "" if now is None else said.get(now, now) or "nothing"
            found.append(Both(one, f"{words} {one.unit}" if now and one.unit else words, differs))
        return tuple(found)


def typed_fields(names: Iterable[str], given: Given) -> tuple[Field, ...]:
    """The fields that were sent, where nothing else is known of them any more."""
    return tuple(Field(name, label_of(name), given.texts[name]) for name in names if given.texts.get(name))


def form_conflict(
    bench: Bench,
    request: Request,
    opened: Snapshot,
    error: BookError,
    sides: Sides,
    hidden: Mapping[str, str],
    back: str,
) -> Response:
    """The page of both. `hidden` goes with the form besides its fields; without it there is nothing to save over."""
    if isinstance(error, Conflict) and hidden and sides.theirs is not None:
        hidden = {**hidden, "version": str(error.version)}
    page = MeanwhilePage(
        title="Changed meanwhile",
        job=head_of(opened),
        words=f"{str(error)[:1].upper()}{str(error)[1:]}",
        rows=sides.both(),
        hidden=tuple(hidden.items()),
        button="" if not hidden else ANEW if sides.theirs is None else OVER,
        action=request.url.path + (f"?{request.url.query}" if request.url.query else ""),
        back=back,
        gone=sides.theirs is None,
    )
    return bench.show(request, "meanwhile.html", page, 409)
