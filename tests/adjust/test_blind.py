"""What no reading sees: the facts of DESIGN section 4, each with the readings that make and mend it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.simulate import bench, edge, planned_gaps, planned_slopes, round_of
from waywright.core.adjust.blind import BLIND, FINER, MODES, Blindness, Visibility, modes
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import PRIOR_UM, Solution
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import Face
from waywright.core.next.cures import newest_faces
from waywright.core.readings import Cross, LayUp

ONE = (0.0,)
TWO = (-15.0, 15.0)
THREE = (-15.0, 0.0, 15.0)


def faces(count: int, lines: Sequence[float] = ONE, stations: int = 7) -> list[Face]:
    return [edge(name, 600.0, stations, lines) for name in "PQRSTU"[:count]]


def visibility(job: Job) -> Visibility:
    net = network(job)
    solution = Solution(net.unknowns, net.rows)
    return Visibility(solution, newest_faces(net, solution))


def blind(job: Job) -> dict[str, Blindness]:
    """Every blind spot by its mode; each mode at most once in these jobs."""
    spots = [b for b in visibility(job).find() if b.ratio >= BLIND]
    assert len({b.mode for b in spots}) == len(spots)
    return {b.mode: b for b in spots}


def signs(spot: Blindness) -> set[int]:
    return set(spot.faces.values())


SUM = {"bow", "S", "W", "cross-bow"}  # even across: lower and upper add
DIFFERENCE = {"twist", "bow-across", "S-across"}  # odd across: the roll turns the sign


def test_modes_are_unit_shapes_about_the_plane() -> None:
    """Modes are s², s³, s⁴, s·t, t², s²·t, s³·t with s = 2x/L − 1, t = 2y/W, made orthogonal in this order after the
    plane (here by numpy's QR), with RMS 1 and the sign of their own formula."""
    job = round_of([Face("P", 600, 40, (0, 80, 250, 310, 400, 590), (-12, 3, 14)), edge("Q", lines_mm=THREE)])
    net = network(job)
    f = Solution(net.unknowns, net.rows).faces[0]
    found = modes(f)
    assert list(found) == ["bow", "S", "W", "twist", "cross-bow", "bow-across", "S-across"] == list(MODES)
    s, t = 2 * f.x_mm / 600 - 1, 2 * f.y_mm / 40
    columns = np.column_stack([np.ones_like(s), s, t, s**2, s**3, s**4, s * t, t**2, s**2 * t, s**3 * t])
    q, r = np.linalg.qr(columns)
    expected = (q * np.sign(np.diag(r)))[:, 3:] * np.sqrt(len(s))
    np.testing.assert_allclose(np.column_stack(list(found.values())), expected, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("lines", "stations", "names"),
    [
        (ONE, 3, ["bow"]),
        (ONE, 4, ["bow", "S"]),
        (ONE, 7, ["bow", "S", "W"]),
        (TWO, 2, ["twist"]),
        (TWO, 7, ["bow", "S", "W", "twist", "bow-across", "S-across"]),
    ],
)
def test_modes_are_those_the_nodes_can_show(lines: Sequence[float], stations: int, names: list[str]) -> None:
    """Too few stations or lines have fewer modes: two lines have no cross-bow, three stations no S."""
    net = network(round_of(faces(2, lines, stations)))
    assert list(modes(Solution(net.unknowns, net.rows).faces[0])) == names


def test_one_pair_one_turn_sees_only_the_sum() -> None:
    """One pair marks together: for every mode the way the gap does not change is blind, and no other."""
    spots = blind(round_of(faces(2, THREE)))
    assert set(spots) == SUM | DIFFERENCE | {FINER}
    for mode in SUM:
        assert signs(spots[mode]) == {1, -1}
    for mode in DIFFERENCE:
        assert signs(spots[mode]) == {1}


def test_one_pair_both_turns_sees_the_s_of_each() -> None:
    """End for end as well: S, and bow-across, of each face are seen; bow, W, cross-bow, twist and S-across are not."""
    spots = blind(round_of(faces(2, THREE), ("over", "end for end")))
    assert set(spots) == {"bow", "W", "cross-bow", "twist", "S-across", FINER}
    # On one line the S of each is told to half the u of a gap, as in a reversal: √(1/4 + 1/4)·u, both ways.
    seen = visibility(round_of(faces(2), ("over", "end for end")))
    _, left = seen.matrix("S")
    assert np.sqrt(np.diag(left)) * PRIOR_UM * np.sqrt(7) == pytest.approx([np.sqrt(0.5)] * 2, rel=1e-5)


def test_seven_offsets_leave_one_blind_mode() -> None:
    """A pair on one line at seven offsets: exactly one blind mode is left, the bow of one against the other."""
    job = bench(faces(2))
    for offset in range(-300, 400, 100):
        job = planned_gaps(job, LayUp("P", "Q", "over", offset))
    spots = visibility(job).find()
    assert [(s.mode, signs(s)) for s in spots] == [("bow", {1, -1})]
    assert spots[0].ratio == pytest.approx(1.0, abs=1e-4)


def test_three_pairs_on_one_line_are_all_seen_and_unchecked() -> None:
    """Three edges marks together on one line: nothing is blind or weak, and the redundancy of every reading is 0."""
    seen = visibility(round_of(faces(3)))
    assert seen.find() == []
    assert np.all(seen.solution.redundancies < 1e-5)


@pytest.mark.parametrize("lines", [TWO, THREE])
def test_three_pairs_all_over_miss_what_they_share_and_is_odd_across(lines: Sequence[float]) -> None:
    """Three pairs marks together: blind are twist, bow-across, S-across and finer ones, with one sign on all faces;
    differences between faces are seen."""
    job = round_of(faces(3, lines))
    spots = blind(job)
    assert set(spots) == DIFFERENCE | {FINER}
    seen = visibility(job)
    for mode in DIFFERENCE:
        assert signs(spots[mode]) == {1}
        assert list(spots[mode].weights.values()) == pytest.approx([3**-0.5] * 3, rel=1e-4)
        assert seen.ratio(mode, {"P": 1, "Q": -1, "R": 0}) < 1e-2
        assert seen.ratio(mode, {"P": 1, "Q": 1, "R": -2}) < 1e-2


@pytest.mark.parametrize("lines", [TWO, THREE])
def test_three_pairs_all_over_cannot_tell_a_reading_from_its_mirror(lines: Sequence[float]) -> None:
    """Marks together on several lines, a blunder looks like one on the other side of the centre line, in every pair:
    six readings a station that nothing tells apart. On the centre line nothing is checked."""
    net = network(round_of(faces(3, lines)))
    solution = Solution(net.unknowns, net.rows)
    place = {r.id: (r.x_mm, abs(r.y_mm or 0.0)) for setting in net.job.settings for r in setting.readings}
    where = [place[i] for i in net.rows.reading_ids]
    for row in range(len(where)):
        if where[row][1] == 0.0:
            assert solution.redundancies[row] < 1e-5
            continue
        assert solution.redundancies[row] > 0.1
        like = np.abs(solution.residual_correlation(row)) > 0.99
        assert like.sum() == 6
        assert {where[i] for i in np.flatnonzero(like)} == {where[row]}


def test_both_turns_are_needed_to_catch_a_misreading() -> None:
    """End for end as well, every reading is checked, and none looks like another."""
    solution = visibility(round_of(faces(3, TWO), ("over", "end for end"))).solution
    assert solution.redundancies.min() > 0.25
    for row in range(len(solution.redundancies)):
        like = np.abs(solution.residual_correlation(row)) > 0.99
        assert like.sum() == 1


@pytest.mark.parametrize("lines", [TWO, THREE])
def test_both_turns_miss_what_they_share_and_is_odd_both_ways(lines: Sequence[float]) -> None:
    """Three pairs in both turns: blind are twist, S-across and finer ones alike, with one sign on all faces."""
    spots = blind(round_of(faces(3, lines), ("over", "end for end")))
    assert set(spots) == {"twist", "S-across", FINER}
    assert signs(spots["twist"]) == signs(spots["S-across"]) == {1}


@pytest.mark.parametrize("lines", [ONE, TWO, THREE])
def test_only_end_for_end_misses_what_is_odd_along(lines: Sequence[float]) -> None:
    """Three pairs marks opposite: blind is what they share and is odd along, S and twist and finer ones."""
    spots = blind(round_of(faces(3, lines), ("end for end",)))
    assert set(spots) == {"S", FINER} | ({"twist", "S-across"} if len(lines) > 1 else set())
    assert all(signs(s) == {1} for s in spots.values())


def test_level_across_at_every_station_cures() -> None:
    """A level across at every station of one face shows all that three pairs in both turns on two lines miss."""
    job = planned_slopes(round_of(faces(3, TWO), ("over", "end for end")), Cross("P", 30.0), np.linspace(0, 600, 7))
    assert visibility(job).find() == []


def test_level_across_at_the_two_ends_leaves_the_finer_ones() -> None:
    """At the two ends only, the level gives the twist from end to end and leaves shapes that are level there."""
    job = planned_slopes(round_of(faces(3, TWO), ("over", "end for end")), Cross("P", 30.0), [0.0, 600.0])
    seen = visibility(job)
    f = seen.faces[0]
    ends = np.zeros((len(f.x_mm), 1))
    ends[[0, 1, -2, -1], 0] = np.array([1, -1, -1, 1]) / 30.0  # slope across at the far end less that at the marked end
    level = 4.0 * np.sqrt(2) / 1e3  # two readings of 4 µm/m
    assert seen.solution.sigma(seen.solution.spread(f, ends))[0] == pytest.approx(level, rel=0.01)
    spots = {b.mode: b for b in seen.find() if b.ratio >= BLIND}
    assert spots[FINER].ratio > 0.95
    assert spots["S-across"].ratio > 0.75


# -- the prior's size, and joint directions


@pytest.mark.parametrize("stations", [5, 13, 41])
@pytest.mark.parametrize("lines", [TWO, (-18.0, -9.0, 0.0, 9.0, 18.0)])
def test_joint_blind_direction_keeps_the_prior(stations: int, lines: Sequence[float]) -> None:
    """The twist that three faces share keeps the prior's 1 mm within 1 %, however many nodes there are."""
    seen = visibility(round_of(faces(3, lines, stations), ("over", "end for end")))
    spot = next(b for b in seen.find() if b.mode == "twist")
    assert spot.ratio == pytest.approx(1.0, abs=0.01)
    joint = sum(
        seen.solution.spread(f, m["twist"][:, None] / len(f.x_mm)) for f, m in zip(seen.faces, seen.modes, strict=True)
    )
    assert seen.solution.sigma(joint / np.sqrt(3))[0] == pytest.approx(PRIOR_UM, rel=0.01)
    largest = max(np.abs(m["twist"]).max() for m in seen.modes) / np.sqrt(3) * PRIOR_UM
    assert spot.sigma_um == pytest.approx(largest, rel=0.01)


def test_twist_common_to_six_faces() -> None:
    """A twist that six faces share shows 0.41 on each, below the limit for blind; together it is wholly blind."""
    seen = visibility(round_of(faces(6, TWO, 5), ("over", "end for end")))
    _, left = seen.matrix("twist")
    assert np.sqrt(np.diag(left)) == pytest.approx([6**-0.5] * 6, rel=1e-3)
    spots = [b for b in seen.find() if b.mode == "twist"]
    assert [round(b.ratio, 3) for b in spots] == [1.0]
    assert spots[0].faces == dict.fromkeys("PQRSTU", 1)


def test_pairs_that_share_nothing_are_told_apart() -> None:
    """Two pairs read apart have a blind bow each, of their own two faces."""
    job = bench(faces(4))
    for a, b in ("PQ", "RS"):
        job = planned_gaps(job, LayUp(a, b, "over"))
    bows = [b.faces for b in visibility(job).find() if b.mode == "bow"]
    assert sorted(map(sorted, bows)) == [["P", "Q"], ["R", "S"]]


def test_finer_ones_are_counted() -> None:
    """Beyond bow, S and W one pair on one line of n stations cannot see n − 5 more shapes of one against the other."""
    for stations in (6, 9, 30):
        assert blind(round_of(faces(2, ONE, stations)))[FINER].count == stations - 5


def test_finer_ones_are_counted_on_large_faces() -> None:
    """Also where there are too many nodes for a dense matrix: three faces in both turns on two lines of n stations miss
    (n − 1)/2 shapes odd both ways, of them twist and S-across by name."""
    spots = blind(round_of(faces(3, TWO, 81), ("over", "end for end")))
    assert spots[FINER].count == pytest.approx((81 - 1) // 2 - 2, abs=1)
    assert spots[FINER].ratio == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("u_um", [0.5, 0.1, 0.02])
@pytest.mark.parametrize(("count", "stations", "across"), [(2, 200, 5), (2, 100, 10), (3, 200, 20)])
def test_many_nodes_read_finely_keep_what_is_blind(count: int, stations: int, across: int, u_um: float) -> None:
    """However many nodes and however fine the readings: what is blind keeps the prior, no more and no less."""
    some = faces(count, tuple(np.linspace(-15.0, 15.0, across)), stations)
    spots = visibility(round_of(some, u_um=u_um)).find()
    assert {"twist", "bow-across", "S-across", FINER} <= {b.mode for b in spots}
    assert [b.ratio for b in spots if b.ratio >= BLIND] == pytest.approx([1.0] * len(spots), abs=2e-3)
