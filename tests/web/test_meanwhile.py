"""A form made from what was changed meanwhile: both values side by side, nothing lost, either can be kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from tests.web.test_pages import page_of
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job
from waywright.record import Book, Head, Ref, Rename
from waywright.web.forms import Field

LAYUP = "layups[0]"


def filled(fields: tuple[Field, ...], **typed: str) -> dict[str, str]:
    """A form as the page showed it, with what was typed over it."""
    return {f.name: f.value for f in fields if f.value} | typed


def goal(page: object) -> tuple[str, dict[str, str]]:
    """The goal of the job, made harder."""
    return "goal", filled(page.goal, straightness_um="0,16 thou", version=str(dict(page.versions)["goal"]))


def head(page: object) -> tuple[str, dict[str, str]]:
    """The job's title changed."""
    return "head", filled(page.head, title="Mine", version=str(dict(page.versions)["head"]))


def piece(page: object) -> tuple[str, dict[str, str]]:
    """Birch made wider."""
    birch = page.pieces[1]
    return "piece", filled(birch.fields, width_mm="45", was="Birch", of="Birch", version=str(birch.version))


def instrument(page: object) -> tuple[str, dict[str, str]]:
    """The blocks felt better."""
    blocks = page.instruments[0]
    return "instrument", filled(blocks.fields, feel_um="0.7", was=blocks.name, version=str(blocks.version))


def lying(page: object) -> tuple[str, dict[str, str]]:
    """The lay-up's feet seated less surely."""
    return "setting/change?id=layups%5B0%5D", filled(page.fields, seat_um="0.5", version=str(page.version))


def elsewhere(book: Book, number: int, ref: Ref) -> None:
    """Somebody else changes the same part."""
    opened = book.snapshot(number)
    job, version = opened.job, opened.versions[ref]
    setting = next(s for s in job.settings if s.id == LAYUP)
    birch, blocks = job.pieces[1], job.instruments[0]
    parts = {
        "goal": replace(job.goal, straightness_um=9.0),
        "head": Head("Theirs", 21.5),
        "piece": replace(birch, faces=(replace(birch.faces[0], finish="lapped"),)),
        "instrument": replace(blocks, feel_um=1.3),
        "setting": replace(setting, note="theirs", readings=()),
    }
    book.put(number, ref, version, parts[ref.sort])


CASES = [
    (goal, "", Ref("goal"), "straightness_um", ("0,16 thou", "9 µm")),
    (head, "", Ref("head"), "title", ("Mine", "Theirs")),
    (piece, "/things", Ref("piece", "Birch"), "finish", ("scraped", "lapped")),
    (instrument, "/things", Ref("instrument", "blocks"), "feel_um", ("0.7", "1.3 µm")),
    (lying, "/setting?id=layups%5B0%5D", Ref("setting", LAYUP), "note", ("", "theirs")),
]


def value(job: Job, ref: Ref) -> object:
    """What stands under a name in a job."""
    found: dict[str, object] = {
        "goal": job.goal,
        "head": Head(job.title, job.temperature_c, job.note),
        "piece": job.faces().get("Birch"),
        "instrument": job.instruments[0],
        "setting": next((replace(s, readings=()) for s in job.settings if s.id == LAYUP), None),
    }
    return found[ref.sort]


@pytest.mark.parametrize(
    ("form", "page", "ref", "field", "told"), CASES, ids=lambda one: getattr(one, "__name__", None)
)
def test_both_values_are_shown_and_theirs_is_saved_over_knowingly(
    form: Callable[[object], tuple[str, dict[str, str]]],
    page: str,
    ref: Ref,
    field: str,
    told: tuple[str, str],
    client: TestClient,
    book: Book,
    shop_job: int,
) -> None:
    """A stale save changes nothing and shows what was typed, as it was typed, beside what is there now; sent again from
    that page it is saved, and the other stays in the history."""
    url = f"/jobs/{shop_job}"
    path, sent = form(page_of(client, url + page))
    elsewhere(book, shop_job, ref)
    theirs = book.job(shop_job)
    answer = client.post(f"{url}/{path}", data=sent)
    assert answer.status_code == 409
    shown = answer.context["page"]
    assert book.job(shop_job) == theirs
    assert {row.field.name: row.field.value for row in shown.rows} == {
        row.field.name: sent.get(row.field.name, "") for row in shown.rows
    }
    row = next(row for row in shown.rows if row.field.name == field)
    assert (row.field.value, row.now, row.differs) == (*told, True)
    assert f'value="{told[0]}"' in answer.text
    again = {row.field.name: row.field.value for row in shown.rows} | dict(shown.hidden)
    assert client.post(shown.action, data=again, follow_redirects=False).status_code == 303
    assert value(book.job(shop_job), ref) not in (value(theirs, ref), value(book.job(shop_job, 1), ref))
    assert value(book.job(shop_job, 2), ref) == value(theirs, ref)


