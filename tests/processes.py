"""Processes that tests start: however a test ends, they end with it."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

COMMAND = str(Path(sysconfig.get_path("scripts")) / ("waywright.exe" if os.name == "nt" else "waywright"))
MODULE = (sys.executable, "-m", "waywright")


@contextmanager
def started(*command: str | Path, **options: Any) -> Iterator[subprocess.Popen[str]]:
    """A process and what it prints on stdout and stderr, as text; killed at the end if it still runs."""
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True} | options
    with subprocess.Popen([str(word) for word in command], **pipes) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()  # leaving the `with` waits for it
