"""That no reading changes when a piece is lifted or tilted, but for what its setting leaves free.

Everything stands on it: rigid bodies are pinned, and a reading that were not blind to them would be swallowed by the
pins without a word. Each kind of reading is held to it here, whoever wrote it.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from waywright.core.adjust.columns import MOTION_SIZE, SLACK, beyond, over
from waywright.core.adjust.network import Network
from waywright.core.evidence.job import JobError
from waywright.core.evidence.things import FloatArray
from waywright.units import METRIC


def check(net: Network) -> None:
    """Raise `JobError`, naming the setting, when its readings would change with the lift or tilt of a piece."""
    moves = _moves(net)
    shared = [setting.group for setting in net.job.settings]
    group = np.array([shared.index(shared[i]) for i in net.settings], np.intp)
    free = [u for u in net.unknowns if u.face is None and u.prior_um is None]
    matrix = net.rows.matrix
    own = over(matrix, np.array([u.columns.start for u in free], np.intp))
    equal = net.rows.sense == 0
    size = np.abs(matrix) @ np.ones(matrix.shape[1])
    for number in np.unique(group):
        mine = np.flatnonzero((group == number) & equal)
        columns = [i for i, u in enumerate(free) if u.label.setting == shared[number]]
        left = beyond(moves[mine], own[mine].toarray()[:, columns])
        if np.any(np.abs(left).max(axis=1, initial=0.0) > SLACK * size[mine]):
            setting = net.job.settings[int(number)]
            raise JobError(
                f"The readings of {setting.geometry.words(METRIC)} would change if a piece were lifted or tilted, "
                "which no reading can tell; its kind must leave that free.",
                setting.id,
            )


def _moves(net: Network) -> FloatArray:
    """(rows, 5·bodies) what each row reads more when a rigid body is moved 1 µm, or tilted 1 µm over a metre."""
    bodies = {body: i for i, body in enumerate(dict.fromkeys(u.body for u in net.unknowns if u.face is not None))}
    motions = len(MOTION_SIZE)
    found = np.zeros((net.rows.matrix.shape[1], motions))
    first = np.zeros(len(found), np.intp)  # the first of its body's five
    for unknown in net.unknowns:
        face = unknown.face
        if face is not None:
            found[unknown.columns] = face.rigid(face.x_mm, face.y_mm)[unknown.nodes] / MOTION_SIZE
            first[unknown.columns] = motions * bodies[unknown.body]
    at = first[:, None] + np.arange(motions)
    shape = (len(found), motions * len(bodies))
    rigid = sparse.csr_matrix((found.ravel(), at.ravel(), motions * np.arange(len(found) + 1)), shape=shape)
    return np.asarray((net.rows.matrix @ rigid).toarray())
