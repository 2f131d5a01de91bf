"""How a suspect is taken again: where, when it waits, and that following the advice to the letter settles it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from studies.blunders import spoiled
from tests.kinds.test_hinges import read_and_pushed
from tests.kinds.worlds import MICROMETER, edge, job_of, nodes_of, with_readings
from tests.simulate import Mix, Simulated, drawn, planned_slopes, read, round_of, simulated
from tests.simulate import edge as edge_of
from waywright import demo, jobfile
from waywright.core.adjust.blind import Visibility
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.adjust.suspects import CHECKED, Screened, screen
from waywright.core.evidence.bends import NOTHING_MORE, Given
from waywright.core.evidence.findings import Fit, Misfit, Move, Report
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Pass, Reading, Typed
from waywright.core.next.cures import newest_faces
from waywright.core.next.hanging import WORTH
from waywright.core.next.moves import doubted
from waywright.core.next.retakes import Retake, TakeAgain, laid_again, left_out_because, retakes
from waywright.core.readings import Cross, LayUp, Step, Thickness
from waywright.core.report import report, report_of, solve_readings
from waywright.core.results.under_test import aims, face_under_test
from waywright.core.results.verdicts import form_of, verdict
from waywright.views.moves import how, reason

SUSPECT = "layups[1].gaps[5]"


def about(move: Move) -> bool:
    """Whether a move takes the suspect again."""
    return isinstance(move, TakeAgain) and any(name.endswith(SUSPECT) for name in move.retake.ids)


NOTHING_UM = 1e-9
LEVELLED = planned_slopes(
    round_of([edge_of(n, 600.0, 7, (-15.0, 15.0)) for n in "PQR"], ("over", "end for end"), u_um_per_m=40.0),
    Cross("P", 30.0),
    np.linspace(0.0, 600.0, 7),
)
MIXES = {
    "one line": Mix(lines=(1, 1), stations=(5, 9)),
    "two lines and a level": Mix(lines=(2, 2), stations=(5, 7), level=True),
    "brackets and stacks that drag": Mix(lines=(1, 3), stations=(5, 9), brackets=0.4),
    "uneven": Mix(lines=(1, 3), stations=(5, 9), uneven=True, unequal=True, level=True),
}


@cache
def shop(straightness_um: float = 6.0) -> Job:
    """The sample shop under a limit."""
    job = jobfile.loads(demo.shop("three_edges"), "three_edges.toml")
    return replace(job, goal=Goal(straightness_um=straightness_um))


def bare(job: Job, screened: Screened) -> Report:
    """What taking again rests on of a report: suspects, and what nothing checks."""
    given = Given(frozenset(reading for one in screened.standing for reading in one.carrying))
    return Report(job, (), (), screened.suspects, screened.unchecked, (), (), Fit(0.0, 0.0, ()), (), (), given=given)


def asked(job: Job) -> tuple[Retake, ...]:
    """What is to be taken again."""
    return retakes(job, bare(job, screen(network(job))))


def shop_read(job: Job, again: Retake, places: tuple[Reading, ...]) -> Job:
    """The sample shop with a lay-up made anew as the advice says and read at places, its true gaps to 0.1 µm."""
    layup = again.of.geometry
    assert isinstance(layup, LayUp)
    gaps = demo.layup_gaps(layup, demo.truth(), 1.3, np.random.default_rng(5))
    nodes = zip(demo.face("Alder").x_mm.tolist(), demo.face("Alder").y_mm.tolist(), strict=True)
    at = dict(zip(nodes, gaps.tolist(), strict=True))
    readings = tuple(
        replace(r, key="just_mm", low=None, high=None, value=Typed(round(at[r.x_mm or 0.0, r.y_mm or 0.0], 4), "mm"))
        for r in places
    )
    stands_on = tuple(r for r in again.anew.readings if r.entry == "spacers")
    return replace(job, settings=(*job.settings, replace(again.anew, readings=stands_on + readings)))


def moved_um(before: Solution, after: Solution) -> float:
    """The largest change of any height about its plane."""
    return max(
        float(np.abs(before.heights_um(f) - after.heights_um(g)).max())
        for f, g in zip(before.faces, after.faces, strict=True)
    )


def redundancy_of(screened: Screened, reading: str) -> float:
    """How much of a reading the others check."""
    return float(screened.solution.redundancies[screened.solution.rows.reading_ids.index(reading)])


def test_one_place_of_a_lay_up_made_anew_tells_nothing() -> None:
    """The suspect's place alone, in a lay-up made anew on its spacers, moves no height by 1e-9 µm: lift and tilts take
    it up. The places advised move them, and the suspect's own is checked."""
    job = shop()
    (again,) = asked(job)
    before = screen(network(job))
    alone = screen(network(shop_read(job, again, again.again)))
    assert moved_um(before.solution, alone.solution) < NOTHING_UM
    assert redundancy_of(alone, f"again {SUSPECT}") < CHECKED
    full = screen(network(shop_read(job, again, again.to_read)))
    assert moved_um(before.solution, full.solution) > 1e3 * NOTHING_UM
    assert redundancy_of(full, f"again {SUSPECT}") == pytest.approx(again.redundancy, abs=0.1)  # no bracket now
    assert again.redundancy > 6 * CHECKED


