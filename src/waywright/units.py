"""The only place that converts units, and the one place that reads a number a person typed.

A number may be typed with a decimal comma or point and with a unit behind it: "0,012", "0.4 thou", "20,006 mm".
A key of the job file ends in the unit of a bare number: `gap_mm`, `um_per_m`, `temperature_c`.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache

INCH_MM = 25.4  # exact, by definition since 1959
ARCSEC_UM_PER_M = math.pi / 180 / 3600 * 1e6  # 4.8481 µm/m


class UnitError(ValueError):
    """A number or unit that cannot be read; the message is one plain sentence."""


# Each quantity: its units and their size in the first unit named (temperature apart).
_SIZES: dict[str, dict[str, float]] = {
    "length": {
        "mm": 1.0, "m": 1e3, "cm": 10.0, "µm": 1e-3, "nm": 1e-6,
        "in": INCH_MM, "ft": 12 * INCH_MM, "thou": INCH_MM / 1e3, "tenths": INCH_MM / 1e4, "µin": INCH_MM / 1e6,
    },
    "angle": {
        "µm/m": 1.0, "mm/m": 1e3, "in/ft": 1e6 / 12, "thou/ft": 1e3 / 12, "tenths/ft": 1e2 / 12,
        "arcsec": ARCSEC_UM_PER_M, "arcmin": 60 * ARCSEC_UM_PER_M, "deg": 3600 * ARCSEC_UM_PER_M,
        "µrad": 1.0, "mrad": 1e3, "rad": 1e6,
    },
    "divisions": {"div": 1.0},
    "force": {"N": 1.0, "kgf": 9.80665, "lbf": 4.4482216152605},
    "mass": {"kg": 1.0, "g": 1e-3, "lb": 0.45359237},
    "time": {"min": 1.0, "h": 60.0, "s": 1 / 60},
    "area": {"mm²": 1.0, "cm²": 1e2, "in²": INCH_MM**2},
    "second moment": {"mm⁴": 1.0, "cm⁴": 1e4, "in⁴": INCH_MM**4},
    "density": {"kg/m³": 1.0, "g/cm³": 1e3, "lb/in³": 0.45359237e9 / INCH_MM**3},
    "modulus": {"GPa": 1.0, "MPa": 1e-3, "psi": 4.4482216152605e-3 / INCH_MM**2},
    "growth": {"µm/m/K": 1.0, "µin/in/°F": 1.8},
    "number": {"": 1.0},
}  # fmt: skip
_TEMPERATURES = ("°C", "°F", "K")

# Other ways of writing the same unit.
_SPELLINGS = {
    "mm2": "mm²", "cm2": "cm²", "in2": "in²", "mm4": "mm⁴", "cm4": "cm⁴", "in4": "in⁴", "kg/m3": "kg/m³",
    "g/cm3": "g/cm³", "lb/in3": "lb/in³", "µm/m/°C": "µm/m/K", "um/m/K": "µm/m/K",
    "um": "µm", "μm": "µm", "micron": "µm", "microns": "µm", "micrometre": "µm", "micrometer": "µm",
    "inch": "in", "inches": "in", "mil": "thou", "mils": "thou", "tenth": "tenths",
    "uin": "µin", "μin": "µin", "microinch": "µin", "microinches": "µin",
    "um/m": "µm/m", "μm/m": "µm/m", "urad": "µrad", "μrad": "µrad", "foot": "ft", "feet": "ft",
    "″": "arcsec", "arc second": "arcsec", "arc seconds": "arcsec", "′": "arcmin", "arc minute": "arcmin",
    "arc minutes": "arcmin", "°": "deg", "degree": "deg", "degrees": "deg",
    "division": "div", "divisions": "div", "divs": "div", "C": "°C", "F": "°F", "lbs": "lb", "minutes": "min",
}  # fmt: skip
_QUOTE = {"length": "in", "angle": "arcsec"}  # what a bare " means, by what is being read

# The ending of a key, longest first, and the unit a bare number under it has.
_ENDINGS = {
    "um_per_m_per_div": "µm/m", "um_per_m": "µm/m", "_um_m_k": "µm/m/K", "_kg_m3": "kg/m³",
    "_um": "µm", "_mm": "mm", "_deg": "deg", "_c": "°C",
    "_mm2": "mm²", "_mm4": "mm⁴", "_gpa": "GPa", "_n": "N", "_kg": "kg", "_min": "min", "_div": "div",
}  # fmt: skip

LONGEST = 64  # letters of a number with its unit; nobody types more
# Nothing here is tried twice (`*+`): the time grows with the length, not with its square.
_NUMBER = re.compile(r"([+\-−]?)\s*+([0-9]++(?:[.,][0-9]*+)?|[.,][0-9]++)(?:[eE]([+-]?[0-9]{1,3}))?\s*+(.*)", re.DOTALL)
_WITH_ARTICLE = {
    "angle": "an angle",
    "divisions": "a number of divisions",
    "number": "a plain number",
    "time": "a time",
    "area": "an area",
}


@lru_cache(256)
def quantity(unit: str) -> str:
    """Which quantity `unit` measures: "length", "angle", "temperature", ...; raises `UnitError` if it is unknown."""
    if unit in _TEMPERATURES:
        return "temperature"
    for name, sizes in _SIZES.items():
        if unit in sizes:
            return name
    raise UnitError(f"The unit {unit!r} is not known; use mm, µm, in, thou, tenths, µin, µm/m, arcsec or div.")


@lru_cache(256)
def unit_of_key(key: str) -> str:
    """The unit of a bare number under `key`: "gap_mm" gives "mm", "um" gives "µm", "format" gives ""."""
    for ending, unit in _ENDINGS.items():
        if key.endswith(ending) or key == ending.lstrip("_"):
            return unit
    return ""


def parse(text: str, unit: str = "") -> tuple[float, str]:
    """The number and unit in `text`; `unit` is what a bare number means and which quantity is expected.

    "20,006 mm" gives (20.006, "mm"); comma and point are the same. Raises `UnitError` on anything else, on a unit
    of another quantity, on numbers that are not finite and on more than `LONGEST` letters. Divisions are accepted where
    an angle is expected.
    """
    if len(text) > LONGEST:
        raise UnitError(f"{_short(text)} is longer than any number, {LONGEST} letters; type something like 0.012.")
    match = _NUMBER.fullmatch(text.strip())
    if not match:
        raise UnitError(f"{_short(text)} is not a number; type something like 0.012 or 0,4 thou.")
    sign, digits, exponent, written = match.groups()
    if re.match(r"[.,\d]", written):
        raise UnitError(f"{_short(text)} can be read in two ways; type it with one decimal comma or point.")
    number = float(digits.replace(",", ".") + (f"e{exponent}" if exponent else ""))
    number = -number if sign in ("-", "−") else number
    if not math.isfinite(number):
        raise UnitError(f"{_short(text)} is too large to be a reading.")
    if not written:
        return number, unit
    wanted = quantity(unit)
    name = _QUOTE.get(wanted, written) if written in ('"', "''") else _SPELLINGS.get(written, written)
    try:
        found = quantity(name)
    except UnitError:
        raise UnitError(f"The unit in {_short(text)} is not known; wanted here is {_what(wanted)}.") from None
    if found != wanted and not (found == "divisions" and wanted == "angle"):
        raise UnitError(f"{_short(text)} is {_article(found)}; wanted here is {_what(wanted)}.")
    return number, name


def named(text: str, unit: str) -> str:
    """The unit that `text` names, of the quantity of `unit`: ("um", "mm") gives "µm"; raises `UnitError`."""
    return parse(f"1 {text}", unit)[1]


def convert(number: float, unit: str, to: str) -> float:
    """`number` of `unit` expressed in `to`; raises `UnitError` if they measure different things."""
    if unit == to:
        return number
    if quantity(unit) != quantity(to):
        one, other = _article(quantity(unit)), _article(quantity(to))
        raise UnitError(f"{unit} cannot be turned into {to}: one is {one}, the other {other}.")
    if quantity(unit) == "temperature":
        celsius = {"°C": number, "°F": (number - 32) / 1.8, "K": number - 273.15}[unit]
        return {"°C": celsius, "°F": celsius * 1.8 + 32, "K": celsius + 273.15}[to]
    sizes = _SIZES[quantity(unit)]
    return number * (sizes[unit] / sizes[to])


class Showing:
    """How numbers are told to a person: as they stand, in the units of a job. `views.numbers.Shown` has others."""

    def unit(self, unit: str) -> str:
        """In what "mm", "µm" or "µm/m" is shown."""
        return unit

    def number(self, number: float, unit: str, digits: int = 6) -> str:
        """A number of `unit`, without its unit: 100, 0.5."""
        text = f"{number:.{digits}g}"
        return text if "e" not in text else f"{number:.9f}".rstrip("0").rstrip(".")  # no powers of ten for a person

    def stack(self, size_mm: float) -> str:
        """The size of a stack or block, without its unit, to a tenth of a micrometre."""
        return self.number(round(size_mm, 4), "mm", 8)

    def text(self, number: float, unit: str, digits: int = 6) -> str:
        """A number with its unit: "100 mm"."""
        return f"{self.number(number, unit, digits)} {self.unit(unit)}"


METRIC = Showing()


def _article(name: str) -> str:
    return _WITH_ARTICLE.get(name, f"a {name}")


def _what(wanted: str) -> str:
    """What a person should have typed: "a length, in mm, µm, in or thou"."""
    if wanted == "number":
        return "a number without a unit"
    names = {
        "temperature": list(_TEMPERATURES),
        "length": ["mm", "µm", "in", "thou", "tenths", "µin"],
        "angle": ["µm/m", "mm/m", "thou/ft", "tenths/ft", "arcsec", "div"],
    }.get(wanted) or list(_SIZES[wanted])
    *most, last = names
    return f"{_article(wanted)}, in {', '.join(most)}{' or ' if most else ''}{last}"


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")
