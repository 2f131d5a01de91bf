"""Stacks that go, just go and do not go: what each is worth, what it moves, and what only contradicts it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import STACKS, bench, edge, read, round_of, truth_of
from waywright.core.adjust.network import Network, network
from waywright.core.adjust.solution import Solution
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.things import Instrument
from waywright.core.readings import LayUp

FACES = [edge(n, 400.0, 5) for n in "PQR"]
PAIRS = [("P", "Q"), ("P", "R"), ("Q", "R")]


def mm(value: float) -> Typed:
    return Typed(value, "mm")


def value(x: float, size: float, key: str = "gap_mm", **more: object) -> Reading:
    return Reading(f"{key} at {x:g}", "gaps", x, 0.0, key=key, value=mm(size), **more)  # type: ignore[arg-type]


def bracket(x: float, low: float | None, high: float | None, name: str = "bracket") -> Reading:
    return Reading(f"{name} at {x:g}", "gaps", x, 0.0, low=mm(low) if low else None, high=mm(high) if high else None)


def spacer(x: float, size: float = 20.0, **more: object) -> Reading:
    return Reading(f"spacer at {x:g}", "spacers", x, 0.0, key="size_mm", value=mm(size), **more)  # type: ignore[arg-type]


def job(*settings: Sequence[Reading], names: Sequence[str | None] | None = None, u_um: float = 0.3) -> Job:
    """Lay-ups of P and Q, marks together, each with these readings; ids made unique by the setting's number."""
    made = []
    for i, readings in enumerate(settings):
        own = tuple(replace(r, id=f"{i}: {r.id}") for r in readings)
        name = None if names is None else names[i]
        made.append(Setting(f"s{i}", LayUp("P", "Q", "over"), own, name=name, instrument=STACKS))
    return replace(bench(FACES[:2], u_um=u_um), settings=tuple(made))


def flat(skip: Sequence[float] = ()) -> list[Reading]:
    """A gap of 20 mm at every station."""
    return [value(x, 20.0) for x in (0.0, 100.0, 200.0, 300.0, 400.0) if x not in skip]


def solved(net: Network) -> Solution:
    return Solution(net.unknowns, net.rows.take(np.flatnonzero(net.rows.sense == 0)))


def sums(found: Job) -> tuple[list[float], list[float]]:
    """Heights of P and Q added, about their lines, which is what one pair sees, and the sigmas of that."""
    solution = solved(network(found))
    p, q = solution.faces
    both = solution.spread(p, np.eye(5)) + solution.spread(q, np.eye(5))
    return (solution.heights_um(p) + solution.heights_um(q)).tolist(), solution.sigma(both).tolist()


# -- what each is worth


def test_uncertainties() -> None:
    """A value has the stack's u; a bracket √(width²/12 + u²) about its middle; a stack that drags √(u² + feel²)."""
    rows = network(job([value(0, 20.0), bracket(100, 20.004, 20.010), value(200, 20.0, "just_mm")])).rows
    assert rows.value_um == pytest.approx([20_000, 20_007, 20_000])
    assert rows.u_um == pytest.approx([0.3, math.hypot(6 / math.sqrt(12), 0.3), math.hypot(0.3, 1.0)])
    total = sum(rows.noise_um2.values())
    np.testing.assert_allclose(total, rows.u_um**2, rtol=1e-14)
    assert set(map(str, rows.noise_um2)) == {f"{STACKS}, size", f"{STACKS}, feel", f"{STACKS}, step"}


def test_feel_is_the_hands_own() -> None:
    """`feel_um` of the instrument is what a stack that drags is known to; a reading's own `u_um` comes before both."""
    plan = job([value(0, 20.0, "just_mm"), value(100, 20.0, u_um=2.5)])
    dull = replace(plan, instruments=(replace(plan.instruments[0], feel_um=3.0),))
    assert network(dull).rows.u_um == pytest.approx([math.hypot(0.3, 3.0), 2.5])


# -- what counts once


def test_the_same_bracket_again_counts_once() -> None:
    """A bracket listed again at its place, in the block or in another of the same setting, changes no height and no
    sigma, and is named; another bracket there does count."""
    once = [*flat((200.0,)), bracket(200, 20.004, 20.010)]
    again = bracket(200, 20.004, 20.010, "again")
    for repeated in (job([*once, again]), job(once, [again], names=["s", "s"])):
        net = network(repeated)
        assert [r.split(": ")[1] for r in net.repeated] == ["again at 200"]
        assert sums(repeated) == sums(job(once))
    other = job([*once, bracket(200, 20.006, 20.008, "finer")])
    assert network(other).repeated == ()
    assert sums(other)[1][2] < sums(job(once))[1][2]


