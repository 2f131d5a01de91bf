"""Every kind of reading is typed at the bench, one that a test made up among them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from urllib.parse import parse_qs, quote, urlsplit

import pytest
from playwright.sync_api import Page, Route
from starlette.testclient import TestClient

from tests.test_new_kind import Drop
from tests.web.driving import Running
from waywright import jobfile
from waywright.core.evidence.things import Instrument
from waywright.core.readings import KINDS, register
from waywright.demo import shop
from waywright.record import Add, Book, Put, Ref
from waywright.units import METRIC

# What a person types for each kind: into its form, and as the first reading.
PAIR = {"lower": "Birch", "upper": "Rowan", "turn": "over"}
TYPED: dict[str, tuple[dict[str, str], str, dict[str, str]]] = {
    "layups": (PAIR, "gaps", {"x_mm": "60", "just_mm": "20.004"}),
    "slides": ({**PAIR, "u_x_mm": "2"}, "spacers", {"x_mm": "60", "size_mm": "20"}),  # and one at the other end
    "steps": ({"face": "Birch", "base_mm": "60"}, "readings", {"x_mm": "60", "um_per_m": "3,5"}),
    "crosses": ({"face": "Birch", "base_mm": "28"}, "readings", {"x_mm": "60", "um_per_m": "-4"}),
    "thickness": ({"top": "Birch", "bottom": "Birch under"}, "readings", {"x_mm": "60", "size_mm": "80.012"}),
    "rolls": (
        {"flank": "Birch", "floor": "Birch under", "angle_deg": "55"},
        "readings",
        {"x_mm": "60", "size_mm": "80.012"},
    ),
    "runs": ({"face": "Birch", "guide": "mill table"}, "readings", {"x_mm": "60", "um": "3"}),
    "riders": ({"face": "Birch", "feet_mm": "0 0; 120, 0", "tip_mm": "60 0"}, "readings", {"x_mm": "60", "um": "1.5"}),
    "blues": ({**PAIR, "carried": "upper", "film": "thin"}, "readings", {"x_mm": "60", "mark": "bright"}),
    "hinges": ({**PAIR, "pushed": "far end"}, "readings", {"pivot_mm": "190"}),
    "drops": ({"face": "Birch", "home_mm": "30 0", "bridge": "own"}, "readings", {"x_mm": "60", "um": "2"}),
}
READ_WITH = {
    **dict.fromkeys(("layups", "slides"), "blocks"),
    **dict.fromkeys(("steps", "crosses"), "level"),
    **dict.fromkeys(("thickness", "rolls"), "micrometer"),
    **dict.fromkeys(("runs", "riders", "drops"), "dial"),
}


@pytest.fixture(autouse=True)
def _registered() -> Iterator[None]:
    """The kind that a test made up is known while these tests run."""
    register(Drop)
    yield
    del KINDS[Drop.block]


@pytest.fixture
def with_underside(client: TestClient, book: Book, shop_job: int) -> int:
    """The sample shop, with an underside on Birch and a dial and a micrometer."""
    piece = next(p for p in book.job(shop_job).pieces if p.name == "Birch")
    under = replace(piece.faces[0], name="Birch under", side="bottom")
    version = book.snapshot(shop_job).versions[Ref("piece", "Birch")]
    book.change(
        shop_job,
        Put(Ref("piece", "Birch"), version, replace(piece, faces=(*piece.faces, under))),
        Add(Instrument("dial", "indicator", u_um=1.0)),
        Add(Instrument("micrometer", "micrometer", u_um=1.0)),
    )
    return shop_job


def test_every_kind_was_typed() -> None:
    """The list above holds every kind there is."""
    assert set(TYPED) == set(KINDS)


@pytest.mark.parametrize("kind", TYPED)
def test_a_kind_is_typed_through_its_form(client: TestClient, book: Book, with_underside: int, kind: str) -> None:
    """Its form makes the setting, its title heads the page, and a first reading typed there is in the job."""
    form, entry, reading = TYPED[kind]
    title = KINDS[kind].title
    assert title in client.get(f"/jobs/{with_underside}/setting/new?kind={kind}").text
    sent = {"kind": kind, **form, "instrument": READ_WITH.get(kind, "")}
    answer = client.post(f"/jobs/{with_underside}/setting/new", data=sent)
    assert answer.status_code == 200, answer.text[:2000]
    sid = parse_qs(urlsplit(str(answer.url)).query)["id"][0]
    places = {k: reading.get(k, "") for k in ("x_mm", "y_mm")}
    values = {k: v for k, v in reading.items() if k not in places}
    page = answer.context["page"]
    rows = [r.number for grid in page.grids if grid.entry == entry for r in grid.rows if r.free]
    lines = [{**values, **places}, {"x_mm": "600", "size_mm": "20.02"}][: 2 if kind == "slides" else 1]
    typed = {"act": str(page.job.number)}
    for row, line in zip(rows, lines, strict=False):
        typed |= {f"{key}.{row}": text for key, text in line.items() if text}
        typed |= {f"place.{row}": f"{entry};;;", f"reading.{row}": "", f"version.{row}": ""}
    saved = client.post(f"/jobs/{with_underside}/setting?id={sid}", data=typed)
    assert saved.status_code == 200, saved.text[:2000]
    one = next(s for s in book.job(with_underside).settings if s.id == sid)
    (found,) = [r for r in one.readings if r.entry == entry and (r.x_mm in (60.0, None))]
    assert (found.mark or found.key) == next(k for k in values) or found.mark == "bright"
    assert one.geometry.words(METRIC) in saved.text.replace("&#39;", "'")


@pytest.mark.parametrize("kind", ["hinges", "riders"])
def test_a_hinge_and_a_rider_are_typed_in_the_browser(
    tmp_path: Path, running: Callable[..., Running], new_page: Callable[..., Page], kind: str
) -> None:
    """In the real browser, at the width of a telephone: the form is filled in, and the first reading is kept."""
    form, _, reading = TYPED[kind]
    with Book.open(tmp_path / "bench.sqlite") as book:
        number = book.begin(jobfile.loads(shop(), "the sample shop"))
        if kind == "riders":
            book.change(number, Add(Instrument("dial", "indicator", u_um=1.0)))
    page = new_page(viewport={"width": 360, "height": 740})
    page.goto(f"{running().url}/jobs/{number}/setting/new?kind={kind}")
    for name, text in form.items():
        field = page.locator(f'[name="{name}"]')
        if field.evaluate("e => e.tagName") == "SELECT":
            field.select_option(text)
        else:
            field.fill(text)
    page.get_by_role("button", name="To its readings").click()
    row = page.locator("tr.free").first
    for key, text in reading.items():
        row.locator(f'[name^="{key}."]').fill(text)
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.querySelectorAll('tr[data-reading]').length > 0")
    page.wait_for_load_state("networkidle")
    again = new_page(viewport={"width": 360, "height": 740})
    again.goto(page.url)
    kept = again.locator("tr[data-reading] input[type=text]").first
    assert kept.input_value() in reading.values()


@pytest.fixture
def places(tmp_path: Path, running: Callable[..., Running], new_page: Callable[..., Page]) -> tuple[Page, str]:
    """A lay-up of the sample shop, and a page that has not opened it yet."""
    with Book.open(tmp_path / "bench.sqlite") as book:
        number = book.begin(jobfile.loads(shop(), "the sample shop"))
        sid = next(s.id for s in book.job(number).settings if s.geometry.block == "layups")
    return new_page(viewport={"width": 360, "height": 740}), f"{running().url}/jobs/{number}/setting?id={quote(sid)}"


def fill(page: Page, row: int, **texts: str) -> None:
    """Type into the `row`-th of the gaps whose places are typed too."""
    free = page.locator('tr.free[data-place^="gaps"]').nth(row)
    for key, text in texts.items():
        free.locator(f'[name^="{key}."]').fill(text)


def saved_values(page: Page, *texts: str) -> None:
    """Wait until readings of these values stand as saved."""
    page.wait_for_function(
        """texts => {
            const shown = [...document.querySelectorAll("tr[data-reading] input")].map(field => field.value);
            return texts.every(text => shown.includes(text));
        }""",
        arg=list(texts),
    )


def test_typed_before_the_script_is_there(places: tuple[Page, str]) -> None:
    """On a slow line the page stands before its script: what is typed by then is kept, and so is where the hand was."""
    page, address = places
    held: list[Route] = []
    page.route("**/entry-grid*.js*", lambda route: held.append(route))
    page.goto(address, wait_until="commit")
    fill(page, 0, x_mm="77", just_mm="20.0111")
    (script,) = held
    script.continue_()
    page.wait_for_selector("html.scripted")
    page.keyboard.press("Enter")
    saved_values(page, "20.0111")


def test_a_new_place_saved_while_the_next_is_typed(places: tuple[Page, str]) -> None:
    """The rows are made anew once nothing is being typed: a half-typed reading is not lost to it."""
    page, address = places
    page.goto(address)
    page.wait_for_selector("html.scripted")
    page.route("**/setting?id=*", lambda route: (page.wait_for_timeout(300), route.continue_())[1])
    fill(page, 0, x_mm="77", just_mm="20.0111")
    page.keyboard.press("Enter")
    fill(page, 1, x_mm="78")
    page.wait_for_function("() => document.querySelector('tr.free [data-mark]').textContent !== '…'")
    page.wait_for_timeout(500)  # a reload would have come by now
    fill(page, 1, just_mm="20.0122")
    page.keyboard.press("Enter")
    saved_values(page, "20.0111", "20.0122")
