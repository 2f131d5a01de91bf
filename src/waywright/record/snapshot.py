"""What the book tells of its jobs, and what it is told with each save."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from waywright.core.evidence.job import Job
from waywright.record.log import Act
from waywright.record.parts import Attachment, Item, Ref
from waywright.record.undo import next_redo, next_undo


@dataclass(frozen=True)
class By:
    """Who does something, and when; the clock is asked where `at` is not given.

    A client that may have to send again numbers its acts on a job 1, 2, 3 …: what came twice is stored once, and what
    comes before its turn is refused with `OutOfOrder`. A number that was refused may be used again.
    """

    who: str | None = None
    at: datetime | None = None
    client: str | None = None
    sequence: int | None = None


NOBODY = By()


@dataclass(frozen=True)
class Saved:
    """What came of a save: the job's newest act `number` and the parts it wrote, with their ids filled in.

    `repeated`: this was stored before, under the same number of the same client; nothing was done now.
    """

    number: int
    refs: tuple[Ref, ...]
    repeated: bool = False


@dataclass(frozen=True)
class Imported:
    """What came of an import: the job, how many acts were added, and how: "new"; "known", it was here whole; "copied",
    the same job is here with other acts, which stays as it is, so this is one of its own."""

    job_id: int
    acts: int
    how: str


@dataclass(frozen=True)
class Listed:
    """A job in the list: when it was begun and last changed (UTC, ISO 8601), and by how many acts.

    `problem`: why it cannot be read, in a sentence; nothing else of it is known then.
    """

    id: int
    uid: str
    title: str
    begun: str
    changed: str
    acts: int
    hidden: bool
    problem: str = ""


@dataclass(frozen=True)
class Snapshot:
    """A job with all that a page needs to change it: the version of each part, what can be undone and done again.

    `number` is the act it stands at, `newest` the last there is. `acts` are all up to `number`, `undone` the numbers of
    those taken back. `damage`: what in it is not as it was written, in a sentence.
    """

    id: int
    uid: str
    number: int
    newest: int
    job: Job
    versions: Mapping[Ref, int]
    attachments: tuple[Attachment, ...]
    memos: Mapping[str, str]
    hidden: bool
    acts: tuple[Act, ...]
    undone: frozenset[int]
    about: Mapping[str, Ref] = field(default_factory=dict)  # what an attachment belongs to, by its id
    damage: str = ""

    @property
    def undo(self) -> Act | None:
        """The act that `Book.undo` would take back; never the first, which would hide the job."""
        return next_undo(self.acts)

    @property
    def redo(self) -> Act | None:
        """The undoing that `Book.redo` would take back: the newest, as long as nothing else was done after it."""
        return next_redo(self.acts)


@dataclass(frozen=True)
class Done:
    """One act and the parts it wrote, each as it was then; `gone` are those it hid. `undone`: it stands taken back."""

    act: Act
    parts: tuple[Item, ...]
    gone: tuple[Item, ...]
    undone: bool
