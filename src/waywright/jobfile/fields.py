"""Reading one table of the job file into the fields of a frozen dataclass: written once for every kind there is.

A field's name is its key, the ending of the name its unit, its type what may stand there, its default whether it may
be left out (`core.evidence.fields`). What is wrong is raised as `Refused` with the path of the key.
"""

from __future__ import annotations

import datetime
import difflib
import math
import re
import types
import typing
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from waywright.core.evidence.fields import Each, Form, Many, Within, by_piece, fields_of
from waywright.core.evidence.job import Typed
from waywright.jobfile.walk import Path
from waywright.units import UnitError, convert, parse, quantity, unit_of_key

T = typing.TypeVar("T")
Table = Mapping[str, Any]

# Beyond these a number is a slip of the hand: base unit of the quantity, smallest, largest, what it is called.
_REACH = {
    "length": ("mm", -1e5, 1e5, "a length"),
    "angle": ("µm/m", -7e6, 7e6, "an angle"),
    "temperature": ("°C", -40.0, 80.0, "a temperature"),
    "divisions": ("div", -1e6, 1e6, "a number of divisions"),
    "number": ("", -1e9, 1e9, "a number"),
    "force": ("N", -1e7, 1e7, "a force"),
    "mass": ("kg", -1e6, 1e6, "a mass"),
    "time": ("min", -1e7, 1e7, "a time"),
    "area": ("mm²", 0.0, 1e8, "an area"),
    "second moment": ("mm⁴", 0.0, 1e15, "a second moment of area"),
    "density": ("kg/m³", 0.0, 1e5, "a density"),
    "modulus": ("GPa", 0.0, 1e4, "a modulus"),
    "growth": ("µm/m/K", -1e3, 1e3, "a growth"),
}
_ABOVE_ZERO = {"length_mm", "width_mm", "u_um", "u_um_per_m", "um_per_m_per_div", "blocks_mm"} | {
    "straightness_um", "flatness_um", "twist_um_per_m", "diameter_um", "over_mm", "height_mm", "depth_um", "as_made_um",
    "mass_kg", "depth_mm", "web_mm", "flange_mm", "area_mm2", "inertia_mm4", "shear_mm2", "density_kg_m3",
    "e_gpa",
}  # fmt: skip
_FROM_ZERO = {"feel_um", "seat_um", "leave_out_mm", "depth_u_um", "scatter", "warm_u_c"}
_OF_A_BENCH = {"temperature_c", "warm_c"}
WARMEST_C = 45.0
LONGEST_BITS = 64  # of a whole number; TOML promises no more
LONGEST_TEXT, LONGEST_NOTE = 2_000, 100_000  # letters
_NO_TEXT = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_NO_NOTE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")  # a note may have several lines
_LEAST_U = 1e-4  # µm or µm/m: a tenth of a nanometre; nothing in a shop is truer


class Refused(ValueError):
    """Something in the file that cannot be used; `path` says where it stands."""

    def __init__(self, message: str, path: Path) -> None:
        super().__init__(message)
        self.path = path


def fields(
    cls: type, table: Table, path: Path, skip: Iterable[str] = (), keys: Mapping[str, str] = types.MappingProxyType({})
) -> dict[str, Any]:
    """The values under the keys that are fields of `cls`; raises `Refused` on a missing or badly typed one.

    `skip`: fields that are not read; `keys`: the keys of fields that stand under another name.
    """
    found = {}
    for name, field in fields_of(cls).items():
        key = keys.get(name, name)
        if name in skip:
            continue
        if key in table:
            found[name] = value_of(field.form, table[key], key, (*path, key))
        elif field.required:
            raise Refused(f"The key {key} is missing.", path)
    return found


def known(table: Table, allowed: Iterable[str], path: Path) -> None:
    """Refuse the first key that is not allowed, with the nearest one that is."""
    names = list(allowed)
    for key in table:
        if key not in names:
            near = difflib.get_close_matches(key[:60], names, 1, 0.6)
            hint = f"did you mean {near[0]}?" if near else f"the keys here are {', '.join(names)}."
            raise Refused(f"The key {shown(key)} is not known; {hint}", (*path, key))


