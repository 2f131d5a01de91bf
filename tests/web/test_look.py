"""The look: contrast computed from the tokens of the sheet, letters and controls large enough, no sideways scroll at
any width, one straw thing to press."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page

import waywright.web
from tests.web.driving import Running
from tests.web.test_browser import PATHS, SETTLED

STATIC = Path(waywright.web.__file__).parent / "static"
SHEET = (STATIC / "sheet.css").read_text(encoding="utf-8")
STYLES = [path.read_text(encoding="utf-8") for path in sorted(STATIC.glob("*.css"))]
LARGEST_FONT = 40_000  # bytes of the one font
LEAST_TEXT_PX, LEAST_CONTROL_PX = 12.0, 44.0
WIDTHS = (320, 360, 414, 600, 768, 899, 900, 1024, 1280)

TEXT = [  # letters, and what they stand on
    *(("ink", on) for on in ("paper", "field", "straw", "straw-paper", "oxide-paper", "metal")),
    *(("ink-2", on) for on in ("paper", "field", "straw-paper", "metal")),
    *(("blue", on) for on in ("paper", "field", "straw-paper", "oxide-paper")),
    *(("oxide", on) for on in ("paper", "field", "oxide-paper", "straw-paper")),
    ("paper", "ink"),
]
EDGES = [("edge", "paper"), ("edge", "field"), ("ink", "straw"), ("straw-edge", "paper"), ("straw-edge", "straw-paper")]

SMALL = """(least) => [...document.querySelectorAll("body *")].filter((one) => one.checkVisibility()
    && [...one.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim())
    && parseFloat(getComputedStyle(one).fontSize) < least).map((one) => one.outerHTML.slice(0, 120))"""
LOW = """(least) => [...document.querySelectorAll(
    "button, .button, .chip, select, textarea, summary, nav a, header a, input:not([type=hidden])")]
    .map((one) => ["checkbox", "radio"].includes(one.type) ? one.closest("label") ?? one : one)
    .filter((one) => one.checkVisibility() && one.getBoundingClientRect().height < least - 0.01)
    .map((one) => one.outerHTML.slice(0, 120))"""
OPEN = "() => { for (const one of document.querySelectorAll('details')) one.open = true; }"


def tokens(text: str) -> dict[str, tuple[float, ...]]:
    """The colours that a `:root` block names, as red, green, blue from 0 to 1."""
    block = re.search(r":root \{(.*?)\}", text, re.DOTALL)
    assert block is not None
    found = re.findall(r"--([\w-]+): #([0-9a-f]{6}|[0-9a-f]{3});", block[1])
    long = {name: value if len(value) == 6 else "".join(2 * digit for digit in value) for name, value in found}
    return {name: tuple(int(value[i : i + 2], 16) / 255 for i in (0, 2, 4)) for name, value in long.items()}


def contrast(one: tuple[float, ...], other: tuple[float, ...]) -> float:
    """The contrast ratio of WCAG 2.2, from 1 to 21."""

    def luminance(colour: tuple[float, ...]) -> float:
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
        return sum(share * c for share, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_itself() -> None:
    """Black on white is 21, anything on itself 1 (WCAG 2.2, relative luminance)."""
    assert contrast((0, 0, 0), (1, 1, 1)) == pytest.approx(21)
    assert contrast((0.3, 0.4, 0.5), (0.3, 0.4, 0.5)) == pytest.approx(1)


@pytest.mark.parametrize("bright", [False, True], ids=["plain", "more contrast"])
def test_colours_of_the_sheet(bright: bool) -> None:
    """Letters have 4.5 : 1 on what they stand on, borders of controls 3 : 1, also where more contrast is asked for."""
    of = tokens(SHEET) | (tokens(SHEET[SHEET.index("prefers-contrast") :]) if bright else {})
    assert {pair for pair in TEXT if contrast(of[pair[0]], of[pair[1]]) < 4.5} == set()
    assert {pair for pair in EDGES if contrast(of[pair[0]], of[pair[1]]) < 3.0} == set()


def test_one_font_with_its_licence() -> None:
    """One font file, small, its licence beside it, and no colour token that nothing declares."""
    (font,) = STATIC.rglob("*.woff2")
    assert font.stat().st_size <= LARGEST_FONT
    assert "SIL OPEN FONT LICENSE" in (font.parent / "LICENSE-OFL.txt").read_text(encoding="utf-8")
    declared = set(re.findall(r"(--[\w-]+):", SHEET))
    assert set(re.findall(r"var\((--[\w-]+)\)", "".join(STYLES))) - declared == set()


@pytest.fixture(scope="module")
def sample() -> Iterator[Running]:
    """The sample shop, as `waywright demo` opens it."""
    one = Running.start(["demo"])
    yield one
    one.stop()


def test_every_page_at_every_width(sample: Running, new_page: Callable[..., Page]) -> None:
    """From a small telephone to a desk nothing scrolls sideways, no letter is too small and no control too low; one
    filled button a page at most, and the index in one line."""
    page = new_page(viewport={"width": 360, "height": 740})
    page.allowed.append("status of 404")  # type: ignore[attr-defined]
    for path in PATHS:
        page.goto(sample.url + path)
        page.wait_for_function(SETTLED)
        assert page.locator(".go").count() <= 1, path
        bar = page.locator("nav.index").bounding_box() if page.locator("nav.index").count() else None
        assert bar is None or bar["height"] < 64, path
        page.evaluate(OPEN)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 740})
            assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, (path, width)
            if width in (360, 1280):
                assert page.evaluate(SMALL, LEAST_TEXT_PX) == [], (path, width)
                assert page.evaluate(LOW, LEAST_CONTROL_PX) == [], (path, width)


def test_the_job_page_on_paper(sample: Running, new_page: Callable[..., Page]) -> None:
    """Printed, nothing is left to press, and the title block stands at the foot of the sheet."""
    page = new_page(viewport={"width": 720, "height": 1000})
    page.goto(f"{sample.url}/jobs/2")
    page.emulate_media(media="print")
    assert page.locator("button:visible, .button:visible, nav:visible").count() == 0
    block, main = page.locator(".title-block").bounding_box(), page.locator("main").bounding_box()
    assert block is not None
    assert main is not None
    assert block["y"] >= main["y"] + main["height"]
    assert block["x"] > main["x"]
