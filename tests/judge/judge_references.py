"""Independent references that the zone tests compare with: a linear program and a convex hull."""

from __future__ import annotations

import numpy as np
from scipy.optimize import linprog
from scipy.spatial import ConvexHull


def program_deviation(columns: np.ndarray, values: np.ndarray) -> float:
    """Least possible largest deviation, as the textbook linear program, by HiGHS through scipy."""
    n, k = columns.shape
    bands = np.vstack([np.c_[columns, -np.ones(n)], np.c_[-columns, -np.ones(n)]])
    cost = np.r_[np.zeros(k), 1.0]
    free = [(None, None)] * k + [(0, None)]
    return float(linprog(cost, A_ub=bands, b_ub=np.r_[values, -values], bounds=free, method="highs").fun)


def program_zone(columns: np.ndarray, values: np.ndarray) -> float:
    """The zone: twice the deviation."""
    return 2.0 * program_deviation(columns, values)


def hull_zone(x: np.ndarray, height: np.ndarray) -> float:
    """Minimum zone of a profile by trying every edge of its convex hull."""
    corners = ConvexHull(np.c_[x, height]).vertices
    best = np.inf
    for a, b in zip(corners, np.roll(corners, 1), strict=True):
        if x[a] != x[b]:
            above = height - (height[b] - height[a]) / (x[b] - x[a]) * x
            best = min(best, np.ptp(above))
    return float(best)


def line(x: np.ndarray) -> np.ndarray:
    return np.c_[np.ones(np.size(x)), x]


def plane(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.c_[np.ones(np.size(x)), x, y]


def grid(columns: int, rows: int) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(np.arange(float(columns)), np.arange(float(rows)))
    return x.ravel(), y.ravel()
