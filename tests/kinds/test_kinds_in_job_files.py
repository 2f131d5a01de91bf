"""Every kind in the job file: there and back, and each bad key one sentence that says where."""

from __future__ import annotations

import re

import numpy as np
import pytest

from waywright.core.adjust.network import network
from waywright.core.evidence.kind import Kind
from waywright.core.readings import KINDS
from waywright.core.report import report
from waywright.jobfile import JobFileError, dumps, loads
from waywright.units import METRIC

HEAD = """
title = "every kind"
[instruments.blocks]
kind = "gauge blocks"
u_um = 0.3
[instruments.feelers]
kind = "feelers"
u_um = 2.0
feel_um = 1.5
[instruments.papers]
kind = "papers"
u_um = 1.0
[instruments.dial]
kind = "indicator"
u_um = 0.5
[instruments.micrometer]
kind = "micrometer"
u_um = 1.0
[instruments.level]
kind = "level"
u_um_per_m = 4.0
um_per_m_per_div = 20.0

[[pieces]]
name = "P"
[[pieces.faces]]
name = "P"
length_mm = 600
width_mm = 40
stations_mm = [0, 150, 300, 450, 600]
lines_mm = [-15, 15]
[[pieces.faces]]
name = "P under"
length_mm = 600
width_mm = 40
stations_mm = [0, 150, 300, 450, 600]
lines_mm = [-15, 15]
side = "bottom"
[[pieces]]
name = "Q"
[[pieces.faces]]
name = "Q"
length_mm = 600
width_mm = 40
stations_mm = [0, 150, 300, 450, 600]
[[pieces]]
name = "slide"
[[pieces.faces]]
name = "flank"
length_mm = 600
width_mm = 20
stations_mm = [0, 300, 600]
[[pieces.faces]]
name = "floor"
length_mm = 600
width_mm = 20
stations_mm = [0, 300, 600]
"""

BLOCKS = {
    "thickness": """
[[thickness]]
top = "P"
bottom = "P under"
instrument = "micrometer"
readings = [ { x_mm = 0, size_mm = 60.012 }, { x_mm = 150, y_mm = -15, size_mm = "2.3627 in" } ]
""",
    "rolls": """
[[rolls]]
flank = "flank"
floor = "floor"
angle_deg = 55
instrument = "micrometer"
readings = [ { x_mm = 0, size_mm = 80.012 }, { x_mm = 300, size_mm = 80.010 }, { x_mm = 600, size_mm = 80.013 } ]
""",
    "runs": """
[[runs]]
face = "P"
guide = "mill table"
sign = 1
y_mm = 15
guide_offset_mm = -150
instrument = "dial"
readings = [ { x_mm = 0, um = 0.0 }, { x_mm = 150, um = "0.1 thou" }, { x_mm = 300, y_mm = -15, um = 1 } ]

[[runs]]
face = "Q"
guide = "mill table"
turned_over = true
end_for_end = true
rolls = false
line_mm = "-0.5 in"
instrument = "dial"
readings = [ { x_mm = 0, um = 0.0 }, { x_mm = 150, um = -2 }, { x_mm = 300, um = 1 } ]
""",
    "riders": """
[[riders]]
face = "P"
feet_mm = [ [0, -15], [0, 15], [300, 0] ]
tip_mm = [150, 0]
instrument = "dial"
readings = [ { x_mm = 0, um = 3 }, { x_mm = 150, um = 4 }, { x_mm = 300, um = 5.5 } ]
""",
    "slides": """
[[slides]]
lower = "P"
upper = "Q"
turn = "end for end"
instrument = "blocks"
u_x_mm = 2
spacers = [ { x_mm = 0, y_mm = -15, size_mm = 10 }, { x_mm = 600, y_mm = -15, size_mm = 10.03 } ]
stops = [ { x_mm = 212, y_mm = -15, size_mm = 10.01 }, { x_mm = 401, y_mm = -15, size_mm = "10,02" } ]
""",
    "hinges": """
[[hinges]]
lower = "P"
upper = "Q"
turn = "over"
pushed = "far end"
readings = [ { pivot_mm = 90, note = "three times the same" }, { pivot_mm = "3.5 in" } ]
""",
    "blues": """
[[blues]]
lower = "P"
upper = "Q"
turn = "over"
carried = "upper"
film = "thin"
rub_mm = 8
readings = [ { x_mm = 0, y_mm = 15, mark = "bright" }, { x_mm = 300, mark = "bare" }, { x_mm = 600, mark = "blue" } ]
""",
    "layups": """
[[layups]]
lower = "P"
upper = "Q"
turn = "over"
touching = true
held = "marked end"
instrument = "feelers"
gaps = [ { x_mm = 300, y_mm = 15, just_mm = 0.03 }, { x_mm = 600, y_mm = 15, goes_mm = 0.05, stops_mm = 0.06 } ]
""",
    "papers": """
[[layups]]
lower = "P"
upper = "Q"
turn = "over"
instrument = "papers"
spacers = [ { x_mm = 0, y_mm = 0, size_mm = 0.05 }, { x_mm = 600, y_mm = 0, size_mm = 0.05 } ]
gaps = [ { x_mm = 300, y_mm = 0, gap_mm = 0.055 } ]
""",
    "divisions": """
[[steps]]
face = "P"
base_mm = 150
y_mm = 15
instrument = "level"
readings = [ { x_mm = 0, div = 1.5 }, { x_mm = 150, div = "-0,5" }, { x_mm = 300, um_per_m = 12 } ]
""",
}


