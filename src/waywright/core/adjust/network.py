"""From a job to rows: every reading one row over heights and the settings' own unknowns."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
from scipy import sparse

from waywright.core.adjust.carriers import Group, grouped
from waywright.core.evidence import Job, JobError, Reading, Setting
from waywright.core.readings.base import AT_LEAST, EQUAL, BoolArray, Equations, HeightTerm, PathTerm, Rests, Site
from waywright.core.things import Face, FloatArray, IntArray, OffTheFace

SAME_PLACE_MM = 1e-6  # places on a guide nearer than this are one


@dataclass(frozen=True)
class Unknown:
    """A named block of columns: the read nodes of a face in one state, or one number a setting owns.

    `prior_um` is its standard deviation before any reading; None = free. Heights have the diffuse prior of a shape
    instead (see `solution`), `nodes` are their numbers on the face and `body` the group that is rigid together. The
    path of a guide is heights too: of a face on one line whose stations are the places read on it.
    """

    label: str
    columns: slice
    prior_um: float | None = None
    face: Face | None = None
    state: int = 0
    nodes: IntArray | None = None
    body: int = -1


@dataclass(frozen=True)
class Rows:
    """matrix · unknowns = value ± u, one row a reading, all in µm.

    `matrix` (n, N) sparse; `noise_um2` splits u² by influence, (n,) each; `instrument` (n,) numbers into
    `instruments`. `sense` is 0 for equations, +1 where the row is at least the value and −1 where it is at most:
    those are checked against the result and move nothing.
    """

    matrix: sparse.csr_matrix
    value_um: FloatArray
    u_um: FloatArray
    reading_ids: tuple[str, ...]
    sense: IntArray
    noise_um2: dict[str, FloatArray]
    instrument: IntArray
    instruments: tuple[str, ...]

    def take(self, keep: IntArray, scale: FloatArray | None = None) -> Rows:
        """Only the rows `keep`, their u multiplied by `scale` (n,)."""
        factor = np.ones(len(self.value_um)) if scale is None else scale
        return Rows(
            self.matrix[keep],
            self.value_um[keep],
            (self.u_um * factor)[keep],
            tuple(self.reading_ids[i] for i in keep),
            self.sense[keep],
            {name: (part * factor**2)[keep] for name, part in self.noise_um2.items()},
            self.instrument[keep],
            self.instruments,
        )


@dataclass(frozen=True)
class Network:
    """The rows of a job over every node of every face state that some setting touches, and its own unknowns.

    `settings` (n,) numbers the setting of each row; `repeated` are readings that only say the same again; `doubts` says
    by a limit's reading what it means when the result contradicts it; `standing` are the spacers of every setting that
    has some.
    """

    job: Job
    unknowns: tuple[Unknown, ...]
    rows: Rows
    settings: IntArray
    notes: tuple[str, ...]
    repeated: tuple[str, ...]
    doubts: Mapping[str, str] = field(default_factory=dict)
    standing: tuple[Group, ...] = ()

    def newest(self, name: str) -> int:
        """The number of the newest state of a face."""
        return self.job.states()[name]

    def carried(self, carrying: IntArray) -> Network:
        """The rows `carrying` as equations, every other spacer as a limit."""
        sense = self.rows.sense.copy()
        for group in self.standing:
            sense[group.rows] = AT_LEAST
        sense[carrying] = EQUAL
        return replace(self, rows=replace(self.rows, sense=sense))

    def checkable(self, open_yet: bool = False) -> Network:
        """Without the limits that nothing can be held against; `open_yet`: any spacer may still be found to carry."""
        equation = self.rows.sense == EQUAL
        for group in self.standing if open_yet else ():
            equation[group.rows] = True
        loose = _loose(self, equation)
        if not loose.any():
            return self
        stays = np.flatnonzero(~loose)
        new = np.full(len(loose), -1, np.intp)
        new[stays] = np.arange(len(stays))
        return replace(
            self,
            rows=self.rows.take(stays),
            settings=self.settings[stays],
            notes=(*self.notes, *_idle(self, loose)),
            standing=tuple(g for group in self.standing if len((g := group.renumbered(new)).rows)),
        )


def network(job: Job, carrying: Collection[str] = ()) -> Network:
    """Assemble the rows of `job`; raises `JobError` (with the place) for readings that cannot be.

    Spacers that carry whatever the shapes are, and those whose readings `carrying` names, are equations; all others are
    limits, until `spacers.settled` has asked the shapes.
    """
    net = _Assembly(job).result()
    known = [
        group.rows[i]
        for group in net.standing
        for i in range(len(group.rows))
        if i in group.sure or net.rows.reading_ids[group.rows[i]] in carrying
    ]
    return net.carried(np.array(known, np.intp)).checkable(open_yet=True)


class _Assembly:
    """Collects terms setting by setting, then makes one sparse matrix."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.faces = job.faces()
        self.piece = {face.name: piece.name for piece in job.pieces for face in piece.faces}
        self.blocks: dict[tuple[str, int], int] = {}  # face state → its first column
        self.width = 0
        self.own: dict[str, tuple[int, float | None]] = {}  # label → its column, numbered after the heights; prior
        self.entries: list[tuple[IntArray, IntArray, FloatArray]] = []
        self.own_entries: list[tuple[IntArray, int, FloatArray]] = []
        self.count = 0
        self.values: list[FloatArray] = []
        self.noises: list[dict[str, FloatArray]] = []
        self.senses: list[IntArray] = []
        self.setting: list[IntArray] = []
        self.ids: list[str] = []
        self.instruments: dict[str, int] = {}
        self.instrument: list[IntArray] = []
        self.notes: dict[str, None] = {}
        self.repeated: list[str] = []
        self.doubts: dict[str, str] = {}
        self.seen: dict[str, set[object]] = {}
        self.links: list[tuple[tuple[str, int], tuple[str, int]]] = []
        self.rests: list[tuple[str, Rests]] = []

    def result(self) -> Network:
        corrected = self.job.corrected()
        earlier: dict[str, tuple[Reading, ...]] = {}
        said: list[tuple[int, Setting, Equations]] = []
        for number, setting in enumerate(self.job.settings):
            live = tuple(r for r in setting.readings if r.id not in corrected)
            if live:
                site = Site(self.job, setting, live, earlier.get(setting.shared, ()))
                said.append((number, setting, setting.geometry.equations(setting, site)))
                earlier[setting.shared] = (*earlier.get(setting.shared, ()), *live)
        self._lay_guides([equations for _, _, equations in said])
        for number, setting, equations in said:
            self.add(number, setting, equations)
        return Network(
            self.job,
            self._unknowns(),
            self._rows(),
            np.concatenate([*self.setting, np.zeros(0, np.intp)]),
            tuple(self.notes),
            tuple(self.repeated),
            self.doubts,
            grouped(self.rests),
        )

    def _lay_guides(self, said: Sequence[Equations]) -> None:
        """Give every guide a face on one line, with a station wherever it is read."""
        places: dict[str, list[FloatArray]] = {}
        for equations in said:
            for path in equations.paths:
                places.setdefault(path.guide, []).append(path.at_mm)
        for guide, parts in places.items():
            at = np.unique(np.concatenate(parts))
            at = at[np.concatenate([[True], np.diff(at) > SAME_PLACE_MM])]
            name = f"guide {guide}"
            if name in self.faces:
                raise JobError(f"A face called {name!r} cannot be told from the guide {guide!r}; give it another name.")
            self.faces[name] = Face(name, max(float(np.ptp(at)), 1.0), 1.0, tuple(at.tolist()))
            self.piece[name] = name

    def add(self, number: int, setting: Setting, equations: Equations) -> None:
        """Append the rows of one setting, leaving out what only says the same again."""
        n = len(equations.readings)
        keep = self._first_said(setting, equations)
        new = np.full(n, -1, np.intp)  # where each row goes
        new[keep] = self.count + np.arange(len(keep))
        touched = []
        for term in (*equations.heights, *(_on_guide(path) for path in equations.paths)):
            face = self.faces.get(term.face)
            if face is None:
                raise JobError(f"There is no face called {term.face!r}.", setting.id)
            state = (term.face, self.job.state_at(term.face, number))
            touched.append(state)
            rows = new[term.rows]
            used = rows >= 0
            nodes, weights = self._interpolate(face, term.x_mm, term.y_mm, equations, term.rows)
            columns = self._columns(state, face) + nodes
            self.entries.append(
                (np.repeat(rows[used], 4), columns[used].ravel(), (weights * term.factor[:, None])[used].ravel())
            )
        if equations.rests is not None:
            rests = equations.rests
            stay = new[rests.rows] >= 0
            kept = replace(rests, rows=new[rests.rows][stay], x_mm=rests.x_mm[stay], y_mm=rests.y_mm[stay])
            self.rests.append((setting.shared, kept))
        if equations.one_body:
            self.links += [(a, b) for a, b in combinations(touched, 2) if self.piece[a[0]] == self.piece[b[0]]]
        for label, prior in equations.unknowns.items():
            self.own.setdefault(label, (len(self.own), prior))
        for own in equations.own:
            rows = new[own.rows]
            used = rows >= 0
            self.own_entries.append((rows[used], self.own[own.label][0], np.asarray(own.factor, float)[used]))
        self._append(number, setting, equations, keep)

    def _append(self, number: int, setting: Setting, equations: Equations, keep: IntArray) -> None:
        sense = equations.sense if equations.sense is not None else np.full(len(equations.readings), EQUAL, np.intp)
        instrument = self.job.instrument(setting)
        source = equations.source or (instrument.name if instrument else "")
        code = self.instruments.setdefault(source, len(self.instruments))
        self.values.append(equations.value_um[keep])
        self.noises.append({name: part[keep] for name, part in equations.noise_um2.items()})
        self.senses.append(sense[keep])
        self.setting.append(np.full(len(keep), number, np.intp))
        self.instrument.append(np.full(len(keep), code, np.intp))
        self.ids += [equations.readings[i].id for i in keep]
        self.notes.update(dict.fromkeys(equations.notes))
        self.doubts.update(equations.doubts)
        self.count += len(keep)

    def _first_said(self, setting: Setting, equations: Equations) -> IntArray:
        """Rows of readings that are not a repetition of an equal bracket or spacer in the same setting."""
        if equations.once is None:
            return np.arange(len(equations.readings), dtype=np.intp)
        seen = self.seen.setdefault(setting.shared, set())
        keep = []
        for i, key in enumerate(equations.once):
            if key is not None and key in seen:
                self.repeated.append(equations.readings[i].id)
                continue
            if key is not None:
                seen.add(key)
            keep.append(i)
        return np.array(keep, np.intp)

    def _columns(self, state: tuple[str, int], face: Face) -> int:
        if state not in self.blocks:
            self.blocks[state] = self.width
            self.width += len(face.stations_mm) * len(face.lines_mm)
        return self.blocks[state]

    def _interpolate(
        self, face: Face, x_mm: FloatArray, y_mm: FloatArray, equations: Equations, rows: IntArray
    ) -> tuple[IntArray, FloatArray]:
        try:
            return face.interpolate(x_mm, y_mm)
        except OffTheFace:
            for i, row in enumerate(rows):  # name the reading
                try:
                    face.interpolate(x_mm[i : i + 1], y_mm[i : i + 1])
                except OffTheFace as error:
                    raise JobError(str(error), equations.readings[row].id) from None
            raise

    def _rows(self) -> Rows:
        entries = [*self.entries, *((r, np.full(len(r), self.width + c), f) for r, c, f in self.own_entries)]
        if entries:
            i, j, v = (np.concatenate(part) for part in zip(*entries, strict=True))
        else:
            i, j, v = np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros(0)
        used = v != 0.0
        matrix = sparse.csr_matrix((v[used], (i[used], j[used])), shape=(self.count, self.width + len(self.own)))
        matrix.sum_duplicates()
        noise: dict[str, FloatArray] = {}
        start = 0
        for parts, values in zip(self.noises, self.values, strict=True):
            for name, part in parts.items():
                noise.setdefault(name, np.zeros(self.count))[start : start + len(values)] += part
            start += len(values)
        total = np.sum(list(noise.values()), axis=0) if noise else np.zeros(0)
        bad = np.flatnonzero(~(total > 0))
        if len(bad):
            raise JobError(
                "A reading cannot be without uncertainty; give its instrument a u above 0.", self.ids[bad[0]]
            )
        return Rows(
            matrix,
            np.concatenate([*self.values, np.zeros(0)]),
            np.sqrt(total),
            tuple(self.ids),
            np.concatenate([*self.senses, np.zeros(0, np.intp)]),
            noise,
            np.concatenate([*self.instrument, np.zeros(0, np.intp)]),
            tuple(self.instruments),
        )

    def _unknowns(self) -> tuple[Unknown, ...]:
        body = _grouped(list(self.blocks), self.links)
        heights = [
            Unknown(
                f"{name}" + (f" ({state} passes on)" if state else ""),
                slice(first, first + len(self.faces[name].x_mm)),
                None,
                self.faces[name],
                state,
                np.arange(len(self.faces[name].x_mm)),
                body[name, state],
            )
            for (name, state), first in self.blocks.items()
        ]
        own = [
            Unknown(label, slice(self.width + column, self.width + column + 1), prior)
            for label, (column, prior) in self.own.items()
        ]
        return (*heights, *own)


