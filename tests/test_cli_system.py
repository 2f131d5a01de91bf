"""The commands and the system around them: outputs that close or fill up, what is no file, interrupts at any moment."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.jobs import TWO
from tests.processes import COMMAND, MODULE, started
from tests.test_cli import GUIDEWAY, bench, refused, run  # noqa: F401 (bench is a fixture)
from waywright import jobfile
from waywright.book_commands import book_group
from waywright.cli import cli
from waywright.demo import shop
from waywright.record import Book, copies

posix = pytest.mark.skipif(os.name == "nt", reason="Windows has neither these signals nor these files")

# What each command is tried with, in a folder that holds these files; `bench` and the open demo print no result.
TRIED: dict[str, list[str]] = {
    "judge": ["judge", "guideway.csv"],
    "solve": ["solve", "two.toml"],
    "next": ["next", "two.toml"],
    "expect": ["expect", "shop.toml", "Alder", "Birch"],
    "sag": ["sag", "two.toml"],
    "demo": ["demo", "--once"],
    "book where": ["book", "where", "--book", "b.sqlite"],
    "book jobs": ["book", "jobs", "--book", "b.sqlite"],
    "book copies": ["book", "copies", "--book", "b.sqlite"],
    "book check": ["book", "check", "--book", "b.sqlite"],
    "book export": ["book", "export", "1", "{new}.zip", "--book", "b.sqlite"],
    "book import": ["book", "import", "two.toml", "--book", "{new}.sqlite"],
    "book restore": ["book", "restore", "--book", "b.sqlite"],
    "--help": ["--help"],
    "--version": ["--version"],
    "--where": ["--where"],
}

# Runs each command in a process of its own, forked after the libraries are loaded: once for each way an output ends.
FORKS = """
import json, os, sys
import numpy, scipy.sparse, scipy.optimize, scipy.stats, rich.console, sqlalchemy
from waywright import record, jobfile
from waywright.core import report
from waywright.core.next import moves
from waywright.views import terminal
from waywright.cli import main

def away(number, how):
    if how == "closed":
        os.close(number)
        setattr(sys, {1: "stdout", 2: "stderr"}[number], None)
    elif how == "full":
        os.dup2(os.open("/dev/full", os.O_WRONLY), number)
    elif how == "gone":
        reading, writing = os.pipe()
        os.close(reading)
        os.dup2(writing, number)

told = []
for count, (words, out, err) in enumerate(json.loads(sys.argv[1])):
    with open("out", "w") as printed, open("err", "w") as said:
        child = os.fork()
        if not child:
            os.dup2(printed.fileno(), 1)
            os.dup2(said.fileno(), 2)
            away(1, out)
            away(2, err)
            sys.argv = ["waywright", *(word.replace("{new}", f"new{count}") for word in words)]
            try:
                main()
            finally:
                sys.stdout and sys.stdout.flush()  # as at the end of any program
                os._exit(getattr(sys.exc_info()[1], "code", 99) or 0)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    told.append([code, open("out").read(), open("err").read()])
