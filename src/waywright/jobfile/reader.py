"""From the text of a job file to a Job. Every problem is `Refused` with the path of the key it stands under."""

from __future__ import annotations

import re
import tomllib
from typing import Any, TypeVar

from waywright.core.evidence.fields import fields_of
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Pass, Reading, Setting, Typed
from waywright.core.evidence.kind import Entry, Kind
from waywright.core.evidence.material import Material
from waywright.core.evidence.things import Face, Instrument, Piece
from waywright.core.readings import KINDS
from waywright.jobfile.fields import (
    Refused,
    Table,
    dataclass_of,
    fields,
    known,
    made,
    number,
    shown,
    table,
    tables,
    text,
    typed,
)
from waywright.jobfile.walk import Path, walk

FORMAT = 1
MOST_BLOCKS = 100_000  # more than a bench fills in a lifetime; the standard reader is slow with them
JOB_KEYS = (
    *("format", "title", "temperature_c", "note", "instruments", "materials", "pieces", "passes", "goal", "hand"),
    "without",
)
SETTING_KEYS = (
    *("id", "setting", "instrument", "seat_um", "temperature_c", "when", "note"),
    *("carried_mm", "hung", "rested", "warm_c", "warm_u_c"),
)
READING_KEYS = ("id", "u_um", "block", "when", "corrects", "note")
NAMES = {"name": "setting"}  # a field of Setting that stands under another key

# A key of many parts makes the standard reader slow without end; no key of ours has more than two.
_DEEP_KEY = re.compile(r"""(?m)(?:^|[\[{,])[ \t]*+(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){17}""")

T = TypeVar("T")
Paths = dict[str, Path]  # where each id stands


def parse_toml(source: str) -> dict[str, Any]:
    """The values of a TOML text; raises `Refused` with the line and column in its message."""
    if source.count("[[") > MOST_BLOCKS:
        raise Refused(f"This is not a job file: it has more than {MOST_BLOCKS:,} blocks.", ())
    if _DEEP_KEY.search(source):
        raise Refused("This is not a job file: a key in it has more than sixteen parts.", ())
    try:
        return tomllib.loads(source)
    except tomllib.TOMLDecodeError as error:
        raise Refused(f"This cannot be read as TOML: {_first_line(error)}.", ()) from None
    except RecursionError:
        raise Refused("This is not a job file: its brackets are nested too deep.", ()) from None
    except ValueError as error:  # a whole number of thousands of digits
        raise Refused(f"This cannot be read as TOML: {_first_line(error)}.", ()) from None


def read_job(source: str, data: Table) -> tuple[Job, Paths]:
    """The Job, and the path of each id in it; checks each table alone, not yet how they fit together."""
    known(data, (*JOB_KEYS, *KINDS), ())
    _check_format(data)
    paths: Paths = {}
    pieces = tuple(_piece(row, ("pieces", i)) for i, row in enumerate(tables(data.get("pieces", []), ("pieces",))))
    owned = table(data.get("instruments", {}), ("instruments",))
    instruments = tuple(_named(Instrument, name, owned[name], "instruments") for name in owned)
    made_of = table(data.get("materials", {}), ("materials",))
    materials = tuple(_named(Material, name, made_of[name], "materials") for name in made_of)
    settings = tuple(_setting(KINDS[block], row, (block, i), paths) for block, i, row in _in_order(source, data))
    passes = tuple(_pass(row, i, paths) for i, row in enumerate(tables(data.get("passes", []), ("passes",))))
    goal = dataclass_of(Goal, data.get("goal", {}), ("goal",))
    parts = {"pieces": pieces, "instruments": instruments, "settings": settings, "passes": passes, "goal": goal}
    parts["materials"] = materials
    return Job(**parts, **fields(Job, data, (), skip=parts)), paths


def _check_format(data: Table) -> None:
    found = data.get("format", FORMAT)
    if isinstance(found, bool) or not isinstance(found, int) or found < 1:
        raise Refused(f"The format is a whole number; this version reads format {FORMAT}.", ("format",))
    if found > FORMAT:
        newer = f"Format {shown(found)} was made by a newer version of Waywright"
        raise Refused(f"{newer}; this one reads format {FORMAT}.", ("format",))


def _piece(row: Table, path: Path) -> Piece:
    known(row, fields_of(Piece), path)
    if "faces" not in row:
        raise Refused("A piece needs at least one face; give it a block [[pieces.faces]].", path)
    faces = tuple(
        dataclass_of(Face, face, (*path, "faces", i)) for i, face in enumerate(tables(row["faces"], (*path, "faces")))
    )
    return made(Piece, path, faces=faces, **fields(Piece, row, path, skip=("faces",)))


def _named(cls: type[T], name: str, value: object, block: str) -> T:
    """A block [instruments.NAME] or [materials.NAME]."""
    path = (block, name)
    row = table(value, path)
    known(row, [key for key in fields_of(cls) if key != "name"], path)
    if not name.strip():
        raise Refused(f"This block needs a name behind the point; write [{block}.NAME].", path)
    return made(cls, path, name=name, **fields(cls, row, path, skip=("name",)))


def _pass(row: Table, index: int, paths: Paths) -> Pass:
    path: Path = ("passes", index)
    known(row, fields_of(Pass), path)
    own = text(row["id"], "id", (*path, "id")) if "id" in row else f"passes[{index}]"
    _claim(own, path, paths)
    return Pass(id=own, **fields(Pass, row, path, skip=("id",)))


