"""What to do next, as sentences: the one place where a move gets its words, and its numbers their units."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import singledispatch

from waywright.core.evidence.findings import Improvement, Misfit, Move, Suspect
from waywright.core.evidence.job import Reading
from waywright.core.evidence.kind import Candidate, Kind
from waywright.core.evidence.where import spots
from waywright.core.next.faults import AskPaper, FindFault
from waywright.core.next.measuring import MakePiece, MoreStations, OutOfReach, Proof, TakeSetting, TryStack
from waywright.core.next.moves import SetGoal, Soak, Stop
from waywright.core.next.retakes import Retake, TakeAgain
from waywright.core.next.scraping import AtTheLimit, NoMap, NoPass, Scrape, TakeTwist
from waywright.core.readings.proposed import finely
from waywright.core.work.maps import ScrapingMap
from waywright.views.findings import cure_words, misfit_words, suspect_words
from waywright.views.names import place_words, reading_words
from waywright.views.numbers import METRIC, Shown, duration, listed, percent, plural, sentence, two_digits
from waywright.views.scrape_sheet import zone_words
from waywright.views.slips import question

SURE = 0.995  # a chance that need not be told
WRONG = "turn, offset, the end it was read from, unit, blocks, dirt, warmth"


@dataclass(frozen=True)
class MoveLine:
    """One move: what to do, why, and what it brings."""

    how: str
    reason: str
    gain: str
    time: str

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
    return _how(move, shown)


def reason(move: Move, shown: Shown = METRIC) -> str:
    """Why."""
    return _why(move, shown)


@singledispatch
def _how(move: Move, shown: Shown) -> str:
    raise NotImplementedError(type(move).__name__)


@singledispatch
def _why(move: Move, shown: Shown) -> str:
    raise NotImplementedError(type(move).__name__)


def hang_words(faces: Sequence[str], it: str = "it") -> str:
    """ "the verdict on P hangs on it", or that none does."""
    if not faces:
        return f"no verdict hangs on {it}"
    several = len(faces) > 1
    return f"the verdict{'s' if several else ''} on {_all(faces)} hang{'' if several else 's'} on {it}"


# -- each kind of move


@_how.register
def _(move: Soak, shown: Shown) -> str:
    return "let the pieces lie together until a repeated reading no longer changes"


@_why.register
def _(move: Soak, shown: Shown) -> str:
    return f"settings were taken {move.span_k:.1f} K apart, and a piece warmer on one side is bent"


@_how.register
def _(move: TakeSetting, shown: Shown) -> str:
    candidate = move.offer.candidate
    if move.some:
        taken = (replace(s, readings=(*s.geometry.rests(s.readings), *readings)) for s, readings in move.some)
        candidate = candidate.of(taken)
    count = move.once_more + 1
    again = f"Type it as a setting of its own: it is number {count} laid out so." if move.once_more else ""
    words = sentence(candidate.words(shown))
    return " ".join(filter(None, (words, _enough(candidate, move.whole.reached, shown), again)))


def _enough(candidate: Candidate, reached: bool, shown: Shown) -> str:
    """How finely the owner's instrument is to be read, and whether it is enough."""
    kit = candidate.kit
    to = "" if kit is None or candidate.instruments else finely(kit, shown)
    if kit is None or not to:
        return ""
    division = kit.um_per_m_per_div
    name = kit.name if division is None else f"{shown.text(division, 'µm/m')} {kit.kind}"
    return f"Your {name} read {to} is enough." if reached else f"Read {kit.name} {to}."


@_why.register
def _(move: TakeSetting, shown: Shown) -> str:
    whole, faces = move.whole, _all(move.settles)
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


@_how.register
def _(move: TryStack, shown: Shown) -> str:
    stack, kind = move.stack, move.stack.setting.geometry
    made = f" ({' + '.join(shown.stack(b) for b in stack.blocks_mm)})" if len(stack.blocks_mm) > 1 else ""
    size = f"{shown.stack(stack.size_mm)} {shown.length}{made}"
    where = _spots(stack.readings, shown)
    return f"while {kind.words(shown)}, still lies there, try a stack of {size} {where}. Type it as going or not going"


