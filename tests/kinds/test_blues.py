"""Blue marks: what they say, and that more blue never makes a face look better."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import pytest

from tests.kinds.worlds import (
    BLOCKS,
    DIAL,
    Truth,
    edge,
    height,
    job_of,
    nodes_of,
    random_truth,
    solved,
    with_readings,
)
from waywright.core.adjust.network import network
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.job import Job, Reading, Setting
from waywright.core.evidence.rows import EQUAL, Equations, Influence, Site
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.readings import Blue, LayUp, Run
from waywright.core.readings.bearing import bearing
from waywright.core.readings.blue import FILMS_UM

LINES = (-15.0, 15.0)
P, Q = edge("P", lines=LINES), edge("Q", lines=LINES)
TOUCH_UM = 0.3


def lying(truth: Truth, give_um: float = 0.02) -> FloatArray:
    """The true gap at P's nodes, Q rolled over onto it and left to its weight."""
    apart = np.array([-height(P, truth["P"], x, y) - height(Q, truth["Q"], x, -y) for x, y in nodes_of(P)])
    return bearing(P.x_mm, P.y_mm, apart, np.full(14, 1 / 14), give_um)[1]


def marks(gap_um: FloatArray, film_um: float) -> list[str]:
    """What shows: metal where the faces touch whatever the film, blue within it, nothing beyond."""
    return ["bright" if g <= TOUCH_UM else "blue" if g < film_um else "bare" for g in gap_um]


def blued(job: Job, kind: Blue, seen: list[str], at: list[tuple[float, float]] | None = None) -> Job:
    """`job` and one bluing, a mark at every node of P."""
    readings = tuple(
        Reading(f"blues[0].readings[{i}]", "readings", x, y, mark=mark)
        for i, ((x, y), mark) in enumerate(zip(at or nodes_of(P), seen, strict=True))
    )
    return replace(job, settings=(*job.settings, Setting("blues[0]", kind, readings)))


def known(names: tuple[str, ...], truth: Truth, u_um: float = 0.2) -> Job:
    """Faces read by an indicator on a perfect guide."""
    job = job_of(P, Q, kit=(replace(DIAL, u_um=u_um), BLOCKS))
    for name in names:
        face = job.faces()[name]
        job = with_readings(
            job, Run(name), "readings", nodes_of(face), lambda x, y, f=face: height(f, truth[f.name], x, y),
            key="um", unit="µm", instrument="dial",
        )  # fmt: skip
    return job


def sigmas(job: Job) -> FloatArray:
    """(28,) of both faces at all nodes; 1 mm and more where nothing is read."""
    solution = solved(job)
    found = []
    for name in ("P", "Q"):
        face = solution.face(name, 0)
        sigma = np.full(14, 1e4)
        if face is not None:
            sigma[face.unknown.nodes] = solution.height_sigmas(face)
        found.append(sigma)
    return np.concatenate(found)


def scene(seed: int) -> tuple[Truth, FloatArray]:
    """Two faces that bear here and there, and their gap."""
    truth = random_truth(job_of(P, Q), np.random.default_rng(seed), 1.5)
    return truth, lying(truth)


@pytest.mark.parametrize("read", [(), ("Q",), ("P", "Q")])
def test_more_blue_never_improves_what_is_known(read: tuple[str, ...]) -> None:
    """The same metal blued again and again with twice the film: no sigma of any node ever falls."""
    turned = 0
    for seed in range(15):
        truth, gap = scene(seed)
        films = [0.5, 1.0, 2.0, 4.0, 8.0, 16.0]
        seen = [marks(gap, film) for film in films]
        turned += seen[0] != seen[-1]
        found = [
            sigmas(blued(known(read, truth), Blue("P", "Q", "over", carried="upper", film_um=film), s))
            for film, s in zip(films, seen, strict=True)
        ]
        for thin, thick in itertools.pairwise(found):
            assert np.all(thick >= thin * (1 - 1e-6) - 1e-4)
    assert turned >= 12  # bare places did turn blue


