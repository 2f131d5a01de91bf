"""Faces that touch: they do not cross, they rock unless held, and what holds a limit up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from tests.kinds.worlds import (
    BLOCKS,
    Truth,
    edge,
    flat,
    job_of,
    nodes_of,
    random_truth,
    solved,
    told,
    with_readings,
)
from waywright.core.adjust.network import network
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.readings import LayUp
from waywright.core.readings.laid import Laid
from waywright.views.findings import suspect_words
from waywright.views.numbers import METRIC

P, Q = edge("P"), edge("Q")
ENDS = ("marked end", "far end")
FEEL = replace(BLOCKS, u_um=0.5)


def attitude(shape: FloatArray, x: FloatArray, held: str) -> FloatArray:
    """The gap under an upper pressed down at one end: no place crosses, and it comes as near as it can, first at the
    held end and then at the other. A linear program over lift and tilt; `shape` is −h_lower − h_upper."""
    ends = np.array([x[0], x[-1]]) if held == "marked end" else np.array([x[-1], x[0]])
    cost = 1e3 * np.array([1.0, ends[0]]) + np.array([1.0, ends[1]])
    found = linprog(cost, A_ub=-np.column_stack([np.ones_like(x), x]), b_ub=shape, bounds=[(None, None)] * 2)
    return np.asarray(found.x[0] + found.x[1] * x + shape)


def both_ends(truth: Truth, rng: np.random.Generator | None, job: Job | None = None) -> Job:
    """Q on P, read all along with the marked end held and then with the far end held."""
    job = job_of(P, Q, kit=(FEEL,)) if job is None else job
    shape = -truth["P"] - truth["Q"]  # marks together: Q's stations over P's
    for held in ENDS:
        gap = dict(zip(P.x_mm, attitude(shape, P.x_mm, held), strict=True))
        noise = None if rng is None else 0.5 * rng.standard_normal(7)
        at = [(x, 0.0) for x in P.x_mm.tolist()]

        def shown(x: float, y: float, g: dict[float, float] = gap) -> float:
            return max(g[x], 0.0)

        if noise is not None:
            noise = np.maximum(noise, [-shown(x, 0.0) for x, _ in at])  # a feeler shows no less than nothing
        kind = LayUp("P", "Q", "over", touching=True, held=held)
        job = with_readings(job, kind, "gaps", at, shown, key="gap_mm", unit="mm", instrument="blocks", noise=noise)
    return job


def crowned(rng: np.random.Generator, size: float = 8.0) -> Truth:
    """Two faces that together are crowned, each with some shape of its own."""
    truth = random_truth(job_of(P, Q), rng, 0.5)
    s = P.x_mm / 300 - 1
    return {"P": truth["P"] - 0.6 * size * s**2, "Q": truth["Q"] - 0.4 * size * s**2}


def test_a_crowned_pair_held_at_one_end_and_then_the_other_raises_no_suspect() -> None:
    """Without noise a crowned pair, held at either end, is contradicted by nothing; the two attitudes agree."""
    for seed in range(20):
        truth = crowned(np.random.default_rng(seed))
        screened = screen(network(both_ends(truth, None)))
        assert not screened.suspects
        found = sum(told(screened.solution, name)[0] for name in ("P", "Q"))
        np.testing.assert_allclose(found, flat(P, truth["P"]) + flat(Q, truth["Q"]), atol=1e-3)


def test_noise_on_a_crowned_pair_raises_few_suspects() -> None:
    """Read with noise, a crowned pair held at either end raises a suspect in no more than 6.5 % of 100 jobs."""
    rng = np.random.default_rng(1)
    doubted = sum(bool(screen(network(both_ends(crowned(rng), rng))).suspects) for _ in range(100))
    assert doubted <= 6


def test_flat_pairs_that_bear_all_along_raise_few_suspects() -> None:
    """Where the true gap is 0 at every station the limits are tested hardest: still no more than 6.5 % of jobs."""
    rng = np.random.default_rng(2)
    doubted = sum(
        bool(screen(network(both_ends({"P": np.zeros(7), "Q": np.zeros(7)}, rng))).suspects) for _ in range(100)
    )
    assert doubted <= 6


def crossing() -> Job:
    """A pair with a hump in the middle, said to touch at both ends with one held."""
    held = LayUp("P", "Q", "over", held="far end")
    at = [(0.0, 0.0), (600.0, 0.0)]
    job = job_of(P, Q, kit=(FEEL,))
    job = with_readings(job, held, "gaps", at, lambda x, y: 0.0, key="gap_mm", unit="mm", instrument="blocks")
    return replace(job, settings=(*job.settings, spaced_apart()))


def test_faces_that_would_cross_are_reported() -> None:
    """Faces that the result lets cross are named, with the place."""
    (suspect,) = screen(network(crossing())).suspects
    assert suspect.reading == "layups[0]: P and Q touching at x = 300, y = 0 mm"
    assert suspect.setting == "layups[0]"
    assert suspect_words(suspect, METRIC) == "cannot be: P and Q would cross there, the others say"


def spaced_apart() -> Setting:
    """The same pair on blocks, where it shows a hump of 10 µm in the middle."""
    sizes = [0, 0, 0, -10, 0, 0, 0]
    readings = tuple(
        Reading(f"on blocks[{i}]", "gaps", float(x), 0.0, key="gap_mm", value=Typed(20 + g / 1e3, "mm"))
        for i, (x, g) in enumerate(zip(P.x_mm, sizes, strict=True))
    )
    return Setting("on blocks", LayUp("P", "Q", "over"), readings, instrument="blocks")


def test_a_touching_pair_that_is_not_held_has_no_gaps() -> None:
    """Touching, neither held nor on spacers: refused in a sentence that says what to do."""
    reading = Reading("layups[0].gaps[0]", "gaps", 300.0, 0.0, key="gap_mm", value=Typed(0.01, "mm"))
    job = replace(
        job_of(P, Q),
        settings=(Setting("layups[0]", LayUp("P", "Q", "over", touching=True), (reading,), instrument="blocks"),),
    )
    with pytest.raises(JobError, match="rocks or spins") as caught:
        network(job)
    assert caught.value.place == "layups[0]"
    spacers = tuple(
        Reading(f"s{i}", "spacers", x, 0.0, key="size_mm", value=Typed(0.05, "mm")) for i, x in enumerate((0.0, 600.0))
    )
    on_papers = replace(job.settings[0], readings=(*spacers, reading))
    assert len(network(replace(job, settings=(on_papers,))).rows.value_um) == 3 + 7


def test_held_is_touching() -> None:
    """An end held down says that the faces touch: the same rows as with both said."""
    truth = crowned(np.random.default_rng(3))
    job = both_ends(truth, None)
    short = replace(
        job,
        settings=tuple(replace(s, geometry=replace(s.geometry, touching=False)) for s in job.settings),  # type: ignore[type-var]
    )
    a, b = network(job), network(short)
    assert a.rows.reading_ids == b.rows.reading_ids
    assert (a.rows.matrix != b.rows.matrix).nnz == 0


def test_limits_are_set_where_nodes_face_each_other() -> None:
    """Stations of either face that lie over the other's, each once: there the gap, linear between, is least."""
    long = Face("L", 900.0, 40.0, (0.0, 300.0, 600.0, 900.0))
    short = Face("S", 400.0, 40.0, (0.0, 100.0, 400.0))
    kind = LayUp("L", "S", "over", 250.0, held="far end")
    x, y = kind.facing(long, short)
    assert sorted(x) == [250.0, 300.0, 350.0, 600.0, 650.0]
    assert np.all(y == 0)


