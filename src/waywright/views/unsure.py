"""What cannot be relied on: shapes that are not seen, suspects, readings that no other checks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from waywright.core.evidence.findings import BURR, BlindSpot, Report, Suspect
from waywright.core.next.retakes import home_of, left_out_because
from waywright.views.findings import cure_words, suspect_words
from waywright.views.grounds import mode_words
from waywright.views.moves import hang_words
from waywright.views.names import reading_words, readings_named
from waywright.views.numbers import BAND, Shown, duration, listed, plural, sentence

MOST_UNCHECKED = 4  # that are named
SETTLED = {  # why a suspect stays left out
    None: "No verdict hangs on it: it stays left out.",
    "laid again": "It was taken again since: it stays left out.",
    "cut": "Metal was taken since: it stays left out.",
}


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


def by_cure(unseen: Sequence[Unseen]) -> tuple[Unseen, ...]:
    """The same, what one act shows standing together, in the order in which acts first come."""
    return tuple(one for cure in dict.fromkeys(u.cure for u in unseen) for one in unseen if one.cure == cure)


def unseen_of(spot: BlindSpot, shown: Shown) -> Unseen:
    """A spot, how well it is known, and what would show it."""
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
    mode = mode_words(spot.mode)
    name = {"finer": mode, "everything": "the whole shape"}.get(spot.mode, f"the {mode}")
    plus = [face for face, sign in spot.faces.items() if sign > 0]
    minus = [face for face, sign in spot.faces.items() if sign < 0]
    if spot.count > 1 or not (plus or minus):
        return f"{name} of {listed(list(spot.faces))}" if spot.faces else name
    if plus and minus:
        return f"{name} of {listed(plus)} against that of {listed(minus)}"
    both = plus or minus
    return f"{name} of {both[0]}" if len(both) == 1 else f"{name} that {listed(both)} share"


def retake_of(suspect: Suspect, report: Report, shown: Shown) -> Retake:
    """A suspect: where it is, what is wrong with it, and what becomes of it."""
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


def unchecked_words(report: Report, shown: Shown) -> str:
    """Which readings no other checks; nothing where all are."""
    count = len(report.unchecked)
    if not count:
        return ""
    some = listed(readings_named(report.job, report.unchecked, shown), MOST_UNCHECKED)
    return f"{plural(count, 'reading')} that no other checks, so a mistake there would not show: {some}."
