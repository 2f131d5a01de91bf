"""A new kind of reading may have dataclasses within it that name faces: job file, book and form need nothing for them.

The kind: an indicator on a stand reads one face; the stand has a face of its own to stand on, and stops beside it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pytest
from starlette.testclient import TestClient

from waywright import jobfile
from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Entry, Kind, Setting
from waywright.core.evidence.rows import Equations, HeightTerm, Influence, OwnTerm, Site, every
from waywright.core.readings import KINDS, register
from waywright.jobfile import JobFileError
from waywright.record import Book, Delete, Ref, Refused, Rename


@dataclass(frozen=True)
class Stop:
    """What a stand is pushed against."""

    on: FaceName
    at_mm: float = 0.0


@dataclass(frozen=True)
class Stand:
    """What carries the indicator."""

    on: FaceName
    high_mm: float = 50.0
    clamped: bool = True


@dataclass(frozen=True)
class Reach(Kind):
    """Heights of `face` over the face its `stand` is on, whose own shape is left out here."""

    block: ClassVar[str] = "reaches"
    title: ClassVar[str] = "Reach: an indicator on a stand"
    entries: ClassVar[tuple[Entry, ...]] = (Entry("readings", ("x_mm",), ("um",)),)
    instrument_kinds: ClassVar[tuple[str, ...]] = ("indicator",)

    face: FaceName
    stand: Stand
    spare: Stand | None = None
    stops: tuple[Stop, ...] = ()

    def words(self) -> str:
        """For a person."""
        return f"{self.face} from a stand on {self.stand.on}"

    def equations(self, setting: Setting, site: Site) -> Equations:
        """h(x) + lift + tilt·x, one row a reading."""
        x = np.array([r.x_mm or 0.0 for r in site.readings])
        n, lift, tilt = len(x), site.label("lift"), site.label("tilt")
        return Equations(
            readings=site.readings,
            value_um=np.array([site.number(r, r.value, "µm") for r in site.readings if r.value]),
            noise_um2={Influence("dial"): np.ones(n)},
            heights=(HeightTerm(self.face, every(n), x, np.zeros(n), np.ones(n)),),
            own=(OwnTerm(lift, every(n), np.ones(n)), OwnTerm(tilt, every(n), x / 1e3)),
            unknowns={lift: None, tilt: None},
        )


@pytest.fixture(autouse=True)
def _registered() -> Iterator[None]:
    """Known while these tests run, and forgotten after."""
    register(Reach)
    yield
    del KINDS[Reach.block]


SHOP = "".join(
    f'[[pieces]]\nname = "{name}"\n[[pieces.faces]]\nname = "{name}"\nlength_mm = 400\nwidth_mm = 40\n'
    "stations_mm = [0, 200, 400]\n\n"
    for name in ("P", "Q", "R", "S")
) + (
    """\
[instruments.dial]
kind = "indicator"
u_um = 0.8