@_why.register
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


@_how.register
def _(move: AtTheLimit, shown: Shown) -> str:
    face = _all(move.faces)
    if move.map is None:
        return f"let {face} be as it is, or bring a finer instrument: measuring more with these will not settle it"
    return f"take {face} a little further inside its limit: {_passes(move.map, shown)}"


@_why.register
def _(move: AtTheLimit, shown: Shown) -> str:
    v = move.verdict
    low, high = v.interval_95_um or (0.0, 0.0)
    within = (high - low) / 2
    text, number, unit = (
        (shown.slope_text, shown.slopes, shown.slope)
        if v.measure == "twist"
        else (shown.height_text, shown.heights, shown.height)
    )
    limit = f"{shown.limit(v.limit_um or 0.0, v.measure == 'twist')} {unit}"
    near = f"its {v.measure} is {number(v.value_um, within)} ± {text(within, within)} at a limit of {limit}"
    if move.map is None:
        return f"{near}: too near it for these readings to tell inside from outside"
    return f"{near}; to prove it inside by readings alone would most likely take longer"


def _passes(found: ScrapingMap, shown: Shown) -> str:
    zones = "; ".join(zone_words(z, found.face.width_mm, shown) for z in found.zones)
    return f"passes of about {shown.about(found.hand.depth_um, 'µm')}: {zones}"


@_how.register
def _(move: MoreStations, shown: Shown) -> str:
    wide = any(measure != "straightness" for measure in move.measures)
    lines = ", on two lines or more" if wide else ""
    return f"give {_all(move.faces)} three stations or more{lines} within the length that is judged, and read there"


@_why.register
def _(move: MoreStations, shown: Shown) -> str:
    return f"at so few places nothing tells {_all(move.measures)}: two are always in line"


@_how.register
def _(move: MakePiece, shown: Shown) -> str:
    return cure_words(move.cure, shown)


@_why.register
def _(move: MakePiece, shown: Shown) -> str:
    return "nothing else lets these faces be told apart"


@_how.register
def _(move: OutOfReach, shown: Shown) -> str:
    other = _any(move.without) if move.without else "an instrument that reads one face by itself"
    return f"these instruments cannot tell {_all(move.faces)}: find {other}"


@_why.register
def _(move: OutOfReach, shown: Shown) -> str:
    said = f"you said that you have no {listed(move.without)}, and " if move.without else ""
    return f"{said}nothing else that is to be had tells what no reading sees"


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


@_how.register
def _(move: SetGoal, shown: Shown) -> str:
    return "set a goal"


@_why.register
def _(move: SetGoal, shown: Shown) -> str:
    return "without a limit there is nothing to decide"


@_how.register
def _(move: Stop, shown: Shown) -> str:
    return "stop: more scraping would only move metal"


@_why.register
def _(move: Stop, shown: Shown) -> str:
    return f"every face with a limit is inside it, with a chance of {100 * min(move.chance, 0.999):.1f} % or more"


@_how.register
def _(move: Scrape, shown: Shown) -> str:
    return f"scrape {move.verdict.face}, {_passes(move.map, shown)}"


@_why.register
def _(move: Scrape, shown: Shown) -> str:
    v = move.verdict
    value, limit = shown.about(v.value_um or 0.0, "µm"), f"{shown.limit(v.limit_um or 0.0)} {shown.height}"
    return f"its {v.measure} is {value} and the limit {limit}; nothing is taken where it is not surely proud"


@_how.register
def _(move: NoPass, shown: Shown) -> str:
    value = shown.about(move.verdict.value_um or 0.0, "µm")
    return f"lap {_all(move.faces)}, or ask for no less of it than {value}"


