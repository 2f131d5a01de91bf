"""What is drawn to be scraped: as words, as a picture, and "done as drawn" as a pass with its zones."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import pytest
from starlette.testclient import TestClient

from waywright import jobfile
from waywright.core.next.moves import doubted
from waywright.core.next.scraping import maps
from waywright.core.report import report
from waywright.core.work.done import as_drawn, removed_so_far
from waywright.demo import shop
from waywright.record import Book


@pytest.fixture
def outside(book: Book) -> int:
    """The sample shop without the reading that is wrong: Birch is outside, and nothing is in doubt."""
    job = jobfile.loads(shop(), "the sample shop")
    settings = tuple(
        replace(s, readings=tuple(r for r in s.readings if r.id != "layups[1].gaps[5]")) for s in job.settings
    )
    return book.begin(replace(job, settings=settings))


def test_done_as_drawn_notes_the_zones_of_the_map(client: TestClient, book: Book, outside: int) -> None:
    """The page draws the report's map; its button makes a pass with just those zones, which the next map counts."""
    job = book.job(outside)
    told = report(job)
    (found,) = [m for v, m in maps(job, told, doubted(job, told)) if v.face == "Birch"]
    page = client.get(f"/jobs/{outside}/drawn?name=Birch")
    form = page.context["page"].pass_form
    assert len(form.zones) == len(found.zones)
    assert f"at most {found.most} pass" in form.lead
    drawing = client.get(form.picture)
    assert drawing.headers["content-type"].startswith("image/svg+xml")
    assert ElementTree.fromstring(drawing.text).tag.endswith("svg")
    sent = {"face": "Birch", "act": "scrape", "after": "crosses[0]", "drawn": str(page.context["page"].act)}
    assert client.post(f"/jobs/{outside}/pass", data=sent, follow_redirects=False).status_code == 303
    (cut,) = book.job(outside).passes
    assert cut.zones == as_drawn(found)
    assert cut.depth_um == (pytest.approx(found.hand.depth_um, abs=1e-3) if found.hand != told.hand else None)
    uneven = removed_so_far(book.job(outside), job.faces()["Birch"], told.hand)
    assert uneven is not None
    assert uneven.um.max() > 0
    page = client.get(f"/jobs/{outside}/face?name=Birch").context["page"]
    assert "zone" in page.passes[0]
    assert page.hand == "One pass of this hand takes 3.0 ± 1.2 µm."


@pytest.mark.parametrize(("name", "act"), [("Alder", "1"), ("Birch", "99"), ("Nothing", "1")])
def test_nothing_drawn_is_nothing_noted(client: TestClient, book: Book, outside: int, name: str, act: str) -> None:
    """A face inside its limit, an act there never was, a face there is none: a sentence, and no pass."""
    sent = {"face": name, "act": "scrape", "after": "crosses[0]", "drawn": act}
    assert client.post(f"/jobs/{outside}/pass", data=sent).status_code in (404, 422)
    assert book.job(outside).passes == ()
    assert client.get(f"/jobs/{outside}/drawn.svg?name={name}&act={act}").status_code == 404


def test_a_face_in_doubt_is_not_drawn(client: TestClient, shop_job: int) -> None:
    """While a suspect speaks of a face nothing is drawn to be scraped there."""
    assert not client.get(f"/jobs/{shop_job}/drawn?name=Rowan").context["page"].pass_form.picture
