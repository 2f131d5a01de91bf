"""Starting the bench: a server on 127.0.0.1 alone, with a log that holds nothing personal.

Nothing heavy is imported before the linear algebra was told to use one thread: for problems of a job's size more
threads only wait for each other.
"""

from __future__ import annotations

import logging
import os
import socket
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from logging.handlers import RotatingFileHandler
from pathlib import Path

from waywright.process import end_in_order, leave_at_once, raise_interrupts, unbroken

HOST = "127.0.0.1"
PORT = 8731
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
LOG_BYTES, LOG_FILES = 1_000_000, 3


class PortTaken(OSError):
    """Another program listens on the port; the message says what to do."""


def serve(where: str | os.PathLike[str] | None, port: int | None, say: Callable[[str], None]) -> None:
    """The bench over the book at `where` (None: the one in the data folder) until it is interrupted.

    Without `port` it takes PORT, or any that is free. `say` is given the address once it answers.
    """
    _load()
    from waywright.record import Book
    from waywright.web.app import bench_app

    listening = listen(port)
    with Book.open(where) as book:
        _run(bench_app(book), listening, say, _log_folder(where))


def serve_sample(port: int | None, say: Callable[[str], None]) -> None:
    """The sample shop in a book of its own, gone when the bench ends; the real book is never touched."""
    _load()
    from waywright import jobfile
    from waywright.demo import shop
    from waywright.record import Book
    from waywright.web.app import bench_app

    listening = listen(port)
    with _passing_folder() as folder, Book.open(folder / "sample.sqlite") as book:
        for name in ("two_edges", "three_edges"):
            book.begin(jobfile.loads(shop(name), name))
        _run(bench_app(book, sample=True), listening, say, None)


@contextmanager
def _passing_folder() -> Iterator[Path]:
    """A folder that is gone at the end, whenever and however often that is asked for."""
    folder: tempfile.TemporaryDirectory[str] | None = None
    try:
        with unbroken():
            folder = tempfile.TemporaryDirectory(prefix="waywright-sample-")
        yield Path(folder.name)
    finally:
        if folder is not None:
            with unbroken():
                folder.cleanup()


def listen(port: int | None) -> socket.socket:
    """A socket on this machine alone; raises `PortTaken`."""
    wanted = [PORT, 0] if port is None else [port]
    for number in wanted:
        opened = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            opened.bind((HOST, number))
        except OSError:
            opened.close()
            continue
        opened.listen(128)
        return opened
    raise PortTaken(f"Another program listens on port {port}; name another with --port, or leave it out.")


def _load() -> None:
    """What the bench is made of. Meanwhile an interrupt ends it on the spot; from here on, it is closed in order."""
    leave_at_once()
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    import waywright.demo
    import waywright.web.app
    import waywright.web.patience  # noqa: F401 (uvicorn with it)

    raise_interrupts()
    end_in_order()


def _log_folder(where: str | os.PathLike[str] | None) -> Path | None:
    from waywright.record import default_path

    text = str(default_path() if where is None else where)
    return None if text.startswith("postgresql") else Path(text).expanduser().absolute().parent


def _run(app: object, listening: socket.socket, say: Callable[[str], None], folder: Path | None) -> None:
    import uvicorn

    from waywright.web.patience import Patient

    _log_into(folder)
    config = uvicorn.Config(
        app,  # type: ignore[arg-type]
        http=Patient,
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        lifespan="off",
        timeout_graceful_shutdown=3,
    )

    class Server(uvicorn.Server):
        """Says where it is once it answers, and an interrupt closes it in order: not while it still begins."""

        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            say(f"http://{HOST}:{listening.getsockname()[1]}")
            logging.getLogger("waywright.bench").info("started")

    Server(config).run(sockets=[listening])


def _log_into(folder: Path | None) -> None:
    """Faults only, in a file that turns over: no titles, names, readings or addresses of pages."""
    handler: logging.Handler = logging.NullHandler()
    if folder is not None:
        try:
            handler = RotatingFileHandler(
                folder / "bench.log", maxBytes=LOG_BYTES, backupCount=LOG_FILES, encoding="utf-8", delay=True
            )
        except OSError:
            handler = logging.NullHandler()
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    for name, taken in (("waywright.bench", handler), ("uvicorn.error", logging.NullHandler())):
        logger = logging.getLogger(name)
        logger.setLevel(logging.INFO)
        logger.handlers = [taken]
        logger.propagate = False
