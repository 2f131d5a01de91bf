"""The scraping map: where to take metal and how often, so that nothing is taken where the height is not surely proud.

The plan comes from the likeliest shape (`plan`); the draws then take passes away (`trial`): a square keeps a pass only
if, with the stated chance, no place of the whole face is taken below the target, the hand's own scatter counted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from waywright.core.evidence.things import Face, FloatArray, Hand, IntArray
from waywright.core.judge.decisions import decide
from waywright.core.judge.form import zone_summary
from waywright.core.judge.limits import Limit
from waywright.core.work.maps import Outcome, Promise, ScrapingMap, Taken, Target, strokes, zones
from waywright.core.work.pencil import GRID_MM, Pencil, pencil
from waywright.core.work.plan import Planned, Task, planned
from waywright.core.work.trial import Trial, spread_over

AIMS = (2 / 3, 5 / 6, 1.0)  # of a limit, the first that can be reached: the rest is left for proving the result
MOST = 6  # passes between readings: after more the hand has drifted and the piece is warm; common practice, no source
LIGHTEST_UM = 0.4  # no hand takes lighter passes than about this; a guess, no source
DENSITY_G_PER_CM3 = 7.2  # grey cast iron, from memory
CM2_PER_MINUTE, MINUTES_A_PASS = 20.0, 5.0  # by hand, and to blue, look and clean; guesses, no source
BLIND_UM = 50.0  # heights known no better than this belong to a shape that no reading sees
_SIDES = {"hollow only": 1, "middle high only": -1}


def scraping_map(
    face: Face,
    x_mm: ArrayLike,
    y_mm: ArrayLike,
    height_um: ArrayLike,
    draws_um: ArrayLike,
    *,
    hand: Hand | None = None,
    limit: Limit | None = None,
    side: str = "between",
    goal_um: float | None = None,
    measure: str | None = None,
    leave_out_mm: float = 0.0,
    grid_mm: float = GRID_MM,
    chance: float = 0.95,
    passes_before: int = 0,
    taken: Taken | None = None,
    most: int = MOST,
) -> ScrapingMap:
    """Plan the next round of scraping on one face.

    `x_mm`, `y_mm`, `height_um` (n,): the read nodes and their heights (NaN is left out); `draws_um` (m, n): shapes it
    may have (`judge.form.FormPosterior.draws_um`), whose mean is planned for. Lift and tilt of a draw say nothing.

    `hand`: what one pass of it takes. `limit`, with its side, on the `measure` ("straightness" of the worst line,
    "flatness"; by default by how many lines there are): a face inside it is left alone; `side` where there is no limit.
    `goal_um`: the zone to come to, some two thirds of the limit if not given; with neither, as flat as the hand can.
    `chance`: that no place at all is taken below the target, and that less is left than there was.
    `passes_before`: how often the face was gone over until now. `most`: passes a round.
    `taken`: what earlier maps took (`ScrapingMap.taken`, added up) since the face was last even between its stations.
    Without it a face scraped in steps is taken as even between them, which it is not.

    The target is a plane; where straightness alone is asked of several lines, their twist against each other is left
    as it is, so the target has that twist. At the same goal more uncertainty never takes more metal.
    Raises ValueError where shapes do not fit, a place is no node of the face, or a number is out of its range.
    """
    asked = _Asked(limit, _aims(limit, goal_um), passes_before, most)
    x, y, h, draws = _read(x_mm, y_mm, height_um, draws_um)
    measure = _measure(face, measure)
    columns = _even_columns(face, x, y, measure)
    inverse = np.linalg.pinv(columns, rcond=1e-12) if len(x) else np.zeros((4, 0))
    even = draws - draws @ inverse.T @ columns.T
    rule = partial(pencil, face, x, y, leave_out_mm=leave_out_mm, grid_mm=grid_mm)
    grid = rule()
    if grid.shape[0] == 2 and (
        _steep(grid, even.mean(axis=0)) > (hand or Hand()).depth_um or (taken is not None and len(taken.um) == 4)
    ):
        grid = rule(quarters=True)
    trial = Trial(
        grid=grid,
        draws_um=np.asarray(even @ grid.weights.T),
        taken=_taken(grid, taken),
        hand=hand or Hand(),
        measure=measure,
        limit=limit,
        side=_side(limit, side),
        chance=_chance(chance),
    )
    return _mapped(trial, asked, _even(face, inverse @ h))


@dataclass(frozen=True)
class _Asked:
    limit: Limit | None
    aims: tuple[float | None, ...]
    passes_before: int
    most: int

    def __post_init__(self) -> None:
        if self.most < 1 or self.passes_before < 0:
            raise ValueError("A round has at least one pass, and a face was gone over 0 times or more before it.")
        if any(aim is not None and not aim > 0 for aim in self.aims):
            raise ValueError("The zone to come to is more than 0 µm.")


def _mapped(trial: Trial, asked: _Asked, plane: FloatArray, *, lighter: bool = True) -> ScrapingMap:
    """The questions in their order: read, inside already, anything to take, surely proud, any better for it."""
    grid = trial.grid
    if len(np.unique(grid.at_x_mm[grid.counts])) < 3:
        return _empty(trial, asked, "unread")
    if asked.limit is not None:
        decision = decide(trial.values(trial.start_um), asked.limit, level=trial.chance)
        if decision.word == "inside":
            return _empty(trial, asked, "inside")
    plan = _plan(trial, asked)
    if not plan.passes.any():
        if plan.reaches:
            return _empty(trial, asked, "near")
        return _coarse(trial, asked, plane, lighter)
    passes = trial.withheld(plan)
    if not passes.any():
        return _empty(trial, asked, "unsure")
    after = trial.after(passes)
    better = _better(trial, after)
    if better < trial.chance:
        return _coarse(trial, asked, plane, lighter)
    return replace(_result(trial, asked, plane, plan, passes, after), chance_better=better)


def _plan(trial: Trial, asked: _Asked) -> Planned:
    """The plan for the first aim that can be reached in one round; where none can, the most useful for the first."""
    found = [planned(Task(trial.grid, trial.mean_um, trial.hand, asked.aims[0], trial.side, asked.most))]
    for aim in asked.aims[1:]:
        if found[-1].reaches:
            break
        found.append(planned(Task(trial.grid, trial.mean_um, trial.hand, aim, trial.side, asked.most)))
    return found[-1] if found[-1].reaches else found[0]


def _better(trial: Trial, after_um: FloatArray) -> float:
    """The chance that less is left than before; or no more, with ends or middle brought to where they may be."""
    before, after = trial.zones(trial.start_um), trial.zones(after_um)
    less = after < before
    less |= (after < before + 1e-9) & (trial.overhang(after_um) < trial.overhang(trial.start_um))
    if trial.side:
        less |= trial.on_wrong_side(trial.start_um) & ~trial.on_wrong_side(after_um)
    return float(less.mean())


def _coarse(trial: Trial, asked: _Asked, plane: FloatArray, lighter: bool) -> ScrapingMap:
    """No pass of this hand would surely help: most likely the face is good, or a lighter pass may be tried."""
    if (trial.chance_inside(trial.start_um) or 0.0) >= 0.5:
        return _empty(trial, asked, "near")
    share = 0.5
    while lighter and trial.hand.depth_um * share >= LIGHTEST_UM:
        light = trial.hand.lighter(share)
        found = _mapped(replace(trial, hand=light), asked, plane, lighter=False)
        if found.outcome == "scrape":
            return _empty(trial, asked, "coarse", light.depth_um)
        share /= 2
    return _empty(trial, asked, "coarse")


def _empty(trial: Trial, asked: _Asked, outcome: Outcome, lighter_um: float | None = None) -> ScrapingMap:
    grid = trial.grid
    before = trial.zones(trial.start_um) if outcome != "unread" else None
    return ScrapingMap(
        face=grid.face,
        outcome=outcome,
        target=None,
        x_mm=grid.x_mm,
        y_mm=grid.y_mm,
        passes=np.zeros(grid.shape, np.intp),
        read=grid.workable.reshape(grid.shape),
        zones=(),
        strokes=(),
        hand=trial.hand,
        measure=trial.measure,
        goal_um=asked.aims[0],
        before_um=None if before is None else float(before.mean()),
        after_um=None,
        after_95_um=None,
        chance_inside=None if before is None else trial.chance_inside(trial.start_um),
        wrong_side=trial.wrong_side(trial.start_um) if trial.side and before is not None else None,
        metal_mm3=0.0,
        metal_g=0.0,
        minutes=0.0,
        level=trial.chance,
        unseen=bool(outcome == "unsure" and np.sqrt(trial.variance_um2.max()) > BLIND_UM),
        lighter_um=lighter_um,
    )


def _result(
    trial: Trial, asked: _Asked, plane: FloatArray, plan: Planned, passes: IntArray, after_um: FloatArray
) -> ScrapingMap:
    grid = trial.grid
    squares = spread_over(grid, passes)
    left = zone_summary(trial.zones(after_um))
    chance = trial.chance_inside(after_um)
    going_over = strokes(squares, asked.passes_before)
    areas = [float(grid.area_mm2[stroke.squares.ravel()].sum()) for stroke in going_over]
    metal = float(passes @ grid.area_mm2[grid.numbers]) * trial.hand.depth_um / 1e3
    return ScrapingMap(
        face=grid.face,
        outcome="scrape",
        target=_target(grid, plan, plane),
        x_mm=grid.x_mm,
        y_mm=grid.y_mm,
        passes=squares,
        read=grid.workable.reshape(grid.shape),
        zones=zones(grid.x_mm, grid.y_mm, squares, spread_over(grid, trial.chances_below(plan, passes))),
        strokes=going_over,
        hand=trial.hand,
        measure=trial.measure,
        goal_um=asked.aims[0],
        before_um=float(trial.zones(trial.start_um).mean()),
        after_um=left.mean,
        after_95_um=left.interval_95,
        chance_inside=chance,
        wrong_side=trial.wrong_side(after_um) if trial.side else None,
        metal_mm3=metal,
        metal_g=metal * DENSITY_G_PER_CM3 / 1e3,
        minutes=sum(MINUTES_A_PASS + area / 100 / CM2_PER_MINUTE for area in areas),
        level=trial.chance,
        promise=_promise(asked, plan, chance, trial.chance),
    )


def _promise(asked: _Asked, plan: Planned, chance: float | None, wanted: float) -> Promise:
    """What the round is good for."""
    if chance is not None and chance >= wanted:
        return "inside"
    if chance is not None and chance >= 0.5:
        return "likely inside"
    if asked.aims[0] is None:
        return "as flat as it gets"
    return "goal" if plan.reaches and chance is None else "on the way"


def _target(grid: Pencil, plan: Planned, plane: FloatArray) -> Target:
    """The plan's target in the frame of the heights that were given."""
    span, across = grid.span_mm, grid.across_mm
    b, c = 2 * plan.along_um / (span[1] - span[0]), 0.0
    a = plan.level_um - plan.along_um * (span[0] + span[1]) / (span[1] - span[0])
    if across is not None:
        c = 2 * plan.across_um / (across[1] - across[0])
        a -= plan.across_um * (across[0] + across[1]) / (across[1] - across[0])
    both = across if len(grid.face.lines_mm) > 2 else None
    even = (float(plane[0] + a), float(plane[1] + b), float(plane[2] + c), float(plane[3]))
    return Target(*even, plan.bend_um, span, both)


