"""A whole job as one file: a zip that opens the same in any book.

    manifest.json        what this is, and the size and SHA-256 of every other file
    job.toml             the job as it stands, as a job file: for people, and for `waywright solve`
    log.jsonl            every act, one a line: from this the job is made again, with all its past
    attachments/SHA-256  the bytes of each attachment

Nothing of a file to import is ever written to a path: names are looked up, never followed. Sizes are counted as they
are read, whatever the zip claims.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import IO, Any

from waywright import __version__, jobfile
from waywright.core.evidence import Job, Pass, Setting
from waywright.record.errors import BadBundle, TooLarge
from waywright.record.integrity import replayed
from waywright.record.log import Act, Row, act_from, act_line
from waywright.record.parts import Attachment

FORMAT = 1
MANIFEST, JOB, LOG, ATTACHMENTS = "manifest.json", "job.toml", "log.jsonl", "attachments/"
MOST_FILES = 2_000
LARGEST_FILE = 512 * 1024 * 1024  # as it lies on the disk
LARGEST: dict[str, int] = {MANIFEST: 1 << 20, JOB: 64 << 20, LOG: 128 << 20, ATTACHMENTS: 32 << 20}
LARGEST_WHOLE = 1 << 30  # unpacked
_NAME = re.compile(rf"{re.escape(MANIFEST)}|{re.escape(JOB)}|{re.escape(LOG)}|{ATTACHMENTS}[0-9a-f]{{64}}")
_END, _LOCATOR = b"PK\x05\x06", b"PK\x06\x07"


@dataclass(frozen=True)
class Log:
    """The log of one job: its uid, acts, and the versions each wrote, by its number."""

    uid: str
    acts: Sequence[Act]
    rows: Mapping[int, Sequence[Row]]

    def attachments(self) -> dict[str, int]:
        """The size of each attachment there ever was, by its digest."""
        held = [row.held(0) for rows in self.rows.values() for row in rows if row.sort == "attachment"]
        return {h.part.digest: h.part.size for h in held if isinstance(h.part, Attachment)}


def write(file: IO[bytes], log: Log, job: Job, blob: Callable[[str], bytes]) -> None:
    """Write a job into an open binary file; the same job gives the same bytes."""
    if len(log.attachments()) > MOST_FILES:
        raise TooLarge(f"The job has more than {MOST_FILES} attachments, which is more than one file takes.")
    lines = "".join(act_line(act, log.rows.get(act.number, ())) + "\n" for act in log.acts)
    files: dict[str, dict[str, Any]] = {}
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=False) as packed:

        def put(name: str, data: bytes) -> None:
            if len(data) > LARGEST[_kind(name)]:
                raise TooLarge(f"The job is too large for one file: {name} has {len(data)} bytes.")
            files[name] = {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            packed.writestr(_entry(name, log.acts[-1].at), data)

        put(JOB, toml_of(job).encode("utf-8", "replace"))
        put(LOG, lines.encode("ascii"))
        for digest in sorted(log.attachments()):
            put(ATTACHMENTS + digest, blob(digest))
        about = {"format": FORMAT, "waywright": __version__, "uid": log.uid, "acts": len(log.acts), "files": files}
        packed.writestr(_entry(MANIFEST, log.acts[-1].at), json.dumps(about, indent=1))


def _entry(name: str, at: str) -> zipfile.ZipInfo:
    """A file dated by the last act, so that the same job packs to the same bytes."""
    year, month, day, hour, minute, second = (int(part) for part in re.findall(r"\d+", at)[:6])
    entry = zipfile.ZipInfo(name, (min(max(year, 1980), 2107), month, day, hour, minute, second))
    entry.compress_type, entry.external_attr, entry.create_system = zipfile.ZIP_DEFLATED, 0o644 << 16, 3
    return entry


def toml_of(job: Job) -> str:
    """The job as a job file. What that cannot hold yet, a setting that lacks readings, stands in it as a comment."""
    kept = {s.id for s in job.settings if _is_read(s)}
    left_out = [s.geometry.words() for s in job.settings if s.id not in kept]
    readings = {reading.id for s in job.settings if s.id in kept for reading in s.readings}
    settings = tuple(_resolved(s, readings) for s in job.settings if s.id in kept)
    passes = tuple(replace(p, after=_last_kept(job, p, kept)) for p in job.passes)
    text = jobfile.dumps(replace(job, settings=settings, passes=passes))
    notes = "".join(f"# Left out, not read yet: {' '.join(words.split())}\n" for words in left_out)
    return notes + text


def _is_read(setting: Setting) -> bool:
    entries = {reading.entry for reading in setting.readings}
    return bool(entries) and all(e.name in entries for e in setting.geometry.entries if e.required)


def _resolved(setting: Setting, readings: set[str]) -> Setting:
    """The setting without corrections of readings that are left out."""
    own = tuple(
        r if r.corrects is None or r.corrects in readings else replace(r, corrects=None) for r in setting.readings
    )
    return replace(setting, readings=own)


def _last_kept(job: Job, each: Pass, kept: set[str]) -> str | None:
    """The last setting before a pass that is not left out."""
    if each.after is None or any(s.id in kept and each.after in (s.id, s.shared) for s in job.settings):
        return each.after
    last = None
    for setting in job.settings:
        if setting.id in kept:
            last = setting.id
        if each.after in (setting.id, setting.shared):
            break
    return last


class Reader:
    """A file to import, checked: `log` is whole and unchanged, `blob` gives the bytes of an attachment.

    Raises `BadBundle` or `TooLarge`; a file that is no zip at all is told by `is_zip`.
    """

    def __init__(self, file: IO[bytes]) -> None:
        self._left = LARGEST_WHOLE
        _check_end(file)
        try:
            self._zip = zipfile.ZipFile(file)
        except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
            raise BadBundle("This is not an exported job: the file is damaged or something else.") from None
        self._entries = self._checked_entries()
        about = self._json(MANIFEST)
        self._files = self._manifest(about)
        self.log = self._read_log(about)
        wanted = self.log.attachments()
        if {ATTACHMENTS + digest for digest in wanted} != {n for n in self._files if n.startswith(ATTACHMENTS)}:
            raise BadBundle("The exported job is not whole: its attachments are not those its log names.")
        self.attachments = wanted

    def blob(self, digest: str) -> bytes:
        """The bytes of an attachment, as many and the same as the log says."""
        data = self._bytes(ATTACHMENTS + digest)
        if len(data) != self.attachments[digest] or hashlib.sha256(data).hexdigest() != digest:
            raise BadBundle(f"The exported job is damaged: its attachment {digest[:12]} was changed.")
        return data

    def _checked_entries(self) -> dict[str, zipfile.ZipInfo]:
        entries: dict[str, zipfile.ZipInfo] = {}
        for entry in self._zip.infolist():
            if not _NAME.fullmatch(entry.filename) or entry.filename in entries:
                raise BadBundle(f"The file holds {entry.filename[:80]!r}, which no exported job does.")
            if entry.flag_bits & 1 or entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise BadBundle("The file is packed in a way no exported job is.")
            if entry.file_size > LARGEST[_kind(entry.filename)]:
                raise TooLarge(f"{entry.filename} is larger than anything in an exported job.")
            entries[entry.filename] = entry
        return entries

    def _manifest(self, about: dict[str, Any]) -> dict[str, dict[str, Any]]:
        format_, files = about.get("format"), about.get("files")
        if isinstance(format_, int) and format_ > FORMAT:
            raise BadBundle("The job was exported by a newer version of Waywright; update Waywright to import it.")
        shaped = isinstance(files, dict) and all(isinstance(one, dict) for one in files.values())
        if format_ != FORMAT or not shaped or not re.fullmatch("[0-9a-f]{32}", str(about.get("uid"))):
            raise BadBundle("This is not an exported job: its manifest says nothing of use.")
        assert isinstance(files, dict)
        if set(files) != set(self._entries) - {MANIFEST} or not {JOB, LOG} <= set(files):
            raise BadBundle("The exported job is not whole: files are missing from it, or were added.")
        return files

    def _read_log(self, about: dict[str, Any]) -> Log:
        acts, rows = list[Act](), dict[int, list[Row]]()
        try:
            for line in self._bytes(LOG).splitlines():
                act, written = act_from(json.loads(line))
                acts.append(act)
                rows[act.number] = written
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            raise BadBundle(f"The exported job is damaged: line {len(acts) + 1} of its log cannot be read.") from None
        if not acts or len(acts) != about.get("acts"):
            raise BadBundle("The exported job is not whole: acts are missing from its log.")
        _, wrong = replayed(acts, rows)
        if wrong:
            raise BadBundle(f"The exported job is damaged: {wrong[0]}")
        return Log(str(about["uid"]), acts, rows)

    def _json(self, name: str) -> dict[str, Any]:
        try:
            found = json.loads(self._bytes(name))
        except (ValueError, RecursionError):
            found = None
        if not isinstance(found, dict):
            raise BadBundle("This is not an exported job: it has no manifest.")
        return found

    def _bytes(self, name: str) -> bytes:
        """A file of the zip, counted as it is read and compared with the manifest."""
        if name not in self._entries:
            raise BadBundle("This is not an exported job: it has no manifest.")
        most = min(LARGEST[_kind(name)], self._left)
        try:
            with self._zip.open(self._entries[name]) as packed:
                data = packed.read(most + 1)
        except (zipfile.BadZipFile, EOFError, OSError, ValueError, RuntimeError, NotImplementedError) as error:
            raise BadBundle(f"The exported job is damaged: {name} cannot be unpacked ({str(error)[:80]}).") from None
        except Exception as error:  # zlib.error, which is of no more special kind
            raise BadBundle(f"The exported job is damaged: {name} cannot be unpacked ({str(error)[:80]}).") from None
        if len(data) > most:
            raise TooLarge("The file unpacks to more than any exported job.")
        self._left -= len(data)
        told = None if name == MANIFEST else self._files[name]
        if told is not None and told != {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}:
            raise BadBundle(f"The exported job is damaged: {name} was changed after it was exported.")
        return data


def is_zip(file: IO[bytes]) -> bool:
    """Whether the file begins as a zip does."""
    file.seek(0)
    start = file.read(4)
    file.seek(0)
    return start in (b"PK\x03\x04", _END)


def _kind(name: str) -> str:
    return ATTACHMENTS if name.startswith(ATTACHMENTS) else name


def _check_end(file: IO[bytes]) -> None:
    """Look at the end of a zip before anything believes it: how large it is, and its list of files."""
    size = file.seek(0, io.SEEK_END)
    if size > LARGEST_FILE:
        raise TooLarge(f"The file is larger than {LARGEST_FILE >> 20} MB, which no exported job is.")
    file.seek(max(0, size - 42))
    tail = file.read(42)
    file.seek(0)
    end = tail[-22:]
    if len(tail) < 22 or not end.startswith(_END) or end[20:] != b"\0\0" or tail[:-22].startswith(_LOCATOR):
        raise BadBundle("This is not an exported job: the file is damaged or something else.")
    count, listed = int.from_bytes(end[10:12], "little"), int.from_bytes(end[12:16], "little")
    if count > MOST_FILES + 3 or listed > 256 * (MOST_FILES + 3):
        raise TooLarge("The file holds more files than any exported job.")
