"""How a piece bends in a setting is in every row that speaks of it, whatever the kind of reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from tests.jobs import TWO
from tests.kinds.test_kinds_in_job_files import BLOCKS, HEAD
from tests.simulate import bench, edge, read, round_of
from waywright.core.adjust.network import network
from waywright.core.evidence.bends import Attitude, Bend, Given
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.things import Face, FloatArray
from waywright.core.next.reading_plan import ReadingPlan, candidates
from waywright.core.readings import KINDS, LayUp
from waywright.core.report import report
from waywright.jobfile import loads
from waywright.units import METRIC


def bumps(face: Face, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """Some µm at each station, its own for each face, linear between."""
    rng = np.random.default_rng([ord(c) for c in face.name])
    return np.asarray(np.interp(x_mm, face.stations_mm, rng.normal(0.0, 3.0, len(face.stations_mm))))


def everywhere(label: str | None, prior: float = 2.0) -> Given:
    """Every piece bends alike in every setting."""

    def bends(job: Job, setting: Setting) -> Sequence[Bend]:
        return [Bend(piece.name, bumps, label and f"{label} of {piece.name}", prior) for piece in job.pieces]

    return Given(bends=bends)


def every_job() -> dict[str, str]:
    """A job file of every kind there is."""
    return {**{name: HEAD + text for name, text in BLOCKS.items()}, "crosses": TWO}


@pytest.mark.parametrize("name", every_job())
def test_a_known_bend_is_taken_off_every_reading(name: str) -> None:
    """For every kind: each row's value changes by what its heights would have read of the pattern."""
    job = loads(every_job()[name])
    plain, bent = network(job), network(job, everywhere(None))
    pattern = np.zeros(plain.rows.matrix.shape[1])
    for unknown in plain.unknowns:
        if unknown.face is not None and unknown.face.name in job.faces():
            pattern[unknown.columns] = bumps(unknown.face, unknown.face.x_mm, unknown.face.y_mm)
    expected = plain.rows.value_um - plain.rows.matrix @ pattern
    assert np.abs(bent.rows.value_um - expected).max() < 1e-9
    assert np.abs(bent.rows.value_um - plain.rows.value_um).max() > 0.1
    assert (bent.rows.matrix != plain.rows.matrix).nnz == 0


@pytest.mark.parametrize("name", every_job())
def test_an_unknown_bend_has_a_column_in_every_reading(name: str) -> None:
    """For every kind: the named unknown of a piece has in each row what the heights would have read of its pattern."""
    job = loads(every_job()[name])
    plain, bent = network(job), network(job, everywhere("warmth"))
    found = {u.label: u for u in bent.unknowns if str(u.label).startswith("warmth")}
    total = np.zeros(plain.rows.matrix.shape[0])
    for unknown in found.values():
        assert unknown.prior_um == 2.0
        total += np.asarray(bent.rows.matrix[:, [unknown.columns.start]].todense()).ravel()
    pattern = np.zeros(plain.rows.matrix.shape[1])
    for unknown in plain.unknowns:
        if unknown.face is not None and unknown.face.name in job.faces():
            pattern[unknown.columns] = bumps(unknown.face, unknown.face.x_mm, unknown.face.y_mm)
    assert np.abs(total - plain.rows.matrix @ pattern).max() < 1e-9
    np.testing.assert_array_equal(bent.rows.value_um, plain.rows.value_um)


def test_every_kind_there_is_was_tried() -> None:
    """The jobs above hold every kind."""
    assert {s.geometry.block for text in every_job().values() for s in loads(text).settings} == set(KINDS)


