"""What weight and warmth ask for, where one of them has the largest share in an open verdict: to say what a piece stood
on, to weigh it, or to let it rest and read once more. Each is asked for once: what was answered has no such share."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

from waywright.core.body.bending import Named, beam_of, named, stiffness_doubt
from waywright.core.evidence.findings import Act, Improvement, Move, Report, Share, Verdict
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.kind import Candidate

ASK_MIN, WEIGH_MIN, NIGHT_MIN = 2.0, 10.0, 720.0  # common practice, no source


@dataclass(frozen=True, kw_only=True)
class SayWhere(Move):
    """Type what `piece` stood on in a setting: that has `share` of what is not known of a verdict."""

    act: ClassVar[Act] = "ask"
    piece: str
    setting: Setting
    share: float


@dataclass(frozen=True, kw_only=True)
class Weigh(Move):
    """Weigh a piece whose section was worked out: its weight is then known apart from how stiff it is."""

    piece: str
    share: float


@dataclass(frozen=True, kw_only=True)
class RestAndRepeat(Move):
    """Let `piece` rest, and read a setting once more."""

    act: ClassVar[Act] = "soak"
    piece: str
    again: Candidate
    share: float


def standing_moves(job: Job, report: Report, undecided: Sequence[Verdict]) -> Iterator[Move]:
    """One for each verdict that hangs on it most, without repeating itself."""
    known, seen = dict(named(job)), set[str]()
    for verdict in undecided:
        largest = _largest(report.budget, verdict.face)
        if largest is None or str(largest.source) not in known or str(largest.source) in seen:
            continue
        seen.add(str(largest.source))
        found = _asked(job, verdict.face, known[str(largest.source)], largest.share)
        if found is not None:
            yield found


def _largest(budget: Sequence[Share], face: str) -> Share | None:
    return max((share for share in budget if share.face == face), key=lambda share: share.share, default=None)


def _asked(job: Job, face: str, of: Named, share: float) -> Move | None:
    piece = next(each for each in job.pieces if each.name == of.piece)
    gain = Improvement("share of what is not known", "share", share, None)
    if of.what == "supports" and of.setting is not None:
        return SayWhere(
            faces=(face,), minutes=ASK_MIN, gain=gain, piece=piece.name, setting=of.setting, share=share
        )  # fmt: skip
    if of.what == "stiffness" and piece.mass_kg is None and (beam := beam_of(job, piece)) is not None:
        weighed = stiffness_doubt(replace(beam, mass_kg=1.0))
        if weighed < stiffness_doubt(beam):
            return Weigh(faces=(face,), minutes=WEIGH_MIN, gain=gain, piece=piece.name, share=share)
    if of.what == "warmth" and of.setting is not None and of.setting.rested != "overnight":
        kind = of.setting.geometry
        anew = replace(of.setting, rested="overnight", warm_c=())
        minutes = NIGHT_MIN + kind.setting_up_min + kind.reading_min * len(of.setting.readings)
        again = Candidate((anew,), minutes, job.instrument(of.setting))
        return RestAndRepeat(
            faces=kind.faces(), minutes=minutes, gain=gain, piece=piece.name, again=again, share=share
        )  # fmt: skip
    return None