@_why.register
def _(move: NoPass, shown: Shown) -> str:
    return f"its {move.verdict.measure} is outside, but no pass of this hand would surely leave less than there is"


@_how.register
def _(move: TakeTwist, shown: Shown) -> str:
    ends = ("far", "near") if move.far_up else ("near", "far")
    corners = f"the {ends[0]} edge at the far end and the {ends[1]} edge at the marked end"
    depth = shown.about(move.corner_um, "µm")
    return f"take {_all(move.faces)} down at two corners, {corners}: {depth} there, ever less towards the other two"


@_why.register
def _(move: TakeTwist, shown: Shown) -> str:
    v = move.verdict
    within = None if v.interval_95_um is None else (v.interval_95_um[1] - v.interval_95_um[0]) / 2
    twist = shown.slope_text(abs(v.value_um or 0.0), within)
    return f"its twist is {twist} and the limit {shown.limit(v.limit_um or 0.0, slope=True)} {shown.slope}"


@_how.register
def _(move: NoMap, shown: Shown) -> str:
    return f"correct {_all(move.faces)} by its own numbers: no map is drawn for a limit of {move.verdict.side}"


@_why.register
def _(move: NoMap, shown: Shown) -> str:
    return f"its {move.verdict.measure} is outside: {move.verdict.why}"


@_how.register
def _(move: AskPaper, shown: Shown) -> str:
    asked = question(move.slips, move.job, shown)
    return f"look at the paper: {asked}? If not, take it anew as a setting of its own, and leave this one out"


@_why.register
def _(move: AskPaper, shown: Shown) -> str:
    return "as it is typed the readings do not fit together, if it was so they do; until then nothing is built on them"


@_how.register
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


@_why.register
def _(move: FindFault, shown: Shown) -> str:
    kind = None if move.setting is None else move.setting.geometry
    return f"{misfit_words(move.misfit, kind, shown)}; until the fault is found no verdict stands"


@_how.register
def _(move: TakeAgain, shown: Shown) -> str:
    """Read again where it stands; once lifted, in a setting of its own, at as many places as check one another."""
    retake, kind = move.retake, move.retake.of.geometry
    at = [r for r in retake.again if r.x_mm is not None or r.at_mm is not None]
    others = [r for r in retake.to_read if r not in retake.again]
    if retake.begun is not None:
        return f"go on with {kind.words(shown)}, taken anew: read also {_spots(retake.to_read, shown, kind)}"
    lay = _sentences(retake.candidate, shown)
    if at and others:
        lay += f" The place in doubt is {_spots(at, shown, kind)}; the others check it."
    if retake.twice and at:
        lay = (
            f"where it reads so twice, {_spots(at, shown, kind)}, stone and wipe the faces and check the instrument. "
            f"Then take it once more. {lay}"
        )
    elif retake.stands and at:
        lies = kind.lying is not None
        asks = "if it still stands as it was read" if lies else "if nothing was touched since, its zero neither"
        then = "Once lifted" if lies else "Else"
        lay = f"{asks}, read {_spots(at, shown, kind)} again now. {then}, take it anew. {lay}"
    else:
        lay = f"take it once more. {lay}"
    return lay


@_why.register
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
    return f" and cannot be told from {_all(like)}: one of them is wrong" if like else ""


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


# -- numbers


MOST_PLACES = 12  # that a person still reads in a sentence


def _along(at_mm: Sequence[float], shown: Shown) -> str:
    return _all([shown.number(mm, "mm") for mm in at_mm])


def _spots(readings: Iterable[Reading], shown: Shown, kind: Kind | None = None) -> str:
    """Where, line by line."""
    line = getattr(kind, "y_mm", None)  # of readings that say no line of their own
    at = [(r.x_mm if r.x_mm is not None else r.at_mm, line if r.y_mm is None else r.y_mm) for r in readings]
    return spots([(x, y) for x, y in at if x is not None], shown)


def _all(names: Sequence[str]) -> str:
    return listed(tuple(names), len(names))
