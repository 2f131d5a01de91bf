"""A Job as the file would say it: sections of plain keys, defaults left out, and the identity of each table."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

from waywright.core.evidence.fields import by_piece, fields_of
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Pass, Reading, Setting, Typed
from waywright.core.evidence.material import Material
from waywright.core.evidence.things import Face, Hand, Instrument, Piece
from waywright.jobfile.reader import NAMES, READING_KEYS, SETTING_KEYS
from waywright.jobfile.walk import Path
from waywright.units import unit_of_key

Plain = dict[str, Any]  # of texts, numbers, yes or no, lists of these, Plain and Rows


@dataclass(frozen=True)
class Rows:
    """A list of tables with the identity of each: comments belong to what a table speaks of, not to its number."""

    ids: tuple[str, ...]
    tables: tuple[Plain, ...]


@dataclass(frozen=True)
class Section:
    """One block of the file. `group` says which sections keep their order among each other."""

    path: Path
    group: str
    id: str
    table: Plain

    @property
    def header(self) -> str:
        """As it is written: "[goal]" or "[[pieces]]"."""
        from tomlkit import key

        array = isinstance(self.path[-1], int)
        name = ".".join(key(str(part)).as_string() for part in self.path if not isinstance(part, int))
        return f"[[{name}]]" if array else f"[{name}]"


def sections(job: Job) -> list[Section]:
    """The sections of a job in the order in which they are written; the first, with path (), has no header."""
    whole = {key: value for key in ("title", "temperature_c", "note") if (value := getattr(job, key)) not in (None, "")}
    if job.without:
        whole["without"] = list(job.without)
    found = [Section((), "", "", whole)]
    for owned in job.instruments:
        keys = _differing(owned, Instrument, ("name",))
        found.append(Section(("instruments", owned.name), "instruments", owned.name, keys))
    for material in job.materials:
        keys = _differing(material, Material, ("name",))
        found.append(Section(("materials", material.name), "materials", material.name, keys))
    for i, piece in enumerate(job.pieces):
        found.append(Section(("pieces", i), "pieces", piece.name, _piece(piece)))
    counts: dict[str, int] = {}
    for setting in job.settings:
        block = setting.geometry.block
        index = counts[block] = counts.get(block, -1) + 1
        found.append(Section((block, index), "settings", setting.id, _setting(setting, f"{block}[{index}]")))
    for i, each_pass in enumerate(job.passes):
        own = {} if each_pass.id == f"passes[{i}]" else {"id": each_pass.id}
        found.append(Section(("passes", i), "passes", each_pass.id, own | _differing(each_pass, Pass, ("id",))))
    if goal := _differing(job.goal, Goal):
        found.append(Section(("goal",), "goal", "goal", goal))
    if job.hand is not None:
        found.append(Section(("hand",), "hand", "hand", _differing(job.hand, Hand)))
    return found


def _differing(thing: Any, cls: type, skip: tuple[str, ...] = ()) -> Plain:
    """The fields of `thing` that are not at their defaults, and its tag, as plain values."""
    found = {}
    for name, field in fields_of(cls).items():
        value = getattr(thing, name)
        if name not in skip and value is not None and (value != field.default or field.tag):
            key = NAMES.get(name, name) if cls is Setting else name
            found[key] = _plain(value) if by_piece(field.form) is None else {of: _plain(one) for of, one in value}
    return found


def _piece(piece: Piece) -> Plain:
    faces = Rows(tuple(f.name for f in piece.faces), tuple(_differing(f, Face) for f in piece.faces))
    return _differing(piece, Piece, ("faces",)) | {"faces": faces}


def _setting(setting: Setting, place: str) -> Plain:
    """The keys of a setting in the order in which they are read: what, how, with what, and the readings."""
    own: Plain = {} if setting.id == place else {"id": setting.id}
    common = _differing(setting, Setting, ("id", "geometry", "readings"))
    table = own | _differing(setting.geometry, type(setting.geometry))
    table |= {key: common[key] for key in SETTING_KEYS if key in common}
    for entry in setting.geometry.entries:
        readings = [r for r in setting.readings if r.entry == entry.name]
        if readings:
            rows = tuple(
                _reading(r, f"{setting.id}.{entry.name}[{i}]", entry.low, entry.high) for i, r in enumerate(readings)
            )
            table[entry.name] = Rows(tuple(r.id for r in readings), rows)
    return table


def _reading(reading: Reading, place: str, low: str | None, high: str | None) -> Plain:
    own = {} if reading.id == place else {"id": reading.id}
    rest = _differing(reading, Reading, ("id", "entry", "key", "value", "low", "high"))
    table = own | {key: rest[key] for key in ("x_mm", "y_mm", "at_mm") if key in rest}
    for key, typed in ((reading.key, reading.value), (low, reading.low), (high, reading.high)):
        if key is not None and typed is not None:
            table[key] = _typed(typed, key)
    return table | {key: rest[key] for key in ("mark", *READING_KEYS) if key in rest}


def _typed(typed: Typed, key: str) -> str | float | int:
    """As it was written; a number in another unit than its key's says its unit."""
    if typed.text is not None:
        return typed.text
    if typed.unit == unit_of_key(key):
        return _number(typed.number)
    return f"{_number(typed.number)!r} {typed.unit}"


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return _differing(value, type(value))
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return _number(value) if isinstance(value, float) else value


def _number(value: float) -> float | int:
    """Whole numbers without a point, as a person types them."""
    return int(value) if value.is_integer() and abs(value) < 1e15 else value
