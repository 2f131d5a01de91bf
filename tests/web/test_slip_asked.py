"""A setting that was typed wrong as a whole: the sentence, the one button that changes it, and the way back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page
from starlette.testclient import TestClient

from studies import slips as study
from tests.adjust.test_slips import WRONG, taken, with_
from tests.web.driving import Running, Touch
from tests.web.test_pages import page_of
from waywright import demo, jobfile
from waywright.core.evidence.job import Job
from waywright.core.readings import LayUp
from waywright.record import Book

ROWAN = "layups[1]"
SENTENCE = "Rowan on Alder fits if it lay marks opposite: was it?"


def sample() -> Job:
    """The sample shop."""
    return jobfile.loads(demo.shop(), "the sample shop")


def mistyped() -> Job:
    """The sample shop, Rowan on Alder taken marks opposite once more, read as it then was and typed marks together."""
    job = sample()
    opposite = next(s for s in job.settings if s.geometry == LayUp("Alder", "Rowan", "end for end"))
    together = next(s for s in job.settings if s.id == ROWAN)
    readings = tuple(replace(r, id=f"again {r.id}") for r in opposite.readings)
    typed = replace(together, readings=readings)
    return replace(job, settings=tuple(typed if s.id == ROWAN else s for s in job.settings))


def test_the_button_changes_the_setting_and_undo_brings_it_back(client: TestClient, book: Book) -> None:
    """The page of the job and of the setting ask; one press changes how it lies, in one act with a line in the history,
    and nobody asks any more; undone, it is asked again."""
    job = book.begin(mistyped())
    url = f"/jobs/{job}"
    page = page_of(client, url)
    assert [s.words for s in page.result.slips] == [SENTENCE]
    assert page.next.startswith("Look at the paper: did Rowan lie marks opposite on Alder? ")
    assert {v.decision for v in page.result.verdicts} == {"open"}
    assert page_of(client, f"{url}/setting?id={ROWAN}").live.slips == page.result.slips
    assert SENTENCE in client.get(f"{url}/setting?id={ROWAN}").text
    (slip,) = page.result.slips
    form = {"setting": slip.setting, "slip": slip.slip, "act": str(page.job.number)}
    client.post(f"{url}/slip", data=form)
    assert next(s for s in book.job(job).settings if s.id == ROWAN).geometry == LayUp("Alder", "Rowan", "end for end")
    after = page_of(client, url)
    assert after.result.slips == ()
    assert not after.next.startswith("Look at the paper")
    newest = page_of(client, f"{url}/history").acts[0]
    assert (newest.kind, newest.words) == ("a setting changed to what was meant", ("Rowan on Alder, marks opposite",))
    client.post(f"{url}/undo")
    assert [s.words for s in page_of(client, url).result.slips] == [SENTENCE]
    assert book.job(job) == mistyped()


@pytest.mark.parametrize("slip", ["wrong end", "unit", "block", "level turned"])
def test_readings_that_are_changed_are_kept_as_typed(slip: str, client: TestClient, book: Book) -> None:
    """Where the readings themselves were typed wrong each is corrected: what was typed stays in the book, what was
    meant counts, and one undo takes all of it back."""
    what, number = WRONG[slip]
    right = taken().job
    typed = study.WRONGS[what][1](right, right.settings[number], np.random.default_rng(1))
    assert typed is not None
    wrong = with_(right, typed)
    job = book.begin(wrong)
    page = page_of(client, f"/jobs/{job}")
    (asked,) = page.result.slips
    assert asked.slip == slip
    client.post(f"/jobs/{job}/slip", data={"setting": asked.setting, "slip": slip, "act": str(page.job.number)})
    now = book.job(job)
    readings = now.settings[number].readings
    assert readings[: len(typed.readings)] == typed.readings
    assert len(readings) > len(typed.readings)
    assert page_of(client, f"/jobs/{job}").result.slips == ()
    assert page_of(client, f"/jobs/{job}/setting?id={typed.id}").problem == ""
    assert jobfile.loads(jobfile.dumps(now)).settings[number].readings == readings
    client.post(f"/jobs/{job}/undo")
    assert book.job(job) == wrong


def test_what_was_answered_already_changes_nothing(client: TestClient, book: Book) -> None:
    """Pressed twice, or on a page from before a change, it says so and changes nothing."""
    job = book.begin(mistyped())
    form = {"setting": ROWAN, "slip": "turn", "act": "1"}
    assert client.post(f"/jobs/{job}/slip", data=form, follow_redirects=False).status_code == 303
    for act in ("1", "2"):
        again = client.post(f"/jobs/{job}/slip", data={**form, "act": act})
        assert again.status_code == 422
        assert "answered already" in again.text
    assert book.snapshot(job).number == 2
    assert client.post(f"/jobs/{job}/slip", data={**form, "setting": "layups[77]"}).status_code == 404


def test_a_thumb_says_yes_and_takes_it_back(
    tmp_path: Path, running: Callable[..., Running], new_page: Callable[..., Page]
) -> None:
    """At 360 px: the turn of a lay-up is typed wrong in its form, the question stands there with one button, nothing
    sticks out; pressed it is gone, and undone it is there again."""
    with Book.open(tmp_path / "bench.sqlite") as book:
        book.begin(sample())
    bench, page = running(), new_page(**Touch.options)
    hand = Touch(page)
    page.goto(f"{bench.url}/jobs/1/setting?id=layups%5B1%5D")
    page.locator("summary", has_text="How it lies").tap()
    hand.choose('select[name="turn"]', "marks opposite (end for end)")
    page.get_by_role("button", name="Change it", exact=True).tap()
    asked = page.locator("form.slip")
    asked.wait_for()
    assert asked.count() == 1
    assert "Rowan on Alder fits if it lay marks together: was it?" in asked.inner_text()
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    page.goto(f"{bench.url}/jobs/1")
    assert "Look at the paper: did Rowan lie marks together on Alder?" in page.locator(".next").inner_text()
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    hand.press("form.slip button")
    page.wait_for_url("**/setting?*")
    assert asked.count() == 0
    assert page.locator("h1").inner_text() == "Rowan on Alder, marks together"
    page.goto(f"{bench.url}/jobs/1")
    assert asked.count() == 0
    page.locator('form[action$="/undo"] button').first.tap()
    asked.wait_for()
    assert "Rowan on Alder fits if it lay marks together" in asked.inner_text()
