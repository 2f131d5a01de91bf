"""The bench in a real browser: from the press of Enter to the new shape, and what a page weighs.

Three faces of 13 stations on 3 lines, laid in both turns: one reading is typed over again and again. The first figure
is until the drawing has changed, the second until verdicts and the next move stand beside it. The third is the first
again for a hand that types on as soon as it sees the drawing, while the reading before is still being judged. Medians.
"""

from __future__ import annotations

import re
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from benchmarks.row import Row
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.things import Face, Instrument, Piece
from waywright.core.readings import LayUp
from waywright.record import Book

if TYPE_CHECKING:
    from playwright.sync_api import Page

REPEATS = 15
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
WEIGHT = """() => ["navigation", "resource"].flatMap((kind) => performance.getEntriesByType(kind))
    .reduce((sum, one) => sum + one.decodedBodySize, 0)"""
STATIONS_MM, LINES_MM, RESTS_MM = tuple(np.linspace(20.0, 620.0, 13).tolist()), (-14.0, 0.0, 14.0), (140.0, 500.0)


def rows() -> list[Row]:
    """Key press to shape, to verdicts, and the weight of the entry page and of a job's."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        raise SystemExit("This benchmark needs chromium (on Debian: apt-get install chromium).")
    from playwright.sync_api import sync_playwright

    with _bench() as url, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        page = browser.new_page()
        weight = dict.fromkeys(("setting?id=layups%5B0%5D", ""), 0)
        for place in weight:
            page.goto(f"{url}/jobs/1/{place}".rstrip("/"))
            page.wait_for_load_state("networkidle")
            weight[place] = int(page.evaluate(WEIGHT))
        page.goto(f"{url}/jobs/1/setting?id=layups%5B0%5D")
        page.wait_for_selector("html.scripted")
        told = [_typed(page, k, "told") for k in range(REPEATS)]
        at_once = [_typed(page, k, "drawn") for k in range(REPEATS, 2 * REPEATS)]
        browser.close()
    shape, shape_at_once = (statistics.median(float(one["drawnMs"]) / 1e3 for one in each) for each in (told, at_once))
    judged = statistics.median(float(one["toldMs"]) / 1e3 for one in told)
    entry_kb, job_kb = (size / 1e3 for size in weight.values())
    return [
        Row("key press to new shape, 3 faces x 13 stations x 3 lines", shape, None, shape, "<= 0.15"),
        Row("key press to verdicts and next move, the same job", judged, None, judged),
        Row("key press to new shape while the one before is judged", shape_at_once, None, shape_at_once),
        Row("weight of the entry page with all it loads", entry_kb, None, entry_kb, "<= 300", "kB"),
        Row("weight of a job's page with all it loads", job_kb, None, job_kb, "<= 300", "kB"),
    ]


def _typed(page: Page, k: int, until: str) -> dict[str, str]:
    """Type the reading number `k`, wait until it is drawn or told, and what the form noted of its times."""
    page.locator('tr[data-place="gaps;320;0;"] input[name^="just_mm."]').fill(f"20.{k % 15 + 1:03d}")
    page.keyboard.press("Enter")
    done = "([what, n]) => document.querySelector('entry-grid').dataset[what] === String(n)"
    page.wait_for_function(done, arg=[until, k + 2], timeout=60_000)
    found: dict[str, str] = page.locator("entry-grid").evaluate("(one) => ({ ...one.dataset })")
    return found


def job() -> Job:
    """Three edges read in both turns, the readings those of flat faces and an unsteady hand."""
    rng = np.random.default_rng(1)
    pieces = tuple(Piece(n, (Face(n, 640.0, 42.0, STATIONS_MM, LINES_MM, "top", "scraped"),)) for n in ("P", "Q", "R"))
    settings: list[Setting] = []
    for turn in ("over", "end for end"):
        for lower, upper in (("P", "Q"), ("P", "R"), ("Q", "R")):
            sid = f"layups[{len(settings)}]"
            spacers = [_read(f"{sid}.spacers[{i}]", "spacers", "size_mm", x, 0.0, 20.0) for i, x in enumerate(RESTS_MM)]
            places = [(x, y) for x in STATIONS_MM for y in LINES_MM]
            gaps = [
                _read(f"{sid}.gaps[{k}]", "gaps", "just_mm", x, y, round(20 + float(rng.normal(0, 0.001)), 3))
                for k, (x, y) in enumerate(places)
            ]
            layup = LayUp(lower, upper, turn)
            settings.append(Setting(sid, layup, tuple(spacers + gaps), instrument="blocks"))
    blocks = (Instrument("blocks", "gauge blocks", grade="1"),)
    return Job("Three edges", pieces, blocks, tuple(settings), (), Goal(straightness_um=6.0))


def _read(own: str, entry: str, key: str, x_mm: float, y_mm: float, number_mm: float) -> Reading:
    return Reading(own, entry, x_mm, y_mm, key=key, value=Typed(number_mm, "mm"))


@contextmanager
def _bench() -> Iterator[str]:
    """The real command over a book that holds the job."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "book.sqlite"
        with Book.open(path) as book:
            book.begin(job())
        command = [sys.executable, "-m", "waywright", "bench", "--book", str(path)]
        with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
            try:
                assert process.stderr is not None
                found = re.search(r"http://\S+", process.stderr.readline())
                assert found is not None
                yield found[0]
            finally:
                process.terminate()
