"""A result for machines: the keys of `--json`, full precision, null where there is no number.

docs/json.md lists the keys; a test holds it to them.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from waywright.core.evidence.findings import BlindSpot, Misfit, Move, Report, Shape, Suspect, Verdict
from waywright.core.evidence.job import Job
from waywright.core.results.expect import Expected
from waywright.views.findings import cure_words, misfit_words, note_words
from waywright.views.grounds import verdict_why
from waywright.views.moves import how, reason
from waywright.views.numbers import METRIC
from waywright.views.standing import standing_notes

Json = dict[str, Any]


def report_json(report: Report) -> Json:
    """Everything a report says; lists of heights run over the nodes, lines fastest."""
    return {
        "title": report.job.title,
        "faces": {shape.face: _shape(shape) for shape in report.shapes},
        "blind": [_blind(spot) for spot in report.blind if not spot.weak],
        "weak": [_blind(spot) for spot in report.blind if spot.weak],
        "suspects": [_suspect(suspect) for suspect in report.suspects],
        "slips": [
            {
                "setting": s.setting,
                "slip": s.slip,
                "y_mm": s.y_mm,
                "chi2_before": s.chi2_before,
                "chi2_after": s.chi2_after,
            }
            for s in report.fit.slips
        ],
        "stands": [{"setting": s.setting, "on": s.on, "free": s.free, "told": s.untold} for s in report.standing],
        "unchecked": list(report.unchecked),
        "untouched": list(report.untouched),
        "past": list(report.past),
        "corrected": list(report.corrected),
        "fit": {
            "chi2": report.fit.chi2,
            "redundancy": report.fit.redundancy,
            "instruments": {
                s.instrument: {"factor": s.factor, "found": s.found, "redundancy": s.redundancy}
                for s in report.fit.instruments
            },
            "misfits": [_misfit(misfit, report.job) for misfit in report.fit.misfits],
        },
        "verdicts": [_verdict(verdict) for verdict in report.verdicts],
        "budget": [{"face": s.face, "result": s.result, "name": s.name, "share": s.share} for s in report.budget],
        "agreements": [dataclasses.asdict(agreement) for agreement in report.agreements],
        "changes": [dataclasses.asdict(change) for change in report.changes],
        "parallels": [dataclasses.asdict(parallel) for parallel in report.parallels],
        "hand": dataclasses.asdict(report.hand),
        "notes": [*standing_notes(report, METRIC), *(note_words(note, METRIC) for note in report.notes)],
    }


def moves_json(moves: tuple[Move, ...]) -> Json:
    """What to do next, best first."""
    return {"moves": [_move(move) for move in moves]}


def expected_json(found: Expected) -> Json:
    """What a lay-up should show: places on the lower face, gaps, load, marks, pivots."""
    return {
        "lower": found.layup.lower,
        "upper": found.layup.upper,
        "turn": found.layup.turn,
        "film": found.film,
        "x_mm": found.x_mm,
        "y_mm": found.y_mm,
        "gap_um": found.gap_um,
        "load": found.load,
        "marks": list(found.marks),
        "pivots_mm": {"marked end": found.pivots_mm[0], "far end": found.pivots_mm[1]},
        "even_mm": {"marked end": found.even_mm[0], "far end": found.even_mm[1]},
    }


def dump(data: Mapping[str, Any]) -> str:
    """One JSON object as text: numbers that are not finite become null, arrays lists."""
    return json.dumps(_clean(data), allow_nan=False)


def _shape(shape: Shape) -> Json:
    found: Json = {
        "state": shape.state,
        "x_mm": shape.x_mm,
        "y_mm": shape.y_mm,
        "height_um": shape.height_um,
        "sigma_um": shape.sigma_um,
    }
    if len(shape.lines_mm) == 1:
        return found | {"straightness_um": shape.straightness_um[0]}
    lines = zip(shape.lines_mm, shape.straightness_um, strict=True)
    return found | {
        "lines": [{"y_mm": y, "straightness_um": zone} for y, zone in lines],
        "flatness_um": shape.flatness_um,
        "twist_um_per_m": shape.twist_um_per_m,
    }


def _blind(spot: BlindSpot) -> Json:
    cure = spot.cure and {
        "words": cure_words(spot.cure, METRIC),
        "minutes": spot.cure.minutes,
        "ratio": spot.cure.ratio,
    }
    return {
        "mode": spot.mode,
        "faces": dict(spot.faces),
        "ratio": spot.ratio,
        "sigma_um": spot.sigma_um,
        "effect_um": spot.effect_um,
        "count": spot.count,
        "cure": cure,
    }


def _suspect(suspect: Suspect) -> Json:
    return {
        "reading": suspect.reading,
        "standardised": suspect.standardised,
        "redundancy": suspect.redundancy,
        "with": list(suspect.like),
        "hangs": list(suspect.hangs),
    }


def _misfit(misfit: Misfit, job: Job) -> Json:
    kind = next((s.geometry for s in job.settings if s.id == misfit.setting), None)
    return {
        "what": misfit.what,
        "name": misfit.name,
        "setting": misfit.setting,
        "times": misfit.times,
        "chance": misfit.chance,
        "words": misfit_words(misfit, kind, METRIC),
    }


def _verdict(verdict: Verdict) -> Json:
    unit = "um_per_m" if verdict.measure == "twist" else "um"
    return {
        "face": verdict.face,
        "measure": verdict.measure,
        f"value_{unit}": verdict.value_um,
        "interval_95": verdict.interval_95_um,
        f"limit_{unit}": verdict.limit_um,
        "side": verdict.side,
        "chance_inside": verdict.chance_inside,
        "decision": verdict.decision,
        "why": verdict_why(verdict),
        "prior": verdict.prior,
        "grade": verdict.grade,
        "unseen": list(verdict.unseen),
        "as_made": verdict.as_made,
        f"at_least_{unit}": verdict.at_least_um,
        "seen": [dataclasses.asdict(line) for line in verdict.seen],
    }


def _move(move: Move) -> Json:
    gain = move.gain
    what = "" if gain is None else f"{gain.what}, {gain.unit}" if gain.unit in ("µm", "µm/m") else gain.what
    return {
        "act": move.act,
        "faces": list(move.faces),
        "where_mm": list(move.where_mm),
        "how": how(move),
        "reason": reason(move),
        "gain": {} if gain is None else {"what": what, "from": gain.now, "to": gain.then},
        "minutes": move.minutes,
    }


def _clean(value: Any) -> Any:
    """Plain lists and numbers; what is not finite is None."""
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {str(key): _clean(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
