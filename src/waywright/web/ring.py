"""Rounds drawn: the faces in a ring, a line between two that were laid on each other, and what a pass did to a face."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from waywright.core.evidence.findings import Agreement, Change, Report, Shape
from waywright.core.evidence.things import Face
from waywright.views.numbers import BAND, Shown
from waywright.views.ribbon import ribbon_of
from waywright.web.drawing import ACROSS, Drawing, Label, Spot, Stroke, reach_um, side

HIGH_PX, MIDDLE_PX, ROUND_PX = 232, 122, 88
WIDE = 34  # per cent from the middle to a face
MOST_FACES = 6  # beyond these the lines cover one another
SIGNS = {"agree": "=", "apart": "≠", "open": "?"}
SAID = {"agree": "agree", "apart": "do not agree", "open": "may or may not agree"}
TOGETHER = {"over": "together", "end for end": "opposite"}


def limits_um(report: Report) -> dict[str, float]:
    """What the goal allows each face: the zone of two that agree comes to at most the stricter one."""
    found: dict[str, float] = {}
    for verdict in report.verdicts:
        if verdict.limit_um is not None and verdict.measure in ("straightness", "flatness"):
            found[verdict.face] = min(verdict.limit_um, found.get(verdict.face, math.inf))
    return found


def sign_of(a: Agreement, limit_um: float | None) -> str:
    """ "agree" or "apart" where that is sure to 95 %, else "open"; without a limit, whether a difference is seen."""
    within = BAND * a.sigma_um
    if limit_um is None:
        return "agree" if a.zone_um <= within else "apart"
    return "agree" if a.zone_um + within <= limit_um else "apart" if a.zone_um - within > limit_um else "open"


def _limit(limits: Mapping[str, float], a: Agreement) -> float | None:
    return min((limits[name] for name in (a.lower, a.upper) if name in limits), default=None)


def ring(
    faces: Sequence[str],
    agreements: Sequence[Agreement],
    states: Mapping[str, int],
    limits: Mapping[str, float],
    shown: Shown,
) -> Drawing | None:
    """Who agrees with whom: a line for each two faces, its sign and zone in each turn; None for too many or too few.

    Only the newest states count; a pair cut since is drawn as not laid.
    """
    if not 2 <= len(faces) <= MOST_FACES:
        return None
    newest: dict[frozenset[str], dict[str, Agreement]] = {}
    for a in agreements:
        if a.states == (states[a.lower], states[a.upper]):
            newest.setdefault(frozenset((a.lower, a.upper)), {})[a.turn] = a
    at = _places(len(faces))
    strokes, labels, words = [], [], []
    for i, one in enumerate(faces):
        for j in range(i + 1, len(faces)):
            laid = newest.get(frozenset((one, faces[j])), {})
            signs = [sign_of(a, _limit(limits, a)) for a in laid.values()]
            kind = next((s for s in ("apart", "open", "agree") if s in signs), "unlaid")
            (x0, y0), (x1, y1) = at[i], at[j]
            scale = ACROSS / 100
            strokes.append(Stroke(f"pair {kind}", f"M{x0 * scale:.0f} {y0:.0f} L{x1 * scale:.0f} {y1:.0f}"))
            share = 0.5 if len(faces) < 4 else 0.4
            x, y = x0 + share * (x1 - x0), y0 + share * (y1 - y0) - 7 * (len(laid) - 1)
            for k, (a, sign) in enumerate(zip(laid.values(), signs, strict=True)):
                told, turn = shown.heights(a.zone_um, BAND * a.sigma_um), TOGETHER.get(a.turn, a.turn)
                labels.append(Label(x, y + 14 * k + 4, f"{turn} {SIGNS[sign]} {told}", "number"))
                words.append(f"{one} and {faces[j]}, marks {turn}, {SAID[sign]}: {told} {shown.height}")
            if not laid:
                words.append(f"{one} and {faces[j]} were not laid on each other as they are now")
    for (x, y), name in zip(at, faces, strict=True):
        labels.append(Label(x, y - 14 if y <= MIDDLE_PX else y + 24, name, "name"))
    spots = tuple(Spot("face", x, y) for x, y in at)
    return Drawing("; ".join(words) + ".", HIGH_PX, tuple(strokes), (), spots, tuple(labels))


def _places(count: int) -> list[tuple[float, float]]:
    """Where each face stands: two side by side, more in a ring from the top; per cent along, pixels down."""
    if count == 2:
        return [(50 - WIDE, MIDDLE_PX), (50 + WIDE, MIDDLE_PX)]
    turns = [2 * math.pi * k / count - math.pi / 2 for k in range(count)]
    return [(50 + WIDE * math.cos(t), MIDDLE_PX + ROUND_PX * math.sin(t)) for t in turns]


def legend(limits: Mapping[str, float], shown: Shown) -> str:
    """What the signs mean, in one line."""
    if not limits:
        return (
            f"= no difference is seen beyond the uncertainty, ≠ one is. Numbers: the zone between them, {shown.height}."
        )
    one = f"{shown.limit(min(limits.values()), False)} {shown.height}, the limit of one face"
    limit = one if len(set(limits.values())) == 1 else "the stricter limit of the two"
    return f"= agree within {limit}; ≠ do not; ? not told at 95 %. Numbers: the zone between them, {shown.height}."


def changed(change: Change, face: Face, shown: Shown) -> Drawing | None:
    """What a pass did to a face, as a ribbon: what stayed stands proud of what was taken; None as for any ribbon."""
    height = np.full(len(face.x_mm), np.nan)
    sigma = height.copy()
    places = {place: k for k, place in enumerate(zip(face.x_mm.tolist(), face.y_mm.tolist(), strict=True))}
    nodes = [places[place] for place in zip(change.x_mm.tolist(), change.y_mm.tolist(), strict=True)]
    height[nodes], sigma[nodes] = change.height_um, change.sigma_um
    none = (None,) * len(face.lines_mm)
    shape = Shape(face.name, change.after, face.x_mm, face.y_mm, height, sigma, face.lines_mm, none)
    drawn = side(ribbon_of(face, shape, shown), reach_um([shape]))
    return None if drawn is None else replace(drawn, words=f"What pass {change.after} did: {drawn.words}")