def _loose(net: Network, equation: BoolArray) -> BoolArray:
    """(n,) the limits that nothing can be held against: no equation says how their setting lay there.

    A limit can be checked when its part of the setting's free unknowns is a sum of those of the setting's equations
    (one of these unknowns may have no column of its own after `compress`: its value is in the others).
    """
    loose = np.zeros(len(equation), bool)
    if equation.all():
        return loose
    columns = net.rows.matrix.tocsc()
    for group in _free(net.unknowns).values():
        part = columns[:, group].tocsr()
        mine = np.flatnonzero(np.diff(part.indptr) > 0)
        dense, asks = part[mine].toarray(), ~equation[mine]
        dense /= np.maximum(np.linalg.norm(dense, axis=0), 1e-300)
        told = np.vstack([dense[~asks], np.zeros((len(group), len(group)))])
        _, sizes, directions = np.linalg.svd(told, full_matrices=False)
        unseen = dense[asks] @ directions[sizes <= 1e-9].T
        loose[mine[asks]] |= np.linalg.norm(unseen, axis=1) > 1e-7 * np.linalg.norm(dense[asks], axis=1)
    return loose


def _idle(net: Network, loose: BoolArray) -> list[str]:
    """A note on the typed readings among these; that touching faces cannot cross goes without saying."""
    typed = {r.id for _, r in net.job.readings()}
    idle = [net.rows.reading_ids[i] for i in np.flatnonzero(loose) if net.rows.reading_ids[i] in typed]
    if not idle:
        return []
    names = idle[0] + (f" and {len(idle) - 1} more" if len(idle) > 1 else "")
    return [f"Nothing can be held against {names} yet: no value says how the faces lay to each other there."]