def value_of(form: Form, value: object, key: str, path: Path) -> object:
    """`value` as a field of that form: a number in the unit of its key, a text, a yes or no, a block, a list."""
    if (inner := by_piece(form)) is not None:
        named = table(value, path)
        return tuple((name, value_of(inner, one, key, (*path, name))) for name, one in named.items())
    if isinstance(form, Many):
        rows = _expect(list, value, "a list", path)
        return tuple(value_of(form.of, one, key, (*path, i)) for i, one in enumerate(rows))
    if isinstance(form, Each):
        rows = _expect(list, value, "a list", path)
        if len(rows) != len(form.of):
            raise Refused(f"{len(form.of)} values are wanted here, one behind the other, not {len(rows)}.", path)
        pairs = zip(form.of, rows, strict=True)
        return tuple(value_of(part, one, key, (*path, i)) for i, (part, one) in enumerate(pairs))
    if isinstance(form, Within):
        return _within(form, value, path)
    if form.type is float:
        return number(value, key, path)
    if form.type is int:
        if not isinstance(value, int) or isinstance(value, bool) or value.bit_length() > LONGEST_BITS:
            raise Refused(f"A whole number is wanted here, not {shown(value)}.", path)
        return value
    if form.type is bool:
        return _expect(bool, value, "true or false", path)
    if form.type is str:
        found = text(value, key, path)
        if wrong := unfit_word(found, form.words):
            raise Refused(wrong, path)
        return found
    raise TypeError(f"A field of type {form.type} cannot stand in the job file.")


def dataclass_of(cls: type, value: object, path: Path) -> Any:
    """One table whose keys are the fields of `cls`."""
    row = table(value, path)
    known(row, fields_of(cls), path)
    return made(cls, path, **fields(cls, row, path))


def made(cls: type[T], path: Path, **found: Any) -> T:
    """A dataclass of these fields, or `Refused` with what it refuses by itself."""
    try:
        return cls(**found)
    except ValueError as error:
        raise Refused(str(error), path) from None


def _within(form: Within, value: object, path: Path) -> Any:
    """A dataclass within another; of several the one that the tag names."""
    if not form.tag:
        return dataclass_of(form.classes[0], value, path)
    row, tagged = table(value, path), form.tagged()
    if form.tag not in row:
        raise Refused(f"The key {form.tag} is missing; it is one of {_words(tagged)}.", path)
    word = text(row[form.tag], form.tag, (*path, form.tag))
    if wrong := unfit_word(word, tuple(tagged)):
        raise Refused(wrong, (*path, form.tag))
    return dataclass_of(tagged[word], row, path)


def unfit_word(found: str, words: Collection[str]) -> str:
    """Why a text is none of the words that may stand there, in a sentence; "" if it is one or any text may."""
    return f"{shown(found)} is not known; it is one of {_words(words)}." if words and found not in words else ""


def _words(words: Iterable[str]) -> str:
    return ", ".join(f'"{word}"' for word in words)


def text(value: object, key: str, path: Path) -> str:
    """A text that is not empty; a date may stand without quotes."""
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    found: str = _expect(str, value, "a text in quotes", path)
    if wrong := unfit_text(found, key):
        raise Refused(wrong, path)
    return found


def unfit_text(found: str, key: str) -> str:
    """Why a text cannot stand under its key, in a sentence; "" if it can."""
    if not found.strip() and key not in ("title", "note"):
        return "The text is empty; fill it in or take the key out."
    if len(found) > (LONGEST_NOTE if key == "note" else LONGEST_TEXT):
        return f"This text has {len(found):,} letters, which is more than can be kept; shorten it."
    if (_NO_NOTE if key == "note" else _NO_TEXT).search(found):
        return "This text has a sign in it that no screen or database takes; type it anew."
    return ""


def number(value: object, key: str, path: Path) -> float:
    """A finite number in the unit that the ending of its key names, within what can be."""
    unit = unit_of_key(key)
    read = typed(value, key, path)
    try:
        found = convert(read.number, read.unit, unit)
    except UnitError as error:
        raise Refused(str(error), path) from None
    if read.unit != unit:
        found = float(f"{found:.15g}")  # 12 in is 304.8 mm, not 304.79999999999995
    if wrong := _unfit_sign(found, key, unit):
        raise Refused(wrong, path)
    return found


