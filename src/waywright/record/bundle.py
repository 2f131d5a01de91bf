"""A whole job as one file: a zip that opens the same in any book.

    manifest.json        what this is, and the size and SHA-256 of every other file
    job.toml             the job as it stands, as a job file: for people, and for `waywright solve`
    log.jsonl            every act, one a line: from this the job is made again, with all its past
    attachments/SHA-256  the bytes of each attachment

Here it is written, an act at a time: nothing of it but the job file is ever held whole. `unpack` reads it.
"""

from __future__ import annotations

import hashlib
import json
import re
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import IO, Any

from waywright import __version__, jobfile
from waywright.core.evidence.job import Job, Pass, Setting
from waywright.record.errors import TooLarge
from waywright.record.log import Act, Row, act_line
from waywright.record.parts import Attachment
from waywright.units import METRIC

FORMAT = 1
MANIFEST, JOB, LOG, ATTACHMENTS = "manifest.json", "job.toml", "log.jsonl", "attachments/"
MOST_FILES = 2_000
LARGEST_FILE = 512 * 1024 * 1024  # as it lies on the disk
LARGEST: dict[str, int] = {MANIFEST: 1 << 20, JOB: 64 << 20, LOG: 64 << 20, ATTACHMENTS: 32 << 20}
LONGEST_LINE = 32 << 20  # one act: a job that was begun with everything in it
LARGEST_WHOLE = 1 << 30  # unpacked
ROOM, TIMES = 1 << 20, 50  # what a file unpacks to: at most this, and so many times what it is itself
_CHUNK = 1 << 16
_METHODS = (zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED)


@dataclass(frozen=True)
class Source:
    """What a job is written from: its uid, when it was last changed, its acts with what each wrote, as often as asked,
    and its attachments."""

    uid: str
    at: str
    acts: Callable[[], Iterable[tuple[Act, Sequence[Row]]]]
    blob: Callable[[str], bytes]


def unpacks_to_too_much(unpacked: int, packed: int) -> bool:
    """Whether so many bytes in a file of so many are more than an exported job ever has."""
    return unpacked > min(LARGEST_WHOLE, ROOM + TIMES * packed)


def write(file: IO[bytes], source: Source, job: Job) -> None:
    """Write a job into an open binary file; the same job gives the same bytes. Raises `TooLarge`.

    What packs so well that no import would take it is written unpacked.
    """
    toml = toml_of(job).encode("utf-8", "replace")
    for method in _METHODS:
        file.seek(0)
        file.truncate()
        unpacked = _written(file, source, toml, method)
        if not unpacks_to_too_much(unpacked, file.tell()):
            return
    raise TooLarge(f"The job is too large for one file: it has {unpacked} bytes.")


def _written(file: IO[bytes], source: Source, toml: bytes, method: int) -> int:
    """The job in a zip; gives how many bytes are in it, unpacked."""
    files: dict[str, dict[str, Any]] = {}
    attached: dict[str, int] = {}
    acts = 0

    def lines() -> Iterator[bytes]:
        nonlocal acts
        for act, rows in source.acts():
            line = f"{act_line(act, rows)}\n".encode("ascii")
            if len(line) > LONGEST_LINE:
                raise TooLarge(f"The job is too large for one file: act {act.number} has {len(line)} bytes.")
            held = [row.held(act.number).part for row in rows if row.sort == "attachment"]
            attached.update({part.digest: part.size for part in held if isinstance(part, Attachment)})
            acts = act.number
            yield line

    with zipfile.ZipFile(file, "w", allowZip64=False) as packed:

        def put(name: str, parts: Iterable[bytes]) -> None:
            size, digest = 0, hashlib.sha256()
            with packed.open(_entry(name, source.at, method), "w") as out:
                for part in parts:
                    size += len(part)
                    if size > LARGEST[kind_of(name)]:
                        raise TooLarge(f"The job is too large for one file: {name} has more than {size} bytes.")
                    digest.update(part)
                    for begin in range(0, len(part), _CHUNK):
                        out.write(memoryview(part)[begin : begin + _CHUNK])
            files[name] = {"size": size, "sha256": digest.hexdigest()}

        put(JOB, [toml])
        put(LOG, lines())
        if len(attached) > MOST_FILES:
            raise TooLarge(f"The job has more than {MOST_FILES} attachments, which is more than one file takes.")
        for digest in sorted(attached):
            put(ATTACHMENTS + digest, [source.blob(digest)])
        about = {"format": FORMAT, "waywright": __version__, "uid": source.uid, "acts": acts, "files": files}
        packed.writestr(_entry(MANIFEST, source.at, method), json.dumps(about, indent=1))
    return sum(one["size"] for one in files.values())


def _entry(name: str, at: str, method: int) -> zipfile.ZipInfo:
    """A file dated by the last act, so that the same job packs to the same bytes."""
    year, month, day, hour, minute, second = (int(part) for part in re.findall(r"\d+", at)[:6])
    entry = zipfile.ZipInfo(name, (min(max(year, 1980), 2107), month, day, hour, minute, second))
    entry.compress_type, entry.external_attr, entry.create_system = method, 0o644 << 16, 3
    return entry


def kind_of(name: str) -> str:
    """Which of the four a file of the zip is."""
    return ATTACHMENTS if name.startswith(ATTACHMENTS) else name


def toml_of(job: Job) -> str:
    """The job as a job file. What that cannot hold yet, a setting that lacks readings, stands in it as a comment."""
    kept = {s.id for s in job.settings if _is_read(s)}
    left_out = [s.geometry.words(METRIC) for s in job.settings if s.id not in kept]
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
    if each.after is None or any(s.id in kept and each.after in (s.id, s.group) for s in job.settings):
        return each.after
    last = None
    for setting in job.settings:
        if setting.id in kept:
            last = setting.id
        if each.after in (setting.id, setting.group):
            break
    return last
