"""Readings to take, in words: settings, stacks, stations, pieces to make, and what is out of reach."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from waywright.core.evidence.findings import Move
from waywright.core.evidence.kind import Candidate
from waywright.core.next.reading_moves import MakePiece, MoreStations, OutOfReach, Proof, TakeSetting, TryStack
from waywright.core.readings.proposed import finely
from waywright.views.findings import cure_words
from waywright.views.moves.phrases import all_of, how_words, spots_of, why_words
from waywright.views.numbers import Shown, listed, percent, plural, sentence

SURE = 0.995  # a chance that need not be told


@how_words.register
def _(move: TakeSetting, shown: Shown) -> str:
    candidate = move.offer.candidate
    if move.some:
        taken = (replace(s, readings=(*s.geometry.rests(s.readings), *readings)) for s, readings in move.some)
        candidate = candidate.of(taken)
    count = move.once_more + 1
    again = f"Type it as a setting of its own: it is number {count} laid out so." if move.once_more else ""
    words = sentence(candidate.words(shown))
    if any(s.geometry.to_read(s.readings) for s in move.begun):
        return f"{_go_on(move, candidate, shown)} Else take it anew, as a setting of its own."
    if move.begun:
        again = "Type it into the setting that is open for it; it holds no reading yet."
    return " ".join(filter(None, (words, _enough(candidate, move.whole.reached, shown), again)))


def _go_on(move: TakeSetting, candidate: Candidate, shown: Shown) -> str:
    """What is still to be read of the setting that stands, block by block."""
    left = [(s.geometry, s.geometry.to_read(s.readings)) for s in candidate.settings]
    each = [f"{kind.words(shown)}: read also {spots_of(readings, shown, kind)}" for kind, readings in left if readings]
    again = "while it stands as it was read" if left[0][0].lying is not None else "its zero not touched since"
    return sentence(f"go on, {again}, with {'; with '.join(each)}")


def _enough(candidate: Candidate, reached: bool, shown: Shown) -> str:
    """How finely the owner's instrument is to be read, and whether it is enough."""
    kit = candidate.kit
    to = "" if kit is None or candidate.instruments else finely(kit, shown)
    if kit is None or not to:
        return ""
    division = kit.um_per_m_per_div
    name = kit.name if division is None else f"{shown.text(division, 'µm/m')} {kit.kind}"
    return f"Your {name} read {to} is enough." if reached else f"Read {kit.name} {to}."


@why_words.register
def _(move: TakeSetting, shown: Shown) -> str:
    whole, faces = move.whole, all_of(move.settles)
    if whole.reached:
        settings = plural(len(whole.taken), "setting")
        hours = f"{plural(whole.readings, 'reading')} in {settings}, about {whole.minutes / 60:.1f} h in all"
        words = f"with the rest of these it settles {faces} with the fewest readings: {hours}"
    else:
        words = f"it tells most of {faces}, though not all that the goal asks"
    if move.block_step_share is not None:
        so_far = f", {100 * move.block_step_share:.0f} % of what is unsure so far" if move.block_step_share else ""
        words += f"; a wedge reads between the steps of the set{so_far}"
    if move.chance is not None and move.chance < SURE:
        words += f"; the chance that this decides it is {percent(move.chance)}"
    return f"{words}; {_proved(move.proof, shown)}" if move.proof is not None else words


@how_words.register
def _(move: TryStack, shown: Shown) -> str:
    stack, kind = move.stack, move.stack.setting.geometry
    made = f" ({' + '.join(shown.stack(b) for b in stack.blocks_mm)})" if len(stack.blocks_mm) > 1 else ""
    size = f"{shown.stack(stack.size_mm)} {shown.length}{made}"
    where = spots_of(stack.readings, shown)
    return f"while {kind.words(shown)}, still lies there, try a stack of {size} {where}. Type it as going or not going"


@why_words.register
def _(move: TryStack, shown: Shown) -> str:
    count = len(move.stack.readings)
    return f"goes or not, it narrows {'the bracket' if count == 1 else f'{count} brackets'} there"


def _proved(proof: Proof, shown: Shown) -> str:
    """What the instruments can prove, and which part that is good for."""
    part = proof.diameter_um
    good_for = "" if part is None else f", good for a part of {shown.about(part, 'µm')} in diameter"
    proves = _limit(proof, shown)
    return f"with everything read {proof.times} times over these instruments prove about {proves}{good_for}"


def _limit(proof: Proof, shown: Shown) -> str:
    """The limit that can be proved, to two digits."""
    return shown.about(proof.limit, "µm/m" if proof.twist else "µm")


@how_words.register
def _(move: MoreStations, shown: Shown) -> str:
    wide = any(measure != "straightness" for measure in move.measures)
    lines = ", on two lines or more" if wide else ""
    return f"give {all_of(move.faces)} three stations or more{lines} within the length that is judged, and read there"


@why_words.register
def _(move: MoreStations, shown: Shown) -> str:
    return f"at so few places nothing tells {all_of(move.measures)}: two are always in line"


@how_words.register
def _(move: MakePiece, shown: Shown) -> str:
    return cure_words(move.cure, shown)


@why_words.register
def _(move: MakePiece, shown: Shown) -> str:
    said = f"you said that you have no {listed(move.without)}, and " if move.without else ""
    return f"{said}nothing else lets these faces be told apart"


@how_words.register
def _(move: OutOfReach, shown: Shown) -> str:
    other = _any(move.without) if move.without else "an instrument that reads one face by itself"
    return f"these instruments cannot tell {all_of(move.faces)}: find {other}"


@why_words.register
def _(move: OutOfReach, shown: Shown) -> str:
    said = f"you said that you have no {listed(move.without)}, and " if move.without else ""
    return f"{said}no other reading that can be had tells what none so far sees, the faces moved along included"


def _any(kinds: Sequence[str]) -> str:
    """ "a level or gauge blocks"."""
    *most, last = map(a_kind, kinds)
    return f"{', '.join(most)} or {last}" if most else last


def a_kind(kind: str) -> str:
    """ "a level", "an indicator", "gauge blocks"."""
    return kind if kind.endswith("s") else f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}"


def borrowed_kinds(moves: Iterable[Move]) -> tuple[str, ...]:
    """The kinds of instruments that moves ask to borrow, each once."""
    offers = (m.offer.candidate.instruments for m in moves if isinstance(m, TakeSetting))
    cured = (m.cure.candidate.instruments for m in moves if isinstance(m, MakePiece) and m.cure.candidate is not None)
    return tuple(dict.fromkeys(one.kind for each in (*offers, *cured) for one in each))