def _free(unknowns: Sequence[Unknown]) -> dict[str, list[int]]:
    """The columns of the free unknowns that each setting owns."""
    groups: dict[str, list[int]] = {}
    for unknown in unknowns:
        if unknown.face is None and unknown.prior_um is None:
            owner, colon, _ = unknown.label.rpartition(": ")
            if colon:
                groups.setdefault(owner, []).append(unknown.columns.start)
    return groups


def _on_guide(path: PathTerm) -> HeightTerm:
    return HeightTerm(f"guide {path.guide}", path.rows, path.at_mm, np.zeros_like(path.at_mm), path.factor)


def _grouped(
    states: Sequence[tuple[str, int]], links: list[tuple[tuple[str, int], tuple[str, int]]]
) -> dict[tuple[str, int], int]:
    """Number the groups of face states that some reading ties together as one rigid body."""
    parent = {s: s for s in states}

    def root(s: tuple[str, int]) -> tuple[str, int]:
        while parent[s] != s:
            s = parent[s]
        return s

    for a, b in links:
        parent[root(a)] = root(b)
    numbers: dict[tuple[str, int], int] = {}
    return {s: numbers.setdefault(root(s), len(numbers)) for s in states}


def compress(unknowns: tuple[Unknown, ...], rows: Rows) -> tuple[tuple[Unknown, ...], Rows, IntArray]:
    """Leave out nodes no row touches and free unknowns that another of the same setting already stands for.

    Returns the unknowns left, the rows over them, and the old column of each new one.
    """
    touched = np.zeros(rows.matrix.shape[1], bool)
    touched[rows.matrix.indices] = True
    touched[_dependent(unknowns, rows, touched)] = False
    kept: list[Unknown] = []
    start = 0
    for unknown in unknowns:
        used = np.flatnonzero(touched[unknown.columns])
        if len(used):
            nodes = None if unknown.nodes is None else unknown.nodes[used]
            kept.append(replace(unknown, columns=slice(start, start + len(used)), nodes=nodes))
            start += len(used)
    old = np.flatnonzero(touched)
    return tuple(kept), replace(rows, matrix=over(rows.matrix, old)), old


