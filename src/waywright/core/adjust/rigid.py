"""That no reading changes when a piece is lifted or tilted, but for what its setting leaves free.

Everything stands on it: rigid bodies are pinned, and a reading that were not blind to them would be swallowed by the
pins without a word. Each kind of reading is held to it here, whoever wrote it.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from waywright.core.adjust.columns import Unknown, over
from waywright.core.adjust.network import Network
from waywright.core.adjust.solution import orthonormal
from waywright.core.evidence import JobError
from waywright.core.things import FloatArray

SIZE_MM = np.array([1.0, 1000.0, 1000.0])  # one for all faces of a piece: a tilt is of the piece
SLACK = 1e-7  # of the sum of what a row takes of each height


def check(net: Network) -> None:
    """Raise `JobError`, naming the setting, when its readings would change with the lift or tilt of a piece."""
    moves = _moves(net)
    shared = [setting.shared for setting in net.job.settings]
    group = np.array([shared.index(shared[i]) for i in net.settings], np.intp)
    free = [u for u in net.unknowns if u.face is None and u.prior_um is None]
    matrix = net.rows.matrix
    own = over(matrix, np.array([u.columns.start for u in free], np.intp))
    equal = net.rows.sense == 0
    size = np.abs(matrix) @ np.ones(matrix.shape[1])
    for number in np.unique(group):
        mine = np.flatnonzero((group == number) & equal)
        columns = [i for i, u in enumerate(free) if u.label.startswith(f"{shared[number]}: ")]
        change = moves[mine]
        basis = orthonormal(own[mine].toarray()[:, columns])
        left = change - basis @ (basis.T @ change)
        if np.any(np.abs(left).max(axis=1, initial=0.0) > SLACK * size[mine]):
            setting = net.job.settings[int(number)]
            raise JobError(
                f"The readings of {setting.geometry.words()} would change if a piece were lifted or tilted, which no "
                "reading can tell; its kind must leave that free.",
                setting.id,
            )


def _moves(net: Network) -> FloatArray:
    """(rows, 3·bodies) what each row reads more when a rigid body is lifted 1 µm, or tilted 1 µm over a metre."""
    bodies = {u.body: i for i, u in enumerate(_first_of_each(net))}
    found = np.zeros((net.rows.matrix.shape[1], 3))
    first = np.zeros(len(found), np.intp)  # the first of its body's three
    for unknown in net.unknowns:
        face = unknown.face
        if face is not None:
            found[unknown.columns] = face.rigid(face.x_mm, face.y_mm)[unknown.nodes] / SIZE_MM
            first[unknown.columns] = 3 * bodies[unknown.body]
    at = first[:, None] + np.arange(3)
    shape = (len(found), 3 * len(bodies))
    rigid = sparse.csr_matrix((found.ravel(), at.ravel(), 3 * np.arange(len(found) + 1)), shape=shape)
    return np.asarray((net.rows.matrix @ rigid).toarray())


def _first_of_each(net: Network) -> list[Unknown]:
    seen: dict[int, Unknown] = {}
    for unknown in net.unknowns:
        if unknown.face is not None:
            seen.setdefault(unknown.body, unknown)
    return list(seen.values())
