"""That no reading changes when a piece is lifted or tilted, but for what its setting leaves free.

Everything stands on it: rigid bodies are pinned, and a reading that were not blind to them would be swallowed by the
pins without a word. Each kind of reading is held to it here, whoever wrote it.
"""

from __future__ import annotations

import numpy as np

from waywright.core.adjust.network import Network, Unknown
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
    equal = net.rows.sense == 0
    size = np.asarray(np.abs(matrix).sum(axis=1)).ravel()
    for number in np.unique(group):
        mine = np.flatnonzero((group == number) & equal)
        columns = [u.columns.start for u in free if u.label.startswith(f"{shared[number]}: ")]
        change = moves[mine]
        basis = orthonormal(matrix[mine][:, columns].toarray()) if columns else np.zeros((len(mine), 0))
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
    found = np.zeros((net.rows.matrix.shape[0], 3 * len(bodies)))
    for unknown in net.unknowns:
        face = unknown.face
        if face is not None:
            at = 3 * bodies[unknown.body]
            rigid = face.rigid(face.x_mm, face.y_mm)[unknown.nodes] / SIZE_MM
            found[:, at : at + 3] += net.rows.matrix[:, unknown.columns] @ rigid
    return found


def _first_of_each(net: Network) -> list[Unknown]:
    seen: dict[int, Unknown] = {}
    for unknown in net.unknowns:
        if unknown.face is not None:
            seen.setdefault(unknown.body, unknown)
    return list(seen.values())
