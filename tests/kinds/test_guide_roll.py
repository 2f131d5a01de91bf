"""A guide that rolls: what it does to a run, what that hides, what shows it, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studies import guide_roll
from tests.rolling import AS_LAID, GUIDE, OVER, Attitude, Machine
from tests.simulate import LEVEL
from waywright.core.adjust.blind import BLIND, Blindness
from waywright.core.adjust.network import network
from waywright.core.adjust.rigid import check
from waywright.core.adjust.solution import plane
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job
from waywright.core.judge.geometry import twist, twist_weights
from waywright.core.next.cures import cures, visibility
from waywright.core.next.reading_plan import ReadingPlan, candidates
from waywright.core.readings import Cross, Run, Step
from waywright.core.report import report
from waywright.views.findings import cure_words
from waywright.views.grounds import verdict_why
from waywright.views.moves import how as words_of
from waywright.views.numbers import METRIC

JOBS = 40  # of each kind; `make proof` has 300
ODD_ACROSS = ["twist", "bow-across", "S-across", "finer"]
ATTITUDES = [Attitude(over, ends, out) for over, out in ((0, 0), (1, 0), (1, 1)) for ends in (False, True)]


def rng(seed: int) -> np.random.Generator:
    return np.random.default_rng([808, seed])


def spots(job: Job) -> list[Blindness]:
    """What no reading sees."""
    return [spot for spot in visibility(job)[1].find() if spot.ratio >= BLIND]


@pytest.mark.parametrize("carries_dial", [False, True], ids=["carries the face", "carries the dial"])
@pytest.mark.parametrize("how", ATTITUDES)
def test_every_attitude_has_its_signs(how: Attitude, carries_dial: bool) -> None:
    """With the true face, path and roll put in, a run reads what the dial shows, in whatever attitude the face lies."""
    machine = Machine(rng(1), 3, carries_dial=carries_dial)
    machine.run("P", how, offset_mm=-37.0, line_mm=6.0, exact=True)
    net = network(machine.job)
    known = np.zeros(net.rows.matrix.shape[1])
    for unknown in net.unknowns:
        face = unknown.face
        if face is not None:
            on_guide = face.name == f"guide {GUIDE}"
            what = machine.guide_um if on_guide else lambda x, y: machine.height_um("P", x, y)
            known[unknown.columns] = [what(x, y) for x, y in zip(face.x_mm, face.y_mm, strict=True)]
    np.testing.assert_allclose(net.rows.matrix @ known, net.rows.value_um, atol=1e-9)
    check(net)


@pytest.mark.parametrize("how", ATTITUDES)
def test_roll_goes_with_the_height(how: Attitude) -> None:
    """1 µm/mm of roll adds as much at y as the face proud by y − line would; end for end it takes it away."""
    machine = Machine(rng(2), 2)
    machine.run("P", how, line_mm=4.0)
    net = network(machine.job)
    face, guide = (next(u for u in net.unknowns if str(u.label) == label) for label in ("P", f"guide {GUIDE}"))
    proud, rolled = np.zeros((2, net.rows.matrix.shape[1]))
    assert face.face is not None
    assert guide.face is not None
    proud[face.columns] = face.face.y_mm - 4.0
    rolled[guide.columns] = guide.face.y_mm
    np.testing.assert_allclose(
        net.rows.matrix @ rolled, (-1.0 if how.end_for_end else 1.0) * (net.rows.matrix @ proud), atol=1e-9
    )


@pytest.mark.parametrize("lines", [2, 3, 5])
def test_reversal_cannot_part_twist_from_roll(lines: int) -> None:
    """Of a face on several lines every shape odd across stays blind after a reversal, and only those: n − 1 of them."""
    machine = Machine(rng(3), lines)
    for how in (AS_LAID, OVER):
        machine.run("P", how)
    found = spots(machine.job)
    n = len(machine.job.faces()["P"].stations_mm)
    assert [spot.mode for spot in found] == ODD_ACROSS[: min(4, n - 1)]
    assert sum(spot.count for spot in found) == n - 1


def test_twist_is_blind_however_the_lines_lie() -> None:
    """Many lines near the middle and two far out make a twist small in the mean; it is as blind."""
    machine = Machine(rng(17), 2, widths_mm=(420.0,))
    machine.flat(lines_mm=(-200.0, *range(-12, 13, 4), 200.0))
    for how in (AS_LAID, OVER):
        machine.run("P", how)
    assert spots(machine.job)[0].mode == "twist"
    assert spots(machine.job)[0].ratio > 0.9


def test_two_faces_share_the_blind_twist() -> None:
    """Two faces run on one guide are compared: blind is the twist they share. Both are named, the narrow one as well,
    which has but a sixteenth of the other's."""
    machine = Machine(rng(4), 3, 2, widths_mm=(400.0, 25.0))
    for how in (AS_LAID, OVER):
        machine.run("Q", how)
        machine.run("P", how)
    twists = [spot for spot in visibility(machine.job)[1].find() if spot.mode == "twist"]
    assert [spot.ratio >= BLIND for spot in twists] == [True]
    assert twists[0].faces == {"P": 1, "Q": 1}


