"""What is told of a face although a shape of it is not seen: the seen part, the least of a measure, a mean line."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from waywright import jobfile
from waywright.core.evidence.findings import KNOWN_UM, Report, Verdict
from waywright.core.judge.spectrum import spectrum
from waywright.core.judge.zones import minimum_zone_lines
from waywright.core.report import report
from waywright.core.results import seen
from waywright.core.results.seen import least_zones, line_planes, sections, seen_part
from waywright.views.grounds import verdict_why

STATIONS = np.arange(0.0, 601.0, 100.0)
LINES = (-15.0, 15.0)
HEADER = """
[instruments.blocks]
kind = "gauge blocks"
u_um = 0.3
[instruments.level]
kind = "level"
u_um_per_m = 4.0
"""


def blocks_only(
    rng: np.random.Generator, *, goal: str, face: str = "", bow: float = 2.0, twist: float = 3.0, rough: float = 0.5
) -> tuple[Report, dict[str, np.ndarray]]:
    """Three edges on two lines, compared in every pair with blocks alone; and their true heights (stations, lines)."""
    true = {}
    for name in "PQR":
        s, t = STATIONS[:, None] / 300 - 1, np.array(LINES)[None, :] / 15
        true[name] = rng.normal(0, bow) * s**2 + rng.normal(0, twist) * s * t + rng.normal(0, rough, (7, 2))
    text = HEADER
    for name in "PQR":
        text += f'[[pieces]]\nname = "{name}"\n[[pieces.faces]]\nname = "{name}"\nlength_mm = 600\nwidth_mm = 40\n'
        text += f"stations_mm = {STATIONS.tolist()}\nlines_mm = {list(LINES)}\n{face}\n"
    for (lower, upper), turn in itertools.product(itertools.combinations("PQR", 2), ("over", "end for end")):
        over = true[upper][:, ::-1] if turn == "over" else true[upper][::-1]
        x, y = np.meshgrid(STATIONS, LINES, indexing="ij")
        gap = 20_003 + 0.01 * x + 0.1 * y - true[lower] - over + rng.normal(0, 0.3, x.shape)
        text += f'[[layups]]\nlower = "{lower}"\nupper = "{upper}"\nturn = "{turn}"\ngaps = [\n'
        for place in zip(x.ravel(), y.ravel(), gap.ravel() / 1000, strict=True):
            text += "{{ x_mm = {:g}, y_mm = {:g}, gap_mm = {:.6f} }},\n".format(*place)
        text += "]\n"
    return report(jobfile.loads(f"{text}[goal]\n{goal}\n", "three edges"), with_cures=False), true


def least_by_program(values: np.ndarray, columns: np.ndarray) -> float:
    """The narrowest zone about the columns, as a linear program."""
    n, k = columns.shape
    bands = np.column_stack([np.vstack([columns, -columns]), -np.ones(2 * n)])
    found = linprog(
        np.append(np.zeros(k), 2.0), bands, np.append(values, -values), bounds=[(None, None)] * k + [(0, None)]
    )
    return float(found.fun)


@given(st.integers(0, 10_000))
def test_the_least_zone_is_that_of_the_linear_program(seed: int) -> None:
    """For lines of any length with any unseen shapes: to 1e-6 µm as scipy's linear program has it."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(3, 9, size=rng.integers(1, 4))
    x = np.concatenate([np.sort(rng.uniform(0, 600, n)) for n in counts])
    lines = tuple(np.split(np.arange(len(x)), np.cumsum(counts)[:-1]))
    values, unseen = rng.normal(0, 5, len(x)), rng.normal(size=(len(x), rng.integers(0, 3)))
    planes = line_planes(x, lines)
    expected = least_by_program(values, np.column_stack([planes, unseen]))
    assert least_zones(values[None], planes, unseen)[0] == pytest.approx(expected, abs=1e-6)
    if unseen.shape[1] == 0:
        worst = max(float(minimum_zone_lines(x[i], values[None, i])[0]) for i in lines)
        assert expected == pytest.approx(worst, abs=1e-6)


