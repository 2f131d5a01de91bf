"""What pages are given, as far as several of them share it; a page's own is in its file. Frozen, nothing else reaches a
template. Numbers are rounded already, by `views`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Self
from urllib.parse import quote

from waywright.record import Snapshot
from waywright.views.finding import stands_words
from waywright.views.numbers import shown_in
from waywright.views.odd import OddLine
from waywright.views.slips import SlipLine
from waywright.web.drawing import Drawing


@dataclass(frozen=True)
class JobHead:
    """The job a page belongs to: where it stands, and what can be taken back."""

    id: int
    title: str
    number: int
    undo: str
    redo: str
    damage: str = ""
    stands: str = ""

    @property
    def url(self) -> str:
        """Where its pages are."""
        return f"/jobs/{self.id}"

    @property
    def index(self) -> tuple[tuple[str, str], ...]:
        """Its pages and their names: four at the thumb, then the rest."""
        return (
            (self.url, "Job"),
            (f"{self.url}#settings", "Readings"),
            (f"{self.url}#faces", "Faces"),
            (f"{self.url}/rounds", "Rounds"),
            (f"{self.url}/things", "Pieces and instruments"),
            (f"{self.url}/stacks", "Stacks"),
            (f"{self.url}/papers", "Papers"),
            (f"{self.url}/history", "History"),
            (f"{self.url}/carry", "Export"),
        )


BELONGS = (("/setting", "#settings"), ("/retake", "#settings"), ("/face", "#faces"), ("/drawn", "#faces"))

ACT_WORDS = {
    "append": "readings added",
    "correct": "a reading corrected",
    "add": "something added",
    "put": "something changed",
    "delete": "something deleted",
    "begin": "the job begun",
    "rename": "a new name",
    "move": "an order changed",
    "attach": "something attached",
    "slip": "a setting changed to what was meant",
}


def head_of(opened: Snapshot) -> JobHead:
    """The head of a job's pages."""
    undo = opened.undo
    if undo is not None and undo.kind in ("begin", "import", "assumed"):
        undo = None  # how it began is not taken back by a slip; the job can be deleted
    return JobHead(
        opened.id,
        opened.job.title or "Untitled job",
        opened.number,
        ACT_WORDS.get(undo.kind, undo.kind) if undo else "",
        "what was undone" if opened.redo else "",
        opened.damage,
        stands_words(opened.job),
    )


def setting_url(job: int, setting: str, page: str = "setting", **more: str) -> str:
    """The page of a setting."""
    rest = "".join(f"&{key}={quote(value, safe='')}" for key, value in more.items())
    return f"/jobs/{job}/{page}?id={quote(setting, safe='')}{rest}"


@dataclass(frozen=True)
class Page:
    """What every page has."""

    title: str
    job: JobHead | None = None
    problem: str = ""
    sample: bool = False
    units: str = "mm"
    who: str = ""
    at: str = ""
    book_name: str = ""

    @property
    def here(self) -> str:
        """Which page of the job's index this one belongs to."""
        path = self.at.split("?")[0]
        if self.job is None:
            return path
        under = (part for page, part in BELONGS if path.startswith(f"{self.job.url}{page}"))
        return next((f"{self.job.url}{part}" for part in under), path)

    @property
    def length(self) -> str:
        """The unit of lengths."""
        return shown_in(self.units).length

    def framed(self, sample: bool, units: str, who: str, at: str, book_name: str) -> Self:
        """With what is the same on every page."""
        return replace(self, sample=sample, units=units, who=who, at=at, book_name=book_name)


@dataclass(frozen=True)
class Working(Page):
    """How far what is asked for is."""

    words: str = ""


@dataclass(frozen=True)
class Stopped(Page):
    """Why something was not done."""

    words: str = ""
    back: str = "/"


@dataclass(frozen=True)
class FacePart:
    """One face on a page: its caption, drawings, and words about what is not seen."""

    name: str
    url: str
    caption: str
    side: Drawing | None  # from above alone when it has many lines
    above: Drawing | None
    lines: tuple[tuple[str, str], ...]  # stroke and name of each line
    words: tuple[tuple[str, str], ...]  # kind ("blind", "weak", "suspect") and sentence


@dataclass(frozen=True)
class SettingLine:
    """One setting in a list."""

    url: str
    words: str
    told: str
    state: str
    suspects: int


@dataclass(frozen=True)
class Retakes:
    """A suspect with the page where it can be taken again; `told` is all but the place, in sentences."""

    url: str
    where: str
    told: str
    waits: bool
    hangs: bool


@dataclass(frozen=True)
class Live:
    """What the readings say, beside an entry form: renewed with each reading."""

    number: int
    next: str
    told: str
    facing: Drawing | None
    faces: tuple[FacePart, ...]
    retakes: tuple[Retakes, ...]
    problem: str
    job_url: str = ""
    slips: tuple[SlipLine, ...] = ()  # the setting that seems typed wrong as a whole, or one of these
    misfits: tuple[str, ...] = ()  # why nothing can be decided
    pending: str = ""  # where the next move is to be had, while it is not known
    stands: str = ""  # which of its spacers carry, where it is not all
    odd: tuple[OddLine, ...] = ()  # readings that make no sense beside the others
    so_url: str = ""  # where it is said that they are so
