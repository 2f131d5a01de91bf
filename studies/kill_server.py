"""Is a reading that was acknowledged ever lost, doubled or out of order, when the bench is killed while people type?

`waywright bench` runs over a book on the disk. Two clients type into one lay-up as a page does: readings wait in a row,
each numbered, the first is sent until it is acknowledged, then the next. The bench is killed with SIGKILL at random
moments, while it starts as well as while it answers, and started again over the same book. What each kill left on the
disk is copied, and the copy must be a sound book with each client's readings 1, 2, 3 … once and in order, up to the
last acknowledged or the one after it. In the end every reading typed must be there.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import random
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from typing import Protocol
from urllib.parse import urlencode

from studies.table import track, write_table
from waywright.record import Book
from waywright.web.pages.shop import First, first_job

SEED, KILLS = 20_263, 100
HOST, SETTING = "127.0.0.1", "/jobs/1/setting?id=layups%5B0%5D"
WHILE_STARTING, LONGEST_LIFE_S, START_S = 0.2, 4.0, 60.0  # a share of the kills; s
STARTING_S = {True: 2.0, False: 0.05}  # cold, warm: about as long as it takes
PAUSE_S = 0.05  # before a client asks again


class Process(Protocol):
    """What is killed."""

    def kill(self) -> None:
        """SIGKILL."""

    @property
    def pid(self) -> int | None:
        """Its number."""


@dataclass
class Typist:
    """One who types in bursts at a place of their own; `sending` is held while an answer is waited for."""

    name: str
    x_mm: int
    port: int
    typed: int = 0
    acknowledged: int = 0
    sent_again: int = 0
    stopped: bool = False
    wrong: list[str] = field(default_factory=list)
    sending: threading.Lock = field(default_factory=threading.Lock)

    def type(self) -> None:
        """Type, and send in order what is not acknowledged, until stopped and all is saved or something is wrong."""
        rng, waiting = random.Random(self.name), deque[int]()
        while (waiting or not self.stopped) and not self.wrong:
            if not waiting and not self.stopped:
                time.sleep(rng.uniform(0.0, 0.1))
                burst = rng.randint(1, 8)
                waiting.extend(range(self.typed + 1, self.typed + burst + 1))
                self.typed += burst
            if not waiting:
                continue
            with self.sending:
                saved = self._send(waiting[0], more=len(waiting) > 1)
                self.acknowledged += saved
            if saved:
                waiting.popleft()
            else:
                time.sleep(PAUSE_S)

    def value(self, sequence: int) -> str:
        """What is typed as number so and so: no two alike."""
        return f"20.00{self.x_mm // 100}{sequence:05d}"

    def _send(self, sequence: int, *, more: bool) -> bool:
        """Whether the bench acknowledged it; as `queue.js` sends it."""
        fields = {"place.0": f"gaps;{self.x_mm};;", "reading.0": "", "version.0": "0", "act": "1"}
        fields |= {"just_mm.0": self.value(sequence), "client": self.name, "sequence": str(sequence)}
        body = urlencode(fields | ({"more": "yes"} if more else {}))
        headers = {"X-Requested-With": "waywright", "Content-Type": "application/x-www-form-urlencoded"}
        connection = HTTPConnection(HOST, self.port, timeout=30)
        try:
            connection.connect()
        except OSError:
            return False  # nobody is there
        try:
            connection.request("POST", SETTING, body, headers)
            answer = connection.getresponse()
            told = json.loads(answer.readline())
        except (OSError, HTTPException, ValueError):  # killed before, or in the middle of, the line that acknowledges
            self.sent_again += 1
            return False
        finally:
            connection.close()
        if answer.status >= 500:
            self.sent_again += 1
            return False
        if answer.status != 200 or not told["used"]:
            self.wrong.append(f"number {sequence} of {self.name} was refused: {told}")
        return answer.status == 200


@dataclass(frozen=True)
class Outcome:
    """What was found after all kills: `wrong` is a sentence for each promise broken."""

    kills: int
    starting: int  # killed before it answered
    acknowledged: int
    sent_again: int
    unacknowledged: int  # on the disk at a kill although nobody was told yet
    wrong: tuple[str, ...]


def killed(
    path: Path, kills: int, seed: int, longest_life_s: float = LONGEST_LIFE_S, cold_every: int = 1
) -> Iterator[Outcome | None]:
    """Kill the bench over a new book at `path` so often; gives None after each, and the outcome last.

    Each life but every so many is begun warm: the same command in a process that has imported the program already.
    """
    rng = random.Random(seed)
    with Book.open(path) as book:
        book.begin(first_job(First()))
    port = free_port(rng)
    typists = [Typist("left", 100, port), Typist("right", 200, port)]
    threads = [threading.Thread(target=typist.type, daemon=True) for typist in typists]
    for thread in threads:
        thread.start()
    starting = unacknowledged = 0
    wrong: list[str] = []
    for kill in range(kills):
        cold, early = kill % cold_every == 0, rng.random() < WHILE_STARTING
        with killed_at_the_end(path, port, cold=cold):
            if not early:
                answers(port)
            time.sleep(rng.uniform(0.0, STARTING_S[cold] if early else longest_life_s))
            starting += early and not _listens(port)
        with ExitStack() as still:
            for typist in typists:
                still.enter_context(typist.sending)
            found, extra = checked(path, typists)
        wrong += found
        unacknowledged += extra
        yield None
    wrong += _all_there(path, port, typists, threads)
    told, again = sum(t.acknowledged for t in typists), sum(t.sent_again for t in typists)
    yield Outcome(kills, starting, told, again, unacknowledged, tuple(wrong))


def _all_there(path: Path, port: int, typists: list[Typist], threads: list[threading.Thread]) -> list[str]:
    """Nobody types any more: what is missing after one more life in which all is sent."""
    with killed_at_the_end(path, port, cold=True):
        answers(port)
        for typist in typists:
            typist.stopped = True
        for thread in threads:
            thread.join(START_S)
    wrong, extra = checked(path, typists)
    wrong += [one for typist in typists for one in typist.wrong]
    wrong += [f"{t.name} typed {t.typed}, {t.acknowledged} were saved" for t in typists if t.typed != t.acknowledged]
    return wrong + ([f"{extra} readings too many"] if extra else [])


def checked(path: Path, typists: list[Typist]) -> tuple[list[str], int]:
    """What is wrong with a copy of the book as it lies there, and how many of its readings nobody was told of."""
    extra = 0
    with tempfile.TemporaryDirectory() as folder:
        for file in path.parent.glob(f"{path.name}*"):
            shutil.copy(file, folder)
        with Book.open(Path(folder) / path.name, create=False) as book:
            wrong = book.problems()
            texts = [r.value.text or "" for _, r in book.job(1).readings() if r.entry == "gaps" and r.value is not None]
    for typist in typists:
        found = [int(text[-5:]) for text in texts if text.startswith(typist.value(0)[:-5])]
        extra += len(found) - typist.acknowledged
        if found != list(range(1, len(found) + 1)) or len(found) - typist.acknowledged not in (0, 1):
            wrong.append(f"{typist.name} was told of {typist.acknowledged} readings, the book has {found}")
    return wrong, extra


def start(path: Path, port: int, *, cold: bool) -> Process:
    """`waywright bench`, as a person starts it; or warm."""
    words = ["bench", "--book", str(path), "--port", str(port)]
    if cold:
        return subprocess.Popen([sys.executable, "-m", "waywright", *words], stderr=subprocess.DEVNULL)
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["studies.kill_server", "waywright.web.app", "waywright.web.pages", "uvicorn"])
    process = context.Process(target=_command, args=(words,), daemon=True)
    process.start()
    return process


def _command(words: list[str]) -> None:
    from waywright.cli import cli

    with open(os.devnull, "w") as sys.stderr:  # its address
        cli(words)


@contextmanager
def killed_at_the_end(path: Path, port: int, *, cold: bool) -> Iterator[None]:
    """One life of the bench, which ends with SIGKILL whatever comes of it."""
    process = start(path, port, cold=cold)
    try:
        yield
    finally:
        end(process)


def end(process: Process) -> None:
    """SIGKILL, and wait until it is gone."""
    process.kill()
    if isinstance(process, subprocess.Popen):
        process.wait()
    elif isinstance(process, multiprocessing.process.BaseProcess):
        process.join()


def answers(port: int) -> None:
    """Wait until somebody listens."""
    until = time.monotonic() + START_S
    while not _listens(port):
        assert time.monotonic() < until, "the bench did not start"
        time.sleep(0.01)


def _listens(port: int) -> bool:
    with socket.socket() as asked:
        return asked.connect_ex((HOST, port)) == 0


def free_port(rng: random.Random) -> int:
    """A port that nobody listens on, outside the range from which systems give ports of their own."""
    return next(port for port in iter(lambda: rng.randrange(20_000, 30_000), 0) if not _listens(port))


def main() -> None:
    """Kill a hundred times; write the table."""
    with tempfile.TemporaryDirectory() as folder:
        steps = killed(Path(folder) / "book.sqlite", KILLS, SEED)
        for _ in track(range(KILLS), "Killing the bench"):
            next(steps)
        outcome = next(steps)
    assert outcome is not None
    row = [outcome.kills, outcome.starting, outcome.acknowledged, outcome.sent_again, outcome.unacknowledged]
    write_table(
        "kill_server",
        "A bench that is killed while two clients type",
        seed=SEED,
        header=["killed", "while starting", "acknowledged", "sent again", "stored, not told", "lost, doubled or moved"],
        rows=[[str(n) for n in (*row, len(outcome.wrong))]],
        notes=(__doc__ or "").partition("\n\n")[2],
    )
    assert outcome.wrong == (), outcome.wrong[0]


if __name__ == "__main__":
    main()
