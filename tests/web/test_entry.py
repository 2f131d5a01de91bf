"""Readings typed into the form, in both ways, pasted, corrected, in conflict: kept as typed and nothing lost."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest
from httpx2 import Response
from starlette.testclient import TestClient

from tests.web.test_pages import page_of
from waywright.core.evidence.job import Reading, Typed
from waywright.record import Book, Ref

SCRIPT = {"X-Requested-With": "waywright"}
URL = "/jobs/1/setting?id=layups%5B0%5D"


@pytest.fixture
def edges(client: TestClient) -> TestClient:
    """A client with a new job of three edges, the first lay-up open."""
    client.post("/jobs/new", data={"title": "Edges"})
    return client


def row(k: int, x: float, reading: str = "", version: int = 0, **texts: str) -> dict[str, str]:
    """One row as the form sends it."""
    found = {"place": f"gaps;{x:g};;", "reading": reading, "version": str(version), **texts}
    return {f"{key}.{k}": value for key, value in found.items()}


def send(asking: TestClient, /, *rows: Mapping[str, str], script: bool = True, **more: str) -> Response:
    """Send rows, as the script does or as the plain form."""
    data = {key: value for one in rows for key, value in one.items()} | {"act": "2"} | more
    return asking.post(URL, data=data, headers=SCRIPT if script else {})


def gaps(book: Book) -> list[Reading]:
    """The gaps that count."""
    job = book.job(1)
    return [r for r in job.settings[0].readings if r.entry == "gaps" and r.id not in job.corrected()]


def lines(answer: Response) -> list[dict[str, Any]]:
    """The lines of the script's answer: first the shapes, then what they are judged to be."""
    return [json.loads(line) for line in answer.text.splitlines()]


def told(answer: Response, x: float) -> dict[str, Any]:
    """A row of the script's answer."""
    return next(r for r in lines(answer)[-1]["rows"] if r["place"] == f"gaps;{x:g};;")


def test_numbers_are_kept_as_typed(edges: TestClient, book: Book) -> None:
    """
    20,006        goes, with a decimal comma
    0.78755 in    just goes, in inches
    20.004 20.006 goes and does not go
    """
    answer = send(
        edges,
        row(0, 0, goes_mm="20,006", stops_mm="20,008"),
        row(1, 100, just_mm="0.78755 in"),
        row(2, 200, goes_mm="20.004", stops_mm="20.006", just_mm="", gap_mm=""),
    )
    assert answer.status_code == 200
    first, second, third = gaps(book)
    assert (first.low, first.high) == (Typed(20.006, "mm", "20,006"), Typed(20.008, "mm", "20,008"))
    assert second.value == Typed(0.78755, "in", "0.78755 in")
    assert third.low == Typed(20.004, "mm", "20.004")
    assert told(answer, 100)["texts"]["just_mm"] == "0.78755 in"


def test_correcting_and_emptying(edges: TestClient, book: Book) -> None:
    """Typing over a reading corrects it, emptying it hides it; both are there for ever."""
    first = told(send(edges, row(0, 0, just_mm="20.004")), 0)
    second = told(send(edges, row(0, 0, first["reading"], first["version"], just_mm="20.003")), 0)
    assert [r.value.number for r in gaps(book)] == [20.003]
    assert len([r for r in book.job(1).settings[0].readings if r.entry == "gaps"]) == 2
    send(edges, row(0, 0, second["reading"], second["version"], just_mm=""))
    assert gaps(book) == []
    edges.post("/jobs/1/undo")
    assert [r.value.number for r in gaps(book)] == [20.003]


def test_stack_by_stack_closes_the_bracket(edges: TestClient, book: Book) -> None:
    """
    20.000 goes
    20.008 does not go
    20.004 goes
    20.002 goes          (says nothing new)
    20.006 does not go
    """
    known = {"reading": "", "version": 0}
    for stack, tried in (
        ("20", "goes"),
        ("20.008", "stops"),
        ("20.004", "goes"),
        ("20.002", "goes"),
        ("20.006", "stops"),
    ):
        sent = row(0, 300, str(known["reading"]), int(str(known["version"])), **{"try": tried})
        answer = send(edges, sent, stack=stack)
        assert answer.status_code == 200
        known = told(answer, 300)
    (found,) = gaps(book)
    assert (found.low, found.high) == (Typed(20.004, "mm", "20.004"), Typed(20.006, "mm", "20.006"))
    answer = send(edges, row(0, 300, found.id, int(str(known["version"])), **{"try": "goes"}), stack="20.007")
    assert answer.status_code == 422
    assert "one of the two is not so" in answer.json()["words"]
    just = send(edges, row(0, 300, found.id, int(str(known["version"])), **{"try": "just"}), stack="20,005")
    assert told(just, 300)["texts"]["just_mm"] == "20,005"


