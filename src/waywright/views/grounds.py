"""Why a verdict is what it is, in words."""

from __future__ import annotations

from waywright.core.evidence.findings import Grounds, Verdict
from waywright.core.evidence.where import joined
from waywright.views.numbers import percent, plural

MODE_WORDS = {  # the shapes of `adjust.blind`, for a person
    "cross-bow": "bow across",
    "bow-across": "bow opposite at the two edges",
    "S-across": "S opposite at the two edges",
    "finer": "finer waves",
    "everything": "its whole shape",
}
WRONG_SIDE = {  # by what the side of a limit allows
    "middle high only": "it is hollow, and only a high middle is allowed",
    "hollow only": "its middle is high, and only hollow is allowed",
    "rise only": "it falls, and only a rise is allowed",
}
DOUBTS = {
    "slip": "a setting that it rests on seems typed wrong as a whole",
    "misfits": "the readings do not fit together",
}


def mode_words(mode: str) -> str:
    """A shape that is not seen, for a person."""
    return MODE_WORDS.get(mode, mode)


def verdict_why(verdict: Verdict) -> str:
    """Why it was decided so, as a phrase that can follow the decision."""
    grounds = verdict.grounds
    if grounds.lacks == "readings":
        return "no reading touches it"
    if grounds.lacks == "stations":
        return f"too few stations are read to tell its {verdict.measure}"
    unseen = _unseen(verdict)
    if grounds.doubt:
        return "; ".join(filter(None, (DOUBTS[grounds.doubt], unseen)))
    if unseen and verdict.decision == "outside" and verdict.chance_inside is not None:
        chance = chance_words(1 - verdict.chance_inside)
        return f"it is outside with a chance of {chance} whatever the rest is; {unseen}"
    if unseen:
        return unseen
    if grounds.lacks:
        return "no limit was given"
    made = "; what no reading sees is taken for as true as the face was made" if verdict.as_made else ""
    return decision_why(verdict) + made + unread_words(grounds)


def decision_why(verdict: Verdict) -> str:
    """The chance beside what is asked for, or the wrong side; by the simple rule the value alone."""
    grounds, chance = verdict.grounds, verdict.chance_inside or 0.0
    wrong = WRONG_SIDE[verdict.side] if grounds.wrong_side else ""
    if grounds.level is None:
        where = "within" if verdict.decision == "inside" else "beyond"
        return wrong or f"the value is {where} the limit; its uncertainty is not counted"
    if verdict.decision == "inside":
        return chance_why(chance, grounds.level)
    if verdict.decision == "outside":
        words = f"it is outside with a chance of {chance_words(1 - chance)}; {_asked(grounds.level)} is asked for"
    else:
        asked = f"not sure either way, for {_asked(grounds.level)} is asked"
        words = f"it is inside with a chance of {chance_words(chance)}: {asked}"
    return "; ".join(filter(None, (wrong, words)))


def unread_words(grounds: Grounds) -> str:
    """That it speaks only of what was read."""
    if not grounds.unread:
        return ""
    are = "is" if grounds.unread == 1 else "are"
    return f"; {plural(grounds.unread, 'place')} of it {are} not read, and not judged"


def chance_why(chance: float, level: float) -> str:
    """Why it is inside."""
    return f"it is inside with a chance of {chance_words(chance)}; {_asked(level)} is asked for"


def chance_words(chance: float) -> str:
    """A chance for a sentence, never a bare 0 or 100 %: "94 %", "more than 99 %"."""
    return percent(chance).replace("<", "less than").replace(">", "more than")


def _unseen(verdict: Verdict) -> str:
    """ "no reading so far sees bow, twist and finer waves"."""
    if not verdict.unseen:
        return ""
    sees = "the readings so far hardly see" if verdict.grounds.hardly else "no reading so far sees"
    return f"{sees} {joined(list(dict.fromkeys(map(mode_words, verdict.unseen))))}"


def _asked(level: float) -> str:
    return f"{100 * level:g} %"
