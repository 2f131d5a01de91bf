"""The readable text form of a job, in and out.

`read` and `loads` give a checked `Job` or raise `JobFileError` with one plain sentence; `write` and `dumps` keep the
comments and the layout of what was there. docs/job-file.md is the reference of its keys.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from waywright.core.evidence.job import Job, JobError
from waywright.jobfile.checks import check
from waywright.jobfile.errors import JobFileError
from waywright.jobfile.fields import Refused
from waywright.jobfile.reader import Paths, parse_toml, read_job
from waywright.jobfile.text import read_text, write_text
from waywright.jobfile.walk import Path as KeyPath
from waywright.jobfile.walk import line_of, written

MARK = "\ufeff"  # the byte-order mark some editors put first

__all__ = ["JobFileError", "dumps", "explain", "loads", "read", "write"]


def read(path: str | os.PathLike[str]) -> Job:
    """The job in the file at `path`; raises `JobFileError`."""
    return loads(read_text(path), str(path))


def loads(text: str, name: str = "the job file") -> Job:
    """The job in `text`; `name` is what messages call it. Raises `JobFileError`."""
    job, paths = _parsed(text, name)
    try:
        check(job)
    except JobError as error:
        raise JobFileError(_sentence(text, name, _path(error.place, paths), str(error))) from None
    return job


def explain(error: JobError, text: str, name: str) -> JobFileError:
    """A `JobError` raised while working on the job in `text`, as the sentence the user reads."""
    _, paths = _parsed(text, name)
    return JobFileError(_sentence(text, name, _path(error.place, paths), str(error)))


def _parsed(text: str, name: str) -> tuple[Job, Paths]:
    """The job in `text`, not yet checked for how its parts fit together, and where its ids stand."""
    text = text.removeprefix(MARK)
    try:
        return read_job(text, parse_toml(text))
    except Refused as error:
        raise JobFileError(_sentence(text, name, error.path, str(error))) from None


def dumps(job: Job, onto: str | None = None) -> str:
    """The text of `job`. With `onto`, a job file's text, its comments and layout stay and only what differs changes.

    Raises `JobFileError` when `onto` is not a job file.
    """
    from waywright.jobfile.writer import onto_text, whole_text  # the writing library loads slowly

    if onto is None:
        return whole_text(job)
    before, _ = _parsed(onto, "the text to write onto")
    if before == job:
        return onto
    mark = MARK if onto.startswith(MARK) else ""
    try:
        text = mark + onto_text(job, before, onto.removeprefix(MARK))
        if _parsed(text, "what was written")[0] == job:
            return text
    except (ValueError, KeyError, IndexError, TypeError):
        pass  # a layout that cannot be kept: better the whole job in ours than a part of it in theirs
    return whole_text(job)


def write(path: str | os.PathLike[str], job: Job) -> None:
    """Put `job` into the file at `path`, over a job that is there; at no moment is the file half written.

    Raises `JobFileError` when what is there is not a job file, or the file cannot be written.
    """
    target = Path(path)
    there = read_text(target) if target.exists() else None
    text = dumps(job, there)
    if text != there:
        write_text(target, text)


def _path(place: str, paths: Paths) -> KeyPath:
    """The path that a `JobError`'s place speaks of: the longest id at its start, and the keys behind it."""
    head, keys = place, ""
    while head:
        if head in paths:
            return (*paths[head], *_keys(keys))
        head, _, key = head.rpartition(".")
        keys = f"{key}.{keys}" if keys else key
    return _keys(place)


def _keys(place: str) -> KeyPath:
    """ "zones[2].from_mm" as a path."""
    return tuple(int(part) if part.isdigit() else part for part in re.findall(r"[^.\[\]]+", place))


def _sentence(text: str, name: str, path: KeyPath, message: str) -> str:
    if not path:
        return f"{name}: {message}"
    line = line_of(text.removeprefix(MARK), path)
    return f"{name}, {written(path)}{f' (line {line})' if line else ''}: {message}"