def bow(face: Face, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """1 µm lower in the middle than at the ends."""
    return (2 * x_mm / face.length_mm - 1) ** 2


def sagging(um: float, label: str | None = None, prior: float = 1.0) -> Given:
    """The lower of every lay-up sags by `um` and the upper, face down, the other way."""

    def bends(job: Job, setting: Setting) -> Sequence[Bend]:
        found = []
        piece = {face.name: p.name for p in job.pieces for face in p.faces}
        for stood in setting.geometry.attitudes(job, setting):
            way = um * np.cos(np.radians(stood.turned_deg))
            found.append(Bend(piece[stood.face], lambda f, x, y, way=way: way * bow(f, x, y), label, prior))
        return found

    return Given(bends=bends)


def test_with_its_sag_known_the_true_shape_comes_out() -> None:
    """Three edges of which the lower sags by 9 µm and the upper, upside down, rises by as much in its own frame, read
    as they bent: told so, the shapes are those of the unloaded edges; not told, they are crowned or hollow by more."""
    faces = [edge(name, 600.0, 7) for name in "PQR"]
    rng = np.random.default_rng(4)
    job = round_of(faces, ("over", "end for end"), u_um=0.3)
    truth = {name: rng.normal(0.0, 3.0, 7) for name in "PQR"}
    taken = [
        read(replace(job, settings=(one,)), {
            name: heights + (9.0 if name == one.geometry.lower else -9.0 if name == one.geometry.upper else 0.0)
            * bow(faces[0], faces[0].x_mm, faces[0].y_mm)
            for name, heights in truth.items()
        }, rng).job.settings[0]
        for one in job.settings
        if isinstance(one.geometry, LayUp)
    ]  # fmt: skip
    done = replace(job, settings=tuple(taken))
    line = np.column_stack([np.ones(7), faces[0].x_mm])

    def off(given: Given) -> float:
        shapes = report(done, with_cures=False, bends=given.bends).shapes
        true = {n: h - line @ np.linalg.lstsq(line, h, rcond=None)[0] for n, h in truth.items()}
        return max(float(np.abs(s.height_um - true[s.face]).max()) for s in shapes)

    assert off(sagging(9.0)) < 1.0
    # Equal lower and upper bends cancel in every pair; a lower that bends more than the upper does not.
    half = Given(bends=lambda j, s: sagging(9.0).bends(j, s)[:1])
    assert off(half) > 2.0


def test_an_unknown_bend_is_a_line_of_the_budget_and_candidates_know_it() -> None:
    """A sag known to 5 µm makes heights less sure, has a share of the variance by its name, and a reading not yet taken
    is worth less where it is bent by it."""
    faces = [edge(name, 600.0, 7) for name in "PQR"]
    job = round_of(faces, ("over",), u_um=0.3)
    job = read(job, {name: np.zeros(7) for name in "PQR"}, np.random.default_rng(1)).job

    def own(given_job: Job, setting: Setting) -> Sequence[Bend]:  # only the lower, so that nothing cancels
        return list(sagging(1.0, "sag", 5.0).bends(given_job, setting)[:1])

    stiff, soft = report(job), report(job, bends=own)
    assert all(b.sigma_um.max() > 1.5 * a.sigma_um.max() for a, b in zip(stiff.shapes, soft.shapes, strict=True))
    shares = {s.name: s.share for s in soft.budget if s.face == "P"}
    assert shares["sag"] > 0.5
    plans = [ReadingPlan(job, "PQR", True, 0.5, given=given) for given in (stiff.given, soft.given)]
    offers = [{o.candidate.words(METRIC): o for o in plan.offers(candidates(job, [LayUp]))} for plan in plans]
    words = next(w for w in offers[0] if "marks opposite" in w)
    assert offers[1][words].worst_um[1] > 2 * offers[0][words].worst_um[1]


def test_a_kind_says_how_its_pieces_stood() -> None:
    """A lay-up's lower looks up; its upper looks down and stands on its spacers, told in its own frame."""
    job = loads(HEAD + BLOCKS["slides"])
    lower, upper = job.settings[0].geometry.attitudes(job, job.settings[0])
    assert lower == Attitude("P")
    assert (upper.face, upper.turned_deg, upper.on) == ("Q", 180.0, "P")
    assert upper.rests_mm == ((600.0, -15.0), (0.0, -15.0))  # end for end


def test_bends_of_other_pieces_do_nothing() -> None:
    """A bend of a piece that a setting does not speak of changes no row."""
    job = round_of([edge(name, 600.0, 7) for name in "PQ"])
    other = Given(bends=lambda j, s: [Bend("R", bumps), Bend("R", bumps, "never")])
    job = read(job, {name: np.zeros(7) for name in "PQ"}, np.random.default_rng(1)).job
    assert (network(job, other).rows.value_um == network(job).rows.value_um).all()
    assert bench([]).pieces == ()