@dataclass(frozen=True)
class BlueAsValue(Blue):
    """What is not done: blue taken as a gap of half the film ± film/√12."""

    def equations(self, setting: Setting, site: Site) -> Equations:
        found = super().equations(setting, site)
        half = np.array([r.mark == "blue" for r in found.readings])
        assert found.sense is not None
        return replace(
            found,
            value_um=np.where(half, self.thickness_um / 2, found.value_um),
            sense=np.where(half, EQUAL, found.sense),
            noise_um2={Influence("blue"): np.where(half, self.thickness_um**2 / 12, sum(found.noise_um2.values()))},
        )


def test_blue_taken_as_a_value_would_reward_more_blue() -> None:
    """Why a blue mark is a limit: as a value of half the film it lowers sigmas when bare places turn blue, by far."""
    truth, gap = scene(0)
    thin, thick = (
        sigmas(
            blued(known(("Q",), truth), BlueAsValue("P", "Q", "over", carried="upper", film_um=film), marks(gap, film))
        )
        for film in (1.0, 8.0)
    )
    assert np.min(thick / thin) < 0.1


def test_bright_places_are_gaps_of_nothing() -> None:
    """Where metal touched, P is Q's negative: with Q known P comes out there within its sigma."""
    errors = []
    for seed in range(40):
        truth, gap = scene(seed)
        job = blued(known(("Q",), truth, 0.05), Blue("P", "Q", "over", carried="upper", film="thin"), marks(gap, 1.0))
        solution = solved(job)
        face = solution.face("P", 0)
        if face is None or len(face.x_mm) < 5:
            continue
        wanted = truth["P"][face.unknown.nodes]
        wanted = wanted - face.plane @ (face.plane.T @ wanted)
        sigma = solution.height_sigmas(face)
        several = sigma > 1e-3  # three nodes lie in their own plane
        errors.append((solution.heights_um(face) - wanted)[several] / sigma[several])
    together = np.concatenate(errors)
    assert len(together) >= 40
    assert np.mean(np.abs(together) < 2) > 0.93


@pytest.mark.parametrize(
    ("mark", "gap", "doubted"),
    [("bare", 0.0, True), ("bare", 9.0, False), ("blue", 30.0, True), ("blue", 2.0, False)],
)
def test_blue_and_bare_are_held_against_the_result(mark: str, gap: float, doubted: bool) -> None:
    """A bare place where the faces touch, or a blue one 30 µm apart, is a suspect; one that fits is not."""
    truth = {"P": np.zeros(14), "Q": np.zeros(14)}
    truth["P"][6] -= gap  # a hollow at x = 300, y = −15
    seen = ["bright"] * 14
    seen[6] = mark
    job = blued(known(("P", "Q"), truth), Blue("P", "Q", "over", carried="upper", film="heavy"), seen)
    found = screen(network(job)).suspects
    assert [s.reading for s in found] == (["blues[0].readings[6]"] if doubted else [])
    assert all(s.doubt and s.doubt.words.startswith(f"is {mark}, and the others say") for s in found)


def test_blue_and_bare_alone_move_nothing() -> None:
    """Without a bright place a bluing adds no row, and says that nothing can be held against it yet."""
    job = blued(job_of(P, Q), Blue("P", "Q", "over", carried="upper"), ["blue", "bare"] * 7)
    net = network(job)
    assert len(net.rows.value_um) == 0
    assert any("blues[0].readings[0] and 13 more" in note for note in net.notes)


@pytest.mark.parametrize("turn", ["over", "end for end"])
def test_marks_lie_on_the_face_that_did_not_carry_the_blue(turn: str) -> None:
    """With the lower blued the marks show on the upper and are told at its x, y: the same rows as told on the lower."""
    on_p = [(100.0, 15.0), (500.0, -15.0), (300.0, 15.0)]
    on_q = [(x, -y) if turn == "over" else (600.0 - x, y) for x, y in on_p]
    seen = ["bright"] * 3
    told_on_p = network(blued(job_of(P, Q), Blue("P", "Q", turn, carried="upper"), seen, on_p)).rows
    told_on_q = network(blued(job_of(P, Q), Blue("P", "Q", turn, carried="lower"), seen, on_q)).rows
    assert abs(told_on_p.matrix - told_on_q.matrix).max() < 1e-12


