"""What may have been meant where a setting was typed wrong as a whole: all its readings alike, or how it lay."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from waywright.core.evidence.job import Reading, Setting, Typed
from waywright.units import convert

Slipped = Literal["turn", "offset sign", "wrong end", "unit", "block", "level turned"]

OTHER = convert(1.0, "in", "mm")  # the larger of each two units, in the other
OTHER_UNIT = {"mm": "in", "in": "mm", "µm": "thou", "thou": "µm"}
TOLD_UM = 1  # decimals of a µm to which a block is told to be off
DIGITS = 9  # of a number in any unit, so that it reads as a person would type it


@dataclass(frozen=True)
class Meant:
    """A setting as it would be had it not been typed wrong as a whole, and how it was: `slip`.

    `settings` are its blocks that then read otherwise; they and their readings keep their ids. `units`: the one typed
    and the one meant, of a unit. `common`: the readings that a wrong block puts off by the same; how much that is the
    others tell, so `settings` leave them as they are. `y_mm`: the one line of several that was typed wrong, alone.
    """

    slip: Slipped
    settings: tuple[Setting, ...]
    units: tuple[str, str] | None = None
    common: frozenset[str] = frozenset()
    y_mm: float | None = None

    @property
    def factor(self) -> float:
        """How many times what was typed is meant."""
        return 1.0 if self.units is None else convert(1.0, self.units[1], self.units[0])

    def less(self, off_um: float) -> Meant:
        """The same once its common readings are told by `off_um` less."""

        def told(typed: Typed) -> Typed:
            return _typed(typed, round(typed.number - convert(round(off_um, TOLD_UM), "µm", typed.unit), DIGITS))

        return replace(self, settings=tuple(_each(s, lambda r: self._less(r, told)) for s in self.settings))

    def _less(self, reading: Reading, told: Callable[[Typed], Typed]) -> Reading:
        return _told(reading, told) if reading.id in self.common else reading


def together(offered: Sequence[Iterable[Meant]]) -> Iterator[Meant]:
    """What the blocks of one setting offer, each slip of all that offer it at once; that of one line alone.

    Where one may have been meant in more ways than another, the other's last goes with the rest.
    """
    ways: dict[tuple[Slipped, tuple[str, str] | None], list[list[Meant]]] = {}
    for block in offered:
        own: dict[tuple[Slipped, tuple[str, str] | None], list[Meant]] = {}
        for meant in block:
            if meant.y_mm is not None:
                yield meant
                continue
            own.setdefault((meant.slip, meant.units), []).append(meant)
        for key, meants in own.items():
            ways.setdefault(key, []).append(meants)
    for (slip, units), blocks in ways.items():
        for way in range(max(map(len, blocks))):
            chosen = [meants[min(way, len(meants) - 1)] for meants in blocks]
            settings = tuple(setting for meant in chosen for setting in meant.settings)
            yield Meant(slip, settings, units, frozenset().union(*(meant.common for meant in chosen)))


def from_far_end(setting: Setting, length_mm: float) -> Iterator[Meant]:
    """Places counted from the far end of a face of that length: of what was read, and of what it stood on as well."""
    for changed in _changed(setting, lambda r: _from_far_end(r, length_mm)):
        yield Meant("wrong end", (changed,))


def line_from_far_end(setting: Setting, length_mm: float) -> Iterator[Meant]:
    """Places of one line of several counted from the far end; what it stood on, as it was."""
    read = setting.geometry.to_read(setting.readings)
    lines = dict.fromkeys(r.y_mm for r in read if r.y_mm is not None)
    for y_mm in lines if len(lines) > 1 else ():
        mine = {r for r in read if r.y_mm == y_mm and r.x_mm is not None}
        if len(mine) > 1:
            changed = _each(setting, lambda r, mine=mine: _from_far_end(r, length_mm) if r in mine else r)  # type: ignore[misc]
            if changed != setting:
                yield Meant("wrong end", (changed,), y_mm=y_mm)


def steps_from_far_end(setting: Setting, length_mm: float, base_mm: float, y_mm: float) -> Iterator[Meant]:
    """One line of several that a level was stepped along: counted from the far end, turned round, or both.

    A place is that of the base's first foot.
    """
    counted = _each(setting, lambda r: _from_far_end(r, length_mm - base_mm))
    if counted != setting:
        yield Meant("wrong end", (counted,), y_mm=y_mm)
        yield Meant("wrong end", turned_round(counted).settings, y_mm=y_mm)
    yield replace(turned_round(setting), y_mm=y_mm)


def _from_far_end(reading: Reading, length_mm: float) -> Reading:
    return reading if reading.x_mm is None else replace(reading, x_mm=round(length_mm - reading.x_mm, DIGITS))


def in_other_unit(setting: Setting) -> Iterator[Meant]:
    """Inches typed as millimetres and the reverse, thou as micrometres: of what was read, and what it stood on too."""
    typed = (t.unit for r in setting.readings for t in (r.value, r.low, r.high) if t is not None)
    for units in ((unit, OTHER_UNIT[unit]) for unit in dict.fromkeys(typed) if unit in OTHER_UNIT):
        for changed in _changed(setting, lambda r, units=units: _told(r, lambda t: _in(t, *units))):  # type: ignore[misc]
            yield Meant("unit", (changed,), units)


def turned_round(setting: Setting) -> Meant:
    """Slopes of a level that stood the other way round."""
    return Meant("level turned", (_each(setting, lambda r: _told(r, lambda t: _typed(t, -t.number))),))


def off_alike(setting: Setting) -> Meant:
    """A wrong block in every stack, but not in what it stood on: without that its lift takes it up."""
    return Meant("block", (setting,), common=frozenset(r.id for r in setting.geometry.to_read(setting.readings)))


def _in(typed: Typed, unit: str, other: str) -> Typed:
    return _typed(typed, typed.number, other) if typed.unit == unit else typed


def _typed(was: Typed, number: float, unit: str | None = None) -> Typed:
    """Another number in its place; it says its unit where that is another, or was said."""
    unit = unit or was.unit
    said = unit != was.unit or was.text is not None
    return Typed(number, unit, f"{number!r}".removesuffix(".0") + f" {unit}" if said else None)


def _told(reading: Reading, told: Callable[[Typed], Typed]) -> Reading:
    """The reading with each number that was typed told otherwise."""
    value, low, high = (None if typed is None else told(typed) for typed in (reading.value, reading.low, reading.high))
    return replace(reading, value=value, low=low, high=high)


def _each(setting: Setting, change: Callable[[Reading], Reading]) -> Setting:
    return replace(setting, readings=tuple(map(change, setting.readings)))


def _changed(setting: Setting, change: Callable[[Reading], Reading]) -> Iterator[Setting]:
    """What was read changed; and, where it stood on something, that as well. Nothing where nothing changes."""
    read = set(setting.geometry.to_read(setting.readings))
    ways = (_each(setting, lambda r: change(r) if r in read else r), _each(setting, change))
    yield from (way for way in dict.fromkeys(ways) if way != setting)