def test_what_the_move_says_is_enough() -> None:
    """The move names four places, the suspect's own among them, and the minutes that setting up and reading take."""
    job = shop()
    move = report(job, with_cures=False).moves[-1]
    (again,) = asked(job)
    assert about(move)
    assert all(f"{r.x_mm:g}" in how(move) and f"(y {r.y_mm:g})".replace("-", "−") in how(move) for r in again.to_read)
    assert len(again.to_read) == 4
    assert move.minutes == LayUp.setting_up_min + 4 * LayUp.reading_min


def test_what_was_taken_again_is_not_asked_again() -> None:
    """Laid anew as advised, the suspect stays left out for good; with its own place alone the rest is still asked for,
    in the lay-up that stands there."""
    job = shop()
    (again,) = asked(job)
    done = shop_read(job, again, again.to_read)
    found = report(done, with_cures=False)
    assert [s.reading for s in found.suspects] == [SUSPECT]
    assert left_out_because(done, found, found.suspects[0]) == "laid again"
    assert retakes(done, found) == ()
    assert not any(about(m) for m in found.moves)
    (rest,) = asked(shop_read(job, again, again.again))
    assert rest.begun is not None
    assert rest.begun.id == again.anew.id
    assert {(r.x_mm, r.y_mm) for r in rest.to_read} == {(r.x_mm, r.y_mm) for r in again.to_read if r not in again.again}
    assert rest.minutes == 3 * LayUp.reading_min


@pytest.mark.parametrize("number", range(6))
@pytest.mark.parametrize("mix", MIXES)
def test_followed_to_the_letter_it_is_checked(mix: str, number: int) -> None:
    """In jobs drawn at random with one reading off by thirty u: read anew as advised, by the truth, the suspect's place
    has a redundancy of 0.05 or more, heights move, and the same is not asked again."""
    world, bad = with_a_suspect(MIXES[mix], np.random.default_rng([number, len(mix)]))
    (again,) = [r for r in asked(world.job) if bad in r.ids]
    least = 4 if isinstance(again.of.geometry, LayUp) else 2
    assert len(again.to_read) >= least
    taken = read(
        replace(world.job, settings=(*world.job.settings, again.anew)),
        world.truth_um,
        np.random.default_rng(number),
        only=frozenset({again.anew.id}),
    ).job
    before, after = screen(network(world.job)), screen(network(taken))
    assert min(redundancy_of(after, r.id) for r in again.again) >= CHECKED
    assert moved_um(before.solution, after.solution) > NOTHING_UM
    assert not any(r.of.id == again.of.id for r in retakes(taken, bare(taken, after)) if r.ids & again.ids)


def with_a_suspect(mix: Mix, rng: np.random.Generator) -> tuple[Simulated, str]:
    """A job of a kind with one checked reading off by thirty u, and that reading."""
    while True:
        world = drawn(mix, rng)
        net = network(world.job)
        equal = np.flatnonzero(net.rows.sense == 0)
        solution = Solution(net.unknowns, net.rows.take(equal))
        good = np.flatnonzero(solution.redundancies > 0.4)
        if not len(good):
            continue
        i = int(rng.choice(good))
        bad = solution.rows.reading_ids[i]
        job = spoiled(world.job, bad, 30.0 * float(solution.rows.u_um[i]))
        if any(s.reading == bad and not s.like for s in screen(network(job)).suspects):
            return Simulated(job, world.truth_um), bad


