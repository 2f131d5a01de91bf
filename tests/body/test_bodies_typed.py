"""Sections, materials, supports and warmth as they are typed: read, written, kept in a book, and refused in a sentence."""
# ruff: noqa: E501 - a table of slips is read a row a line

from __future__ import annotations

from pathlib import Path

import pytest

from waywright.core.evidence.job import Hung
from waywright.core.evidence.material import BUILT_IN, Material, material_named
from waywright.core.evidence.section import Hole, IShape, Solid
from waywright.jobfile import JobFileError, dumps, loads
from waywright.record import Book, Delete, Ref, Refused, Rename

TEXT = """\
title = "Two edges with weight"

[instruments.blocks]
kind = "gauge blocks"
u_um = 0.3

[materials."our iron"]
density_kg_m3 = "7.15 g/cm³"
e_gpa = 104
e_doubt = 0.08

[[pieces]]
name = "P"
material = "our iron"
mass_kg = "16,3 lb"
carried_mm = [145, 515]
section = { shape = "I", depth_mm = 80, width_mm = 40, web_mm = 10, flange_mm = 12, holes = [ { x_mm = 330, diameter_mm = 40 }, { x_mm = 200, diameter_mm = 40, length_mm = 60 } ] }

[[pieces.faces]]
name = "P"
length_mm = 660
width_mm = 40
stations_mm = [0, 330, 660]

[[pieces]]
name = "the old one"
material = "steel"
sections = [ { shape = "solid", depth_mm = 50, width_mm = 12 }, { shape = "solid", x_mm = 300, depth_mm = 80, width_mm = 12 } ]

[[pieces.faces]]
name = "Q"
length_mm = 660
width_mm = 40
stations_mm = [0, 330, 660]

[[layups]]
lower = "P"
upper = "Q"
turn = "over"
carried_mm = { P = [130, 530], "the old one" = [1, 659] }
hung = [ { piece = "the old one", x_mm = 330, mass_kg = 5 } ]
rested = "hours"
warm_c = { P = [20.9, "69 °F"] }
warm_u_c = 0.1
gaps = [
  { x_mm = 330, gap_mm = 0.012 },
]
"""


def test_what_is_typed_is_in_the_job_and_written_again() -> None:
    """Every key of weight and warmth is found in the job in its unit, and written as it was read."""
    job = loads(TEXT)
    assert job.materials == (Material("our iron", 7150.0, 104.0, e_doubt=0.08),)
    p, q = job.pieces
    holes = (Hole(330.0, 40.0), Hole(200.0, 40.0, 60.0))
    assert p.along == (IShape(depth_mm=80.0, width_mm=40.0, web_mm=10.0, flange_mm=12.0, holes=holes),)
    assert p.mass_kg == pytest.approx(16.3 * 0.45359237)
    assert q.along == (Solid(depth_mm=50.0, width_mm=12.0), Solid(x_mm=300.0, depth_mm=80.0, width_mm=12.0))
    (setting,) = job.settings
    assert setting.carried_mm == (("P", (130.0, 530.0)), ("the old one", (1.0, 659.0)))
    assert setting.hung == (Hung("the old one", 330.0, 5.0),)
    assert (setting.rested, setting.warm_u_c) == ("hours", 0.1)
    assert dict(setting.warm_c)["P"] == pytest.approx((20.9, 20.5555555556))
    assert loads(dumps(job)) == job
    assert dumps(job, onto=TEXT) == TEXT


def test_a_book_keeps_it_and_renames_pieces_in_it(tmp_path: Path) -> None:
    """The book gives the job back; a piece renamed is renamed where it stands or is warm, and is not taken away."""
    job = loads(TEXT)
    with Book.open(tmp_path / "book.sqlite") as book:
        number = book.begin(job)
        assert book.job(number) == job
        book.change(number, Rename(Ref("piece", "the old one"), "the new one"))
        (setting,) = book.job(number).settings
        assert setting.carried_mm[1][0] == setting.hung[0].piece == "the new one"
        with pytest.raises(Refused):
            book.change(number, Delete(Ref("piece", "P"), book.snapshot(number).versions[Ref("piece", "P")]))


@pytest.mark.parametrize(
    ("good", "bad", "says"),
    [
        ('"7.15 g/cm³"', "7.15", 'materials.our iron.density_kg_m3 (line 8): 7.15 cannot be: it lies between 500 and 23000 kg/m³; water has 1000, iron 7200: write 7200, or "7.2 g/cm³".'),
        ("e_gpa = 104", "e_gpa = 104e9", "cannot be; a modulus lies between"),
        ('"16,3 lb"', "-7.4", "pieces[0].mass_kg (line 15): -7.4 kg cannot be; mass_kg is above 0."),
        ("[145, 515]", "[145, 700]", "pieces[0].carried_mm (line 16): 700 mm lies off P, which is 660 mm long."),
        ("[145, 515]", "[330, 330]", "pieces[0].carried_mm (line 16): P would fall over: it stands on two places or more, apart."),
        ("[130, 530]", "[530, 530]", "layups[0].carried_mm (line 40): P would fall over"),
        ("P = [130, 530]", "R = [130, 530]", "There is no piece called 'R'; the pieces are P, the old one."),
        ("x_mm = 330, diameter_mm = 40", "x_mm = 330, diameter_mm = 60", "pieces[0].section (line 17): A hole of 60 mm is deeper than the web"),
        ("x_mm = 330, diameter_mm = 40", "x_mm = 240, diameter_mm = 40", "The holes at 200 and 240 mm overlap; give them as one slot."),
        ("x_mm = 330, diameter_mm = 40", "x_mm = 650, diameter_mm = 40", "The hole at 650 mm reaches beyond a piece of 660 mm."),
        ("length_mm = 60 }", "length_mm = 30 }", "A slot is at least as long as it is deep"),
        ("flange_mm = 12", "flange_mm = 40", "Flanges of 40 mm leave no web in a depth of 80 mm."),
        ("web_mm = 10", "web_mm = 50", "A web of 50 mm does not fit into a width of 40 mm."),
        ('"I", depth', '"H", depth', "'H' is not known; it is one of"),
        ("[20.9,", "[70,", '70 °C is warmer than any bench; Fahrenheit is typed with its unit, "70 °F".'),
        ('"hours"', '"a while"', "rested (line 42): 'a while' is not known; it is one of"),
        ('material = "steel"', 'material = "bronze"', "Of the material 'bronze' nothing is known"),
        ('material = "steel"\n', "", "The material is missing, and how far a section bends hangs on it"),
        ("x_mm = 300, depth", "x_mm = 900, depth", "A section at 900 mm lies off a piece of 660 mm."),
        ('"the old one", x_mm = 330', '"the old one", x_mm = 3300', "3300 mm lies off the old one; nothing can hang there."),
        ("[20.9, ", "[20.9, 20.8, ", "2 values are wanted here"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_a_sentence(good: str, bad: str, says: str) -> None:
    """Supports off the piece or at one place, holes that do not fit, a density in another unit, Fahrenheit without its
    unit and their like are refused with the key, its line and what to do."""
    assert TEXT.count(good) == 1
    with pytest.raises(JobFileError) as caught:
        loads(TEXT.replace(good, bad))
    assert says in str(caught.value)


def test_materials_are_built_in_and_may_be_ones_own() -> None:
    """One's own numbers of a name stand before the built-in ones; of another name nothing is known."""
    own = Material("steel", 7800.0, 200.0)
    assert material_named("steel") == BUILT_IN["steel"]
    assert material_named("steel", [own]) == own
    assert material_named("bronze") is material_named(None) is None
