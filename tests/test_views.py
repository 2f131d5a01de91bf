"""What people read: digits that matter, the next thing first, faces drawn to scale and the same every time."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from tests.body.test_bodies_typed import TEXT as CARRIED
from tests.jobs import TWO
from waywright import jobfile
from waywright.core.evidence.findings import (
    Agreement,
    BlindSpot,
    Change,
    Cure,
    Fit,
    Grounds,
    Improvement,
    Misfit,
    Parallel,
    Report,
    Scatter,
    Shape,
    Share,
    Slip,
    Suspect,
    Verdict,
)
from waywright.core.evidence.job import Pass, PassZone, Reading, Setting
from waywright.core.evidence.kind import Candidate
from waywright.core.evidence.things import Face, FloatArray, Hand, Instrument, Piece
from waywright.core.next.moves import Soak
from waywright.core.next.reading_moves import MakePiece
from waywright.core.readings import LayUp, Step
from waywright.views import palette
from waywright.views.as_json import dump, moves_json, report_json
from waywright.views.grounds import verdict_why
from waywright.views.judged import judged
from waywright.views.moves import moves_view, next_words
from waywright.views.numbers import INCH, METRIC, NONE, decimals, duration, listed, percent, plural
from waywright.views.picture import ribbons, ribbons_svg
from waywright.views.result import result
from waywright.views.sag import sag_json, sags
from waywright.views.tables import MOST_STATIONS
from waywright.views.terminal import show_report

DOCUMENT = Path(__file__).resolve().parent.parent / "docs" / "json.md"

EDGE = Face("Long", 600.0, 40.0, tuple(100.0 * i for i in range(7)), (-15.0, 15.0))
BAR = Face("Short", 300.0, 20.0, (0.0, 100.0, 200.0, 300.0))
PLATE = Face("Plate", 600.0, 400.0, tuple(10.0 * i for i in range(61)), (-180.0, -90.0, 0.0, 90.0, 180.0))


def shape(face: Face, height_um: FloatArray, sigma_um: float = 0.4, state: int = 0) -> Shape:
    """A shape as the heart hands it out, zones typed in."""
    lines = len(face.lines_mm)
    many = (5.25, 31.0) if lines > 1 else (None, None)
    sigma = np.where(np.isfinite(height_um), sigma_um, np.nan)
    return Shape(face.name, state, face.x_mm, face.y_mm, height_um, sigma, face.lines_mm, (4.15,) * lines, *many)


def made(**parts: Any) -> Report:
    """A report made by hand: one long edge with two lines, and a short bar."""
    job = replace(jobfile.loads(TWO), title="By hand", pieces=(Piece("a", (EDGE,)), Piece("b", (BAR,))))
    s = 2 * EDGE.x_mm / 600 - 1
    shapes = (shape(EDGE, 5 * s**2 - 2 + 0.3 * np.sign(EDGE.y_mm)), shape(BAR, np.array([-1.0, 1.0, 1.0, -1.0])))
    fit = Fit(40.2, 44.0, (Scatter("blocks", 1.7, 1.7, 30.0, ("feel", 1.0, "µm")),))
    whole: dict[str, Any] = {"blind": (), "suspects": (), "unchecked": (), "untouched": (), "past": (), "fit": fit}
    whole |= {"job": job, "shapes": shapes, "verdicts": (), "budget": ()}
    return Report(**(whole | parts))


SURE = Grounds(level=0.95)
INSIDE = Verdict("Long", "straightness", 4.123, (3.456, 5.012), 6.0, "between", 0.996, "inside", SURE, "smooth")
OUTSIDE = replace(INSIDE, face="Short", value_um=9.0, interval_95_um=(8.0, 10.0), chance_inside=0.0, decision="outside")
LAID = LayUp("Long", "Short", "over", 25.4)
CURE = Cure(30.0, 0.01, Candidate((Setting("next", LAID, ()),), 30.0))
BOW = BlindSpot("bow", {"Long": 1, "Short": -1}, 0.99, 577.0, 577.0, CURE)
SUSPECT = Suspect("layups[0].gaps[1]", 8.3, 0.6, ("crosses[0].readings[1]",), "layups[0]", 8.0)
APART = Misfit("setting", "layups[0]", "layups[0]", 4.2, 1e-7)
SLIP = Slip("layups[0]", "turn", 223.1, 61.2, (Setting("layups[0]", replace(LAID, turn="end for end"), ()),), ("Long",))
UNFIT = Fit(60.0, 44.0, (), (APART,))
HANGING = replace(SUSPECT, hangs=("Long", "Short"))
FITS = Agreement("layups[0]", "Long", "Short", (1, 0), "over", 3.21, 0.4)
CHANGE = Change("Long", 0, 1, BAR.x_mm, BAR.y_mm, np.array([1.0, -2.0, 0.5, 0.5]), np.full(4, 0.3))
PARALLEL = Parallel("Top", "Under", True, 31.4, 1.6, -12.3, 9.9, 25.61, 1.2)
MOVE = MakePiece(faces=("Long",), where_mm=(300.0,), minutes=30.0, cure=CURE)


# -- numbers


@pytest.mark.parametrize(
    ("within", "number", "shown"),
    [
        # The examples of the Particle Data Group's rounding rule, Review of Particle Physics, Introduction, 5.3:
        # 0.827 ± 0.119 → 0.83 ± 0.12 and 0.827 ± 0.367 → 0.8 ± 0.4.
        (0.119, 0.827, "0.83"),
        (0.367, 0.827, "0.8"),
        (0.354, 0.827, "0.83"),
        (0.355, 0.827, "0.8"),
        (0.949, 0.827, "0.8"),
        (0.950, 0.827, "0.8"),
        (9.6, 123.4, "123"),
        (12.0, 123.4, "123"),
        (120.0, 1234.0, "1230"),
        (400.0, 1234.0, "1200"),
        (0.0119, 0.0827, "0.083"),
    ],
)
def test_only_digits_that_matter_are_shown(within: float, number: float, shown: str) -> None:
    """A number is rounded where its uncertainty begins, by a published rule."""
    assert METRIC.heights(number, within) == shown


@given(st.floats(1e-6, 1e6))
def test_one_or_two_digits_of_the_uncertainty_remain(within: float) -> None:
    """Rounded to its own digits an uncertainty has one or two that are not nought, and is right within 15 %."""
    rounded = round(within, decimals(within))
    assert abs(rounded - within) <= 0.15 * within
    assert len(re.sub(r"[.0]", "", f"{rounded:.9f}".rstrip("0"))) <= 2


def test_numbers_are_shown_as_people_write_them() -> None:
    """Signs, nothing, inches, and nought without a minus."""
    assert METRIC.heights(-3.21, 0.5, sign=True) == "−3.2"
    assert METRIC.heights(3.21, 0.5, sign=True) == "+3.2"
    assert METRIC.heights(-0.01, 0.5, sign=True) == "0.0"
    assert METRIC.heights(None) == METRIC.heights(float("nan")) == METRIC.height_text(None) == NONE
    assert METRIC.height_text(7.04, 0.5) == "7.0 µm"
    assert INCH.height_text(7.04, 0.5) == "2.77 tenths"
    assert INCH.lengths(304.8) == "12"
    assert INCH.lengths(300.0) == "11.811"
    assert METRIC.lengths(-15.5) == "−15.5"
    assert INCH.slope_text(41.6667) == "5.00 tenths/ft"
    assert (METRIC.limit(6.0), METRIC.limit(12.7), INCH.limit(6.0)) == ("6", "12.7", "2.36")
    assert (percent(0.0), percent(0.944), percent(1.0)) == ("< 1 %", "94 %", "> 99 %")
    assert (percent(0.949), percent(0.29)) == ("94 %", "29 %")  # not the 95 % it misses; rounding loses nothing
    assert (plural(1, "pass", "passes"), plural(2, "pass", "passes"), plural(3, "row")) == (
        "1 pass",
        "2 passes",
        "3 rows",
    )
    assert (listed([]), listed(["A"]), listed(["A", "B", "C"])) == ("", "A", "A, B and C")
    assert listed(["A", "B", "C", "D"], 2) == "A, B and 2 more"
    assert (duration(42), duration(90), duration(1860)) == ("42 min", "1.5 h", "31 h")


# -- the view of a report


def test_the_first_move_is_what_is_next() -> None:
    """The words under "Next" are those of the first move of the report, in the units asked for, and of nothing else."""
    soak = Soak(span_k=1.25)
    told = made(advise=lambda report: (soak, MOVE))
    assert next_words(told.moves, METRIC) == f"{moves_view(told.moves)[0].how} {moves_view(told.moves)[0].reason}"
    assert next_words(told.moves, METRIC).startswith("Let the pieces lie together until")
    assert next_words(made().moves, METRIC).startswith("Nothing to do")


def test_what_the_core_says_in_micrometres_is_told_in_tenths() -> None:
    """Suspects, scatter, reasons and gains are converted in inch, lengths too: each once, and nothing else in the
    sentence."""
    view = result(made(suspects=(SUSPECT,)), INCH)
    assert view.retakes[0].words == "reads about 3.1 tenths more than the others say"
    assert view.agreement[1] == "blocks: your feel is 0.67 tenths, not 0.394 tenths."
    level = Instrument("level", "level", u_um_per_m=4.0)
    stands = (Reading("r", "readings", 25.4),)
    step = Candidate((Setting("next", Step("P", 75.0), stands),), 30.0, level, (level,))
    gain = Improvement("straightness", "µm", 6.6, 4.5)
    (line,) = moves_view((replace(MOVE, cure=Cure(30.0, 0.0, step), gain=gain),), INCH)
    assert line.how == (
        "Step a level along P, its feet 2.953 in apart. Borrow a level that reads to 1.2 tenths/ft on a base of 2.953 "
        "in (type it as u = 0.48 tenths/ft). The foot nearer the marked end stands on the centre line at 1 in. Keep "
        "the level the same way round; + when the other foot is higher."
    )
    assert line.gain == "Straightness: from 2.6 tenths to 1.8 tenths."


def test_verdicts_are_shown_to_their_digits() -> None:
    """Value and interval are rounded by the interval, the limit is as it was typed, in either unit."""
    metric, inch = (result(made(verdicts=(INSIDE, OUTSIDE)), shown).verdicts for shown in (METRIC, INCH))
    assert (metric[0].value, metric[0].interval, metric[0].limit, metric[0].unit) == ("4.1", "3.5 to 5.0", "6", "µm")
    assert (inch[0].value, inch[0].interval, inch[0].limit, inch[0].unit) == ("1.62", "1.36 to 1.97", "2.36", "tenths")
    assert [(v.chance, v.decision) for v in metric] == [("> 99 %", "inside"), ("< 1 %", "outside")]


def test_a_verdict_speaks_of_what_was_read() -> None:
    """Places of a face at which nothing was read stay out of its verdict, which says so."""
    part = replace(INSIDE, grounds=replace(SURE, unread=3))
    assert verdict_why(part).endswith("; 3 places of it are not read, and not judged")
    assert "not judged" not in verdict_why(INSIDE)


def test_no_value_is_shown_of_what_is_not_seen() -> None:
    """A verdict left open by a blind or weak spot, or not measured, shows no value, interval or chance: only why."""
    blind = replace(INSIDE, decision="open", value_um=812.0, unseen=("bow",))
    weak = replace(blind, grounds=replace(SURE, hardly=True))
    unread = replace(INSIDE, decision="not measured", grounds=Grounds("readings"), value_um=None, chance_inside=None)
    for line in result(made(verdicts=(blind, weak, replace(unread, interval_95_um=None))), METRIC).verdicts:
        assert (line.value, line.interval, line.chance) == (NONE, NONE, NONE)
        assert line.why.startswith(("No reading", "The readings so far hardly"))


def test_blind_spots_say_whose_shape_and_which_way() -> None:
    """Opposite signs are one against the other, equal signs are shared, one face has it alone."""
    spots = (
        BOW,
        replace(BOW, mode="twist", faces={"Long": -1, "Short": -1}, ratio=0.2, sigma_um=1.2),
        replace(BOW, mode="S", faces={"Long": 1}, cure=None),
        replace(BOW, mode="finer", faces={"Long": 1, "Short": 1}, count=4),
        replace(BOW, mode="everything", faces={"Short": 1}),
    )
    assert [one.words for one in result(made(blind=spots), METRIC).unseen] == [
        "The bow of Long against that of Short.",
        "The twist that Long and Short share: ± 2.4 µm.",
        "The S of Long.",
        "Finer waves of Long and Short (4 shapes).",
        "The whole shape of Short.",
    ]


def test_a_burr_is_told_once_and_without_a_size() -> None:
    """What lay-ups take for metal has no band of its own: JSON has null there, people read what becomes of it."""
    spot = BlindSpot("burr", {"Long": 1, "Short": 1}, 1.0, np.nan, np.nan, Cure(30.0, np.nan, layups=(LAID,)))
    report = made(blind=(spot,))
    (one,) = result(report, METRIC).unseen
    assert one.weak
    assert one.words == (
        "A burr or dirt at a station of Long and Short: read alike in every lay-up, it is taken for the face's own."
    )
    assert (
        one.cure
        == "Lay Short on Long, marks together, its marked end 25.4 mm from Long's marked end; on blocks between the "
        "stations, and read at the stations of both faces. About 30 min."
    )
    data = json.loads(dump(report_json(report)))
    assert data["blind"] == []
    (weak,) = data["weak"]
    assert (weak["mode"], weak["sigma_um"], weak["effect_um"], weak["cure"]["ratio"]) == ("burr", None, None, None)


def test_readings_that_do_not_fit_are_said_before_any_verdict(capsys: pytest.CaptureFixture[str]) -> None:
    """One sentence for each fault, printed before the verdicts that do not stand on them."""
    open_ = replace(INSIDE, decision="open", grounds=Grounds(doubt="misfits"), chance_inside=None)
    report = made(fit=UNFIT, verdicts=(open_,))
    view = result(report, METRIC)
    (told,) = view.misfits
    assert told.startswith("The readings do not fit together: Q on P, marks together, scatters 4.2 times as much as")
    assert (view.verdicts[0].decision, view.verdicts[0].chance) == ("open", NONE)
    show_report(report, "mm")
    printed = capsys.readouterr().out
    loud = printed.index("No verdict stands")
    assert loud < printed.index("The readings do not fit together", loud) < printed.index("Verdicts")


def test_suspects_say_where_to_retake_them() -> None:
    """A suspect is told by lay-up and place, and what cannot be told from it."""
    (retake,) = result(made(suspects=(SUSPECT,)), METRIC).retakes
    assert retake.where == "Q on P, marks together, at 300 mm"
    assert retake.like == "It cannot be told from a level across P on 30 mm feet, at 600 mm."
    assert result(made(suspects=(SUSPECT,)), INCH).retakes[0].where.endswith("at 11.811 in")


def test_suspects_say_what_becomes_of_them() -> None:
    """A suspect says which verdicts hang on it; where none does it stays left out."""
    view = result(made(suspects=(HANGING,)), METRIC)
    assert view.retakes[0].told.endswith("The verdicts on Long and Short hang on it.")
    view = result(made(suspects=(SUSPECT,), verdicts=(INSIDE,)), METRIC)
    assert view.retakes[0].told.endswith("No verdict hangs on it: it stays left out.")


def test_shapes_are_tables_of_stations_and_lines() -> None:
    """A row a station and a column a line, near before far, every height with its band; unread ones with none."""
    heights = 5 * (2 * EDGE.x_mm / 600 - 1) ** 2 - 2
    heights[3] = np.nan
    table = result(made(shapes=(shape(EDGE, heights, state=2),)), METRIC).shapes[0]
    assert table.lines == ("near, y −15", "far, y 15")
    assert [row.x for row in table.rows] == ["0", "100", "200", "300", "400", "500", "600"]
    assert table.rows[0].cells == (("+3.0", "0.8"), ("+3.0", "0.8"))
    assert table.rows[1].cells[1] == (NONE, "")
    assert table.caption == "after 2 passes"
    stand = "Of the heights as they stand, noise in it: worst line straight to 4.2 µm, flat to 5.2 µm, twist 30 µm/m."
    assert table.zones == stand


def test_long_faces_are_shown_in_part_and_unknown_ones_not() -> None:
    """More stations than a person reads are thinned evenly and counted; a shape that nothing tells has no table."""
    wave = np.sin(PLATE.x_mm / 90)
    tables = result(made(shapes=(shape(PLATE, wave), shape(EDGE, 0 * EDGE.x_mm, 2500.0))), METRIC).shapes
    assert len(tables[0].rows) == MOST_STATIONS
    assert tables[0].left_out == 61 - MOST_STATIONS
    assert (tables[0].rows[0].x, tables[0].rows[-1].x) == ("0", "600")
    assert (tables[1].rows, tables[1].caption) == ((), "its shape is not known yet")


def test_what_was_assumed_and_set_aside_is_said() -> None:
    """Notes, states past, corrected and unchecked readings, and how the readings agree are all in the view."""
    view = result(
        made(
            past=("layups[0]",),
            corrected=("a", "b"),
            unchecked=("c",),
            notes=("Weight is left out.",),
            verdicts=(INSIDE,),
            budget=(Share("Long", "straightness", "blocks, size", 0.7), Share("Long", "straightness", "level", 0.3)),
        ),
        METRIC,
    )
    notes = " ".join(view.notes)
    assert "Weight is left out." in notes
    assert "older states only: Q on P, marks together." in notes
    assert "no longer used: a and b." in notes
    assert "form prior" in notes
    assert "1 reading that no other checks" in view.unchecked
    assert [share.words for share in view.shares] == ["Long, straightness: blocks, size 70 %; level 30 %"]
    assert view.agreement[0].startswith("44 readings to spare; their disagreement is 40")
    assert view.agreement[1] == "blocks: your feel is 1.7 µm, not 1 µm."
    assert result(made(fit=Fit(0.0, 0.0, ())), METRIC).agreement == ("No reading is to spare: nothing checks them.",)


def test_rounds_say_who_agrees_and_what_a_pass_did() -> None:
    """Each lay-up says how well it fits, each pass what it changed and where."""
    assert result(made(agreements=(FITS,), changes=(CHANGE,)), METRIC).rounds == (
        "Short on Long, marks together, after 1 pass: they fit to 3.2 ± 0.8 µm.",
        "Long, pass 1: changed by −2.0 µm at 100 mm to +1.0 µm at 0 mm, about its plane.",
    )


def test_how_faces_lie_to_each_other_is_said_as_far_as_it_is_known() -> None:
    """Opposite faces tell how the piece thickens, faces of a side how one rises; what is not known is not said."""
    beside = replace(PARALLEL, opposite=False, variation_um=None, variation_sigma_um=None, across_um_per_m=None)
    unknown = replace(PARALLEL, along_sigma_um_per_m=1e4, across_sigma_um_per_m=1e4, variation_sigma_um=1e3)
    assert result(made(parallels=(PARALLEL, beside, unknown)), METRIC).parallels == (
        "Top over Under: 31.4 ± 3.1 µm/m thicker towards the far end and 12 ± 19 µm/m thinner towards the far edge; "
        "its thickness varies by 25.6 ± 2.4 µm.",
        "Top beside Under: 31.4 ± 3.1 µm/m higher towards the far end.",
    )


def test_moves_are_sentences_with_their_gain() -> None:
    """A move says what to do, why, how long it takes and what it brings."""
    gain = Improvement("share of the shapes known", "share", 0.31, 0.435)
    first, second = moves_view((replace(MOVE, gain=gain), replace(MOVE, minutes=0.0)))
    assert first.how.startswith("Lay Short on Long, marks together, its marked end 25.4 mm from Long's marked end. ")
    assert first.time == "30 min"
    assert first.reason == "Nothing else lets these faces be told apart."
    assert first.gain == "Share of the shapes known: from 31 % to 43 %."
    assert (second.reason, second.gain, second.time) == ("", "", "")  # one reason for both is said once


def test_what_a_hand_takes_is_told_once_its_passes_are_noted() -> None:
    """With zones noted the depth of a pass and its band are told, in either unit; without them nothing is."""
    job = made().job
    noted = replace(job, passes=(Pass("passes[0]", "Long", zones=(PassZone(0.0, 100.0),)),))
    hand = Hand(2.54, 0.2, 0.2)
    assert result(made(job=noted, hand=hand), METRIC).hand == "One pass of this hand takes 2.5 ± 0.4 µm."
    assert result(made(job=noted, hand=hand), INCH).hand == "One pass of this hand takes 1.00 ± 0.15 tenths."
    assert result(made(hand=hand), METRIC).hand == ""


def test_judged_views_say_what_was_measured() -> None:
    """A table of heights is judged as a line or as a surface; twist only where the places tell it."""
    x = np.arange(5.0)
    line = judged(x, x**2)
    assert line.title() == "Straightness of 5 points"
    assert [name for name, _, _ in line.rows(METRIC)] == ["Minimum zone", "Least squares", "End points"]
    xs, ys = np.repeat(x, 2), np.tile([-1.0, 1.0], 5)
    assert [name for name, _, _ in judged(xs, xs * ys, ys).rows(METRIC)][-1] == "Twist"
    cross = judged(np.array([-1.0, 0, 1, 0, 0]), np.ones(5), np.array([0.0, 0, 0, -1, 1]))
    assert cross.twist_um_per_m is None


# -- machines


def documented() -> dict[str, set[str]]:
    """The keys of each table of docs/json.md, by its heading."""
    found: dict[str, set[str]] = {}
    heading = ""
    for line in DOCUMENT.read_text(encoding="utf-8").splitlines():
        heading = line.lstrip("# ") if line.startswith("#") else heading
        if key := re.match(r"\| `(\w+)` \|", line):
            found.setdefault(heading, set()).add(key[1])
    return found


def test_every_json_key_is_documented() -> None:
    """docs/json.md has exactly the keys that are printed, at every level."""
    report = made(
        blind=(BOW,),
        suspects=(SUSPECT,),
        verdicts=(INSIDE,),
        advise=lambda report: (MOVE,),
        agreements=(FITS,),
        changes=(CHANGE,),
        parallels=(PARALLEL,),
        fit=replace(UNFIT, slips=(SLIP,)),
    )
    data = json.loads(dump(report_json(report)))
    pages = documented()
    assert pages["waywright solve, waywright demo"] == set(data)
    assert pages["Each of `faces`"] == set(data["faces"]["Long"]) | set(data["faces"]["Short"])
    for part in ("suspects", "slips", "verdicts", "agreements", "changes", "parallels"):
        assert pages[f"Each of `{part}`"] == set(data[part][0])
    assert pages["Each of `fit.misfits`"] == set(data["fit"]["misfits"][0])
    assert pages["`hand`"] == set(data["hand"])
    told = json.loads(dump(moves_json(report.moves)))
    assert pages["waywright next"] == set(told)
    assert pages["Each of `moves`"] == set(told["moves"][0])
    assert pages["Each of `blind` and `weak`"] == set(data["blind"][0])
    assert pages["waywright sag"] == {"pieces"}
    assert pages["Each of `pieces`"] == set(sag_json(sags(jobfile.loads(CARRIED)))["pieces"]["P"])
    x = np.arange(4.0)
    both = judged(x, x).json() | judged(np.repeat(x, 2), np.repeat(x, 2), np.tile([0.0, 1.0], 4)).json()
    assert pages["waywright judge"] == set(both)


def test_json_has_no_numbers_that_are_none() -> None:
    """What is not finite is null at any depth; arrays of any kind are lists; nothing is rounded."""
    data: Mapping[str, Any] = {
        "a": np.array([1 / 3, np.nan]),
        "b": [np.inf, {"c": np.float64("-inf"), "d": np.int64(3)}],
    }
    assert json.loads(dump(data)) == {"a": [1 / 3, None], "b": [None, {"c": None, "d": 3}]}


# -- pictures


def texts(figure: Figure) -> list[str]:
    """Every word in a picture."""
    return [t.get_text() for t in figure.texts] + [t.get_text() for axes in figure.axes for t in axes.texts]


def test_a_picture_says_in_words_what_it_shows() -> None:
    """Names, exaggeration, marked end, near and far edge, blind spots and suspects all stand there as words."""
    job = replace(made().job, pieces=jobfile.loads(TWO).pieces)
    p, q = job.faces().values()
    shapes = (shape(p, np.zeros(14) + 1.0), shape(q, np.array([1.0, -2.0, 1.0])))
    spot = replace(BOW, faces={"P": 1, "Q": -1})
    words = texts(ribbons(made(job=job, shapes=shapes, blind=(spot,), suspects=(SUSPECT,))))
    for wanted in ("P", "Q", "By hand", "marked end", "near edge", "far edge", "near, y −15", "far, y 15"):
        assert wanted in words
    assert "Blind: The bow of P against that of Q." in words
    assert "Suspect: Q on P, marks together, at 300 mm reads about 8 µm more than the others say." in words
    assert any(re.fullmatch(r"heights drawn [\d ]+ times", text) for text in words)


@pytest.mark.parametrize("size_um", [0.05, 1.0, 7.0, 300.0])
def test_the_exaggeration_printed_is_the_one_drawn(size_um: float) -> None:
    """Heights are drawn as many times larger than lengths as the picture says, a round number, and none is cut off."""
    heights = size_um * np.array([-1.0, 1.0, 1.0, -1.0])
    figure = ribbons(made(shapes=(shape(BAR, heights, size_um / 20),)))
    (times,) = [
        int(text.split("drawn ")[1].split(" times")[0].replace(" ", "")) for text in texts(figure) if "drawn" in text
    ]
    axes = figure.axes[0]
    width, height = figure.get_size_inches() * (axes.get_position().width, axes.get_position().height)
    low, high = axes.get_ylim()
    along = width / axes.get_xlim()[1]  # inches a mm
    across = height / ((high - low) / 1e3)
    assert across / along == pytest.approx(times, rel=1e-6)
    assert int(str(times).rstrip("0")) in (1, 2, 5)
    assert low < heights.min()
    assert high > heights.max()


def test_proud_places_are_hatched_as_well_as_blue() -> None:
    """On the map what surely stands proud is blue and hatched, what is low is grey and not: colour is never alone."""
    heights = np.where(EDGE.x_mm < 300, 2.0, -2.0)
    figure = ribbons(made(shapes=(shape(EDGE, heights),)))
    cells = [p for p in figure.axes[1].patches if isinstance(p, Rectangle) and p.get_hatch()]
    assert len(cells) == 6  # three stations, two lines
    assert all(cell.get_x() < 300 for cell in cells)
    assert "+2.0" in texts(figure)
    assert "−2.0" in texts(figure)


def test_what_is_not_known_is_not_drawn() -> None:
    """A face whose shape nothing tells is an outline with the words; without any face the picture says so."""
    words = texts(ribbons(made(shapes=(shape(EDGE, 0 * EDGE.x_mm, 2500.0),))))
    assert "not known yet" in words
    assert not any("drawn" in text for text in words)
    assert "No face was read yet." in texts(ribbons(made(shapes=())))


def test_odd_faces_are_drawn_too() -> None:
    """Unread stations, single nodes, five lines, long names and inches raise nothing and warn of nothing."""
    dot = replace(BAR, name="A name as long as the face is short", stations_mm=(10.0,))
    wave = np.sin(PLATE.x_mm / 90) * 12
    wave[7:20] = np.nan
    shapes = (shape(PLATE, wave), shape(dot, np.array([0.0])), shape(EDGE, np.full(14, np.nan)))
    job = replace(made().job, pieces=(Piece("a", (PLATE, dot, EDGE)),))
    for units in ("mm", "inch"):
        assert "<svg" in ribbons_svg(made(job=job, shapes=shapes), units)


def test_the_same_report_gives_the_same_picture_anywhere(tmp_path: Path) -> None:
    """Byte for byte: twice here, and in a fresh process with other hashes and a user's own drawing settings."""
    (tmp_path / "matplotlibrc").write_text("font.size: 20\nsvg.fonttype: none\naxes.facecolor: red\n")
    code = (
        "from tests.test_views import *; import sys; sys.stdout.buffer.write(ribbons_svg(made(blind=(BOW,))).encode())"
    )
    root = str(Path(__file__).resolve().parent.parent)
    env = {"PYTHONHASHSEED": "7", "MPLCONFIGDIR": str(tmp_path), "PYTHONPATH": root}
    once = ribbons_svg(made(blind=(BOW,)))
    assert ribbons_svg(made(blind=(BOW,))) == once
    other = subprocess.run([sys.executable, "-c", code], env=env, cwd=root, capture_output=True, check=True).stdout
    assert other.decode() == once
    assert "<dc:date>" not in once
    assert palette.HIGH in once