@given(st.integers(0, 10_000), st.floats(60, 5000))
def test_the_seen_part_is_a_projection(seed: int, huge_um: float) -> None:
    """However much of an unseen shape the estimate has, the seen part and its sigmas stay; again it changes nothing."""
    rng = np.random.default_rng(seed)
    n = 12
    shape = np.linalg.qr(rng.normal(size=(n, 2)))[0][:, :1]
    plain, nothing_free = np.eye(n) * 0.4**2, np.zeros((n, 0))
    apart = spectrum(plain + n * huge_um**2 * shape @ shape.T, nothing_free)
    assert apart.unseen(KNOWN_UM).shape == (n, 1)
    assert np.sum(apart.unseen_um(KNOWN_UM) ** 2) == pytest.approx(n * huge_um**2 + 0.4**2)
    height = rng.normal(0, 3, n)
    for more in (0.0, huge_um):
        found = seen_part(height + more * shape[:, 0], apart)
        assert found is not None
        assert found[0] == pytest.approx(height - shape[:, 0] * (shape[:, 0] @ height), abs=1e-6)
        assert found[1] == pytest.approx(0.4 * np.sqrt(1 - shape[:, 0] ** 2), abs=1e-4)
    assert seen_part(height, spectrum(plain, nothing_free)) is None  # all is seen
    assert seen_part(height, spectrum(n * huge_um**2 * np.eye(n), nothing_free)) is None  # nothing is


def test_sections_of_a_face() -> None:
    """The mean of the lines over the stations that both have; then each line, on stations of its own."""
    x = np.array([0.0, 100, 200, 300, 0, 100, 200])
    lines = (np.arange(4), np.arange(4, 7))
    mean, near, far = sections(x, np.array([-1.0] * 4 + [1.0] * 3), lines)
    assert (mean.y_mm, near.y_mm, far.y_mm) == (None, -1.0, 1.0)
    assert mean.x_mm.tolist() == [0, 100, 200]
    assert mean.of(np.arange(7.0)).tolist() == [2.0, 3.0, 4.0]
    odd = np.where(np.arange(7) < 4, 1.0, -1.0)[:, None] * np.array([0.0, 1, 4, 9, 0, 1, 4])[:, None]
    assert mean.hidden_um(odd, np.ones(1)) == pytest.approx(0, abs=1e-12)
    assert near.hidden_um(odd, np.ones(1)) > 1


def of(name: str, found: Report) -> Verdict:
    """The verdict on a face."""
    (one,) = (v for v in found.verdicts if v.face == name)
    return one


def mean_zone(true: np.ndarray) -> float:
    """Straightness of the mean of two lines."""
    return float(minimum_zone_lines(STATIONS, true.mean(axis=1)[None])[0])


def test_two_lines_and_blocks_only() -> None:
    """Six lay-ups see the mean of two lines, and never how they differ: the face stays open, or is outside by what is
    seen; the mean line's interval, the least and the drawn heights hold what is true."""
    held, bounds, jobs = 0, 0, 20
    for seed in range(jobs):
        found, true = blocks_only(np.random.default_rng(seed), goal="straightness_um = 6")
        for name, heights in true.items():
            one = of(name, found)
            (line,) = one.seen
            assert line.y_mm is None
            assert one.decision in ("open", "outside")
            assert one.decision == "open" or one.chance_inside is None or one.chance_inside <= 0.05
            held += line.interval_95_um[0] <= mean_zone(heights) <= line.interval_95_um[1]
            worst = max(float(minimum_zone_lines(STATIONS, heights[None, :, j])[0]) for j in (0, 1))
            assert one.at_least_um is not None
            bounds += one.at_least_um <= worst + 0.05
            shape = next(s for s in found.shapes if s.face == name)
            assert shape.seen_um is not None
            assert shape.seen_sigma_um is not None
            seen = shape.seen_um.reshape(7, 2).mean(axis=1)
            slope = np.polynomial.Polynomial.fit(STATIONS, heights.mean(axis=1), 1)
            assert seen == pytest.approx(heights.mean(axis=1) - slope(STATIONS), abs=6 * shape.seen_sigma_um.max())
    assert held >= 0.88 * 3 * jobs
    assert bounds >= 0.95 * 3 * jobs


