"""The entry form of a setting, written once over its kind's lists of readings: rows of places, columns of values.

A row is one place. What was typed there is a reading, kept as typed; typing over it corrects it, emptying it hides it.
Rows come back with the id and version they were shown with: a row that was not touched changes nothing, one that
someone else changed meanwhile is a conflict.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.kind import Entry, Kind
from waywright.jobfile.fields import Refused, number, typed
from waywright.record import Append, Correct, Delete, Edit, Ref, Snapshot
from waywright.units import unit_of_key
from waywright.views.numbers import Shown
from waywright.web.forms import Wrong, label_of, shown

MOST_ROWS = 600
SPARE_ROWS = 2
TRIES = ("goes", "just", "stops")  # a stack slides through free, drags, does not enter
COLUMN_WORDS = {
    "goes_mm": "goes",
    "stops_mm": "does not go",
    "just_mm": "just goes",
    "um": "reading",
    "gap_mm": "gap",
    "size_mm": "size",
    "um_per_m": "slope",
    "mark": "seen",
}


@dataclass(frozen=True)
class Column:
    """One value a reading may have: its key, what it is called, the unit of a bare number, or the words it may be."""

    key: str
    words: str
    unit: str
    marks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Row:
    """One place and what was read there. `place` names it on the wire; `free` means the place is typed too."""

    number: int
    place: str
    x: str
    y: str
    at: str
    words: str
    texts: tuple[str, ...]  # one for each column
    reading: str = ""
    version: int = 0
    free: bool = False
    suspect: str = ""

    @property
    def told(self) -> str:
        """What was read, in words."""
        return " ".join(text for text in self.texts if text)


@dataclass(frozen=True)
class Grid:
    """One list of readings as a form."""

    entry: str
    title: str
    places: tuple[str, ...]
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    stacks: bool  # may be read stack by stack

    @property
    def filled(self) -> int:
        """How many places have a reading."""
        return sum(bool(row.reading) for row in self.rows)


def columns_of(entry: Entry) -> tuple[Column, ...]:
    """The columns of a list: bracket first, in the order in which stacks are tried."""
    keys = [entry.low, *entry.values, entry.high] if entry.low else [*entry.values, entry.high]
    if "just_mm" in entry.values and "gap_mm" in entry.values:
        keys = [entry.low, "just_mm", entry.high, "gap_mm"]
    found = [Column(k, COLUMN_WORDS.get(k, label_of(k).lower()), unit_of_key(k)) for k in keys if k]
    if entry.marks:
        found.append(Column("mark", COLUMN_WORDS["mark"], "", entry.marks))
    return tuple(found)


def grids_of(
    opened: Snapshot, setting: Setting, shown: Shown, suspects: Mapping[str, str], wanted: Collection[str] = ()
) -> tuple[Grid, ...]:
    """The lists of a setting, its main one first; `suspects` gives the words for readings that disagree.

    `wanted` are the places to be read where not all are.
    """
    order = sorted(setting.geometry.entries, key=lambda e: not e.required)
    found: list[Grid] = []
    for entry in order:
        first = sum(len(grid.rows) for grid in found)
        found.append(_grid(opened, setting, entry, shown, suspects, wanted, first))
    return tuple(found)


def _grid(
    opened: Snapshot,
    setting: Setting,
    entry: Entry,
    shown: Shown,
    suspects: Mapping[str, str],
    wanted: Collection[str],
    first: int,
) -> Grid:
    columns = columns_of(entry)
    corrected = opened.job.corrected()
    current = [r for r in setting.readings if r.entry == entry.name and r.id not in corrected]
    by_place: dict[str, list[Reading]] = {}
    for reading in current:
        by_place.setdefault(place_of(entry, reading.x_mm, reading.y_mm, reading.at_mm), []).append(reading)
    waiting = list(dict.fromkeys(places_of(opened.job, setting.geometry, entry)))
    if set(waiting) & set(wanted):
        waiting = [place for place in waiting if place in wanted or place in by_place]
    rows: list[Row] = []
    for place in dict.fromkeys([*waiting, *by_place]):
        here: list[Reading | None] = [*by_place.get(place, [])] or [None]
        for one in here:
            rows.append(_row(first + len(rows), place, one, opened, columns, shown, suspects))
    spare, blank = first + len(rows), ("",) * len(columns)
    rows += [Row(spare + i, f"{entry.name};;;", "", "", "", "", blank, free=True) for i in range(SPARE_ROWS)]
    return Grid(entry.name, entry.title, entry.places, columns, tuple(rows), entry.by_stacks)


def _row(
    number: int,
    place: str,
    reading: Reading | None,
    opened: Snapshot,
    columns: tuple[Column, ...],
    shown: Shown,
    suspects: Mapping[str, str],
) -> Row:
    x, y, at = place.split(";")[1:]
    words = place_words(place, shown)
    if reading is None:
        return Row(number, place, x, y, at, words, ("",) * len(columns))
    version = opened.versions.get(Ref("reading", reading.id), 0)
    texts = tuple(text_in(reading, column.key) for column in columns)
    return Row(number, place, x, y, at, words, texts, reading.id, version, False, suspects.get(reading.id, ""))


def place_words(place: str, shown: Shown) -> str:
    """A place for a person: "180, y 14"."""
    x, y, at = place.split(";")[1:]
    parts = [f"y {shown.lengths(float(y))}" if y else "", f"along {shown.lengths(float(at))}" if at else ""]
    return ", ".join(filter(None, [shown.lengths(float(x)) if x else "", *parts]))


def text_in(reading: Reading, key: str) -> str:
    """What stands under a column, as it was typed."""
    if key == "mark":
        return reading.mark or ""
    found = {reading.key: reading.value}
    if reading.low is not None:
        found |= {_low_key(key): reading.low}
    if reading.high is not None:
        found |= {_high_key(key): reading.high}
    return typed_text(found.get(key), key)


def _low_key(key: str) -> str:
    return key if key.startswith("goes") else ""


def _high_key(key: str) -> str:
    return key if key.startswith("stops") else ""


def typed_text(typed: Typed | None, key: str) -> str:
    """A number as it was typed under a key: its own text, else the bare number, with a unit that is not the key's."""
    if typed is None:
        return ""
    if typed.text is not None:
        return typed.text
    bare = f"{typed.number:.12g}"
    if typed.unit == "mm" and key.endswith("_mm") and "e" not in bare:
        decimals = len(bare.partition(".")[2])
        whole = key not in ("goes_mm", "stops_mm", "just_mm", "gap_mm")  # 20 is a block; a gap of 20 is 20.000
        return bare if decimals >= 3 or (whole and not decimals) else f"{typed.number:.3f}"
    return bare if typed.unit == unit_of_key(key) else f"{bare} {typed.unit}"


