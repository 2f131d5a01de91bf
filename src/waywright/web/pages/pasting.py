"""A pasted table of readings: first what it would do, line by line, then, once that is wanted, done as one act."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.job import JobError, Reading, Setting
from waywright.core.evidence.kind import Entry
from waywright.record import Append, Edit, Ref, Snapshot
from waywright.views.numbers import Shown
from waywright.web.app import Bench, Form, Given, by_of, goes_to, shown_for
from waywright.web.contexts import Page, head_of, setting_url
from waywright.web.entry import columns_of, edits_from, place_of, place_words, places_of, text_in
from waywright.web.forms import Wrong
from waywright.web.pages.job import number_of
from waywright.web.pages.setting import found

MOST_LINES = 600
LARGEST_PASTE = 200_000


@dataclass(frozen=True)
class PasteLine:
    """What a line would do: a "new" reading, "instead of" one that is there, nothing ("as it is"), or "not understood",
    and why."""

    number: int
    text: str
    place: str
    does: str
    more: str = ""


@dataclass(frozen=True)
class Pasting(Page):
    """A table before it is read in."""

    words: str = ""
    lines: tuple[PasteLine, ...] = ()
    text: str = ""
    url: str = ""
    back: str = ""

    @property
    def useful(self) -> int:
        """How many lines say something that is not there yet."""
        return sum(line.does in ("new", "instead of") for line in self.lines)


def paste(bench: Bench, request: Request, given: Given) -> Response:
    """A table of readings: with their places, or a column in the order of the places. Read in once `sure`."""
    number, text = number_of(request), given.texts.get("text", "")
    opened = bench.book.snapshot(number)
    one = found(opened, request)
    told = list(_read(opened, one, text, shown_for(request)))
    edits = [edit for _, each in told for edit in each]
    back = setting_url(number, one.id)
    if given.texts.get("sure") == "yes" and edits:
        try:
            bench.book.change(number, *_as_one(one, edits), by=by_of(request))
        except JobError as error:
            raise Wrong(str(error)) from None
        return goes_to(back)
    if not told:
        raise Wrong("There is nothing to read in here; paste lines of x, y and a value.")
    page = Pasting(
        title="What it would do",
        job=head_of(opened),
        words=one.geometry.words(shown_for(request)),
        lines=tuple(line for line, _ in told),
        text=text,
        url=setting_url(number, one.id, "paste"),
        back=back,
    )
    return bench.show(request, "pasting.html", page, 200 if page.useful else 422)


def _as_one(one: Setting, edits: Sequence[Edit]) -> list[Edit]:
    """New readings together, in their order, then what stands instead of others."""
    new = tuple(reading for edit in edits if isinstance(edit, Append) for reading in edit.readings)
    return [*([Append(one.id, new)] if new else []), *(edit for edit in edits if not isinstance(edit, Append))]


def _read(opened: Snapshot, one: Setting, text: str, shown: Shown) -> Iterator[tuple[PasteLine, list[Edit]]]:
    """Each line with what it would do, and the edits that do it; raises `Wrong` for a table that is too long."""
    entry = next(e for e in one.geometry.entries if e.required)
    lines = [(k, line) for k, line in enumerate(text.replace("\r", "").split("\n"), 1) if line.strip()]
    if len(lines) > MOST_LINES:
        raise Wrong(f"At most {MOST_LINES} lines at once.")
    table = [cells_of(line) for _, line in lines]
    names = _names(entry, table)
    if table and names == table[0]:
        lines, table = lines[1:], table[1:]
    waiting = list(places_of(opened.job, one.geometry, entry))
    corrected = opened.job.corrected()
    replaced: set[str] = set()
    there = {_place(entry, r): r for r in one.readings if r.entry == entry.name and r.id not in corrected}
    for k, ((number, line), cells) in enumerate(zip(lines, table, strict=True)):
        try:
            row = _row(entry, names, cells, waiting, k)
            edits = edits_from(one, row, lambda act: ())
            new = [r for edit in edits if isinstance(edit, Append) for r in edit.readings]
            if not new:
                raise Wrong("no value stands here")
            place = _place(entry, new[0])
            before = there.get(place)
            if before is not None and place in replaced:
                raise Wrong("this place stands above already")
            if before is not None:
                replaced.add(place)
                version = str(opened.versions[Ref("reading", before.id)])
                edits = edits_from(one, row | {"reading.0": before.id, "version.0": version}, lambda act: ())
        except Wrong as error:
            yield PasteLine(number, line.strip(), "", "not understood", str(error)), []
            continue
        words = place_words(place, shown)
        was = " ".join(filter(None, (text_in(before, c.key) for c in columns_of(entry)))) if before else ""
        does = "new" if before is None else "instead of" if edits else "as it is"
        yield PasteLine(number, line.strip(), words, does, was), edits


def _place(entry: Entry, reading: Reading) -> str:
    return place_of(entry, reading.x_mm, reading.y_mm or None, reading.at_mm)


def _row(entry: Entry, names: Sequence[str], cells: Sequence[str], waiting: Sequence[str], k: int) -> dict[str, str]:
    """One line as a row of the entry form."""
    if len(cells) > len(names):
        raise Wrong(f"it has {len(cells)} parts; wanted are {', '.join(names)}")
    place = f"{entry.name};;;"
    if not set(names) & set(entry.places):
        if k >= len(waiting):
            raise Wrong(f"there are {len(waiting)} places and more values; give x as well")
        place = waiting[k]
    return {f"{name}.0": value for name, value in zip(names, cells, strict=False) if value} | {"place.0": place}


def cells_of(line: str) -> list[str]:
    """The parts of a line: by tabs or semicolons, else by commas that no digit follows at once, else by spaces, where a
    word goes with the number before it."""
    for sign in ("\t", ";"):
        if sign in line:
            return [cell.strip() for cell in line.split(sign)]
    if re.search(r",\s", line) or ("," in line and re.search(r"[.a-z]", line)):
        return [cell.strip() for cell in line.split(",")]
    cells: list[str] = []
    for part in line.split():
        if cells and part.isalpha():
            cells[-1] += f" {part}"
        else:
            cells.append(part)
    return cells


def _names(entry: Entry, table: Sequence[Sequence[str]]) -> list[str]:
    """What stands in each column."""
    known = [*entry.places, *(column.key for column in columns_of(entry))]
    if table and all(name in known for name in table[0]):
        return list(table[0])
    wide = max((len(cells) for cells in table), default=1)
    main = ["just_mm"] if "just_mm" in known else [columns_of(entry)[0].key]
    bracket = [key for key in (entry.low, entry.high) if key is not None]
    places = [place for place in entry.places if place != "at_mm"] or list(entry.places)
    if wide == 1:
        return main
    if wide == 2:
        return [places[0], *main]
    if wide == 3 and len(places) == 1 and len(bracket) == 2:
        return [*places, *bracket]
    if wide == len(places) + 2 and len(bracket) == 2:
        return [*places, *bracket]
    return [*places, *main]


FORMS = (Form("/jobs/{job:int}/paste", paste, ("text", "sure"), longest=LARGEST_PASTE),)
