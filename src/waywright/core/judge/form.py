"""Shapes a face may have after its readings, under the form prior; and what a measure of them amounts to.

Peak-to-valley of noisy heights is biased upward, and its plain posterior is worse: noise on noise. A form prior says
what faces look like (`form_prior`); the readings say how much of each (`form_model`). Measure every draw; the mean of
the measures is the value, their quantiles the interval, their share inside a limit the chance. How often the interval
holds the truth, by kind of face and size: docs/tables/verdict-coverage.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from waywright.core.judge.choices import Choices
from waywright.core.judge.form_model import FormModel, form_model, frame
from waywright.core.judge.form_prior import Floats, Indexes, Kind
from waywright.core.judge.spectrum import Spectrum
from waywright.progress import done, part

ALL_AT_ONCE = 130  # nodes; with more, the random parts worth trying are found on fewer of them
LEARN_ON = 100  # nodes
PARTS_KEPT = 8


@dataclass(frozen=True)
class FormPosterior:
    """`draws_um` (m, n): heights about the face's least-squares plane, + proud, in no order (any rows will do).

    `words`: what the form prior came to, "smooth over 150 mm, 2.1 µm". `shares`: posterior chance of each random part
    ("rough", "smooth", "stepped", "wavy": together 1), and that there is a bow or S ("low modes") or a lone spot or
    step ("feature"). `unseen` (n, k): orthonormal, the shapes on which no form prior was laid.
    """

    draws_um: Floats
    words: str
    shares: dict[str, float]
    unseen: Floats

    @cached_property
    def hidden_um(self) -> Floats:
        """(m, k) how much of each unseen shape the draws have."""
        return self.draws_um @ self.unseen

    def known_um(self, draws: int) -> Floats:
        """(draws, n) the first of the draws without what is not seen of them."""
        return self.draws_um[:draws] - self.hidden_um[:draws] @ self.unseen.T


@dataclass(frozen=True)
class ZoneSummary:
    """A measure over the draws, in its own unit: `mean` is the value to report; the rest are quantiles.

    `upper_95` and `lower_95` are one-sided: the truth is above, or below, with a chance of 5 %.
    """

    mean: float
    standard_deviation: float
    interval_95: tuple[float, float]
    upper_95: float
    lower_95: float


def form_posterior(
    x_mm: ArrayLike,
    y_mm: ArrayLike,
    height_um: ArrayLike,
    covariance_um2: ArrayLike,
    *,
    blind: ArrayLike | None = None,
    apart: Spectrum | None = None,
    draws: int = 4000,
    seed: int = 0,
) -> FormPosterior:
    """Draw shapes of one face from what its readings and the form prior say together.

    `x_mm`, `y_mm`, `height_um` (n,): the read nodes and their estimated heights; `covariance_um2` (n, n): of those
    heights, without any form prior, about the least-squares plane of the nodes (line, when they lie on one).
    `blind` (n, k): shapes no reading sees. These, and any other shape with an RMS sigma beyond 50 µm, get no form
    prior: they keep the covariance given. `apart`: that covariance in its own shapes, where they are known already.

    The same input gives the same draws; so, but for rounding, does the face reversed, mirrored, shifted, tilted, turned
    over, its nodes in another order, and all heights in another unit (as long as the same shapes are blind).
    Raises ValueError where shapes do not fit, where something is not a finite number, or there are no draws to make.
    """
    x, y, h, c = _checked(x_mm, y_mm, height_um, covariance_um2)
    if draws < 1:
        raise ValueError("At least one draw is needed.")
    unseen = None if blind is None else np.asarray(blind, dtype=float).reshape(x.size, -1)
    face = frame(x, y, c, unseen, apart)
    done(0.4)
    only = _worth_trying(x, y, h, c, unseen) if x.size > ALL_AT_ONCE and face.seen.shape[1] else None
    with part(0.5, 0.8):
        model = form_model(face, x, y, reach_um=face.reach_um(h), only=only)
    return posterior(model, h, draws=draws, seed=seed)


def posterior(model: FormModel, height_um: Floats, *, draws: int, seed: int) -> FormPosterior:
    """The same for heights (n,) of a face whose model is made already."""
    rng = np.random.default_rng(seed)
    choices = model.weigh(height_um)
    drawn = model.draw(height_um, choices, draws, rng)
    if not model.parts:
        return FormPosterior(drawn, "nothing seen that has a form", {}, model.frame.blind)
    shares = _shares(model, choices)
    return FormPosterior(drawn, _words(model, choices, shares), shares, model.frame.blind)


def zone_summary(values: ArrayLike) -> ZoneSummary:
    """Sum up a measure (a zone, a twist) of each draw, `values` (m,).

    Raises ValueError when there is none.
    """
    value = np.asarray(values, dtype=float)
    if value.size == 0:
        raise ValueError("There are no draws to sum up.")
    low, lower, upper, high = (float(q) for q in np.quantile(value, [0.025, 0.05, 0.95, 0.975]))
    return ZoneSummary(float(value.mean()), float(value.std()), (low, high), upper, lower)


def _worth_trying(x: Floats, y: Floats, h: Floats, c: Floats, blind: Floats | None) -> list[int]:
    """Indexes of the few random parts that matter, learned on the nodes of evenly spread stations.

    Leaving nodes out of a Gaussian is exact: what is learned is what those nodes alone would say.
    """
    some = _evenly_spread(x, y)
    few = frame(x[some], y[some], c[np.ix_(some, some)], None if blind is None else blind[some])
    height = h[some]
    choices = (model := form_model(few, x[some], y[some], reach_um=few.reach_um(height))).weigh(height)
    weight = np.bincount(choices.part, choices.weight(), minlength=len(model.candidates))
    likeliest = np.argsort(-weight, kind="stable")[:PARTS_KEPT]
    return sorted(int(i) for i in likeliest if weight[i] > 0.02 * weight.max())


def _evenly_spread(x: Floats, y: Floats) -> Indexes:
    """Nodes of about LEARN_ON in all: every line at some stations, the ends among them; scattered nodes by place."""
    along = x if np.ptp(x) >= np.ptp(y) else y
    stations, at = np.unique(along, return_inverse=True)
    each = along.size / stations.size
    count = min(stations.size, max(3, round(LEARN_ON / each)))
    kept = np.unique(np.linspace(0, stations.size - 1, count).round().astype(np.intp))
    nodes = np.flatnonzero(np.isin(at, kept))
    if nodes.size <= 2 * LEARN_ON:
        return nodes
    return np.asarray(nodes[np.unique(np.linspace(0, nodes.size - 1, LEARN_ON).round().astype(np.intp))])


def _shares(model: FormModel, choices: Choices) -> dict[str, float]:
    weight = choices.weight()
    kinds = [candidate.kind for candidate in model.candidates]
    shares: dict[str, float] = {
        kind: float(weight[np.isin(choices.part, _where(kinds, kind))].sum()) for kind in dict.fromkeys(kinds)
    }
    shares["low modes"] = float(weight[choices.low > 0].sum())
    shares["feature"] = float(weight[choices.first_um > 0].sum())
    return shares


def _words(model: FormModel, choices: Choices, shares: dict[str, float]) -> str:
    """The likeliest random part, with its mean length and RMS; low modes and a feature where more likely than not."""
    weight = choices.weight()
    kinds = [candidate.kind for candidate in model.candidates]
    kind = max(dict.fromkeys(kinds), key=lambda name: shares[name])
    of_kind = np.isin(choices.part, _where(kinds, kind))
    share = weight[of_kind] / weight[of_kind].sum()
    length = np.array([candidate.length_mm for candidate in model.candidates])[choices.part[of_kind]]
    rms = float(share @ model.sizes.random_um[choices.size[of_kind]])
    mean_length = float(np.exp(share @ np.log(length))) if kind != "rough" else 0.0
    over = {
        "rough": "rough from node to node",
        "smooth": f"smooth over {mean_length:.0f} mm",
        "stepped": f"in steps over {mean_length:.0f} mm",
        "wavy": f"wavy every {mean_length:.0f} mm",
    }[kind]
    words = [f"{over}, {rms:.2g} µm"]
    if shares["low modes"] > 0.5:
        words.insert(0, "bow and S")
    single = (choices.first_um > 0) & (choices.second_um == 0)
    named = np.bincount(choices.first, weight * single, minlength=len(model.features.names))
    if named.max() > 0.5:
        words.append(f"a {model.features.names[int(named.argmax())]}")
    return " + ".join(words)


def _where(kinds: list[Kind], kind: Kind) -> list[int]:
    return [i for i, name in enumerate(kinds) if name == kind]


def _checked(*arrays: ArrayLike) -> tuple[Floats, Floats, Floats, Floats]:
    x, y, h, c = (np.asarray(array, dtype=float) for array in arrays)
    n = x.size
    if n == 0:
        raise ValueError("A form needs at least one node.")
    if x.shape != (n,) or y.shape != (n,) or h.shape != (n,) or c.shape != (n, n):
        raise ValueError("x, y and heights must be lists of one length, and the covariance square of that size.")
    if not all(np.isfinite(array).all() for array in (x, y, h, c)):
        raise ValueError("A place, a height or a covariance is not a finite number.")
    return x, y, h, c
