"""What comes in and goes out takes memory by its own size, whatever it says of itself: measured in another program."""

from __future__ import annotations

import io
import json
import random
import subprocess
import sys
import zipfile
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from tests.forging import acts_in, packed, sealed, unpacked
from waywright.core.evidence.job import Job, Reading, Typed
from waywright.record import Book
from waywright.record.bundle import LOG, ROOM, TIMES

MB = 1 << 20
FLOOR = 8 * MB  # what any import takes: the file is read, the job that is in it looked at
PROGRAM = """
import io, json, sys, tempfile, time, tracemalloc
from waywright import jobfile
from waywright.demo import shop
from waywright.record import Book, BookError

folder, act, *rest = sys.argv[1:]
book = Book.open(f"{folder}/{act}.sqlite" if act == "import" else rest[0])
small = io.BytesIO()
book.export(book.begin(jobfile.loads(shop("two_edges"))), small)  # all that is loaded once
with Book.open(f"{folder}/other.sqlite") as other:
    other.import_(small)
tracemalloc.start()
began, said = time.monotonic(), ""
try:
    if act == "import":
        with open(rest[0], "rb") as file:
            book.import_(file)
    else:
        with tempfile.SpooledTemporaryFile(1 << 20) as file:
            book.export(1, file)
            said = file.seek(0, 2)
except BookError as error:
    said = str(error)
taken = tracemalloc.get_traced_memory()[1]
print(json.dumps({"bytes": taken, "seconds": time.monotonic() - began, "said": said}))
"""


@dataclass(frozen=True)
class Taken:
    """What it took, and what was said."""

    bytes: int
    seconds: float
    said: str | int


def taken(folder: Path, act: str, *more: str) -> Taken:
    """Bring a file in, or a job out, in a program of its own."""
    command = [sys.executable, "-c", PROGRAM, str(folder), act, *more]
    found = subprocess.run(command, capture_output=True, text=True, timeout=300, check=True)
    return Taken(**json.loads(found.stdout))


def many(three: Job, count: int) -> Job:
    """The sample shop with so many gaps more."""
    first, *rest = three.settings
    typed = (Typed(20 + i % 97 / 1000, "mm") for i in range(count))
    places = (30.0, 105.0, 180.0)
    gaps = (Reading(f"g{i}", "gaps", places[i % 3], -14.0, key="gap_mm", value=v) for i, v in enumerate(typed))
    return replace(three, settings=(replace(first, readings=(*first.readings, *gaps)), *rest))


@pytest.fixture
def good(tmp_path: Path, three: Job) -> bytes:
    """The sample shop, exported."""
    file = io.BytesIO()
    with Book.open(tmp_path / "from.sqlite") as book:
        book.export(book.begin(three), file)
    return file.getvalue()