def _read(
    x_mm: ArrayLike, y_mm: ArrayLike, height_um: ArrayLike, draws_um: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """What was read, NaN left out."""
    x, y, h, draws = (np.asarray(a, np.float64) for a in (x_mm, y_mm, height_um, draws_um))
    n = h.size
    if not (x.shape == y.shape == h.shape == (n,) and draws.ndim == 2 and draws.shape[1] == n and len(draws)):
        raise ValueError("Places and heights must be lists of one length, and each draw a row of as many heights.")
    read = np.isfinite(h)
    x, y, h, draws = x[read], y[read], h[read], draws[:, read]
    if not all(np.isfinite(a).all() for a in (x, y, draws)):
        raise ValueError("A place or a drawn height is not a finite number.")
    return x, y, h, draws


def _steep(grid: Pencil, height_um: FloatArray) -> float:
    """How far the likeliest heights fall within one square, at most."""
    if not len(grid.starts):
        return 0.0
    at = grid.weights @ height_um
    return float((np.maximum.reduceat(at, grid.starts) - np.minimum.reduceat(at, grid.starts)).max())


def _even_columns(face: Face, x: FloatArray, y: FloatArray, measure: str) -> FloatArray:
    """(n, 4) what does not matter: lift, tilts and, where lines are judged each for itself, twist (else 0)."""
    s, t = 2 * x / face.length_mm - 1, 2 * y / face.width_mm
    twist = s * t if measure == "straightness" else np.zeros_like(s)
    return np.stack([np.ones(len(x)), s, t, twist], axis=1)


def _even(face: Face, of: FloatArray) -> FloatArray:
    """(4,) a, b, c, d of a + b·x + c·y + d·x·y, x and y in mm, from the weights of the columns."""
    b, c = 2 / face.length_mm, 2 / face.width_mm
    return np.array([of[0] - of[1], b * of[1], c * (of[2] - of[3]), b * c * of[3]])


def _aims(limit: Limit | None, goal_um: float | None) -> tuple[float | None, ...]:
    return tuple(share * limit.value for share in AIMS) if goal_um is None and limit is not None else (goal_um,)


def _side(limit: Limit | None, side: str) -> int:
    told = limit.side if limit is not None and limit.signed else side
    if told not in ("between", "at most", *_SIDES):
        raise ValueError(f"A face is scraped middle high only, hollow only or either way, not {told!r}.")
    return _SIDES.get(told, 0)


def _measure(face: Face, measure: str | None) -> str:
    if measure not in (None, "straightness", "flatness"):
        raise ValueError(f"A face is scraped for its straightness or its flatness, not its {measure}.")
    if len(face.lines_mm) == 1:
        return "straightness"
    return measure or "flatness"


def _chance(chance: float) -> float:
    if not 0.5 < chance < 1.0:
        raise ValueError(f"The chance of staying above the target lies between 0.5 and 1, not at {chance:g}.")
    return chance


def _taken(grid: Pencil, taken: Taken | None) -> Taken | None:
    if taken is None or not np.any(taken.um):
        return None
    um, scatter = (np.asarray(a, np.float64) for a in (taken.um, taken.scatter_um))
    fits = um.shape == scatter.shape and um.ndim == 2 and um.shape[1] == grid.shape[1] and not grid.shape[0] % len(um)
    if not (fits and np.isfinite(um).all() and np.isfinite(scatter).all() and min(um.min(), scatter.min()) >= 0):
        raise ValueError(f"What was taken before is told of each square, {grid.shape[0]} bands of {grid.shape[1]}.")
    return Taken(um, scatter).ruled(grid.shape[0])