print(json.dumps(told))
"""
FULL = "The output cannot be written: no space left on device.\n"


def test_every_command_is_tried() -> None:
    """The table above names every command that prints a result."""
    alone = set(cli.commands) - {"bench", "book"}
    assert {name for name in TRIED if not name.startswith("-")} == alone | {f"book {n}" for n in book_group.commands}


@pytest.mark.slow
@posix
def test_outputs_that_close_or_fill_up(tmp_path: Path) -> None:
    """Of every command: a reader that has seen enough ends it without a word, a closed output is nothing to speak of,
    a full disk is a sentence; and where not even that can be said, the exit tells it."""
    (tmp_path / "two.toml").write_text(TWO, encoding="utf-8")
    (tmp_path / "guideway.csv").write_text(GUIDEWAY)
    (tmp_path / "shop.toml").write_text(shop(), encoding="utf-8")
    with Book.open(tmp_path / "b.sqlite") as book:
        book.begin(jobfile.loads(TWO))
    copies.make(tmp_path / "b.sqlite", "daily")
    asked = [(words, out, "") for words in TRIED.values() for out in ("full", "gone", "closed")]
    asked += [(TRIED["judge"], out, err) for out, err in (("full", "full"), ("closed", "closed"), ("", "gone"))]
    command = [sys.executable, "-c", FORKS, json.dumps(asked)]
    found = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=300, check=True)
    expected = {"full": 2, "gone": 141, "closed": 0, "": 0}
    for (words, out, err), (code, printed, said) in zip(asked, json.loads(found.stdout), strict=True):
        told = f"{' '.join(words)}, output {out or 'open'}, errors {err or 'open'}: {code}, {said!r}"
        assert code == expected[out], told
        assert bool(printed) == (out == ""), told
        assert said == (FULL if (out, err) == ("full", "") else ""), told


@posix
@pytest.mark.parametrize("words", [["demo", "--once"], ["--where"], ["--help"]])
def test_a_reader_that_has_seen_enough_is_no_error(words: list[str]) -> None:
    """Output of the real command into a pipe that closes early is no traceback and no message."""
    with started(COMMAND, *words) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == ""
        assert process.wait(60) == 141


@posix
def test_a_closed_output_is_not_printed_into_files(tmp_path: Path) -> None:
    """Begun with every stream closed, the real command does its work and touches no file but its own."""
    path = tmp_path / "two.toml"
    path.write_text(TWO, encoding="utf-8")
    line = f'exec "{sys.executable}" -m waywright solve "{path}" --picture "{tmp_path / "two.svg"}" <&- >&- 2>&-'
    assert subprocess.run(["sh", "-c", line], timeout=60, check=False).returncode == 0
    assert path.read_text(encoding="utf-8") == TWO
    picture = (tmp_path / "two.svg").read_text(encoding="utf-8")
    assert picture.startswith("<?xml")
    assert picture.rstrip().endswith("</svg>")


def test_a_screen_without_our_letters_shows_the_rest(tmp_path: Path) -> None:
    """Where the screen claims to know only ASCII the text is printed all the same, and JSON is whole."""
    table = tmp_path / "guideway.csv"
    table.write_text(GUIDEWAY)
    plain = os.environ | {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    text = subprocess.run([COMMAND, "judge", str(table)], env=plain, capture_output=True, check=True).stdout
    assert b"Minimum zone" in text
    data = subprocess.run([COMMAND, "judge", str(table), "--json"], env=plain, capture_output=True, check=True).stdout
    assert json.loads(data)["points"] == 7


# -- what is no file


@posix
def test_a_person_at_a_terminal_sees_how_far_it_is(tmp_path: Path) -> None:
    """What is worked out tells the share that is done where a person looks on; in a pipe nothing of it is said."""
    import pty

    job = tmp_path / "two.toml"
    job.write_text(TWO, encoding="utf-8")
    ours, theirs = pty.openpty()
    words = [*MODULE, "next", str(job)]
    told = subprocess.run(words, stdout=subprocess.PIPE, stderr=theirs, env=os.environ | {"TERM": "xterm"}, check=True)
    os.close(theirs)
    seen = b""
    with contextlib.suppress(OSError), os.fdopen(ours, "rb", buffering=0) as screen:  # its end is an error on Linux
        while more := screen.read(4096):
            seen += more
    shares = [int(n) for n in re.findall(rb"Working it out: (\d+) %", seen)]
    assert shares
    assert all(0 <= n <= 100 for n in shares)
    assert b"Working" not in told.stdout
    assert b"Working" not in subprocess.run(words, capture_output=True, check=True).stderr


@contextlib.contextmanager
def within(seconds: int) -> Iterator[None]:
    """What waits longer fails."""

    def late(*_: object) -> None:
        raise TimeoutError("it waits for something that never comes")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def a_pipe(path: Path) -> str:
    os.mkfifo(path)
    return "pipe"


def a_socket(path: Path) -> str:
    before = Path.cwd()
    os.chdir(path.parent)  # the name of a socket is short
    try:
        with socket.socket(socket.AF_UNIX) as bound:
            bound.bind(path.name)
    finally:
        os.chdir(before)
    return "socket"


def a_folder(path: Path) -> str:
    path.mkdir()
    return "folder"


def a_way_to_a_device(path: Path) -> str:
    path.symlink_to("/dev/zero")  # which never ends
    return "device"


def a_way_to_a_pipe(path: Path) -> str:
    os.mkfifo(path.with_name("aside"))
    path.symlink_to("aside")
    return "pipe"


NO_FILES = [a_pipe, a_socket, a_folder, a_way_to_a_device, a_way_to_a_pipe]
READING = ["solve {}", "next {}", "expect {} P Q", "judge {}", "book import {} --book b.sqlite"]


@posix
@pytest.mark.parametrize("make", NO_FILES)
def test_what_is_no_file_is_not_read(
    make: Callable[[Path], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pipe, socket, folder or device given as a file is a sentence at once; nothing is waited for."""
    path = tmp_path / "job.toml"
    kind = make(path)
    monkeypatch.chdir(tmp_path)
    for words in READING:
        with within(20):
            refused(run(*words.format(path.name).split()), f"job.toml is a {kind}")
    for words in ("where", "check", "import two.toml"):
        (tmp_path / "two.toml").write_text(TWO, encoding="utf-8")
        with within(20):
            refused(run("book", *words.split(), "--book", path), "job.toml is a ", "name a file")


