"""Units: every conversion against its definition, and what a person may type."""

from __future__ import annotations

import math
import time
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from waywright import units
from waywright.units import UnitError, convert, named, parse, quantity, unit_of_key

# number, unit, the same in another unit; the source beside it.
DEFINITIONS = [
    (1, "in", 25.4, "mm"),  # NIST SP 811 (2008), appendix B.8: 1 in = 25.4 mm exactly
    (1, "ft", 304.8, "mm"),  # the same: 1 ft = 12 in = 0.3048 m exactly
    (1, "thou", 25.4, "µm"),  # the same, "mil": 0.001 in = 25.4 µm exactly
    (1, "tenths", 2.54, "µm"),  # common practice, no source: a tenth is 0.0001 in
    (1, "µin", 0.0254, "µm"),  # SP 811 B.8, microinch: 2.54 E-08 m exactly
    (1, "mm", 1000, "µm"),  # SI prefixes
    (1, "m", 1000, "mm"),
    (1, "cm", 10, "mm"),
    (1, "µm", 1000, "nm"),
    (1, "mm/m", 1000, "µm/m"),
    (1, "µrad", 1, "µm/m"),  # small angles: a rise of 1 µm over 1 m
    (1, "rad", 1e6, "µrad"),
    (1, "mrad", 1000, "µrad"),
    (1, "arcsec", 4.848136811, "µrad"),  # SP 811 B.8: second of arc = 4.848137 E-06 rad
    (1, "arcmin", 60, "arcsec"),
    (1, "deg", 3600, "arcsec"),
    (1, "in/ft", 1 / 12 * 1e6, "µm/m"),  # one in twelve
    (1, "thou/ft", 83.3333333333, "µm/m"),  # 0.001 in twelve
    (5, "tenths/ft", 41.6666666667, "µm/m"),  # 0.0005 in to the foot, the usual precision level: about 42 µm/m
    (1, "kgf", 9.80665, "N"),  # SP 811 B.8, exactly
    (1, "lbf", 4.4482216152605, "N"),  # SP 811 B.8 gives 4.448222
    (1, "lb", 0.45359237, "kg"),  # SP 811 footnote 22, exactly
    (1, "kg", 1000, "g"),
    (1, "h", 60, "min"),
    (1, "min", 60, "s"),
    (68, "°F", 20, "°C"),  # the reference temperature of ISO 1 in both
    (32, "°F", 0, "°C"),
    (212, "°F", 100, "°C"),
    (1, "in²", 645.16, "mm²"),  # from the inch
    (1, "cm²", 100, "mm²"),
    (1, "in⁴", 25.4**4, "mm⁴"),
    (1, "cm⁴", 1e4, "mm⁴"),
    (1, "g/cm³", 1000, "kg/m³"),
    (1, "lb/in³", 27679.9047, "kg/m³"),  # SP 811 B.8: 2.767990 E+04
    (1, "GPa", 1000, "MPa"),
    (1, "psi", 6.894757293e-3, "MPa"),  # SP 811 B.8: 6.894757 E+03 Pa
    (1, "µin/in/°F", 1.8, "µm/m/K"),
    (293.15, "K", 20, "°C"),  # SI brochure: t/°C = T/K − 273.15
]


@pytest.mark.parametrize(("number", "unit", "same", "to"), DEFINITIONS)
def test_conversions_are_those_of_their_definitions(number: float, unit: str, same: float, to: str) -> None:
    """Each unit converts as its definition says, there and back."""
    assert convert(number, unit, to) == pytest.approx(same, rel=1e-9)
    assert convert(same, to, unit) == pytest.approx(number, rel=1e-9, abs=1e-9)


def every_unit() -> list[str]:
    """All units by all quantities."""
    return [unit for sizes in units._SIZES.values() for unit in sizes if unit] + list(units._TEMPERATURES)


def test_every_unit_has_its_definition_checked() -> None:
    """No unit is known that the table above does not check."""
    checked = {unit for _, unit, _, to in DEFINITIONS for unit in (unit, to)}
    assert set(every_unit()) - checked == {"div"}  # a division is a division of its own instrument


