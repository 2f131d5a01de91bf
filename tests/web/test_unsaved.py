"""A reading typed while the bench is down is kept, shown as not saved, and saved once, in order, later."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.web.driving import Running, all_saved, until
from waywright.core.evidence.job import Reading
from waywright.record import Book

DOWN = (
    *("ERR_CONNECTION_REFUSED", "ERR_CONNECTION_RESET", "ERR_EMPTY_RESPONSE"),
    *("ERR_INCOMPLETE_CHUNKED_ENCODING", "ERR_CONTENT_LENGTH_MISMATCH"),  # killed in the middle of an answer
)
CELL = 'tr[data-place="gaps;{:g};;"] input[name^="just_mm."]'
SETTING = "/jobs/1/setting?id=layups%5B0%5D"


def begin(page: Page, bench: Running) -> None:
    """A new job, its first lay-up open and ready to type into."""
    page.goto(f"{bench.url}/jobs/new")
    page.locator(".form button").click()
    ready(page)


def ready(page: Page) -> None:
    """Wait for the page's script."""
    page.wait_for_selector("html.scripted")


def write(page: Page, x_mm: float, text: str) -> None:
    """Type one reading."""
    page.locator(CELL.format(x_mm)).fill(text)
    page.keyboard.press("Enter")


def gaps(path: Path) -> list[Reading]:
    """Every gap in the book, corrected ones too, in the order in which they were saved."""
    with Book.open(path, create=False) as book:
        return [r for r in book.job(1).settings[0].readings if r.entry == "gaps"]


def numbers(path: Path) -> list[float]:
    """Their values."""
    return [r.value.number for r in gaps(path) if r.value is not None]


def test_typed_while_down_is_saved_later(
    running: Callable[..., Running], new_page: Callable[..., Page], tmp_path: Path
) -> None:
    """Killed in mid-work: what is typed is shown as not saved; when the bench is back it is saved once, in order."""
    bench = running()
    page = new_page()
    page.allowed.extend(DOWN)  # type: ignore[attr-defined]
    begin(page, bench)
    write(page, 0, "20.001")
    all_saved(page)
    bench.kill()
    for x, text in ((100, "20.002"), (200, "20.003"), (100, "20.004")):  # the last types over one not saved yet
        write(page, x, text)
    told = page.locator("unsaved-readings")
    told.get_by_text("3 readings are not saved yet").wait_for()
    assert "100: 20.002" in told.inner_text()
    assert numbers(tmp_path / "bench.sqlite") == [20.001]
    running(port=bench.port)
    all_saved(page)
    told.wait_for(state="hidden")
    found = gaps(tmp_path / "bench.sqlite")
    assert [r.value.number for r in found if r.value] == [20.001, 20.002, 20.003, 20.004]
    assert found[3].corrects == found[1].id


@pytest.mark.slow
def test_closed_while_down_is_saved_when_next_opened(
    running: Callable[..., Running], new_page: Callable[..., Page], browser: Browser, tmp_path: Path
) -> None:
    """The page is closed with readings not saved: any page opened later with the bench up saves them."""
    bench = running()
    context = browser.new_context()
    page = new_page(context)
    page.allowed.extend(DOWN)  # type: ignore[attr-defined]
    begin(page, bench)
    bench.kill()
    write(page, 0, "20.001")
    write(page, 100, "20.002")
    page.locator("unsaved-readings").get_by_text("2 readings are not saved yet").wait_for()
    page.close()
    running(port=bench.port)
    other = new_page(context)
    other.goto(bench.url)
    all_saved(other)
    assert numbers(tmp_path / "bench.sqlite") == [20.001, 20.002]
    other.goto(f"{bench.url}{SETTING}")
    assert other.locator(CELL.format(100)).input_value() == "20.002"
    context.close()


@pytest.mark.slow
def test_killed_at_random_while_two_type(
    running: Callable[..., Running], new_page: Callable[..., Page], browser: Browser, tmp_path: Path
) -> None:
    """Two tabs type while the bench is killed and started again: each reading is there once, each tab's in order."""
    bench = running()
    context = browser.new_context()
    tabs = [new_page(context), new_page(context)]
    for page in tabs:
        page.allowed.extend(DOWN)  # type: ignore[attr-defined]
    begin(tabs[0], bench)
    tabs[1].goto(f"{bench.url}{SETTING}")
    ready(tabs[1])
    rng, typed = random.Random(20261125), [list[float](), list[float]()]
    for kill in range(3):
        for k in range(4):
            for tab, page in enumerate(tabs):
                value = 20 + (100 * tab + 10 * kill + k + 1) / 1000
                write(page, (3 * tab + k % 3) * 100, f"{value:.3f}")
                typed[tab].append(round(value, 3))
            if k == rng.randrange(4):
                bench.kill()
        if bench.process.poll() is None:
            bench.kill()
        bench = running(port=bench.port)
    for page in tabs:
        all_saved(page)
    found = numbers(tmp_path / "bench.sqlite")
    assert sorted(found) == sorted(typed[0] + typed[1])
    assert [v for v in found if v < 20.1] == typed[0]
    assert [v for v in found if v > 20.1] == typed[1]
    with Book.open(tmp_path / "bench.sqlite") as book:
        assert book.problems() == []
    context.close()


