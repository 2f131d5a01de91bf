"""The form prior: an exact mixture, blind where the readings are, and the same from every side."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import multivariate_normal

from waywright.core.judge import form_prior as prior
from waywright.core.judge.choices import Choices
from waywright.core.judge.form import form_posterior, posterior, zone_summary
from waywright.core.judge.form_model import FormModel, form_model, frame
from waywright.core.judge.zones import minimum_zone_lines

Floats = NDArray[np.float64]
STATIONS = np.array([0, 40, 100, 150, 210, 240, 300, 370, 400, 455, 500.0])


def line(x_mm: Floats = STATIONS, *, noise_um: float = 0.7) -> Floats:
    """A covariance about the line that is neither white nor even."""
    about = np.eye(x_mm.size) - (q := prior.plane_columns(x_mm, 0 * x_mm)) @ q.T
    return np.asarray(noise_um**2 * about @ (np.diag(1 + x_mm / np.ptp(x_mm)) + 0.3) @ about)


def heights(x_mm: Floats = STATIONS, *, seed: int = 3, size_um: float = 4.0) -> Floats:
    """A bow with some roughness, about no particular line."""
    rng = np.random.default_rng(seed)
    return size_um * (2 * (x_mm - x_mm.min()) / np.ptp(x_mm) - 1) ** 2 + rng.standard_normal(x_mm.size)


def about_line(x_mm: Floats, height_um: Floats) -> Floats:
    """Heights less their least-squares line."""
    q = prior.plane_columns(x_mm, 0 * x_mm)
    return np.asarray(height_um - q @ (q.T @ height_um))


def made(x_mm: Floats, y_mm: Floats, covariance: Floats, height_um: Floats) -> FormModel:
    """The whole model of a face."""
    face = frame(x_mm, y_mm, covariance, None)
    return form_model(face, x_mm, y_mm, reach_um=face.reach_um(height_um))


def prior_covariance(model: FormModel, x_mm: Floats, choices: Choices, i: int) -> Floats:
    """(n, n): what one choice says of the shape, written out plainly, with the plane taken off."""
    y = 0 * x_mm
    about = np.eye(x_mm.size) - (q := prior.plane_columns(x_mm, y)) @ q.T
    part = about @ model.candidates[choices.part[i]].covariance(x_mm, y) @ about
    total = model.sizes.random_um[choices.size[i]] ** 2 * part * x_mm.size / np.trace(part)
    if choices.low[i] > 0:
        modes = prior.low_modes(x_mm, y, q) * model.sizes.low_um[choices.low[i] - 1]
        total = total + modes @ modes.T
    for at, size in ((choices.first[i], choices.first_um[i]), (choices.second[i], choices.second_um[i])):
        column = about @ model.features.shapes[:, at] * size
        total = total + np.outer(column, column)
    return np.asarray(total)


def some_choices(choices: Choices) -> list[int]:
    """A few of each sort: likely and unlikely, with low modes and without, with no feature, one and two."""
    sorts: dict[tuple[bool, int, int], list[int]] = {}
    for i in range(choices.part.size):
        features = int(choices.first_um[i] > 0) + int(choices.second_um[i] > 0)
        sorts.setdefault((bool(choices.low[i]), features, int(choices.part[i])), []).append(i)
    return [places[k] for places in sorts.values() for k in {0, len(places) // 2}]


def test_weights_are_marginal_likelihoods() -> None:
    """Choices weigh by prior times the density of the heights, as scipy's normal distribution gives it."""
    h, c = heights(), line()
    model = made(STATIONS, 0 * STATIONS, c, h)
    choices = model.weigh(h)
    seen = model.frame.seen
    kept = some_choices(choices)
    assert len(kept) > 40
    for two in pairwise(kept):
        logs = []
        for i in two:
            total = seen.T @ (c + prior_covariance(model, STATIONS, choices, i)) @ seen
            logs.append(multivariate_normal(cov=total).logpdf(seen.T @ h) + log_prior(model, choices, i))
        got = choices.log_weight[two[0]] - choices.log_weight[two[1]]
        assert got == pytest.approx(logs[0] - logs[1], abs=1e-6)