@given(st.sampled_from(every_unit()), st.data(), st.floats(-1e6, 1e6))
def test_conversion_and_back_is_the_same_number(unit: str, data: st.DataObject, number: float) -> None:
    """Converting to any unit of the same quantity and back changes nothing that matters."""
    to = data.draw(st.sampled_from([other for other in every_unit() if quantity(other) == quantity(unit)]))
    assert convert(convert(number, unit, to), to, unit) == pytest.approx(number, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("0.012", "mm", (0.012, "mm")),
        ("0,012", "mm", (0.012, "mm")),
        ("20,006 mm", "mm", (20.006, "mm")),
        ("0.4 thou", "mm", (0.4, "thou")),
        ("4 tenths", "µm", (4.0, "tenths")),
        ("1 tenth", "µm", (1.0, "tenths")),
        ('1.5"', "mm", (1.5, "in")),
        ("1.5 inches", "mm", (1.5, "in")),
        ("50 uin", "µm", (50.0, "µin")),
        ("50 µin", "µm", (50.0, "µin")),
        ("-3um", "µm", (-3.0, "µm")),
        ("−3 µm", "µm", (-3.0, "µm")),  # the minus of a printed page
        ("+3 μm", "µm", (3.0, "µm")),  # the Greek letter instead of the sign
        ("5 microns", "mm", (5.0, "µm")),
        ("  7  ", "µm", (7.0, "µm")),
        (".5", "mm", (0.5, "mm")),
        ("5.", "mm", (5.0, "mm")),
        ("1e-3 m", "mm", (0.001, "m")),
        ("1E3", "µm", (1000.0, "µm")),
        ('2"', "µm/m", (2.0, "arcsec")),  # what " means depends on what is read
        ("2 arc seconds", "µm/m", (2.0, "arcsec")),
        ("3 div", "µm/m", (3.0, "div")),  # divisions count as slope, through the instrument
        ("1.5 divisions", "µm/m", (1.5, "div")),
        ("68 F", "°C", (68.0, "°F")),
        ("20 °C", "°C", (20.0, "°C")),
        ("20\u00a0mm", "mm", (20.0, "mm")),  # a space that does not break
        ("20\u202fµm", "mm", (20.0, "µm")),  # the narrow one
        ("12 lbs", "kg", (12.0, "lb")),
        ("1", "", (1.0, "")),
    ],
)
def test_numbers_are_read_as_people_type_them(text: str, unit: str, expected: tuple[float, str]) -> None:
    """Decimal comma or point, a unit behind or none, in the ways people write them."""
    assert parse(text, unit) == expected


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        ("", "mm", "not a number"),
        ("twelve", "mm", "not a number"),
        ("1,234.5", "mm", "two ways"),
        ("1.2.3", "mm", "two ways"),
        ("1 2", "mm", "two ways"),
        ("1,000,000", "mm", "two ways"),
        ("12 furlongs", "mm", "not known"),
        ("3 kg", "mm", "is a mass; wanted here is a length"),
        ("3 mm", "µm/m", "is a length; wanted here is an angle"),
        ("3 div", "mm", "divisions"),
        ("nan", "mm", "not a number"),
        ("inf", "mm", "not a number"),
        ("1e999", "mm", "too large"),
        ("--3", "mm", "not a number"),
        ("3 mm", "", "a number without a unit"),
        ("٣", "mm", "not a number"),  # a digit, but not one of ours
        ("0x10", "mm", "not known"),
        ("1_000", "mm", "not known"),
        (" " * 40_000, "mm", "longer than any number, 64 letters"),  # once 29 s
    ],
)
def test_what_cannot_be_read_is_refused_in_a_sentence(text: str, unit: str, says: str) -> None:
    """Anything else is refused in one plain sentence that says what is wrong."""
    with pytest.raises(UnitError, match=says) as caught:
        parse(text, unit)
    message = str(caught.value)
    assert message.endswith(".")
    assert "\n" not in message


