"""Marks of a pair whose tilt no value tells: held together against there being a way for the faces to lie."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import nnls

from tests.kinds.worlds import BLOCKS, DIAL, Truth, edge, height, job_of, nodes_of, solved, with_readings
from waywright.core.adjust.feasible import impossible
from waywright.core.adjust.network import network
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.things import FloatArray
from waywright.core.readings import Blue, LayUp, Run
from waywright.core.readings.bearing import bearing
from waywright.views.findings import suspect_words
from waywright.views.numbers import METRIC

P, Q = edge("P", lines=(-15.0, 15.0)), edge("Q", lines=(-15.0, 15.0))
U_UM = 0.2
FILM_UM = 2.0
Marks = list[tuple[tuple[float, float], str]]


def known(truth: Truth, rng: np.random.Generator | None = None) -> Job:
    """Both faces run by an indicator on a perfect guide."""
    job = job_of(P, Q, kit=(replace(DIAL, u_um=U_UM), BLOCKS))
    for face in (P, Q):
        job = with_readings(
            job, Run(face.name), "readings", nodes_of(face), lambda x, y, f=face: height(f, truth[f.name], x, y),
            key="um", unit="µm", instrument="dial", noise=None if rng is None else rng.normal(0, U_UM, 14),
        )  # fmt: skip
    return job


def marked(job: Job, marks: Marks) -> Job:
    """`job` and one bluing with these marks on P."""
    readings = tuple(Reading(f"{mark} at {x:g}/{y:g}", "readings", x, y, mark=mark) for (x, y), mark in marks)
    kind = Blue("P", "Q", "over", carried="upper", film_um=FILM_UM)
    return replace(job, settings=(*job.settings, Setting("blues[0]", kind, readings)))


def bowed(by_um: float) -> Truth:
    """P higher or lower by so much at its ends than in the middle; Q true."""
    return {"P": by_um * (2 * P.x_mm / 600 - 1) ** 2, "Q": np.zeros(14)}


MIDDLE, MARKED, FAR = (300.0, -15.0), (0.0, -15.0), (600.0, -15.0)
IMPOSSIBLE: dict[str, tuple[float, Marks, set[str]]] = {
    "a single bright mark in a hollow": (20.0, [(MIDDLE, "bright")], {"bright at 300/-15"}),
    "and bare beside it": (20.0, [(MIDDLE, "bright"), (MARKED, "bare")], {"bright at 300/-15"}),
    "a crown bright at one end and blue at the other": (
        -20.0,
        [(MARKED, "bright"), (MIDDLE, "bare"), (FAR, "blue")],
        {"bright at 0/-15", "blue at 600/-15"},
    ),
}


@pytest.mark.parametrize("case", IMPOSSIBLE)
def test_marks_that_no_way_to_lie_allows_are_doubted(case: str) -> None:
    """A pair known 20 µm hollow cannot shine in its middle, nor one known as crowned come as near as a film at one end
    while it touches at the other, for the middles would cross: told in words, with what would explain it as well, and
    without the bare mark that explains nothing."""
    bow, marks, names = IMPOSSIBLE[case]
    (found,) = screen(network(marked(known(bowed(bow)), marks))).suspects
    assert {found.reading, *found.like} == names
    assert found.standardised > 10
    assert suspect_words(found, METRIC).endswith("however the faces lie")


@pytest.mark.parametrize(
    ("bow", "marks"),
    [
        (-20.0, [(MIDDLE, "bright"), (MARKED, "bare"), (FAR, "bare")]),
        (20.0, [(MARKED, "bright"), (MIDDLE, "bare"), (FAR, "blue")]),
        (-20.0, [(MARKED, "bright"), (MIDDLE, "bare"), (FAR, "bare")]),  # tipped on its marked end
        (20.0, [(MIDDLE, "bare"), (FAR, "blue")]),
    ],
)
def test_marks_that_some_way_to_lie_allows_are_left(bow: float, marks: Marks) -> None:
    """However odd, marks that a lift and a tilt can explain are no suspects."""
    assert not screen(network(marked(known(bowed(bow)), marks))).suspects


def test_two_bare_spots_and_the_bright_one_that_explains_both() -> None:
    """Two marks that each contradict the same bright one: it alone is named."""
    marks: Marks = [(MIDDLE, "bright"), (MARKED, "bare"), (FAR, "bare"), ((300.0, 15.0), "bare")]
    (found,) = screen(network(marked(known(bowed(20.0)), marks))).suspects
    assert (found.reading, found.like) == ("bright at 300/-15", ())


def test_faces_that_are_not_known_forbid_nothing() -> None:
    """With one face unread, or read and blind to its bow, a bright mark anywhere is possible."""
    truth = bowed(20.0)
    one = replace(known(truth), settings=known(truth).settings[:1])
    assert not screen(network(marked(one, [(MIDDLE, "bright")]))).suspects
    ends = job_of(P, Q, kit=(replace(DIAL, u_um=U_UM), BLOCKS))
    for face in (P, Q):  # each run on a guide of its own, whose path is not known
        ends = with_readings(
            ends, Run(face.name, f"table {face.name}"), "readings", nodes_of(face),
            lambda x, y, f=face: height(f, truth[f.name], x, y), key="um", unit="µm", instrument="dial",
        )  # fmt: skip
    assert not screen(network(marked(ends, [(MIDDLE, "bright")]))).suspects


def lies_um(truth: Truth, marks: Marks) -> float:
    """By how much the marks contradict the true faces, µm: 0 where a lift and tilt allow them all. By nonnegative least
    squares on the sum of squares of what each falls short (the dual of the program under test is never formed)."""
    x, y = (np.array([*(at[i] for at, _ in marks), *place]) for i, place in enumerate((P.x_mm, P.y_mm)))
    apart = -np.array([height(P, truth["P"], a, b) + height(Q, truth["Q"], a, -b) for a, b in zip(x, y, strict=True)])
    level = np.column_stack([np.ones_like(x), x / 600, y / 15])
    least = np.array([{"bright": 0.0, "bare": FILM_UM / 2, "blue": -np.inf}[m] for _, m in marks] + [0.0] * 14)
    most = np.array([{"bright": 0.0, "bare": np.inf, "blue": 2 * FILM_UM}[m] for _, m in marks] + [np.inf] * 14)
    rows = np.concatenate([level[np.isfinite(least)], -level[np.isfinite(most)]])
    want = np.concatenate([(least - apart)[np.isfinite(least)], (apart - most)[np.isfinite(most)]])
    # rows·q + slack − surplus: q in two parts, minimise the shortfall
    count = len(want)
    left = np.column_stack([rows, -rows, -np.eye(count)])
    answer, _ = nnls(left, want, maxiter=10_000)
    return float(np.max(want - rows @ (answer[:3] - answer[3:6])))


def test_it_agrees_with_another_way_to_ask() -> None:
    """Marks put at random on random faces: doubted where a least-squares search finds them more than 4 µm from any way
    to lie, and left where it finds them less than 0.3 µm from one."""
    rng = np.random.default_rng(11)
    sure = {True: 0, False: 0}
    while min(sure.values()) < 12:
        truth = {name: rng.normal(0, 8.0, 14) for name in ("P", "Q")}
        at = rng.choice(14, 4, replace=False)
        marks = [(nodes_of(P)[i], str(rng.choice(["blue", "bare"]))) for i in at[1:]]
        marks.insert(0, (nodes_of(P)[at[0]], "bright"))
        short = lies_um(truth, marks)
        if 0.3 < short < 4.0:
            continue
        found = bool(screen(network(marked(known(truth), marks))).suspects)
        assert found == (short >= 4.0), (short, marks)
        sure[found] += 1


def test_a_clean_job_is_left_in_peace() -> None:
    """Pairs as they really lie, read with noise, one bright mark and blue or bare wherever it must be: none doubted in
    60 (5 % of jobs may be)."""
    doubted = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        truth = {name: rng.normal(0, 2.0, 14) for name in ("P", "Q")}
        apart = np.array([-height(P, truth["P"], x, y) - height(Q, truth["Q"], x, -y) for x, y in nodes_of(P)])
        gap: FloatArray = bearing(P.x_mm, P.y_mm, apart, np.full(14, 1 / 14), 0.02)[1]
        seen = ["bright" if g <= 0.3 else "blue" if g < FILM_UM else "bare" for g in gap]
        bright = rng.choice([i for i, m in enumerate(seen) if m == "bright"])
        kept = [i for i, m in enumerate(seen) if m != "bright" or i == bright]
        marks = [(nodes_of(P)[i], seen[i]) for i in kept]
        doubted += bool(screen(network(marked(known(truth, rng), marks))).suspects)
    assert doubted <= 3


def test_stacks_tried_one_way_are_held_together_too() -> None:
    """A pair known 20 µm hollow, no stack of which dragged: 20.010 mm goes at both ends and 20.005 mm stops in the
    middle, which no tilt allows."""
    goes, stops = Typed(20.010, "mm"), Typed(20.005, "mm")
    readings = (
        Reading("at 0", "gaps", 0.0, -15.0, low=goes),
        Reading("at 600", "gaps", 600.0, -15.0, low=goes),
        Reading("at 300", "gaps", 300.0, -15.0, high=stops),
    )
    job = known(bowed(20.0))
    job = replace(job, settings=(*job.settings, Setting("lay", LayUp("P", "Q", "over"), readings, instrument="blocks")))
    (found,) = screen(network(job)).suspects
    assert {found.reading, *found.like} == {"at 0", "at 300", "at 600"}
    clean = replace(job, settings=(*job.settings[:2], replace(job.settings[2], readings=readings[:2])))
    assert not screen(network(clean)).suspects
    assert not impossible(network(clean), solved(clean), (), 3.0)
