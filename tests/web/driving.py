"""The real command, and the two ways in which a person drives its pages: by keyboard alone, and by touch."""

from __future__ import annotations

import random
import re
import select
import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from typing import ClassVar
from urllib.parse import urlsplit

from playwright.sync_api import ConsoleMessage, Page, Request

FLAGS = [
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
]
START_S = 60.0


@dataclass
class Running:
    """A bench that runs as a person starts it."""

    process: subprocess.Popen[str]
    url: str

    @classmethod
    def start(cls, command: list[str], port: int | None = None) -> Running:
        """Start `waywright COMMAND` and wait for its address."""
        words = [sys.executable, "-m", "waywright", *command, "--port", str(port or free_port())]
        process = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
        assert process.stderr is not None
        ready, _, _ = select.select([process.stderr], [], [], START_S)
        line = process.stderr.readline() if ready else ""
        found = re.search(r"http://127\.0\.0\.1:\d+", line)
        if found is None:
            process.kill()
            raise AssertionError(f"The bench did not start: {line}{process.stderr.read()}")
        return cls(process, found[0])

    @property
    def port(self) -> int:
        """Where it listens."""
        port = urlsplit(self.url).port
        assert port is not None
        return port

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)
        if self.process.stderr is not None:
            self.process.stderr.close()

    def stop(self) -> None:
        """End it as a person does."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(10)
        if self.process.stderr is not None:
            self.process.stderr.close()


def free_port() -> int:
    """A port that nobody listens on, outside the range from which systems give ports of their own."""
    while True:
        port = random.randrange(20_000, 30_000)
        with socket.socket() as asked:
            if asked.connect_ex(("127.0.0.1", port)):
                return port


def watched(page: Page, faults: list[str]) -> Page:
    """The page, with every request that leaves the machine and every console error noted in `faults`.

    A page may say `page.allowed = "..."` of what its test provokes: a server that is down, a refusal.
    """
    allowed: list[str] = []
    page.allowed = allowed  # type: ignore[attr-defined]

    def asked(request: Request) -> None:
        host = urlsplit(request.url).hostname
        if host not in ("127.0.0.1", None):
            faults.append(f"asked {request.url}")

    def said(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning") and not any(part in message.text for part in allowed):
            faults.append(f"console: {message.text}")

    page.on("request", asked)
    page.on("console", said)
    page.on("pageerror", lambda error: faults.append(f"error: {error}"))
    return page


class Keyboard:
    """Only keys: Tab until it is reached, then type or press Enter."""

    options: ClassVar[dict[str, object]] = {"viewport": {"width": 1280, "height": 860}}

    def __init__(self, page: Page) -> None:
        self.page = page

    def reach(self, selector: str) -> None:
        """Tab to what `selector` names; fails when the keyboard cannot get there."""
        for key in ("Tab", "Shift+Tab"):
            for _ in range(160):
                if self.page.evaluate("(s) => Boolean(document.activeElement?.matches(s))", selector):
                    return
                self.page.keyboard.press(key)
        raise AssertionError(f"The keyboard does not reach {selector}.")

    def press(self, selector: str) -> None:
        """Use a link or button."""
        self.reach(selector)
        self.page.keyboard.press("Enter")

    def write(self, selector: str, text: str) -> None:
        """Type into a field, over what stands there."""
        self.reach(selector)
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)

    def choose(self, selector: str, label: str) -> None:
        """Choose from a list."""
        self.reach(selector)
        self.page.keyboard.type(label)

    def column(self, selectors: list[str], texts: list[str]) -> None:
        """Type readings down a column: Enter goes to the next place."""
        self.reach(selectors[0])
        for text in texts:
            self.page.keyboard.type(text)
            self.page.keyboard.press("Enter")


class Touch:
    """Only taps, and what a keyboard on the screen types."""

    options: ClassVar[dict[str, object]] = {
        "viewport": {"width": 360, "height": 740},
        "has_touch": True,
        "is_mobile": True,
    }

    def __init__(self, page: Page) -> None:
        self.page = page

    def press(self, selector: str) -> None:
        """Use a link or button."""
        self.page.locator(selector).first.tap()

    def write(self, selector: str, text: str) -> None:
        """Type into a field, over what stands there."""
        self.page.locator(selector).first.tap()
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)

    def choose(self, selector: str, label: str) -> None:
        """Choose from a list."""
        self.page.locator(selector).first.select_option(label=label)

    def column(self, selectors: list[str], texts: list[str]) -> None:
        """Type readings down a column, a tap each."""
        for selector, text in zip(selectors, texts, strict=True):
            self.page.locator(selector).first.tap()
            self.page.keyboard.type(text)
        self.page.keyboard.press("Enter")


def all_saved(page: Page) -> None:
    """Wait until nothing is on its way any more and the page tells what the last reading did."""
    page.wait_for_function(
        """() => {
            const told = document.querySelector("entry-grid")?.dataset ?? {};
            return !document.querySelector("[data-wait]") && Number(told.told ?? 0) >= Number(told.drawn ?? 0) &&
                !Object.keys(localStorage).some((key) => key.startsWith("waywright-unsaved-"));
        }"""
    )


def until(true: object, seconds: float = 20.0) -> None:
    """Wait until a function gives True."""
    assert callable(true)
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.05)
