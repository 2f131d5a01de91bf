"""How faces lie to one another, and what was done to them: who fits whom, what passes changed, what a hand takes."""

from __future__ import annotations

import numpy as np

from waywright.core.evidence.findings import Parallel, Report
from waywright.views.numbers import BAND, UNKNOWN_UM, UNKNOWN_UM_PER_M, Shown, listed, plural
from waywright.views.slips import LIES


def fit_words(report: Report, shown: Shown) -> tuple[str, ...]:
    """Who agrees with whom, a lay-up each."""
    return tuple(
        f"{a.upper} on {a.lower}, {LIES.get(a.turn, a.turn)}"
        f"{_after(max(a.states))}: they fit to {shown.heights(a.zone_um, BAND * a.sigma_um)} ± "
        f"{shown.height_text(BAND * a.sigma_um, BAND * a.sigma_um)}."
        for a in report.agreements
    )


def _after(passes: int) -> str:
    return f", after {plural(passes, 'pass', 'passes')}" if passes else ""


def change_words(report: Report, shown: Shown) -> tuple[str, ...]:
    """What each pass did, at the places it changed most."""
    found = []
    for change in report.changes:
        low, high = int(np.argmin(change.height_um)), int(np.argmax(change.height_um))
        height_um, within_um = change.height_um.tolist(), (BAND * change.sigma_um).tolist()
        least, most = (
            f"{shown.heights(height_um[i], within_um[i], sign=True)} {shown.height} at "
            f"{shown.length_text(float(change.x_mm[i]))}"
            for i in (low, high)
        )
        found.append(f"{change.face}, pass {change.after}: changed by {least} to {most}, about its plane.")
    return tuple(found)


def hand_words(report: Report, shown: Shown) -> str:
    """What one pass of this hand takes, once its passes were noted by zones; else nothing."""
    if not any(p.zones for p in report.job.passes):
        return ""
    within = BAND * report.hand.depth_u_um
    depth = shown.heights(report.hand.depth_um, within)
    return f"One pass of this hand takes {depth} ± {shown.height_text(within, within)}."


def parallel_words(found: Parallel, shown: Shown) -> str:
    """How one face lies to another of its piece, as far as it is known; nothing where nothing is."""
    more, less = ("thicker", "thinner") if found.opposite else ("higher", "lower")
    slopes = (
        (found.along_um_per_m, found.along_sigma_um_per_m, "far end"),
        (found.across_um_per_m, found.across_sigma_um_per_m, "far edge"),
    )
    parts = [
        f"{shown.slopes(abs(slope), BAND * sigma)} ± {shown.slope_text(BAND * sigma, BAND * sigma)} "
        f"{more if slope >= 0 else less} towards the {where}"
        for slope, sigma, where in slopes
        if slope is not None and sigma is not None and BAND * sigma < UNKNOWN_UM_PER_M
    ]
    said = [listed(parts)] if parts else []
    varies, sigma = found.variation_um, found.variation_sigma_um
    if varies is not None and sigma is not None and BAND * sigma < UNKNOWN_UM:
        within = BAND * sigma
        said.append(f"its thickness varies by {shown.heights(varies, within)} ± {shown.height_text(within, within)}")
    return f"{found.face} {'over' if found.opposite else 'beside'} {found.to}: {'; '.join(said)}." if said else ""
