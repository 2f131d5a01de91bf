"""What findings say, each as a phrase or a sentence: the one place where they get their words."""

from __future__ import annotations

from functools import singledispatch

from waywright.core.evidence.findings import (
    Cure,
    LeftOut,
    Misfit,
    Note,
    Scatter,
    Soaked,
    StiffnessLearned,
    Suspect,
)
from waywright.core.evidence.goal import Workpiece
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.where import joined
from waywright.core.results.workpiece import needs
from waywright.views.numbers import Shown, percent, plural, sentence


def suspect_words(suspect: Suspect, shown: Shown) -> str:
    """What is wrong with it: "reads about 8 µm more than the others say"."""
    off = f"{shown.about(abs(suspect.off_um), 'µm')} {'more' if suspect.off_um > 0 else 'less'}"
    if suspect.doubt is not None:
        words = suspect.doubt.words
    else:
        words = f"reads about {off} than the others say" if suspect.lies else f"asks for {off}"
    return words if suspect.lies else f"{words}, however the faces lie"


def misfit_words(misfit: Misfit, kind: Kind | None, shown: Shown) -> str:
    """Why no verdict stands; `kind` says how the setting lies that scatters apart."""
    if misfit.what == "setting" and kind is not None:
        return f"{kind.words(shown)}, scatters {misfit.times:.2g} times as much as all others"
    if misfit.what == "instrument":
        told = f" with {misfit.name}" if misfit.name else ""
        return f"readings{told} scatter {misfit.times:.2g} times what is claimed"
    right = f"about {misfit.spare:.0f} would be right, and none stands out"
    return f"the readings disagree by {misfit.chi2:.0f} where {right}"


def scatter_words(found: Scatter, shown: Shown) -> str:
    """ "your feel is 1.7 µm, not 1 µm", when an instrument scatters more than it claims."""
    if found.factor <= 1.0:
        return "scatters no more than it claims"
    if found.claim is None:
        return f"scatters {found.factor:.2g} times what is claimed"
    of, claimed, unit = found.claim
    whose = "your feel" if of == "feel" else "its u"
    return f"{whose} is {shown.about(found.factor * claimed, unit)}, not {shown.text(claimed, unit)}"


def cure_words(cure: Cure, shown: Shown) -> str:
    """What to read."""
    if cure.candidate is not None:
        return cure.candidate.words(shown)
    if cure.face:
        return f"read {cure.face}: it is not touched yet"
    lays = "; ".join(layup.lay(shown) for layup in cure.layups)
    each = "each on blocks between the stations" if len(cure.layups) > 1 else "on blocks between the stations"
    return f"{lays}; {each}, and read at the stations of both faces"


@singledispatch
def note_words(note: Note, shown: Shown) -> str:
    """Something that was assumed, in a sentence."""
    assert isinstance(note, str)
    return note


@note_words.register
def _(note: Scatter, shown: Shown) -> str:
    return f"{sentence(scatter_words(note, shown))[:-1]} ({note.instrument})."


@note_words.register
def _(note: LeftOut, shown: Shown) -> str:
    names = joined(note.pieces)
    one, their = len(note.pieces) == 1, "its" if len(note.pieces) == 1 else "their"
    most = shown.about(note.most_um, "µm")
    if note.unsaid == "section":
        taken = f"Weight is left out: {names} {'is' if one else 'are'} taken as straight as without sag"
        cure = "stand the blocks above the feet, so that both sags are alike, or give depth and width"
        thin = "more if thinner than a twelfth of the length"
        return f"{taken}, which could be up to {most} off where carried at the ends ({thin}); {cure}."
    if note.unsaid == "warmth":
        cure = "say since when they had not been touched (rested), or how warm they were (warm_c)"
        return f"Warmth is left out: of {names} just handled up to {most} of bow would be taken for shape; {cure}."
    if note.unsaid == "contact":
        cure = "say where they bear (carried_mm), or stand them on blocks"
        return f"Where {names} touch nobody knows what carries them: up to {most} of sag is left out; {cure}."
    cure = "type where (carried_mm), best straight under the blocks"
    return f"Nobody said what {names} stood on: up to {most} of {their} sag is in doubt, and in the bands; {cure}."


@note_words.register
def _(note: StiffnessLearned, shown: Shown) -> str:
    names, told = joined(note.pieces), f"± {percent(note.sigma)}"
    if not note.learned:
        pair = "read a pair on two arrangements of supports, or with a known weight hung, to learn it"
        told = f"what its section says is taken as true to {told}"
        return f"How stiff {names} really is no reading tells: {told}; {pair}."
    more = "more" if note.share > 0 else "less"
    sag = f"{'sags' if len(note.pieces) == 1 else 'sag'} {percent(abs(note.share))} {more}"
    return f"{names} {sag} than the section says ({told})."


@note_words.register
def _(note: Soaked, shown: Shown) -> str:
    what, within = note.kind.words(shown), shown.text(note.within_um, "µm", 2)
    if note.steady_at is None:
        return f"{what}: what was read again and again has not come to rest within {within} yet; wait, and read on."
    early = f"; the {plural(len(note.early), 'reading')} before may have been warm" if note.early else ""
    return f"{what}: steady within {within} from {note.steady_at} on{early}."


@note_words.register
def needs_words(part: Workpiece, shown: Shown) -> str:
    """What a part asks of the machine."""
    asks = needs(part)
    twisted = ""
    if asks.twist_um_per_m is not None:
        twisted = f", the bed twisted by no more than {shown.text(asks.twist_um_per_m, 'µm/m', 3)}"
    return (
        f"To turn {shown.text(part.diameter_um, 'µm')} in diameter over {shown.text(part.over_mm, 'mm')} the ways must "
        f"be straight sideways to {shown.text(asks.ways_um, 'µm', 3)} over that length{twisted}, and the reference "
        f"they are judged by to {shown.text(asks.reference_um, 'µm', 2)}."
    )