[[reaches]]
id = "first.of.all"
face = "P"
stand = { on = "Q", high_mm = "2 in", clamped = false }  # the heavy one
stops = [ { on = "R" }, { on = "S", at_mm = 30 } ]
readings = [ { x_mm = 0, um = 1 }, { x_mm = 200, um = 2 }, { x_mm = 400, um = 1 } ]
"""
)
STAND = Stand("Q", 50.8, clamped=False)


def test_faces_named_within_are_faces_of_the_reading() -> None:
    """Whatever a reading names, at whatever depth, is among its faces, in the order of the fields."""
    (setting,) = jobfile.loads(SHOP).settings
    assert setting.geometry == Reach("P", STAND, stops=(Stop("R"), Stop("S", 30.0)))
    assert setting.geometry.faces() == ("P", "Q", "R", "S")


def test_it_is_written_as_it_was_read() -> None:
    """In our layout it reads back the same; onto its own text nothing changes."""
    job = jobfile.loads(SHOP)
    assert jobfile.loads(jobfile.dumps(job)) == job
    assert jobfile.dumps(job, onto=SHOP) == SHOP


@pytest.mark.parametrize(
    ("good", "bad", "says"),
    [
        ('on = "Q"', 'on = "X"', "reaches[0].stand.on (line 40): There is no face called 'X'"),
        ('on = "S"', 'on = "X"', "reaches[0].stops[1].on (line 41): There is no face called 'X'"),
        ('on = "Q", ', "", "reaches[0].stand (line 40): The key on is missing."),
        ("clamped", "clumped", "reaches[0].stand.clumped (line 40): The key 'clumped' is not known"),
    ],
)
def test_what_is_wrong_within_is_refused_with_its_line(good: str, bad: str, says: str) -> None:
    """A face that is not there, and slips in what is within, are refused with the key and its line."""
    with pytest.raises(JobFileError) as caught:
        jobfile.loads(SHOP.replace(good, bad), "shop.toml")
    assert says in str(caught.value)


def test_a_face_named_within_is_renamed_and_not_taken_away(book: Book) -> None:
    """Another name for the face goes into the stand and its stops; the piece it is on is not deleted; undo helps."""
    number = book.begin(jobfile.loads(SHOP))
    for name in ("Q", "S"):
        with pytest.raises(Refused, match=r"is used by setting first\.of\.all"):
            book.change(number, Delete(Ref("piece", name), book.snapshot(number).versions[Ref("piece", name)]))
        book.change(number, Rename(Ref("face", name), f"{name} anew"))
    geometry = book.job(number).settings[0].geometry
    assert geometry == Reach("P", Stand("Q anew", 50.8, clamped=False), stops=(Stop("R"), Stop("S anew", 30.0)))
    book.undo(number)
    assert book.job(number).settings[0].geometry.faces() == ("P", "Q anew", "R", "S")


def test_it_is_chosen_in_the_form(client: TestClient, book: Book) -> None:
    """The form offers the faces of the job for what the stand is on, keeps what was typed, and shows it again."""
    number = book.begin(jobfile.loads(SHOP))
    page = client.get(f"/jobs/{number}/setting/new?kind=reaches").context["page"]
    fields = {field.name: field for field in page.fields}
    assert [c.value for c in fields["stand.on"].choices] == ["P", "Q", "R", "S"]
    assert (fields["stand.on"].required, fields["stand.on"].label) == (True, "Stand: on")
    assert [c.value for c in fields["spare.on"].choices] == ["", "P", "Q", "R", "S"]
    assert (fields["stand.high_mm"].unit, fields["spare.clamped"].value) == ("mm", "")
    form = {"kind": "reaches", "face": "P", "stand.on": "R", "stand.high_mm": "2 in", "instrument": "dial"}
    page = client.post(f"/jobs/{number}/setting/new", data=form).context["page"]
    made = book.job(number).settings[-1]
    assert made.geometry == Reach("P", Stand("R", 50.8))
    shown = {field.name: field.value for field in page.fields}
    assert (shown["stand.on"], shown["stand.high_mm"], shown["stand.clamped"]) == ("R", "50.8", "yes")
    changed = {**shown, "stand.clamped": "no", "spare.on": "Q", "version": str(page.version)}
    assert client.post(f"/jobs/{number}/setting/change?id={made.id}", data=changed).status_code == 200
    now = book.job(number).settings[-1].geometry
    assert now == Reach("P", Stand("R", 50.8, clamped=False), Stand("Q"))


def test_what_no_line_of_a_form_can_hold_stays(client: TestClient, book: Book) -> None:
    """A list of stops is not in the form: saving the form leaves it as it was."""
    number = book.begin(jobfile.loads(SHOP))
    page = client.get(f"/jobs/{number}/setting?id=first.of.all").context["page"]
    changed = {**{field.name: field.value for field in page.fields}, "note": "oiled", "version": str(page.version)}
    assert client.post(f"/jobs/{number}/setting/change?id=first.of.all", data=changed).status_code == 200
    (setting,) = book.job(number).settings
    assert setting.note == "oiled"
    assert setting.geometry == Reach("P", STAND, stops=(Stop("R"), Stop("S", 30.0)))


@pytest.mark.parametrize(
    ("typed", "field", "says"),
    [
        ({"stand.high_mm": "50"}, "", "The key on is missing."),
        ({"stand.on": "Q", "stand.high_mm": "tall"}, "stand.high_mm", "is not a number"),
    ],
)
def test_what_cannot_be_within_is_said_beside_it(
    client: TestClient, book: Book, typed: dict[str, str], field: str, says: str
) -> None:
    """A slip in a field of the stand is told at that field; a missing one, which a browser asks for, at the head."""
    number = book.begin(jobfile.loads(SHOP))
    answer = client.post(f"/jobs/{number}/setting/new", data={"kind": "reaches", "face": "P", **typed})
    page = answer.context["page"]
    told = {f.name: f.problem for f in page.fields if f.problem} or {"": page.problem}
    assert answer.status_code == 422
    assert list(told) == [field]
    assert says in told[field]
