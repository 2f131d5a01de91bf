"""A new kind of reading may have dataclasses within it, that name faces, or are one of several told apart by a tag: job
file, book and form need nothing for them.

The kind: an indicator on a stand reads one face; the stand has a face of its own to stand on, and stops beside it; its
foot is a disc or a pad.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

import numpy as np
import pytest
from starlette.testclient import TestClient

from waywright import jobfile
from waywright.core.evidence.fields import FaceName, fields_of
from waywright.core.evidence.job import Setting
from waywright.core.evidence.kind import Entry, Kind
from waywright.core.evidence.rows import Equations, HeightTerm, Influence, OwnTerm, Site, every
from waywright.core.readings import KINDS, register
from waywright.jobfile import JobFileError
from waywright.record import Book, Delete, Ref, Refused, Rename
from waywright.record.parts import BodyError, dump, load
from waywright.units import Showing


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


@dataclass(frozen=True, kw_only=True)
class Disc:
    """A round foot."""

    shape: Literal["disc"] = "disc"
    across_mm: float = 20.0


@dataclass(frozen=True, kw_only=True)
class Pad:
    """A square foot, fitted to a face."""

    shape: Literal["pad"] = "pad"
    corners_mm: tuple[float, float]
    fitted_to: FaceName | None = None
    made: Literal["cast", "turned"] = "cast"


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
    foot: Disc | Pad = Disc()

    def words(self, shown: Showing) -> str:
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


FEET = {
    'foot = { shape = "disc" }': Disc(),
    'foot = { shape = "disc", across_mm = 30 }': Disc(across_mm=30.0),
    'foot = { shape = "pad", corners_mm = [10, "1 in"] }': Pad(corners_mm=(10.0, 25.4)),
    'foot = { shape = "pad", corners_mm = [1, 2], fitted_to = "S", made = "turned" }': Pad(
        corners_mm=(1.0, 2.0), fitted_to="S", made="turned"
    ),
}


@pytest.mark.parametrize("text", FEET)
def test_one_of_several_goes_through_job_file_and_book(book: Book, text: str) -> None:
    """By its tag a foot is read as what it is, written with it, and kept in the book; onto its text nothing changes."""
    source = SHOP.replace('face = "P"', f'face = "P"\n{text}')
    job = jobfile.loads(source)
    (setting,) = job.settings
    assert setting.geometry == Reach("P", STAND, stops=(Stop("R"), Stop("S", 30.0)), foot=FEET[text])
    assert jobfile.dumps(job, onto=source) == source
    assert jobfile.loads(jobfile.dumps(job)) == job
    assert book.job(book.begin(job)) == job
    assert load("setting", dump(setting)) == replace(setting, readings=())
    other = replace(job, settings=(replace(setting, geometry=replace(setting.geometry, foot=Disc(across_mm=5.0))),))  # type: ignore[call-arg]
    changed = jobfile.dumps(other, onto=source)
    assert jobfile.loads(changed) == other
    assert "# the heavy one" in changed


def test_a_tag_is_written_though_it_is_a_default() -> None:
    """In the file and in the book a foot says what it is, whatever the first of its class comes to be."""
    foot = Pad(corners_mm=(1.0, 2.0))
    setting = Setting("s", Reach("P", STAND, foot=foot), ())
    assert json.loads(dump(setting))["geometry"]["foot"] == {"shape": "pad", "corners_mm": [1.0, 2.0], "made": "cast"}
    job = jobfile.loads(SHOP)
    job = replace(job, settings=(replace(job.settings[0], geometry=setting.geometry),))
    assert 'foot = { shape = "pad", corners_mm = [1, 2] }' in jobfile.dumps(job)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{ across_mm = 3 }", 'reaches[0].foot (line 40): The key shape is missing; it is one of "disc", "pad".'),
        ('{ shape = "ball" }', 'foot.shape (line 40): \'ball\' is not known; it is one of "disc", "pad".'),
        ("{ shape = 3 }", "foot.shape (line 40): Wanted here is a text in quotes, not 3."),
        ('{ shape = "disc", corners_mm = [1, 2] }', "foot.corners_mm (line 40): The key 'corners_mm' is not known"),
        ('{ shape = "pad" }', "reaches[0].foot (line 40): The key corners_mm is missing."),
        ('{ shape = "pad", corners_mm = [1] }', "foot.corners_mm (line 40): 2 values are wanted here, one behind"),
        ('{ shape = "pad", corners_mm = [1, 2], made = "won" }', "made (line 40): 'won' is not known; it is one"),
        ('{ shape = "pad", corners_mm = [1, 2], fitted_to = "X" }', "foot.fitted_to (line 40): There is no face"),
        ('"disc"', "reaches[0].foot (line 40): Wanted here is a block [reaches.foot], not 'disc'."),
    ],
)
def test_a_foot_that_cannot_be_is_refused_with_its_line(text: str, says: str) -> None:
    """No tag, one that is not known, and what that one has not, are refused in a sentence."""
    with pytest.raises(JobFileError) as caught:
        jobfile.loads(SHOP.replace('face = "P"', f'face = "P"\nfoot = {text}'))
    assert says in str(caught.value)


@pytest.mark.parametrize("foot", [{}, {"shape": "ball"}, {"shape": ["pad"]}, "disc", {"shape": "disc", "made": "cast"}])
def test_a_stored_foot_that_cannot_be_is_refused(foot: object) -> None:
    """The book takes no foot without its tag, with another one, or with what that one has not."""
    plain = {"id": "s", "geometry": {"kind": "reaches", "face": "P", "stand": {"on": "Q"}, "foot": foot}}
    with pytest.raises(BodyError, match=r"setting\.geometry\.foot"):
        load("setting", json.dumps(plain))


def test_one_of_several_is_chosen_in_the_form(client: TestClient, book: Book) -> None:
    """The form offers the tags, then whatever any of them has; what was typed for the one chosen is kept."""
    number = book.begin(jobfile.loads(SHOP))
    page = client.get(f"/jobs/{number}/setting?id=first.of.all").context["page"]
    fields = {field.name: field for field in page.fields if field.name.startswith("foot.")}
    assert list(fields) == [f"foot.{key}" for key in ("shape", "across_mm", "corners_mm", "fitted_to", "made")]
    assert [c.value for c in fields["foot.shape"].choices] == ["", "disc", "pad"]
    assert [c.value for c in fields["foot.made"].choices] == ["", "cast", "turned"]
    assert [c.value for c in fields["foot.fitted_to"].choices] == ["", "P", "Q", "R", "S"]
    assert fields["foot.shape"].value == "disc"
    given = {field.name: field.value for field in page.fields}
    given |= {"version": str(page.version), "foot.shape": "pad", "foot.corners_mm": "3  4", "foot.fitted_to": "S"}
    answer = client.post(f"/jobs/{number}/setting/change?id=first.of.all", data=given)
    assert answer.status_code == 200
    geometry = book.job(number).settings[0].geometry
    assert geometry.foot == Pad(corners_mm=(3.0, 4.0), fitted_to="S")  # type: ignore[attr-defined]
    book.change(number, Rename(Ref("face", "S"), "T"))
    assert book.job(number).settings[0].geometry.foot.fitted_to == "T"  # type: ignore[attr-defined]


@dataclass(frozen=True)
class Bare:
    """Nothing tells it apart."""

    across_mm: float = 1.0


@dataclass(frozen=True)
class Untold:
    """One of two that nothing tells apart."""

    foot: Disc | Bare


@dataclass(frozen=True)
class Loose:
    """What no file holds."""

    foot: float | str


@pytest.mark.parametrize("cls", [Untold, Loose])
def test_what_nothing_tells_apart_is_no_field(cls: type) -> None:
    """A union without a tag is the programmer's mistake, and named."""
    with pytest.raises(TypeError, match=rf"{cls.__name__}\.foot may be one of several"):
        fields_of(cls)
