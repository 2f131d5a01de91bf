"""The page of a suspect: whether it still stands, and how it is taken again when it does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from playwright.sync_api import Page
from starlette.testclient import TestClient

from studies.blunders import spoiled
from tests.web.driving import Running, Touch, all_saved
from tests.web.test_pages import page_of
from waywright import demo, jobfile
from waywright.core.evidence.job import Job
from waywright.core.readings import LayUp
from waywright.record import Book

SUSPECT = "layups[1].gaps[5]"
PLACES = ["gaps;105;-14;", "gaps;180;-14;", "gaps;180;14;", "gaps;330;14;"]


def page_path(job: int, reading: str = SUSPECT) -> str:
    """Where the page of a suspect is."""
    return f"/jobs/{job}/retake?reading={reading}"


def true_mm(place: str) -> str:
    """What a stack reads at a place of Rowan on Alder when nothing is misread."""
    gaps = demo.layup_gaps(LayUp("Alder", "Rowan", "over"), demo.truth(), 0.7, np.random.default_rng(2))
    _, x, y, _ = place.split(";")
    edge = demo.face("Alder")
    (node,) = np.flatnonzero((edge.x_mm == float(x)) & (edge.y_mm == float(y)))
    return f"{gaps[node]:.4f}"


def misread_last() -> Job:
    """The sample shop with the misread lay-up taken last."""
    job = jobfile.loads(demo.shop(), "the sample shop")
    others = tuple(s for s in job.settings if s.id != "layups[1]")
    return replace(job, settings=(*others, job.settings[1]))


@pytest.fixture
def last(book: Book) -> int:
    """The sample shop with the misread lay-up taken last."""
    return book.begin(misread_last())


def test_a_lifted_lay_up_is_laid_anew_at_places_that_check_one_another(
    client: TestClient, book: Book, shop_job: int
) -> None:
    """What was laid elsewhere since is not asked about. The button makes a lay-up on the same spacers, to be read at
    four places; read there, the suspect stays left out for good."""
    page = page_of(client, page_path(shop_job))
    assert page.asks == ()
    assert page.since == "Rowan on Birch, marks together"
    assert page.typed == "goes 20.006, does not go 20.008"
    assert page.places == ("105, y −14", "180, y −14", "180, y 14", "330, y 14")
    assert "has a lift and tilts of its own" in page.alone
    answer = client.post(f"/jobs/{shop_job}/retake", data={"reading": SUSPECT}, follow_redirects=False)
    where = answer.headers["location"]
    assert parse_qs(urlsplit(where).query)["read"] == [",".join(PLACES)]
    made = book.job(shop_job).settings[-1]
    assert made.geometry == LayUp("Alder", "Rowan", "over")
    assert [(r.entry, r.x_mm) for r in made.readings] == [("spacers", 145.0), ("spacers", 515.0)]
    setting = page_of(client, where)
    gaps = setting.grids[0]
    assert [row.place for row in gaps.rows if not row.free] == PLACES
    assert len([row for row in page_of(client, setting.everywhere).grids[0].rows if not row.free]) == 18

    again = client.post(f"/jobs/{shop_job}/retake", data={"reading": SUSPECT}, follow_redirects=False)
    assert again.headers["location"] == where
    form = {}
    for row in gaps.rows[:4]:
        form |= {f"place.{row.number}": row.place, f"reading.{row.number}": "", f"version.{row.number}": "0"}
        form |= {f"just_mm.{row.number}": true_mm(row.place)}
    saved = client.post(where, data=form, follow_redirects=False)
    assert parse_qs(urlsplit(saved.headers["location"]).query)["read"] == [",".join(PLACES)]
    page = page_of(client, page_path(shop_job))
    assert not page.waits
    assert page.told == "It was taken again since: it stays left out."
    assert not page_of(client, f"/jobs/{shop_job}").retakes[0].waits
    over = client.post(f"/jobs/{shop_job}/retake", data={"reading": SUSPECT}, follow_redirects=False)
    assert urlsplit(over.headers["location"]).path == f"/jobs/{shop_job}/retake"
    assert len(book.job(shop_job).settings) == 8


def test_half_laid_anew_it_goes_on_there(client: TestClient, book: Book, shop_job: int) -> None:
    """A lay-up made anew and not read out is gone on with: what is still to be read is named."""
    answer = client.post(f"/jobs/{shop_job}/retake", data={"reading": SUSPECT}, follow_redirects=False)
    where = answer.headers["location"]
    form = {"place.0": PLACES[2], "reading.0": "", "version.0": "0", "just_mm.0": true_mm(PLACES[2])}
    client.post(where, data=form)
    page = page_of(client, page_path(shop_job))
    assert page.waits
    assert page.places == ("105, y −14", "180, y −14", "330, y 14")
    assert [r.place for r in page_of(client, page.begun).grids[0].rows if not r.free] == PLACES


def test_what_may_still_stand_is_asked_about(client: TestClient, last: int) -> None:
    """Of the lay-up taken last it is asked; if it stands, its place is open to be typed over."""
    page = page_of(client, page_path(last))
    assert page.asks[0] == "Does the lay-up still stand as it was read?"
    setting = page_of(client, page.stands)
    (row,) = [r for grid in setting.grids for r in grid.rows if r.reading == setting.focus]
    assert row.place == "gaps;180;14;"
    assert row.suspect
    form = {f"place.{row.number}": row.place, f"reading.{row.number}": row.reading, "act": "1"}
    form |= {f"version.{row.number}": str(row.version), f"goes_mm.{row.number}": "19.998"}
    form |= {f"stops_mm.{row.number}": "20.000", f"just_mm.{row.number}": "", f"gap_mm.{row.number}": ""}
    client.post(page.stands, data=form)
    assert page_of(client, f"/jobs/{last}").retakes == ()


def test_a_level_set_anew_is_read_at_more_than_one_place(client: TestClient, book: Book) -> None:
    """A suspect of a level that was read last: it is asked whether its zero was touched; if it was, a new run of it has
    the place and those that check it."""
    bad = "crosses[0].readings[4]"
    job = book.begin(spoiled(jobfile.loads(demo.shop(), "the sample shop"), bad, 3.0))
    page = page_of(client, page_path(job, bad))
    assert "no zero touched" in page.asks[0]
    assert "a zero of its own" in page.alone
    assert "330" in page.places
    assert 2 <= len(page.places) < 9
    answer = client.post(f"/jobs/{job}/retake", data={"reading": bad}, follow_redirects=False)
    setting = page_of(client, answer.headers["location"])
    assert tuple(row.words for row in setting.grids[0].rows if not row.free) == page.places
    assert book.job(job).settings[-1].seat_um == 0.3


def test_what_is_no_suspect_is_shown_where_it_stands(client: TestClient, shop_job: int) -> None:
    """The page of a reading that nothing is wrong with is its setting; of none, that it is not there."""
    answer = client.get(page_path(shop_job, "layups[0].gaps[2]"))
    assert answer.context["page"].focus == "layups[0].gaps[2]"
    assert client.get(page_path(shop_job, "layups[9].gaps[2]")).status_code == 404


@pytest.fixture
def at_the_bench(tmp_path: Path, running: Callable[..., Running]) -> Running:
    """The real command over a book with the sample shop, the misread lay-up taken last."""
    with Book.open(tmp_path / "bench.sqlite") as book:
        book.begin(misread_last())
    return running()


@pytest.mark.parametrize("stands", [True, False])
def test_a_thumb_takes_a_suspect_again(stands: bool, at_the_bench: Running, new_page: Callable[..., Page]) -> None:
    """On a telephone the suspect's page asks whether the lay-up still stands, and nothing sticks out: if it does, its
    place is under the thumb; if not, a lay-up of its own with four places to read. Either settles it."""
    page = new_page(**Touch.options)
    hand = Touch(page)
    page.goto(f"{at_the_bench.url}/jobs/1")
    hand.press('.next a[href*="/retake?"]')
    page.wait_for_url("**/retake?*")
    assert "Does the lay-up still stand as it was read?" in page.locator(".next").inner_text()
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    hand.press(".choices a.button" if stands else ".choices button")
    page.wait_for_selector("html.scripted")
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    cell = 'tr[data-place="{}"] input[name^="{}."]'
    if stands:
        assert page.evaluate("document.activeElement.closest('tr').dataset.place") == "gaps;180;14;"
        hand.write(cell.format("gaps;180;14;", "goes_mm"), "19,998")
        hand.write(cell.format("gaps;180;14;", "stops_mm"), "20,000")
        page.keyboard.press("Enter")
    else:
        assert page.locator('tr[data-place^="gaps"]:not(.free)').count() == len(PLACES)
        hand.column([cell.format(place, "just_mm") for place in PLACES], [true_mm(place) for place in PLACES])
    all_saved(page)
    page.goto(f"{at_the_bench.url}/jobs/1")
    assert page.locator('.next a[href*="/retake?"]').count() == 0
    left_out = page.locator("li.suspect:has(a)").all_inner_texts()
    assert len(left_out) == (0 if stands else 1)
    assert all(words.endswith("It was taken again since: it stays left out.") for words in left_out)