@pytest.mark.parametrize("name", BLOCKS)
def test_there_and_back(name: str) -> None:
    """A job of each kind, written and read again, is the same job, and is solved."""
    job = loads(HEAD + BLOCKS[name])
    assert loads(dumps(job)) == job
    assert dumps(job, onto=HEAD + BLOCKS[name]) == HEAD + BLOCKS[name]
    assert network(job).rows.matrix.shape[0] >= 1


def test_every_kind_together_is_solved() -> None:
    """One job with every kind in it gives a report, whatever it says of it."""
    job = loads(HEAD + "".join(BLOCKS.values()))
    assert {s.geometry.block for s in job.settings} == set(KINDS) - {"crosses"}
    found = report(job, with_cures=False)
    assert len(found.shapes) == 5
    assert all(np.isfinite(s.height_um[np.isfinite(s.sigma_um)]).all() for s in found.shapes)


def test_divisions_and_inches_are_what_they_are() -> None:
    """1.5 divisions of 20 µm/m over 150 mm rise 4.5 µm; 2.3627 in are 60 012.58 µm; a tenth of a thou is 2.54 µm."""
    rows = network(loads(HEAD + BLOCKS["divisions"])).rows
    assert rows.value_um[:2] == pytest.approx([4.5, -1.5])
    assert network(loads(HEAD + BLOCKS["thickness"])).rows.value_um[1] == pytest.approx(60_012.58)
    assert network(loads(HEAD + BLOCKS["runs"])).rows.value_um[1] == pytest.approx(2.54)


def test_papers_and_feelers_have_the_u_they_claim() -> None:
    """A paper's u is its own; a feeler that drags has the hand's feel as well."""
    assert network(loads(HEAD + BLOCKS["papers"])).rows.u_um == pytest.approx([1.0, 1.0, 1.0])
    rows = network(loads(HEAD + BLOCKS["layups"])).rows
    assert rows.u_um[0] ** 2 == pytest.approx(2.0**2 + 1.5**2)
    assert rows.u_um[1] ** 2 == pytest.approx(2.0**2 + 10.0**2 / 12)


