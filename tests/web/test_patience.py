"""Clients that open connections and never finish what they say: the real command goes on answering everybody else."""

from __future__ import annotations

import contextlib
import re
import select
import socket
import sys
import time
from collections.abc import Callable, Iterator
from http.client import HTTPConnection

import pytest

from tests.processes import started
from tests.web.driving import free_port, until
from waywright.web.patience import BODY_S, HEAD_S, MOST_CONNECTIONS

HEAD = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "
FORM = b"POST /units HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\n"
Clients = Callable[[int, int, bytes], list[socket.socket]]
PROMPT_S = 10.0  # an answer to others, on a busy machine
SHORT_S = 1.5  # that a head is waited for here


@pytest.fixture
def clients() -> Iterator[Clients]:
    """Opens so many connections to a port, each of which begins to say something; all are closed with the test."""
    with contextlib.ExitStack() as opened:

        def begin(port: int, count: int, says: bytes) -> list[socket.socket]:
            found = []
            for _ in range(count):
                one = opened.enter_context(socket.create_connection(("127.0.0.1", port), timeout=PROMPT_S))
                with contextlib.suppress(OSError):  # closed already
                    one.sendall(says)
                found.append(one)
            return found

        yield begin


def still_open(connections: list[socket.socket], says: bytes = b"") -> list[socket.socket]:
    """Those that the bench still listens to, after another letter on each."""
    found = []
    for one in connections:
        with contextlib.suppress(OSError):
            one.sendall(says)
            ready, _, _ = select.select([one], [], [], 0)
            if not ready or one.recv(65_536):
                found.append(one)
    return found


def asks(port: int) -> tuple[int, float]:
    """Another tab: the answer's status and how long it took (s)."""
    start = time.monotonic()
    with contextlib.closing(HTTPConnection("127.0.0.1", port, timeout=30)) as other:
        other.request("GET", "/")
        answer = other.getresponse()
        answer.read()
        return answer.status, time.monotonic() - start


@contextlib.contextmanager
def waiting(**seconds: float) -> Iterator[int]:
    """The port of a sample bench that waits for less long than it would."""
    shorter = "; ".join(f"patience.{name} = {limit}" for name, limit in seconds.items())
    code = f"from waywright.web import patience; {shorter}; from waywright.__main__ import main; main()"
    with started(sys.executable, "-c", code, "demo", "--port", str(free_port())) as process:
        assert process.stderr is not None
        found = re.search(r"http://127\.0\.0\.1:(\d+)", process.stderr.readline())
        assert found is not None
        yield int(found[1])
        process.terminate()
        process.wait(20)


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    """Of a bench that waits a second and a half for a head, and as long as ever for a form."""
    with waiting(HEAD_S=SHORT_S) as found:
        yield found


@pytest.fixture
def hasty() -> Iterator[int]:
    """Of a bench that waits a second for a form."""
    with waiting(BODY_S=1.0) as found:
        yield found


@pytest.mark.parametrize("says", [HEAD, FORM + b"Content-Length: 1000\r\n\r\n"], ids=["heads", "forms"])
def test_slow_clients_hold_nobody_up(says: bytes, port: int, clients: Clients) -> None:
    """Three times as many clients as the bench has connections send a letter at a time, of a head or of a form: other
    tabs are answered all the while, no more connections are kept than there should be, and heads have an end."""
    slow = clients(port, 3 * MOST_CONNECTIONS, says)
    end = time.monotonic() + SHORT_S + 3
    left = slow
    while time.monotonic() < end:
        status, took_s = asks(port)
        assert status == 200
        assert took_s < PROMPT_S
        left = still_open(left, b"a")
        time.sleep(0.2)
    until(lambda: len(still_open(left)) <= (0 if says is HEAD else MOST_CONNECTIONS))


def test_who_says_nothing_is_not_waited_for(port: int, clients: Clients) -> None:
    """A connection that stays silent, one that sends only line ends, and one that begins a second request and does not
    finish it, are closed."""
    begun = clients(port, 1, HEAD + b"\r\n\r\n" + HEAD)[0]
    lines = clients(port, 1, b"\r\n")[0]
    open_still = [*clients(port, 3, b""), begun, lines]
    end = time.monotonic() + 2 * SHORT_S + 5
    while open_still and time.monotonic() < end:
        time.sleep(0.2)
        with contextlib.suppress(OSError):
            lines.sendall(b"\r\n")
        open_still = still_open(open_still)
    assert not open_still
    assert HEAD_S < 30  # as it is


def test_a_form_may_take_its_time(port: int, clients: Clients) -> None:
    """What comes over a slow line is waited for longer than a head is."""
    slow = clients(port, 1, FORM + b"Content-Length: 10\r\n\r\nunits")[0]
    time.sleep(SHORT_S + 1)
    assert BODY_S > 20 * HEAD_S  # as it is
    slow.sendall(b"=inch")
    slow.settimeout(PROMPT_S)
    assert slow.recv(1_000).startswith(b"HTTP/1.1 303")


def test_a_form_has_an_end(hasty: int, clients: Clients) -> None:
    """A form of which a letter comes now and then is not waited for for ever; changes nothing, and others go on."""
    (slow,) = clients(hasty, 1, FORM + b"Content-Length: 1000\r\n\r\n")
    left, end = [slow], time.monotonic() + 10
    while left and time.monotonic() < end:
        time.sleep(0.1)
        left = still_open(left, b"u")
    assert not left
    assert asks(hasty)[0] == 200
    assert BODY_S < 600  # as it is