def place_of(entry: Entry, x_mm: float | None, y_mm: float | None, at_mm: float | None) -> str:
    """A place on the wire: "gaps;300;-14;"."""
    return ";".join([entry.name, *("" if v is None else shown(float(v)) for v in (x_mm, y_mm, at_mm))])


def places_of(job: Job, geometry: Kind, entry: Entry) -> Iterator[str]:
    """Where readings are expected: the nodes of the face, as far as the other one covers them."""
    if not entry.required or "x_mm" not in entry.places:
        return
    faces = job.faces()
    if any(name not in faces for name in geometry.faces()) or not geometry.faces():
        return
    face = faces[geometry.faces()[0]]
    points = geometry.expected_mm(job, entry)
    alone = len(face.lines_mm) == 1 and face.lines_mm[0] == 0.0
    for x_mm, y_mm in points:
        yield place_of(entry, x_mm, None if alone or "y_mm" not in entry.places else y_mm, None)


def edits_from(setting: Setting, given: Mapping[str, str], earlier: Callable[[int], Iterable[Reading]]) -> list[Edit]:
    """What a sent form changes; raises `Wrong` with the field. Rows that were not touched change nothing.

    `earlier` gives the readings of the setting as they were at the act the form was made from: a row may name one that
    was deleted since. The same form gives the same edits however often it is sent.
    """
    entries = {entry.name: entry for entry in setting.geometry.entries}
    readings = {r.id: r for r in setting.readings}
    named = {text for key, text in given.items() if key.startswith("reading.") and text}
    if named - readings.keys():
        readings = {r.id: r for r in earlier(_whole(given.get("act", "")))} | readings
    edits: list[Edit] = []
    new: list[Reading] = []
    for k in _rows_sent(given):
        row = {key.removesuffix(f".{k}"): text.strip() for key, text in given.items() if key.endswith(f".{k}")}
        entry = entries.get(row.get("place", row.get("entry", "")).split(";")[0])
        if entry is None:
            raise Wrong("This row belongs to no list of the setting; load the page again.", f"place.{k}")
        was = readings.get(row.get("reading", ""))
        if was is None and row.get("reading"):
            raise Wrong("This row names a reading that is not there; load the page again.", f"place.{k}")
        now = _reading_from(entry, row, was, given.get("stack", "").strip(), k)
        if now == was or (now is None and was is None):
            continue
        if was is None and now is not None:
            new.append(now)
        elif was is not None and now is None:
            edits.append(Delete(Ref("reading", was.id), _version(row, k)))
        elif was is not None and now is not None:
            edits.append(Correct(was.id, _version(row, k), replace(now, id="", corrects=None)))
    return [Append(setting.id, tuple(new)), *edits] if new else edits


def _rows_sent(given: Mapping[str, str]) -> list[int]:
    numbers = {int(m[1]) for key in given if (m := re.fullmatch(r"place\.(\d{1,6})", key))}
    if len(numbers) > MOST_ROWS:
        raise Wrong(f"More than {MOST_ROWS} rows at once; send them in parts.")
    return sorted(numbers)


def _version(row: Mapping[str, str], k: int) -> int:
    return _whole(row.get("version", ""), f"place.{k}")


