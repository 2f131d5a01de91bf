"""Known results of small networks, the dense answer to any network, and uncertainties by independent references."""

from __future__ import annotations

import itertools
from dataclasses import replace

import GTC
import numpy as np
import pytest
from uncertainties import ufloat

from tests.simulate import STACKS, Mix, bench, drawn, edge, planned_gaps, planned_slopes, read, round_of, simulated
from waywright.core.adjust.columns import orthonormal
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Heights, Solution
from waywright.core.evidence.job import Job, Reading, Setting, Typed
from waywright.core.evidence.rows import Influence
from waywright.core.evidence.things import FloatArray, Instrument, Piece
from waywright.core.readings import Cross, LayUp, Step, Thickness


def solved(job: Job) -> Solution:
    """The readings of a job that are equations, every instrument as good as it claims."""
    net = network(job)
    return Solution(net.unknowns, net.rows.take(np.flatnonzero(net.rows.sense == 0)))


def face(solution: Solution, name: str, state: int = 0) -> Heights:
    found = solution.face(name, state)
    assert found is not None
    return found


def unit(f: Heights, shape: FloatArray) -> FloatArray:
    """(n, 1) a shape without the face's plane, its squares adding up to 1."""
    return orthonormal(shape[:, None], f.plane)


EDGES = [edge(name) for name in "PQR"]
S = np.linspace(-1, 1, 7)


def test_three_edges_formula() -> None:
    """z1 = (m12 + m13 − m23)/2 for gaps m = −(z_i + z_j) about their own lines (derived; checks of networks)."""
    job = simulated(round_of(EDGES), seed=1).job
    solution = solved(job)
    line = face(solution, "P").plane
    gap = {}
    for setting in job.settings:
        values = np.array([r.value.to("µm") for r in setting.readings])  # type: ignore[union-attr]
        gap[setting.geometry.faces()] = values - line @ (line.T @ values)
    expected = -(gap["P", "Q"] + gap["P", "R"] - gap["Q", "R"]) / 2
    # The prior of 1 mm on a shape pulls by a millionth.
    np.testing.assert_allclose(solution.heights_um(face(solution, "P")), expected, rtol=0, atol=1e-4)


@pytest.mark.parametrize("u_um", [0.3, 1.0, 4.0])
def test_three_edges_uncertainty(u_um: float) -> None:
    """Marks together on one line, a unit bow or S has u = √3/2 of a gap's, a node √3/2·√(1 − its leverage)."""
    solution = solved(round_of(EDGES, u_um=u_um))
    for f in solution.faces:
        for shape in (S**2, S**3):
            assert solution.sigma(solution.spread(f, unit(f, shape)))[0] == pytest.approx(0.8660254 * u_um, rel=2e-5)
        leverage = 1 / 7 + S**2 / (S @ S)
        expected = np.sqrt(0.75 * (1 - leverage)) * u_um
        np.testing.assert_allclose(solution.height_sigmas(f), expected, rtol=2e-5)


@pytest.mark.parametrize(("power", "expected"), [(2, 0.6123724), (4, 0.6123724), (3, 0.5), (5, 0.5)])
def test_both_turns_uncertainty(power: int, expected: float) -> None:
    """In both turns a unit shape even along has √(3/8) = 0.6124 of a gap's u, an odd one 0.5 (derived)."""
    solution = solved(round_of(EDGES, ("over", "end for end")))
    for f in solution.faces:
        assert solution.sigma(solution.spread(f, unit(f, S**power)))[0] == pytest.approx(expected, rel=2e-5)


@pytest.mark.parametrize("n", [2, 6, 10])
def test_equal_steps(n: int) -> None:
    """n equal steps, end points taken out: var(h_k) = s²·k(n − k)/n; n = 10: 0.949, 1.265, 1.449, 1.549, 1.581 s."""
    base_mm, u = 100.0, 4.0
    job = planned_slopes(bench([edge("P", n * base_mm, n + 1)]), Step("P", base_mm), np.arange(n) * base_mm)
    solution = solved(job)
    k = np.arange(n + 1)
    weights = np.eye(n + 1)
    weights[0] -= (n - k) / n
    weights[n] -= k / n
    found = solution.sigma(solution.spread(face(solution, "P"), weights)) / (u * base_mm / 1e3)
    np.testing.assert_allclose(found, np.sqrt(k * (n - k) / n), rtol=1e-5, atol=1e-9)
    if n == 10:
        assert np.round(found[1:6], 3).tolist() == [0.949, 1.265, 1.449, 1.549, 1.581]


