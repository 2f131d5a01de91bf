"""A table of heights from a CSV file: x and height, or x, y and height, in any unit and with either decimal sign.

The first line names the columns by what and unit: `x_mm,height_um`, `x_in;y_in;height_tenths`. Semicolons, tabs or
commas part them; a byte-order mark, CRLF and empty lines are passed over.
"""

from __future__ import annotations

import csv
import math
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from waywright.jobfile.errors import JobFileError
from waywright.jobfile.text import read_text
from waywright.units import UnitError, convert, named, parse

WANTED = {"x": "mm", "y": "mm", "height": "µm"}  # each column and the unit it is kept in
_COLUMN = re.compile(r"(x|y|height)(?:\s*+[_(\[]|\s)\s*+([^)\]]++)[)\]]?", re.IGNORECASE)
_LARGEST = 1e6  # mm or µm; beyond it is no place on a face and no height of one


@dataclass(frozen=True)
class Heights:
    """(n,) places in mm and heights in µm, in the order of the file; `y_mm` is None for a single line."""

    x_mm: NDArray[np.float64]
    height_um: NDArray[np.float64]
    y_mm: NDArray[np.float64] | None = None


def read_heights(path: str | os.PathLike[str]) -> Heights:
    """The heights in the file at `path`; raises `JobFileError` with the line of what cannot be used."""
    return parse_heights(read_text(path), str(path))


def parse_heights(text: str, name: str = "the table") -> Heights:
    """The heights in `text`; `name` is what messages call it."""
    rows = _rows(text.removeprefix("\ufeff"), name)
    line, header = next(rows, (1, []))
    columns = _columns(header, f"{name} (line {line})")
    values: list[list[float]] = []
    lines: list[int] = []
    for line, row in rows:
        where = f"{name} (line {line})"
        if len(row) != len(columns):
            hint = "; part them by semicolons if the comma is a decimal sign" if len(row) > len(columns) else ""
            raise JobFileError(f"{where}: there are {len(row)} values for {len(columns)} columns{hint}.")
        values.append([_number(cell, *column, where) for cell, column in zip(row, columns, strict=True)])
        lines.append(line)
    if len(values) < 2:
        count = "is one row" if values else "are no rows"
        raise JobFileError(f"{name}: there {count} of numbers; a shape needs two or more.")
    table = dict(zip((column for column, _ in columns), np.array(values).T, strict=True))
    _places_once(table, lines, name)
    return Heights(table["x"], table["height"], table.get("y"))


def _rows(text: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """Each line that is not empty, with its number, parted where the first one is."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = next((mark for mark in "\t;" if mark in first), ",")
    reader = csv.reader(text.splitlines(), delimiter=delimiter, skipinitialspace=True)
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                yield reader.line_num, row
    except csv.Error as error:
        raise JobFileError(f"{name} (line {reader.line_num}): this cannot be read as a table: {error}.") from None


def _columns(header: list[str], where: str) -> list[tuple[str, str]]:
    """What each column holds and in which unit."""
    example = "the first line names the columns, for example x_mm,height_um or x_mm,y_mm,height_um"
    found: list[tuple[str, str]] = []
    for cell in header:
        match = _COLUMN.fullmatch(cell.strip())
        if not match:
            shown = cell if len(cell) <= 30 else cell[:27] + "..."
            raise JobFileError(f"{where}: {shown!r} is no column that is known; {example}.")
        what = match.group(1).lower()
        try:
            unit = named(match.group(2).strip(), WANTED[what])
        except UnitError as error:
            raise JobFileError(f"{where}: {error}") from None
        if what in dict(found):
            raise JobFileError(f"{where}: the column {what} is there twice; {example}.")
        found.append((what, unit))
    for what in ("x", "height"):
        if what not in dict(found):
            raise JobFileError(f"{where}: the column {what} is missing; {example}.")
    return found


def _number(cell: str, what: str, unit: str, where: str) -> float:
    """One cell in the unit that its quantity is kept in."""
    try:
        read, unit = parse(cell, unit)
        number = convert(read, unit, WANTED[what])
    except UnitError as error:
        raise JobFileError(f"{where}, {what}: {error}") from None
    if not math.isfinite(number) or abs(number) > _LARGEST:
        kind = "height" if what == "height" else "place"
        raise JobFileError(f"{where}, {what}: {read:g} {unit} is no {kind} on a face.")
    return number


def _places_once(table: dict[str, NDArray[np.float64]], lines: list[int], name: str) -> None:
    """Refuse two heights at one place."""
    seen: dict[tuple[float, ...], int] = {}
    places = zip(*(table[axis].tolist() for axis in ("x", "y") if axis in table), strict=True)
    for line, place in zip(lines, places, strict=True):
        if place in seen:
            at = ", ".join(f"{axis} = {value:g} mm" for axis, value in zip("xy", place, strict=False))
            raise JobFileError(f"{name} (line {line}): {at} was already given on line {seen[place]}; keep one of them.")
        seen[place] = line