@given(st.text(max_size=60), st.sampled_from(["mm", "µm", "µm/m", "°C", "", "kg"]))
def test_any_text_is_read_or_refused(text: str, unit: str) -> None:
    """Whatever is typed gives a finite number of the wanted quantity, or `UnitError`."""
    try:
        number, found = parse(text, unit)
    except UnitError:
        return
    assert math.isfinite(number)
    assert quantity(found) == quantity(unit) or (found == "div" and unit == "µm/m")


RUNS = ["", " ", "\t", "\n", "-", "+", "0", "9", ".", ",", "e", "E+", "m", "mm", "a ", " a", '"', "µ", "\u202f", "- "]


@given(st.lists(st.tuples(st.sampled_from(RUNS), st.integers(0, 70)), max_size=4), st.sampled_from(["mm", "µm/m", ""]))
def test_length_of_what_is_typed_costs_nothing(runs: list[tuple[str, int]], unit: str) -> None:
    """Beyond 64 letters nothing is read; below, what a run of letters costs does not grow faster than the run."""
    text = "".join(letters * times for letters, times in runs)
    if len(text) <= units.LONGEST:
        test_any_text_is_read_or_refused.hypothesis.inner_test(text, unit)  # type: ignore[attr-defined]
        return
    with pytest.raises(UnitError, match="longer than any number"):
        parse(text, unit)


@pytest.mark.parametrize("run", RUNS[1:])
@pytest.mark.parametrize("before", ["", "-", "1", "1.", "1e"])
def test_a_run_is_looked_at_once(before: str, run: str) -> None:
    """The pattern of a number goes through half a million letters in one go, whatever stands around them."""
    start = time.process_time()
    for after in ("", "x", "1"):
        units._NUMBER.fullmatch(before + run * (500_000 // len(run)) + after)
    assert time.process_time() - start < 5  # hours, where every letter looks at all after it


@given(
    st.integers(-(10**9), 10**9),
    st.integers(0, 9),
    st.sampled_from([".", ","]),
    st.sampled_from([u for u in every_unit() if quantity(u) == "length"]),
)
def test_decimal_sign_and_unit_leave_the_number_exact(digits: int, places: int, sign: str, unit: str) -> None:
    """What is typed is the nearest floating-point number to it, whichever decimal sign was used."""
    whole, rest = divmod(abs(digits), 10**places)
    typed = (
        f"{'-' if digits < 0 else ''}{whole}{sign if places else ''}{str(rest).zfill(places) if places else ''} {unit}"
    )
    assert parse(typed, "mm") == (float(Fraction(digits, 10**places)), unit)


@pytest.mark.parametrize(
    ("key", "unit"),
    [
        ("gap_mm", "mm"),
        ("um", "µm"),
        ("u_um", "µm"),
        ("um_per_m", "µm/m"),
        ("u_um_per_m", "µm/m"),
        ("um_per_m_per_div", "µm/m"),
        ("twist_um_per_m", "µm/m"),
        ("temperature_c", "°C"),
        ("angle_deg", "deg"),
        ("div", "div"),
        ("format", ""),
        ("sign", ""),
        ("column", ""),  # ends in letters of a unit, but not behind an underscore
    ],
)
def test_the_ending_of_a_key_is_its_unit(key: str, unit: str) -> None:
    """A bare number under a key is in the unit its name ends in."""
    assert unit_of_key(key) == unit


def test_conversion_between_quantities_is_refused() -> None:
    """A length is not an angle, and divisions are not a slope until the instrument says how much one is."""
    for unit, to in (("mm", "µm/m"), ("div", "µm/m"), ("kg", "N"), ("°C", "mm")):
        with pytest.raises(UnitError, match=r"cannot be turned into"):
            convert(1.0, unit, to)
    with pytest.raises(UnitError, match="not known"):
        convert(1.0, "ell", "mm")


def test_column_names_are_units() -> None:
    """The unit in a column's name is read like one behind a number."""
    assert [named(text, "mm") for text in ("um", "in", "thou", "tenths")] == ["µm", "in", "thou", "tenths"]
    with pytest.raises(UnitError):
        named("kg", "mm")
