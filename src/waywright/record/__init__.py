"""The book: every job and reading for ever, and nothing lost. All SQL of Waywright lives in this room."""

from waywright.record.book import Book
from waywright.record.copies import Copy
from waywright.record.edits import Add, Append, Correct, Delete, Edit, Move, Put, Rename
from waywright.record.errors import (
    BadBundle,
    BookError,
    Busy,
    Conflict,
    DiskFull,
    Missing,
    NewerBook,
    NotABook,
    NumberReused,
    OutOfOrder,
    PlaceStays,
    ReadOnly,
    Refused,
    TooLarge,
)
from waywright.record.log import Act
from waywright.record.parts import Attachment, Head, Item, Memo, Ref, ref_of
from waywright.record.snapshot import By, Done, Imported, Listed, Saved, Snapshot
from waywright.record.store import default_path, is_full

__all__ = [
    "Act",
    "Add",
    "Append",
    "Attachment",
    "BadBundle",
    "Book",
    "BookError",
    "Busy",
    "By",
    "Conflict",
    "Copy",
    "Correct",
    "Delete",
    "DiskFull",
    "Done",
    "Edit",
    "Head",
    "Imported",
    "Item",
    "Listed",
    "Memo",
    "Missing",
    "Move",
    "NewerBook",
    "NotABook",
    "NumberReused",
    "OutOfOrder",
    "PlaceStays",
    "Put",
    "ReadOnly",
    "Ref",
    "Refused",
    "Rename",
    "Saved",
    "Snapshot",
    "TooLarge",
    "default_path",
    "is_full",
    "ref_of",
]