@pytest.mark.parametrize(("straightness_um", "face"), [(2.0, "Rowan"), (3.0, "Alder"), (6.0, None)])
def test_only_what_a_verdict_hangs_on_is_first(straightness_um: float, face: str | None) -> None:
    """Where using the misread stack changes a verdict its retake is the first move, and what it speaks of is not
    scraped; where it changes none it comes last, and says so."""
    job = shop(straightness_um)
    found = report(job, with_cures=False)
    told = found.moves
    at = [i for i, move in enumerate(told) if about(move)]
    assert found.suspects[0].hangs == ((face,) if face else ())
    if face is not None:
        assert at == [0]
        assert f"the verdict on {face} hangs on it" in reason(told[0])
        assert doubted(job, found) == {"Alder", "Rowan"}
    else:
        assert at == [len(told) - 1]
        assert told[0].act == "scrape"
        assert "no verdict hangs on it: it stays left out" in reason(told[-1])
        assert doubted(job, found) == set()


@pytest.mark.parametrize("straightness_um", [2.0, 2.5, 3.0, 6.0])
def test_a_verdict_hangs_when_use_as_read_changes_it(straightness_um: float) -> None:
    """What hangs on the suspect is what another whole solution says, with it as read: another decision, and not by a
    hair of its chance."""
    job = shop(straightness_um)
    without = report(job, with_cures=False)
    net = network(job)
    solution = Solution(net.unknowns, net.rows.take(np.flatnonzero(net.rows.sense == 0)))
    faces = newest_faces(net, solution)
    spots = Visibility(solution, faces).find()
    changed = set()
    for face, said in zip(faces, without.verdicts, strict=True):
        judge = face_under_test(solution, face, 0.0)
        (aim,) = aims(job.goal, judge.face)
        now = verdict(judge, aim, form_of(judge, spots), spots, job.goal)
        if now.decision != said.decision and abs((now.chance_inside or 0) - (said.chance_inside or 0)) >= WORTH:
            changed.add(said.face)
    assert set(without.suspects[0].hangs) == changed


def test_nothing_hangs_on_one_reading_while_they_do_not_fit_together() -> None:
    """Where no verdict stands because the readings do not fit together, none is said to hang on a single suspect; each
    is still taken again, after what does not fit."""
    seen = solve_readings(shop(3.0))
    apart = Misfit("setting", "layups[2]", "layups[2]", 4.0, 1e-9)
    fit = replace(seen.screened.fit, misfits=(apart,))
    found = report_of(replace(seen, screened=replace(seen.screened, fit=fit)), with_cures=False)
    assert {v.decision for v in found.verdicts} == {"open"}
    assert found.suspects[0].hangs == ()
    told = found.moves
    assert [about(move) for move in told] == [False, True]


def test_while_it_may_stand_one_place_is_enough() -> None:
    """A suspect of the last lay-up may be read again as it stands, the rest only once it was lifted; not when it was
    read twice there, and not when its faces were laid elsewhere since."""
    job = shop()
    order = (*(s for s in job.settings if s.id != "layups[1]"), job.settings[1])
    last = replace(job, settings=order)
    (again,) = asked(last)
    assert again.stands
    says = how(report(last, with_cures=False).moves[-1])
    assert says.startswith("if it still stands as it was read, read on the far line (y 14) at 180 mm again now. ")
    assert "Once lifted, take it anew. Lay Rowan on Alder, marks together" in says
    twice = replace(next(r for r in job.settings[1].readings if r.id == SUSPECT), id="second", corrects=SUSPECT)
    corrected = replace(order[-1], readings=(*order[-1].readings, twice))
    (again,) = asked(replace(last, settings=(*order[:-1], corrected)))
    assert again.suspects[0].reading == "second"
    assert not again.stands
    (again,) = asked(job)
    assert not again.stands


def test_metal_taken_since_leaves_it_out_for_good() -> None:
    """A reading of a face that was cut since cannot be taken again."""
    job = replace(shop(), passes=(Pass("passes[0]", "Rowan", after=shop().settings[-1].id),))
    found = report(job, with_cures=False)
    assert left_out_because(job, found, next(s for s in found.suspects if s.reading == SUSPECT)) == "cut"
    assert retakes(job, found) == ()