def _setting(kind: type[Kind], row: Table, path: Path, paths: Paths) -> Setting:
    """One block of readings, whatever its kind."""
    lists = {entry.name: entry for entry in kind.entries}
    known(row, (*fields_of(kind), *lists, *SETTING_KEYS), path)
    own = text(row["id"], "id", (*path, "id")) if "id" in row else f"{path[0]}[{path[1]}]"
    _claim(own, path, paths)
    readings: list[Reading] = []
    for entry in kind.entries:
        at = (*path, entry.name)
        if entry.name not in row:
            if entry.required:
                raise Refused(f"The key {entry.name} is missing: there are no readings here.", path)
            continue
        rows = tables(row[entry.name], at)
        if not rows:
            raise Refused(f"The list {entry.name} is empty; type a reading into it or take it out.", at)
        readings += [_reading(entry, one, (*at, i), f"{own}.{entry.name}[{i}]", paths) for i, one in enumerate(rows)]
    if not readings:
        raise Refused("There are no readings here; type one or take the block out.", path)
    return Setting(
        id=own,
        geometry=kind(**fields(kind, row, path)),
        readings=tuple(readings),
        **fields(Setting, row, path, skip=("id", "geometry", "readings"), keys=NAMES),
    )


def _reading(entry: Entry, row: Table, path: Path, place: str, paths: Paths) -> Reading:
    """One reading: its place, and a value, a bracket or a mark, as `entry` allows."""
    ends = [key for key in (entry.low, entry.high) if key is not None]
    marked = ("mark",) if entry.marks else ()
    known(row, (*entry.places, *entry.values, *ends, *marked, *READING_KEYS), path)
    own = text(row["id"], "id", (*path, "id")) if "id" in row else place
    _claim(own, path, paths)
    given = [key for key in (*entry.values, *marked) if key in row]
    closed = [key for key in ends if key in row]
    if len(given) > 1 or (given and closed):
        both = " and ".join([*given, *closed][:2])
        raise Refused(f"One reading cannot say both {both}; split it in two.", path)
    if not given and not closed:
        raise Refused(f"This reading has no value; give it {_choice([*entry.values, *ends, *marked])}.", path)
    if marked and marked[0] in given:
        return _marked(entry, row, path, own)
    read: dict[str, Typed] = {key: typed(row[key], key, (*path, key)) for key in (*given, *closed)}
    return Reading(
        id=own,
        entry=entry.name,
        key=given[0] if given else None,
        value=read[given[0]] if given else None,
        low=read.get(entry.low or ""),
        high=read.get(entry.high or ""),
        **_beside(entry, row, path),
    )


def _marked(entry: Entry, row: Table, path: Path, own: str) -> Reading:
    """A reading that is one of the words `entry` knows."""
    mark = text(row["mark"], "mark", (*path, "mark"))
    if mark not in entry.marks:
        words = _choice([f'"{word}"' for word in entry.marks])
        raise Refused(f"The mark {mark[:40]!r} is not known; it is {words}.", (*path, "mark"))
    return Reading(id=own, entry=entry.name, mark=mark, **_beside(entry, row, path))


def _beside(entry: Entry, row: Table, path: Path) -> dict[str, Any]:
    """What every reading may have: its place, a u of its own, and what is said of it."""
    beside: dict[str, Any] = {key: number(row[key], key, (*path, key)) for key in (*entry.places, "u_um") if key in row}
    return beside | {
        key: text(row[key], key, (*path, key)) for key in ("block", "when", "corrects", "note") if key in row
    }


def _claim(own: str, path: Path, paths: Paths) -> None:
    """Note where an id stands; two of one id are refused."""
    if own in paths:
        raise Refused(f"The id {own!r} is used twice; every id is used once.", path)
    paths[own] = path


def _in_order(source: str, data: Table) -> list[tuple[str, int, Table]]:
    """Every block of readings in the order in which they stand in the file, whatever their kinds."""
    rows = {(block, i): row for block in KINDS for i, row in enumerate(tables(data.get(block, []), (block,)))}
    present = {block for block, _ in rows}
    if len(present) < 2:
        return [(block, i, row) for (block, i), row in rows.items()]
    order = _header_order(source, present)
    if len(order) != len(rows):  # written some other way, or a header's look-alike inside a text
        seen = (event.path[:2] for event in walk(source) if len(event.path) > 1 and event.path[0] in present)
        order = list(dict.fromkeys((str(block), int(i)) for block, i in seen))
    return [(block, i, rows[block, i]) for block, i in order]


def _header_order(source: str, present: set[str]) -> list[tuple[str, int]]:
    """(block, index) by the [[block]] lines, quickly; not to be trusted when the count is not right."""
    counts = dict.fromkeys(present, 0)
    order = []
    for block in re.findall(r"^[ \t]*\[\[[ \t]*(\w+)[ \t]*\]\]", source, re.MULTILINE):
        if block in counts:
            order.append((block, counts[block]))
            counts[block] += 1
    return order


def _choice(keys: list[str]) -> str:
    return keys[0] if len(keys) == 1 else ", ".join(keys[:-1]) + " or " + keys[-1]


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0].rstrip(".")