def test_what_a_mark_is_worth() -> None:
    """u² of a bright place: a quarter of the film, the rub on its slope/√3, and contact; film and rub by name."""
    kind = Blue("P", "Q", "over", carried="upper", film_um=4.0, rub_mm=12.0, slope_um_per_m=50.0)
    net = network(blued(job_of(P, Q), kind, ["bright"] * 14))
    row = net.rows.reading_ids.index("blues[0].readings[3]")
    assert net.rows.u_um[row] ** 2 == pytest.approx(1.0**2 + (0.6**2) / 3 + 0.3**2)
    assert set(map(str, net.rows.noise_um2)) == {"blue, film", "blue, rub", "blue, contact"}
    assert net.rows.instruments == ("blue",)


def test_rubbing_further_is_never_worth_more() -> None:
    """Smeared further, no node is known better."""
    truth, gap = scene(3)
    found = [
        sigmas(blued(known(("Q",), truth), Blue("P", "Q", "over", carried="upper", rub_mm=rub), marks(gap, 3.0)))
        for rub in (0.0, 5.0, 50.0)
    ]
    for less, more in itertools.pairwise(found):
        assert np.all(more >= less * (1 - 1e-6) - 1e-6)


def test_films_by_name_grow() -> None:
    """Thin, normal and heavy films are named in that order of thickness, and film_um replaces the name's guess."""
    assert list(FILMS_UM.values()) == sorted(FILMS_UM.values())
    assert Blue("P", "Q", "over", carried="upper", film="heavy", film_um=2.0).thickness_um == 2.0
    assert Blue("P", "Q", "over", carried="upper", film="heavy").thickness_um == FILMS_UM["heavy"]


def test_a_blued_pair_on_a_plate_at_an_angle() -> None:
    """On plates laid at an angle marks of the upper are met where they lie on the lower."""
    lower = Face("L", 600.0, 600.0, (0.0, 300.0, 600.0), (-300.0, 0.0, 300.0))
    upper = Face("U", 300.0, 300.0, (0.0, 150.0, 300.0), (-150.0, 0.0, 150.0))
    kind = Blue("L", "U", "over", 200.0, 0.0, 20.0, carried="lower")
    x, y = kind.on_lower(upper, np.array([150.0]), np.array([40.0]))
    reading = Reading("m", "readings", 150.0, 40.0, mark="bright")
    site_job = replace(job_of(lower, upper), settings=(Setting("blues[0]", kind, (reading,)),))
    terms = kind.equations(site_job.settings[0], Site(site_job, site_job.settings[0], (reading,))).heights
    assert (terms[0].x_mm[0], terms[0].y_mm[0]) == (pytest.approx(x[0]), pytest.approx(y[0]))
    assert (terms[1].x_mm[0], terms[1].y_mm[0]) == (pytest.approx(150.0), pytest.approx(40.0))


def test_gaps_and_marks_agree() -> None:
    """A pair read by gaps and blued, the marks as they must be: no suspect, in either turn."""
    for seed in range(10):
        truth, gap = scene(seed)
        job = known((), truth)
        job = with_readings(
            job, LayUp("P", "Q", "over"), "gaps", nodes_of(P),
            lambda x, y, t=truth: 20_000 - height(P, t["P"], x, y) - height(Q, t["Q"], x, -y),
            key="gap_mm", unit="mm", instrument="blocks",
        )  # fmt: skip
        job = blued(job, Blue("P", "Q", "over", carried="upper"), marks(gap, 3.0))
        assert not screen(network(job)).suspects