def unfit_number(found: float, key: str) -> str:
    """Why a number in the unit of its key cannot stand there, in a sentence; "" if it can."""
    unit = unit_of_key(key)
    return _beyond(Typed(found, unit)) or _unfit_sign(found, key, unit)


def unfit_typed(found: Typed, key: str) -> str:
    """Why a number kept as it was typed cannot stand under its key, in a sentence; "" if it can."""
    try:
        wanted = quantity(unit_of_key(key))
        if quantity(found.unit) not in ((wanted, "divisions") if wanted == "angle" else (wanted,)):
            return f"{found.number:g}{_behind(found.unit)} cannot stand under {key}."
        if found.text is not None and parse(found.text, unit_of_key(key)) != (found.number, found.unit):
            return f"{shown(found.text)} is not the number {found.number:g}{_behind(found.unit)}; type it anew."
    except UnitError as error:
        return str(error)
    return _beyond(found)


def _unfit_sign(found: float, key: str, unit: str) -> str:
    if key in _ABOVE_ZERO and not found > 0:
        return f"{found:g}{_behind(unit)} cannot be; {key} is above 0."
    if key in _FROM_ZERO and found < 0:
        return f"{found:g}{_behind(unit)} cannot be; {key} is 0 or more."
    if key in _OF_A_BENCH and found > WARMEST_C:
        return f'{found:g} °C is warmer than any bench; Fahrenheit is typed with its unit, "{found:g} °F".'
    if key.startswith("u_um") and found < _LEAST_U:
        return f"Nothing is as true as {found:g}{_behind(unit)}; give the standard uncertainty you trust."
    return ""


def _beyond(found: Typed) -> str:
    if not math.isfinite(found.number):
        return f"{found.number} cannot be measured; type a number or leave the key out."
    base, least, most, name = _REACH[quantity(found.unit)]
    if not least <= found.to(base) <= most:
        reach = f"{name} lies between {least:g} and {most:g}{_behind(base)}"
        return f"{found.number:g}{_behind(found.unit)} cannot be; {reach}."
    return ""


def typed(value: object, key: str, path: Path) -> Typed:
    """A number as it was written: a bare one, or a text with a unit or a decimal comma, which is kept."""
    unit = unit_of_key(key)
    if isinstance(value, str):
        try:
            read, unit = parse(value, unit)
        except UnitError as error:
            raise Refused(str(error), path) from None
        found = Typed(read, unit, value)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        try:
            found = Typed(float(value), unit)
        except OverflowError:
            raise Refused("The number is too large to be anything measured.", path) from None
    else:
        raise Refused(f"A number is wanted here, not {shown(value)}.", path)
    if not math.isfinite(found.number):
        raise Refused(f"{shown(value)} cannot be measured; type a number or leave the key out.", path)
    if wrong := _beyond(found):
        raise Refused(wrong, path)
    return found


def table(value: object, path: Path) -> Table:
    """A table, or `Refused`."""
    if isinstance(value, dict):  # a job may have very many: no words are made for those that are right
        return value
    return typing.cast(Table, _expect(dict, value, f"a block [{_header(path)}]", path))


def tables(value: object, path: Path) -> list[Table]:
    """A list of tables, or `Refused`."""
    rows = _expect(list, value, f"a list of blocks [[{_header(path)}]]", path)
    return [table(row, (*path, i)) for i, row in enumerate(rows)]


def _header(path: Path) -> str:
    return ".".join(part for part in path if isinstance(part, str))


def _expect(kind: type, value: object, words: str, path: Path) -> Any:
    if not isinstance(value, kind):
        raise Refused(f"Wanted here is {words}, not {shown(value)}.", path)
    return value


def _behind(unit: str) -> str:
    return f" {unit}" if unit else ""


def shown(value: object) -> str:
    """A value in a message: short, and in the words of the file."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a block of keys"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, int) and value.bit_length() > LONGEST_BITS:
        return "a number without end"  # typed as hexadecimal it may have more digits than Python writes out
    words = str(value) if not isinstance(value, str) else repr(value)
    return words if len(words) <= 40 else words[:37] + "..."