BAD = [
    ("thickness", 'top = "P"', 'top = "P under"', "thickness[0].top", "bottom face"),
    ("thickness", 'bottom = "P under"', 'bottom = "Q"', "thickness[0].bottom", "top face"),
    ("thickness", 'bottom = "P under"', 'bottom = "R"', "thickness[0].bottom", "no face called 'R'"),
    ("thickness", "lines_mm = [-15, 15]\nside", "side", "thickness[0].readings[1]", "is known on one line"),
    ("thickness", "size_mm = 60.012", "gap_mm = 60.012", "thickness[0].readings[0].gap_mm", "not known"),
    ("thickness", "x_mm = 150", "x_mm = 650", "thickness[0].readings[1]", "outside the stations"),
    ("thickness", 'instrument = "micrometer"', 'instrument = "blocks"', "thickness[0].instrument", "cannot take these"),
    ("rolls", "angle_deg = 55", "angle_deg = 180", "rolls[0].angle_deg", "holds no roll"),
    ("rolls", "angle_deg = 55", 'angle_deg = 55\nother_flank = "flank"', "rolls[0].other_flank", "name both"),
    ("rolls", "angle_deg = 55", 'angle_deg = 55\nagainst = "wall"', "rolls[0]", "no face called 'wall'"),
    ("rolls", "angle_deg = 55", 'angle_deg = 55\nmeasured = "under"', "rolls[0].measured", '"over" or "between"'),
    ("rolls", 'floor = "floor"', 'floor = "Q"', "rolls[0].flank", "must be of one piece"),
    ("rolls", "angle_deg = 55", "", "rolls[0]", "angle_deg is missing"),
    ("runs", "sign = 1", "sign = 2", "runs[0].sign", "neither"),
    ("runs", "sign = 1", "sign = 1.5", "runs[0].sign", "whole number"),
    ("runs", "sign = 1", "sign = -1\nturned_over = true", "runs[0].sign", "turned over twice"),
    ("runs", 'guide = "mill table"\nsign', 'guide = "P"\nsign', "runs[0].guide", "cannot guide"),
    ("runs", "turned_over = true", 'turned_over = "yes"', "runs[1].turned_over", "true or false"),
    ("riders", "[300, 0] ]", "]", "riders[0].tip_mm", "give a third"),
    ("riders", "[300, 0] ]", "[0, 0] ]", "riders[0].feet_mm", "not on one line"),
    ("riders", "[300, 0] ]", "[300] ]", "riders[0].feet_mm", "[x, y]"),
    ("riders", "tip_mm = [150, 0]", "tip_mm = [150]", "riders[0].tip_mm", "[x, y]"),
    ("riders", "tip_mm = [150, 0]", "tip_mm = [350, 0]", "riders[0].readings[2]", "outside the stations"),
    ("slides", "10.03", "10", "slides[0].spacers", "slide right through"),
    ("slides", "u_x_mm = 2", "u_x_mm = 0", "slides[0].u_x_mm", "what the eye allows"),
    ("slides", "stops = [", "gaps = [", "slides[0].gaps", "not known"),
    ("hinges", 'pushed = "far end"', 'pushed = "middle"', "hinges[0].pushed", '"marked end" or "far end"'),
    ("hinges", 'pushed = "far end"', "", "hinges[0]", "pushed is missing"),
    ("hinges", "pivot_mm = 90", "pivot_mm = 900", "hinges[0].readings[0]", "off the lay-up"),
    ("hinges", 'pushed = "far end"', 'pushed = "far end"\nsoft_um = 0', "hinges[0].soft_um", "above 0"),
    ("hinges", 'pushed = "far end"', 'pushed = "far end"\nangle_deg = 10', "hinges[0].angle_deg", "along each other"),
    ("hinges", 'pushed = "far end"', 'pushed = "far end"\nu_x_mm = -1', "hinges[0].u_x_mm", "above 0"),
    ("blues", 'carried = "upper"', 'carried = "Q"', "blues[0].carried", '"upper" or the "lower"'),
    ("blues", 'film = "thin"', 'film = "thick"', "blues[0].film", '"thin", "normal" or "heavy"'),
    ("blues", 'film = "thin"', "film_um = 0", "blues[0].film_um", "marks nothing"),
    ("blues", "rub_mm = 8", "rub_mm = -8", "blues[0].rub_mm", "0 or more"),
    ("blues", 'mark = "bare"', 'mark = "grey"', "blues[0].readings[1].mark", "not known"),
    ("blues", 'mark = "bare"', "mark = 3", "blues[0].readings[1].mark", "text"),
    ("blues", ', mark = "bare"', "", "blues[0].readings[1]", "give it mark"),
    ("blues", 'mark = "bare"', "um = 3", "blues[0].readings[1].um", "not known"),
    ("blues", "x_mm = 300", "x_mm = 700", "blues[0].readings[1]", "outside the stations"),
    ("layups", 'held = "marked end"', 'held = "left"', "layups[0].held", '"marked end" or "far end"'),
    ("layups", 'held = "marked end"\n', "", "layups[0]", "rocks or spins"),
    ("layups", "touching = true", 'touching = "yes"', "layups[0].touching", "true or false"),
    ("layups", 'upper = "Q"', 'upper = "P under"', "layups[0].upper", "both faces of P"),
    ("papers", 'kind = "papers"\nu_um = 1.0', 'kind = "papers"', "instruments.papers", "give u_um"),
    ("papers", 'kind = "papers"\nu_um = 1.0', 'kind = "papers"\ngrade = "1"', "instruments.papers", "give u_um"),
    ("divisions", "um_per_m_per_div = 20.0", "", "steps[0].readings[0]", "um_per_m_per_div"),
]


@pytest.mark.parametrize(("name", "good", "bad", "place", "words"), BAD, ids=[f"{b[3]} {b[2]}"[:60] for b in BAD])
def test_bad_input_is_one_sentence_with_its_place(name: str, good: str, bad: str, place: str, words: str) -> None:
    """What cannot be is refused in one plain sentence that names the key and what is wrong."""
    text = HEAD + BLOCKS[name]
    assert good in text
    with pytest.raises(JobFileError) as caught:
        loads(text.replace(good, bad), "my.toml")
    message = str(caught.value)
    assert message.startswith(f"my.toml, {place}")
    assert words in message
    assert re.fullmatch(r"[^\n]*[.?]", message)
    assert "Traceback" not in message


def test_a_mark_stands_only_where_marks_are_read() -> None:
    """A mark beside a thickness is refused by name."""
    text = HEAD + BLOCKS["thickness"]
    with pytest.raises(JobFileError, match="'mark' is not known"):
        loads(text.replace("size_mm = 60.012", 'size_mm = 60.012, mark = "blue"'))


def test_kinds_have_what_the_entry_form_needs() -> None:
    """Every kind names its block, its lists and the faces it speaks of, and says in words what it is."""
    job = loads(HEAD + "".join(BLOCKS.values()))
    kinds: dict[str, Kind] = {s.geometry.block: s.geometry for s in job.settings}
    for block, kind in kinds.items():
        assert KINDS[block] is type(kind)
        assert all(name in job.faces() for name in kind.faces())
        assert kind.words(METRIC)
        for entry in kind.entries:
            assert entry.values or entry.marks