def test_the_same_bracket_in_another_lay_up_counts_again() -> None:
    """Taken anew after lifting the face off, an equal bracket is a reading of its own."""
    once = [*flat((200.0,)), bracket(200, 20.004, 20.010)]
    assert network(job(once, once)).repeated == ()
    assert sums(job(once, once))[1][2] == pytest.approx(sums(job(once))[1][2] / math.sqrt(2), rel=1e-4)


def test_equal_values_count_each() -> None:
    """Two equal values at one place are two readings: the hand felt twice."""
    readings = [*flat(), value(200, 20.0, "just_mm")]
    assert network(job(readings)).repeated == ()


def test_a_spacer_listed_again_counts_once() -> None:
    """The same block at the same place is one fact however often it is written."""
    readings = [spacer(100), *flat((100.0, 300.0)), spacer(300)]
    twice = job(readings, [replace(spacer(100), id="again")], names=["s", "s"])
    assert len(network(twice).repeated) == 1
    assert sums(twice) == sums(job(readings))


# -- limits: one-sided stacks and spacers that may stand clear


@pytest.mark.parametrize(("low", "high", "contradicts"), [
    (20.002, None, True), (19.998, None, False), (None, 19.998, True), (None, 20.002, False),
])  # fmt: skip
def test_a_one_sided_stack_moves_nothing_and_is_doubted_when_contradicted(
    low: float | None, high: float | None, contradicts: bool
) -> None:
    """In a gap of 20 mm, a stack of 20.002 that goes or 19.998 that does not go is a suspect; the others are not; no
    height moves either way."""
    one, other = screen(network(job(flat()))), screen(network(job([*flat(), bracket(200, low, high, "limit")])))
    for f, g in zip(one.solution.faces, other.solution.faces, strict=True):
        np.testing.assert_array_equal(one.solution.heights_um(f), other.solution.heights_um(g))
        np.testing.assert_array_equal(one.solution.height_sigmas(f), other.solution.height_sigmas(g))
    assert [s.reading for s in other.suspects] == (["0: limit at 200"] if contradicts else [])
    if contradicts:
        assert other.suspects[0].off_um == pytest.approx(2.0 if low else -2.0, rel=0.25)


def test_a_limit_where_nothing_else_reads_says_nothing() -> None:
    """A one-sided stack at a station that nothing else touches makes no height and no suspect."""
    some = flat((400.0,))
    found = screen(network(job([*some, bracket(400, 30.0, None)])))
    assert found.suspects == ()
    assert all(len(f.x_mm) == 4 for f in found.solution.faces)


# -- corrections, shared settings, shared blocks


def test_a_corrected_reading_is_kept_and_not_used() -> None:
    """A reading that names another replaces it, and may be replaced in turn; the job keeps them all."""
    wrong = value(200, 20.5)
    second = replace(value(200, 20.1), id="second", corrects="0: gap_mm at 200")
    third = replace(value(200, 20.0), id="third", corrects="second")
    plan = job([*flat((200.0,)), wrong])
    later = Setting("later", LayUp("P", "Q", "over"), (second, third), name="s0", instrument=STACKS)
    settings = (replace(plan.settings[0], name="s0"), later)
    found = network(replace(plan, settings=settings))
    assert "third" in found.rows.reading_ids
    assert not {"second", "0: gap_mm at 200"} & set(found.rows.reading_ids)
    assert sums(replace(plan, settings=settings))[0] == pytest.approx([0.0] * 5, abs=1e-9)
    assert len(list(found.job.readings())) == 7


def test_one_setting_in_two_blocks_is_one_setting() -> None:
    """Blocks of the same setting name share lift and tilt: the same heights and sigmas as in one block."""
    readings = [value(x, 20.0 + 0.003 * (x / 100) ** 2) for x in (0.0, 100.0, 200.0, 300.0, 400.0)]
    whole, parts = sums(job(readings)), sums(job(readings[:2], readings[2:], names=["s", "s"]))
    np.testing.assert_allclose(whole, parts, rtol=0, atol=1e-9)


def test_a_named_block_errs_alike_wherever_it_is_used() -> None:
    """The error of a block used under two gaps is one unknown of the block's u: it cancels between them, and it is
    not counted a second time as the readings' own."""
    gaps = [replace(value(x, 20.0), block="A", id=f"A at {x}") for x in (0.0, 200.0, 400.0)]
    net = network(job([*gaps, value(100, 20.0), value(300, 20.0)], u_um=2.0))
    error = next(u for u in net.unknowns if str(u.label) == "block A")
    assert error.prior_um == pytest.approx(2.0)
    column = net.rows.matrix[:, error.columns].toarray().ravel()
    assert column.tolist() == [1, 1, 1, 0, 0]
    named = column == 1
    assert net.rows.u_um[~named] == pytest.approx([2.0, 2.0])
    assert np.all(net.rows.u_um[named] <= 0.1)
    # The bow of three places read with one block is free of its error.
    solution = solved(net)
    p, q = solution.faces
    ends = np.array([[-0.5], [0.0], [1.0], [0.0], [-0.5]])
    sigma = solution.sigma(solution.spread(p, ends) + solution.spread(q, ends))[0]
    assert sigma == pytest.approx(0.1 * math.sqrt(1.5), rel=1e-3)


