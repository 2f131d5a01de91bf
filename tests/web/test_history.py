"""Who did what: a name nobody has to give, and every act with it."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from tests.web.test_pages import page_of
from waywright.core.evidence.job import Reading, Typed
from waywright.record import Book, By


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("Mia", "Mia"),
        ("  Øyvind \t Ångström ", "Øyvind Ångström"),
        ("", ""),
        ("x" * 99, "x" * 60),
        ("a;b=c\r\nd", "a;b=c d"),
    ],
)
def test_a_name_is_kept_in_the_browser_and_goes_with_every_act(
    typed: str, kept: str, client: TestClient, book: Book, shop_job: int
) -> None:
    """A name typed at the foot of any page stands there from then on, and beside what is done."""
    url = f"/jobs/{shop_job}"
    client.follow_redirects = False  # each page takes a solve of its own
    client.post("/who", data={"who": typed, "back": url})
    page = page_of(client, url)
    assert page.who == kept
    client.post(f"{url}/goal", data={"version": dict(page.versions)["goal"], "straightness_um": "5"})
    form = {"place.0": "gaps;30;-14;", "reading.0": "", "version.0": "0", "just_mm.0": "19.997"}
    client.post(f"{url}/setting?id=layups%5B0%5D", data=form | {"client": "tab", "sequence": "1"})
    client.post(f"{url}/undo")
    client.post(f"{url}/redo")
    assert [act.who or "" for act in book.snapshot(shop_job).acts] == ["", kept, kept, kept, kept]
    assert client.post("/jobs/new", data={}).status_code == 303
    assert {act.who or "" for act in book.snapshot(shop_job + 1).acts} == {kept}
    acts = page_of(client, f"{url}/history").acts
    assert [act.who for act in acts] == [kept, kept, kept, kept, ""]
    when = page_of(client, f"{url}/face?name=Alder&act=3").when
    assert when.endswith(f" by {kept}") if kept else " by " not in when


def test_nobody_has_to_say(client: TestClient, shop_job: int) -> None:
    """Without a name everything works, and no page asks for one but in its foot."""
    text = client.get(f"/jobs/{shop_job}").text
    assert text.count('name="who"') == 1
    assert "required" not in text[text.index('name="who"') :][:80]


def test_every_act_is_told_and_can_be_taken_back(client: TestClient, book: Book, shop_job: int) -> None:
    """Newest first, in words, with a way back; what was taken back says so."""
    url = f"/jobs/{shop_job}"
    reading = Reading("", "gaps", 30.0, -14.0, key="just_mm", value=Typed(19.997, "mm", "19,997"))
    book.append(shop_job, "layups[0]", [reading], By("Mia"))
    client.post(f"{url}/pass", data={"face": "Birch", "act": "scrape", "after": "crosses[0]"})
    acts = page_of(client, f"{url}/history").acts
    assert [(act.number, act.kind) for act in acts] == [
        *((3, "something added"), (2, "readings added"), (1, "the job begun"))
    ]
    assert acts[0].words == ("scrape Birch",)
    assert acts[1].words == ("Birch on Alder, marks together: at 30, −14 mm just goes 19,997",)
    client.post(f"{url}/undo", data={"act": "2", "back": f"{url}/history"})
    acts = page_of(client, f"{url}/history").acts
    assert (acts[0].kind, acts[2].undone) == ("act 2 taken back", True)
    assert acts[0].words == ("at 30, −14 mm just goes 19,997, hidden",)
    assert len(book.job(shop_job).passes) == 1


def test_a_long_history_has_several_pages(client: TestClient, book: Book, shop_job: int) -> None:
    """A hundred acts a page, and a link to the older ones, down to the first."""
    for n in range(130):
        reading = Reading("", "gaps", 30.0, -14.0, key="just_mm", value=Typed(19.99 + n / 1e4, "mm"))
        book.append(shop_job, "layups[0]", [reading])
    first = page_of(client, f"/jobs/{shop_job}/history")
    second = page_of(client, first.older)
    numbers = [act.number for page in (first, second) for act in page.acts]
    assert numbers == list(range(131, 0, -1))
    assert second.older == ""
