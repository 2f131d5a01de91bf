"""The shapes alone, at the speed of a hand: what a reading just typed does to them, before anything is judged.

The verdicts of a report take some ten times as long as its shapes; an entry form shows the shapes first.
"""

from __future__ import annotations

import numpy as np

from waywright.core import verdicts
from waywright.core.adjust.blind import Sight
from waywright.core.adjust.cures import newest_faces
from waywright.core.adjust.network import network
from waywright.core.adjust.suspects import screen
from waywright.core.evidence import Job, JobError
from waywright.core.findings import Shape


def glance(job: Job) -> dict[str, Shape]:
    """Heights and sigmas of every face as `report` gives them, without zones; nothing while they cannot be told."""
    try:
        for setting in job.settings:
            setting.geometry.check(job)
        net = network(job)
        solution = screen(net).solution
        faces = newest_faces(net, solution)
        sigmas = Sight(solution, faces).sigmas_um()
        states, found = job.states(), {}
        for heights in faces:
            judged = verdicts.judged(solution, heights, job.goal.leave_out_mm)
            face, nodes = judged.face, judged.heights.unknown.nodes
            height, sigma = np.full(len(face.x_mm), np.nan), np.full(len(face.x_mm), np.nan)
            height[nodes], sigma[nodes] = judged.height_um, sigmas[face.name]
            none = (None,) * len(face.lines_mm)
            found[face.name] = Shape(
                face.name, states[face.name], face.x_mm, face.y_mm, height, sigma, face.lines_mm, none
            )
    except JobError:
        return {}
    return found
