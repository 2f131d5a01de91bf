"""A job that was exported, read again: checked as it comes, never believed, never held whole.

Nothing of a file to import is ever written to a path: names are looked up, never followed. What it unpacks to is known
before anything is unpacked, and counted as it is read. Its log comes a line at a time, each of the form an export
writes and no other: so a line costs a few times its own length, whatever is in it.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import zipfile
from collections.abc import Iterator
from typing import IO, Any

from waywright.record.bundle import (
    ATTACHMENTS,
    FORMAT,
    JOB,
    LARGEST,
    LARGEST_FILE,
    LOG,
    LONGEST_LINE,
    MANIFEST,
    MOST_FILES,
    kind_of,
    unpacks_to_too_much,
)
from waywright.record.errors import BadBundle, TooLarge
from waywright.record.log import LINE, Act, Row, act_from

_NAME = re.compile(rf"{re.escape(MANIFEST)}|{re.escape(JOB)}|{re.escape(LOG)}|{ATTACHMENTS}[0-9a-f]{{64}}")
_END, _LOCATOR = b"PK\x05\x06", b"PK\x06\x07"
_CHUNK = 1 << 16


class Reader:
    """A file to import: `uid`, `acts` gives its log, `blob` the bytes of an attachment; `check` looks at the rest.

    Raises `BadBundle` or `TooLarge`; a file that is no zip at all is told by `is_zip`. A message is a clause that may
    stand behind "was not taken in: ".
    """

    def __init__(self, file: IO[bytes]) -> None:
        size = _check_end(file)
        try:
            self._zip = zipfile.ZipFile(file)
        except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
            raise BadBundle("this is not an exported job: the file is damaged or something else.") from None
        self._entries = self._checked_entries()
        if unpacks_to_too_much(sum(entry.file_size for entry in self._entries.values()), size):
            raise TooLarge("it unpacks to more than any exported job.")
        about = self._manifest()
        self.uid, self._acts = str(about["uid"]), about.get("acts")
        self._files: dict[str, dict[str, Any]] = about["files"]

    def acts(self) -> Iterator[tuple[Act, list[Row]]]:
        """Every act and the versions it wrote, in order; the log is whole and unchanged once the last has come."""
        number = 0
        for line in self._lines():
            number += 1
            try:
                if not line.isascii() or not LINE.fullmatch(line):
                    raise ValueError("not as an export writes it")
                act, rows = act_from(json.loads(line))
            except (ValueError, TypeError, RecursionError):
                raise BadBundle(f"it is damaged: line {number} of its log cannot be read.") from None
            yield act, rows
        if not number or number != self._acts:
            raise BadBundle("it is not whole: acts are missing from its log.")

    def check(self, attachments: dict[str, int]) -> None:
        """That the attachments are those the log names, and the job file is as it was written."""
        if {ATTACHMENTS + digest for digest in attachments} != {n for n in self._files if n.startswith(ATTACHMENTS)}:
            raise BadBundle("it is not whole: its attachments are not those its log names.")
        for _ in self._chunks(JOB):
            pass

    def blob(self, digest: str, size: int) -> bytes:
        """The bytes of an attachment, as many and the same as the log says."""
        data = b"".join(self._chunks(ATTACHMENTS + digest))
        if len(data) != size or hashlib.sha256(data).hexdigest() != digest:
            raise BadBundle(f"it is damaged: its attachment {digest[:12]} was changed.")
        return data

    def _checked_entries(self) -> dict[str, zipfile.ZipInfo]:
        entries: dict[str, zipfile.ZipInfo] = {}
        for entry in self._zip.infolist():
            if not _NAME.fullmatch(entry.filename) or entry.filename in entries:
                raise BadBundle(f"it holds {entry.filename[:80]!r}, which no exported job does.")
            if entry.flag_bits & 1 or entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise BadBundle("it is packed in a way no exported job is.")
            if entry.file_size > LARGEST[kind_of(entry.filename)]:
                raise TooLarge(f"its {entry.filename} is larger than anything in an exported job.")
            entries[entry.filename] = entry
        return entries

    def _manifest(self) -> dict[str, Any]:
        if MANIFEST not in self._entries:
            raise BadBundle("this is not an exported job: it has no manifest.")
        try:
            about = json.loads(b"".join(self._chunks(MANIFEST)))
        except (ValueError, RecursionError):
            about = None
        if not isinstance(about, dict):
            raise BadBundle("this is not an exported job: it has no manifest.")
        format_, files = about.get("format"), about.get("files")
        if isinstance(format_, int) and format_ > FORMAT:
            raise BadBundle("it was exported by a newer version of Waywright; update Waywright to import it.")
        shaped = isinstance(files, dict) and all(isinstance(one, dict) for one in files.values())
        if format_ != FORMAT or not shaped or not re.fullmatch("[0-9a-f]{32}", str(about.get("uid"))):
            raise BadBundle("this is not an exported job: its manifest says nothing of use.")
        assert isinstance(files, dict)
        if set(files) != set(self._entries) - {MANIFEST} or not {JOB, LOG} <= set(files):
            raise BadBundle("it is not whole: files are missing from it, or were added.")
        return about

    def _lines(self) -> Iterator[bytearray]:
        """The lines of the log, without their ends; each is good until the next is asked for."""
        line = bytearray()
        for chunk in self._chunks(LOG):
            *ended, rest = chunk.split(b"\n")
            for part in ended:
                line += part
                yield line
                line.clear()
            line += rest
            if len(line) > LONGEST_LINE:
                raise TooLarge("a line of its log is longer than any act.")
        if line:
            yield line

    def _chunks(self, name: str) -> Iterator[bytes]:
        """A file of the zip in pieces, at its end compared with the manifest."""
        size, digest, entry = 0, hashlib.sha256(), self._entries[name]
        try:
            with self._zip.open(entry) as packed:
                while chunk := packed.read(_CHUNK):
                    size += len(chunk)
                    digest.update(chunk)
                    yield chunk
        except Exception as error:  # of zlib's and zipfile's own kinds, and of others
            if isinstance(error, BadBundle | TooLarge):
                raise
            raise BadBundle(f"it is damaged: {name} cannot be unpacked ({str(error)[:80]}).") from None
        if name != MANIFEST and self._files[name] != {"size": size, "sha256": digest.hexdigest()}:
            raise BadBundle(f"it is damaged: {name} was changed after it was exported.")


def is_zip(file: IO[bytes]) -> bool:
    """Whether the file begins as a zip does."""
    file.seek(0)
    start = file.read(4)
    file.seek(0)
    return start in (b"PK\x03\x04", _END)


def _check_end(file: IO[bytes]) -> int:
    """Look at the end of a zip before anything believes it: its list of files, and how large it is, which is given."""
    size = file.seek(0, io.SEEK_END)
    if size > LARGEST_FILE:
        raise TooLarge(f"it is larger than {LARGEST_FILE >> 20} MB, which no exported job is.")
    file.seek(max(0, size - 42))
    tail = file.read(42)
    file.seek(0)
    end = tail[-22:]
    if len(tail) < 22 or not end.startswith(_END) or end[20:] != b"\0\0" or tail[:-22].startswith(_LOCATOR):
        raise BadBundle("this is not an exported job: the file is damaged or something else.")
    count, listed = int.from_bytes(end[10:12], "little"), int.from_bytes(end[12:16], "little")
    if count > MOST_FILES + 3 or listed > 256 * (MOST_FILES + 3):
        raise TooLarge("it holds more files than any exported job.")
    return size
