"""From a job to rows: every reading one row over heights and the settings' own unknowns."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import sparse

from waywright.core.adjust.carriers import Group, grouped
from waywright.core.adjust.columns import RigidBody, Rows, State, Unknown, uncheckable
from waywright.core.adjust.guides import guide_faces, on_guide
from waywright.core.evidence.bends import NOTHING_MORE, Bend, Bending, Given
from waywright.core.evidence.job import Job, JobError, Reading, Setting
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.rows import (
    AT_LEAST,
    EQUAL,
    Doubt,
    Equations,
    HeightTerm,
    Influence,
    Label,
    Rests,
    Site,
    off_face,
)
from waywright.core.evidence.things import BoolArray, Face, FloatArray, IntArray, OffTheFace


@dataclass(frozen=True)
class Network:
    """The rows of a job over every node of every face state that some setting touches, and its own unknowns.

    `settings` (n,) numbers the setting of each row; `repeated` are readings that only say the same again; `doubts` says
    by a limit's reading what it means when the result contradicts it; `standing` are the spacers of every setting that
    has some. `idle` are limits that none of the rows can be held against one by one, with their settings (n,): no value
    says how the faces lay. `between`: of each face state the nodes that some reading beside them speaks of as well.
    """

    job: Job
    unknowns: tuple[Unknown, ...]
    rows: Rows
    settings: IntArray
    notes: tuple[str, ...]
    repeated: tuple[str, ...]
    doubts: Mapping[str, Doubt] = field(default_factory=dict)
    standing: tuple[Group, ...] = ()
    idle: tuple[tuple[Rows, IntArray], ...] = ()
    between: Mapping[tuple[str, int], IntArray] = field(default_factory=dict)

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
        loose = uncheckable(self.unknowns, self.rows, equation)
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
            idle=(*self.idle, (self.rows.take(np.flatnonzero(loose)), self.settings[loose])),
        )


def network(job: Job, given: Given = NOTHING_MORE, *, whole: bool = False) -> Network:
    """Assemble the rows of `job`; raises `JobError` (with the place) for readings that cannot be.

    Spacers that carry whatever the shapes are, and those `given` as carrying, are equations; all others are limits,
    until `spacers.settled` has asked the shapes. How pieces bend is in every row. `whole`: every face has columns,
    those that nothing touches too.
    """
    net = _Assembly(job, given.bends).result(whole)
    known = [
        group.rows[i]
        for group in net.standing
        for i in range(len(group.rows))
        if i in group.sure or net.rows.reading_ids[group.rows[i]] in given.carrying
    ]
    return net.carried(np.array(known, np.intp)).checkable(open_yet=True)


class _Assembly:
    """Collects terms setting by setting, then makes one sparse matrix."""

    def __init__(self, job: Job, bends: Bending) -> None:
        self.job, self.bends = job, bends
        self.faces = dict(job.faces())
        self.piece = {face.name: piece.name for piece in job.pieces for face in piece.faces}
        self.blocks: dict[tuple[str, int], int] = {}  # face state → its first column
        self.width = 0
        self.own: dict[Label, tuple[int, float | None]] = {}  # label → its column, numbered after the heights; prior
        self.entries: list[tuple[IntArray, IntArray, FloatArray]] = []
        self.own_entries: list[tuple[IntArray, int, FloatArray]] = []
        self.count = 0
        self.values: list[FloatArray] = []
        self.noises: list[dict[Influence, FloatArray]] = []
        self.senses: list[IntArray] = []
        self.setting: list[IntArray] = []
        self.ids: list[str] = []
        self.instruments: dict[str, int] = {}
        self.instrument: list[IntArray] = []
        self.notes: dict[str, None] = {}
        self.repeated: list[str] = []
        self.doubts: dict[str, Doubt] = {}
        self.seen: dict[str, set[object]] = {}
        self.ties: list[tuple[State, State]] = []
        self.rests: list[tuple[str, Rests]] = []
        self.between: dict[tuple[str, int], list[IntArray]] = {}

    def result(self, whole: bool) -> Network:
        corrected = self.job.corrected()
        earlier: dict[str, tuple[Reading, ...]] = {}
        said: list[tuple[int, Setting, Equations]] = []
        for number, setting in enumerate(self.job.settings):
            live = tuple(r for r in setting.readings if r.id not in corrected)
            if live:
                site = Site(self.job, setting, live, earlier.get(setting.group, ()))
                said.append((number, setting, setting.geometry.equations(setting, site)))
                earlier[setting.group] = (*earlier.get(setting.group, ()), *live)
        self._lay_guides([equations for _, _, equations in said])
        for number, setting, equations in said:
            self.add(number, setting, equations)
        for name, state in self.job.states().items() if whole else ():
            self._columns((name, state), self.faces[name])
        return Network(
            self.job,
            self._unknowns(),
            self._rows(),
            np.concatenate([*self.setting, np.zeros(0, np.intp)]),
            tuple(self.notes),
            tuple(self.repeated),
            self.doubts,
            grouped(self.rests),
            between={state: np.unique(np.concatenate(parts)) for state, parts in self.between.items()},
        )

    def _lay_guides(self, said: Sequence[Equations]) -> None:
        """Give every guide a face of its own, a body apart."""
        self.guides = guide_faces((path for equations in said for path in equations.paths), self.faces)
        for face in self.guides.values():
            self.faces[face.name] = face
            self.piece[face.name] = face.name

    def add(self, number: int, setting: Setting, equations: Equations) -> None:
        """Append the rows of one setting, leaving out what only says the same again."""
        n = len(equations.readings)
        keep = self._first_said(setting, equations)
        new = np.full(n, -1, np.intp)  # where each row goes
        new[keep] = self.count + np.arange(len(keep))
        touched = []
        value = equations.value_um.copy()
        bends = self.bends(self.job, setting)
        guided = (term for path in equations.paths for term in on_guide(path, self.guides[path.guide]))
        for term in (*equations.heights, *guided):
            face = self.faces.get(term.face)
            if face is None:
                raise JobError(f"There is no face called {term.face!r}.", setting.id)
            state = (term.face, self.job.state_at(term.face, number))
            touched.append(state)
            rows = new[term.rows]
            used = rows >= 0
            nodes, weights = self._interpolate(face, term, equations, setting.geometry)
            columns = self._columns(state, face) + nodes
            self.between.setdefault(state, []).append(nodes[(weights > 0) & (weights < 1) & used[:, None]])
            self.entries.append(
                (np.repeat(rows[used], 4), columns[used].ravel(), (weights * term.factor[:, None])[used].ravel())
            )
            self._bent([b for b in bends if b.piece == self.piece[term.face]], face, term, new, value)
        if equations.rests is not None:
            rests = equations.rests
            stay = new[rests.rows] >= 0
            kept = replace(rests, rows=new[rests.rows][stay], x_mm=rests.x_mm[stay], y_mm=rests.y_mm[stay])
            self.rests.append((setting.group, kept))
        posed = [state for state in dict.fromkeys(touched) if state[0] not in equations.unposed]
        self.ties += [(a, b) for a, b in itertools.combinations(posed, 2) if self.piece[a[0]] == self.piece[b[0]]]
        for label, prior in equations.unknowns.items():
            self.own.setdefault(label, (len(self.own), prior))
        for own in equations.own:
            rows = new[own.rows]
            used = rows >= 0
            self.own_entries.append((rows[used], self.own[own.label][0], np.asarray(own.factor, float)[used]))
        self._append(number, setting, replace(equations, value_um=value), keep)

    def _bent(self, bends: Sequence[Bend], face: Face, term: HeightTerm, new: IntArray, value: FloatArray) -> None:
        """What the bends of its piece add to a term: off the values where they are known, else columns of their own."""
        for bend in bends:
            part = term.factor * bend.heights(face, term.x_mm, term.y_mm)
            if bend.label is None:
                np.subtract.at(value, term.rows, part)
                continue
            column, _ = self.own.setdefault(Label(None, bend.label), (len(self.own), bend.prior))
            rows = new[term.rows]
            self.own_entries.append((rows[rows >= 0], column, part[rows >= 0]))

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
        seen = self.seen.setdefault(setting.group, set())
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
        self, face: Face, term: HeightTerm, equations: Equations, kind: Kind
    ) -> tuple[IntArray, FloatArray]:
        try:
            return face.interpolate(term.x_mm, term.y_mm)
        except OffTheFace:
            for i, row in enumerate(term.rows):  # name the reading
                try:
                    face.interpolate(term.x_mm[i : i + 1], term.y_mm[i : i + 1])
                except OffTheFace as error:
                    reading = equations.readings[row]
                    raise JobError(off_face(reading, kind, float(term.x_mm[i]), error), reading.id) from None
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
        noise: dict[Influence, FloatArray] = {}
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
        heights = [
            Unknown(
                Label(None, name + (f" ({state} passes on)" if state else "")),
                slice(first, first + len(self.faces[name].x_mm)),
                None,
                self.faces[name],
                state,
                np.arange(len(self.faces[name].x_mm)),
            )
            for (name, state), first in self.blocks.items()
        ]
        own = [
            Unknown(label, slice(self.width + column, self.width + column + 1), prior)
            for label, (column, prior) in self.own.items()
        ]
        body = _bodies(list(self.blocks), self.ties, self.piece)
        return (*(replace(u, body=body[state]) for u, state in zip(heights, self.blocks, strict=True)), *own)


def _idle(net: Network, loose: BoolArray) -> list[str]:
    """A note on the typed readings among these; that touching faces cannot cross goes without saying."""
    typed = {r.id for _, r in net.job.readings()}
    idle = [net.rows.reading_ids[i] for i in np.flatnonzero(loose) if net.rows.reading_ids[i] in typed]
    if not idle:
        return []
    names = idle[0] + (f" and {len(idle) - 1} more" if len(idle) > 1 else "")
    return [f"Nothing can be held against {names} alone yet: no value says how the faces lay to each other there."]


def _bodies(
    states: Sequence[State], ties: Sequence[tuple[State, State]], piece: Mapping[str, str]
) -> dict[State, RigidBody]:
    """The rigid body of each face state: faces of one piece that some reading ties together."""
    parent = {s: s for s in states}

    def root(s: State) -> State:
        while parent[s] != s:
            s = parent[s]
        return s

    for a, b in ties:
        parent[root(a)] = root(b)
    members: dict[State, list[State]] = {}
    for s in states:
        members.setdefault(root(s), []).append(s)
    bodies = {first: RigidBody(piece[first[0]], tuple(each)) for first, each in members.items()}
    return {s: bodies[root(s)] for s in states}
