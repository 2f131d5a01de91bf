"""The readable text form of a job, in and out.

`read` and `loads` give a checked `Job` or raise `JobFileError` with one plain sentence; `write` and `dumps` keep the
comments and the layout of what was there. docs/job-file.md is the reference of its keys.
"""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path

from waywright.core.evidence import Job, JobError
from waywright.jobfile.checks import check
from waywright.jobfile.fields import Refused
from waywright.jobfile.reader import Paths, parse_toml, read_job
from waywright.jobfile.walk import Path as KeyPath
from waywright.jobfile.walk import line_of, written

LARGEST_BYTES = 64 * 1024 * 1024

__all__ = ["JobFileError", "dumps", "explain", "loads", "read", "write"]


class JobFileError(ValueError):
    """A file that cannot be used; the message is one plain sentence for the user: where, what is wrong, what to do."""


def read(path: str | os.PathLike[str]) -> Job:
    """The job in the file at `path`; raises `JobFileError`."""
    return loads(read_text(path), str(path))


def loads(text: str, name: str = "the job file") -> Job:
    """The job in `text`; `name` is what messages call it. Raises `JobFileError`."""
    paths: Paths = {}
    try:
        job, paths = read_job(text, parse_toml(text))
        check(job)
    except Refused as error:
        raise JobFileError(_sentence(text, name, error.path, str(error))) from None
    except JobError as error:
        raise JobFileError(_sentence(text, name, _path(error.place, paths), str(error))) from None
    return job


def explain(error: JobError, text: str, name: str) -> JobFileError:
    """A `JobError` raised while working on the job in `text`, as the sentence the user reads."""
    _, paths = read_job(text, parse_toml(text))
    return JobFileError(_sentence(text, name, _path(error.place, paths), str(error)))


def read_text(path: str | os.PathLike[str]) -> str:
    """The text of a file, line endings as they are; raises `JobFileError` when it is no text or far too large."""
    try:
        with open(path, "rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except IsADirectoryError:
        raise JobFileError(f"{path} is a folder; name a file in it.") from None
    except FileNotFoundError:
        raise JobFileError(f"There is no file {path}; check its name.") from None
    except OSError as error:
        raise JobFileError(f"{path} cannot be read: {(error.strerror or 'it is not there').lower()}.") from None
    except ValueError:
        raise JobFileError("The name of the file cannot be used; check it.") from None
    if len(data) > LARGEST_BYTES:
        raise JobFileError(f"{path} is larger than {LARGEST_BYTES // 1024**2} MB, which no file of readings is.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise JobFileError(f"{path} (line {line}): this is not text in UTF-8; save it again as UTF-8.") from None


def dumps(job: Job, onto: str | None = None) -> str:
    """The text of `job`. With `onto`, a job file's text, its comments and layout stay and only what differs changes.

    Raises `JobFileError` when `onto` is not a job file.
    """
    from waywright.jobfile.writer import onto_text, whole_text  # the writing library loads slowly

    if onto is None:
        return whole_text(job)
    before = loads(onto, "the text to write onto")
    if before == job:
        return onto
    try:
        text = onto_text(job, before, onto)
        if loads(text) == job:
            return text
    except (ValueError, KeyError, IndexError, TypeError):
        pass  # a layout that cannot be kept: better the whole job in ours than a part of it in theirs
    return whole_text(job)


def write(path: str | os.PathLike[str], job: Job) -> None:
    """Put `job` into the file at `path`, over a job that is there; at no moment is the file half written.

    Raises `JobFileError` when what is there is not a job file, or the file cannot be written.
    """
    target = Path(path)
    text = dumps(job, read_text(target) if target.exists() else None)
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        try:
            with open(handle, "w", encoding="utf-8", newline="") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            if target.exists():
                os.chmod(temporary, target.stat().st_mode)
            os.replace(temporary, target)
        except BaseException:
            os.unlink(temporary)
            raise
    except OSError as error:
        raise JobFileError(f"{path} cannot be written: {(error.strerror or 'no reason given').lower()}.") from None


def _path(place: str, paths: Paths) -> KeyPath:
    """The path that a `JobError`'s place speaks of: the longest id at its start, and the keys behind it."""
    if place in paths:
        return paths[place]
    head, _, key = place.rpartition(".")
    if head in paths:
        return (*paths[head], key)
    return tuple(int(part) if part.isdigit() else part for part in re.findall(r"[^.\[\]]+", place))


def _sentence(text: str, name: str, path: KeyPath, message: str) -> str:
    if not path:
        return f"{name}: {message}"
    line = line_of(text, path)
    return f"{name}, {written(path)}{f' (line {line})' if line else ''}: {message}"
