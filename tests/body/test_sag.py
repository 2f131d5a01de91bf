"""`waywright sag`: how far pieces hang, in words, as data and drawn."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.body.test_bodies_typed import TEXT
from tests.jobs import TWO
from tests.test_cli import run
from waywright import jobfile
from waywright.views.numbers import INCH, METRIC
from waywright.views.sag import UNKNOWN, sag_figure, sag_svg, sag_words, sags

EDGE = """
[[pieces]]
name = "E"
material = "cast iron"
carried_mm = [20, 980]
section = { shape = "I", depth_mm = 80, width_mm = 40, web_mm = 10, flange_mm = 12 }
[[pieces.faces]]
name = "E"
length_mm = 1000
width_mm = 40
stations_mm = [0, 500, 1000]
"""


def test_an_edge_near_its_ends_hangs_nine_micrometres(tmp_path: Path) -> None:
    """A 1 m iron edge, I 80 × 40, carried 20 mm from its ends hangs by 5wb⁴/384EI and what shear adds, as JSON tells
    at places no further apart than a hundredth of it."""
    path = tmp_path / "edge.toml"
    path.write_text(EDGE, encoding="utf-8")
    (found,) = json.loads(run("sag", str(path), "--json").stdout)["pieces"].values()
    assert found["mass_kg"] == pytest.approx(7200 * 1520e-6)
    assert found["supports_mm"] == [20.0, 980.0]
    assert np.diff(found["x_mm"]).max() <= 10.0
    w, rigid = found["mass_kg"] * 9.80665, 110e9 * 1267626.6667e-12
    bending = w * 0.96**2 * (5 * 0.96**2 - 24 * 0.02**2) / (384 * rigid) * 1e6
    assert bending < max(found["sag_um"]) < 1.06 * bending  # shear: A_s near that of the web
    assert found["bow_um"] == pytest.approx(max(found["sag_um"]) - min(found["sag_um"]), rel=1e-3)
    assert found["least_um"] < 0.06 * found["bow_um"]
    assert found["beam_error"] is None
    assert "bent by" in run("sag", str(path)).stdout


def test_words_tell_what_was_assumed_and_in_the_units_asked_for() -> None:
    """A piece of which nobody said where it stands is told where it bends least; in inches nothing is metric."""
    carried, free = sags(jobfile.loads(TEXT))
    assert not carried.assumed
    assert free.assumed
    assert "for nobody said where" in " ".join(sag_words(free, METRIC))
    words = " ".join(sag_words(carried, INCH))
    assert "mm" not in words
    assert "µm" not in words


def test_of_pieces_without_a_section_nothing_is_told(tmp_path: Path) -> None:
    """Where no piece says how it is made, that and its cure is the answer."""
    path = tmp_path / "two.toml"
    path.write_text(TWO, encoding="utf-8")
    assert " ".join(run("sag", str(path)).stdout.split()) == UNKNOWN
    assert json.loads(run("sag", str(path), "--json").stdout) == {"pieces": {}}


def test_the_picture_shows_the_section_and_is_the_same_anywhere(tmp_path: Path) -> None:
    """Each piece stands on as many marks as it has supports, with its section to scale; twice drawn it is the same."""
    found = sags(jobfile.loads(TEXT))
    figure = sag_figure(found, METRIC)
    assert [len(axes.patches) for axes in figure.axes] == [2, 5 - 1, 2, 1]  # a whole web is drawn as its two halves
    assert sag_svg(found) == sag_svg(found)
    (tmp_path / "job.toml").write_text(TEXT, encoding="utf-8")
    run("sag", str(tmp_path / "job.toml"), "--picture", str(tmp_path / "sag.svg"))
    assert (tmp_path / "sag.svg").read_text(encoding="utf-8") == sag_svg(found)
