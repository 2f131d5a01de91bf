"""What the program owes the system it runs on: when interrupted it ends without a word and leaves nothing behind, and
its output may be closed, cut short or full. Imports little: until it is loaded, an interrupt is Python's own.
"""

from __future__ import annotations

import io
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

INTERRUPTED, BROKEN_PIPE = 130, 141  # as shells count a program that SIGINT or SIGPIPE ended
ENDING = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


class CannotPrint(Exception):
    """An output takes no more; `reader_gone`: whoever read it has seen enough."""

    def __init__(self, number: int, error: OSError) -> None:
        super().__init__(f"The output cannot be written: {(error.strerror or 'the system gives no reason').lower()}.")
        self.number, self.reader_gone = number, isinstance(error, BrokenPipeError)


class _Output(io.FileIO):
    """A stream of the system's that says in words of ours when it takes no more."""

    def write(self, data: object, /) -> int | None:  # type: ignore[override]
        try:
            return super().write(data)  # type: ignore[arg-type]
        except OSError as error:
            raise CannotPrint(self.fileno(), error) from None


def open_outputs() -> None:
    """Outputs that raise `CannotPrint`, and print what a screen has no letter for as a question mark.

    One that was closed before we began goes nowhere: left closed, the next file opened would be printed into.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            if (opened := os.open(os.devnull, os.O_RDWR)) != number:
                os.dup2(opened, number)
                os.close(opened)
        if getattr(sys, name) is None:
            stream = open(number, "r" if number == 0 else "w", closefd=False)  # noqa: SIM115 (open to our end)
            setattr(sys, name, stream)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if isinstance(stream, io.TextIOWrapper) and type(getattr(stream.buffer, "raw", stream.buffer)) is io.FileIO:
            stream.flush()
            raw = io.BufferedWriter(_Output(stream.fileno(), "w", closefd=False))
            setattr(sys, name, io.TextIOWrapper(raw, stream.encoding, "replace", line_buffering=stream.line_buffering))
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def let_go(number: int = 1) -> None:
    """What still waits for an output that takes nothing, 1 or 2, goes nowhere: it would be waited for at the end."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, number)
    os.close(nowhere)


def interruptible() -> bool:
    """Whether an interrupt is for us: a program started in the background ignores it, and stays so."""
    ours = threading.current_thread() is threading.main_thread()
    return ours and signal.getsignal(signal.SIGINT) is not signal.SIG_IGN


def leave_at_once() -> None:
    """From here on an interrupt ends the program on the spot, without a word: there is nothing to tidy up.

    Raised inside an import, it might be swallowed there, or told.
    """
    if interruptible():
        signal.signal(signal.SIGINT, _left)


def raise_interrupts() -> None:
    """From here on an interrupt is raised, so that what is open is closed."""
    if interruptible():
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _left(*_: object) -> None:
    os._exit(INTERRUPTED)


def was_interrupted(error: BaseException) -> bool:
    """Whether an error came of an interrupt: what was half way through may complain of it in its own words."""
    found: BaseException | None = error
    while found is not None and not isinstance(found, KeyboardInterrupt):
        found = found.__cause__ or found.__context__
    return found is not None


def end_in_order() -> None:
    """From here on a request to end, or the end of the terminal, is an exit: what is open is closed, and files go."""
    for sign in ENDING[1:]:
        if signal.getsignal(sign) is not signal.SIG_IGN:
            signal.signal(sign, lambda *_: sys.exit(0))


@contextmanager
def unbroken() -> Iterator[None]:
    """What stands inside is done to its end; whoever asked meanwhile to end is heard after it."""
    heard: list[int] = []
    before = {sign: signal.signal(sign, lambda number, _: heard.append(number)) for sign in ENDING}
    try:
        yield
    finally:
        for sign, handler in before.items():
            signal.signal(sign, handler)
        if heard:
            signal.raise_signal(heard[0])