LINES = {
    "one line without end": lambda size: b"9" * size,
    "brackets": lambda size: b"[" * size,
    "empty lists": lambda size: b'{"a":[' + b"[]," * (size // 3) + b"[]]}\n",
    "empty lines": lambda size: b"\n" * size,
    "lists for versions": lambda size: b'{"versions":[' + b"{}," * (size // 3) + b"{}]}\n",
}


@pytest.mark.parametrize("line", LINES.values(), ids=LINES)
@pytest.mark.parametrize(("size", "beside"), [(128 * MB, 0), (6 * MB, MB // 8)], ids=["far beyond", "just within"])
def test_a_log_costs_what_it_weighs(tmp_path: Path, good: bytes, line: object, size: int, beside: int) -> None:
    """A file of 0.13 MB with a log that unpacks to a thousand times that, and one to just less than may be: refused
    within seconds, for ten times the bytes that came in and the floor of any import."""
    assert callable(line)
    file, other = tmp_path / "bomb.zip", {f"attachments/{0:064x}": random.Random(1).randbytes(beside)} if beside else {}
    file.write_bytes(packed(sealed(unpacked(good) | other | {LOG: line(size)})))
    came = file.stat().st_size
    found = taken(tmp_path, "import", str(file))
    assert "was not taken in" in str(found.said)
    assert found.bytes < 10 * came + FLOOR, (found, came)
    assert found.seconds < 10


def test_a_bomb_that_lies_costs_no_more(tmp_path: Path, good: bytes) -> None:
    """Sizes that the file claims are no more believed than anything in it."""
    data = bytearray(packed(sealed(unpacked(good) | {LOG: b"9" * (128 * MB)})))
    claimed = (128 * MB).to_bytes(4, "little")
    while (at := data.find(claimed)) >= 0:
        data[at : at + 4] = (1000).to_bytes(4, "little")
    file = tmp_path / "liar.zip"
    file.write_bytes(data)
    found = taken(tmp_path, "import", str(file))
    assert "was not taken in" in str(found.said)
    assert found.bytes < 10 * len(data) + FLOOR


def test_a_large_job_costs_what_it_weighs(tmp_path: Path, three: Job) -> None:
    """Five thousand readings in one act come in for less than ten times what the file unpacks to, and go out so too."""
    book_path, file = tmp_path / "from.sqlite", tmp_path / "large.zip"
    with Book.open(book_path) as book, open(file, "w+b") as out:
        book.export(book.begin(many(three, 5_000)), out)
    with zipfile.ZipFile(file) as inside:
        unpacks_to = sum(entry.file_size for entry in inside.infolist())
    assert unpacks_to < ROOM + TIMES * file.stat().st_size
    found = taken(tmp_path, "import", str(file))
    assert found.said == ""
    assert found.bytes < 10 * unpacks_to + FLOOR
    gone = taken(tmp_path, "export", str(book_path))
    assert gone.said == file.stat().st_size
    assert gone.bytes < 10 * unpacks_to + FLOOR


@pytest.mark.slow
def test_an_export_is_never_held_whole(tmp_path: Path, three: Job) -> None:
    """A job with eight photographs of 20 MB goes out for the memory of a few of them."""
    with Book.open(tmp_path / "from.sqlite") as book:
        number = book.begin(three)
        for n in range(8):
            book.attach(number, f"{n}.bin", "application/octet-stream", random.Random(n).randbytes(20 * MB))
    gone = taken(tmp_path, "export", str(tmp_path / "from.sqlite"))
    assert isinstance(gone.said, int)
    assert gone.said > 160 * MB
    assert gone.bytes < 3 * 20 * MB + FLOOR


def test_what_packs_too_well_is_written_unpacked(tmp_path: Path, three: Job) -> None:
    """A job that would unpack to more than an import takes goes out unpacked, and comes in: nothing is lost to the
    limit."""
    with Book.open(tmp_path / "from.sqlite") as book, Book.open(tmp_path / "to.sqlite") as other:
        number = book.begin(three)
        book.attach(number, "empty.bin", "application/octet-stream", bytes(30 * MB))
        file = io.BytesIO()
        book.export(number, file)
        assert len(file.getvalue()) > 30 * MB
        assert other.job(other.import_(file).job_id) == three


def test_a_line_is_read_as_an_export_writes_it_and_no_other_way(tmp_path: Path, good: bytes) -> None:
    """The same act with its keys in another order, with spaces or with a key more is no line of a log."""
    files = unpacked(good)
    (act,) = acts_in(files)
    for version in act["versions"]:
        version["body"] = json.dumps(version["body"])
    with Book.open(tmp_path / "to.sqlite") as book:
        for other in (json.dumps(act), json.dumps(dict(reversed(act.items())), separators=(",", ":"))):
            data = packed(sealed(files | {LOG: f"{other}\n".encode()}))
            with pytest.raises(Exception, match="line 1 of its log cannot be read"):
                book.import_(io.BytesIO(data))
        assert book.import_(io.BytesIO(good)).how == "new"
