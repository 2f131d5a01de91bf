"""A reading that makes no sense beside the others, as a question."""

from __future__ import annotations

from dataclasses import dataclass

from waywright.core.evidence.odd import Odd
from waywright.views.names import place_words
from waywright.views.numbers import Shown


@dataclass(frozen=True)
class OddLine:
    """The question, the reading it is about, and the number that a yes is to: typed over, it is asked anew."""

    reading: str
    words: str
    typed: str


def odd_line(found: Odd, shown: Shown) -> OddLine:
    """ "Really 20.5 mm at 300 mm? The others read about 20.003 mm." """
    number, where = f"{found.typed.number:.12g}", place_words(found.reading, shown)
    said = found.typed.text or f"{number} {found.typed.unit}"
    in_um = found.typed.unit == "µm" and found.reading.key == "um"
    usual = shown.text(found.usual_mm * 1e3, "µm") if in_um else f"{shown.stack(found.usual_mm)} {shown.length}"
    asked = " ".join(filter(None, ("Really", said, where)))
    return OddLine(found.reading.id, f"{asked}? The others read about {usual}.", said)
