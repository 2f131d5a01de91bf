"""What one pass of a hand takes: a guess to begin with, learned from faces read before and after.

People differ more than passes do (Osswald, Gissel and Lochmahr, J. Manuf. Mater. Process. 4(3) 90, 2020), so the depth
belongs to the hand and is worth learning once. The numbers to begin with are guesses, editable: no source.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg

from waywright.core.evidence.things import FloatArray, Hand

_SCATTERS = np.exp(np.linspace(-1.5, 1.5, 25))  # of the one believed before, tried when learning
_SCATTER_SPREAD = 0.5  # how far off the one believed before may be: a standard deviation of its logarithm


def depth_learned(
    before_um: ArrayLike,
    after_um: ArrayLike,
    passes: ArrayLike,
    x_mm: ArrayLike,
    y_mm: ArrayLike,
    covariance_um2: ArrayLike,
    *,
    believed: Hand | None = None,
) -> Hand:
    """What one pass took, from a face read before and after it was scraped.

    `before_um`, `after_um` (n,): heights at the same nodes `x_mm`, `y_mm` (n,), each about a plane of its own;
    `passes` (n,): how often each node was gone over (`done.gone_over`); `covariance_um2`: (n, n) of the
    difference of the two, or (n,) standard uncertainties of it. `believed` is what was thought before; learn from
    several rounds by handing each result to the next. What was taken alike all over, or as a slope, does not show: a
    face gone over evenly teaches nothing and `believed` comes back.
    Raises ValueError where shapes do not fit or something is not a finite number.
    """
    prior = believed or Hand()
    before, after, count, x, y = (np.asarray(a, np.float64) for a in (before_um, after_um, passes, x_mm, y_mm))
    covariance = np.asarray(covariance_um2, np.float64)
    if covariance.ndim == 1:
        covariance = np.diag(covariance**2)
    n = before.size
    if any(a.shape != (n,) for a in (before, after, count, x, y)) or covariance.shape != (n, n):
        raise ValueError("Heights before and after, passes and places must be lists of one length.")
    if not all(np.isfinite(a).all() for a in (before, after, count, x, y, covariance)):
        raise ValueError("A height, a number of passes, a place or a covariance is not a finite number.")
    shape = linalg.null_space(np.stack([np.ones(n), x - x.mean(), y - y.mean()]))  # blind to lift and tilt
    pattern = shape.T @ count
    if not len(pattern) or np.abs(pattern).max() < 1e-9 * max(1.0, np.abs(count).max()):
        return prior
    noise = shape.T @ covariance @ shape
    rough = prior.depth_um**2 * (shape.T * np.maximum(count, 0.0)) @ shape
    return _weighed(shape.T @ (before - after), pattern, noise, rough, prior)


def _weighed(taken: FloatArray, pattern: FloatArray, noise: FloatArray, rough: FloatArray, prior: Hand) -> Hand:
    """The posterior depth over the scatters tried: for each of them it is normal."""
    believed_u = max(prior.depth_u_um, 1e-9)
    depths, variances, logs = [], [], []
    scatters = prior.scatter * _SCATTERS if prior.scatter > 0 else np.zeros(1)
    for scatter in scatters:
        v = noise + scatter**2 * rough + 1e-12 * np.eye(len(noise))
        factor = linalg.cho_factor(v, lower=True)
        precision = float(pattern @ linalg.cho_solve(factor, pattern))
        off = taken - prior.depth_um * pattern
        told = float(pattern @ linalg.cho_solve(factor, off))
        variance = 1.0 / (precision + believed_u**-2)
        depths.append(prior.depth_um + variance * told)
        variances.append(variance)
        fit = float(off @ linalg.cho_solve(factor, off)) - variance * told**2
        log_size = 2.0 * float(np.log(np.diag(factor[0])).sum()) - math.log(variance)
        logs.append(-0.5 * (fit + log_size))
    weight = np.exp(np.array(logs) - max(logs))
    if len(scatters) > 1:
        weight *= np.exp(-0.5 * (np.log(_SCATTERS) / _SCATTER_SPREAD) ** 2)
    weight /= weight.sum()
    depth = float(weight @ depths)
    spread = math.sqrt(float(weight @ (np.array(variances) + (np.array(depths) - depth) ** 2)))
    # A hand that seems to take nothing was given the wrong map; it stays above 0 so that plans can be made.
    return Hand(max(depth, 0.05 * prior.depth_um), spread, float(weight @ scatters))