# -- the rule of thumb of the bench


def test_two_equal_edges_on_ten_millimetre_stacks() -> None:
    """Two equal edges on 10 mm stacks at their ends, 10.015 mm just entering the middle: each about 7.5 µm hollow, if
    they are alike, which one pair cannot say. (Common practice, no source; weight left out.)"""
    pair = [spacer(0, 10.0), value(200, 10.015, "just_mm"), spacer(400, 10.0)]
    solution = solved(network(job(pair)))
    hollow = []
    for f in solution.faces:
        h = solution.heights_um(f)
        middle = np.array([[-0.5], [1.0], [-0.5]])
        hollow.append(float((middle.T @ h)[0]))
        assert solution.sigma(solution.spread(f, middle))[0] > 100  # known only as half of the sum
    assert hollow == pytest.approx([-7.5, -7.5], abs=1e-3)


@pytest.mark.parametrize(
    ("middles", "hollow"), [((15, 15, 15), (7.5, 7.5, 7.5)), ((15, 11, 8), (9, 6, 2)), ((2, 10, -4), (8, -6, 2))]
)
def test_three_edges_on_ten_millimetre_stacks(
    middles: tuple[int, int, int], hollow: tuple[float, float, float]
) -> None:
    """With all three pairs read so, each edge is solved on its own, (m12 + m13 − m23)/2. (Common practice, no
    source.)"""
    faces = [edge(n, 400.0, 3) for n in "PQR"]
    settings = []
    for (a, b), middle in zip(PAIRS, middles, strict=True):
        readings = (spacer(0, 10.0), value(200, 10.0 + middle / 1e3, "just_mm"), spacer(400, 10.0))
        own = tuple(replace(r, id=f"{a}{b} {r.id}") for r in readings)
        settings.append(Setting(a + b, LayUp(a, b, "over"), own, instrument=STACKS))
    solution = solved(network(replace(bench(faces, u_um=0.3), settings=tuple(settings))))
    weights = np.array([[-0.5], [1.0], [-0.5]])
    for f, expected in zip(solution.faces, hollow, strict=True):
        assert float((weights.T @ solution.heights_um(f))[0]) == pytest.approx(-expected, abs=1e-3)
        # u of a middle reading √(0.3² + 1²), of an end 0.3, three pairs, each halved.
        pair = math.sqrt(0.3**2 + 1 + 0.5 * 0.3**2)
        assert solution.sigma(solution.spread(f, weights))[0] == pytest.approx(math.sqrt(3) / 2 * pair, rel=1e-3)


# -- what cannot be


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (bracket(0, 20.010, 20.004), "upside down"),
        (value(0, -0.002), "cannot be"),
        (value(0, 10_000.0), "cannot be"),
        (value(500, 20.0), "outside the stations of face P"),
        (replace(value(0, 20.0), value=None), "no value"),
        (replace(value(0, 20.0), x_mm=None), "x_mm"),
        (value(0, 20.0, u_um=0.0), "without uncertainty"),
    ],
)
def test_readings_that_cannot_be_are_refused_by_name(reading: Reading, words: str) -> None:
    """A reading that cannot be is told in one sentence, with its own id as the place."""
    with pytest.raises(JobError, match=words) as found:
        network(job([*flat(), reading]))
    assert found.value.place == f"0: {reading.id}"


def test_stacks_without_a_claim_are_refused() -> None:
    """An instrument that claims nothing of itself is named."""
    plan = job(flat())
    with pytest.raises(JobError, match="how true"):
        network(replace(plan, instruments=(Instrument(STACKS, "gauge blocks"),)))


def test_grade_gives_the_uncertainty() -> None:
    """Gauge blocks of a grade need no u: a stack of two blocks has both of them."""
    plan = job([value(x, 20.0 + 0.001 * i) for i, x in enumerate((0.0, 200.0, 400.0))])
    graded = replace(plan, instruments=(Instrument(STACKS, "gauge blocks", grade="1"),))
    u = network(graded).rows.u_um
    assert np.all((u > 0.02) & (u < 0.5))
    assert u[1] > u[0]


def test_round_of_pairs_is_solved_for_truth_without_noise() -> None:
    """Known truth in, truth out: a round of pairs read without noise gives the faces back to a millionth of the
    prior's pull."""
    rng = np.random.default_rng(3)
    plan = round_of([edge(n, 400.0, 5) for n in "PQR"])
    truth = truth_of(plan, rng)
    found = read(plan, truth, rng, u_factor={STACKS: 0.0})
    solution = solved(network(found.job))
    for f in solution.faces:
        np.testing.assert_allclose(solution.heights_um(f), found.about_plane(f), rtol=0, atol=1e-4)
