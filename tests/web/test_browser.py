"""Every page in a real browser: nobody is shut out, nothing is too heavy, and without JavaScript it still saves."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page

from tests.processes import MODULE, started
from tests.web.driving import Keyboard, Running, Touch, all_saved, free_port
from tests.web.test_unsaved import CELL, begin, ready
from waywright.record import Book

AXE = Path(__file__).parent / "vendor" / "axe.min.js"
LAYUP = "/jobs/2/setting?id=layups%5B1%5D"
PATHS = [
    *("/", "/jobs/new", "/jobs/2", "/jobs/1", LAYUP, f"{LAYUP}&way=stacks", "/jobs/2/setting?id=crosses%5B0%5D"),
    *("/jobs/2/setting/new", "/jobs/2/setting/new?kind=crosses", "/jobs/2/face?name=Birch", "/jobs/2/drawn?name=Birch"),
    *(
        "/jobs/2/expect?id=layups%5B1%5D",
        "/jobs/2/rounds",
        "/jobs/2/things",
        "/jobs/2/stacks?wanted=20;20,002",
        "/jobs/2/sheet?id=layups%5B0%5D",
    ),
    *("/jobs/2/papers", "/jobs/2/papers?about=setting%20layups%5B0%5D", "/jobs/2/history"),
    *("/jobs/2/carry", "/jobs/2/next", "/specimens", "/nothing"),
]
HEAVIEST = 300_000
SETTLED = """() => (window.htmx || !document.querySelector("script[src*=htmx]")) &&
    !document.querySelector(".htmx-request")"""
WEIGHT = """() => ["navigation", "resource"].flatMap((kind) => performance.getEntriesByType(kind))
    .reduce((sum, one) => sum + one.decodedBodySize, 0)"""

FAULTS = """async () => (await axe.run({ resultTypes: ["violations"] })).violations
    .map((v) => [v.id, v.nodes[0].html])"""


@pytest.fixture(scope="module")
def sample() -> Iterator[Running]:
    """The sample shop, as `waywright demo` opens it."""
    one = Running.start(["demo"])
    yield one
    one.stop()


@pytest.mark.parametrize("hands", [Keyboard, pytest.param(Touch, marks=pytest.mark.slow)])
def test_every_page(hands: type[Keyboard | Touch], sample: Running, new_page: Callable[..., Page]) -> None:
    """axe finds nothing, nothing sticks out sideways, no page weighs over 300 kB, and all of it comes from here."""
    page = new_page(**hands.options, bypass_csp=True)  # axe is put into the page from outside
    page.allowed.append("status of 404")  # type: ignore[attr-defined]
    for path in PATHS:
        page.goto(sample.url + path)
        page.wait_for_function(SETTLED)
        assert 0 < page.evaluate(WEIGHT) <= HEAVIEST, path
        page.evaluate("() => { for (const one of document.querySelectorAll('details')) one.open = true; }")
        page.add_script_tag(path=AXE)
        found = page.evaluate(FAULTS)
        assert found == [], path
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, path


def test_the_sample_is_not_the_real_book(sample: Running, new_page: Callable[..., Page]) -> None:
    """The demo says that it is the sample shop, and lies in a folder of its own."""
    page = new_page()
    page.goto(sample.url)
    assert page.locator(".sample").inner_text() == "sample shop"
    assert "waywright-sample-" in page.locator("main").inner_text()


def test_saving_without_javascript(
    running: Callable[..., Running], new_page: Callable[..., Page], tmp_path: Path
) -> None:
    """With scripts switched off a job is begun and readings are saved, corrected and tried stack by stack."""
    bench = running()
    page = new_page(java_script_enabled=False)
    page.goto(f"{bench.url}/jobs/new")
    page.locator(".form button").click()
    page.locator(CELL.format(0)).fill("20,001")
    page.locator(CELL.format(100)).fill("20,002")
    page.locator(".plain-save button").click()
    page.locator(CELL.format(100)).fill("20,003")
    page.locator(".plain-save button").click()
    page.get_by_role("link", name="Stack by stack").click()
    page.locator('input[name="stack"]').fill("20.004")
    page.locator('.try[data-place="gaps;200;;"] input[value="goes"]').check()
    page.locator(".plain-save button").click()
    with Book.open(tmp_path / "bench.sqlite") as book:
        found = [r for r in book.job(1).settings[0].readings if r.entry == "gaps"]
    assert [(r.value or r.low).text for r in found] == ["20,001", "20,002", "20,003", "20.004"]  # type: ignore[union-attr]


def test_stack_by_stack_by_keyboard(
    running: Callable[..., Running], new_page: Callable[..., Page], tmp_path: Path
) -> None:
    """A stack is typed once; g, j and n at each place, Enter leaves one; then the next stack."""
    bench = running()
    page = new_page()
    begin(page, bench)
    page.goto(f"{bench.url}/jobs/1/setting?id=layups%5B0%5D&way=stacks")
    ready(page)
    for stack, keys in (("20.000", "ggng\n\n\n"), ("20.002", "nnnngjj")):
        page.keyboard.type(stack)
        page.keyboard.press("Enter")
        for key in keys:
            page.keyboard.press("Enter" if key == "\n" else key)
        assert page.evaluate("document.activeElement.name") == "stack"
        all_saved(page)
    with Book.open(tmp_path / "bench.sqlite") as book:
        job = book.job(1)
        kept = [r for r in job.settings[0].readings if r.entry == "gaps" and r.id not in job.corrected()]
    told = {r.x_mm: [t.text if t else "" for t in (r.low, r.value, r.high)] for r in kept}
    assert told[0.0] == ["20.000", "", "20.002"]
    assert told[300.0] == ["20.000", "", "20.002"]
    assert told[200.0] == ["", "", "20.000"]
    assert told[400.0] == ["20.002", "", ""]
    assert told[600.0] == ["", "20.002", ""]


def test_a_column_is_pasted(running: Callable[..., Running], new_page: Callable[..., Page]) -> None:
    """A column copied from a spreadsheet fills the places downwards: one request for all of them."""
    bench = running()
    page = new_page()
    begin(page, bench)
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.url) if request.method == "POST" else None)
    page.locator(CELL.format(100)).focus()
    page.evaluate(
        """() => {
            const data = new DataTransfer();
            data.setData("text", "20,001\\r\\n20,002\\r\\n20,003\\r\\n");
            document.activeElement.dispatchEvent(new ClipboardEvent("paste", { clipboardData: data, bubbles: true }));
        }"""
    )
    all_saved(page)
    assert [page.locator(CELL.format(x)).input_value() for x in (0, 100, 300)] == ["", "20,001", "20,003"]
    assert len(sent) == 1


def test_one_request_a_reading_draws_the_shape_anew(sample: Running, new_page: Callable[..., Page]) -> None:
    """Typing one reading and Enter is one request, whose answer changes the shape and the next move."""
    page = new_page()
    page.goto(f"{sample.url}{LAYUP}")
    ready(page)
    line = page.locator("#live-faces path.line").first
    before, told = line.get_attribute("d"), page.locator("#live-head").inner_text()
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.url))
    cell = page.locator('tr[data-place="gaps;180;14;"] input[name^="goes_mm."]')
    cell.fill("19.998")
    page.locator('tr[data-place="gaps;180;14;"] input[name^="stops_mm."]').fill("20.000")
    page.keyboard.press("Enter")
    all_saved(page)
    page.wait_for_function("(d) => document.querySelector('#live-faces path.line').getAttribute('d') !== d", arg=before)
    assert "Rowan on Alder, marks together, at 180 mm on the far line (y 14): it reads about" in told
    assert "180, 14" not in page.locator("#live-head").inner_text()
    assert 1 <= len(sent) <= 2  # leaving the first field saved it alone


def test_typed_over_it_is_one_request_again(running: Callable[..., Running], new_page: Callable[..., Page]) -> None:
    """However often a reading is typed over, each time is one request: what the last answer brought is no change."""
    bench = running()
    page = new_page()
    begin(page, bench)
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.url) if request.method == "POST" else None)
    for count, text in enumerate(("20.001", "20.002", "20.003"), 1):
        page.locator(CELL.format(0)).fill(text)
        page.keyboard.press("Enter")
        all_saved(page)
        page.keyboard.press("Tab")
        all_saved(page)
        assert len(sent) == count


def test_enter_goes_to_what_is_typed_next(
    running: Callable[..., Running], new_page: Callable[..., Page], tmp_path: Path
) -> None:
    """Behind a stack that goes comes the one that does not, behind that the next place: two brackets are typed by
    numbers and Enter alone; a stack that just goes is followed by that of the next place."""
    bench = running()
    page = new_page()
    page.goto(f"{bench.url}/jobs/new")
    page.locator(".form button").click()
    page.wait_for_selector("html.scripted")
    page.locator('tr[data-place="gaps;0;;"] input[name^="goes_mm."]').click()
    for text in ("20.004", "20.006", "20.008", "20.010"):
        page.keyboard.type(text)
        page.keyboard.press("Enter")
    page.locator('tr[data-place="gaps;300;;"] input[name^="just_mm."]').click()
    for text in ("20.005", "20.003"):
        page.keyboard.type(text)
        page.keyboard.press("Enter")
    all_saved(page)
    with Book.open(tmp_path / "bench.sqlite", create=False) as book:
        job = book.job(1)
    gone = job.corrected()
    found = [r for r in job.settings[0].readings if r.entry == "gaps" and r.id not in gone]
    brackets = [(r.x_mm, r.low.number, r.high.number) for r in found if r.low and r.high]
    assert brackets == [(0.0, 20.004, 20.006), (100.0, 20.008, 20.010)]
    assert [(r.x_mm, r.value.number) for r in found if r.value] == [(300.0, 20.005), (400.0, 20.003)]


def test_half_a_number_survives_a_reload(running: Callable[..., Running], new_page: Callable[..., Page]) -> None:
    """A number that is half typed is there after the page is loaded again, said to be not saved, and is saved with the
    next Enter; once saved, nothing of it comes back."""
    bench = running()
    page = new_page()
    page.goto(f"{bench.url}/jobs/new")
    page.locator(".form button").click()
    page.wait_for_selector("html.scripted")
    cell = page.locator('tr[data-place="gaps;100;;"] input[name^="just_mm."]')
    assert cell.get_attribute("inputmode") == "decimal"
    cell.click()
    page.keyboard.type("20.00")
    page.reload()
    page.wait_for_selector("html.scripted")
    assert cell.input_value() == "20.00"
    assert "not saved" in page.locator('tr[data-place="gaps;100;;"]').inner_text()
    cell.click()
    page.keyboard.press("End")
    page.keyboard.type("4")
    page.keyboard.press("Enter")
    all_saved(page)
    cell.fill("20.009")
    page.reload()
    page.wait_for_selector("html.scripted")
    assert cell.input_value() == "20.009"
    cell.fill("20.004")
    page.reload()
    page.wait_for_selector("html.scripted")
    assert cell.input_value() == "20.004"
    assert "not saved" not in page.locator('tr[data-place="gaps;100;;"]').inner_text()


def test_undo_comes_back_to_the_same_place(running: Callable[..., Running], new_page: Callable[..., Page]) -> None:
    """A reading typed by a slip is taken back from where one stands."""
    bench = running()
    page = new_page()
    begin(page, bench)
    assert not page.locator("form.undo").is_visible()
    page.locator(CELL.format(0)).fill("20.001")
    page.keyboard.press("Enter")
    all_saved(page)
    page.get_by_role("button", name="Undo").click()
    page.wait_for_selector("html.scripted")
    assert page.locator(CELL.format(0)).input_value() == ""


PASTED_S = """(cell, text) => {
    const data = new DataTransfer();
    data.setData("text/plain", text);
    const start = performance.now();
    cell.dispatchEvent(new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true }));
    return (performance.now() - start) / 1000;
}"""


def test_an_endless_paste_holds_nothing_up(running: Callable[..., Running], new_page: Callable[..., Page]) -> None:
    """Line ends by the hundred thousand around a column are passed over; the column is saved."""
    bench = running()
    page = new_page()
    begin(page, bench)
    cell = page.locator(CELL.format(0))
    took_s = cell.evaluate(PASTED_S, "20.001\n20.002" + "\n" * 200_000 + "x" + "\n" * 200_000)
    all_saved(page)
    assert [page.locator(CELL.format(x)).input_value() for x in (0, 100)] == ["20.001", "20.002"]
    assert took_s < 10  # a minute, where every line end looks at all after it


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_the_sample_leaves_nothing_behind(sign: signal.Signals, tmp_path: Path) -> None:
    """However it is ended, the sample shop's own book goes with it."""
    with started(*MODULE, "demo", "--port", str(free_port()), env=os.environ | {"TMPDIR": str(tmp_path)}) as shop:
        assert shop.stderr is not None
        assert "http://127.0.0.1:" in shop.stderr.readline()
        assert list(tmp_path.glob("waywright-sample-*/sample.sqlite"))
        shop.send_signal(sign)
        shop.wait(20)
        assert "Traceback" not in shop.stderr.read()
    assert not list(tmp_path.glob("waywright-sample-*"))
