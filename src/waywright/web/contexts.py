"""What each page is given: frozen, nothing else reaches a template. Numbers in them are rounded already, by `views`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Self
from urllib.parse import quote

from waywright.record import Snapshot
from waywright.views.result import Result
from waywright.web.drawing import Drawing
from waywright.web.entry import Grid
from waywright.web.forms import Field


@dataclass(frozen=True)
class JobHead:
    """The job a page belongs to: where it stands, and what can be taken back."""

    id: int
    title: str
    number: int
    undo: str
    redo: str
    damage: str = ""

    @property
    def url(self) -> str:
        """Where its pages are."""
        return f"/jobs/{self.id}"


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

    def framed(self, sample: bool, units: str, who: str, at: str) -> Self:
        """With what is the same on every page."""
        return replace(self, sample=sample, units=units, who=who, at=at)


@dataclass(frozen=True)
class Stopped(Page):
    """Why something was not done."""

    words: str = ""
    back: str = "/"


@dataclass(frozen=True)
class JobLine:
    """One job in the list."""

    url: str
    title: str
    changed: str
    begun: str
    problem: str = ""  # why it cannot be read; its address then gives what is stored of it


@dataclass(frozen=True)
class Shop(Page):
    """Every job of the book."""

    jobs: tuple[JobLine, ...] = ()
    book: str = ""
    warning: str = ""  # what went wrong beside a save


@dataclass(frozen=True)
class Guide(Page):
    """The first job: everything assumed, and may be changed."""

    fields: tuple[Field, ...] = ()
    field_help: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class FacePart:
    """One face on a page: its caption, drawings, and words about what is not seen."""

    name: str
    url: str
    caption: str
    side: Drawing
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
    misfits: tuple[str, ...] = ()  # why nothing can be decided
    milliseconds: int = 0
    stands: str = ""  # which of its spacers carry, where it is not all


@dataclass(frozen=True)
class JobPage(Page):
    """A job: what to do next first."""

    next: str = ""
    problem_solving: str = ""
    result: Result | None = None
    faces: tuple[FacePart, ...] = ()
    settings: tuple[SettingLine, ...] = ()
    retakes: tuple[Retakes, ...] = ()
    moves: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    head: tuple[Field, ...] = ()
    goal: tuple[Field, ...] = ()
    goal_words: str = ""
    new_setting: tuple[tuple[str, str], ...] = ()
    versions: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True)
class Tick:
    """One thing to see to before reading."""

    name: str
    words: str
    done: bool


@dataclass(frozen=True)
class SettingPage(Page):
    """A setting and its entry form."""

    id: str = ""
    words: str = ""
    way: str = "stations"
    grids: tuple[Grid, ...] = ()
    ticks: tuple[Tick, ...] = ()
    supports: str = ""
    expect: str = ""
    cautions: tuple[str, ...] = ()
    live: Live | None = None
    stack: str = ""
    fields: tuple[Field, ...] = ()
    changing: bool = False  # how it lies is being changed, and something in it is wrong
    version: int = 0
    urls: tuple[tuple[str, str], ...] = ()
    next_setting: str = ""
    papers: tuple[str, str] = ("", "")  # where they are, and how many
    focus: str = ""
    read: str = ""  # the places that are wanted of it, when not all are
    everywhere: str = ""  # its page with all places


@dataclass(frozen=True)
class NewSetting(Page):
    """A setting still to be laid up."""

    kind: str = ""
    kind_words: str = ""
    fields: tuple[Field, ...] = ()
    kinds: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class PassForm:
    """Metal taken off a face: after which settings it may have been, and what is drawn to be taken."""

    after: tuple[tuple[str, str], ...]
    lead: str = ""
    zones: tuple[str, ...] = ()
    strokes: tuple[str, ...] = ()
    picture: str = ""


@dataclass(frozen=True)
class FacePage(Page):
    """A face: its lines, its map, its history."""

    part: FacePart | None = None
    misfits: tuple[str, ...] = ()  # why nothing can be decided
    result_lines: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()
    columns: tuple[str, ...] = ()
    acts: int = 1
    act: int = 1
    when: str = ""
    name: str = ""
    working: str = ""  # how far a past moment is, while it is worked out
    papers: tuple[str, str] = ("", "")
    passes: tuple[str, ...] = ()
    hand: str = ""
    pass_form: PassForm | None = None
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Thing:
    """A piece or an instrument with its form."""

    name: str
    words: str
    fields: tuple[Field, ...]
    version: int
    sort: str
    of: str = ""


@dataclass(frozen=True)
class ThingsPage(Page):
    """What is on the bench."""

    pieces: tuple[Thing, ...] = ()
    instruments: tuple[Thing, ...] = ()
    new_piece: tuple[Field, ...] = ()
    new_instrument: tuple[Field, ...] = ()
