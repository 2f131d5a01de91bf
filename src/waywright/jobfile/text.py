"""The text of a file, and a file from a text, without losing either."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from waywright.jobfile.errors import JobFileError

LARGEST_BYTES = 64 * 1024 * 1024


def read_text(path: str | os.PathLike[str]) -> str:
    """The text of a file, line ends and byte-order mark as they are.

    Raises `JobFileError` when it cannot be read, is no text or far too large.
    """
    try:
        with open(path, "rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except IsADirectoryError:
        raise JobFileError(f"{path} is a folder; name a file in it.") from None
    except FileNotFoundError:
        raise JobFileError(f"There is no file {path}; check its name.") from None
    except OSError as error:
        raise JobFileError(f"{path} cannot be read: {_reason(error)}.") from None
    except ValueError:  # a zero byte in the name
        raise JobFileError("The name of the file cannot be used; check it.") from None
    if len(data) > LARGEST_BYTES:
        raise JobFileError(f"{path} is larger than {LARGEST_BYTES // 1024**2} MB, which no file of readings is.")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise JobFileError(f"{path} (line {line}): this is not text in UTF-8; save it again as UTF-8.") from None


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Put `text` into the file at `path` as it is; at no moment is a file there half written."""
    target = Path(path)
    try:
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
    except (OSError, ValueError) as error:
        reason = _reason(error) if isinstance(error, OSError) else "its name cannot be used"
        raise JobFileError(f"{path} cannot be written: {reason}.") from None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _reason(error: OSError) -> str:
    return (error.strerror or "the system gives no reason").lower()
