"""The text of a file, and a file from a text, without losing either."""

from __future__ import annotations

import os
import stat
import tempfile
from pathlib import Path
from typing import BinaryIO

from waywright.jobfile.errors import JobFileError

LARGEST_BYTES = 64 * 1024 * 1024


def open_file(path: str | os.PathLike[str]) -> BinaryIO:
    """A file opened for reading; raises `JobFileError` when there is none, or it is something else than a file.

    A pipe or device may never give anything, or never end: neither is waited for.
    """
    try:
        _refuse_what_is_no_file(path)
        # Should a pipe have come there meanwhile, it is not waited for either.
        return open(path, "rb", opener=lambda name, flags: os.open(name, flags | getattr(os, "O_NONBLOCK", 0)))
    except JobFileError:
        raise
    except FileNotFoundError:
        raise JobFileError(f"There is no file {path}; check its name.") from None
    except OSError as error:
        raise JobFileError(f"{path} cannot be read: {_reason(error)}.") from None
    except ValueError:  # a zero byte in the name
        raise JobFileError("The name of the file cannot be used; check it.") from None


def _refuse_what_is_no_file(path: str | os.PathLike[str]) -> None:
    mode = os.stat(path).st_mode
    if stat.S_ISDIR(mode):
        raise JobFileError(f"{path} is a folder; name a file in it.")
    if not stat.S_ISREG(mode):
        kind = "pipe" if stat.S_ISFIFO(mode) else "socket" if stat.S_ISSOCK(mode) else "device"
        raise JobFileError(f"{path} is a {kind} and no file; name a file.")


def read_text(path: str | os.PathLike[str]) -> str:
    """The text of a file, line ends and byte-order mark as they are.

    Raises `JobFileError` when it cannot be read, is no file, no text or far too large.
    """
    try:
        with open_file(path) as file:
            data = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise JobFileError(f"{path} cannot be read: {_reason(error)}.") from None
    if len(data) > LARGEST_BYTES:
        raise JobFileError(f"{path} is larger than {LARGEST_BYTES // 1024**2} MB, which no file of readings is.")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise JobFileError(f"{path} (line {line}): this is not text in UTF-8; save it again as UTF-8.") from None


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Put `text` into the file at `path` as it is; at no moment is a file there half written.

    Raises `JobFileError` when it cannot be written. What stands there and is no file stays: a pipe, a device, a folder;
    a link stays too, and what it leads to is written.
    """
    try:
        target = Path(os.path.realpath(path))
        if target.exists():
            _refuse_what_is_no_file(path)
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        try:
            with open(handle, "w", encoding="utf-8", newline="") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(temporary, target.stat().st_mode & 0o7777 if target.exists() else 0o666 & ~_umask())
            os.replace(temporary, target)
        except BaseException:
            os.unlink(temporary)
            raise
    except JobFileError:
        raise
    except (OSError, ValueError) as error:
        reason = _reason(error) if isinstance(error, OSError) else "its name cannot be used"
        raise JobFileError(f"{path} cannot be written: {reason}.") from None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _reason(error: OSError) -> str:
    return (error.strerror or "the system gives no reason").lower()
