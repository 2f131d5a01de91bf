"""A whole round of three with passes: states, what is past, who agrees with whom, and what a pass took."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from docs.examples import make
from tests.examples.truths import found, job, solved
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import FloatArray
from waywright.core.readings import LayUp
from waywright.core.report import report

ROUNDS = job("edges-round-by-round")
X = make.SHORT[0].x_mm


def about_line(heights: FloatArray) -> FloatArray:
    """(10,) about the least-squares line through the stations."""
    return np.asarray(heights - np.polyval(np.polyfit(X, heights, 1), X))


def until(number: int) -> Job:
    """The job as it stood after this round, before the next pass."""
    settings = tuple(s for s in ROUNDS.settings if int(s.id.split(" ")[1][0]) <= number)
    taken = {s.id for s in settings[:-1]}
    return replace(ROUNDS, settings=settings, passes=tuple(p for p in ROUNDS.passes if p.after in taken))


def test_each_face_is_in_the_state_its_passes_left() -> None:
    """Hazel was never cut, Holly once, Willow twice; a lay-up binds the states the faces had then."""
    report = found("edges-round-by-round")
    assert {shape.face: shape.state for shape in report.shapes} == {"Hazel": 0, "Holly": 1, "Willow": 2}
    states = {a.setting: (a.lower, a.upper, a.states) for a in report.agreements}
    assert states["round 1.3"] == ("Holly", "Willow", (0, 0))
    assert states["round 2.3"] == ("Holly", "Willow", (1, 1))
    assert states["round 3.2"] == ("Holly", "Willow", (1, 2))


def test_past_is_what_speaks_only_of_metal_that_is_gone() -> None:
    """Of round one the lay-ups of Holly and Willow are past, both having been cut since; those with Hazel are not, and
    no lay-up of round two is, for Holly still is as it was then."""
    assert found("edges-round-by-round").past == ("round 1.3", "round 1.6")


def test_what_is_past_still_helps_the_face_that_was_not_cut() -> None:
    """Round one knew Hazel by all three pairs: without the two that are past, and more so without all six, Hazel is
    known less well; Willow, cut since, hardly differs."""

    def sigma(some: Job, name: str) -> float:
        solution = solved(some)
        face = max((f for f in solution.faces if f.unknown.label.what.startswith(name)), key=lambda f: f.unknown.state)
        return float(np.sqrt((solution.height_sigmas(face) ** 2).mean()))

    no_past = replace(
        ROUNDS,
        settings=tuple(s for s in ROUNDS.settings if s.id not in ("round 1.3", "round 1.6")),
        passes=tuple(replace(p, after="round 1.5") if p.after == "round 1.6" else p for p in ROUNDS.passes),
    )
    no_first = replace(
        ROUNDS,
        settings=ROUNDS.settings[6:],
        passes=tuple(replace(p, after=None) if p.after == "round 1.6" else p for p in ROUNDS.passes),
    )
    all_of_it, less, least = (sigma(some, "Hazel") for some in (ROUNDS, no_past, no_first))
    assert all_of_it < less < least
    assert least > 1.1 * all_of_it
    assert sigma(no_first, "Willow") < 1.05 * sigma(ROUNDS, "Willow")


def test_who_agreed_with_whom() -> None:
    """Each lay-up's zone is that of the true sum of the two faces as they were then, as they lay, within its band; each
    round every pair fits better than before."""
    report = found("edges-round-by-round")
    fits: dict[tuple[str, str], list[float]] = {}
    for a in report.agreements:
        lower, upper = (make.short_edges(max(a.states))[name] for name in (a.lower, a.upper))
        total = about_line(lower + (upper if a.turn == "over" else upper[::-1]))
        assert a.zone_um == pytest.approx(np.ptp(total), abs=1.0 + 3 * a.sigma_um)
        if a.turn == "over":
            fits.setdefault((a.lower, a.upper), []).append(a.zone_um)
    assert len(report.agreements) == 16
    for pair in combinations(("Hazel", "Holly", "Willow"), 2):
        assert fits[pair] == sorted(fits[pair], reverse=True)


def test_what_a_pass_did() -> None:
    """Heights after less before are the metal the maker took, about its line, within bands; Willow's second pass took
    as much as the first, for it was hollow and its ends stood far out."""
    changes = {(c.face, c.before): c for c in found("edges-round-by-round").changes}
    assert set(changes) == {("Holly", 0), ("Willow", 0), ("Willow", 1)}
    for (name, before), change in changes.items():
        true = about_line(make.short_edges(before + 1)[name] - make.short_edges(before)[name])
        error = np.abs(change.height_um - true) / change.sigma_um
        assert np.mean(error <= 1.96) >= 0.9
        assert np.ptp(true) > 2


@pytest.mark.parametrize(
    ("number", "decisions"),
    [
        (1, {"Hazel": "inside", "Holly": "outside", "Willow": "outside"}),
        (2, {"Hazel": "inside", "Holly": "inside", "Willow": "outside"}),
        (3, {"Hazel": "inside", "Holly": "inside", "Willow": "inside"}),
    ],
)
def test_each_round_said_what_to_cut(number: int, decisions: dict[str, str]) -> None:
    """After round one Holly and Willow are outside, after round two Willow alone, after round three none."""
    assert {v.face: v.decision for v in report(until(number)).verdicts} == decisions


def test_three_pairs_in_both_turns_know_all_of_each() -> None:
    """One round of three pairs, both ways: a shape even along has u = 0.6124 of a gap's, an odd one 0.5 (derived from
    z_1 = (m_12 + m_13 − m_23)/2 and both turns); checked with one u for all gaps."""
    first = replace(ROUNDS, settings=ROUNDS.settings[:6], passes=())
    gaps = tuple(
        replace(
            s,
            readings=tuple(
                replace(r, u_um=1.0, key="gap_mm", value=r.value or r.low, low=None, high=None)
                for r in s.readings
                if r.entry == "gaps"
            ),
        )
        for s in first.settings
        if isinstance(s.geometry, LayUp)
    )
    net = network(replace(first, settings=gaps))
    solution = Solution(net.unknowns, net.rows)
    s = (X - 200) / 180
    for face in solution.faces:
        for shape, wanted in ((s**2, 0.6124), (s**3, 0.5)):
            unit = face.about_plane(shape[:, None])[:, 0]
            unit /= np.linalg.norm(unit)
            sigma = float(solution.sigma(solution.spread(face, unit[:, None])[:, 0]))
            assert sigma == pytest.approx(wanted, abs=1e-3)
