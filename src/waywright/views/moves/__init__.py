"""What to do next, as sentences: the one room where a move gets its words, and its numbers their units."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from waywright.core.evidence.findings import Improvement, Move
from waywright.core.next.moves import SetGoal, Soak, Stop
from waywright.views.moves import doubts, metal, standing, to_read
from waywright.views.moves.doubts import hang_words
from waywright.views.moves.phrases import how_words, why_words
from waywright.views.moves.to_read import a_kind, borrowed_kinds
from waywright.views.numbers import METRIC, Shown, duration, percent, sentence, two_digits

__all__ = ["MoveLine", "a_kind", "borrowed_kinds", "hang_words", "how", "moves_view", "next_words", "reason"]

WORDED = (doubts, metal, standing, to_read)  # where each kind of move but the plainest registers its words


@dataclass(frozen=True)
class MoveLine:
    """One move: what to do, why, and what it brings."""

    how: str
    reason: str
    gain: str
    time: str

    @property
    def first(self) -> str:
        """The first sentence of what to do."""
        return sentence(self.how.split(". ")[0])

    @property
    def words(self) -> str:
        """All but the gain, in sentences."""
        return " ".join(filter(None, (self.how, self.reason, f"About {self.time}." if self.time else "")))


def moves_view(moves: Iterable[Move], shown: Shown = METRIC) -> tuple[MoveLine, ...]:
    """Moves as sentences, best first; a reason that several share, and what is done twice, is said at the first."""
    found: list[MoveLine] = []
    before, said = "", dict[str, int]()
    for number, move in enumerate(moves, 1):
        why, what = sentence(reason(move, shown)), sentence(how(move, shown))
        time = duration(move.minutes) if move.minutes else ""
        first = said.setdefault(what, number)
        told = what if first == number else f"Do what stands under {first} once more."
        found.append(MoveLine(told, "" if why == before else why, _gain(move.gain, shown), time))
        before = why
    return tuple(found)


def next_words(moves: Sequence[Move], shown: Shown = METRIC) -> str:
    """The first of the moves, with its reason."""
    if not moves:
        return "Nothing to do: no reading is there yet, and no face to read."
    return f"{sentence(how(moves[0], shown))} {sentence(reason(moves[0], shown))}"


def how(move: Move, shown: Shown = METRIC) -> str:
    """What to do."""
    return how_words(move, shown)


def reason(move: Move, shown: Shown = METRIC) -> str:
    """Why."""
    return why_words(move, shown)


def _gain(gain: Improvement | None, shown: Shown) -> str:
    """ "Share of ... from 12 % to 40 %": what a move brings, where it can be told."""
    if gain is None:
        return ""
    numbers = [_of_unit(n, gain.unit, shown) for n in (gain.now, gain.then) if n is not None]
    return f"{gain.what[0].upper()}{gain.what[1:]}: from {' to '.join(numbers)}."


def _of_unit(number: float, unit: str, shown: Shown) -> str:
    if unit == "share":
        return percent(number)
    return shown.about(number, unit) if unit else two_digits(number)


@how_words.register
def _(move: Soak, shown: Shown) -> str:
    return "let the pieces lie together until a repeated reading no longer changes"


@why_words.register
def _(move: Soak, shown: Shown) -> str:
    return f"settings were taken {move.span_k:.1f} K apart, and a piece warmer on one side is bent"


@how_words.register
def _(move: SetGoal, shown: Shown) -> str:
    return "set a goal"


@why_words.register
def _(move: SetGoal, shown: Shown) -> str:
    return "without a limit there is nothing to decide"


@how_words.register
def _(move: Stop, shown: Shown) -> str:
    return "stop: more scraping would only move metal"


@why_words.register
def _(move: Stop, shown: Shown) -> str:
    return f"every face with a limit is inside it, with a chance of {100 * min(move.chance, 0.999):.1f} % or more"