def test_a_bracket_that_closes_in_is_no_correction(edges: TestClient, book: Book) -> None:
    """Only what contradicts an earlier reading is told as corrected: not a bracket completed, narrowed or settled by a
    stack that drags, but one that moves away, or a value typed over."""

    def told() -> list[str]:
        notes = page_of(edges, "/jobs/1").result.notes
        return [note for note in notes if note.startswith("Corrected")]

    def typed(x: float, **texts: str) -> None:
        (there,) = [r for r in gaps(book) if r.x_mm == x] or [None]
        version = book.snapshot(1).versions[Ref("reading", there.id)] if there else 0
        send(edges, row(0, x, there.id if there else "", version, **texts))

    typed(0, goes_mm="20.002")
    typed(0, goes_mm="20.002", stops_mm="20.010")
    typed(0, goes_mm="20.004", stops_mm="20.008")
    typed(0, just_mm="20.006")
    assert len(book.job(1).corrected()) == 3
    assert told() == []
    typed(0, just_mm="20.005")
    assert len(told()) == 1
    typed(100, goes_mm="20.002", stops_mm="20.004")
    typed(100, goes_mm="20.004", stops_mm="20.006")
    assert "100" in told()[0]


def test_plain_form_saves_without_a_script(edges: TestClient, book: Book) -> None:
    """The whole form at once: one act, back to the page; what was not touched changes nothing."""
    send(edges, row(0, 0, just_mm="20.001"), row(1, 100, just_mm=""), row(2, 200, just_mm="20.003"), script=False)
    number = book.snapshot(1).number
    page = edges.get(URL).context["page"]
    rows = [r for r in page.grids[0].rows if not r.free]
    form = {}
    for r in rows:
        form |= row(
            r.number,
            float(r.x),
            r.reading,
            r.version,
            **dict(zip([c.key for c in page.grids[0].columns], r.texts, strict=True)),
        )
    send(edges, form, script=False)
    assert book.snapshot(1).number == number
    assert [r.value.number for r in gaps(book)] == [20.001, 20.003]


def test_a_wrong_row_keeps_what_was_typed(edges: TestClient, book: Book) -> None:
    """One bad number refuses the whole act in a sentence; the page shows all that was typed."""
    page = edges.get(URL).context["page"]
    first, second = (r.number for r in page.grids[0].rows[:2])
    answer = send(edges, row(first, 0, just_mm="20.001"), row(second, 100, just_mm="2o.003"), script=False)
    assert answer.status_code == 422
    shown = answer.context["page"]
    assert "2o.003" in shown.problem
    assert [r.texts[1] for r in shown.grids[0].rows[:2]] == ["20.001", "2o.003"]
    assert gaps(book) == []


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        ({"just_mm": "20.004", "goes_mm": "20.002"}, "cannot say both"),
        ({"goes_mm": "20.004", "stops_mm": "20.002"}, "one of the two is not so"),
        ({"just_mm": "1,002.5"}, "two ways"),
        ({"just_mm": "12 arcsec"}, "wanted here is"),
        ({"just_mm": "4 m"}, "cannot be"),
    ],
)
def test_what_cannot_be_is_told(edges: TestClient, book: Book, texts: dict[str, str], words: str) -> None:
    """Each slip of the hand is one sentence, and nothing is saved."""
    answer = send(edges, row(0, 0, **texts))
    assert answer.status_code == 422
    assert words in answer.json()["words"]
    assert gaps(book) == []


