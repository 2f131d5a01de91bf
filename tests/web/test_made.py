"""How a piece is made, on the bench: its section is typed, drawn to scale and kept; blocks over the supports count once
ticked; supports stand in the drawing of a lay-up."""

from __future__ import annotations

from dataclasses import replace

from starlette.testclient import TestClient

from tests.body.test_bodies_typed import TEXT
from waywright import jobfile
from waywright.core.evidence.section import Hole, IShape, Solid
from waywright.demo import shop
from waywright.record import Book
from waywright.views.numbers import METRIC
from waywright.web.facing import facing

SHOP = jobfile.loads(shop())


def form(client: TestClient, number: int, piece: str) -> dict[str, str]:
    """What the form of a piece holds as it is shown."""
    page = client.get(f"/jobs/{number}/things").context["page"]
    made = next(each for each in page.made if each.piece == piece)
    return {field.name: field.value for field in made.fields} | {"of": piece, "version": str(made.version)}


def test_a_section_is_typed_and_drawn(client: TestClient, book: Book) -> None:
    """Depth, width and web typed into the form of a piece are its section; the page then draws it to scale."""
    number = book.begin(SHOP)
    name = SHOP.pieces[0].name
    page = client.get(f"/jobs/{number}/things").context["page"]
    assert page.made[0].section is None
    given = form(client, number, name) | {
        "material": "cast iron",
        "mass_kg": "16 lb",
        "carried_mm": "130 470",
        "section.shape": "I",
        "section.depth_mm": "80",
        "section.width_mm": "40",
        "section.web_mm": "10",
        "section.flange_mm": "12",
    }
    page = client.post(f"/jobs/{number}/made", data=given).context["page"]
    piece = book.job(number).pieces[0]
    assert piece.section == IShape(depth_mm=80.0, width_mm=40.0, web_mm=10.0, flange_mm=12.0)
    assert (piece.material, piece.carried_mm) == ("cast iron", (130.0, 470.0))
    drawn = page.made[0].section
    assert (drawn.wide_mm, drawn.deep_mm) == (40.0, 80.0)
    assert drawn.layers[0] == (0.0, 0.0, 40.0, 12.0)
    assert "80 × 40 mm, to scale" in drawn.words


def test_what_the_form_cannot_show_stays(client: TestClient, book: Book) -> None:
    """Holes and several sections stay as they are when something else is saved; one's own material is offered."""
    number = book.begin(jobfile.loads(TEXT))
    page = client.get(f"/jobs/{number}/things").context["page"]
    material = next(field for field in page.made[0].fields if field.name == "material")
    assert "our iron" in [choice.value for choice in material.choices]
    client.post(f"/jobs/{number}/made", data=form(client, number, "P") | {"mass_kg": "7"})
    client.post(f"/jobs/{number}/made", data=form(client, number, "the old one") | {"mass_kg": "5"})
    p, q = book.job(number).pieces
    assert isinstance(p.section, IShape)
    assert p.section.holes == (Hole(330.0, 40.0), Hole(200.0, 40.0, 60.0))
    assert (p.mass_kg, q.mass_kg) == (7.0, 5.0)
    assert q.sections[1] == Solid(x_mm=300.0, depth_mm=80.0, width_mm=12.0)


def test_a_slip_in_how_it_is_made_is_told_there(client: TestClient, book: Book) -> None:
    """A web wider than its flange is refused with a sentence, what was typed still stands, and nothing is changed."""
    number = book.begin(jobfile.loads(TEXT))
    answer = client.post(f"/jobs/{number}/made", data=form(client, number, "P") | {"section.web_mm": "50"})
    assert answer.status_code == 422
    assert "A web of 50 mm does not fit" in answer.text
    assert 'value="50"' in answer.text
    assert book.job(number) == jobfile.loads(TEXT)


def test_blocks_over_the_supports_count_once_ticked(client: TestClient, book: Book) -> None:
    """The tick puts the supports of the lower straight under its blocks, and taken away it takes them back."""
    number = book.begin(SHOP)
    one = next(s for s in SHOP.settings if len({r.x_mm for r in s.geometry.rests(s.readings)}) == 2)
    at = tuple(sorted({r.x_mm for r in one.geometry.rests(one.readings)}))
    lower = SHOP.piece_of(one.geometry.lower).name  # type: ignore[attr-defined]

    def now() -> tuple[tuple[str, tuple[float, ...]], ...]:
        return next(s for s in book.job(number).settings if s.id == one.id).carried_mm

    client.post(f"/jobs/{number}/setting/ticks?id={one.id}", data={"supports": "yes", "wiped": "yes"})
    assert now() == ((lower, at),)
    readings = next(s for s in book.job(number).settings if s.id == one.id).readings
    assert readings == one.readings
    page = client.get(f"/jobs/{number}/setting?id={one.id}").context["page"]
    assert [tick.name for tick in page.ticks if tick.done] == ["wiped", "supports"]
    client.post(f"/jobs/{number}/setting/ticks?id={one.id}", data={"wiped": "yes"})
    assert now() == ()


def test_supports_stand_in_the_drawing_of_a_lay_up() -> None:
    """Where the lower is carried there is a mark under it, and it is said; where nobody said, there is none."""
    job = SHOP
    one = next(s for s in job.settings if s.geometry.lying is not None)
    assert one.geometry.lying is not None
    lower = job.piece_of(one.geometry.lying.lower).name
    plain = facing(job, one, {}, 1.0, METRIC)
    carried = facing(job, replace(one, carried_mm=((lower, (100.0, 500.0)),)), {}, 1.0, METRIC)
    assert plain is not None
    assert carried is not None
    assert not [spot for spot in plain.spots if spot.kind == "support"]
    assert len([spot for spot in carried.spots if spot.kind == "support"]) == 2
    assert "is supported at 100 and 500 mm" in carried.words
