"""A reading that makes no sense beside the others is asked about as soon as it is typed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from tests.web.test_pages import page_of
from waywright import demo, jobfile
from waywright.core.evidence.job import Reading, Setting, Typed
from waywright.core.evidence.odd import odd
from waywright.core.readings import LayUp, Run
from waywright.record import Book, Ref

ROWAN = "layups[1]"


def gap(n: int, typed: float, unit: str = "mm") -> Reading:
    """A stack that drags."""
    return Reading(f"layups[0].gaps[{n}]", "gaps", 100.0 * n, key="just_mm", value=Typed(typed, unit))


def laid(*sizes: float, spacers: bool = True) -> Setting:
    """A lay-up on 20 mm blocks."""
    blocks = [Reading(f"s{i}", "spacers", x, 0.0, key="size_mm", value=Typed(20.0, "mm")) for i, x in enumerate((1, 2))]
    readings = (*(blocks if spacers else []), *(gap(n, size) for n, size in enumerate(sizes)))
    return Setting("layups[0]", LayUp("P", "Q", "over"), readings)


@pytest.mark.parametrize("wrong", [20.5, 2.0, 20006.0, 20.006 / 25.4])
def test_a_gap_unlike_the_blocks_it_stands_on_is_odd(wrong: float) -> None:
    """20.5, 2, micrometres for millimetres, inches over 20 mm blocks: the first gap typed is asked about already, as is
    any after it; honest gaps of a worn pair are not."""
    (first,) = odd(laid(wrong), ())
    assert first.reading.id == "layups[0].gaps[0]"
    assert first.usual_mm == 20.0
    (later,) = odd(laid(20.004, 20.11, 20.2, wrong, 20.03), ())
    assert later.typed.number == wrong
    assert list(odd(laid(20.004, 20.11, 20.2, 19.99, 20.03), ())) == []
    assert list(odd(laid(wrong), {"layups[0].gaps[0]"})) == []


def test_of_two_the_later_is_asked_about() -> None:
    """Without blocks two numbers do not tell which is right: the later is asked about; a third settles it."""
    (one,) = odd(laid(20.0, 20.5, spacers=False), ())
    assert one.typed.number == 20.5
    (one,) = odd(laid(20.5, 20.0, 20.01, spacers=False), ())
    assert one.typed.number == 20.5
    assert list(odd(laid(20.5, spacers=False), ())) == []


def test_a_bracket_of_one_reading_speaks_for_itself() -> None:
    """Both ends of a bracket are looked at, each against other readings."""
    setting = laid(20.004, 20.006)
    torn = Reading("b", "gaps", 300.0, low=Typed(20.006, "mm"), high=Typed(28.0, "mm"))
    (one,) = odd(replace(setting, readings=(*setting.readings, torn)), ())
    assert (one.reading.id, one.typed.number) == ("b", 28.0)


def test_widely_scattered_readings_are_not_odd() -> None:
    """A run over a way worn by half a millimetre all along has no odd reading; one out of ten times that has."""
    along = [Reading(f"r{i}", "readings", 10.0 * i, key="um", value=Typed(50.0 * i, "µm")) for i in range(11)]
    run = Setting("runs[0]", Run("P"), tuple(along))
    assert list(odd(run, ())) == []
    far = replace(along[5], value=Typed(5000.0, "µm"))
    (one,) = odd(replace(run, readings=(*along[:5], far, *along[6:])), ())
    assert one.reading.id == "r5"


def test_it_is_asked_on_the_page_until_it_is_answered(client: TestClient, book: Book) -> None:
    """The page of the setting asks at once, with the number as it was typed; said to be so, it is not asked again till
    another number is typed there."""
    job = book.begin(jobfile.loads(demo.shop(), "the sample shop"))
    url, at = f"/jobs/{job}", f"/jobs/{job}/setting?id={ROWAN}"
    assert page_of(client, at).live.odd == ()
    one = next(r for s, r in book.job(job).readings() if s.id == ROWAN and r.entry == "gaps")
    version = book.snapshot(job).versions[Ref("reading", one.id)]
    book.correct(job, one.id, version, replace(one, id="", key="just_mm", low=None, high=None, value=Typed(20.5, "mm")))
    (asked,) = page_of(client, at).live.odd
    assert asked.words.startswith("Really 20.5 mm at ")
    assert "? The others read about 20" in asked.words
    text = client.get(at).text
    assert asked.words in text
    assert "It is so" in text
    client.post(f"{url}/setting/so?id={ROWAN}", data={"reading": asked.reading, "typed": asked.typed})
    assert page_of(client, at).live.odd == ()
    now = next(r for s, r in book.job(job).readings() if s.id == ROWAN and r.corrects == one.id)
    version = book.snapshot(job).versions[Ref("reading", now.id)]
    book.correct(job, now.id, version, replace(now, id="", value=Typed(2.0, "mm")))
    (again,) = page_of(client, at).live.odd
    assert again.words.startswith("Really 2 mm at ")