def test_level_on_short_feet() -> None:
    """A level of 4 µm/m on 30 mm feet, each seated to 0.5 µm, has u = √(4² + 2·(0.5/0.030)²) = 23.9 µm/m."""
    job = planned_slopes(bench([edge("P", lines_mm=(-15, 15))]), Cross("P", 30.0), [0.0, 300.0], seat_um=0.5)
    assert solved(job).rows.u_um / 0.030 == pytest.approx([23.9072, 23.9072], abs=1e-4)


# -- against independent references


def bows(job: Job) -> dict[tuple[str, ...], list[float]]:
    """Each lay-up's readings in µm, by its faces."""
    return {s.geometry.faces(): [r.value.to("µm") for r in s.readings] for s in job.settings}  # type: ignore[union-attr]


def test_three_stations_against_uncertainties() -> None:
    """Of three edges read at three stations, heights and sigmas are what the package uncertainties propagates."""
    faces = [edge(name, 400.0, 3) for name in "PQR"]
    job = simulated(round_of(faces, u_um=0.7), seed=5).job
    hollow = {}
    for pair, gaps in bows(job).items():
        near, middle, far = (ufloat(g, 0.7) for g in gaps)
        hollow[pair] = middle - (near + far) / 2
    p = -(hollow["P", "Q"] + hollow["P", "R"] - hollow["Q", "R"]) / 2
    # About the least-squares line of three places a middle that stands p proud of the ends reads −p/3, 2p/3, −p/3.
    expected = [-p / 3, 2 * p / 3, -p / 3]
    solution = solved(job)
    f = face(solution, "P")
    np.testing.assert_allclose(solution.heights_um(f), [e.nominal_value for e in expected], rtol=0, atol=1e-4)
    np.testing.assert_allclose(solution.height_sigmas(f), [e.std_dev for e in expected], rtol=1e-5)


def test_shares_against_gtc() -> None:
    """The share of each influence in a height's variance is GTC's budget of the same formula, and they add up to 1."""
    faces = [edge(name, 400.0, 3) for name in "PQR"]
    plan = round_of(faces, u_um=0.7, feel_um=1.5)
    ways = itertools.cycle(["gap_mm", "just_mm", "just_mm"])
    job = simulated(with_keys(plan, ways), seed=6).job
    size, feel = [], []
    hollow = {}
    for setting in job.settings:
        gaps = []
        for reading in setting.readings:
            size.append(GTC.ureal(0.0, 0.7, label="size"))
            feel.append(GTC.ureal(0.0, 1.5 if reading.key == "just_mm" else 0.0, label="feel"))
            gaps.append(reading.value.to("µm") + size[-1] + feel[-1])  # type: ignore[union-attr]
        hollow[setting.geometry.faces()] = gaps[1] - (gaps[0] + gaps[2]) / 2
    middle = -(hollow["P", "Q"] + hollow["P", "R"] - hollow["Q", "R"]) / 2 * 2 / 3
    solution = solved(job)
    f = face(solution, "P")
    weights = solution.spread(f, np.array([[0.0], [1.0], [0.0]]))[:, 0]
    assert solution.sigma(weights) == pytest.approx(GTC.uncertainty(middle), rel=1e-5)
    shares = solution.share(weights)
    assert sum(shares.values()) == pytest.approx(1.0, abs=1e-9)
    for name, parts in (("size", size), ("feel", feel)):
        expected = sum(GTC.component(middle, part) ** 2 for part in parts) / GTC.variance(middle)
        assert shares[Influence(STACKS, name)] == pytest.approx(expected, rel=1e-4)


def with_keys(job: Job, ways: itertools.cycle[str]) -> Job:
    """The job with its gaps read in these ways in turn."""
    settings = (replace(s, readings=tuple(replace(r, key=next(ways)) for r in s.readings)) for s in job.settings)
    return replace(job, settings=tuple(settings))