@posix
@pytest.mark.parametrize("make", NO_FILES)
def test_a_picture_replaces_no_pipe_or_device(make: Callable[[Path], str], bench: Path, tmp_path: Path) -> None:  # noqa: F811
    """Where a picture should go and something else than a file stands, that stays as it is, and it is said."""
    path = tmp_path / "picture.svg"
    kind = make(path)
    before = os.lstat(path)
    with within(60):
        found = run("solve", bench, "--picture", path)
    assert found.exit_code == 2
    assert kind in found.stderr or "directory" in found.stderr
    after = os.lstat(path)
    assert (after.st_ino, after.st_mode) == (before.st_ino, before.st_mode)
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted({"bench.toml", "picture.svg"} | _aside(tmp_path))


def _aside(folder: Path) -> set[str]:
    return {"aside"} if os.path.lexists(folder / "aside") else set()


@posix
def test_a_picture_goes_where_a_link_leads(bench: Path, tmp_path: Path) -> None:  # noqa: F811
    """A link to a picture, there already or not yet, stays a link; the picture it leads to is drawn."""
    for name in ("there", "new"):
        target = tmp_path / f"{name} picture"
        if name == "there":
            target.write_text("an older one")
        link = tmp_path / f"{name}.svg"
        link.symlink_to(target.name)
        assert run("solve", bench, "--picture", link).exit_code == 0
        assert link.is_symlink()
        assert "<svg" in target.read_text(encoding="utf-8")


# -- interrupts


def loaded(errors: Path, module: str) -> Callable[[], bool]:
    """Whether a process that tells its imports there has loaded a module."""
    line = re.compile(rf"\|\s+{re.escape(module)}$", re.MULTILINE)
    return lambda: line.search(errors.read_text(errors="replace")) is not None


def until(true: Callable[[], bool], process: subprocess.Popen[str], seconds: float = 120.0) -> None:
    """Wait until something is so, while the process runs."""
    end = time.monotonic() + seconds
    while not true():
        assert process.poll() is None, "it ended before"
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.005)


def said_in(errors: Path) -> str:
    """What a process that tells its imports said besides."""
    lines = errors.read_text(errors="replace").splitlines()
    return "\n".join(line for line in lines if not line.startswith("import time:")).strip()