def test_the_same_typed_twice_is_no_conflict(client: TestClient, book: Book, shop_job: int) -> None:
    """Two people who set the same goal do not disagree."""
    path, sent = goal(page_of(client, f"/jobs/{shop_job}"))
    for _ in range(2):
        assert client.post(f"/jobs/{shop_job}/{path}", data=sent, follow_redirects=False).status_code == 303
    assert book.snapshot(shop_job).newest == 2


@pytest.mark.parametrize("renamed", [True, False])
def test_what_was_typed_for_something_gone_is_kept_on_the_page(
    renamed: bool, client: TestClient, book: Book, shop_job: int
) -> None:
    """A piece or an instrument that was renamed or deleted meanwhile: what was typed stands on the page, and can be
    added anew."""
    number = book.begin(Job(pieces=book.job(shop_job).pieces, instruments=book.job(shop_job).instruments, goal=Goal()))
    url = f"/jobs/{number}"
    things = page_of(client, f"{url}/things")
    forms = [piece(things), instrument(things)]
    for ref in (Ref("piece", "Birch"), Ref("instrument", "blocks")):
        if renamed:
            faces = [Rename(Ref("face", "Birch"), "other face")] if ref.sort == "piece" else []
            book.change(number, Rename(ref, f"other {ref.sort}"), *faces)
        else:
            book.delete(number, ref, 1)
    for path, sent in forms:
        answer = client.post(f"{url}/{path}", data=sent)
        assert answer.status_code == 409
        shown = answer.context["page"]
        assert shown.gone
        again = {row.field.name: row.field.value for row in shown.rows} | dict(shown.hidden)
        assert client.post(shown.action, data=again, follow_redirects=False).status_code == 303
    assert book.job(number).faces()["Birch"].width_mm == 45
    assert next(one for one in book.job(number).instruments if one.name == "blocks").feel_um == 0.7


def test_how_a_deleted_lay_up_lay_is_kept_on_the_page(client: TestClient, book: Book, shop_job: int) -> None:
    """What was typed for a lay-up that is gone is shown; undoing the deletion brings the lay-up back."""
    path, sent = lying(page_of(client, f"/jobs/{shop_job}/setting?id=layups%5B0%5D"))
    book.delete(shop_job, Ref("setting", LAYUP), 1)
    answer = client.post(f"/jobs/{shop_job}/{path}", data=sent)
    assert answer.status_code == 409
    shown = answer.context["page"]
    assert (shown.gone, shown.button) == (True, "")
    assert {"seat_um": "0.5"}.items() <= {row.field.name: row.field.value for row in shown.rows}.items()


def test_a_wrong_field_of_a_lay_up_is_told_beside_it(client: TestClient, book: Book, shop_job: int) -> None:
    """How it lies, with a number that cannot be read: all that was typed stands there still."""
    path, sent = lying(page_of(client, f"/jobs/{shop_job}/setting?id=layups%5B0%5D"))
    answer = client.post(f"/jobs/{shop_job}/{path}", data=sent | {"offset_mm": "far", "note": "kept"})
    assert answer.status_code == 422
    page = answer.context["page"]
    assert page.changing
    assert [f.name for f in page.fields if f.problem] == ["offset_mm"]
    assert next(f.value for f in page.fields if f.name == "note") == "kept"
    assert book.snapshot(shop_job).newest == 1
