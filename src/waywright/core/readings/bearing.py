"""How one face bears on another under its own weight, and where it then pivots when one end is pushed sideways.

Numbers only: what to expect of the blue and of the hinge for any shape between two faces, before they are laid so.
"""

from __future__ import annotations

import numpy as np

from waywright.core.evidence.things import FloatArray

EVEN_PIVOT = 1 - 0.5**0.5  # of the length from the far end, under an even load
GIVE_UM = 1.0  # how far an even load presses two faces into each other's highest points; a guess, no source
_ROUNDS = 200


def pivot_mm(x_mm: FloatArray, load: FloatArray, pushed_mm: float) -> float:
    """Where a bar that bears with `load` pivots when it is pushed sideways, slowly, at `pushed_mm`.

    `x_mm`: (n,) increasing; `load`: (n,) per length, 0 or more, linear between, in any unit; `pushed_mm` at an end or
    beyond. Friction is in proportion to the load and against the motion, which turns round at the pivot. So seen from
    the pushed place the moments on both sides of the pivot are equal: the pivot is the median of load × distance from
    the push. An even load gives (L − z)² = L²/2, so z = (1 − 1/√2)·L = 0.2929 L from the far end; all load at the ends
    gives the far end, all load in the middle the middle. Derived; friction by Coulomb, inertia left out.
    """
    arm = np.abs(x_mm - pushed_mm)
    middle = 0.25 * (load[:-1] + load[1:]) * (arm[:-1] + arm[1:])  # load × arm halfway: both are linear
    ends = load * arm
    parts = np.diff(x_mm) * (ends[:-1] + 4 * middle + ends[1:]) / 6  # exact for a quadratic (Simpson)
    so_far = np.concatenate([[0.0], np.cumsum(parts)])
    half = 0.5 * so_far[-1]
    if not half > 0:
        raise ValueError("A pivot needs a load away from the place that is pushed.")
    i = int(np.clip(np.searchsorted(so_far, half) - 1, 0, len(parts) - 1))
    bend, slope = 2 * (ends[i] + ends[i + 1] - 2 * middle[i]), 4 * middle[i] - 3 * ends[i] - ends[i + 1]

    def short(t: float) -> float:
        return float(so_far[i] - half + (x_mm[i + 1] - x_mm[i]) * t * (ends[i] + t * (slope / 2 + t * bend / 3)))

    from scipy.optimize import brentq  # here: it takes an eighth of a second to load

    t = 1.0 if short(1.0) <= 0 else float(brentq(short, 0.0, 1.0, xtol=1e-14))
    return float(x_mm[i] + t * (x_mm[i + 1] - x_mm[i]))


def bearing(
    x_mm: FloatArray, y_mm: FloatArray, apart_um: FloatArray, part: FloatArray, give_um: float = GIVE_UM
) -> tuple[FloatArray, FloatArray]:
    """The load with which an upper face rests on a lower one, and the gap left between them.

    `apart_um`: (n,) how far the faces would be apart at places were they held level, so −h_lower − h_upper up to lift
    and tilt; `part`: (n,) the share of the area each place stands for, its sum 1. The weight acts at the middle of that
    area. Each place resists in proportion to how far it is pressed in, `give_um` under an even load, and does not pull.
    Returns (n,) load, 1 on average, and (n,) µm gap, 0 where it bears. The one minimum of a convex energy, by Newton
    and an exact search along each step.
    """
    from scipy.optimize import brentq

    x0, y0 = float(part @ x_mm), float(part @ y_mm)
    size = max(float(np.ptp(x_mm)), float(np.ptp(y_mm)), 1.0)
    level = np.column_stack([np.ones_like(x_mm), (x_mm - x0) / size, (y_mm - y0) / size])
    wanted = np.array([1.0, 0.0, 0.0])
    stiff = (level * part[:, None]).T @ level / give_um

    def short(at: FloatArray) -> FloatArray:
        """By how much the load that bears exceeds the weight, and its moments."""
        return np.asarray(level.T @ (part * np.maximum(level @ at - apart_um, 0.0)) / give_um - wanted)

    at = np.array([float(apart_um.max()) + give_um, 0.0, 0.0])
    for _ in range(_ROUNDS):
        left = short(at)
        if np.max(np.abs(left)) < 1e-11:
            break
        bears = part * (level @ at > apart_um)
        # A hair of stiffness where nothing bears: the line search then tips it over until something does.
        step = -np.linalg.solve((level * bears[:, None]).T @ level / give_um + 1e-9 * stiff + 1e-15 * np.eye(3), left)
        far = 1.0
        while step @ short(at + far * step) < 0 and far < 1e12:
            far *= 2
        if not step @ left < 0:
            break
        length = float(
            brentq(lambda t, at=at, step=step: step @ short(at + t * step), 0.0, far, xtol=1e-15, rtol=1e-14)
        )
        at = at + length * step
    pressed = level @ at - apart_um
    return np.maximum(pressed, 0.0) / give_um, np.maximum(-pressed, 0.0)


def hinge_mm(x_mm: FloatArray, apart_um: FloatArray, pushed_mm: float, give_um: float = GIVE_UM) -> float:
    """Where an edge of its own weight pivots, given how far the pair is apart along it (n,) µm, up to lift and tilt.

    `x_mm`: (n,) increasing; what lies between is taken as linear. Nearer the far end than `EVEN_PIVOT` of the length
    when the pair is hollow, nearer the middle when it is crowned (J. Rose, Modern Machine-Shop Practice, on trying
    plates, at fig. 2442: touched sideways at an end, a straight-edge swings from the centre of a rounding face and
    shuffles across a hollow one, first one end and then the other).
    """
    fine = np.unique(np.concatenate([x_mm, np.linspace(x_mm[0], x_mm[-1], 401)]))
    width = np.diff(fine)
    part = np.zeros(len(fine))
    part[:-1] += 0.5 * width
    part[1:] += 0.5 * width
    load, _ = bearing(fine, np.zeros_like(fine), np.interp(fine, x_mm, apart_um), part / part.sum(), give_um)
    return pivot_mm(fine, load, pushed_mm)