@pytest.mark.parametrize("turn", ["over", "end for end"])
@pytest.mark.parametrize("angle", [0.0, 30.0, -75.0])
def test_the_way_over_and_back(turn: str, angle: float) -> None:
    """A place under the upper's place over it is the place itself, for any turn, offset and angle."""
    upper = Face("Q", 400.0, 300.0, (0.0, 400.0), (-100.0, 100.0))
    kind: Laid = LayUp("P", "Q", turn, 60.0, -25.0, angle)
    x, y = np.array([0.0, 10.0, 333.0]), np.array([5.0, -40.0, 80.0])
    for a, b in zip(kind.on_lower(upper, *kind.on_upper(upper, x, y)), (x, y), strict=True):
        np.testing.assert_allclose(a, b, atol=1e-9)


# -- limits need something to be held against


def one_sided(kind: Kind, at: list[tuple[float, float, float]]) -> Setting:
    """Stacks of 20 mm and so many µm that go."""
    readings = tuple(
        Reading(f"limits[{i}]", "gaps", x, y, low=Typed(20 + g / 1e3, "mm")) for i, (x, y, g) in enumerate(at)
    )
    return Setting("limits", kind, readings, instrument="blocks")


def test_limits_of_a_lay_up_without_values_are_held_against_nothing() -> None:
    """One-sided stacks alone do not tell how the pair lay, so they are no suspects, and the result says why."""
    job = both_ends(crowned(np.random.default_rng(4)), None)
    job = replace(
        job, settings=(*job.settings, one_sided(LayUp("P", "Q", "over"), [(0, 0, 0), (300, 0, 500), (600, 0, 0)]))
    )
    net = network(job)
    assert not screen(net).suspects
    assert "limits[0]" not in net.rows.reading_ids
    assert any("limits[0] and 2 more" in note for note in net.notes)


def test_limits_off_the_line_that_was_read_wait() -> None:
    """Values on one line tell no tilt across: limits on that line are checked, those beside it are not."""
    wide = (edge("P", lines=(-15, 0, 15)), edge("Q", lines=(-15, 0, 15)))
    kind = LayUp("P", "Q", "over")
    job = with_readings(
        job_of(*wide, kit=(FEEL,)), kind, "gaps", nodes_of(wide[0]), lambda x, y: 20_000.0,
        key="gap_mm", unit="mm", instrument="blocks",
    )  # fmt: skip
    on_line = tuple(
        Reading(f"value {x:g}", "gaps", x, 15.0, key="gap_mm", value=Typed(20.0, "mm")) for x in (0.0, 600.0)
    )
    limits = one_sided(kind, [(300, 15, 90), (300, -15, 90)])
    net = network(replace(job, settings=(*job.settings, replace(limits, readings=on_line + limits.readings))))
    assert "limits[0]" in net.rows.reading_ids
    assert "limits[1]" not in net.rows.reading_ids
    assert [s.reading for s in screen(net).suspects] == ["limits[0]"]


def test_limits_change_no_result() -> None:
    """What touching faces may not do moves no height and no sigma."""
    rng = np.random.default_rng(5)
    job = both_ends(crowned(rng), rng)
    free = replace(
        job,
        settings=tuple(
            replace(s, geometry=LayUp("P", "Q", "over"), name=f"attitude {i}") for i, s in enumerate(job.settings)
        ),
    )
    for name in ("P", "Q"):
        for a, b in zip(told(solved(job), name), told(solved(free), name), strict=True):
            np.testing.assert_array_equal(a, b)