def log_prior(model: FormModel, choices: Choices, i: int) -> float:
    """Log prior of one choice, from the chances as the docstring of `form_prior` tells them."""
    candidate, level = model.candidates[choices.part[i]], model.frame.level_um
    low, one, two = choices.low[i], choices.first_um[i], choices.second_um[i]
    size = model.sizes.random_um[[choices.size[i]]] / level
    floor = prior.FLOOR_BESIDE_LOW_MODES if low else prior.FLOOR_ALONE[candidate.kind]
    log = float(prior.RANDOM_SIZES.log_weight(size, floor)[0])
    share = 1 / len(prior.BEHIND_TWO_SPOTS) if two else candidate.chance
    log += np.log(share) + np.log(prior.CHANCE_LOW_MODES if low else 1 - prior.CHANCE_LOW_MODES)
    step = np.log(50)
    log += np.log(np.log(prior.LOW_SIZES.ratio) / step) if low else 0.0
    if two:  # every second size stands for two
        pairs = STATIONS.size * (STATIONS.size - 1) / 2
        log += np.log(prior.CHANCE_TWO_SPOTS / pairs * np.log(prior.PAIR_SIZES.ratio) / step)
        return log + np.log(2) + (np.log(2) if low else 0.0)
    if one:
        return log + np.log(model.features.chance[choices.first[i]] * np.log(prior.FEATURE_SIZES.ratio) / step)
    return log if candidate.kind == "wavy" else log + np.log(model.features.chance_of_none)


def test_draws_follow_the_posterior_of_their_choice() -> None:
    """For any one choice the draws have the mean and covariance of the Gaussian posterior written out."""
    h, c = about_line(STATIONS, heights()), line()
    model = made(STATIONS, 0 * STATIONS, c, h)
    choices = model.weigh(h)
    m = 20_000
    seen = model.frame.seen
    noise = seen.T @ c @ seen
    for i in some_choices(choices)[::11]:
        drawn = model.draw(h, choices.take(np.array([i])), m, np.random.default_rng(1))
        shape = seen.T @ prior_covariance(model, STATIONS, choices, i) @ seen
        gain = shape @ np.linalg.inv(shape + noise)
        mean, covariance = seen @ gain @ seen.T @ h, seen @ (shape - gain @ shape) @ seen.T
        sigma = np.sqrt(np.diag(covariance))
        assert np.all(np.abs(drawn.mean(axis=0) - mean) < 5 * sigma / np.sqrt(m) + 1e-9)
        assert np.abs(np.cov(drawn.T) - covariance).max() < 0.05 * covariance.max()


def test_choices_come_as_often_as_they_weigh() -> None:
    """The mean of all draws is the mean of the mixture."""
    h, c = about_line(STATIONS, heights()), line()
    model = made(STATIONS, 0 * STATIONS, c, h)
    choices = model.weigh(h)
    seen, noise = model.frame.seen, model.frame.seen.T @ c @ model.frame.seen
    few = choices.take(np.arange(60))
    mean = np.zeros(h.size)
    for i, weight in enumerate(few.weight()):
        shape = seen.T @ prior_covariance(model, STATIONS, few, i) @ seen
        mean += weight * (seen @ shape @ np.linalg.inv(shape + noise) @ seen.T @ h)
    drawn = model.draw(h, few, 40_000, np.random.default_rng(0))
    assert np.abs(drawn.mean(axis=0) - mean).max() < 0.02


def zones(x_mm: Floats, height_um: Floats, covariance: Floats) -> Floats:
    """Zones of draws, nodes in any order."""
    return minimum_zone_lines(x_mm, form_posterior(x_mm, 0 * x_mm, height_um, covariance, draws=500).draws_um)


@settings(max_examples=25)
@given(
    seed=st.integers(0, 50),
    shift=st.floats(-1e3, 1e3),
    tilt=st.floats(-0.05, 0.05),
    length=st.floats(0.01, 100),
    height=st.floats(0.01, 100),
    reverse=st.booleans(),
    over=st.booleans(),
)
def test_the_same_from_every_side(
    seed: int, shift: float, tilt: float, length: float, height: float, reverse: bool, over: bool
) -> None:
    """Shift, tilt, reverse, reorder, turn over, other units of length and height: the same value and interval."""
    h, c = heights(seed=seed), line()
    order = np.random.default_rng(seed).permutation(STATIONS.size)
    x = (500 - STATIONS if reverse else STATIONS)[order] * length + shift
    other = height * (-1 if over else 1) * (h + 2 + tilt * STATIONS)[order]
    first = zone_summary(zones(STATIONS, h, c))
    second = zone_summary(zones(x, other, height**2 * c[np.ix_(order, order)]) / height)
    assert second.mean == pytest.approx(first.mean, rel=1e-3)
    assert second.interval_95 == pytest.approx(first.interval_95, rel=5e-3)


def wide(stations: int = 9, lines: int = 3) -> tuple[Floats, Floats, Floats]:
    """Nodes of a face with width and the covariance of white noise of 0.8 um about its plane."""
    x = np.tile(np.linspace(0, 400, stations), lines)
    y = np.repeat(np.linspace(-20, 20, lines), stations)
    about = np.eye(x.size) - (q := prior.plane_columns(x, y)) @ q.T
    return x, y, 0.64 * about


