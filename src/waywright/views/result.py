"""What a report says to a person: rounded once, what they need next first. Terminal, pages and papers print it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from waywright.core.evidence.findings import (
    BURR,
    MODE_WORDS,
    BlindSpot,
    Misfit,
    Parallel,
    Report,
    SeenLine,
    Suspect,
    Verdict,
)
from waywright.core.next.retakes import home_of, left_out_because
from waywright.views.findings import cure_words, misfit_words, note_words, scatter_words, suspect_words
from waywright.views.moves import hang_words
from waywright.views.names import reading_words, readings_named, settings_named
from waywright.views.numbers import (
    BAND,
    NONE,
    UNKNOWN_UM,
    UNKNOWN_UM_PER_M,
    Shown,
    duration,
    listed,
    percent,
    plural,
    sentence,
)
from waywright.views.slips import LIES, SlipLine, slip_lines
from waywright.views.standing import standing_notes
from waywright.views.tables import ShapeTable, line_place, shape_table

MOST_UNCHECKED = 4  # that are named
LEAST_TOLD_UM = 0.1  # of the least that a measure comes to
SETTLED = {  # why a suspect stays left out
    None: "No verdict hangs on it: it stays left out.",
    "laid again": "It was taken again since: it stays left out.",
    "cut": "Metal was taken since: it stays left out.",
}


@dataclass(frozen=True)
class VerdictLine:
    """One face against one limit; value, interval and limit are in `unit`."""

    face: str
    measure: str
    value: str
    interval: str
    limit: str
    unit: str
    chance: str
    decision: str
    why: str
    seen: str = ""  # what is known of it though a shape is not seen
    partly: bool = False  # decided, or not, with a shape unseen


@dataclass(frozen=True)
class Unseen:
    """A blind or weak spot: of which faces, how well it is known (nothing when not at all), what would show it."""

    what: str
    known: str
    cure: str
    weak: bool

    @property
    def words(self) -> str:
        """Both in one sentence."""
        return sentence(f"{self.what}: {self.known}" if self.known else self.what)


@dataclass(frozen=True)
class Retake:
    """A suspect: which reading, where it is, what is wrong with it, what cannot be told from it, what becomes of it.

    `waits`: it can be taken again; `hangs`: and a verdict hangs on it.
    """

    reading: str
    where: str
    words: str
    like: str
    then: str
    waits: bool
    hangs: bool

    @property
    def told(self) -> str:
        """All but the place, in sentences."""
        return " ".join(filter(None, (f"it {self.words}.", self.like, self.then)))


@dataclass(frozen=True)
class ShareLine:
    """Where the uncertainty of one measure of a face comes from, the largest parts first."""

    face: str
    measure: str
    parts: str

    @property
    def words(self) -> str:
        """All of it."""
        return f"{self.face}, {self.measure}: {self.parts}"


@dataclass(frozen=True)
class Result:
    """A whole report for people, but for what to do next: see `views.moves`."""

    title: str
    slips: tuple[SlipLine, ...]  # the setting that seems typed wrong as a whole; several where it is one of these
    misfits: tuple[str, ...]  # why nothing can be decided, one for each; loud
    verdicts: tuple[VerdictLine, ...]
    unseen: tuple[Unseen, ...]
    retakes: tuple[Retake, ...]
    unchecked: str
    shapes: tuple[ShapeTable, ...]
    parallels: tuple[str, ...]
    rounds: tuple[str, ...]
    hand: str
    agreement: tuple[str, ...]
    shares: tuple[ShareLine, ...]
    notes: tuple[str, ...]
    height_unit: str
    length_unit: str


def result(report: Report, shown: Shown) -> Result:
    """The view of a report in one way of showing numbers."""
    retakes = tuple(_retake(suspect, report, shown) for suspect in report.suspects)
    unseen = tuple(_unseen(spot, shown) for spot in report.blind)
    verdicts = tuple(_verdict(verdict, shown) for verdict in report.verdicts)
    return Result(
        title=report.job.title or "Untitled job",
        slips=slip_lines(report, shown),
        misfits=tuple(_misfit(misfit, report, shown) for misfit in report.fit.misfits),
        verdicts=verdicts,
        unseen=unseen,
        retakes=retakes,
        unchecked=_unchecked(report, shown),
        shapes=tuple(
            shape_table(shape, shown, verdict_words(shape.face, verdicts))
            for shape in report.shapes
            if np.isfinite(shape.height_um).any()
        ),
        parallels=tuple(words for p in report.parallels if (words := _parallel(p, shown))),
        rounds=(*_fits(report, shown), *_changes(report, shown)),
        hand=_hand(report, shown),
        agreement=_agreement(report, shown),
        shares=_shares(report),
        notes=(*standing_notes(report, shown), *_notes(report, shown)),
        height_unit=shown.height,
        length_unit=shown.length,
    )


def _misfit(misfit: Misfit, report: Report, shown: Shown) -> str:
    kind = next((s.geometry for s in report.job.settings if s.id == misfit.setting), None)
    return sentence(f"the readings do not fit together: {misfit_words(misfit, kind, shown)}")


def _verdict(verdict: Verdict, shown: Shown) -> VerdictLine:
    twist = verdict.measure == "twist"
    numbers = shown.slopes if twist else shown.heights
    low, high = verdict.interval_95_um or (math.nan, math.nan)
    within = (high - low) / 2 if high > low else None
    unknown = verdict.value_um is None or (bool(verdict.unseen) and not verdict.as_made)
    open_ = unknown and verdict.decision != "outside"
    limit = NONE if verdict.limit_um is None else shown.limit(verdict.limit_um, twist)
    if verdict.limit_um is not None and verdict.side != "between":
        limit += f", {verdict.side}"
    return VerdictLine(
        face=verdict.face,
        measure=verdict.measure + (f" ({verdict.grade})" if verdict.grade else ""),
        value=_at_least(verdict, shown) if unknown else numbers(verdict.value_um, within),
        interval=NONE if unknown or within is None else f"{numbers(low, within)} to {numbers(high, within)}",
        limit=limit,
        unit=shown.slope if twist else shown.height,
        chance=NONE if open_ or verdict.chance_inside is None else percent(verdict.chance_inside),
        decision=verdict.decision,
        why=sentence(verdict.why),
        seen=_seen_lines(verdict, shown),
        partly=bool(verdict.unseen),
    )


MEASURES = {"straightness": "straight to", "flatness": "flat to", "twist": "twist"}


def verdict_words(face: str, verdicts: Sequence[VerdictLine]) -> str:
    """What is decided of a face, each number as its verdict has it: "straight to 3.4 µm (2.9 to 4.1), inside"."""
    told = []
    for v in (v for v in verdicts if v.face == face):
        name = v.measure.split(" (")[0]
        value = f"{MEASURES[name]} {v.value} {v.unit}" if v.value != NONE else name
        band = f" ({v.interval})" if v.interval != NONE else ""
        told.append(f"{value}{band}{',' if v.value != NONE else ''} {v.decision}")
    return ", ".join(told)


def _at_least(verdict: Verdict, shown: Shown) -> str:
    """What the measure comes to whatever the unseen shapes are, where that is more than nothing."""
    least = verdict.at_least_um
    return f"≥ {shown.heights(least)}" if least is not None and least >= LEAST_TOLD_UM else NONE


def _seen_lines(verdict: Verdict, shown: Shown) -> str:
    """The mean of the lines, else each line, of which nothing is hidden."""
    mean = [line for line in verdict.seen if line.y_mm is None]
    said = [_seen_line(line, verdict, shown) for line in mean or verdict.seen]
    return " ".join([*said, *(["How the lines differ is not seen."] if mean else [])])


def _seen_line(line: SeenLine, verdict: Verdict, shown: Shown) -> str:
    low, high = line.interval_95_um
    within = (high - low) / 2
    what = "The mean of the lines" if line.y_mm is None else f"The line at {line_place(line.y_mm, shown)}"
    words = f"{what} is straight to {shown.heights(line.value_um, within)} ± {shown.height_text(within, within)}"
    if line.chance_inside is not None and verdict.limit_um is not None:
        words += f", inside with a chance of {percent(line.chance_inside)}"
    return f"{words}."


def by_cure(unseen: Sequence[Unseen]) -> tuple[Unseen, ...]:
    """The same, what one act shows standing together, in the order in which acts first come."""
    return tuple(one for cure in dict.fromkeys(u.cure for u in unseen) for one in unseen if one.cure == cure)


def _unseen(spot: BlindSpot, shown: Shown) -> Unseen:
    many = f" ({plural(spot.count, 'shape')})" if spot.count > 1 else ""
    within_um = BAND * spot.sigma_um
    known = f"± {shown.height_text(within_um, within_um)}" if spot.weak else ""
    if spot.mode == BURR:
        known = "read alike in every lay-up, it is taken for the face's own"
    cure = ""
    if spot.cure:
        cure = sentence(cure_words(spot.cure, shown))
        cure += f" About {duration(spot.cure.minutes)}." if spot.cure.minutes else ""
    return Unseen(_mode(spot) + many, known, cure, spot.weak)


def _mode(spot: BlindSpot) -> str:
    """Which shape of which faces: "the bow of P against that of Q", "the twist that P, Q and R share"."""
    if spot.mode == BURR:
        return f"a burr or dirt at a station of {listed(list(spot.faces))}"
    mode = MODE_WORDS.get(spot.mode, spot.mode)
    name = {"finer": mode, "everything": "the whole shape"}.get(spot.mode, f"the {mode}")
    plus = [face for face, sign in spot.faces.items() if sign > 0]
    minus = [face for face, sign in spot.faces.items() if sign < 0]
    if spot.count > 1 or not (plus or minus):
        return f"{name} of {listed(list(spot.faces))}" if spot.faces else name
    if plus and minus:
        return f"{name} of {listed(plus)} against that of {listed(minus)}"
    both = plus or minus
    return f"{name} of {both[0]}" if len(both) == 1 else f"{name} that {listed(both)} share"


def _retake(suspect: Suspect, report: Report, shown: Shown) -> Retake:
    found = {reading.id: (setting, reading) for setting, reading in report.job.readings()}
    made = suspect.doubt.made if suspect.doubt is not None else None
    where = reading_words(home_of(report.job, suspect), made or found[suspect.reading][1], shown)
    like = [reading_words(*found[one], shown) if one in found else one for one in suspect.like]
    why = left_out_because(report.job, report, suspect)
    hangs = bool(suspect.hangs) and why is None
    then = sentence(hang_words(suspect.hangs)) if hangs else SETTLED[why]
    return Retake(
        suspect.reading,
        where,
        suspect_words(suspect, shown),
        f"It cannot be told from {listed(like)}." if like else "",
        then,
        waits=why is None,
        hangs=hangs,
    )


def _unchecked(report: Report, shown: Shown) -> str:
    count = len(report.unchecked)
    if not count:
        return ""
    some = listed(readings_named(report.job, report.unchecked, shown), MOST_UNCHECKED)
    return f"{plural(count, 'reading')} that no other checks, so a mistake there would not show: {some}."


def _fits(report: Report, shown: Shown) -> tuple[str, ...]:
    """Who agrees with whom, a lay-up each."""
    return tuple(
        f"{a.upper} on {a.lower}, {LIES.get(a.turn, a.turn)}"
        f"{_after(max(a.states))}: they fit to {shown.heights(a.zone_um, BAND * a.sigma_um)} ± "
        f"{shown.height_text(BAND * a.sigma_um, BAND * a.sigma_um)}."
        for a in report.agreements
    )


def _after(passes: int) -> str:
    return f", after {plural(passes, 'pass', 'passes')}" if passes else ""


def _changes(report: Report, shown: Shown) -> tuple[str, ...]:
    """What each pass did, at the places it changed most."""
    found = []
    for change in report.changes:
        low, high = int(np.argmin(change.height_um)), int(np.argmax(change.height_um))
        height_um, within_um = change.height_um.tolist(), (BAND * change.sigma_um).tolist()
        least, most = (
            f"{shown.heights(height_um[i], within_um[i], sign=True)} {shown.height} at "
            f"{shown.length_text(float(change.x_mm[i]))}"
            for i in (low, high)
        )
        found.append(f"{change.face}, pass {change.after}: changed by {least} to {most}, about its plane.")
    return tuple(found)


def _hand(report: Report, shown: Shown) -> str:
    """What one pass of this hand takes, once its passes were noted by zones; else nothing."""
    if not any(p.zones for p in report.job.passes):
        return ""
    within = BAND * report.hand.depth_u_um
    depth = shown.heights(report.hand.depth_um, within)
    return f"One pass of this hand takes {depth} ± {shown.height_text(within, within)}."


def _parallel(found: Parallel, shown: Shown) -> str:
    """How one face lies to another of its piece, as far as it is known; nothing where nothing is."""
    more, less = ("thicker", "thinner") if found.opposite else ("higher", "lower")
    slopes = (
        (found.along_um_per_m, found.along_sigma_um_per_m, "far end"),
        (found.across_um_per_m, found.across_sigma_um_per_m, "far edge"),
    )
    parts = [
        f"{shown.slopes(abs(slope), BAND * sigma)} ± {shown.slope_text(BAND * sigma, BAND * sigma)} "
        f"{more if slope >= 0 else less} towards the {where}"
        for slope, sigma, where in slopes
        if slope is not None and sigma is not None and BAND * sigma < UNKNOWN_UM_PER_M
    ]
    said = [listed(parts)] if parts else []
    varies, sigma = found.variation_um, found.variation_sigma_um
    if varies is not None and sigma is not None and BAND * sigma < UNKNOWN_UM:
        within = BAND * sigma
        said.append(f"its thickness varies by {shown.heights(varies, within)} ± {shown.height_text(within, within)}")
    return f"{found.face} {'over' if found.opposite else 'beside'} {found.to}: {'; '.join(said)}." if said else ""


def _agreement(report: Report, shown: Shown) -> tuple[str, ...]:
    fit = report.fit
    if fit.slips:  # no instrument is at fault for that
        return ()
    if fit.redundancy < 0.5:
        return ("No reading is to spare: nothing checks them.",)
    spare = f"{fit.redundancy:.0f} readings to spare; their disagreement is {fit.chi2:.0f}, near that when all is well."
    return (spare, *(f"{s.instrument}: {scatter_words(s, shown)}." for s in fit.instruments))


def _shares(report: Report) -> tuple[ShareLine, ...]:
    """The largest influences on each result."""
    found = []
    for face, measure in dict.fromkeys((s.face, s.result) for s in report.budget):
        parts = sorted((s for s in report.budget if (s.face, s.result) == (face, measure)), key=lambda s: -s.share)
        named = [f"{s.name} {percent(s.share)}" for s in parts[:3] if s.share >= 0.01]
        if named:
            found.append(ShareLine(face, measure, "; ".join(named)))
    return tuple(found)


def _notes(report: Report, shown: Shown) -> tuple[str, ...]:
    """What was assumed, and what was set aside."""
    found = [note_words(note, shown) for note in report.notes]
    priors = [v.prior for v in report.verdicts if v.prior]
    if priors:
        found.append("Values, intervals and chances of verdicts are under the form prior; heights are not.")
    if report.past:
        past = listed(settings_named(report.job, report.past, shown))
        found.append(f"Taken before the last pass, of older states only: {past}.")
    if report.corrected:
        corrected = listed(readings_named(report.job, report.corrected, shown))
        found.append(f"Corrected by a later reading and no longer used: {corrected}.")
    return tuple(found)