def test_outside_may_stand_though_something_is_blind() -> None:
    """A face bowed by far more than the limit is outside whatever its unseen twist is; its fellows stay open."""
    found, _ = blocks_only(np.random.default_rng(3), goal="straightness_um = 4", bow=12.0)
    decisions = {v.face: v for v in found.verdicts}
    assert "outside" in {v.decision for v in decisions.values()}
    for one in decisions.values():
        assert one.unseen
        if one.decision == "outside":
            assert one.at_least_um is not None
            assert one.at_least_um > 4
            assert "whatever" in verdict_why(one)


def test_twist_alone_leaves_no_straightness_open() -> None:
    """Two lines stepped with a level, each with a zero of its own: their tilts are blind, their straightness is not."""
    rows = ", ".join(
        f"{{ x_mm = {x}, um_per_m = {v} }}" for x, v in zip(range(0, 600, 100), (3, -2, 1, 0, 2, -4), strict=True)
    )
    face = '[[pieces]]\nname = "P"\n[[pieces.faces]]\nname = "P"\nlength_mm = 600\nwidth_mm = 40\n'
    face += f"lines_mm = {list(LINES)}\n"
    steps = "".join(f'[[steps]]\nface = "P"\nbase_mm = 100\ny_mm = {y}\nreadings = [{rows}]\n' for y in LINES)
    text = f"{HEADER}{face}stations_mm = {STATIONS.tolist()}\n{steps}[goal]\nstraightness_um = 6\n"
    found = report(jobfile.loads(text, "two lines"), with_cures=False)
    assert "twist" in {spot.mode for spot in found.blind}
    assert of("P", found).decision == "inside"
    assert of("P", found).unseen == ()


def test_lines_that_only_lie_differently_are_straight_all_the_same() -> None:
    """Four lines of a plate stepped with a level, a zero each: how they lie to each other is finer than all named
    shapes, and bends none of them."""
    found = report(jobfile.read(Path(__file__).with_name("data") / "four_lines.toml"), with_cures=False)
    assert "finer" in {spot.mode for spot in found.blind}
    assert of("T", found).decision == "inside"
    assert of("T", found).unseen == ()


@pytest.mark.parametrize(("within", "limit", "decision"), [(5, 40, "inside"), (50, 20, "open"), (5, 0.3, "outside")])
def test_as_made_may_let_pass_and_never_condemns(within: float, limit: float, decision: str) -> None:
    """Made within 5, two lines are inside 40 though how they differ was never seen, and that is said; made within 50
    they stay open; outside is only what was seen."""
    found, true = blocks_only(
        np.random.default_rng(1),
        goal=f"straightness_um = {limit}",
        face=f"as_made_um = {within}",
        bow=1.0,
        twist=0.5,
        rough=0.3,
    )
    most = max(true, key=lambda name: mean_zone(true[name]))
    one = of(most, found)
    assert one.decision == decision
    assert one.as_made == (decision == "inside")
    assert one.as_made or one.chance_inside is None or decision == "outside"
    if decision == "inside":
        assert "as true as the face was made" in verdict_why(one)
    assert found.blind  # told as before, of the size it was bounded to
    assert max(spot.sigma_um for spot in found.blind) < 5 * within


def test_of_many_unseen_shapes_the_least_is_no_more_than_the_exact_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """What stands for the linear program where there are too many columns for it never says more than that does."""
    rng = np.random.default_rng(4)
    x = np.linspace(0.0, 1.0, 30)
    planes, unseen = np.column_stack([np.ones(30), x]), np.linalg.qr(rng.normal(size=(30, 9)))[0]
    draws = rng.normal(size=(50, 30))
    exact = least_zones(draws, planes, unseen)
    monkeypatch.setattr(seen, "MOST_UNSEEN", 5)
    quick = least_zones(draws, planes, unseen)
    assert (quick <= exact).all()
    assert (quick > 0.3 * exact).all()
    assert not least_zones(draws, np.eye(30), unseen).any()  # nothing is left of it