def _whole(text: str, field: str = "") -> int:
    if not re.fullmatch(r"[0-9]{1,9}", text):
        raise Wrong("This form came without its version; load the page again.", field)
    return int(text)


def _reading_from(entry: Entry, row: Mapping[str, str], was: Reading | None, stack: str, k: int) -> Reading | None:
    """The reading a row says, `was` itself when nothing changed, None when it is empty."""
    tried = row.get("try", "")
    texts = {column.key: row.get(column.key) for column in columns_of(entry)}
    if tried:
        return _tried(entry, row, was, stack, tried, k)
    if all(text is None for text in texts.values()):
        return was  # a form that does not show the values, as stack by stack
    if was is not None and all(text in (None, text_in(was, key)) for key, text in texts.items()):
        return was
    kept = {key: text for key, text in texts.items() if text}
    if not kept:
        return None
    return _made(entry, row, kept, was, k)


def _made(entry: Entry, row: Mapping[str, str], texts: Mapping[str, str], was: Reading | None, k: int) -> Reading:
    """A reading of what was typed; the numbers keep their text."""
    base = replace(was, id="") if was is not None else Reading("", entry.name, *_place(entry, row, k))
    base = replace(base, key=None, value=None, low=None, high=None, mark=None)
    if "mark" in texts:
        if texts["mark"] not in entry.marks:
            raise Wrong(f"What was seen is one of {', '.join(entry.marks)}.", f"mark.{k}")
        return replace(base, mark=texts["mark"])
    values = [key for key in entry.values if key in texts]
    ends = [key for key in (entry.low, entry.high) if key is not None and key in texts]
    if len(values) > 1 or (values and ends):
        words = " and ".join(COLUMN_WORDS.get(key, key) for key in [*values, *ends][:2])
        raise Wrong(f"One reading cannot say both {words}; empty one of the two.", f"{(values + ends)[0]}.{k}")
    read = {key: _typed(texts[key], key, k) for key in (*values, *ends)}
    if entry.low in read and entry.high in read:
        _refuse_upside_down(read[str(entry.low)], read[str(entry.high)], f"{entry.low}.{k}")
    return replace(
        base,
        key=values[0] if values else None,
        value=read[values[0]] if values else None,
        low=read.get(entry.low or ""),
        high=read.get(entry.high or ""),
    )


def _tried(entry: Entry, row: Mapping[str, str], was: Reading | None, stack: str, tried: str, k: int) -> Reading:
    """What a stack tried at a place makes of the reading there: the bracket closes in."""
    if tried not in TRIES or entry.low is None or entry.high is None:
        raise Wrong("A stack goes, just goes or does not go.", f"try.{k}")
    if not stack:
        raise Wrong("Say first which stack this is.", "stack")
    size = _typed(stack, "just_mm", k, "stack")
    base = was or Reading("", entry.name, *_place(entry, row, k))
    low, high = base.low, base.high
    if tried == "just":
        if low is not None:
            _refuse_upside_down(low, size, f"try.{k}", "just goes")
        if high is not None:
            _refuse_upside_down(size, high, f"try.{k}", low_does="just goes")
        return replace(base, key="just_mm", value=size, low=None, high=None)
    if tried == "goes" and (low is None or size.to("mm") > low.to("mm")):
        low = size
    if tried == "stops" and (high is None or size.to("mm") < high.to("mm")):
        high = size
    if low is not None and high is not None:
        _refuse_upside_down(low, high, f"try.{k}")
    if (low, high) == (base.low, base.high) or base.value is not None:
        return base  # it says nothing that was not known
    return replace(base, low=low, high=high)


def _refuse_upside_down(
    low: Typed, high: Typed, field: str, high_does: str = "does not go", low_does: str = "goes"
) -> None:
    if low.to("mm") >= high.to("mm"):
        raise Wrong(
            f"{typed_text(low, 'goes_mm')} {low_does} and {typed_text(high, 'stops_mm')} {high_does}: one of the two "
            "is not so. Try both again, or empty the place first.",
            field,
        )


def _place(entry: Entry, row: Mapping[str, str], k: int) -> tuple[float | None, float | None, float | None]:
    """Where the reading was taken (x, y, along): what the row says, else what was typed beside it."""
    parts = [*row.get("place", "").split(";")[1:], "", "", ""][:3]
    found: dict[str, float] = {}
    for key, known in zip(("x_mm", "y_mm", "at_mm"), parts, strict=True):
        text = known or row.get(key, "")
        if text and key not in entry.places:
            raise Wrong(f"There is no {key} here.", f"{key}.{k}")
        if text:
            try:
                found[key] = number(text, key, ())
            except Refused as error:
                raise Wrong(str(error), f"{key}.{k}") from None
    if not found and entry.places:
        raise Wrong("Say where this was read.", f"x_mm.{k}")
    return found.get("x_mm"), found.get("y_mm"), found.get("at_mm")


def _typed(text: str, key: str, k: int, field: str = "") -> Typed:
    try:
        return typed(text, key, ())
    except Refused as error:
        raise Wrong(str(error), field or f"{key}.{k}") from None
