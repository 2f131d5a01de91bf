"""Grades against the printed tables."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from waywright.core.judge.grades import GRADES, OutsideGrade, UnknownGrade, grade_named, limit_um

# JIS B 7514-1977 "Steel straightedges", table 1: all 18 numbers, µm (read; they agree with the printed formulas)
JIS_B_7514 = {
    "mm": (300, 500, 1000, 1500, 2000, 3000),
    "Special": (1.6, 2, 3, 4, 5, 7),
    "A": (3, 4, 6, 8, 10, 14),
    "B": (10, 14, 24, 34, 44, 64),
}
# DIN 874-2:2003-11 knife-edge straightedges, µm (table read; agrees with t = 2 + L/250)
DIN_874_2 = {
    "mm": (75, 100, 150, 200, 300, 400, 500, 600, 700, 800, 900, 1000),
    "": (2, 2, 3, 3, 3, 4, 4, 4, 5, 5, 6, 6),
}
# DIN 875-1 flatness of square blades, µm (table read; two cells were not legible)
DIN_875_1 = {
    "mm": (75, 100, 150, 200, 250, 330, 500, 660, 750, 1000),
    "00": (2, 2, 3, 3, 3, 3, 4, 5, 5, 6),
    "0": (3, 3, 4, 4, 5, 5, 7, 9, 10, 12),
    "1": (6, 6, 7, 8, 9, 11, 14, 17, 19, 24),
    "2": (11, 12, 14, 16, 18, None, 28, None, 38, 48),
}
# DIN 876 surface plates by their longer side, µm (two pages read)
DIN_876 = {
    "mm": (200, 300, 500, 800, 1000, 1200, 1500, 2000, 3000, 6500),
    "0": (4.8, 5.2, 6, 7.2, 8, 8.8, 10, 12, 16, 30),
    "I": (12, 13, 15, 18, 20, 22, 25, 30, 40, 75),
    "II": (24, 26, 30, 36, 40, 44, 50, 60, 80, 150),
    "III": (48, 52, 60, 72, 80, 88, 100, 120, 160, 300),
}


@pytest.mark.parametrize(
    ("standard", "table"),
    [("JIS B 7514", JIS_B_7514), ("DIN 874-2", DIN_874_2), ("DIN 875-1", DIN_875_1), ("DIN 876", DIN_876)],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_printed_tables(standard, table) -> None:
    """Every cell of the printed table comes out as printed."""
    for grade, limits in table.items():
        for length, limit in zip(table["mm"], limits, strict=True):
            if grade != "mm" and limit is not None:
                assert limit_um(f"{standard} {grade}", length) == limit, (grade, length)


# GGG-P-463c (1973), taken over by ASME B89.3.7-2013, granite plates: inches; AA, A, B in microinches (two pages read)
GGG_P_463C = [
    ((12, 12), (50, 100, 200), 1.27),
    ((12, 18), (50, 100, 200), 1.27),
    ((18, 24), (75, 150, 300), 1.905),
    ((24, 36), (100, 200, 400), 2.54),
    ((36, 48), (200, 400, 800), 5.08),
    ((48, 72), (350, 700, 1400), 8.89),
    ((48, 96), (500, 1000, 2000), 12.7),
]


@pytest.mark.parametrize(("inches", "microinches", "aa_um"), GGG_P_463C)
def test_granite_plates(inches, microinches, aa_um) -> None:
    """The rows of GGG-P-463c come out for their sizes, typed in inches or to whole millimetres, either side first."""
    width, length = (25.4 * side for side in inches)
    for grade, microinch in zip(("AA", "A", "B"), microinches, strict=True):
        assert_allclose(limit_um(f"ASME B89.3.7 {grade}", length, width), microinch * 0.0254)
        assert_allclose(limit_um(f"GGG-P-463c grade {grade}", round(width), round(length)), microinch * 0.0254)
    assert_allclose(limit_um("ASME B89.3.7 AA", length, width), aa_um)


def test_granite_plates_of_other_sizes() -> None:
    """A size that is not in the table goes by 40 + D²/25 microinch: 30 × 40 in, D = 50 in, is 140 (GGG-P-463c)."""
    assert_allclose(limit_um("ASME B89.3.7 AA", 40 * 25.4, 30 * 25.4), 140 * 0.0254)
    assert_allclose(limit_um("ASME B89.3.7 B", 40 * 25.4, 30 * 25.4), 560 * 0.0254)


# ISO 8512-1:1990 cast-iron plates, mm; grades 0 to 3, µm. From memory; agrees with the remembered formula.
ISO_8512_1 = [
    ((160, 100), (3, 6, 12, 25)),
    ((250, 160), (3.5, 7, 14, 27)),
    ((250, 250), (3.5, 7, 15, 30)),
    ((400, 250), (4, 8, 16, 32)),
    ((400, 400), (4.5, 9, 17, 34)),
    ((630, 400), (5, 10, 20, 39)),
    ((630, 630), (5, 10, 21, 42)),
    ((1000, 630), (6, 12, 24, 49)),
    ((1000, 1000), (7, 14, 28, 56)),
    ((1600, 1000), (8, 16, 33, 66)),
    ((2000, 1000), (9.5, 19, 38, 75)),
    ((2500, 1600), (11.5, 23, 46, 92)),
]


@pytest.mark.parametrize(("size", "limits"), ISO_8512_1)
def test_cast_iron_plates_from_memory(size, limits) -> None:
    """The remembered table of ISO 8512-1 comes out, either side first, and its source says it is from memory."""
    for grade, limit in enumerate(limits):
        assert limit_um(f"ISO 8512-1 {grade}", *size) == limit
        assert limit_um(f"ISO 8512-1 {grade}", *reversed(size)) == limit
        assert "from memory" in grade_named(f"ISO 8512-1 {grade}").source


def test_every_grade_carries_its_source() -> None:
    """Source, formula, measure and mark stand at each grade; from memory is said exactly where the mark says so."""
    for name, grade in GRADES.items():
        assert grade.name == name
        assert grade.source
        assert grade.formula
        assert grade.measure in ("straightness", "flatness")
        assert grade.mark in ("S=S", "M+")
        assert ("from memory" in grade.source) == (grade.mark == "M+")
        assert grade_named(name) is grade  # no two names read alike


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("din 876/0", "DIN 876 0"),
        ("DIN876-00", "DIN 876 00"),
        ("DIN 876 grade 2", "DIN 876 II"),
        ("Din 875-1 Class 00", "DIN 875-1 00"),
        ("jis b7514 special", "JIS B 7514 Special"),
        ("GGG-P-463c AA", "ASME B89.3.7 AA"),
    ],
)
def test_names_as_people_type_them(typed, name) -> None:
    """Spaces, capitals, strokes and the words grade and class make no difference."""
    assert grade_named(typed).name == name


def test_unknown_grade_names_those_near() -> None:
    """An unknown grade is told with near matches, or with all names when nothing is near."""
    with pytest.raises(UnknownGrade, match=r"No grade is named 'DIN 867 0'; near it are .*DIN 876 0"):
        limit_um("DIN 867 0", 600)
    with pytest.raises(UnknownGrade, match=r"known are JIS B 7514 Special, .*ASME B89.3.7 B"):
        limit_um("", 600)


@pytest.mark.parametrize(
    ("grade", "size", "words"),
    [
        ("DIN 874-2", (1200,), "up to 1000 mm, not for 1200 mm"),
        ("JIS B 7514 A", (250,), "from 300 to 3000 mm, not for 250 mm"),
        ("ISO 8512-1 0", (400,), "give the width as well"),
        ("ISO 8512-1 0", (400, 0), "give the width as well"),
        ("ISO 8512-1 0", (3000, 1600), "from 160 to 2500 mm, not for 3000 mm"),
        ("DIN 874-2", (-5,), "A length of -5 mm has no limit"),
        ("DIN 874-2", (np.nan,), "A length of nan mm has no limit"),
    ],
)
def test_sizes_the_source_does_not_cover(grade, size, words) -> None:
    """A size that the source says nothing of is refused in a sentence, never guessed."""
    with pytest.raises(OutsideGrade, match=words):
        limit_um(grade, *size)


def test_a_plate_is_judged_by_its_longer_side() -> None:
    """DIN 876 goes by the longer side, whichever is called the length; a straightedge's width does not matter."""
    assert limit_um("DIN 876 0", 400, 600) == limit_um("DIN 876 0", 600, 400) == limit_um("DIN 876 0", 600)
    assert limit_um("DIN 874-2", 600, 40) == limit_um("DIN 874-2", 600)
