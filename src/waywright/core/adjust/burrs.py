"""What lay-ups cannot tell from metal: a burr, or dirt that stays, read at the same station in every one of them.

Whatever lies at a node is met alike wherever that node is read, in every turn and against every face: it is taken for
the face's own height, and nothing contradicts it. Only a reading between the nodes does, where the face is taken as
linear from one to the next: a lay-up shifted by half a station, read at the stations of both faces. (Shifted by a whole
station the same nodes meet others, and a burr is read as before.)
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from waywright.core.adjust.network import Network
from waywright.core.adjust.solution import Heights
from waywright.core.evidence.findings import BURR, BlindSpot, Cure
from waywright.core.evidence.job import Job
from waywright.core.evidence.lying import Lying
from waywright.core.evidence.things import Face, IntArray

MET = 0.5  # the share of a face's nodes met from between at which it counts as looked at
SEVERAL = 2  # lay-ups of a face that agree and could not


def burr(net: Network, faces: Sequence[Heights]) -> BlindSpot | None:
    """The faces, in their newest states, that no reading meets between their stations; None where all are met."""
    laid = list(_laid(net.job))
    listed: dict[str, IntArray] = {}
    for heights in faces:
        face, nodes = heights.unknown.face, heights.unknown.nodes
        assert face is not None
        assert nodes is not None
        met = net.between.get((face.name, heights.unknown.state), nodes[:0])
        often = sum(face.name in layup.faces() for layup in laid) >= SEVERAL
        if often and np.isin(nodes, met).mean() < MET:
            listed[face.name] = nodes
    if not listed:
        return None
    able = list(_laid(net.job, to_be_had=True))
    return BlindSpot(BURR, dict.fromkeys(listed, 1), 1.0, math.nan, math.nan, _cure(net.job, able, listed))


def _laid(job: Job, to_be_had: bool = False) -> Iterator[Lying]:
    """The lay-ups on spacers or stacks whose faces have not been cut since; `to_be_had`: those to be read anew."""
    newest = job.states()
    for number, setting in enumerate(job.settings):
        layup = setting.geometry.lying
        if layup is None or not layup.by_stacks or layup.touches:
            continue
        if to_be_had and not job.to_be_had(job.instrument(setting)):
            continue
        if all(job.state_at(name, number) == newest[name] for name in layup.faces()):
            yield layup


def _cure(job: Job, laid: Sequence[Lying], listed: Mapping[str, IntArray]) -> Cure | None:
    """The fewest of these lay-ups, shifted, that meet every listed face from between."""
    faces, left = job.faces(), dict(listed)
    shifts: list[Lying] = []
    minutes = 0.0
    for layup in sorted(laid, key=lambda one: -sum(name in listed for name in one.faces())):
        shifted = _shifted(layup, faces)
        meets = [name for name in shifted.faces() if name in left and _meets(shifted, faces, name, left[name])]
        if meets:
            x, _ = shifted.facing(faces[shifted.lower], faces[shifted.upper])
            shifts.append(shifted)
            minutes += shifted.setting_up_min + shifted.reading_min * len(x)
            left = {name: nodes for name, nodes in left.items() if name not in meets}
    return None if left else Cure(minutes, math.nan, layups=tuple(shifts))


def _shifted(layup: Lying, faces: Mapping[str, Face]) -> Lying:
    """Moved by half of the least distance between stations."""
    pitch = min(float(np.diff(faces[name].stations_mm).min(initial=math.inf)) for name in layup.faces())
    return replace(layup, offset_mm=layup.offset_mm + (pitch / 2 if math.isfinite(pitch) else 0.0))


def _meets(layup: Lying, faces: Mapping[str, Face], name: str, nodes: IntArray) -> bool:
    """Whether the stations of both faces, as they lie, meet enough of one from between."""
    lower, upper = faces[layup.lower], faces[layup.upper]
    x, y = layup.facing(lower, upper)
    if name == layup.upper:
        x, y = layup.on_upper(upper, x, y)
    at, weights = faces[name].interpolate(x, y)
    return bool(np.isin(nodes, at[(weights > 0) & (weights < 1)]).mean() >= MET)
