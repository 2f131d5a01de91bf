"""Photograph every page of the bench at two widths, into docs/pictures: `make pictures`. It needs chromium."""

from __future__ import annotations

import re
import select
import shutil
import subprocess
import sys
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

PICTURES = Path(__file__).parent / "pictures"
LAYUP = "/jobs/2/setting?id=layups%5B1%5D"
PAGES = {
    "new": "/jobs/new",
    "job": "/jobs/2",
    "two-edges": "/jobs/1",
    "moves": "/jobs/1/next",
    "layup": LAYUP,
    "stack-by-stack": f"{LAYUP}&way=stacks",
    "blue": "/jobs/2/expect?id=layups%5B1%5D",
    "next-layup": "/jobs/1/setting/new",
    "face": "/jobs/2/face?name=Birch",
    "scraping": "/jobs/2/drawn?name=Birch",
    "rounds": "/jobs/2/rounds",
    "things": "/jobs/2/things",
    "stacks": "/jobs/2/stacks?wanted=20; 20,002; 20,004; 20,006",
    "sheet": "/jobs/2/sheet?id=layups%5B3%5D",
    "papers": "/jobs/2/papers",
    "history": "/jobs/2/history",
    "export": "/jobs/2/carry",
    "specimens": "/specimens",
    "shop": "/",  # last: what is next in each job is known by then
}
WIDTHS = {"wide": (1180, 760), "phone": (360, 740)}
HIGHEST = 2400  # px of a page that are shown
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]


def main() -> None:
    """Start the sample shop, look at every page, end it."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        print("There is no chromium here; the pictures of the bench stay as they are.")
        return
    shop = subprocess.Popen([sys.executable, "-m", "waywright", "demo"], stderr=subprocess.PIPE, text=True)
    try:
        assert shop.stderr is not None
        select.select([shop.stderr], [], [], 60)
        found = re.search(r"http://\S+", shop.stderr.readline())
        assert found is not None
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
            for width, size in WIDTHS.items():
                photograph(browser, found[0], width, size)
            browser.close()
    finally:
        shop.terminate()
        shop.wait(20)


def photograph(browser: Browser, url: str, width: str, size: tuple[int, int]) -> None:
    """Every page at one width."""
    page = browser.new_page(viewport={"width": size[0], "height": size[1]})
    for name, path in PAGES.items():
        page.goto(url + path)
        page.wait_for_load_state("networkidle")
        page.evaluate("document.activeElement?.blur?.(); scrollTo(0, 0)")
        high = min(int(page.evaluate("document.documentElement.scrollHeight")), HIGHEST)
        page.set_viewport_size({"width": size[0], "height": high})  # what stays at a screen's foot ends the page
        file = PICTURES / f"bench-{name}-{width}.png"
        page.screenshot(path=file, full_page=True, clip={"x": 0, "y": 0, "width": size[0], "height": high})
        page.set_viewport_size({"width": size[0], "height": size[1]})
        smaller(file)
        print(f"photographed: docs/pictures/{file.name}")
    page.close()


def smaller(file: Path) -> None:
    """The sheet has few colours: a palette that keeps the rare ones makes the file modest."""
    from PIL import Image

    with Image.open(file) as image:
        image.convert("RGB").quantize(160, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE).save(
            file, optimize=True
        )


if __name__ == "__main__":
    main()
