"""What weight and warmth ask for, in words."""

from __future__ import annotations

from waywright.core.next.standing import RestAndRepeat, SayWhere, Weigh
from waywright.views.moves.phrases import how_words, why_words
from waywright.views.numbers import Shown, percent, sentence


@how_words.register
def _(move: SayWhere, shown: Shown) -> str:
    return (
        f"say what {move.piece} stood on in {move.setting.geometry.words(shown)} (carried_mm, or the tick at the bench "
        "where its blocks stood straight above the supports); else read it anew so"
    )


@why_words.register
def _(move: SayWhere, shown: Shown) -> str:
    return f"where it stood, and so how far it hung, is {percent(move.share)} of what is not known"


@how_words.register
def _(move: Weigh, shown: Shown) -> str:
    return f"weigh {move.piece} on a scale and type what it weighs"


@why_words.register
def _(move: Weigh, shown: Shown) -> str:
    return f"how far it hangs is {percent(move.share)} of what is not known, and its weight is the part a scale tells"


@how_words.register
def _(move: RestAndRepeat, shown: Shown) -> str:
    words = sentence(move.again.words(shown))
    return f"leave the pieces overnight, as they are to be read, then read once more, as a setting of its own. {words}"


@why_words.register
def _(move: RestAndRepeat, shown: Shown) -> str:
    return f"how warm {move.piece} stood is {percent(move.share)} of what is not known"
