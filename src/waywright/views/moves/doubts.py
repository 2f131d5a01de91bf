"""What is doubted, in words: readings to take again, settings to look up or to find the fault of."""

from __future__ import annotations

from collections.abc import Sequence

from waywright.core.evidence.findings import Misfit, Suspect
from waywright.core.evidence.kind import Candidate, Kind
from waywright.core.next.faults import AskPaper, FindFault
from waywright.core.next.retakes import Retake, TakeAgain
from waywright.views.findings import misfit_words, suspect_words
from waywright.views.moves.phrases import all_of, how_words, spots_of, why_words
from waywright.views.names import place_words, reading_words
from waywright.views.numbers import Shown, sentence
from waywright.views.slips import question

WRONG = "turn, offset, the end it was read from, unit, blocks, dirt, warmth"


def hang_words(faces: Sequence[str], it: str = "it") -> str:
    """ "the verdict on P hangs on it", or that none does."""
    if not faces:
        return f"no verdict hangs on {it}"
    several = len(faces) > 1
    return f"the verdict{'s' if several else ''} on {all_of(faces)} hang{'' if several else 's'} on {it}"


@how_words.register
def _(move: AskPaper, shown: Shown) -> str:
    asked = question(move.slips, move.job, shown)
    return f"look at the paper: {asked}? If not, take it anew as a setting of its own, and leave this one out"


@why_words.register
def _(move: AskPaper, shown: Shown) -> str:
    return "as it is typed the readings do not fit together, if it was so they do; until then nothing is built on them"


@how_words.register
def _(move: FindFault, shown: Shown) -> str:
    misfit, kind = move.misfit, None if move.setting is None else move.setting.geometry
    look = _look(misfit, kind, shown)
    if kind is None:
        return look
    if move.gone:
        return f"{look}; else leave it out, for its faces were cut since and it cannot be taken anew"
    if move.again is None:
        return f"{look}. Else leave it out: what it was read with is not to be had, so it cannot be taken anew"
    again = f" {_sentences(move.again, shown)}"
    it = "it" if misfit.what == "setting" else f"{kind.words(shown)},"
    return (
        f"{look}. Then take {it} anew as a setting of its own, at four places or more, and leave out the old one if "
        f"they differ.{again}"
    )


def _sentences(candidate: Candidate, shown: Shown) -> str:
    return sentence(candidate.words(shown))


def _look(misfit: Misfit, kind: Kind | None, shown: Shown) -> str:
    """What may be wrong, before anything is read."""
    if misfit.what == "setting" and kind is not None:
        return f"look for what is wrong with {kind.words(shown)}, as a whole: {WRONG}"
    of = f" for {misfit.name}" if misfit.name else ""
    return f"check what is claimed{of}, and each setting: {WRONG}"


@why_words.register
def _(move: FindFault, shown: Shown) -> str:
    kind = None if move.setting is None else move.setting.geometry
    return f"{misfit_words(move.misfit, kind, shown)}; until the fault is found no verdict stands"


@how_words.register
def _(move: TakeAgain, shown: Shown) -> str:
    """Read again where it stands; once lifted, in a setting of its own, at as many places as check one another."""
    retake, kind = move.retake, move.retake.of.geometry
    at = [r for r in retake.again if r.x_mm is not None or r.at_mm is not None]
    others = [r for r in retake.to_read if r not in retake.again]
    if retake.begun is not None:
        return f"go on with {kind.words(shown)}, taken anew: read also {spots_of(retake.to_read, shown, kind)}"
    lay = _sentences(retake.candidate, shown)
    if at and others:
        lay += f" The place in doubt is {spots_of(at, shown, kind)}; the others check it."
    if retake.twice and at:
        lay = (
            f"where it reads so twice, {spots_of(at, shown, kind)}, stone and wipe the faces and check the instrument. "
            f"Then take it once more. {lay}"
        )
    elif retake.stands and at:
        lies = kind.lying is not None
        asks = "if it still stands as it was read" if lies else "if nothing was touched since, its zero neither"
        then = "Once lifted" if lies else "Else"
        lay = f"{asks}, read {spots_of(at, shown, kind)} again now. {then}, take it anew. {lay}"
    else:
        lay = f"take it once more. {lay}"
    return lay


@why_words.register
def _(move: TakeAgain, shown: Shown) -> str:
    retake = move.retake
    one = len(retake.suspects) == 1
    names = ["it"] if one else _names(retake, shown)
    says = [
        f"{name} {suspect_words(s, shown)}{_like(s, retake, shown)}"
        for name, s in zip(names, retake.suspects, strict=True)
    ]
    stays = "" if retake.hangs else f": {'it stays' if one else 'they stay'} left out"
    return f"{'; '.join(says)}; {hang_words(retake.hangs, 'it' if one else 'them')}{stays}"


def _names(retake: Retake, shown: Shown) -> list[str]:
    return [_named(s.reading, retake, s, shown) for s in retake.suspects]


def _named(name: str, retake: Retake, suspect: Suspect, shown: Shown) -> str:
    """A reading by its place; of a limit that its setting makes by itself, where the faces touch."""
    made = suspect.doubt.made if suspect.doubt is not None else None
    setting, reading = retake.known.get(name, (retake.of, made))
    if reading is None:
        return setting.geometry.words(shown)
    own = setting.group == retake.of.group and place_words(reading, shown)
    return f"the reading {own}" if own and reading is not made else reading_words(setting, reading, shown)


def _like(suspect: Suspect, retake: Retake, shown: Shown) -> str:
    like = [_named(name, retake, suspect, shown) for name in suspect.like]
    return f" and cannot be told from {all_of(like)}: one of them is wrong" if like else ""
