"""The heading of a job and its stamps: which faces are true enough, and each value with band and limit on one axis."""

from __future__ import annotations

from dataclasses import replace

import pytest

from waywright import jobfile
from waywright.core.evidence.findings import Report
from waywright.core.report import report
from waywright.demo import shop
from waywright.views.finding import against_words, finding_words, stands_words
from waywright.views.numbers import INCH, METRIC
from waywright.views.result import result
from waywright.views.stamps import stamps
from waywright.views.verdict_lines import VerdictLine

JOB = jobfile.loads(shop(), "the sample shop")


@pytest.fixture(scope="module")
def told() -> Report:
    """What the sample shop says."""
    return report(JOB)


def line(face: str, decision: str, limit: str = "6", measure: str = "straightness") -> VerdictLine:
    """A verdict with nothing but its decision."""
    return VerdictLine(face, measure, "3", "2 to 4", limit, "µm", "–", decision, "")


@pytest.mark.parametrize(
    ("decisions", "words"),
    [
        ("", ""),
        ("i", "A is true enough."),
        ("ii", "Both are true enough."),
        ("iii", "All three are true enough."),
        ("ioi", "Two of three are true enough. B is not."),
        ("ioo", "One of three is true enough. B and C are not."),
        ("oo", "A and B are not true enough."),
        ("?", "Of A it cannot be told yet."),
        ("i?o", "One of three is true enough. C is not. Of B it cannot be told yet."),
        ("n?", "Of A and B it cannot be told yet."),
        ("oooooo", "A, B, C and 3 more are not true enough."),
    ],
)
def test_the_heading_is_the_finding(decisions: str, words: str) -> None:
    """Each face is counted once, as true enough, as not, or as not told."""
    of = {"i": "inside", "o": "outside", "?": "open", "n": "not measured"}
    assert finding_words([line(chr(65 + k), of[one]) for k, one in enumerate(decisions)]) == words


def test_a_face_is_as_true_as_its_worst_measure() -> None:
    """A face inside one limit and outside another is not true enough; without a limit nothing is found."""
    both = [line("A", "inside"), line("A", "outside", measure="flatness"), line("B", "inside")]
    assert finding_words(both) == "One of two is true enough. A is not."
    assert against_words(both) == "Each face against its own limits."
    assert finding_words([line("A", "not measured", limit="–")]) == ""
    assert finding_words(both, misfits=True) == "The readings do not fit together."


def test_the_sample_shop(told: Report) -> None:
    """What its page is headed with, in both units, and how far it stands."""
    for shown, limit in ((METRIC, "6 µm"), (INCH, "2.36 tenths")):
        view = result(told, shown)
        assert finding_words(view.verdicts) == "Two of three are true enough. Birch is not."
        assert against_words(view.verdicts) == f"Straightness of each face against {limit}."
    assert stands_words(JOB) == "129 readings"
    assert stands_words(replace(JOB, settings=())) == "nothing read yet"


def test_stamps_share_one_axis(told: Report) -> None:
    """All limits stand at one place of the axis, and a band lies beyond it where the face is outside, before it where
    it is inside."""
    for shown in (METRIC, INCH):
        found = stamps(told.verdicts, result(told, shown).verdicts, shown)
        assert [(s.face, s.state) for s in found] == [("Alder", "inside"), ("Birch", "outside"), ("Rowan", "inside")]
        (limit,) = {s.limit_at for s in found}
        assert len({s.top for s in found}) == 1
        for stamp, verdict in zip(found, told.verdicts, strict=True):
            assert verdict.value_um is not None
            assert stamp.low is not None
            assert stamp.at is not None
            assert stamp.high is not None
            assert 0 < stamp.low < stamp.at < stamp.high < 100
            assert (stamp.at > limit) == (verdict.value_um > 6)
            assert stamp.at / limit == pytest.approx(verdict.value_um / 6)
    assert found[0].words.startswith("Alder: ")


def test_what_is_open_has_no_place_on_the_axis(told: Report) -> None:
    """With a shape unseen there is a scale and a limit, no band, and the reason."""
    (verdict, *_) = told.verdicts
    open_ = replace(verdict, decision="open", unseen=("twist",), value_um=3.0)
    (stamp,) = stamps([open_], [replace(line("Alder", "open"), why="The twist is not seen.")], METRIC)
    assert (stamp.state, stamp.at, stamp.low, stamp.high) == ("open", None, None, None)
    assert stamp.why == "The twist is not seen."


def test_a_wide_band_does_not_squeeze_the_limit(told: Report) -> None:
    """However wide a band is, the limit stays where it can be seen, and the band runs to the end of the axis; a twist
    is drawn by its size."""
    (verdict, *_) = told.verdicts
    wide = replace(verdict, interval_95_um=(1.0, 400.0), value_um=200.0)
    (stamp,) = stamps([wide], [line("Alder", "open")], METRIC)
    assert stamp.limit_at >= 10
    assert stamp.high == 100
    twisted = replace(verdict, measure="twist", interval_95_um=(-9.0, -3.0), value_um=-6.0)
    (stamp,) = stamps([twisted], [replace(line("Alder", "outside"), unit="µm/m")], METRIC)
    assert (stamp.low, stamp.at, stamp.high) == (30.0, 60.0, 90.0)
