"""Numbers as people read them: the only place that rounds, to the digits that matter, in metric or inch.

Heights and gaps are shown in µm or in tenths (0.0001 in), lengths in mm or in, slopes in µm/m or tenths/ft.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from waywright.core.evidence.findings import KNOWN_UM
from waywright.core.evidence.where import joined
from waywright.units import Showing, convert

NONE = "–"  # where there is no number
BAND = 1.96  # standard uncertainties to a 95 % band
UNKNOWN_UM = BAND * KNOWN_UM  # a band wider than this says that nothing is known of a shape yet
UNKNOWN_UM_PER_M = 1000.0  # so for a slope


@dataclass(frozen=True)
class Shown(Showing):
    """A way of showing numbers: the unit of each quantity."""

    length: str
    height: str
    slope: str

    def lengths(self, number_mm: float) -> str:
        """A place or length, without its unit: 300, 11.81."""
        found = convert(number_mm, "mm", self.length)
        return _plain(found, 1 if self.length == "mm" else 3)

    def heights(self, number_um: float | None, within_um: float | None = None, sign: bool = False) -> str:
        """A height, without its unit, to the digits that matter when it is known to ± `within_um`."""
        return self._number(number_um, within_um, "µm", self.height, sign)

    def slopes(self, number_um_per_m: float | None, within_um_per_m: float | None = None, sign: bool = False) -> str:
        """A slope or twist, without its unit."""
        return self._number(number_um_per_m, within_um_per_m, "µm/m", self.slope, sign)

    def limit(self, number: float, slope: bool = False) -> str:
        """A limit (µm, or µm/m) without its unit: as it was set, or converted to three digits."""
        unit, to = ("µm/m", self.slope) if slope else ("µm", self.height)
        found = convert(number, unit, to)
        return _plain(found, 4 if unit == to else _by_size(found))

    def length_text(self, number_mm: float) -> str:
        """A length with its unit: "300 mm"."""
        return f"{self.lengths(number_mm)} {self.length}"

    def height_text(self, number_um: float | None, within_um: float | None = None) -> str:
        """A height with its unit: "7.4 µm"."""
        shown = self.heights(number_um, within_um)
        return shown if shown == NONE else f"{shown} {self.height}"

    def slope_text(self, number_um_per_m: float | None, within_um_per_m: float | None = None) -> str:
        """A slope with its unit: "42 µm/m"."""
        shown = self.slopes(number_um_per_m, within_um_per_m)
        return shown if shown == NONE else f"{shown} {self.slope}"

    def stack(self, size_mm: float) -> str:
        """The size of a stack or block, without its unit, to a tenth of a micrometre."""
        return _plain(convert(size_mm, "mm", self.length), 4 if self.length == "mm" else 6)

    def unit(self, unit: str) -> str:
        """In what "mm", "µm" or "µm/m" is shown."""
        return {"mm": self.length, "µm": self.height, "µm/m": self.slope}[unit]

    def number(self, number: float, unit: str, digits: int = 6) -> str:
        """A number that somebody set, without its unit: as it stands or, converted, to three digits."""
        if self.unit(unit) == unit:
            return super().number(number, unit, digits)
        found = convert(number, unit, self.unit(unit))
        return self.lengths(number) if unit == "mm" else _plain(found, _by_size(found))

    def about(self, number: float, unit: str) -> str:
        """A number to two digits, with its unit: "8.5 µm"."""
        return f"{two_digits(convert(number, unit, self.unit(unit)))} {self.unit(unit)}"

    def _number(self, number: float | None, within: float | None, unit: str, to: str, sign: bool) -> str:
        if number is None or not math.isfinite(number):
            return NONE
        scale = convert(1.0, unit, to)
        known = within is not None and math.isfinite(within) and within > 0
        places = decimals(within * scale) if within and known else _by_size(number * scale)
        return _signed(number * scale, places) if sign else _fixed(number * scale, places)


METRIC = Shown("mm", "µm", "µm/m")
INCH = Shown("in", "tenths", "tenths/ft")


def shown_in(units: str) -> Shown:
    """The way of showing for "mm" or "inch"."""
    return INCH if units == "inch" else METRIC


def decimals(within: float) -> int:
    """Decimal places of a number known to ± `within`; negative for tens and hundreds.

    Of its three highest digits 100 to 354 keep two, 355 to 949 one, and 950 to 999 are taken as 1000 and keep two
    (Particle Data Group, Review of Particle Physics, "Introduction", section 5.3, Rounding).
    """
    exponent = math.floor(math.log10(within))
    leading = round(within / 10.0 ** (exponent - 2))  # three digits, 100 to 1000
    if leading <= 354:
        return 1 - exponent
    return -exponent


def percent(share: float) -> str:
    """A chance or share: "94 %", never a bare 0 or 100 for what is only near it. Downwards, as the words of a verdict
    have it: 94.9 % is not told as the 95 % it misses."""
    if share < 0.01:
        return "< 1 %"
    if share > 0.99:
        return "> 99 %"
    return f"{math.floor(share * 100 + 1e-9)} %"


def duration(minutes: float) -> str:
    """ "12 min", "31 h"."""
    return f"{minutes:.0f} min" if minutes < 90 else f"{minutes / 60:.{0 if minutes >= 600 else 1}f} h"


def plural(count: int, one: str, many: str | None = None) -> str:
    """ "1 reading", "2 readings"."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def listed(names: list[str] | tuple[str, ...], most: int = 6) -> str:
    """ "A", "A and B", "A, B and C"; a long list ends with how many more."""
    shown = list(names[:most]) + ([f"{len(names) - most} more"] if len(names) > most else [])
    return joined(shown) if shown else ""


def two_digits(number: float) -> str:
    """A number to two digits, and whole from a hundred on: "0.12", "8.5", "152"."""
    text = f"{number:.0f}" if abs(number) >= 99.5 else f"{number:.2g}"
    return text if "e" not in text else f"{number:.6f}".rstrip("0").rstrip(".")


def sentence(text: str) -> str:
    """First letter large, a stop at the end; nothing for nothing."""
    text = text.strip()
    return text and text[0].upper() + text[1:] + ("" if text[-1] in ".:?" else ".")


def _by_size(number: float) -> int:
    """Places of a number of which nobody said how sure it is: three digits, at most three places."""
    if number == 0:
        return 1
    return max(0, min(3, 2 - math.floor(math.log10(abs(number)))))


def _fixed(number: float, places: int) -> str:
    rounded = round(number, places) + 0.0  # no minus before a nought
    return f"{rounded:.{max(0, min(places, 9))}f}".replace("-", "−")


def _signed(number: float, places: int) -> str:
    text = _fixed(number, places)
    return text if text.startswith("−") or round(number, places) == 0 else f"+{text}"


def _plain(number: float, places: int) -> str:
    text = f"{round(number, places) + 0.0:.{places}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", "−")
