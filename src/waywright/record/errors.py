"""What can go wrong with the book, one class per cause. A message is one plain sentence: what is wrong, what to do."""

from __future__ import annotations

from waywright.record.parts import Item, Ref


class BookError(Exception):
    """Anything the book refuses; nothing was changed."""


class NotABook(BookError):
    """The file is something else, or damaged."""


class Unreadable(NotABook):
    """A job, or an attachment, that is not as it was written. `uid` names the job, as far as it is known.

    The message is a clause without its full stop: whoever has the book adds the way back to a good copy.
    """

    def __init__(self, message: str, uid: str | None = None) -> None:
        super().__init__(message)
        self.uid = uid


class ReadOnly(BookError):
    """The book can be read and not written."""


class DiskFull(BookError):
    """There is no room left where the book is; nothing was changed, and it can be sent again."""


class NewerBook(BookError):
    """The book was made by a newer version of Waywright."""


class Busy(BookError):
    """Another program has been writing for too long."""


class Missing(BookError):
    """There is no such job, part, act or copy, or no longer."""


class Refused(BookError):
    """A part that cannot be kept as it is; `ref` says which, as far as it is known."""

    def __init__(self, message: str, ref: Ref | None = None) -> None:
        super().__init__(message)
        self.ref = ref


class Conflict(BookError):
    """A save from an old version: the part was changed meanwhile.

    `mine` is what was to be saved (None: it was to be deleted), `theirs` what is there now under `ref` at `version`
    (None: it was deleted). To save all the same, send `mine` again with that `ref` and `version`.
    """

    def __init__(self, message: str, ref: Ref, mine: Item | None, theirs: Item | None, version: int) -> None:
        super().__init__(message)
        self.ref, self.mine, self.theirs, self.version = ref, mine, theirs, version


class OutOfOrder(BookError):
    """A client's number that is not its next; `expected` is. Whatever has that number is to be sent first."""

    def __init__(self, message: str, expected: int) -> None:
        super().__init__(message)
        self.expected = expected


class NumberReused(BookError):
    """A client's number that was stored with something else in it."""


class PlaceStays(BookError):
    """A file that tells where it was taken, in a way that cannot be taken out of it."""


class TooLarge(BookError):
    """More than is taken in one go."""


class BadBundle(BookError):
    """A file to import that is not a whole, unchanged job."""