def twist_of(x: Floats, y: Floats) -> Floats:
    """(n,) the unit twist about the plane."""
    shape = (x - x.mean()) * (y - y.mean())
    return np.asarray(shape / np.linalg.norm(shape))


@pytest.mark.parametrize("named", [True, False])
def test_a_blind_shape_keeps_the_readings_own_sigma(named: bool) -> None:
    """A twist no reading sees keeps its millimetre, whether the caller names it or the covariance shows it."""
    x, y, c = wide()
    twist = twist_of(x, y)
    c = c + 1e6 * x.size * np.outer(twist, twist)
    h = 3 * (x / 200 - 1) ** 2
    result = form_posterior(x, y, h, c, blind=twist[:, None] if named else None, draws=20_000)
    assert (result.draws_um @ twist).std() == pytest.approx(1e3 * np.sqrt(x.size), rel=0.02)
    rest = result.draws_um - np.outer(result.draws_um @ twist, twist)
    assert rest.std(axis=0).max() < 2.0


def test_a_blind_shape_moves_with_what_is_seen() -> None:
    """Where the covariance ties a blind shape to a seen one, learning of the seen one moves the blind one."""
    x, y, c = wide()
    twist, bow = twist_of(x, y), prior.low_modes(x, y, prior.plane_columns(x, y))[:, 0] / np.sqrt(x.size)
    c = c + 1e6 * x.size * np.outer(twist, twist) + 3.0 * (np.outer(twist, bow) + np.outer(bow, twist))
    h = np.random.default_rng(0).standard_normal(x.size)
    drawn = form_posterior(x, y, h, c, blind=twist, draws=50_000).draws_um
    slope = 3.0 / 0.64  # of twist on bow in the covariance; the prior on form does not touch it
    seen, hidden = drawn @ bow, drawn @ twist
    assert np.isfinite(drawn).all()
    spread = 1e3 * np.sqrt(x.size) / np.sqrt(50_000) / seen.std()
    assert np.cov(seen, hidden)[0, 1] / seen.var() == pytest.approx(slope, abs=4 * spread)


def test_a_given_shape_is_set_free() -> None:
    """A shape called blind gets no form prior even where the covariance is small: it keeps that covariance."""
    x, y, c = wide()
    twist = twist_of(x, y)
    h = 0.3 * np.random.default_rng(1).standard_normal(x.size) + 40 * twist
    drawn = form_posterior(x, y, h, c, blind=twist, draws=20_000).draws_um @ twist
    assert drawn.std() == pytest.approx(0.8, rel=0.03)
    assert drawn.mean() == pytest.approx(twist @ h, abs=0.05)


def test_good_readings_speak_for_themselves() -> None:
    """As noise falls the draws go to the heights read, whatever they look like."""
    rng = np.random.default_rng(2)
    h = about_line(STATIONS, rng.standard_normal(STATIONS.size) * 5)
    drawn = form_posterior(STATIONS, 0 * STATIONS, h, line(noise_um=1e-3), draws=400).draws_um
    assert np.abs(drawn - h).max() < 0.02


@pytest.mark.parametrize(("n", "words"), [(1, "nothing seen"), (2, "nothing seen"), (3, "µm"), (4, "µm")])
def test_few_nodes(n: int, words: str) -> None:
    """One or two nodes have no form and no spread; three have one."""
    x = np.arange(n) * 100.0
    c = line(x) if n > 1 else np.zeros((1, 1))
    result = form_posterior(x, 0 * x, np.arange(n) % 2 * 1.0, c, draws=50)
    assert words in result.words
    assert (np.abs(result.draws_um).max() > 1e-6) == (n > 2)


def test_a_part_that_is_all_blind_or_all_plane_is_left_out() -> None:
    """Of three stations on two lines the only shape alike on both is their common bow: with that blind nothing is left
    of what runs alike across (it was divided by nothing), and the others are told as before."""
    x, y = (a.ravel() for a in np.meshgrid([0.0, 300.0, 600.0], [-15.0, 15.0], indexing="ij"))
    height, bow = np.array([0.4, -0.2, 0.1, 0.6, -0.5, 0.3]), np.repeat([1.0, -2.0, 1.0], 2)
    face = frame(x, y, np.eye(6), bow[:, None])
    kinds = {(c.kind, c.across_mm) for c in form_model(face, x, y, reach_um=10.0).candidates}
    assert not {kind for kind, across in kinds if np.isinf(across)}
    assert {kind for kind, _ in kinds} == {"rough", "smooth", "stepped", "wavy"}
    assert np.isfinite(form_posterior(x, y, height, np.eye(6), blind=bow[:, None], draws=200).draws_um).all()


