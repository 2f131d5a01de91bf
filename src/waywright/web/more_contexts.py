"""What the pages beside the work are given: conflicts, rounds, stacks, papers, specimens. Frozen, as in `contexts`."""

from __future__ import annotations

from dataclasses import dataclass

from waywright.views.result import Result
from waywright.web.contexts import FacePart, Live, Page
from waywright.web.drawing import Drawing
from waywright.web.entry import Grid
from waywright.web.forms import Field


@dataclass(frozen=True)
class ConflictPage(Page):
    """Someone else changed what was to be saved: both values, to keep one."""

    words: str = ""
    where: str = ""
    mine: str = ""
    theirs: str = ""
    hidden: tuple[tuple[str, str], ...] = ()  # all that was typed, to be saved over theirs
    rest: tuple[tuple[str, str], ...] = ()  # all else that was typed, to be saved beside theirs
    action: str = ""
    back: str = ""


@dataclass(frozen=True)
class RetakePage(Page):
    """A suspect: what was typed, what becomes of it, and how it is taken again.

    `asks`: whether it still stands, with both answers; nothing where that is known. `since`: what was taken after it.
    """

    reading: str = ""
    typed: str = ""
    told: str = ""
    correct: str = ""
    waits: bool = False
    asks: tuple[str, ...] = ()
    stands: str = ""
    at_once: str = ""
    since: str = ""
    begun: str = ""
    words: str = ""
    places: tuple[str, ...] = ()
    count: str = ""
    alone: str = ""
    minutes: str = ""
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Both:
    """A field with what was typed in it, and in words what is there now."""

    field: Field
    now: str
    differs: bool


@dataclass(frozen=True)
class MeanwhilePage(Page):
    """A form whose part someone else changed: both side by side, to save over it, knowing, or to let go."""

    words: str = ""
    rows: tuple[Both, ...] = ()
    hidden: tuple[tuple[str, str], ...] = ()
    button: str = ""
    action: str = ""
    back: str = ""
    gone: bool = False


@dataclass(frozen=True)
class BroughtPage(Page):
    """What came of bringing in a job that was here already."""

    words: str = ""
    url: str = ""


@dataclass(frozen=True)
class ActLine:
    """One act in words."""

    number: int
    when: str
    who: str
    kind: str
    words: tuple[str, ...]
    undone: bool


@dataclass(frozen=True)
class HistoryPage(Page):
    """Every act on a job, newest first."""

    acts: tuple[ActLine, ...] = ()
    older: str = ""


@dataclass(frozen=True)
class Paper:
    """A photograph or paper kept with the job: what it is, and the link that opens it."""

    id: str
    name: str
    url: str
    about: str
    told: str
    note: str
    picture: bool
    version: int


@dataclass(frozen=True)
class PapersPage(Page):
    """What is kept with a job: photographs of the blue, drawings, certificates."""

    papers: tuple[Paper, ...] = ()
    fields: tuple[Field, ...] = ()
    limits: str = ""
    only: str = ""


@dataclass(frozen=True)
class Pair:
    """How two faces agree as they lay."""

    lower: str
    upper: str
    turn: str
    states: str
    zone: str
    url: str


@dataclass(frozen=True)
class Changed:
    """What a pass did to a face: in words, and drawn."""

    face: str
    words: str
    drawing: Drawing
    lines: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class RoundsPage(Page):
    """Who agrees with whom, and how it changed."""

    faces: tuple[str, ...] = ()
    rows: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = ()
    ring: Drawing | None = None
    legend: str = ""
    pairs: tuple[Pair, ...] = ()
    changes: tuple[Changed, ...] = ()
    readings: str = ""


@dataclass(frozen=True)
class StacksPage(Page):
    """Which blocks make the stacks wanted at once."""

    wanted: str = ""
    set: str = ""
    rows: tuple[tuple[str, str], ...] = ()
    words: str = ""
    next: tuple[str, ...] = ()


@dataclass(frozen=True)
class SheetPage(Page):
    """A pencil sheet for one setting."""

    words: str = ""
    instrument: str = ""
    facing: Drawing | None = None
    grids: tuple[Grid, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Mark:
    """A place and the blue expected there."""

    where: str
    mark: str


@dataclass(frozen=True)
class ExpectPage(Page):
    """The blue and the hinge to expect."""

    words: str = ""
    drawing: Drawing | None = None
    marks: tuple[Mark, ...] = ()
    action: str = ""
    back: str = ""
    caution: str = ""


@dataclass(frozen=True)
class Specimens(Page):
    """Every element once."""

    faces: tuple[FacePart, ...] = ()
    facing: Drawing | None = None
    touching: tuple[Drawing | None, ...] = ()
    ring: Drawing | None = None
    legend: str = ""
    change: Drawing | None = None
    both: tuple[Both, ...] = ()
    paper: Paper | None = None
    acts: tuple[ActLine, ...] = ()
    grid: Grid | None = None
    fields: tuple[Field, ...] = ()
    result: Result | None = None
    live: Live | None = None
