"""The whole main job in a real browser, by keyboard alone and by touch on a telephone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page

from tests.web.driving import Keyboard, Running, Touch, all_saved

LENGTH_MM, RESTS_MM, BLOCK_MM = 600.0, (125.0, 475.0), 20.0
STATIONS_MM = np.arange(0.0, 601.0, 100.0)
BOW_UM = {"P": 1.2, "Q": -9.0, "R": 2.0}
S_UM = {"P": 0.4, "Q": 0.6, "R": -0.5}
LAYUPS = [(a, b, turn) for turn in ("over", "end for end") for a, b in (("P", "Q"), ("P", "R"), ("Q", "R"))]
MISREAD = (("P", "R", "over"), 3, 9.0)  # which lay-up, which station, µm read too much


def height_um(name: str, x_mm: np.ndarray) -> np.ndarray:
    """The true shape of an edge."""
    s = 2 * x_mm / LENGTH_MM - 1
    return np.asarray(BOW_UM[name] * (1 - s**2) + S_UM[name] * (s**3 - 0.6 * s))


def gaps(lower: str, upper: str, turn: str, *, misread: bool = True) -> list[str]:
    """Gaps as a hand reads them to whole micrometres, with the one misreading; decimal commas on one lay-up."""

    def both(x: np.ndarray) -> np.ndarray:
        over = x if turn == "over" else LENGTH_MM - x
        grid = STATIONS_MM
        return np.interp(x, grid, height_um(lower, grid)) + np.interp(over, grid, height_um(upper, grid))

    rests = both(np.array(RESTS_MM))
    lift = np.interp(STATIONS_MM, RESTS_MM, rests)
    slope = (rests[1] - rests[0]) / (RESTS_MM[1] - RESTS_MM[0])
    lift = rests[0] + slope * (STATIONS_MM - RESTS_MM[0])
    gap = BLOCK_MM * 1e3 + lift - both(STATIONS_MM)
    if misread and (lower, upper, turn) == MISREAD[0]:
        gap[MISREAD[1]] += MISREAD[2]
    texts = [f"{round(g) / 1e3:.3f}" for g in gap]
    return [t.replace(".", ",") for t in texts] if (lower, turn) == ("Q", "over") else texts


def cell(x_mm: float, column: str = "just_mm") -> str:
    """The field for a station."""
    return f'tr[data-place="gaps;{x_mm:g};;"] input[name^="{column}."]'


def decisions(page: Page) -> dict[str, str]:
    """Each face's verdict, as the page tells it."""
    stamps = page.locator(".stamp").all()
    return {one.locator(".who").inner_text().split()[0]: one.locator(".says").inner_text() for one in stamps}


@pytest.mark.parametrize("hands", [Keyboard, pytest.param(Touch, marks=pytest.mark.slow)])
def test_the_main_job(
    hands: type[Keyboard | Touch], running: Callable[..., Running], new_page: Callable[..., Page], tmp_path: Path
) -> None:
    """New job, three edges, six lay-ups, blind spot, suspect found and laid anew, export, import, same result."""
    bench = running()
    page = new_page(**hands.options)
    hand = hands(page)
    page.goto(bench.url)
    hand.press('a[href="/jobs/new"]')
    page.wait_for_url("**/jobs/new")
    hand.write('input[name="title"]', "Three edges, by hand")
    hand.write('input[name="straightness_um"]', "6 µm")
    hand.press(".form button")
    page.wait_for_selector("entry-grid")
    page.wait_for_selector("html.scripted")

    for i, (lower, upper, turn) in enumerate(LAYUPS):
        if i:
            hand.press('a[href$="/setting/new"]')
            page.wait_for_url("**/setting/new")
            assert page.locator('select[name="lower"]').input_value() == lower  # what is not yet taken is suggested
            assert page.locator('select[name="upper"]').input_value() == upper
            assert page.locator('select[name="turn"]').input_value() == turn
            hand.press(".form button")
            page.wait_for_selector("entry-grid")
            page.wait_for_selector("html.scripted")
        hand.column([cell(x) for x in STATIONS_MM], gaps(lower, upper, turn))
        all_saved(page)
        if i == 0:
            assert "bow of P against that of Q" in page.locator("#live-faces").inner_text()
    assert page.locator(cell(300)).input_value() == gaps("Q", "R", "end for end")[3]

    hand.press("a.jobname")
    page.wait_for_selector(".stamp")
    assert "R on P, marks together, at 300 mm" in page.locator(".next").inner_text()
    before = decisions(page)
    hand.press('.next a[href*="/retake?"]')
    page.wait_for_url("**/retake?*")
    told = page.locator("main").inner_text()
    assert "R on P, marks together, at 300 mm reads about" in told
    assert "It no longer stands as it was read: after it came R on Q, marks together." in told
    hand.press('form[action$="/retake"] button')
    page.wait_for_selector("entry-grid")
    page.wait_for_selector("html.scripted")
    rows = [row.get_attribute("data-place") or "" for row in page.locator("tr[data-place^=gaps]").all()]
    places = [float(place.split(";")[1]) for place in rows if not place.endswith(";;;")]
    assert len(places) == 4
    assert 300 in places
    right = dict(zip(STATIONS_MM, gaps(*MISREAD[0], misread=False), strict=True))
    hand.column([cell(x) for x in places], [right[x] for x in places])
    all_saved(page)

    hand.press("a.jobname")
    page.wait_for_selector(".stamp")
    after = decisions(page)
    assert page.locator('.next a[href*="/retake?"]').count() == 0
    assert "It was taken again since: it stays left out." in page.locator("main").inner_text()
    assert {name: words[2:] if words[1:2] == " " else words for name, words in after.items()}["Q"].endswith("outside")
    assert after["P"].endswith("inside")
    assert after["R"].endswith("inside")
    assert set(before) == set(after) == {"P", "Q", "R"}
    told = " ".join(page.locator(".stamp span").all_text_contents()).split()

    if isinstance(hand, Touch):
        hand.press("nav .more summary")
    hand.press('nav a[href$="/carry"]:visible' if isinstance(hand, Touch) else 'nav a[href$="/carry"]')
    page.wait_for_url("**/carry")
    with page.expect_download() as download:
        hand.press('a[href$="/export.zip"]')
    file = tmp_path / download.value.suggested_filename
    download.value.save_as(file)
    other = running("other.sqlite")
    page.goto(other.url)
    hand.press("summary")
    page.locator('input[type="file"]').set_input_files(file)  # the system's own window cannot be driven
    hand.press('form[action="/import"] button')
    page.wait_for_selector(".stamp")
    assert " ".join(page.locator(".stamp span").all_text_contents()).split() == told