def test_end_for_end_shows_what_is_even_along() -> None:
    """End for end as well, a bow across shows: the roll is met mirrored and turned. A twist, odd in both, does not."""
    machine = Machine(rng(5), 2)
    machine.flat(stations_mm=tuple(np.linspace(0, machine.job.faces()["P"].length_mm, 7).tolist()))
    for how in (AS_LAID, OVER, Attitude(end_for_end=True)):
        machine.run("P", how)
    modes = [spot.mode for spot in spots(machine.job)]
    assert "bow-across" not in modes
    assert {"twist", "S-across"} <= set(modes)


def test_a_line_off_its_own_is_not_seen_by_reversal() -> None:
    """One line off the guide's own: turned over it lies on the other side, and roll looks like its bow. On it, none."""
    for line, blind in ((0.0, True), (None, False)):
        machine = Machine(rng(6), 2)
        y = machine.job.faces()["P"].lines_mm[1]
        places = [(x, y) for x in machine.job.faces()["P"].stations_mm]
        for how in (AS_LAID, OVER):
            machine.run("P", how, places, line_mm=y if line is None else line)
        assert ("bow" in [spot.mode for spot in spots(machine.job)]) == blind


@pytest.mark.parametrize("how", [[AS_LAID, OVER], [AS_LAID, Attitude(True, True)]])
def test_a_level_across_at_every_station_is_the_cure(how: list[Attitude]) -> None:
    """The cure of a blind twist is named, and taken it leaves nothing blind, and the heights are the true ones."""
    machine = Machine(rng(7), 2, roll_um_per_mm=1.0)
    for attitude in how:
        machine.run("P", attitude)
    found = visibility(machine.job)[1].find()
    named = cures(machine.job, found, (Cross,))
    twist = next(i for i, spot in enumerate(found) if spot.mode == "twist")
    assert cure_words(named[twist], METRIC).startswith("Set the level across P, one foot on the near line (y ")
    machine.across("P")
    if how[1] == OVER:
        assert not visibility(machine.job)[1].find()
    else:
        assert "twist" not in [spot.mode for spot in spots(machine.job)]
    solution, seen = visibility(machine.job)
    (face,) = seen.faces
    flat = plane(face.x_mm, face.y_mm)
    true = machine.truth["P"] - flat @ (flat.T @ machine.truth["P"])
    assert np.all(np.abs(solution.heights_um(face) - true) < 4 * seen.sigmas_um()["P"])


def test_a_level_at_both_ends_shows_the_twist_alone() -> None:
    """At the two ends only a level tells the twist from end to end; what is odd across in between stays blind."""
    machine = Machine(rng(8), 2)
    for how in (AS_LAID, OVER):
        machine.run("P", how)
    face = machine.job.faces()["P"]
    machine.across("P", (face.stations_mm[0], face.stations_mm[-1]))
    left = spots(machine.job)
    assert sum(spot.count for spot in left) == len(face.stations_mm) - 2


def twisted(solved: Job) -> str:
    (verdict,) = report(solved).verdicts
    return f"{verdict.decision}: {verdict_why(verdict)}"


def test_a_rolling_guide_condemns_no_flat_face() -> None:
    """A flat face run both ways on a table that rolls 38 µm/m is open for its twist, never outside; said to be true in
    roll, the guide is believed, and that is told."""
    for true, decision in ((False, "open: no reading so far sees twist"), (True, "outside: ")):
        machine = Machine(rng(9), 2, roll_um_per_mm=0.0, dial_um=0.1)
        machine.flat()
        machine.job = replace(machine.job, goal=Goal(twist_um_per_m=20.0))
        length = machine.job.faces()["P"].length_mm
        machine.roll_um_per_mm = 0.038 * machine.places_mm / length
        for how in (AS_LAID, OVER):
            machine.run("P", how, true=true)
        assert twisted(machine.job).startswith(decision)
        notes = " ".join(report(machine.job, with_cures=False).notes)
        assert ("true in roll" if true else "looks like twist of P") in notes


def test_without_a_name_it_is_said_to_be_perfect_in_roll() -> None:
    """A run over several lines on a guide without a name takes it as true in roll, and says so; on one it need not."""
    for lines, said in ((2, True), (1, False)):
        machine = Machine(rng(10), lines)
        machine.run("P")
        (setting,) = machine.job.settings
        unnamed = replace(setting, geometry=Run("P"))
        notes = network(replace(machine.job, settings=(unnamed,))).notes
        assert any("perfect" in note for note in notes)
        assert any("in roll" in note and "twist of P" in note for note in notes) == said


def test_on_its_own_line_a_guide_has_no_roll() -> None:
    """Where no run leaves the guide's own line there is nothing to roll: a face on one line, and no note."""
    machine = Machine(rng(11), 1)
    machine.run("P")
    net = network(machine.job)
    guide = next(u.face for u in net.unknowns if str(u.label) == f"guide {GUIDE}")
    assert guide is not None
    assert guide.lines_mm == (0.0,)
    assert not any("roll" in note for note in net.notes)


