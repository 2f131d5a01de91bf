"""Which spacers carry: by the balance of the weight, and by the shapes, in whatever order they were typed."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from studies import spacers as study
from tests.simulate import STACKS, bench, edge, heights_um, on_upper, planned_gaps, read, round_of, truth_of
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.findings import Standing
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.rows import EQUAL
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.readings import LayUp, Slide
from waywright.core.report import report
from waywright.jobfile import loads
from waywright.views.as_json import report_json
from waywright.views.numbers import shown_in
from waywright.views.result import result
from waywright.views.standing import standing_words

MM = shown_in("mm")
OVER = LayUp("P", "Q", "over")


def spacer(x_mm: float, size_mm: float = 20.0, y_mm: float = 0.0, text: str | None = None) -> Reading:
    return Reading(f"{x_mm:g}, {y_mm:g} {text}", "spacers", x_mm, y_mm, key="size_mm", value=Typed(size_mm, "mm", text))


def on(job: Job, spacers: Sequence[Reading], number: int = 0) -> Job:
    """The job with one lay-up on spacers, before it is read."""
    one = job.settings[number]
    named = tuple(replace(r, id=f"{one.id} {r.id}") for r in spacers)
    settings = [*job.settings]
    settings[number] = replace(one, readings=(*named, *one.readings))
    return replace(job, settings=tuple(settings))


def pair(bow_um: float, spacers: Sequence[Reading], layup: LayUp = OVER, seed: int = 3) -> tuple[Job, FloatArray]:
    """Two edges hollow by `bow_um` each, one on the other, read at every station; their true sum about its line."""
    faces = [edge(name, 600.0, 13) for name in "PQ"]
    s = 2 * faces[0].x_mm / 600 - 1
    truth = {face.name: bow_um * (s**2 - 1) for face in faces}
    job = on(planned_gaps(bench(faces, u_um=0.3), layup), spacers)
    return read(job, truth, np.random.default_rng(seed)).job, 2 * bow_um * (s**2 - 1 + 2 / 3)


def stands(job: Job) -> Standing:
    (one,) = screen(network(job)).standing
    return one


def places(*x_mm: float) -> tuple[tuple[float, float], ...]:
    return tuple((x, 0.0) for x in x_mm)


@pytest.mark.parametrize(("bow_um", "carry", "free"), [(4.0, (100, 500), (300,)), (-4.0, (300,), ())])
def test_three_equal_spacers_carry_by_the_shape(bow_um: float, carry: Sequence[float], free: Sequence[float]) -> None:
    """Under hollow faces an edge on three equal spacers stands on the outer two and is free over the middle one; under
    crowned faces it stands on the middle one. The sum of the faces lies within its uncertainty, and nothing is doubted.
    """
    job, truth = pair(bow_um, [spacer(300), spacer(100), spacer(500)])
    found = stands(job)
    assert found.on[: len(carry)] == places(*carry) or places(*carry)[0] in found.on
    assert set(places(*free)) <= set(found.free)
    screened = screen(network(job))
    assert screened.suspects == ()
    summed = sum(screened.solution.heights_um(face) for face in screened.solution.faces)
    assert np.abs(summed - (truth - truth.mean())).max() < 4 * 0.3


@given(st.permutations(range(4)), st.integers(0, 5))
def test_the_order_of_typing_changes_nothing(order: Sequence[int], seed: int) -> None:
    """Four spacers typed in any order give the same heights, sigmas and carriers."""
    spots = [spacer(80, 20.0), spacer(240, 20.001), spacer(430, 20.0), spacer(520, 20.002)]
    job, _ = pair(3.0, spots, seed=seed)
    one = job.settings[0]
    typed = [r for r in one.readings if r.entry == "spacers"]
    other = replace(job, settings=(replace(one, readings=(*(typed[i] for i in order), *one.readings[4:])),))
    a, b = screen(network(job)), screen(network(other))
    assert [replace(s, carrying=()) for s in a.standing] == [replace(s, carrying=()) for s in b.standing]
    for f, g in zip(a.solution.faces, b.solution.faces, strict=True):
        np.testing.assert_allclose(a.solution.heights_um(f), b.solution.heights_um(g), rtol=0, atol=1e-6)
        np.testing.assert_allclose(a.solution.height_sigmas(f), b.solution.height_sigmas(g), rtol=1e-6, atol=1e-9)


def test_the_chances_are_those_of_the_slack_worked_out_apart() -> None:
    """The chance that each spacer carries, from the slack and its covariance in a solution without the spacers, set by
    set by normal densities and distribution functions of scipy: the same to 1e-6."""
    from waywright.core.adjust import spacers as room

    job, _ = pair(0.5, [spacer(100), spacer(300, 20.0005), spacer(500)], seed=5)
    net = network(job)
    group = net.standing[0]
    equal = np.flatnonzero(net.rows.sense == EQUAL)
    without = Solution(net.unknowns, net.rows.take(equal))
    rows = net.rows.matrix[group.rows][:, without.old_columns]
    slack = rows @ without.mean_um - net.rows.value_um[group.rows]
    covariance = without.covariance(rows.toarray().T) + np.diag(net.rows.u_um[group.rows] ** 2)
    weights = {}
    for at in ((0, 1), (0, 2), (1, 2)):
        (rest,) = set(range(3)) - set(at)
        a = list(at)
        inverse = np.linalg.inv(covariance[np.ix_(a, a)])
        mean = slack[rest] - covariance[rest, a] @ inverse @ slack[a]
        sd = np.sqrt(covariance[rest, rest] - covariance[rest, a] @ inverse @ covariance[a, rest])
        density = stats.multivariate_normal(slack[a], covariance[np.ix_(a, a)]).pdf(np.zeros(2))
        weights[at] = density * abs(group.x_mm[at[0]] - group.x_mm[at[1]]) * stats.norm.cdf(mean / sd)
    total = sum(weights.values())
    expected = [sum(w for at, w in weights.items() if i in at) / total for i in range(3)]
    ((least, most),) = room._chances(net, np.ones(len(net.rows.sense), bool), net.standing)
    assert least == pytest.approx(expected, abs=1e-6)
    assert most == pytest.approx(expected, abs=1e-6)
    assert 0.02 < min(expected) < max(expected) < 0.999  # a case that could go either way


def test_where_it_cannot_be_told_none_is_taken_as_touching() -> None:
    """Flat faces on three equal spacers: which two carry lies below what the readings tell; none is an equation, and
    the page says so."""
    job, _ = pair(0.0, [spacer(100), spacer(300), spacer(500)])
    found = stands(job)
    assert found.untold
    assert len(found.untold) + len(found.on) == 3
    net = screen(network(job)).net
    sense = {name: int(s) for name, s in zip(net.rows.reading_ids, net.rows.sense, strict=True)}
    assert all(sense[r.id] == EQUAL for r in job.settings[0].readings if r.id in found.carrying)
    assert sum(sense[r.id] != EQUAL for r in job.settings[0].readings if r.entry == "spacers") == len(found.untold)
    assert "cannot be told" in standing_words(found, MM)
    assert any("cannot be told" in note for note in result(report(job), MM).notes)


def test_no_solve_is_needed_where_the_balance_alone_tells() -> None:
    """Two spacers under an edge, three under a face with width: they carry whatever the shapes are; a lone one too."""
    for count in (1, 2):
        job, _ = pair(5.0, [spacer(100), spacer(500)][:count])
        assert stands(job).on == places(100, 500)[:count]
        assert (standing_words(stands(job), MM) == "") == (count == 2)  # of a lone one more is said
    wide = [edge(name, 600.0, 5, (-20.0, 20.0)) for name in "PQ"]
    job = on(planned_gaps(bench(wide), OVER), [spacer(100, y_mm=-20), spacer(500, y_mm=-20), spacer(300, y_mm=20)])
    assert (network(job).rows.sense[:3] == EQUAL).all()


def test_an_upper_that_would_tip_off_is_told() -> None:
    """With its middle beyond all spacers an edge does not stay on them: none is taken as touching, and it is said;
    with the far end held down they carry."""
    job, _ = pair(2.0, [spacer(80), spacer(200)])
    found = stands(job)
    assert not found.balanced
    assert found.carrying == ()
    assert standing_words(found, MM).startswith("it would tip off its spacers at 80 and 200 mm")
    assert any("it would tip off" in note for note in report_json(report(job))["notes"])
    held = replace(job, settings=(replace(job.settings[0], geometry=replace(OVER, held="marked end")),))
    assert stands(held).on == places(80, 200)


def test_one_spacer_alone_is_told() -> None:
    """On one block an edge does not stay: it must touch somewhere else, and it is said that this is not known."""
    job, _ = pair(2.0, [spacer(300)])
    assert standing_words(stands(job), MM).startswith("stands on one spacer, at 300 mm; where else")
    assert any("where else the two faces touch is not known" in note for note in report_json(report(job))["notes"])


def plate(twist_um: float, spots: Sequence[tuple[float, float]], seed: int = 2) -> Job:
    """Two plates, the lower twisted, the upper on equal spacers at `spots`."""
    faces = [Face(name, 400.0, 400.0, tuple(np.linspace(0, 400, 5)), tuple(np.linspace(-180, 180, 5))) for name in "PQ"]
    s, t = 2 * faces[0].x_mm / 400 - 1, faces[0].y_mm / 180
    truth = {"P": twist_um * s * t, "Q": np.zeros(25)}
    job = on(planned_gaps(bench(faces, u_um=0.3), OVER), [spacer(x, y_mm=y) for x, y in spots])
    return read(job, truth, np.random.default_rng(seed)).job


def test_a_plate_over_four_spacers_stands_on_the_high_diagonal() -> None:
    """Four equal spacers at the corners under a twisted plate: the diagonal on which the lower is high carries; it may
    lean on one more, and no height is misled."""
    corners = [(60.0, -150.0), (340.0, 150.0), (60.0, 150.0), (340.0, -150.0)]
    job = plate(8.0, corners)
    found = stands(job)
    assert {(60.0, -150.0), (340.0, 150.0)} <= set(found.on)
    screened = screen(network(job))
    assert screened.suspects == ()
    lower = screened.solution.faces[0]
    s, t = 2 * lower.x_mm / 400 - 1, lower.y_mm / 180
    upper = screened.solution.faces[1]
    summed = screened.solution.heights_um(lower) + screened.solution.heights_um(upper).reshape(5, 5)[:, ::-1].ravel()
    assert np.abs(summed - 8.0 * s * t).max() < 5 * 0.3 * np.sqrt(2)


def test_a_wedge_too_stands_on_what_carries() -> None:
    """A wedge with a third spacer short of the line of the two others: it is free, and its slope stays."""
    kind = Slide("P", "Q", "over")
    job = bench([edge(name, 600.0, 7) for name in "PQ"], u_um=0.3)
    stops = [
        Reading(f"stop {x}", "stops", float(x), key="size_mm", value=Typed(20.0 + 1e-5 * (x - 100), "mm"))
        for x in (200, 300, 400)
    ]
    rests = [spacer(300, 19.995), spacer(100, 20.0), spacer(500, 20.004)]
    job = replace(job, settings=(Setting("w", kind, (*rests, *stops), instrument=STACKS),))
    assert stands(job).on == places(100, 500)
    assert stands(job).free == places(300)


@pytest.mark.parametrize(
    ("text", "unit", "number"), [("20,0", "mm", 20.0), ("20000 µm", "µm", 20_000.0), ("0.787402 in", "in", 0.787402)]
)
def test_a_spacer_typed_twice_counts_once_however_it_is_typed(text: str, unit: str, number: float) -> None:
    """20.0 and "20,0" at one place are one spacer, and so it is in inches rounded to six places."""
    x_mm = 3.937008 * 25.4 if unit == "in" else 100.0
    again = replace(spacer(x_mm), id="again", value=Typed(number, unit, text))
    job, _ = pair(2.0, [spacer(100), spacer(500)])
    twice = replace(job, settings=(replace(job.settings[0], readings=(*job.settings[0].readings, again)),))
    net = network(twice)
    assert "again" in net.repeated
    assert stands(twice).on == stands(job).on == places(100, 500)


def test_a_misread_gap_does_not_choose_the_carriers() -> None:
    """Three hollow edges in both turns, a gap misread by 30 µm over the spacer that is free: it is the suspect, and the
    spacers stand as without it."""
    faces = [edge(name, 600.0, 7) for name in "PQR"]
    job = round_of(faces, ("over", "end for end"), u_um=0.3)
    for number in range(len(job.settings)):
        job = on(job, [spacer(200), spacer(100), spacer(500)], number)
    s = 2 * faces[0].x_mm / 600 - 1
    job = read(job, dict.fromkeys("PQR", 6.0 * s**2), np.random.default_rng(4)).job
    one = job.settings[2]
    bad = next(r for r in one.readings if r.entry == "gaps" and r.x_mm == 200)
    assert bad.value is not None
    spoilt = replace(bad, value=Typed(bad.value.number - 0.030, "mm"))
    wrong = replace(one, readings=tuple(spoilt if r is bad else r for r in one.readings))
    settings = (*job.settings[:2], wrong, *job.settings[3:])
    clean, found = screen(network(job)), screen(network(replace(job, settings=settings)))
    assert [s.reading for s in found.suspects] == [bad.id]
    assert found.standing == clean.standing
    assert all(one.on == places(100, 500) for one in found.standing)


def test_over_a_stretch_that_nothing_read_it_cannot_be_told() -> None:
    """An edge truly on 100 and 500, with 1 µm of air over 350, gaps read from 0 to 400 only: nothing tells of 500, so
    of 350 and 500 it cannot be told; a spacer 100 µm short at 350 is free all the same, and 500 then carries."""
    faces = [edge(name, 600.0, 7) for name in "PQ"]
    plan = planned_gaps(bench(faces, u_um=0.3), OVER)
    one = plan.settings[0]
    gaps = tuple(r for r in one.readings if r.x_mm is not None and r.x_mm <= 400)
    for size, on_x, free_x in ((20.0, (100.0,), ()), (19.9, (100.0, 500.0), (350.0,))):
        rests = (spacer(100), spacer(350, size), spacer(500))
        found = stands(replace(plan, settings=(replace(one, readings=(*rests, *gaps)),)))
        assert found.on == places(*on_x)
        assert found.free == places(*free_x)
        assert len(found.untold) == 3 - len(on_x) - len(free_x)


def test_many_spacers_that_nobody_lays_are_not_worked_out() -> None:
    """Forty spacers under one edge: none is taken as touching, and nothing runs for long."""
    job, _ = pair(2.0, [spacer(15.0 * i) for i in range(40)])
    assert stands(job).on == ()


@pytest.mark.slow
def test_heights_are_as_sure_as_they_say_on_more_spacers_than_carry() -> None:
    """Over 40 jobs of every design, one to three spacers too many in any order, 93 to 97 % of heights lie in their
    95 % bands; the whole is in docs/tables/spacers.md."""
    found = [study.tried(kind, 10_000 + i).heights for kind in study.KINDS for i in range(8)]
    inside, heights = sum(f.inside for f in found), sum(f.heights for f in found)
    assert study.LOW <= inside / heights <= study.HIGH


def test_the_upper_comes_down_until_it_stands() -> None:
    """The simulated upper of these tests clears every spacer, and of all pairs that hold it lies on the lowest."""
    rng = np.random.default_rng(0)
    job, _ = pair(4.0, [spacer(90), spacer(250), spacer(360), spacer(520)])
    faces = job.faces()
    truth = {name: 6 * rng.standard_normal(13) for name in faces}
    quiet = read(job, truth, rng, u_factor={STACKS: 0.0}).job.settings[0]
    gaps = [r for r in quiet.readings if r.entry == "gaps" and r.value is not None]
    x = np.array([r.x_mm for r in gaps], float)
    shape = -heights_um(faces["P"], truth["P"], x, 0 * x) - heights_um(faces["Q"], truth["Q"], x, 0 * x)
    lies = np.polyfit(x, np.array([r.value.to("µm") for r in gaps]) - shape, 1)  # type: ignore[union-attr]
    at = np.array([90.0, 250.0, 360.0, 520.0])
    clear = -sum(heights_um(faces[n], truth[n], at, 0 * at) for n in "PQ") - 20_000
    slack = clear + np.polyval(lies, at)
    assert slack.min() == pytest.approx(0.0, abs=1e-6)
    lowest = []
    for i, j in itertools.combinations(range(4), 2):
        line = np.polyfit(at[[i, j]], -clear[[i, j]], 1)
        if (clear + np.polyval(line, at)).min() > -1e-6 and at[i] <= 300 <= at[j]:
            lowest.append(np.polyval(line, 300.0))
    assert np.polyval(lies, 300.0) == pytest.approx(min(lowest), abs=1e-6)


IN_TWO_BLOCKS = """
[instruments.blocks]
kind = "gauge blocks"
u_um = 0.3
[[pieces]]
name = "P"
[[pieces.faces]]
name = "P"
length_mm = 600
width_mm = 40
stations_mm = [0, 300, 600]
[[pieces]]
name = "Q"
[[pieces.faces]]
name = "Q"
length_mm = 600
width_mm = 40
stations_mm = [0, 300, 600]
[[KIND]]
lower = "P"
upper = "Q"
turn = "over"
HOW
setting = "one"
spacers = [ { x_mm = 100, size_mm = 20.0 }, { x_mm = 500, size_mm = 20.01 } ]
LIST = [ { x_mm = 200, VALUE_mm = 20.003 } ]
[[KIND]]
lower = "P"
upper = "Q"
turn = "over"
HOW
setting = "one"
LIST = [ { x_mm = 400, VALUE_mm = 20.008 } ]
"""


@pytest.mark.parametrize(
    ("kind", "how", "listed", "value"),
    [("slides", "", "stops", "size"), ("layups", 'held = "far end"\ntouching = true', "gaps", "gap")],
)
def test_the_spacers_of_a_setting_may_stand_in_its_first_block(kind: str, how: str, listed: str, value: str) -> None:
    """A setting told in two blocks with its spacers in the first is read as what the solver makes of it."""
    text = IN_TWO_BLOCKS
    for old, new in (("KIND", kind), ("HOW", how), ("LIST", listed), ("VALUE", value)):
        text = text.replace(old, new)
    assert stands(loads(text)).on == places(100, 500)


NEARLY_IN_LINE = ((38.0, 15.0), (552.0, -15.0), (189.0, 7.0), (126.0, -15.0))  # the first three but for 0.8 mm


def truly_clear(job: Job, setting: Setting, truth: dict[str, FloatArray]) -> dict[tuple[float, float], float]:
    """By how much the upper clears each spacer, µm: it comes down as far as they let it."""
    layup, faces = setting.geometry, job.faces()
    assert isinstance(layup, LayUp)
    x, y = (np.array(column) for column in zip(*NEARLY_IN_LINE, strict=True))
    lower, upper = faces[layup.lower], faces[layup.upper]
    on_it = on_upper(layup, upper.length_mm, x, y)
    most = heights_um(lower, truth[lower.name], x, y) + heights_um(upper, truth[upper.name], *on_it)
    plane = np.column_stack([np.ones(len(x)), x, y])
    down = optimize.linprog([1.0, 300.0, 0.0], A_ub=-plane, b_ub=-most, bounds=(None, None))
    return dict(zip(NEARLY_IN_LINE, (plane @ down.x - most).tolist(), strict=True))


def test_three_nearly_on_one_line_may_carry() -> None:
    """Two edges whose weight stands on three spacers 0.8 mm off one line, free of a fourth: the three may carry, so the
    fourth is never told to carry when it is clear, nothing that carries is told to be free, and no block is a suspect.
    (As flat a triangle was left out: the fourth carried for certain, and then read 150 µm less.)"""
    faces = [edge(name, 600.0, 7, (-15.0, 15.0)) for name in "PQR"]
    plan = round_of(faces, ("over", "end for end"))
    blocks = [spacer(x, 20.0, y) for x, y in NEARLY_IN_LINE]
    for number in range(len(plan.settings)):
        plan = on(plan, blocks, number)
    clear_of_the_fourth = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        truth = truth_of(plan, rng, 2.0)
        told = report(read(plan, truth, rng, u_factor={STACKS: 0.0}).job, with_cures=False)
        assert not [s.reading for s in told.suspects if "spacers" in s.reading]
        for standing in told.standing:
            setting = next(s for s in plan.settings if s.group == standing.setting)
            clear_um = truly_clear(plan, setting, truth)
            clear_of_the_fourth += clear_um[NEARLY_IN_LINE[3]] > 5
            assert all(clear_um[place] < 5 for place in standing.on), (seed, standing)
            assert all(clear_um[place] > 1e-6 for place in standing.free), (seed, standing)
    assert clear_of_the_fourth > 10