def test_sent_twice_is_saved_once_and_in_order(edges: TestClient, book: Book) -> None:
    """A client numbers what it sends: again is the same, out of turn is asked to wait."""
    one, two = row(0, 0, just_mm="20.001"), row(1, 100, just_mm="20.002")
    early = send(edges, two, client="tab", sequence="2")
    assert (early.status_code, early.json()["expected"]) == (425, 1)
    assert send(edges, one, client="tab", sequence="1").status_code == 200
    again = send(edges, one, client="tab", sequence="1")
    assert again.status_code == 200
    assert send(edges, two, client="tab", sequence="2").status_code == 200
    assert send(edges, row(1, 100, just_mm="20.009"), client="tab", sequence="2").status_code == 425
    assert [r.value.number for r in gaps(book)] == [20.001, 20.002]


def test_a_repeat_is_known_after_later_acts(edges: TestClient, book: Book) -> None:
    """A correction whose answer was lost is known again even when its reading was deleted since."""
    first = told(send(edges, row(0, 0, just_mm="20.001"), client="tab", sequence="1"), 0)
    fix = row(0, 0, first["reading"], first["version"], just_mm="20.002")
    second = told(send(edges, fix, client="tab", sequence="2", act="3"), 0)
    send(edges, row(0, 0, second["reading"], second["version"], just_mm=""))
    assert gaps(book) == []
    assert send(edges, fix, client="tab", sequence="2", act="3").status_code == 200
    assert gaps(book) == []


def test_conflict_shows_both_and_loses_nothing(edges: TestClient, book: Book) -> None:
    """Two tabs change one reading: the second is shown both values and may keep either."""
    first = told(send(edges, row(0, 0, just_mm="20.001")), 0)
    mine, theirs = (row(0, 0, first["reading"], first["version"], just_mm=text) for text in ("20.002", "20.003"))
    assert send(edges, theirs).status_code == 200
    script = send(edges, mine)
    assert (script.status_code, script.json()["theirs"]) == (409, "just goes 20.003")
    answer = send(edges, mine, script=False)
    assert answer.status_code == 409
    page = answer.context["page"]
    assert (page.mine, page.theirs) == ("just goes 20.002", "just goes 20.003")
    assert [r.value.number for r in gaps(book)] == [20.003]
    kept = edges.post(page.action, data=dict(page.hidden))
    assert kept.status_code == 200
    assert [r.value.number for r in gaps(book)] == [20.002]


@pytest.mark.parametrize(("keep", "first"), [("hidden", 20.002), ("rest", 20.003)])
def test_what_was_typed_with_a_conflict_is_kept(keep: str, first: float, edges: TestClient, book: Book) -> None:
    """Without JavaScript a whole form is sent: whichever value is kept, what else was typed in it is saved too."""
    was = told(send(edges, row(0, 0, just_mm="20.001")), 0)
    form = row(0, 0, was["reading"], was["version"], just_mm="20.002") | row(1, 100, just_mm="20.011")
    form |= row(11, 200, just_mm="20.012")
    assert send(edges, row(0, 0, was["reading"], was["version"], just_mm="20.003")).status_code == 200
    assert send(edges, form).json()["row"] == "0"
    page = send(edges, form, script=False).context["page"]
    assert edges.post(page.action, data=dict(getattr(page, keep))).status_code == 200
    assert sorted((r.x_mm, r.value.number) for r in gaps(book)) == [(0, first), (100, 20.011), (200, 20.012)]


def test_a_reading_deleted_meanwhile_is_added_anew(edges: TestClient, book: Book) -> None:
    """What was typed over a reading that is gone by then can be saved as a new one."""
    was = told(send(edges, row(0, 0, just_mm="20.001")), 0)
    send(edges, row(0, 0, was["reading"], was["version"], just_mm=""))
    page = send(edges, row(0, 0, was["reading"], was["version"], just_mm="20.002"), script=False, act="3").context[
        "page"
    ]
    assert (page.mine, page.theirs) == ("just goes 20.002", "deleted")
    assert edges.post(page.action, data=dict(page.hidden)).status_code == 200
    assert [r.value.number for r in gaps(book)] == [20.002]