@pytest.mark.parametrize("owned", [True, False], ids=["a level in the shop", "no level"])
def test_next_asks_for_a_level_across_where_twist_is_asked(owned: bool) -> None:
    """After a reversal the next move for a limit on twist is a level across at every station, not another run."""
    machine = Machine(rng(12), 2)
    machine.job = replace(machine.job, goal=Goal(twist_um_per_m=200.0))
    if not owned:
        machine.job = replace(machine.job, instruments=tuple(i for i in machine.job.instruments if i.name != LEVEL))
    for lain in (AS_LAID, OVER):
        machine.run("P", lain)
    found = report(machine.job, with_cures=False).moves
    assert words_of(found[0]).startswith(f"Set {'the' if owned else 'a'} level across P, one foot on the near line (y ")
    assert not any(" along P on " in words_of(move) or "a run along" in words_of(move) for move in found)


def test_a_run_is_worth_what_it_sees() -> None:
    """Before any reading a reversal is offered for what is even across, and counts no twist among what it tells."""
    job = Machine(rng(13), 2, dial_um=0.01).job
    plan = ReadingPlan(job, ("P",), False, 1.0)
    (offer,) = plan.offers(Run.candidates(job))
    n = len(job.faces()["P"].stations_mm)
    assert offer.known[1] == pytest.approx((n - 2) / (2 * n - 3), abs=1e-3)  # of 2n − 3 shapes n − 1 are odd across


def test_a_plan_knows_a_guide_only_as_it_is() -> None:
    """A candidate that reads a guide further across promises no more than it keeps, solved again with the rest."""
    machine = Machine(rng(14), 2, 2)
    for how in (AS_LAID, OVER):
        machine.run("P", how)
    machine.across("P")
    plan = ReadingPlan(machine.job, ("Q",), False, 1.0)
    offers = plan.offers(c for c in Run.candidates(machine.job) if c.settings[0].geometry.faces() == ("Q",))
    assert offers
    for offer in offers:
        again = ReadingPlan(offer.candidate.added_to(machine.job), ("Q",), False, 1.0)
        assert offer.known[1] <= again.known + 1e-6


def test_the_twist_promised_is_the_twist_kept() -> None:
    """What an offer says of the twist, from edge to edge, is what solving again with its readings tells, to 1e-6."""
    machine = Machine(rng(15), 3)
    for how in (AS_LAID, OVER):
        machine.run("P", how)
    plan = ReadingPlan(machine.job, ("P",), False, 1.0, twist=True)
    for offer in plan.offers(candidates(machine.job, (Cross, Step, Run))):
        larger = offer.candidate.added_to(machine.job)
        assert ReadingPlan(larger, ("P",), False, 1.0, twist=True).known == pytest.approx(offer.known[1], abs=1e-6)
        solution, seen = visibility(larger)
        (face,) = seen.faces
        weights = twist_weights(face.x_mm, face.y_mm) * machine.job.faces()["P"].width_mm / 1e3
        sigma = solution.sigma(solution.spread(face, weights[:, None]))[0]
        assert sigma == pytest.approx(offer.worst_um[1], rel=1e-5)


def test_a_level_across_settles_a_twist() -> None:
    """A level across at every station decides a limit on twist whatever else is blind; at the ends alone it does not,
    for the twist of the whole face, a least-squares one, also hangs on what lies between."""
    for ends, decision in ((False, "outside"), (True, "open")):
        machine = Machine(rng(16), 2, stations=7)
        machine.job = replace(machine.job, goal=Goal(twist_um_per_m=20.0))
        face = machine.job.faces()["P"]
        for how in (AS_LAID, OVER) if ends else ():
            machine.run("P", how)
        machine.across("P", (face.stations_mm[0], face.stations_mm[-1]) if ends else None)
        (verdict,) = report(machine.job, with_cures=False).verdicts
        assert verdict.decision == decision, verdict_why(verdict)
        if ends:
            assert "twist" in verdict_why(verdict)
        true = twist(face.x_mm, face.y_mm, machine.truth["P"]).um_per_m
        assert abs(true) > 40
        assert verdict.interval_95_um is not None
        assert verdict.interval_95_um[0] < true < verdict.interval_95_um[1]


@pytest.mark.slow
def test_heights_lie_in_their_bands_on_a_guide_that_rolls() -> None:
    """Over 40 jobs of each kind 93 to 97 % of heights lie in their 95 % bands, with what cures the roll and without;
    with the guide taken as true in roll they would not."""
    found = {kind: [guide_roll.tried(kind, 10_000 + i) for i in range(JOBS)] for kind in guide_roll.KINDS}
    told = [as_read for pairs in found.values() for as_read, _ in pairs]
    assert guide_roll.LOW <= guide_roll.share(told) <= guide_roll.HIGH
    for kind, pairs in found.items():
        assert 0.90 <= guide_roll.share([as_read for as_read, _ in pairs]) <= 0.99, kind
    silent = [taken_as_true for _, taken_as_true in found["reversal on two or three lines"]]
    assert guide_roll.share(silent) < 0.5