# -- against the dense problem


def dense(solution: Solution) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of all unknowns by numpy alone: rows, and each piece's prior about its rigid body, as one
    dense matrix; lift and tilt, which nothing holds, by the pseudo-inverse."""
    rows = [solution.rows.matrix.toarray() / solution.rows.u_um[:, None]]
    values = [solution.rows.value_um / solution.rows.u_um]
    width = rows[0].shape[1]
    for body in {f.unknown.body for f in solution.faces}:
        members = [f for f in solution.faces if f.unknown.body == body]
        columns = np.concatenate([np.arange(f.unknown.columns.start, f.unknown.columns.stop) for f in members])
        size = np.concatenate([np.full(len(f.x_mm), f.prior_um) for f in members])
        rigid = np.concatenate([f.unknown.face.rigid(f.x_mm, f.y_mm) for f in members])  # type: ignore[union-attr]
        weighted = orthonormal(rigid / size[:, None])
        prior = np.zeros((len(columns), width))
        prior[:, columns] = (np.eye(len(columns)) - weighted @ weighted.T) / size
        rows.append(prior)
        values.append(np.zeros(len(columns)))
    for unknown in solution.unknowns:
        if unknown.face is None and unknown.prior_um is not None:
            rows.append(np.eye(width)[[unknown.columns.start]] / unknown.prior_um)
            values.append(np.zeros(1))
    matrix = np.vstack(rows)
    scale = np.linalg.norm(matrix, axis=0)
    u, s, vt = np.linalg.svd(matrix / scale, full_matrices=False)
    kept = s > 1e-11 * s[0]
    half = vt[kept].T / s[kept] / scale[:, None]
    return half @ (u[:, kept].T @ np.concatenate(values)), half @ half.T


KINDS = {
    "one pair, blind to half": Mix(faces=(2, 2), lines=(2, 3), stations=(5, 9), turns=("over",)),
    "three faces, both turns, a level": Mix(lines=(1, 4), stations=(5, 15), level=True),
    "uneven, off centre, missing": Mix(lines=(1, 3), stations=(5, 12), uneven=True),
    "unequal, offsets, brackets": Mix(lines=(2, 3), stations=(5, 12), unequal=True, brackets=0.3, level=True),
    "beyond one block of the factor": Mix(lines=(4, 4), stations=(25, 25), turns=("over", "end for end")),
}


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("kind", KINDS)
def test_agrees_with_the_dense_problem(kind: str, seed: int) -> None:
    """Heights agree with dense least squares and an explicit prior to 1e-6 µm, sigmas to 1e-6 of themselves.

    Where a node is blind (its sigma near the prior's) rounding leaves 1e-4: u²/s² is a ten-thousand-millionth there.
    """
    solution = solved(drawn(KINDS[kind], np.random.default_rng(seed)).job)
    mean, covariance = dense(solution)
    for f in solution.faces:
        project = f.about_plane(np.eye(len(f.x_mm)))
        here = f.unknown.columns
        np.testing.assert_allclose(solution.heights_um(f), project @ mean[here], rtol=0, atol=1e-6)
        sigma = np.sqrt(np.diag(project @ covariance[here, here] @ project))
        tolerance = np.where(sigma > 0.05 * f.prior_um, 1e-4, 1e-6)
        for found in (solution.height_sigmas(f), np.sqrt(np.diag(solution.face_covariance(f)))):
            assert np.all(np.abs(found / sigma - 1) < tolerance)


def test_two_faces_of_one_piece_against_the_dense_problem() -> None:
    """Top and bottom of one piece, tied by a micrometer, are one rigid body: heights, sigmas and the taper between them
    are those of the dense problem, the taper √2 of a reading's u where its ends are read once."""
    top, bottom = edge("P", lines_mm=(-15, 15)), replace(edge("P under", lines_mm=(-15, 15)), side="bottom")
    job = planned_gaps(bench([top, edge("Q", lines_mm=(-15, 15))]), LayUp("P", "Q", "over"))
    job = replace(simulated(job, seed=8).job, pieces=(Piece("P", (top, bottom)), *job.pieces[1:]))
    micrometer = Instrument("micrometer", "micrometer", u_um=1.0)
    rng = np.random.default_rng(8)
    sizes = tuple(
        Reading(f"t{i}", "readings", x, y, key="size_mm", value=Typed(60 + rng.normal(0, 0.005), "mm"))
        for i, (x, y) in enumerate(zip(top.x_mm.tolist(), top.y_mm.tolist(), strict=True))
    )
    setting = Setting("thickness", Thickness("P", "P under"), sizes, instrument="micrometer", seat_um=0.0)
    tied = replace(job, instruments=(*job.instruments, micrometer), settings=(*job.settings, setting))
    solution = solved(tied)
    assert len({f.unknown.body for f in solution.faces}) == 2
    mean, covariance = dense(solution)
    for f in solution.faces:
        project, here = f.about_plane(np.eye(14)), f.unknown.columns
        np.testing.assert_allclose(solution.heights_um(f), project @ mean[here], rtol=0, atol=1e-6)
        sigma = np.sqrt(np.diag(project @ covariance[here, here] @ project))
        np.testing.assert_allclose(solution.height_sigmas(f), sigma, rtol=1e-5)
    taper = np.zeros(len(mean))
    for name in ("P", "P under"):
        columns = face(solution, name).unknown.columns
        taper[columns.start], taper[columns.stop - 2] = -1.0, 1.0
    # The bottom is seen rolled over: its first node lies under the top's second line.
    columns = face(solution, "P under").unknown.columns
    taper[columns] = np.roll(taper[columns], 1)
    assert solution.sigma(taper) == pytest.approx(np.sqrt(taper @ covariance @ taper), rel=1e-5)
    assert solution.sigma(taper) == pytest.approx(np.sqrt(2), rel=1e-3)


@pytest.mark.parametrize("kind", ["three faces, both turns, a level", "unequal, offsets, brackets"])
def test_redundancies_and_residual_correlations_agree_with_the_dense_problem(kind: str) -> None:
    """The part of each reading that others check, and which residuals move together, are the dense hat matrix's."""
    solution = solved(drawn(KINDS[kind], np.random.default_rng(3)).job)
    _, covariance = dense(solution)
    weighted = solution.rows.matrix.toarray() / solution.rows.u_um[:, None]
    free = np.eye(len(weighted)) - weighted @ covariance @ weighted.T
    np.testing.assert_allclose(solution.redundancies, np.clip(np.diag(free), 0, 1), rtol=0, atol=1e-6)
    row = int(np.argmax(solution.redundancies))
    sure = solution.redundancies > 0.01
    expected = free[row] / np.sqrt(np.abs(np.diag(free)) * free[row, row])
    np.testing.assert_allclose(solution.residual_correlation(row)[sure], expected[sure], rtol=0, atol=1e-5)


def test_readings_to_spare_add_up() -> None:
    """Redundancies add up to readings less unknowns less what no reading can tell: 3 edges, 42 − 21 − 12 + 6 = 15."""
    solution = solved(round_of(EDGES, ("over", "end for end")))
    assert solution.redundancies.sum() == pytest.approx(15.0, abs=1e-4)


def test_draws_have_the_stated_covariance() -> None:
    """Twenty thousand draws of a face's heights scatter about the mean as the covariance says, and repeat by seed."""
    solution = solved(simulated(round_of([edge("P"), edge("Q"), edge("R")]), seed=2).job)
    f = face(solution, "Q")
    draws = f.about_plane(solution.draws(20_000, seed=4)[f.unknown.columns])
    covariance = solution.face_covariance(f)
    size = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    np.testing.assert_allclose(np.cov(draws) / size, covariance / size, rtol=0, atol=5 * np.sqrt(2 / 20_000))
    assert np.abs(draws.mean(axis=1) - solution.heights_um(f)).max() < 5 * solution.height_sigmas(f).max() / 141
    np.testing.assert_array_equal(solution.draws(3, seed=9), solution.draws(3, seed=9))


def test_prediction_of_a_reading_left_out() -> None:
    """What a reading should say, and how surely, is told by the others: over many jobs the difference is as stated."""
    rng = np.random.default_rng(12)
    plan = round_of([edge(n, stations=5) for n in "PQR"], ("over", "end for end"))
    z = []
    for _ in range(200):
        job = read(plan, {n: rng.normal(0, 5, 5) for n in "PQR"}, rng).job
        net = network(job)
        row = int(rng.integers(len(net.rows.value_um)))
        solution = Solution(net.unknowns, net.rows.take(np.delete(np.arange(len(net.rows.value_um)), row)))
        said, sigma = solution.predict(net.rows.matrix[[row]][:, solution.old_columns])
        z.append((net.rows.value_um[row] - said[0]) / np.hypot(sigma[0], net.rows.u_um[row]))
    assert np.std(z) == pytest.approx(1.0, abs=3.5 / np.sqrt(2 * 200))


def test_readings_are_taken_out_without_solving_again() -> None:
    """From the solution with all readings follows what solving without some of them gives: what they should have read
    and how surely, and the residual and redundancy of every other."""
    job = simulated(round_of([edge(n, stations=5) for n in "PQR"], ("over", "end for end")), seed=5).job
    net, whole = network(job), solved(job)
    for gone in ([7], [3, 11, 20]):
        left = np.delete(np.arange(len(net.rows.value_um)), gone)
        without = Solution(net.unknowns, net.rows.take(left))
        said, sigma = without.predict(net.rows.matrix[gone][:, without.old_columns])
        told, u = whole.seen(np.array(gone))[gone], net.rows.u_um[gone]
        spread = told @ np.linalg.inv(np.eye(len(gone)) - told)
        np.testing.assert_allclose(np.sqrt(np.diag(spread)) * u, sigma, rtol=1e-7)
        off = np.linalg.solve(np.eye(len(gone)) - told, whole.residuals[gone])
        np.testing.assert_allclose(net.rows.value_um[gone] - said, off * u, rtol=1e-7)
        if len(gone) == 1:
            follows = whole.residual_covariance(gone[0])
            redundancy = whole.redundancies - follows**2 / follows[gone]
            residual = whole.residuals - follows * off
            np.testing.assert_allclose(np.delete(redundancy, gone), without.redundancies, atol=1e-8)
            np.testing.assert_allclose(np.delete(residual, gone), without.residuals, atol=1e-7)


def test_a_face_without_readings_is_not_there() -> None:
    """A face that no reading touches has no heights and changes nothing for the others."""
    job = simulated(round_of(EDGES), seed=3).job
    lone = bench([*EDGES, edge("lone")])
    both = solved(job), solved(Job(job.title, lone.pieces, job.instruments, job.settings))
    assert both[1].face("lone", 0) is None
    np.testing.assert_array_equal(both[0].heights_um(face(both[0], "P")), both[1].heights_um(face(both[1], "P")))


@pytest.mark.parametrize("turns", [("over",), ("over", "end for end")])
def test_one_unread_end_station_changes_no_sigma(turns: tuple[str, ...]) -> None:
    """Places at the last station that nobody reads leave every sigma at the read ones as it is without that station."""
    longer = [edge(name, 600.0, 7) for name in "PQR"]
    x = np.array(longer[0].stations_mm)
    read_at = x[1:-1] if len(turns) == 2 else x[:-1]
    job = bench(longer)
    for (a, b), turn in itertools.product(itertools.combinations("PQR", 2), turns):
        job = planned_gaps(job, LayUp(a, b, turn), read_at, np.zeros(len(read_at)))
    shorter = Job(job.title, tuple(cut(p, read_at) for p in job.pieces), job.instruments, job.settings)
    one, other = solved(job), solved(shorter)
    for name in "PQR":
        f, g = face(one, name), face(other, name)
        assert f.x_mm.tolist() == read_at.tolist()
        np.testing.assert_allclose(one.height_sigmas(f), other.height_sigmas(g), rtol=1e-9)
        assert one.height_sigmas(f).max() < 1.0


def cut(piece: Piece, stations_mm: FloatArray) -> Piece:
    """The piece with only these stations on its face."""
    return replace(piece, faces=tuple(replace(f, stations_mm=tuple(stations_mm.tolist())) for f in piece.faces))
