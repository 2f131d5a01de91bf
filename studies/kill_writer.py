"""Is a reading that was acknowledged ever lost, doubled or out of order, when the program is killed while people type?

A process writes what two clients send it, each reading numbered, into a book on the disk. It is killed with SIGKILL
at random moments, while it opens the book as well as while it writes, and started again; a client sends again what was
not acknowledged. After every kill the book must be sound, and hold each client's readings 1, 2, 3 … once and in order,
up to the last acknowledged or the one after it.
"""

from __future__ import annotations

import multiprocessing
import random
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path

from studies.table import track, write_table
from waywright import jobfile
from waywright.core.evidence.job import Reading, Typed
from waywright.demo import shop
from waywright.record import Book, By

SEED, KILLS = 20_261, 100
CLIENTS = ("left", "right")
UID, SETTING = "facade00" * 4, "layups[0]"
LONGEST_LIFE_S = 1.2


def reading(client: str, sequence: int) -> Reading:
    """What a client types as its number so and so."""
    return Reading("", "gaps", 30.0, -14.0, key="just_mm", value=Typed(20.0, "mm"), note=f"{client} {sequence}")


def serve(path: str, pipes: tuple[Connection, Connection]) -> None:
    """The process that is killed: opens the book, and answers each number when its reading is on the disk."""
    with Book.open(path) as book:
        job_id = book.begin(jobfile.loads(shop()), uid=UID)

        def answer(client: str, pipe: Connection) -> None:
            while True:
                sequence = pipe.recv()
                book.append(job_id, SETTING, [reading(client, sequence)], By(client=client, sequence=sequence))
                pipe.send(sequence)

        threads = [threading.Thread(target=answer, args=pair) for pair in zip(CLIENTS, pipes, strict=True)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()


@dataclass
class Client:
    """One who types without a pause, and sends again what was not acknowledged."""

    name: str
    acknowledged: int = 0
    sent_again: int = 0
    pipe: Connection | None = None
    stopped: bool = False
    ready: threading.Condition = field(default_factory=threading.Condition)

    def connect(self, pipe: Connection) -> None:
        """Give it the newest process to send to."""
        with self.ready:
            self.pipe = pipe
            self.ready.notify()

    def type(self) -> None:
        """Send number after number until stopped."""
        again = False
        while not self.stopped:
            with self.ready:
                pipe = self.pipe
                if pipe is None:
                    self.ready.wait(0.1)
                    continue
            try:
                self.sent_again += again
                pipe.send(self.acknowledged + 1)
                assert pipe.recv() == self.acknowledged + 1
                self.acknowledged += 1
                again = False
            except (EOFError, OSError):
                again = True
                with self.ready:
                    self.pipe = None if self.pipe is pipe else self.pipe


@dataclass(frozen=True)
class Outcome:
    """What was found after all kills: `wrong` is a sentence for each promise broken."""

    kills: int
    opening: int  # killed before anything was acknowledged in that life
    acknowledged: int
    sent_again: int
    unacknowledged: int  # on the disk at a kill although nobody was told yet
    wrong: tuple[str, ...]


def killed(path: Path, kills: int, seed: int) -> Iterator[Outcome | None]:
    """Kill the writer of the book at `path` so often; gives None after each, and the outcome last."""
    rng = random.Random(seed)
    context = multiprocessing.get_context("forkserver" if sys.platform != "win32" else "spawn")
    if sys.platform != "win32":
        context.set_forkserver_preload(["studies.kill_writer"])  # a life begins in milliseconds
    clients = [Client(name) for name in CLIENTS]
    threads = [threading.Thread(target=client.type, daemon=True) for client in clients]
    for thread in threads:
        thread.start()
    opening = unacknowledged = 0
    wrong: list[str] = []
    for _ in range(kills):
        before = sum(client.acknowledged for client in clients)
        _one_life(context, path, clients, rng.uniform(0.0, LONGEST_LIFE_S))
        _wait_until_told(clients)
        opening += sum(client.acknowledged for client in clients) == before
        found, extra = _checked(path, clients)
        wrong += found
        unacknowledged += extra
        yield None
    for client in clients:
        client.stopped = True
    for thread in threads:
        thread.join(5)
    told = sum(client.acknowledged for client in clients)
    again = sum(client.sent_again for client in clients)
    yield Outcome(kills, opening, told, again, unacknowledged, tuple(wrong))


def _one_life(context: multiprocessing.context.BaseContext, path: Path, clients: list[Client], life_s: float) -> None:
    pairs = [context.Pipe() for _ in clients]
    process = context.Process(target=serve, args=(str(path), tuple(far for _, far in pairs)))  # type: ignore[attr-defined]
    process.start()
    for client, (near, far) in zip(clients, pairs, strict=True):
        far.close()
        client.connect(near)
    time.sleep(life_s)
    process.kill()
    process.join()


def _wait_until_told(clients: list[Client]) -> None:
    """Until each client has read the last answer that was sent to it, and noticed that nobody is there."""
    until = time.monotonic() + 10
    while any(client.pipe is not None for client in clients) and time.monotonic() < until:
        time.sleep(0.005)


def _checked(path: Path, clients: list[Client]) -> tuple[list[str], int]:
    """What is wrong with the book, and how many readings it holds that nobody was told of."""
    if not path.exists():
        return [f"{c.name} was told of {c.acknowledged} readings in no book" for c in clients if c.acknowledged], 0
    with Book.open(path) as book:
        wrong, extra = book.problems(), 0
        notes = [r.note for job in book.jobs() for _, r in book.job(job.id).readings() if r.note]
    for client in clients:
        found = [int(note.split()[1]) for note in notes if note.split()[0] == client.name]
        extra += len(found) - client.acknowledged
        if found != list(range(1, len(found) + 1)) or len(found) - client.acknowledged not in (0, 1):
            wrong.append(f"{client.name} was told of {client.acknowledged} readings, the book has {found}")
    return wrong, extra


def main() -> None:
    """Kill a hundred times; write the table."""
    with tempfile.TemporaryDirectory() as folder:
        steps = killed(Path(folder) / "book.sqlite", KILLS, SEED)
        for _ in track(range(KILLS), "Killing the writer"):
            next(steps)
        outcome = next(steps)
    assert outcome is not None
    row = [outcome.kills, outcome.opening, outcome.acknowledged, outcome.sent_again, outcome.unacknowledged]
    write_table(
        "kill_writer",
        "A book whose writer is killed while two clients type",
        seed=SEED,
        header=["killed", "while opening", "acknowledged", "sent again", "stored, not told", "lost, doubled or moved"],
        rows=[[str(n) for n in (*row, len(outcome.wrong))]],
        notes=(__doc__ or "").partition("\n\n")[2],
    )
    assert outcome.wrong == (), outcome.wrong[0]


if __name__ == "__main__":
    main()