def test_what_reads_so_again_is_looked_at() -> None:
    """A lay-up made anew that reads as wrong as before is not simply asked for again: the faces are looked at first."""
    job = shop()
    (again,) = asked(job)
    done = shop_read(job, again, again.to_read)
    done = spoiled(done, f"again {SUSPECT}", 9.0)
    found = report(done, with_cures=False)
    assert f"again {SUSPECT}" in {s.reading for s in found.suspects}
    told = [how(m) for m in found.moves if about(m)]
    assert len(told) == 1
    assert "stone and wipe the faces" in told[0]


def test_suspects_of_one_lay_up_are_one_retake() -> None:
    """Two misreadings of one lay-up are taken again together."""
    job = spoiled(shop(), "layups[1].gaps[12]", -12.0)
    (again,) = asked(job)
    assert {s.reading for s in again.suspects} == {SUSPECT, "layups[1].gaps[12]"}
    assert len(again.again) == 2
    assert len(again.to_read) >= 4


def test_readings_that_cannot_be_told_apart_are_one_retake() -> None:
    """Marks together on two lines six readings may be the wrong one: one lay-up made anew, both its places, tells."""
    world = simulated(round_of([edge_of(n, 600.0, 7, (-15.0, 15.0)) for n in "PQR"]), seed=4)
    job = spoiled(world.job, world.job.settings[0].readings[6].id, 60.0)
    (again,) = asked(job)
    assert len(again.ids) == 6
    assert len(again.again) == 2
    assert again.redundancy >= CHECKED


@pytest.mark.parametrize("kind", [Cross, Step, Thickness])
def test_a_zero_set_anew_needs_a_second_place(kind: type) -> None:
    """A level or a micrometer set up anew has a zero of its own: two places or more, and as many as check the one."""
    rng = np.random.default_rng(3)
    if kind is Thickness:
        top, under = edge("P", lines=(-15, 15)), edge("P under", lines=(-15, 15), side="bottom")
        job = job_of((top, under), kit=(MICROMETER,))
        slope = rng.normal(0, 0.02)
        for number in range(2):
            noise = 0.3 * rng.standard_normal(14)
            noise[4] += 12.0 * number
            job = with_readings(
                job, Thickness("P", "P under"), "readings", nodes_of(top), lambda x, y: 60_000.0 + x * slope,
                key="size_mm", unit="mm", instrument="micrometer", noise=noise,
            )  # fmt: skip
        bad = "thickness[1].readings[4]"
    else:
        plan = LEVELLED if kind is Cross else planned_slopes(LEVELLED, Step("P", 100.0, 15.0), np.arange(6) * 100.0)
        job = simulated(plan, seed=3).job
        bad = next(s for s in job.settings if isinstance(s.geometry, kind)).readings[3].id
        job = spoiled(job, bad, 40.0)
    (again,) = [r for r in asked(job) if bad in r.ids]
    assert 2 <= len(again.to_read) < len(again.of.readings)
    assert again.redundancy >= 0.25
    assert again.minutes < LayUp.setting_up_min


def test_what_shares_nothing_is_taken_again_alone() -> None:
    """A pivot has no unknown of its own: it alone is tried again."""
    job = read_and_pushed(20.0, [290.0])
    (again,) = asked(job)
    assert [r.id for r in again.to_read] == ["again hinges[0].readings[0]"]


def test_a_limit_is_read_as_a_value_when_it_is_taken_again() -> None:
    """A stack that went where the others say it could not is a limit that checks nothing: its place is read whole."""
    job = shop()
    setting = job.settings[0]
    one = replace(setting.readings[7], id="far too big", low=Typed(20.05, "mm"), high=None, key=None, value=None)
    readings = tuple(one if r.id == setting.readings[7].id else r for r in setting.readings)
    job = replace(job, settings=(replace(setting, readings=readings), *job.settings[1:]))
    (again,) = [r for r in asked(job) if "far too big" in r.ids]
    (own,) = again.again
    assert own.value is not None
    assert again.redundancy >= CHECKED
    assert len(again.to_read) >= 4


def test_every_place_is_taken_where_none_is_to_spare() -> None:
    """On a short edge that has four places all four are read."""
    job = shop()
    of = job.settings[1]
    few = replace(of, readings=tuple(r for r in of.readings if r.entry == "spacers" or r.x_mm in (105.0, 180.0)))
    anew, _ = laid_again(replace(job, settings=(few, *job.settings)), NOTHING_MORE, few, {SUSPECT}, {SUSPECT})
    assert sum(r.entry == "gaps" for r in anew.readings) == 4