def test_refused_is_shown_and_the_rest_goes_on(
    running: Callable[..., Running], new_page: Callable[..., Page], tmp_path: Path
) -> None:
    """A number that cannot be read is told at its place and at the top; what comes after it is saved."""
    bench = running()
    page = new_page()
    page.allowed.append("status of 422")  # type: ignore[attr-defined]
    begin(page, bench)
    write(page, 0, "2o.001")
    write(page, 100, "20.002")
    told = page.locator("unsaved-readings")
    told.get_by_text("2o.001").wait_for()
    until(lambda: numbers(tmp_path / "bench.sqlite") == [20.002])
    assert page.locator(CELL.format(0)).input_value() == "2o.001"
    write(page, 0, "20.001")
    until(lambda: numbers(tmp_path / "bench.sqlite") == [20.002, 20.001])
    told.wait_for(state="hidden")  # put right, it is no longer told
    write(page, 200, "2o.003")
    told.get_by_role("button", name="Let it go").click()
    told.wait_for(state="hidden")


@pytest.mark.parametrize("order", [("goes_mm", "stops_mm"), ("stops_mm", "goes_mm")])
def test_both_ends_of_a_bracket_change_in_any_order(
    order: tuple[str, str], running: Callable[..., Running], new_page: Callable[..., Page], tmp_path: Path
) -> None:
    """A bracket moves up, or down, by typing over its ends one after the other, whichever comes first; what was
    upside down in between is not left standing as not saved."""
    bench = running()
    page = new_page()
    page.allowed.append("422")  # type: ignore[attr-defined]
    begin(page, bench)
    row = 'tr[data-place="gaps;100;;"]'

    def typed(key: str, text: str) -> None:
        page.locator(f"{row} input[name^='{key}.']").fill(text)
        page.keyboard.press("Enter")

    typed("goes_mm", "20.004")
    typed("stops_mm", "20.006")
    all_saved(page)
    for goes, stops in (("20.010", "20.012"), ("20.000", "20.002")):
        for key in order:
            typed(key, {"goes_mm": goes, "stops_mm": stops}[key])
            page.wait_for_timeout(300)
        page.locator("unsaved-readings").wait_for(state="hidden")
        page.locator(f"{row} [data-mark]").get_by_text("✓").wait_for()
        last = gaps(tmp_path / "bench.sqlite")[-1]
        assert last.low is not None
        assert last.high is not None
        assert (last.low.number, last.high.number) == (float(goes), float(stops))


@pytest.mark.slow
def test_two_tabs_change_one_reading(
    running: Callable[..., Running], new_page: Callable[..., Page], browser: Browser, tmp_path: Path
) -> None:
    """The second is shown both values and keeps either; the history has both."""
    bench = running()
    context = browser.new_context()
    one, other = new_page(context), new_page(context)
    other.allowed.append("status of 409")  # type: ignore[attr-defined]
    begin(one, bench)
    expected = list[float]()
    for x_mm, keep, kept in ((0, "Keep mine", 3), (100, "Keep theirs", 2)):
        values = [round(20 + (x_mm / 10 + k) / 1000, 3) for k in (1, 2, 3)]
        write(one, x_mm, f"{values[0]:.3f}")
        all_saved(one)
        other.goto(f"{bench.url}{SETTING}")
        ready(other)
        write(one, x_mm, f"{values[1]:.3f}")
        all_saved(one)
        write(other, x_mm, f"{values[2]:.3f}")
        told = other.locator("unsaved-readings")
        told.get_by_text(f"There: just goes {values[1]:.3f}.").wait_for()
        assert f"{x_mm}: {values[2]:.3f}" in told.inner_text()
        told.get_by_role("button", name=keep).click()
        all_saved(other)
        expected.extend(values[:kept])
        until(lambda: numbers(tmp_path / "bench.sqlite") == expected)
        shown = other.locator(CELL.format(x_mm))
        until(lambda: shown.input_value() == f"{expected[-1]:.3f}")  # noqa: B023 (called at once)
    context.close()


@pytest.mark.slow
def test_a_pasted_column_with_one_in_conflict(
    running: Callable[..., Running], new_page: Callable[..., Page], browser: Browser, tmp_path: Path
) -> None:
    """Of a column pasted over a reading that another tab changed, every other reading is saved whichever is kept."""
    bench = running()
    context = browser.new_context()
    one, other = new_page(context), new_page(context)
    other.allowed.append("status of 409")  # type: ignore[attr-defined]
    begin(one, bench)
    for x_mm, keep, first in ((0, "Keep mine", "20.011"), (300, "Keep theirs", "20.002")):
        write(one, x_mm, "20.001")
        all_saved(one)
        other.goto(f"{bench.url}{SETTING}")
        ready(other)
        write(one, x_mm, "20.002")
        all_saved(one)
        before = len(numbers(tmp_path / "bench.sqlite"))
        other.locator(CELL.format(x_mm)).focus()
        other.evaluate(
            """() => {
                const data = new DataTransfer(), text = "20.011\\r\\n20.012\\r\\n20.013\\r\\n";
                data.setData("text", text);
                const pasted = new ClipboardEvent("paste", { clipboardData: data, bubbles: true });
                document.activeElement.dispatchEvent(pasted);
            }"""
        )
        told = other.locator("unsaved-readings")
        told.get_by_text("There: just goes 20.002.").wait_for()
        told.get_by_role("button", name=keep).click()
        saved = [20.011, 20.012, 20.013] if keep == "Keep mine" else [20.012, 20.013]
        until(lambda: sorted(numbers(tmp_path / "bench.sqlite")[before:]) == saved)  # noqa: B023 (called at once)
        cells, wanted = [other.locator(CELL.format(x_mm + 100 * k)) for k in range(3)], [first, "20.012", "20.013"]
        until(lambda: [cell.input_value() for cell in cells] == wanted)  # noqa: B023 (called at once)
    context.close()