def over(matrix: sparse.csr_matrix, columns: IntArray) -> sparse.csr_matrix:
    """The matrix over some of its columns, in their order; what `matrix[:, columns]` gives, at a fifth of the time."""
    place = np.full(matrix.shape[1], -1, matrix.indices.dtype)
    place[columns] = np.arange(len(columns))
    new = place[matrix.indices]
    stays = new >= 0
    starts = np.zeros(len(new) + 1, matrix.indptr.dtype)
    np.cumsum(stays, out=starts[1:])
    shape = (matrix.shape[0], len(columns))
    return sparse.csr_matrix((matrix.data[stays], new[stays], starts[matrix.indptr]), shape=shape)


def _dependent(unknowns: tuple[Unknown, ...], rows: Rows, touched: BoolArray) -> list[int]:
    """Columns of free own unknowns that are sums of others of the same setting: a tilt across when all y are equal."""
    groups = {owner: [c for c in columns if touched[c]] for owner, columns in _free(unknowns).items()}
    gone: list[int] = []
    free = np.array([column for group in groups.values() for column in group], np.intp)
    mine = over(rows.matrix, free)
    products = (mine.T @ mine).toarray()
    start = 0
    for group in groups.values():
        at = slice(start, start := start + len(group))
        square = products[at, at]
        size = np.sqrt(np.diag(square))
        if len(group) < 2 or np.linalg.eigvalsh(square / np.outer(size, size))[0] > 1e-8:  # far from dependent
            continue
        dense = mine[:, at].toarray() / size
        # In the order given, so that lift stays before tilt: each column against those kept before it.
        basis = np.zeros((len(dense), 0))
        for column, values in zip(group, dense.T, strict=True):
            left = values - basis @ (basis.T @ values)
            left -= basis @ (basis.T @ left)
            norm = float(np.linalg.norm(left))
            if norm > 1e-7:
                basis = np.column_stack([basis, left / norm])
            else:
                gone.append(column)
    return gone
