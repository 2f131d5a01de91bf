"""What to do next, as sentences."""

from __future__ import annotations

from dataclasses import dataclass

from waywright.core.evidence.findings import Move
from waywright.views.numbers import METRIC, Shown, duration, percent


@dataclass(frozen=True)
class MoveLine:
    """One move: what to do, why, and what it brings."""

    how: str
    reason: str
    gain: str
    time: str


def moves_view(moves: tuple[Move, ...], shown: Shown = METRIC) -> tuple[MoveLine, ...]:
    """Moves as sentences, best first; a reason that several share is said at the first of them."""
    found, said = [], ""
    for m in moves:
        reason = shown.said(sentence(m.reason))
        time = duration(m.minutes) if m.minutes else ""
        found.append(
            MoveLine(shown.said(sentence(m.how)), "" if reason == said else reason, shown.said(_gain(m)), time)
        )
        said = reason
    return tuple(found)


def _gain(move: Move) -> str:
    """ "Share of ... from 12 % to 40 %": what a move brings, where it can be told."""
    if not move.gain:
        return ""
    what, before, after = str(move.gain["what"]), move.gain["from"], move.gain["to"]
    what, _, unit = what.partition(", ")
    unit = f" {unit}" if unit else ""
    numbers = [
        percent(n) if what.startswith("share") else f"{n:.2g}{unit}" for n in (before, after) if isinstance(n, float)
    ]
    return f"{what[0].upper()}{what[1:]}: from {' to '.join(numbers)}."


def sentence(text: str) -> str:
    """First letter large, a stop at the end; nothing for nothing."""
    text = text.strip()
    return text and text[0].upper() + text[1:] + ("" if text[-1] in ".:" else ".")