def test_a_step_and_a_spot_are_named() -> None:
    """A clear step, and a clear lone spot, are found where they are and said in words."""
    about = line(noise_um=0.3)
    step = form_posterior(STATIONS, 0 * STATIONS, about_line(STATIONS, 9.0 * (STATIONS > 220)), about, draws=10)
    spot = form_posterior(STATIONS, 0 * STATIONS, about_line(STATIONS, 9.0 * (STATIONS == 300)), about, draws=10)
    assert "a step at x = 225 mm" in step.words
    assert "a spot at x = 300 mm" in spot.words
    assert spot.shares["feature"] > 0.8


def test_many_nodes_agree() -> None:
    """With many nodes the random parts are found on fewer of them: few are left, and they say what all would."""
    x, y, c = wide(60, 3)
    rng = np.random.default_rng(5)
    truth = 4 * (x / 200 - 1) ** 2 + 0.5 * rng.standard_normal(x.size)
    h = truth + 0.8 * rng.standard_normal(x.size)
    one = y == 0
    quick = form_posterior(x, y, h, c, draws=800)
    fast = zone_summary(minimum_zone_lines(x[one], quick.draws_um[:, one]))
    whole = posterior(made(x, y, c, h), h, draws=800, seed=0)
    full = zone_summary(minimum_zone_lines(x[one], whole.draws_um[:, one]))
    assert fast.mean == pytest.approx(full.mean, rel=0.04)
    assert np.subtract(*fast.interval_95) == pytest.approx(np.subtract(*full.interval_95), rel=0.15)


def test_any_rows_will_do() -> None:
    """The first tenth of the draws says the same as all of them."""
    zone = zones(STATIONS, heights(), line())
    assert zone[:50].mean() == pytest.approx(zone.mean(), abs=4 * zone.std() / np.sqrt(50))
    assert abs(np.corrcoef(np.arange(zone.size), zone)[0, 1]) < 0.15


def test_the_same_seed_gives_the_same_draws() -> None:
    """Same input, same draws; another seed, others that say the same."""
    args = (STATIONS, 0 * STATIONS, heights(), line())
    one, two, other = (form_posterior(*args, draws=1000, seed=s).draws_um for s in (7, 7, 8))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)
    assert one.mean(axis=0) == pytest.approx(other.mean(axis=0), abs=0.15)


def test_zone_summary() -> None:
    """Mean and quantiles of 1 to 999 are where they should be."""
    summary = zone_summary(np.arange(1, 1000))
    assert summary.mean == pytest.approx(500)
    assert summary.interval_95 == pytest.approx((25.95, 974.05))
    assert (summary.lower_95, summary.upper_95) == pytest.approx((50.9, 949.1))
    with pytest.raises(ValueError, match="no draws"):
        zone_summary([])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"x_mm": [0.0, 1.0]}, "one length"),
        ({"covariance_um2": np.eye(3)}, "one length"),
        ({"height_um": np.full(11, np.nan)}, "finite"),
        ({"draws": 0}, "one draw"),
        ({"x_mm": [], "y_mm": [], "height_um": [], "covariance_um2": np.zeros((0, 0))}, "at least one node"),
    ],
)
def test_bad_input_is_refused(change: dict[str, object], message: str) -> None:
    """What does not fit is refused in a sentence."""
    good = {"x_mm": STATIONS, "y_mm": 0 * STATIONS, "height_um": heights(), "covariance_um2": line()}
    with pytest.raises(ValueError, match=message):
        form_posterior(**{**good, **change})  # type: ignore[arg-type]


@pytest.mark.parametrize("named", [True, False])
def test_a_face_of_which_nothing_is_seen_keeps_all_of_its_covariance(named: bool) -> None:
    """With every shape beyond what counts as seen, named blind or not, draws scatter as the covariance says."""
    covariance = line(noise_um=1e3)
    bow = about_line(STATIONS, STATIONS**2)[:, None]
    drawn = form_posterior(
        STATIONS, 0 * STATIONS, heights(), covariance, blind=bow if named else None, draws=20_000
    ).draws_um
    assert np.abs(np.cov(drawn.T) - covariance).max() < 0.05 * covariance.max()


def test_sums_over_features_are_those_of_their_shapes() -> None:
    """Spots, wide spots and steps, along and across, written out plainly."""
    x, y = (at.ravel() for at in np.meshgrid([0.0, 10, 30], [-5.0, 5], indexing="ij"))
    found = prior.features(x, y)
    plain = [np.eye(6)[i] for i in range(6)]
    plain += [np.eye(6)[i] + np.eye(6)[j] for i, j in ((0, 2), (2, 4), (1, 3), (3, 5))]
    plain += [np.where(at > place, 0.5, -0.5) for at, place in ((x, 5), (x, 20), (y, 0))]
    np.testing.assert_allclose(found.shapes, np.array(plain).T)
    assert len(found.names) == len(found.chance) == len(plain)