TOLD = (sys.executable, "-X", "importtime", "-m", "waywright")  # it says what it has loaded
MOMENTS = [
    *(("bench", module) for module in ("click.core", "numpy", "sqlalchemy.engine", "starlette.routing", "the book")),
    *(("demo", module) for module in ("h11", "the book")),
]


@posix
@pytest.mark.parametrize("presses", [1, 2])
@pytest.mark.parametrize(("command", "moment"), MOMENTS)
def test_interrupted_while_it_starts(command: str, moment: str, presses: int, tmp_path: Path) -> None:
    """Ctrl-C, pressed once or twice while the bench is loaded or opens its book, ends it with 130, without a word; the
    sample's folder goes with it, and a book begun is a sound one."""
    errors, book = tmp_path / "errors", tmp_path / "book.sqlite"
    words = [command, "--port", str(_free_port()), *(["--book", str(book)] if command == "bench" else [])]
    with open(errors, "w") as told, started(*TOLD, *words, stderr=told, env=_apart(tmp_path)) as process:
        if moment == "the book":
            until(lambda: book.exists() or any(tmp_path.glob("waywright-sample-*/sample.sqlite")), process)
        else:
            until(loaded(errors, moment), process)
        for _ in range(presses):
            process.send_signal(signal.SIGINT)
        assert process.wait(60) == 130, said_in(errors)
    assert re.sub(r"The bench is open at .*", "", said_in(errors)).strip() == ""
    assert list(tmp_path.glob("waywright-sample-*")) == []
    if book.exists() and book.stat().st_size:
        assert run("book", "check", "--book", book).exit_code == 0


def _apart(folder: Path) -> dict[str, str]:
    return os.environ | {"TMPDIR": str(folder), "XDG_DATA_HOME": str(folder / "data")}


def _free_port() -> int:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


@posix
def test_ended_while_the_sample_opens(tmp_path: Path) -> None:
    """A request to end that comes while the sample is put into its book leaves nothing of it either."""
    for sign in (signal.SIGTERM, signal.SIGHUP):
        with started(*MODULE, "demo", "--port", str(_free_port()), env=_apart(tmp_path)) as process:
            until(lambda: any(tmp_path.glob("waywright-sample-*/sample.sqlite")), process)
            process.send_signal(sign)
            out, err = process.communicate(timeout=60)
        assert (process.returncode, out, re.sub(r"The bench is open at .*\n", "", err)) == (0, "", "")
        assert list(tmp_path.glob("waywright-sample-*")) == []


@posix
def test_interrupted_in_earnest_it_is_quiet(tmp_path: Path) -> None:
    """A real SIGINT while it prints into a pipe that nobody empties ends the real command with 130 and no traceback."""
    path, errors = tmp_path / "two.toml", tmp_path / "errors"
    path.write_text(TWO, encoding="utf-8")
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(writing, b" " * 512)
    os.set_blocking(writing, True)
    with open(errors, "w") as told, started(*TOLD, "solve", path, stdout=writing, stderr=told) as process:
        until(loaded(errors, "waywright.views.terminal"), process)
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 130
    os.close(reading)
    os.close(writing)
    assert said_in(errors) == ""


@posix
def test_started_in_the_background_it_is_not_interrupted(tmp_path: Path) -> None:
    """A program begun with SIGINT ignored, as a shell begins what it puts in the background, goes on being so."""
    path = tmp_path / "two.toml"
    path.write_text(TWO, encoding="utf-8")
    errors = tmp_path / "errors"
    line = f'trap "" INT; exec "{sys.executable}" -X importtime -m waywright solve "{path}" --json'
    with open(errors, "w") as told, started("sh", "-c", line, stderr=told) as process:
        for moment in ("click.core", "numpy", "waywright.core.report"):
            until(loaded(errors, moment), process)
            process.send_signal(signal.SIGINT)
        out, _ = process.communicate(timeout=60)
    assert (process.returncode, said_in(errors)) == (0, "")
    assert json.loads(out)["faces"]