def test_readings_for_a_deleted_setting_stay_on_the_page(edges: TestClient, book: Book) -> None:
    """A lay-up deleted while readings were typed for it: what was typed is shown with its places; nothing is saved."""
    book.delete(1, Ref("setting", "layups[0]"), 1)
    form = row(0, 0, just_mm="20.001") | row(1, 100, goes_mm="20.002")
    assert send(edges, form).status_code == 404
    answer = send(edges, form, script=False)
    assert answer.status_code == 409
    assert [(f.field.label, f.field.value) for f in answer.context["page"].rows] == [
        *(("just goes at 0", "20.001"), ("goes at 100", "20.002"))
    ]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("20.001\n20.002\n\n20.003\n", [(0, 20.001), (100, 20.002), (200, 20.003)]),
        ("300; 20,001\n400; 20,002", [(300, 20.001), (400, 20.002)]),
        ("x_mm,just_mm\n300,20.001\n", [(300, 20.001)]),
        ("300\t0\t20.001", [(300, 20.001)]),
        ("100 20.001\n200 20.002", [(100, 20.001), (200, 20.002)]),
        ("100 0.8 in", [(100, 0.8)]),
    ],
)
def test_pasting_a_table(edges: TestClient, book: Book, text: str, found: list[tuple[float, float]]) -> None:
    """A column, a table with places, one with names: tabs, semicolons, spaces, commas."""
    shown = edges.post("/jobs/1/paste?id=layups%5B0%5D", data={"text": text})
    assert shown.status_code == 200
    assert gaps(book) == []  # nothing yet
    assert [line.does for line in shown.context["page"].lines] == ["new"] * len(found)
    answer = edges.post("/jobs/1/paste?id=layups%5B0%5D", data={"text": text, "sure": "yes"})
    assert answer.status_code == 200, answer.context["page"].words
    assert [(r.x_mm, r.value.number) for r in gaps(book)] == found


def test_pasting_brackets(edges: TestClient, book: Book) -> None:
    """x, y, goes and does not go, as a spreadsheet gives them."""
    edges.post("/jobs/1/paste?id=layups%5B0%5D", data={"text": "100\t0\t20.001\t20.003", "sure": "yes"})
    (reading,) = gaps(book)
    assert (reading.low.number, reading.high.number) == (20.001, 20.003)


@pytest.mark.parametrize("text", ["", "a b c d e f", "x_mm,nothing\n1,2"])
def test_what_cannot_be_pasted(edges: TestClient, book: Book, text: str) -> None:
    """What is no table of readings is refused in a sentence, whole."""
    answer = edges.post("/jobs/1/paste?id=layups%5B0%5D", data={"text": text, "sure": "yes"})
    assert answer.status_code == 422
    assert gaps(book) == []


def test_more_values_than_places_are_told(edges: TestClient, book: Book) -> None:
    """Of twenty values for seven places, the seven that have one would be read in; of each other line it is said why
    not."""
    page = edges.post("/jobs/1/paste?id=layups%5B0%5D", data={"text": "20.001\n" * 20}).context["page"]
    assert [line.does for line in page.lines] == ["new"] * 7 + ["not understood"] * 13
    assert "there are 7 places" in page.lines[7].more


def test_what_a_table_would_do_is_shown_first(edges: TestClient, book: Book) -> None:
    """
    0   20.001    new
    100 20.0o2    not understood, by its line
    0   20.004    instead of 20.001, once that is there; pasted twice it changes nothing more
    """
    url = "/jobs/1/paste?id=layups%5B0%5D"
    edges.post(url, data={"text": "0 20.001", "sure": "yes"})
    text = "0 20.004\n\n100 20.0o2\n200 20.003"
    page = edges.post(url, data={"text": text}).context["page"]
    told = [(line.number, line.place, line.does) for line in page.lines]
    assert told == [(1, "0", "instead of"), (3, "", "not understood"), (4, "200", "new")]
    assert page.lines[0].more == "20.001"
    assert "20.0o2" in page.lines[1].more
    twice = edges.post(url, data={"text": "0 20.004\n0 20.005"}).context["page"].lines
    assert [(line.does, line.more) for line in twice][1] == ("not understood", "this place stands above already")
    assert page.useful == 2
    edges.post(url, data={"text": text, "sure": "yes"})
    gone = book.job(1).corrected()
    now = [(r.x_mm, r.value.number) for r in gaps(book) if r.id not in gone]
    assert sorted(now) == [(0, 20.004), (200, 20.003)]
    again = edges.post(url, data={"text": text}).context["page"]
    assert [line.does for line in again.lines] == ["as it is", "not understood", "as it is"]
    acts = book.snapshot(1).number
    edges.post(url, data={"text": text, "sure": "yes"})
    assert book.snapshot(1).number == acts
