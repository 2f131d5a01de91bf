"""What a report says to a person: rounded once, what they need next first. Terminal, pages and papers print it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from waywright.core.evidence.findings import Misfit, Report
from waywright.views.findings import misfit_words, note_words, scatter_words
from waywright.views.names import readings_named, settings_named
from waywright.views.numbers import Shown, listed, percent, sentence
from waywright.views.rounds import change_words, fit_words, hand_words, parallel_words
from waywright.views.slips import SlipLine, slip_lines
from waywright.views.standing import standing_notes
from waywright.views.tables import ShapeTable, shape_table
from waywright.views.unsure import Retake, Unseen, retake_of, unchecked_words, unseen_of
from waywright.views.verdict_lines import VerdictLine, verdict_line, verdict_words


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
    retakes = tuple(retake_of(suspect, report, shown) for suspect in report.suspects)
    unseen = tuple(unseen_of(spot, shown) for spot in report.blind)
    verdicts = tuple(verdict_line(verdict, shown) for verdict in report.verdicts)
    return Result(
        title=report.job.title or "Untitled job",
        slips=slip_lines(report, shown),
        misfits=tuple(_misfit(misfit, report, shown) for misfit in report.fit.misfits),
        verdicts=verdicts,
        unseen=unseen,
        retakes=retakes,
        unchecked=unchecked_words(report, shown),
        shapes=tuple(
            shape_table(shape, shown, verdict_words(shape.face, verdicts))
            for shape in report.shapes
            if np.isfinite(shape.height_um).any()
        ),
        parallels=tuple(words for p in report.parallels if (words := parallel_words(p, shown))),
        rounds=(*fit_words(report, shown), *change_words(report, shown)),
        hand=hand_words(report, shown),
        agreement=_agreement(report, shown),
        shares=_shares(report),
        notes=(*standing_notes(report, shown), *_notes(report, shown)),
        height_unit=shown.height,
        length_unit=shown.length,
    )


def _misfit(misfit: Misfit, report: Report, shown: Shown) -> str:
    kind = next((s.geometry for s in report.job.settings if s.id == misfit.setting), None)
    return sentence(f"the readings do not fit together: {misfit_words(misfit, kind, shown)}")


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


def _changed(report: Report) -> list[str]:
    """The readings that a later one contradicts; what only closes in on a bracket corrects nothing."""
    of = {reading.id: reading for _, reading in report.job.readings()}
    later = {reading.corrects: reading for reading in of.values() if reading.corrects is not None}
    return [one for one in report.corrected if not (one in of and one in later and later[one].completes(of[one]))]


def _notes(report: Report, shown: Shown) -> tuple[str, ...]:
    """What was assumed, and what was set aside."""
    found = [note_words(note, shown) for note in report.notes]
    priors = [v.prior for v in report.verdicts if v.prior]
    if priors:
        found.append("Values, intervals and chances of verdicts are under the form prior; heights are not.")
    if report.past:
        past = listed(settings_named(report.job, report.past, shown))
        found.append(f"Taken before the last pass, of older states only: {past}.")
    if changed := _changed(report):
        corrected = listed(readings_named(report.job, changed, shown))
        found.append(f"Corrected by a later reading and no longer used: {corrected}.")
    return tuple(found)
